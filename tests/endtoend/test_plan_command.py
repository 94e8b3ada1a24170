"""`handfast plan`: the meeting of a pass, planned and taken back, by the command."""

from __future__ import annotations

import json
import re

from support.commands import handfast


def test_plan_and_back(tmp_path):
    """Planned poses stand in the file with the taught ones beside them; --taught brings the angles back."""
    assert handfast("new", str(tmp_path / "b"), cwd=tmp_path).returncode == 0
    bench = tmp_path / "b" / "bench.toml"
    file = tmp_path / "b" / "routines" / "pass-pot.toml"
    before = file.read_text()
    # Fingers of 36 mm leave too little of a pot of 36 mm, however the hands stand: refused, with what would help.
    shipped = bench.read_text()
    bench.write_text(shipped.replace("finger_width_mm = 18", "finger_width_mm = 36"))
    wide = handfast("plan", "pass-pot", "--bench", str(tmp_path / "b"), cwd=tmp_path)
    assert wide.returncode == 2
    assert "mm are missing" in wide.stderr
    assert "fingers" in wide.stderr.split("next:")[1]
    assert file.read_text() == before
    bench.write_text(shipped)
    done = handfast("plan", "pass-pot", "--bench", str(tmp_path / "b"), "--json", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    (row,) = json.loads(done.stdout)["passes"]
    assert row["after"]["margin"] > row["before"]["margin"]
    assert "taught_deg" in file.read_text()
    assert handfast("plan", "pass-pot", "--taught", "--bench", str(tmp_path / "b"), cwd=tmp_path).returncode == 0
    after = file.read_text()
    angles = [line for line in before.splitlines() if line.startswith("pose_deg")]
    assert [line for line in after.splitlines() if line.startswith("pose_deg")] == angles
    assert after.splitlines()[0] == before.splitlines()[0]


def test_what_cannot_be_passed_is_refused_and_nothing_is_written(tmp_path):
    """A routine without a pass; arms bolted a metre apart: one message, exit status 2, the file as it was."""
    assert handfast("new", str(tmp_path / "b"), cwd=tmp_path).returncode == 0
    bench = tmp_path / "b" / "bench.toml"
    none = handfast("plan", "carry-tray", "--bench", str(tmp_path / "b"), cwd=tmp_path)
    assert none.returncode == 2
    assert "this routine has no pass" in none.stderr
    bench.write_text(bench.read_text().replace("base_mm = [-226, 0, 0]", "base_mm = [-900, 0, 0]"))
    file = tmp_path / "b" / "routines" / "pass-pot.toml"
    before = file.read_text()
    far = handfast("plan", "pass-pot", "--bench", str(tmp_path / "b"), cwd=tmp_path)
    assert far.returncode == 2
    assert "reach no common place: the bases stand" in far.stderr
    assert "Traceback" not in far.stderr
    assert file.read_text() == before


def turning(message):
    """How many of the changes that a message proposes would turn the answer."""
    return sum("then it is tight" in c or "then it holds" in c for c in message.split("next:")[1].split("; or "))


def test_refusals_say_how_much_and_what_would_turn_them(tmp_path):
    """A thing too small, and arms bolted 300 mm too far apart: millimetres missing, and three changes that turn it."""
    assert handfast("new", str(tmp_path / "b"), cwd=tmp_path).returncode == 0
    bench = tmp_path / "b" / "bench.toml"
    shipped = bench.read_text()
    small = shipped.replace("size_mm = [36, 36, 48]\ngrip_height_mm = 11", "size_mm = [14, 14, 14]")
    small = small.replace("grip_width_mm = 36", "grip_width_mm = 14")
    assert small != shipped
    bench.write_text(small)
    done = handfast("plan", "pass-pot", "--bench", str(tmp_path / "b"), cwd=tmp_path)
    assert done.returncode == 2
    assert re.search(r"still lacks [\d.]+ mm", done.stderr)
    assert re.search(r"the thing is [\d.]+ mm too small for this pair", done.stderr)
    assert turning(done.stderr) == 3, done.stderr
    bench.write_text(shipped.replace("base_mm = [-226, 0, 0]", "base_mm = [-526, 0, 0]"))
    done = handfast("plan", "pass-pot", "--bench", str(tmp_path / "b"), cwd=tmp_path)
    assert done.returncode == 2
    found = re.search(r"the bases stand (\d+) mm too far apart", done.stderr)
    assert found
    assert 20 <= int(found[1]) <= 160
    assert turning(done.stderr) == 3, done.stderr


def test_what_makes_no_sense_is_told(tmp_path):
    """Arms in each other, a crate in the way, a thing of no size, too wide or too heavy: exit 1 or 2, in words."""
    assert handfast("new", str(tmp_path / "b"), cwd=tmp_path).returncode == 0
    bench = tmp_path / "b" / "bench.toml"
    routine = tmp_path / "b" / "routines" / "carry-tray.toml"
    shipped, carried = bench.read_text(), routine.read_text()

    def tried(text, name, *words):
        bench.write_text(text)
        done = handfast(*words, name, "--bench", str(tmp_path / "b"), cwd=tmp_path)
        assert "Traceback" not in done.stderr
        assert done.returncode in (1, 2), done.stdout
        return done.stdout + done.stderr

    inside = tried(shipped.replace("base_mm = [-226, 0, 0]", "base_mm = [226, 0, 0]"), "carry-tray", "check")
    assert "clear    fails" in inside or "stand in" in inside
    crate = shipped.replace("center_mm = [0, 240, 30]", "center_mm = [0, 0, 30]")
    assert "compost-crate" in tried(crate, "carry-tray", "check")
    assert "size_mm" in tried(shipped.replace("size_mm = [36, 36, 48]", "size_mm = [0, 36, 48]"), "pass-pot", "check")
    assert "grip_width_mm" in tried(shipped.replace("grip_width_mm = 36", "grip_width_mm = 0"), "pass-pot", "check")
    wide = shipped.replace("size_mm = [36, 36, 48]", "size_mm = [90, 90, 48]")
    wide = wide.replace("grip_width_mm = 36", "grip_width_mm = 90")
    assert "is 90 mm wide, the jaws take 0 to 56 mm" in " ".join(tried(wide, "pass-pot", "check").split())
    heavy = shipped.replace("mass_g = 45", "mass_g = 4500")
    assert "grip     fails" in tried(heavy, "pass-pot", "check")
    routine.write_text(carried.replace("[step.right]\npose_deg = [", "[step.right]\npose_deg = [170.0, ", 1))
    assert "6 angles are given" in tried(shipped, "carry-tray", "check")
    routine.write_text(carried.replace('do = "carry"', 'do = "carry"\nraise_mm = 900', 1))
    assert "taught poses and a path" in tried(shipped, "carry-tray", "check")
