"""Routine files: read and checked against the bench, written whole, comments kept."""

from __future__ import annotations

import dataclasses
import shutil
from pathlib import Path

import numpy as np
import pytest

from handfast.bench.folder import BenchFolder
from handfast.bench.new import TEMPLATES
from handfast.errors import InputError
from handfast.files.document import parse_document
from handfast.routine.file import (
    find_routines,
    read_routine,
    rewrite_commands,
    routine_of,
    routine_text,
    write_routine,
)
from support import seedling

FILE = Path("r.toml")
PLAIN = """\
[routine]
name = "r"

[[step]]
do = "go"
name = "first"

[step.left]
pose_deg = [0, 10, 20, 30, 0]
held = "held"
arrived = "+ - 0 + -"

[[step]]
do = "grip"
arm = "left"
thing = "plug-pot"

[[step]]
do = "pass"
giver = "left"
thing = "plug-pot"
left = { pose_deg = [0, 10, 20, 30, 0] }
right = { pose_deg = [0, 10, 20, 30, 0] }

[[step]]
do = "wait"
time_s = 1
after = "first"

[[step]]
do = "stroke"

[step.right]
path_deg = [[0, 0, 0, 0, 0], [1, 1, 1, 1, 1], [2, 2, 2, 2, 2], [3, 3, 3, 3, 3]]
path_s = [0, 1, 2, 3]
"""


def read(text: str):
    """The routine that `text` is, on the seedling bench."""
    return routine_of(parse_document(text, FILE), seedling.bench())


def test_a_routine_is_read():
    """Angles in rad, signs as numbers, and who takes part in each step."""
    found = read(PLAIN)
    assert found.name == "r"
    assert [s.do for s in found.steps] == ["go", "grip", "pass", "wait", "stroke"]
    left = found.steps[0].left
    assert np.degrees(left.pose) == pytest.approx([0, 10, 20, 30, 0])
    assert left.arrivals == (1, -1, 0, 1, -1)
    assert [s.sides for s in found.steps] == [
        ("left",), ("left",), ("left", "right"), ("left", "right"), ("right",)
    ]  # fmt: skip
    assert found.steps[2].taker == "right"
    assert found.title(0) == "1 (go first)"
    assert found.tolerance_of(0) == pytest.approx(0.005)


def test_a_step_may_have_its_own_tolerance():
    """Else that of the whole routine."""
    text = PLAIN.replace('name = "r"', 'name = "r"\ntolerance_mm = 3')
    found = read(text.replace('"first"\n', '"first"\ntolerance_mm = 8\n'))
    assert (found.tolerance_of(0), found.tolerance_of(1)) == (pytest.approx(0.008), pytest.approx(0.003))


def test_a_command_is_the_target_where_there_is_one():
    """The taught pose stays beside it."""
    found = read(PLAIN.replace('held = "held"', 'held = "held"\ncommand_deg = [1, 11, 21, 31, 1]'))
    left = found.steps[0].left
    assert np.degrees(left.target) == pytest.approx([1, 11, 21, 31, 1])
    assert np.degrees(left.pose) == pytest.approx([0, 10, 20, 30, 0])


SWAPS = [
    ('[[step]]\ndo = "go"', '[[step]]\ndo = "fly"', "r.toml:5: step.1.do"),
    ("pose_deg = [0, 10, 20, 30, 0]\nheld", "held", "r.toml:8: step.1.left.pose_deg: pose_deg is missing"),
    ("[0, 10, 20, 30, 0]\nheld", "[0, 10, 20, 30]\nheld", "r.toml:9: step.1.left.pose_deg: 4 angles are given"),
    ("[0, 10, 20, 30, 0]\nheld", '[0, 10, 20, "x", 0]\nheld', "r.toml:9: step.1.left.pose_deg"),
    ("[0, 10, 20, 30, 0]\nheld", "[0, 10, 20, 3000, 0]\nheld", "r.toml:9: step.1.left.pose_deg"),
    ("[0, 10, 20, 30, 0]\nheld", "[0, 10, nan, 30, 0]\nheld", "r.toml:9: step.1.left.pose_deg"),
    ('held = "held"', 'held = "maybe"', "r.toml:10: step.1.left.held"),
    ('"+ - 0 + -"', '"+ - 0 +"', 'r.toml:11: step.1.left.arrived: "+ - 0 +" does not fit'),
    ('"+ - 0 + -"', '"+ - 0 + x"', "r.toml:11: step.1.left.arrived"),
    ('held = "held"', "spread_deg = [1, 2]", "r.toml:10: step.1.left.spread_deg: 2 angles are given"),
    ('held = "held"', "command_deg = [1, 2]", "r.toml:10: step.1.left.command_deg: 2 angles are given"),
    ('arm = "left"\n', "", "r.toml:13: step.2: arm is missing"),
    ('arm = "left"', 'arm = "middle"', "r.toml:15: step.2.arm"),
    ('thing = "plug-pot"\n\n[[step]]\ndo = "pass"', '\n[[step]]\ndo = "pass"', "r.toml:13: step.2: thing is missing"),
    ('"plug-pot"', '"pot"', 'r.toml:16: step.2.thing: the bench has no thing "pot"'),
    ('giver = "left"\n', "", "r.toml:18: step.3: giver is missing"),
    ("right = { pose", "rigth = { pose", "r.toml:23: step.3.rigth: unknown key"),
    ("right = { pose_deg = [0, 10, 20, 30, 0] }\n", "", "r.toml:19: step.3.do: pass needs both arms"),
    ("time_s = 1\n", "", "r.toml:25: step.4: time_s is missing"),
    ("time_s = 1\n", "time_s = -1\n", "r.toml:27: step.4.time_s"),
    ('after = "first"', 'after = "later"', 'r.toml:28: step.4.after: no earlier step "later"'),
    ("path_s = [0, 1, 2, 3]", "path_s = [0, 1, 2]", "r.toml:35: step.5.right.path_s: 3 times for 4 rows"),
    ("path_s = [0, 1, 2, 3]", "path_s = [0, 1, 1, 3]", "r.toml:35: step.5.right.path_s: the times do not rise"),
    ("path_s = [0, 1, 2, 3]\n", "", "step.5.right.path_deg: the path is missing"),
    (", [2, 2, 2, 2, 2]", ", [2, 2, 2, 2]", "r.toml:34: step.5.right.path_deg.3: row 3 has 4 numbers, row 1 5"),
    ("[step.right]", "[step.left.right]", "step.5.left.right: unknown key"),
    ('name = "r"\n', "", "r.toml:1: routine: name is missing"),
    ("[routine]", "[rutine]", "r.toml:1: rutine: unknown key"),
    ('do = "wait"', 'do = "wait"\npace = 2', "step.4.pace: 2 is out of range"),
    ('name = "r"', 'name = "r"\nname = "s"', "r.toml:3: name: this key or table is given twice"),
]  # fmt: skip


@pytest.mark.parametrize(("old", "new", "message"), SWAPS, ids=[m for *_, m in SWAPS])
def test_a_bad_routine_is_refused_where_it_is_bad(old, new, message):
    """File, line and key; what was expected or is there; one message."""
    assert old in PLAIN
    with pytest.raises(InputError) as caught:
        read(PLAIN.replace(old, new, 1))
    said = str(caught.value)
    assert message in said.splitlines()[0]
    assert said.startswith("r.toml:")
    assert "\n  expected: " in said or "\n  available: " in said


def test_an_empty_routine_is_refused():
    """No step, nothing to do."""
    with pytest.raises(InputError, match=r"r\.toml: no step\n  expected: at least one \[\[step\]\]"):
        read('[routine]\nname = "r"\n')


def test_what_is_written_is_read_back_the_same(tmp_path):
    """Six digits of every figure, all steps of the seedling bench's routines."""
    shutil.copytree(TEMPLATES / "seedling" / "drawings", tmp_path / "drawings")
    for name in ("pass-pot", "carry-tray", "write-label"):
        routine = seedling.routine(name)
        path = tmp_path / "routines" / f"{name}.toml"
        path.parent.mkdir(exist_ok=True)
        write_routine(path, routine, seedling.bench(), "a heading\nof two lines")
        found = read_routine(path, seedling.bench())
        assert path.read_text().startswith("# a heading\n# of two lines\n")
        assert routine_text(found) == routine_text(routine)
        for a, b in zip(found.steps, routine.steps, strict=True):
            assert (a.do, a.name, a.thing, a.giver, a.sides) == (b.do, b.name, b.thing, b.giver, b.sides)
            for side in a.sides:
                one, other = a.taught(side), b.taught(side)
                assert (one is None) == (other is None)
                if one is not None and one.pose is not None:
                    assert one.pose == pytest.approx(other.pose, abs=1e-6)


def test_a_routine_that_does_not_fit_is_not_written(tmp_path):
    """It is read back first; the old file stays."""
    path = tmp_path / "r.toml"
    path.write_text("old")
    good = read(PLAIN)
    bad = dataclasses.replace(good, steps=(dataclasses.replace(good.steps[1], thing="pot"),))
    with pytest.raises(InputError, match='the bench has no thing "pot"'):
        write_routine(path, bad, seedling.bench())
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["r.toml"]


COMMENTED = PLAIN.replace("[step.left]", "# mind the edge\n[step.left] # taught on a Monday").replace(
    "time_s = 1", "time_s = 1 # let it settle"
)


def test_commands_are_rewritten_and_all_else_stays(tmp_path):
    """Comments, order and taught figures; commands come, change and go, in tables, inline tables and paths."""
    path = tmp_path / "r.toml"
    path.write_text(COMMENTED)
    plain = read(COMMENTED)

    def commanded(by: float):
        steps = []
        for step in plain.steps:
            for side in step.sides:
                taught = step.taught(side)
                if taught is not None and taught.pose is not None:
                    taught = dataclasses.replace(taught, command=tuple(x + by for x in taught.pose))
                    step = step.with_taught(side, taught)
                elif taught is not None:
                    rows = tuple(tuple(x + by for x in row) for row in taught.path)
                    step = step.with_taught(side, dataclasses.replace(taught, path_command=rows))
            steps.append(step)
        return dataclasses.replace(plain, steps=tuple(steps))

    for by in (0.01, 0.02):
        rewrite_commands(path, commanded(by), seedling.bench())
        found = read_routine(path, seedling.bench())
        assert found.steps[0].left.command == pytest.approx([x + by for x in plain.steps[0].left.pose], abs=1e-6)
        assert found.steps[2].right.command == pytest.approx([x + by for x in plain.steps[2].right.pose], abs=1e-6)
        assert found.steps[4].right.path_command[3] == pytest.approx([np.radians(3) + by] * 5, abs=1e-6)
        for comment in ("# mind the edge", "# taught on a Monday", "# let it settle"):
            assert path.read_text().count(comment) == 1
        assert found.steps[0].left.pose == plain.steps[0].left.pose
    rewrite_commands(path, plain, seedling.bench())
    assert read_routine(path, seedling.bench()) == plain


def test_commands_that_do_not_fit_leave_the_file_alone(tmp_path):
    """Too few angles: refused before anything is written."""
    path = tmp_path / "r.toml"
    path.write_text(PLAIN)
    plain = read(PLAIN)
    left = dataclasses.replace(plain.steps[0].left, command=(0.0, 0.0))
    bad = dataclasses.replace(plain, steps=(plain.steps[0].with_taught("left", left), *plain.steps[1:]))
    with pytest.raises(InputError, match="2 angles are given"):
        rewrite_commands(path, bad, seedling.bench())
    assert path.read_text() == PLAIN


def test_routines_are_found_by_name_and_by_path(tmp_path):
    """None named: all of them, by name. A path may lead anywhere."""
    folder = BenchFolder(tmp_path)
    folder.routines.mkdir()
    for name in ("b", "a"):
        (folder.routines / f"{name}.toml").write_text(PLAIN)
    assert [p.name for p in find_routines(folder, [])] == ["a.toml", "b.toml"]
    assert find_routines(folder, ["b"]) == [folder.routines / "b.toml"]
    assert find_routines(folder, ["elsewhere/c.toml"]) == [Path("elsewhere/c.toml")]
    with pytest.raises(InputError, match=r'no routine "aa"\n.*\n  available: a, b \(nearest: a\)'):
        find_routines(folder, ["aa"])


def test_a_bench_without_routines_says_what_to_do(tmp_path):
    """Teach one."""
    with pytest.raises(InputError, match="this bench has no routine"):
        find_routines(BenchFolder(tmp_path), [])


CARRY = '[routine]\nname = "r"\n[[step]]\ndo = "carry"\n'


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ("", "carry needs both arms, or a path of the thing"),
        ('keep = "mirror"\n', "a carry that mirrors needs the pose of the arm that leads"),
        ('keep = "taught"\nraise_mm = 20\n', 'keep = "taught" without taught poses'),
        ('thing = "seed-tray"\nraise_mm = 20\nsqueeze_N = 2\n', "unknown key"),
        ('keep = "hug"\nraise_mm = 20\n', "hug"),
        ("raise_mm = 20\n[step.left]\npose_deg = [0, 0, 0, 0, 0]\n", "carry has taught poses and a path of the thing"),
    ],
)
def test_a_carry_that_cannot_be_told_is_refused(more, message):
    """Neither poses nor a path, both, a mirror without its leader, a force that no arm keeps: place and way out."""
    with pytest.raises(InputError) as caught:
        read(CARRY + more)
    said = str(caught.value)
    assert message in said.splitlines()[0]
    assert said.startswith("r.toml:")
    assert "expected: " in said or "available: " in said


def test_a_carry_by_its_path_is_read():
    """Raised by 20 mm, shifted, tilted and swung about a point, in SI units."""
    path = "raise_mm = 20\nshift_mm = [5, -10]\ntilt_deg = 3\nswing_deg = 90\nswing_about_mm = [0, 50]\n"
    step = read(CARRY + path).steps[0]
    assert step.moves_thing
    assert (step.raised, step.shift, step.swing_about) == (0.02, (0.005, -0.01), (0.0, 0.05))
