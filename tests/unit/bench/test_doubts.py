"""Figures in another unit than their key says: told where they are, and nothing of a bench as it should be."""

from __future__ import annotations

import json
import re

import pytest

from handfast.bench.doubts import doubts
from handfast.bench.folder import BenchFolder, read_bench
from handfast.bench.new import new_bench
from handfast.cli.main import main
from support import seedling


@pytest.mark.parametrize(("left", "right", "beside"), [(None, None, False), (4, 4, True), (5, 6, False), (7, 7, False)])
def test_benches_as_they_are_laid_down_raise_no_doubt(tmp_path, left, right, beside):
    """Nothing is said where nothing is wrong."""
    folder = new_bench(tmp_path / "b", left, right, beside)
    assert doubts(read_bench(BenchFolder(folder.root))) == ()


def test_the_seedling_bench_raises_no_doubt():
    """With all it handles, a pen and a plug among them."""
    assert doubts(seedling.bench()) == ()


CASES = {
    "kilograms": (("mass_g = 95", "mass_g = 0.095"), r"left yaw: mass_g = 0\.095: a link so light .* kilograms\?"),
    "too heavy": (("mass_g = 95", "mass_g = 9500"), r"left yaw: mass_g = 9500: a link so heavy"),
    "radians": (("travel_deg = [-90, 90]", "travel_deg = [-1.57, 1.57]"),
                r"left yaw: travel_deg = \[-1\.57, 1\.57\]: so small a travel .* radians\?"),
    "metres": (("capsule_to_mm = [0, 0, 100]", "capsule_to_mm = [0, 0, 0.1]"),
               r"left shoulder: capsule_to_mm = \[0, 0, 0\.1\]: a link's body so short .* metres\?"),
    "centimetres": (("capsule_radius_mm = 20", "capsule_radius_mm = 1.8"),
                    r"left shoulder: capsule_radius_mm = 1\.8: a body so thin"),
    "a TCP in metres": (("tcp_mm = [0, 0, 80]", "tcp_mm = [0, 0, 0.08]"),
                        r"left gripper: tcp_mm = \[0, 0, 0\.08\]: a way to the TCP so short"),
    "a turn in radians": (("base_yaw_deg = 180", "base_yaw_deg = 3.1416"),
                          r"right arm: base_yaw_deg = 3\.142: .* radians\?"),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_another_unit_is_told(tmp_path, name):
    """One line that names the part, the key, the figure and what it may be meant as."""
    (old, new), says = CASES[name]
    folder = new_bench(tmp_path / "b", 5, 5)
    text = folder.file.read_text(encoding="utf-8")
    assert old in text
    folder.file.write_text(text.replace(old, new, 1), encoding="utf-8")
    (said,) = doubts(read_bench(folder))
    assert re.match(says, said), said


def test_a_whole_bench_in_metres(tmp_path):
    """Arms too short, bases in one place, a table of no size: each is told."""
    folder = new_bench(tmp_path / "b", 5, 5)
    lines = []
    for line in folder.file.read_text(encoding="utf-8").splitlines():
        key, equals, value = line.partition(" = ")
        if equals and key in ("offset_mm", "tcp_mm", "base_mm", "low_mm", "high_mm"):
            line = f"{key} = {[round(x / 1000.0, 5) for x in json.loads(value)]}"
        lines.append(line)
    folder.file.write_text("\n".join(lines), encoding="utf-8")
    said = "\n".join(doubts(read_bench(folder)))
    for part in ("left arm: its offset_mm and tcp_mm add up to", "arms: base_mm of both lie", "table: low_mm and"):
        assert part in said


def test_check_tells_them_beside_its_answers(tmp_path, capsys, monkeypatch):
    """A line of its own and no refusal; in --json too; nothing of it on a bench that raises no doubt."""
    folder = new_bench(tmp_path / "b")
    monkeypatch.chdir(folder.root)
    assert main(["check", "write-label", "--no-changes"]) in (0, 1)
    assert "look at these figures again" not in capsys.readouterr().out
    text = folder.file.read_text(encoding="utf-8")
    mass = re.search(r"^mass_g = [\d.]+", text, re.M)
    folder.file.write_text(text.replace(mass[0], "mass_g = 0.1", 1), encoding="utf-8")
    assert main(["check", "write-label", "--no-changes"]) in (0, 1)
    out = capsys.readouterr().out
    assert "look at these figures again, the answers above rest on them:\n  - left yaw: mass_g = 0.1: " in out
    assert main(["check", "write-label", "--no-changes", "--json"]) in (0, 1)
    assert len(json.loads(capsys.readouterr().out)["doubtful_figures"]) == 1
