"""What counts as a change, after which a routine is played slowly and held to run once more."""

from __future__ import annotations

import pytest

from handfast.bench.new import new_bench
from handfast.desk.playing import digest_of
from handfast.desk.work import open_bench
from handfast.mechanics.model import model_of
from handfast.motion.plan import plan
from handfast.routine.file import read_routine
from support.at_a_board import nodding_bench

NODS = ((0, 0, 0, 0, 0), (14, 0, 12, 0, 0))


def digest(root, name="nod", mode="raw"):
    """Of a routine as its bench folder stands now."""
    desk = open_bench(root)
    path = desk.folder.routines / f"{name}.toml"
    return digest_of(desk, path, mode, plan(model_of(desk.bench), read_routine(path, desk.bench)))


@pytest.fixture
def root(tmp_path):
    """The seedling bench with a short routine."""
    return nodding_bench(tmp_path / "bench", NODS).root


def test_the_same_is_the_same(root):
    """Asked twice, and after a file was touched that has nothing to do with it."""
    first = digest(root)
    (root / "notes.txt").write_text("nothing")
    assert digest(root) == first
    assert digest(root, mode="trimmed") != first


def test_a_servo_that_was_vetted_is_a_change(root):
    """Its pulses are others, though bench and routine say the same."""
    first = digest(root)
    name = open_bench(root).bench.arm("left").joints[0].servo_name
    bench = root / "bench.toml"
    bench.write_text(bench.read_text().replace(f'servo = "{name}"', f'servo = "{name}"\nserial_mark = "A07"', 1))
    marked = digest(root)
    assert marked != first
    (root / "readings" / "servos").mkdir(parents=True, exist_ok=True)
    rows = ", ".join(f"[{a}, {1520 + 11 * a}]" for a in (-80, 0, 80))
    (root / "readings" / "servos" / "A07.toml").write_text(
        f'serial_mark = "A07"\nclass = "{name}"\n[[vetting]]\ndate = "2026-01-02"\nverdict = "accept"\n'
        f"pulse_table = [{rows}]\n"
    )
    assert digest(root) != marked


def test_another_drawing_of_the_same_name_is_a_change(tmp_path):
    """The routine only names it."""
    root = new_bench(tmp_path / "bench").root
    first = digest(root, "write-label")
    drawing = root / "drawings" / "sprout.svg"
    more = '<path d="M 0 0 L 10 0" fill="none" stroke="black"/></svg>'
    drawing.write_text(drawing.read_text().replace("</svg>", more))
    assert digest(root, "write-label") != first
