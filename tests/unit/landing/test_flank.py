"""On which side a joint rests, worked by hand on arms of one joint (see support.one_joint).

Hand-worked with play 2°, compliance 1.5 °/N·m, joint friction 0.02 N·m and limp friction 0.05 N·m; a level arm asks
for 0.196133 N·m.
"""

from __future__ import annotations

import numpy as np
import pytest

from handfast.landing.flank import (
    holding_torques,
    led_flank,
    moving_offsets,
    rest_error,
    resting_offsets,
    taught_offsets,
)
from support import one_joint

DEGREE = np.pi / 180.0
FIGURES = {"unseen_play": 2 * DEGREE, "compliance": 1.5 * DEGREE, "friction": 0.02, "limp_friction": 0.05}
NO_LOADS, NO_OFFSETS = np.zeros((1, 2)), np.zeros((1, 2, 3))
# Angles of a few degrees, products of numbers written to six digits: 1e-9 rad is rounding only.
EXACT = 1e-9


def degrees_of(found, column: int = 0) -> tuple[float, float, float]:
    """Mean and half width in degrees, and flank, of one joint at the only place."""
    return found.mean[0, column] / DEGREE, found.half[0, column] / DEGREE, found.flank[0, column]


@pytest.mark.parametrize("axis", [-1.0, 1.0])
def test_a_level_arm_asks_for_a_lifting_torque(axis):
    """About -y a lifting turn is positive (y × x = -z), about +y negative: ∓0.196133 N·m."""
    model = one_joint.model(axis, **FIGURES)
    tau = holding_torques(model, one_joint.level(axis), NO_LOADS, NO_OFFSETS)
    assert tau[0] == pytest.approx([-axis * 0.196133] * 2, abs=1e-12)


def test_a_load_in_the_hand_counts_with_its_lever():
    """50 g at the TCP add 0.05·9.80665·0.2 = 0.0980665 N·m to the arm that holds them."""
    model = one_joint.model(-1.0)
    tau = holding_torques(model, one_joint.level(-1.0), np.array([[0.05, 0.0]]), NO_OFFSETS)
    assert tau[0] == pytest.approx([0.196133 + 0.0980665, 0.196133], abs=1e-12)


@pytest.mark.parametrize("axis", [-1.0, 1.0])
def test_a_spring_that_carries_the_arm_leaves_nothing_to_hold(axis):
    """The spring pulls -rate·(q - rest) on the link; resting it at the balance takes the whole torque away."""
    model = one_joint.model(axis)
    q = one_joint.level(axis)
    rate = 0.5
    # rate·(q - rest) must be minus the holding torque -axis·0.196133.
    model.springs[:] = (rate, q[0, 0] - axis * 0.196133 / rate)
    assert holding_torques(model, q, NO_LOADS, NO_OFFSETS) == pytest.approx(np.zeros((1, 2)), abs=1e-12)


@pytest.mark.parametrize(("last", "expected"), [(1.0, -1.0 - 0.2941995 - 0.03), (-1.0, -1.0 - 0.2941995 + 0.03)])
def test_a_driven_level_arm_hangs_below_its_feedback(last, expected):
    """Half the play, 1.5·0.196133° of sag, and the windup of 1.5·0.02° that the last motion left."""
    model = one_joint.model(-1.0, **FIGURES)
    mean, half, flank = degrees_of(
        resting_offsets(model, one_joint.level(-1.0), np.full((1, 2), last), NO_LOADS, NO_OFFSETS)
    )
    assert (mean, half, flank) == (pytest.approx(expected, abs=EXACT), 0.0, -1.0)


def test_the_same_arm_about_the_other_axis_hangs_the_other_way():
    """About +y the same place is reached with the opposite sign of everything."""
    model = one_joint.model(1.0, **FIGURES)
    mean, _, flank = degrees_of(
        resting_offsets(model, one_joint.level(1.0), np.full((1, 2), -1.0), NO_LOADS, NO_OFFSETS)
    )
    assert (mean, flank) == (pytest.approx(1.0 + 0.2941995 + 0.03, abs=EXACT), 1.0)


@pytest.mark.parametrize(("last", "mean", "half"), [(1.0, -1.03, 0.0), (-1.0, 1.03, 0.0), (0.0, 0.0, 1.03)])
def test_an_upright_arm_trails_its_last_motion(last, mean, half):
    """Without load the link is dragged: half the play and 1.5·0.02° behind; undecided before any motion."""
    model = one_joint.model(-1.0, **FIGURES)
    found = degrees_of(resting_offsets(model, np.zeros((1, 2)), np.full((1, 2), last), NO_LOADS, NO_OFFSETS))
    assert found == (pytest.approx(mean, abs=EXACT), pytest.approx(half, abs=EXACT), -last)


def test_a_load_below_the_friction_does_not_choose_but_still_bends():
    """Load 0.015 N·m against a friction of 0.02: the flank is that of the motion, and 1.5·0.015° are sag."""
    model = one_joint.model(-1.0, **FIGURES)
    q = np.full((1, 2), -np.arcsin(0.015 / one_joint.WEIGHT))
    mean, half, flank = degrees_of(resting_offsets(model, q, np.full((1, 2), -1.0), NO_LOADS, NO_OFFSETS))
    assert (mean, half, flank) == (pytest.approx(1.0 + 0.03 - 0.0225, abs=EXACT), 0.0, 1.0)


@pytest.mark.parametrize(("arrived", "mean", "half"), [(1, 1.075, 0.0), (-1, -1.075, 0.0), (0, 0.0, 1.075)])
def test_a_held_pose_leads_by_half_the_play_and_the_drag_of_the_limp_servo(arrived, mean, half):
    """1° and 1.5·0.05° ahead in the way of the hand, whatever the load: the hand carries it."""
    model = one_joint.model(-1.0, **FIGURES)
    found = degrees_of(
        taught_offsets(model, one_joint.level(-1.0), np.full((1, 2), arrived), np.ones((1, 2)), NO_LOADS, NO_OFFSETS)
    )
    assert found == (pytest.approx(mean, abs=EXACT), pytest.approx(half, abs=EXACT), arrived)


@pytest.mark.parametrize("arrived", [1, -1, 0])
def test_a_pose_let_go_has_sagged_whichever_way_it_was_reached(arrived):
    """Gravity's flank and the sag of the whole load: -1° - 1.5·0.196133°."""
    model = one_joint.model(-1.0, **FIGURES)
    found = degrees_of(
        taught_offsets(model, one_joint.level(-1.0), np.full((1, 2), arrived), np.zeros((1, 2)), NO_LOADS, NO_OFFSETS)
    )
    assert found == (pytest.approx(-1.2941995, abs=EXACT), 0.0, -1.0)


@pytest.mark.parametrize(("arrived", "mean", "half"), [(1, 1.03, 0.0), (-1, -1.03, 0.0), (0, 0.0, 1.03)])
def test_an_upright_pose_let_go_stays_where_the_hand_left_it(arrived, mean, half):
    """Without load the windup relaxes to what the joint's own friction holds: 1° + 1.5·0.02°."""
    model = one_joint.model(-1.0, **FIGURES)
    found = degrees_of(
        taught_offsets(model, np.zeros((1, 2)), np.full((1, 2), arrived), np.zeros((1, 2)), NO_LOADS, NO_OFFSETS)
    )
    assert found == (pytest.approx(mean, abs=EXACT), pytest.approx(half, abs=EXACT), arrived)


def test_not_knowing_how_a_pose_was_held_spans_both():
    """Held: +1.075°, let go: -1.2941995°; middle -0.10959975°, half their distance 1.18459975°, flank open."""
    model = one_joint.model(-1.0, **FIGURES)
    found = degrees_of(
        taught_offsets(model, one_joint.level(-1.0), np.ones((1, 2)), -np.ones((1, 2)), NO_LOADS, NO_OFFSETS)
    )
    assert found == (pytest.approx(-0.10959975, abs=EXACT), pytest.approx(1.18459975, abs=EXACT), 0.0)


def test_not_knowing_matters_little_where_the_hand_came_from_above():
    """Held after a lowering motion: -1.075°, let go: -1.2941995°, the same flank either way."""
    model = one_joint.model(-1.0, **FIGURES)
    mean, half, flank = degrees_of(
        taught_offsets(model, one_joint.level(-1.0), -np.ones((1, 2)), -np.ones((1, 2)), NO_LOADS, NO_OFFSETS)
    )
    assert (mean, half) == (pytest.approx(-1.18459975, abs=EXACT), pytest.approx(0.10959975, abs=EXACT))
    assert flank == -1.0


def test_along_a_motion_the_flank_changes_only_where_the_torque_decides():
    """Torques over half the friction (0.01) choose, smaller ones leave things as they are; before any, nobody knows."""
    model = one_joint.model(-1.0, **FIGURES)
    tau = np.array([0.005, 0.3, 0.005, -0.005, -0.3, 0.005, 0.011])[:, None] * np.ones((1, 2))
    found = moving_offsets(model, np.zeros((7, 2)), np.zeros((7, 2)), tau)
    assert found.flank[:, 0].tolist() == [0, -1, -1, -1, 1, 1, -1]
    assert found.half[:, 0] / DEGREE == pytest.approx([1, 0, 0, 0, 0, 0, 0])
    expected = [-0.0075, -1 - 0.45, -1 - 0.0075, -1 + 0.0075, 1 + 0.45, 1 - 0.0075, -1 - 0.0165]
    assert found.mean[:, 0] / DEGREE == pytest.approx(expected, abs=EXACT)


def test_along_a_motion_a_known_start_is_kept():
    """With a flank before the first sample, a torque that decides nothing leaves it."""
    model = one_joint.model(-1.0, **FIGURES)
    found = moving_offsets(model, np.zeros((2, 2)), np.zeros((2, 2)), np.zeros((2, 2)), start=np.array([1.0, -1.0]))
    assert found.flank.tolist() == [[1, -1], [1, -1]]


def test_a_led_path_tells_the_side_of_the_hand():
    """Feedback up by 3°, down by 1°, up by 0.2° of noise: up, then down, and noise below a quarter of the play
    tells nothing; before the first clear motion the side is open."""
    path = np.array([0.0, 0.1, 1.0, 3.0, 2.0, 2.2, 2.1, 0.5])[:, None] * DEGREE
    assert led_flank(path, np.array([2 * DEGREE]))[:, 0].tolist() == [0, 0, 1, 1, -1, -1, -1, -1]


# -- where a proportional servo stops: stall 1 N·m at 0.05 rad, so 20 N·m/rad ---------------------------------------

SERVO = {"stall": np.array(1.0), "full_drive": np.array(0.05)}


@pytest.mark.parametrize(
    ("tau", "direction", "friction", "dead_band", "expected"),
    [
        (0.2, 1.0, 0.0, 0.0, 0.01),  # lifting without friction: 0.2 N·m over 20 N·m/rad
        (0.2, 1.0, 0.1, 0.0, 0.015),  # friction adds to the load on the way up
        (0.2, -1.0, 0.1, 0.0, 0.005),  # and bears part of it on the way down
        (0.0, 1.0, 0.1, 0.0, 0.005),  # no load: friction alone stops it short of its target
        (0.0, -1.0, 0.1, 0.0, -0.005),  # from either side
        (0.0, 1.0, 0.1, 0.02, 0.01),  # the drive ends at the edge of the dead band
        (0.02, -1.0, 0.1, 0.02, -0.01),  # going down against more friction than load: stops at the edge
        (0.2, -1.0, 0.1, 0.02, 0.01),  # a load over the friction pulls it through the band to the other edge
        (0.5, -1.0, 0.1, 0.02, 0.02),  # and further, until the drive holds it: (0.5 - 0.1)/20
        (0.2, 0.0, 0.1, 0.0, 0.01),  # way unknown: the middle of both
        (-0.2, 1.0, 0.1, 0.0, -0.005),  # a load that helps on the way up
    ],
)  # fmt: skip
def test_where_a_servo_comes_to_rest(tau, direction, friction, dead_band, expected):
    """Target minus feedback, rad, at 20 N·m/rad of drive."""
    found = rest_error(
        np.array(tau),
        np.array(direction),
        SERVO["stall"],
        SERVO["full_drive"],
        np.array(friction),
        np.array(dead_band),
    )
    assert float(found) == pytest.approx(expected, abs=1e-12)
