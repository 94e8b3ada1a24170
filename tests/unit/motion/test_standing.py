"""Where things are put down: lean and lowest corner by hand, through one hand, a pass, and two hands."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from handfast.geometry.rigid import pose, rotation_about
from handfast.motion.standing import put_downs
from handfast.routine.steps import Step
from support import seedling

POT = "plug-pot"
DOWN = np.diag([1.0, -1.0, -1.0])
"""A hand whose fingers point straight down, its jaws along the world's y."""


def hand(x: float, z: float, lean: float = 0.0) -> np.ndarray:
    """A hand at (x, 0, z) mm, its fingers swung by lean degrees towards +x."""
    return pose(rotation_about(np.array([0.0, 1.0, 0.0]), -np.radians(lean)) @ DOWN, np.array([x, 0.0, z]) / 1e3)


def bench(**gripper):
    """The seedling bench with pads that do not pivot, and a pot of 36 x 36 x 48 mm gripped in its middle."""
    found = seedling.bench()
    arms = {
        side: dataclasses.replace(
            found.arm(side), gripper=dataclasses.replace(found.arm(side).gripper, pads_pivot=False, **gripper)
        )
        for side in ("left", "right")
    }
    things = tuple(dataclasses.replace(t, grip_height=0.0) if t.name == POT else t for t in found.things)
    return dataclasses.replace(found, arms=dataclasses.replace(found.arms, **arms), things=things)


GO_GRIP = (seedling.go("left", 0, 0, 0, 0, 0), Step(do="grip", arm="left", thing=POT))
PUT = (seedling.go("left", 0, 0, 0, 0, 0), Step(do="release", arm="left"))


@pytest.mark.parametrize(("lean", "laid", "off"), [(0.0, False, 0.0), (40.0, False, 40.0), (80.0, True, 10.0)])
def test_a_hand_that_turns_turns_what_it_holds(lean, laid, off):
    """Gripped with its foot on the table, 24 mm below the TCP; put down by a hand that leans: the thing leans as much.

    Its lowest corner is 18 sin + 24 cos below the TCP. On its foot it falls over from atan(18/24), laid on its side
    from atan(18/18).
    """
    routine = seedling.routine_of(*GO_GRIP, *PUT)
    (down,) = put_downs(bench(), routine, {(0, "left"): hand(0, 24), (2, "left"): hand(50, 30, lean)})
    assert (down.step, down.sides) == (3, ("left",))
    assert np.degrees(down.lean) == pytest.approx(lean, abs=1e-6)
    a = np.radians(lean)
    assert down.foot == pytest.approx((30 - 18 * np.sin(a) - 24 * np.cos(a)) / 1e3)
    assert down.laid == laid
    assert np.degrees(down.off) == pytest.approx(off, abs=1e-6)
    assert down.tips == pytest.approx(np.arctan2(18, 18 if laid else 24))


def test_a_pass_adds_up_the_turns_of_four_poses():
    """Giver's lean when it meets less when it gripped, plus the taker's (it faces the other way): 50 - 20 + 60 - 40."""
    meet = Step(do="pass", thing=POT, giver="left")
    routine = seedling.routine_of(*GO_GRIP, meet, seedling.go("right", 0, 0, 0, 0, 0), Step(do="release", arm="right"))
    hands = {
        (0, "left"): hand(0, 24, 20),
        (2, "left"): hand(40, 120, 50),
        (2, "right"): hand(60, 120, -60),
        (3, "right"): hand(90, 60, -40),
    }
    (down,) = put_downs(bench(), routine, hands)
    assert down.sides == ("right",)
    assert np.degrees(down.lean) == pytest.approx(50 - 20 + 60 - 40)


def test_pads_that_pivot_let_it_hang():
    """Gripped 11 mm above its middle between pads on pins it hangs upright, whatever the hand does about that line."""
    made = bench()
    gripper = dataclasses.replace(made.arms.left.gripper, pads_pivot=True)
    made = dataclasses.replace(
        made, arms=dataclasses.replace(made.arms, left=dataclasses.replace(made.arms.left, gripper=gripper))
    )
    high = dataclasses.replace(
        made, things=tuple(dataclasses.replace(t, grip_height=0.011) if t.name == POT else t for t in made.things)
    )
    routine = seedling.routine_of(*GO_GRIP, *PUT)
    hands = {(0, "left"): hand(0, 35), (2, "left"): hand(50, 45, 40)}
    (down,) = put_downs(high, routine, hands)
    assert down.lean == pytest.approx(0.0, abs=1e-6)
    assert down.foot == pytest.approx(0.010)


def test_what_another_hand_holds_or_a_person_handed_over_is_not_put_down():
    """A hand that lets go while the other holds on; a thing that was gripped 60 mm above the table."""
    both = seedling.routine_of(
        *GO_GRIP, seedling.go("right", 0, 0, 0, 0, 0), Step(do="grip", arm="right", thing=POT), *PUT
    )
    hands = {(0, "left"): hand(0, 24), (2, "right"): hand(30, 24), (4, "left"): hand(0, 24)}
    assert put_downs(bench(), both, hands) == []
    handed = seedling.routine_of(*GO_GRIP, *PUT)
    assert put_downs(bench(), handed, {(0, "left"): hand(0, 84), (2, "left"): hand(50, 84)}) == []


def test_two_hands_tilt_it_by_the_height_between_them():
    """Both hands 206 mm apart, the right 30 mm higher where they let go: it leans by asin(30 / 206)."""
    routine = seedling.routine_of(
        Step(do="go"), Step(do="grip", thing="seed-tray", arm="both"), Step(do="go"), Step(do="release", arm="both")
    )
    hands = {
        (0, "left"): hand(-103, 25), (0, "right"): hand(103, 25), (2, "left"): hand(-103, 25),
        (2, "right"): hand(-103 + np.sqrt(206**2 - 30**2), 55),
    }  # fmt: skip
    steps = list(routine.steps)
    for n in (0, 2):
        steps[n] = seedling.go("left", 0, 0, 0, 0, 0).with_taught(
            "right", seedling.go("right", 0, 0, 0, 0, 0).taught("right")
        )
    (down,) = put_downs(bench(), dataclasses.replace(routine, steps=tuple(steps)), hands)
    assert down.sides == ("left", "right")
    assert np.degrees(down.lean) == pytest.approx(np.degrees(np.arcsin(30 / 206)), abs=1e-3)
