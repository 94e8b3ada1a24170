"""`handfast layout`: the list, what is written, what is refused."""

from __future__ import annotations

import json
import xml.etree.ElementTree as ET

from support.commands import handfast


def test_the_seedling_bench_gains_and_the_choice_is_written(tmp_path):
    """Worst room of the first placement above the start's; --apply writes both bases, comments kept."""
    assert handfast("new", tmp_path / "b", cwd=tmp_path).returncode == 0
    file = tmp_path / "b" / "bench.toml"
    before = file.read_text()
    done = handfast("layout", "pass-pot", "--bench", tmp_path / "b", "--json", "--apply", "1", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout)
    best = found["placements"][0]
    assert best["room"]["worst"] > found["as_it_stands"]["room"]["worst"]
    after = file.read_text()
    assert [line for line in after.splitlines() if line.startswith("#")] == [
        line for line in before.splitlines() if line.startswith("#")
    ]
    assert f"base_mm = [{best['left']['base_mm'][0]}, {best['left']['base_mm'][1]}, 0.0]" in after
    # Litres by lean of the fingers; what is reached with any lean is at least what is with one.
    shared = best["shared_reach_l"]
    assert list(shared) == ["0", "15", "30", "45", "60", "75", "90", "any"]
    assert shared["any"] >= max(v for k, v in shared.items() if k != "any") > 0.1
    changed = [a for a, b in zip(after.splitlines(), before.splitlines(), strict=True) if a != b]
    assert all(line.startswith("base_") for line in changed)


def test_the_map_shows_what_both_reach(tmp_path):
    """An SVG of the table with both bases on it; a file that cannot be written is told and nothing else happens."""
    assert handfast("new", tmp_path / "b", cwd=tmp_path).returncode == 0
    done = handfast("layout", "pass-pot", "--bench", tmp_path / "b", "--map", "map.svg", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    root = ET.parse(tmp_path / "map.svg").getroot()
    words = {"".join(t.itertext()) for t in root.iter("{http://www.w3.org/2000/svg}text")}
    assert {"left", "right", "compost-crate", "over more than 0 cm of height"} <= words
    assert len(list(root.iter("{http://www.w3.org/2000/svg}rect"))) > 60
    assert "shared reach, litres" in done.stdout
    bad = handfast("layout", "pass-pot", "--bench", tmp_path / "b", "--map", "no/such/map.svg", cwd=tmp_path)
    assert "Traceback" not in bad.stderr


def test_a_table_too_small_is_refused(tmp_path):
    """A table of 30 mm holds no base: one message, exit status 2, nothing written."""
    assert handfast("new", tmp_path / "b", cwd=tmp_path).returncode == 0
    file = tmp_path / "b" / "bench.toml"
    small = file.read_text().replace("high_mm = [420, 280]", "high_mm = [-390, 280]")
    file.write_text(small)
    done = handfast("layout", "--bench", tmp_path / "b", cwd=tmp_path)
    assert done.returncode == 2
    assert "does not fit on the table" in done.stderr
    assert file.read_text() == small
