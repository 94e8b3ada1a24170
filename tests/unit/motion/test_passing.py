"""Passes: the rooms of a meeting by hand, and the meeting that is planned."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from handfast.answers.facts import facts_of
from handfast.answers.pair_changes import meeting_limits
from handfast.answers.pair_questions import meet
from handfast.bench.parts import SIDES
from handfast.geometry.rigid import pose
from handfast.mechanics.kinematics import tool_poses
from handfast.mechanics.model import model_of
from handfast.motion.passing import (
    UPRIGHT,
    in_hand,
    largest,
    rooms,
    smallest,
    with_planned_meeting,
    with_taught_meeting,
)
from handfast.motion.standing import put_downs, taught_hands
from support import seedling

POT = "plug-pot"


def opposed(gap: float, aside: float = 0.0, up: float = 0.0) -> np.ndarray:
    """Two hands along x that face each other, TCPs `gap` m apart, the taker moved aside and up."""
    left = np.column_stack([[0, 0, -1], [0, 1, 0], [1, 0, 0]]).astype(float)
    right = np.column_stack([[0, 0, 1], [0, 1, 0], [-1, 0, 0]]).astype(float)
    return np.stack([pose(left, np.array([-gap / 2, 0, 0.15])), pose(right, np.array([gap / 2, aside, 0.15 + up]))])


def held(x: float = 0.0) -> np.ndarray:
    """A pot whose middle is x m in front of the giver's TCP, upright while the fingers are level."""
    R_TO = np.column_stack([[0, 0, 1], [0, 1, 0], [-1, 0, 0]]).astype(float)
    return pose(R_TO, np.array([0.0, 0.0, x]))


def test_rooms_by_hand():
    """Pot 36 x 36 x 48, jaws 56 wide, fingers 18: TCPs 20 mm apart, the taker 2 mm aside, the pot in the middle.

    (56 - 36)/2 - 2 = 8 mm beside; 20 - 18 = 2 mm between fingers that lie in line (2 mm aside: a little more);
    18 - 10 = 8 mm to the edge in x, 24 in z.
    """
    bench = seedling.bench()
    left = rooms(bench, bench.thing(POT), "left", opposed(0.020, aside=0.002), held(0.010))
    assert left.jaws == pytest.approx(0.008, abs=1e-9)
    assert left.fingers == pytest.approx(np.hypot(0.020, 0.002) - 0.018, abs=1e-6)
    assert left.edge == pytest.approx(0.008, abs=1e-9)
    high = rooms(bench, bench.thing(POT), "left", opposed(0.020, up=0.020), held(0.010))
    assert high.edge == pytest.approx(0.024 - 0.020, abs=1e-9)


def test_smallest_and_largest_by_hand():
    """Fingers of 18 mm: 18 + e + 2 e between the edges; jaws of 56 mm: 56 - 2 e across the pads."""
    bench = seedling.bench()
    assert smallest(bench, bench.thing(POT), "left", np.full(3, 0.003)) == pytest.approx(0.018 + 3 * 0.003)
    assert largest(bench, "left", np.full(3, 0.003)) == pytest.approx(0.050)


def slim(width: float = 0.012):
    """The seedling bench with slimmer fingers: its own, 18 mm, leave too little of a pot gripped in its middle."""
    bench = seedling.bench()
    arms = {
        side: dataclasses.replace(
            bench.arm(side), gripper=dataclasses.replace(bench.arm(side).gripper, finger_width=width)
        )
        for side in SIDES
    }
    return dataclasses.replace(bench, arms=dataclasses.replace(bench.arms, **arms))


def planned(bench=None):
    """The seedling's pass, planned."""
    bench = bench or slim()
    model, routine = model_of(bench), seedling.routine("pass-pot")
    number = next(n for n, s in enumerate(routine.steps) if s.do == "pass")
    return number, model, with_planned_meeting(model, routine, number, meeting_limits(bench))


def test_the_planned_meeting_has_room_and_is_reached():
    """Both hands face each other, seen from above, on the pot; all three rooms positive, way in and out within travel,
    errors taken off."""
    number, model, found = planned()
    assert found is not None
    routine, meeting = found
    X_WT = tool_poses(model.chain, meeting.q)[0]
    level = X_WT[:, :2, 2] / np.linalg.norm(X_WT[:, :2, 2], axis=1, keepdims=True)
    assert level[0] @ level[1] < -0.95
    assert routine.steps[number].giver == "right"
    left = rooms(model.bench, model.bench.thing(POT), "right", X_WT, in_hand(model, routine, number))
    assert left.values.min() > 0.003
    facts = facts_of(model.bench, routine)
    assert not facts.motion.shortfalls
    assert meet(facts).margin > 0.0


@pytest.mark.parametrize("pivots", [True, False], ids=["hanging from the giver", "rigid in both hands"])
def test_a_planned_meeting_puts_the_thing_down_upright(pivots):
    """Taught, the pot is put down upright. A meeting with other hands turns it in the taker's hand: planned so that it
    still comes down upright, to what the arms' turns allow; hands that point level lay it down 31 degrees askew."""
    bench = slim()
    right = dataclasses.replace(bench.arms.right.gripper, pads_pivot=pivots)
    right_arm = dataclasses.replace(bench.arms.right, gripper=right)
    bench = dataclasses.replace(bench, arms=dataclasses.replace(bench.arms, right=right_arm))

    def lean(routine):
        (down,) = put_downs(bench, routine, taught_hands(model_of(bench), routine))
        assert (down.step, down.sides, down.thing.name) == (9, ("left",), POT)
        return np.degrees(down.lean)

    _, _, found = planned(bench)
    assert found is not None
    taught = lean(seedling.routine("pass-pot"))
    # Rigid in the right hand the pot is led 7 degrees askew.
    assert taught < 10.0
    assert lean(found[0]) < max(UPRIGHT * np.degrees(np.arctan2(18, 24)), taught) + 1.0


def test_what_was_taught_is_kept_and_comes_back():
    """The taught angles stand beside the planned ones; going back restores pose, hold and arrivals."""
    number, _, found = planned()
    assert found is not None
    taught = seedling.routine("pass-pot").steps[number]
    for side in SIDES:
        said = found[0].steps[number].taught(side)
        assert said.held == "planned"
        assert said.kept == taught.taught(side).pose
        back = with_taught_meeting(found[0], number).steps[number].taught(side)
        assert (back.pose, back.held, back.arrived) == (
            taught.taught(side).pose,
            taught.taught(side).held,
            taught.taught(side).arrived,
        )


def test_arms_too_far_apart_have_no_meeting():
    """Bases 1.2 m apart: no common place; the taught pass fails by more than the bases were moved."""
    bench = seedling.bench()
    arms = dataclasses.replace(
        bench.arms,
        left=dataclasses.replace(bench.arms.left, base=(-0.6, 0.0, 0.0)),
        right=dataclasses.replace(bench.arms.right, base=(0.6, 0.0, 0.0)),
    )
    far = dataclasses.replace(bench, arms=arms)
    assert planned(far)[2] is None
    found = meet(facts_of(far, seedling.routine("pass-pot")))
    assert found.margin < -600


def test_a_thing_too_small_is_named_with_what_is_missing():
    """A pot of 12 x 40 x 12 mm: fingers of 18 mm have no place side by side; millimetres and changes are given."""
    from handfast.answers.ask import ask

    bench = seedling.bench()
    tiny = dataclasses.replace(bench.thing(POT), size=(0.012, 0.030, 0.012), grip_width=0.030)
    small = dataclasses.replace(bench, things=tuple(tiny if t.name == POT else t for t in bench.things))
    number, _, found = planned(small)
    assert found is not None
    routine = found[0]
    assert routine.steps[number].thing == POT
    answer = ask(facts_of(small, routine)).of("meet")
    assert answer.verdict == "fails"
    assert "mm too small for this pair" in answer.finding.why
    assert answer.changes


def test_a_taught_pass_is_judged_only_where_feedback_is_measured():
    """Not asked on the bench as bought, asked once planned, asked where every joint has a table; always on demand."""
    from handfast.answers.ask import ask, is_asked

    bench, routine = slim(), seedling.routine("pass-pot")
    facts = facts_of(bench, routine)
    assert not is_asked("meet", facts)
    assert ask(facts, False, ("meet",)).of("meet").verdict in ("fails", "tight", "holds")
    assert is_asked("meet", facts_of(bench, planned()[2][0]))
    arms = {}
    for side in SIDES:
        arm = bench.arm(side)
        rows = [((j.travel[0], 100.0), (j.travel[1], 900.0)) for j in arm.joints]
        joints = tuple(dataclasses.replace(j, wiper_rows=r) for j, r in zip(arm.joints, rows, strict=True))
        arms[side] = dataclasses.replace(arm, joints=joints)
    measured = dataclasses.replace(bench, arms=dataclasses.replace(bench.arms, **arms))
    assert is_asked("meet", facts_of(measured, routine))
    assert not is_asked("meet", facts_of(measured, seedling.routine("carry-tray")))
