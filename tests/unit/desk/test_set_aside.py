"""Bases that are moved and servos that are changed: what was measured with the old ones counts no more."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from handfast.bench.measured import measured_text
from handfast.bench.new import new_bench
from handfast.desk import measuring
from handfast.desk.aside import overridden
from handfast.desk.layout import write_placement
from handfast.desk.vetting import fit_marks
from handfast.desk.work import open_bench
from handfast.layout.search import Placement
from handfast.records.readings import Follow, Gauge, Meet, Pull, Readings, Touch, read_readings, write_readings

DEGREE = np.pi / 180.0
COUNTS = tuple([400.0] * 12)
MEASURED = [
    ("left base", "base_mm", [-221.0, -5.0, 0.6], 0.9, True), ("left base", "base_yaw_deg", 0.84, 0.1, True),
    ("right base", "base_mm", [223.7, 3.4, -0.7], 0.9, True), ("right base", "base_yaw_deg", 179.2, 0.1, True),
    ("left elbow", "unseen_play_deg", 0.5, 0.1, True), ("left elbow", "joint_friction_pct", 3.0, 0.1, True),
    ("left elbow", "wiper_table", [[-90.0, 270.0], [90.0, 760.0]], None, True),
    ("right elbow", "unseen_play_deg", 0.6, 0.1, True),
]  # fmt: skip


@pytest.fixture
def folder(tmp_path):
    """A seedling bench that was measured."""
    folder = new_bench(tmp_path / "bench")
    folder.measured.write_text(measured_text("", MEASURED, "2026-11-01", "9 readings", "2026-11-01 calibrate 1"))
    readings = Readings(
        touches=tuple(Touch(arm=a, at=(0, 0, 0), error=4e-4, counts=COUNTS, supply=6.0) for a in ("left", "right")),
        meets=(Meet(error=5e-4, counts=COUNTS, supply=6.0),),
        gauges=tuple(
            Gauge(joint=j, angle=0.1, error=0.003, way="+", counts=COUNTS, supply=6.0)
            for j in ("left elbow", "left wrist")
        ),
        pulls=tuple(Pull(joint="left elbow", force=1.0, lever=0.08, error=0.1, loose=loose) for loose in (False, True)),
        follows=tuple(Follow(joint=j, share=0.5, error=0.02) for j in ("left elbow", "right elbow")),
    )  # fmt: skip
    write_readings(folder.readings / "read.toml", readings, open_bench(folder.root).bench, "By hand.")
    return folder


def texts(folder):
    """Every file of the bench but what was kept for taking batches back."""
    return {p: p.read_bytes() for p in folder.root.rglob("*") if p.is_file() and p.name != "batches.jsonl"}


def kinds(path, desk):
    """How many readings of each kind are in a file."""
    read = read_readings(path, desk.bench)
    return {k: len(v) for k, v in vars(read).items() if v}


def place(desk, left, right):
    """A placement: x, y mm and yaw, degrees, of each base."""
    return Placement(np.array([(x * 1e-3, y * 1e-3, yaw * DEGREE) for x, y, yaw in (left, right)]), 1.0, 1.0)


def test_a_moved_base_is_where_the_placement_says(folder):
    """Its measured place is set aside, the other base's stays, with touches of that arm; undo brings all back."""
    before, desk = texts(folder), open_bench(folder.root)
    placed = write_placement(desk, place(desk, (-221.0, -5.0, 0.84), (200.0, 40.0, 179.2)), 3)
    assert placed.moved == ("right",)
    now = open_bench(folder.root)
    assert now.bench.arms.right.base == pytest.approx((0.2, 0.04, 0.0))
    assert now.bench.arms.left.base == pytest.approx((-0.221, -0.005, 0.0006))
    assert now.bench.arms.left.joints[2].unseen_play == pytest.approx(0.5 * DEGREE)
    assert kinds(folder.readings / "read.toml", now) == {"touches": 1, "gauges": 2, "pulls": 2, "follows": 2}
    assert kinds(folder.readings / "set-aside" / "read.toml", now) == {"touches": 1, "meets": 1}
    assert placed.aside.words.startswith("what was measured of the right base and 1 touch and 1 meet (now in ")
    measuring.undo(now)
    assert texts(folder) == before
    assert not (folder.readings / "set-aside").exists()


def test_bases_that_stay_are_not_touched(folder):
    """A placement where both stand already: nothing is written, nothing set aside."""
    before, desk = texts(folder), open_bench(folder.root)
    placed = write_placement(desk, place(desk, (-221.0, -5.0, 0.84), (223.7, 3.4, 179.2)), 1)
    assert (placed.moved, placed.aside.batch) == ((), "")
    assert texts(folder) == before


def test_a_bench_edited_since_keeps_its_edit(folder):
    """Undo takes the batch out of measured.toml, says that bench.toml stays, and readings come back all the same."""
    desk = open_bench(folder.root)
    write_placement(desk, place(desk, (-200.0, -5.0, 0.84), (200.0, 40.0, 179.2)), 1)
    edited = "# mine\n" + folder.file.read_text()
    folder.file.write_text(edited)
    done = measuring.undo(open_bench(folder.root))
    assert folder.file.read_text() == edited
    assert done.left == ["bench.toml was edited since: it stays as it is, and what this batch wrote in it with it"]
    assert kinds(folder.readings / "read.toml", desk)["touches"] == 2


def test_a_base_moved_by_hand_in_the_design_is_told(folder):
    """Measured within what bolting is off: nothing. 60 mm away: one sentence, for that base."""
    desk = open_bench(folder.root)
    assert overridden(desk) == []
    folder.file.write_text(folder.file.read_text().replace("base_mm = [-226, 0, 0]", "base_mm = [-280, 0, 0]", 1))
    (said,) = overridden(open_bench(folder.root))
    assert "the left base 59 mm" in said
    assert "measured values win" in said


def chosen(**marks):
    """An assignment of marks to seats, elbows given as left_elbow."""
    placed = [SimpleNamespace(seat=SimpleNamespace(name=k.replace("_", " ")), mark=v) for k, v in marks.items()]
    return SimpleNamespace(placed=placed)


def test_another_servo_brings_none_of_what_the_old_one_showed(folder):
    """Play and feedback line of that joint go, its own friction and the other elbow's figures stay, and so do readings
    that do not rest on the servo; corrected commands go; undo brings all back, and the same servo changes nothing."""
    before, desk = texts(folder), open_bench(folder.root)
    design = desk.bench
    fitted = fit_marks(desk, chosen(left_elbow="A07"))
    assert fitted.new == ("left elbow",)
    now = open_bench(folder.root)
    elbow = now.bench.arms.left.joints[2]
    assert elbow.mark == "A07"
    assert elbow.wiper_rows is None
    assert elbow.unseen_play != design.arms.left.joints[2].unseen_play
    assert elbow.joint_friction == pytest.approx(0.03)
    assert now.bench.arms.right.joints[2].unseen_play == pytest.approx(0.6 * DEGREE)
    assert kinds(folder.readings / "read.toml", now) == {"touches": 1, "gauges": 1, "pulls": 1, "follows": 1}
    assert read_readings(folder.readings / "read.toml", now.bench).pulls[0].loose
    assert fit_marks(now, chosen(left_elbow="A07")).new == ()
    measuring.undo(open_bench(folder.root))
    assert texts(folder) == before


def test_marks_of_a_bench_that_was_never_measured(tmp_path):
    """They are written, and nothing is set aside."""
    folder = new_bench(tmp_path / "bench")
    fitted = fit_marks(open_bench(folder.root), chosen(left_elbow="A07", left_gripper="G1"))
    assert fitted.new == ("left elbow", "left gripper")
    assert fitted.aside.batch == ""
    assert not folder.measured.exists()
    assert open_bench(folder.root).bench.arms.left.gripper.mark == "G1"
