"""Joint angles for a wanted pose: textbook cases, both solvers, and targets that cannot be met."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from handfast.geometry import rigid
from handfast.mechanics.inverse import POSITION_TOLERANCE, arrangement_of, branches, solve
from handfast.mechanics.kinematics import tool_poses
from handfast.mechanics.model import Chain
from support.arms import X, Y, Z, one_arm, planar, random_arm


def upright_five(**more) -> Chain:
    """Yaw, pitch, pitch, pitch, roll, standing straight up, as long as a desk-top arm."""
    return one_arm(
        axes=[Z, Y, Y, Y, Z],
        offsets=[[0, 0, 0.04], [0, 0, 0.03], [0, 0, 0.105], [0, 0, 0.098], [0, 0, 0.04]],
        tool=[0, 0, 0.08],
        travel=np.radians([(-90, 90), (-60, 110), (-30, 135), (-90, 90), (-90, 90)]),
        **more,
    )


def six(travel=((-90, 90), (-60, 110), (-30, 135), (-90, 90), (-90, 110), (-100, 100))) -> Chain:
    """Yaw, pitch, pitch, roll, pitch, roll."""
    return one_arm(
        axes=[Z, Y, Y, Z, Y, Z],
        offsets=[[0, 0, 0.04], [0, 0, 0.03], [0, 0, 0.105], [0, 0, 0.05], [0, 0, 0.048], [0, 0, 0.03]],
        tool=[0, 0, 0.08],
        travel=np.radians(travel),
    )


def planar_pose(x: float, y: float, degrees: float) -> np.ndarray:
    """A pose in the plane."""
    return rigid.yaw_pose(np.array([x, y, 0.0]), np.radians(degrees))


@pytest.mark.parametrize(
    ("near", "expected"),
    [((0, 45, 0), (10, 20, 30)), ((40, -45, 40), (27.114098, -20, 52.885902))],
    ids=["elbow right", "elbow left"],
)
def test_three_links_in_the_plane_both_ways(near, expected):
    """Links 4, 3, 2, tip at (7.537307223, 3.926643518, 60°). Source: Craig, computer exercises, from memory.

    Tolerance: the printed target has ten digits, so the angles are good to 1e-6 degrees.
    """
    found = solve(planar([4, 3, 2]), planar_pose(7.537307223, 3.926643518, 60), np.radians(near))
    assert found.reached.all()
    assert np.degrees(found.q[0]) == pytest.approx(expected, abs=1e-6)


def test_three_links_with_the_four_digits_of_the_book():
    """(7.5373, 3.9266, 60°) gives (9.9988, 20.0020, 29.9992) and the other elbow; four digits are worth 5e-3."""
    for near, expected in (((0, 45, 0), (9.9988, 20.0020, 29.9992)), ((40, -45, 40), (27.1146, -20.0020, 52.8874))):
        found = solve(planar([4, 3, 2]), planar_pose(7.5373, 3.9266, 60), np.radians(near))
        assert np.degrees(found.q[0]) == pytest.approx(expected, abs=1e-4)


def test_what_cannot_be_reached_is_said_not_clamped():
    """The book's third target (-3.1245, 9.1674, -30°): its wrist is 11.267746 away, two links reach 7.

    Its tip is 9.685 away from the base, and three links laid end to end reach 9: it is missed by the rest.
    """
    X_WT = planar_pose(-3.1245, 9.1674, -30)
    wrist = X_WT[:2, 3] - 2 * X_WT[:2, 0]
    assert np.linalg.norm(wrist) == pytest.approx(11.267746, abs=1e-6)
    assert (wrist @ wrist - 4**2 - 3**2) / (2 * 4 * 3) == pytest.approx(4.2484, abs=1e-4)  # no cosine
    found = solve(planar([4, 3, 2]), X_WT)
    assert not found.reached.any()
    assert found.short[0] == pytest.approx(np.hypot(3.1245, 9.1674) - 9.0, abs=1e-6)


def test_the_closed_form_finds_the_angles_it_came_from():
    """A thousand poses of the five-joint arm: the angles themselves are among the branches."""
    arm = upright_five(base=rigid.yaw_pose(np.array([0.1, -0.2, 0.05]), 2.0))
    rng = np.random.default_rng(1)
    low, high = arm.travel.T
    q = low + rng.uniform(0.01, 0.99, (1000, 5)) * (high - low)
    found = solve(arm, tool_poses(arm, q)[:, 0], near=q)
    assert found.q == pytest.approx(q, abs=1e-9)
    assert found.reached.all()
    assert found.turn == pytest.approx(np.zeros(1000), abs=1e-7)


def test_every_branch_leads_to_the_target():
    """Each of the four branches that says it reaches puts the tool on the pose; two or more do, mostly."""
    arm = upright_five()
    rng = np.random.default_rng(2)
    q = rng.uniform(-1.0, 1.0, (200, 5))
    wanted = tool_poses(arm, q)[:, 0]
    arrangement = arrangement_of(arm)
    assert arrangement is not None
    all_q, residual = branches(arm, arrangement, wanted)
    met = residual[..., 0] < 1e-9
    for b in range(4):
        reached = tool_poses(arm, all_q[:, b])[:, 0]
        assert reached[met[:, b]] == pytest.approx(wanted[met[:, b]], abs=1e-7)
    assert met.sum() >= 2 * len(q)


def test_a_turn_out_of_the_plane_is_given_up():
    """Fingers asked to lean 0.3 rad sideways: the position is met, and 0.3 rad are said to be given up."""
    arm = upright_five()
    here = tool_poses(arm, np.radians([20, 40, 50, 30, 0]))[0, 0]
    sideways = np.cross(here[:3, 2], Z)
    sideways = np.cross(sideways / np.linalg.norm(sideways), here[:3, 2])  # in the arm's plane, across the fingers
    lean = rigid.rotation_of(0.3 * sideways)
    found = solve(arm, rigid.pose(lean @ here[:3, :3], here[:3, 3]))
    assert found.short[0] < 1e-9
    assert found.turn[0] == pytest.approx(0.3, abs=1e-9)


def test_out_of_reach_of_the_closed_form():
    """Straight up from the shoulder, 100 mm beyond all members end to end."""
    arm = upright_five()
    top = rigid.shift(np.array([0.0, 0.0, 0.07 + 0.105 + 0.098 + 0.12 + 0.1]))
    found = solve(arm, top)
    assert not found.reached.any()
    assert found.short[0] == pytest.approx(0.1, abs=1e-9)


def test_travel_exceeded_is_said_in_rad():
    """A pose that needs the yaw 10 degrees past its stop, whichever way round."""
    arm = upright_five()
    found = solve(arm, tool_poses(arm, np.radians([100, 60, 60, 30, 0]))[0, 0])
    assert found.short[0] < 1e-9
    assert not found.reached.any()
    assert found.beyond[0] >= np.radians(10) - 1e-9


def test_near_chooses_the_elbow():
    """With `near` the branch at hand wins; without, the one farther from its stops."""
    arm = dataclasses.replace(
        upright_five(), travel=np.radians([(-90, 90), (-110, 110), (-135, 135), (-150, 150), (-90, 90)])
    )
    q = np.radians([10, 20, 60, 20, 5])
    target = tool_poses(arm, q)[0, 0]
    assert solve(arm, target, near=q).q[0] == pytest.approx(q, abs=1e-9)
    other = solve(arm, target, near=np.radians([10, 80, -60, 80, 5])).q[0]
    assert np.degrees(other[2]) == pytest.approx(-60, abs=1e-6)
    free = solve(arm, target)
    room = [np.minimum(s - arm.travel[:, 0], arm.travel[:, 1] - s).min() for s in (q, other)]
    assert -free.beyond[0] == pytest.approx(max(room), abs=1e-9)


@pytest.mark.parametrize(
    ("axes", "offsets", "tool", "base"),
    [
        ([Z, Y, Y, Y, X], [[0, 0, 0]] * 5, [0, 0, 0.1], np.eye(4)),  # the roll lies across the fingers
        ([X, Y, Y, Y, Z], [[0, 0, 0.1]] * 5, [0, 0, 0.1], np.eye(4)),  # the yaw is not upright
        ([Z, Y, X, Y, Z], [[0, 0, 0.1]] * 5, [0, 0, 0.1], np.eye(4)),  # the pitches are not parallel
        ([Z, Y, Y, Y, Z], [[0, 0, 0.1]] * 5, [0.02, 0, 0.1], np.eye(4)),  # the roll misses the TCP
        ([Z, Y, Y, Y, Z], [[0, 0, 0.1]] * 5, [0, 0, 0.1], rigid.pose(rigid.rotation_of(0.1 * X), 0 * X)),  # leaning
        ([Z, Y, Y, Y], [[0, 0, 0.1]] * 4, [0, 0, 0.1], np.eye(4)),  # four joints
        ([Z, Y, Y, Y, Z], [[0, 0, 0.1], [0, 0, 0], [0, 0.1, 0], [0, 0, 0.1], [0, 0, 0]], [0, 0, 0.1], np.eye(4)),
    ],
    ids=["roll across", "yaw level", "not parallel", "roll beside", "leaning base", "four joints", "no upper member"],
)
def test_other_arrangements_have_no_closed_form(axes, offsets, tool, base):
    """They are told apart, and the general solver takes them."""
    arm = one_arm(axes, offsets, tool, base=base)
    assert arrangement_of(arm) is None
    q = np.full(len(axes), 0.3)
    assert solve(arm, tool_poses(arm, q)[0, 0]).short[0] < POSITION_TOLERANCE


def reachable(rng: np.random.Generator, arm: Chain, count: int) -> tuple[np.ndarray, np.ndarray]:
    """Angles inside the travel, and the tool poses there."""
    low, high = arm.travel.T
    q = low + rng.uniform(0.02, 0.98, (count, arm.joints)) * (high - low)
    return q, tool_poses(arm, q)[:, 0]


@pytest.mark.parametrize(("joints", "share"), [(4, 1.0), (5, 0.99), (6, 0.99), (7, 0.99)])
def test_the_general_solver_finds_what_is_reachable(joints: int, share: float):
    """Thirty random arms with twenty poses each, half of them with square axes, and 600 poses of a common six.

    With six joints and more the whole pose, with five the direction of the fingers, with four the position.
    What is left are poses that none of sixteen starts leads to.
    """
    rng = np.random.default_rng(joints)
    arms = [random_arm(rng, joints, square=bool(k % 2)) for k in range(30)]
    cases = [(arm, 20) for arm in arms] + ([(six(), 600)] if joints == 6 else [])
    found = total = 0
    for arm, count in cases:
        _, wanted = reachable(rng, arm, count)
        solution = solve(arm, wanted)
        got = tool_poses(arm, solution.q)[:, 0]
        met = solution.reached & (np.linalg.norm(got[:, :3, 3] - wanted[:, :3, 3], axis=1) < POSITION_TOLERANCE)
        if joints >= 6:
            met &= np.abs(got - wanted).max(axis=(1, 2)) < 1e-6
        elif joints == 5:
            met &= np.abs(got[:, :3, 2] - wanted[:, :3, 2]).max(axis=1) < 1e-5
        found += int(met.sum())
        total += len(met)
    assert found >= share * total


def test_solutions_stay_inside_the_travel():
    """Whether met or not: `beyond` is never positive for the general solver, and is what it says."""
    rng = np.random.default_rng(11)
    arm = random_arm(rng, 6)
    _, wanted = reachable(rng, arm, 50)
    wanted[25:, :3, 3] += 0.5
    solution = solve(arm, wanted)
    outside = np.maximum(arm.travel[:, 0] - solution.q, solution.q - arm.travel[:, 1]).max(axis=1)
    assert solution.beyond == pytest.approx(outside, abs=1e-15)
    assert outside.max() <= 1e-12


def test_residuals_are_what_is_really_missed():
    """`short` and `turn` against the pose that the angles give; `turn` counts where six joints are asked."""
    rng = np.random.default_rng(12)
    arm = six()
    _, wanted = reachable(rng, arm, 40)
    wanted[:, :3, :3] = wanted[rng.permutation(40), :3, :3]  # mostly cannot be met
    solution = solve(arm, wanted)
    got = tool_poses(arm, solution.q)[:, 0]
    assert solution.short == pytest.approx(np.linalg.norm(got[:, :3, 3] - wanted[:, :3, 3], axis=1), abs=1e-12)
    left = rigid.rotation_vector(np.swapaxes(got[:, :3, :3], 1, 2) @ wanted[:, :3, :3])
    assert solution.turn == pytest.approx(np.linalg.norm(left, axis=1), abs=1e-9)
    assert (solution.turn > 0.1).any()


@pytest.mark.parametrize("distance", [0.32, 0.4, 0.8])
def test_out_of_reach_of_six_joints(distance: float):
    """Level in front of the shoulder, members of 313 mm end to end: missed by the difference, however turned.

    The solver stops when a step gains less than 1e-8 of what is left, which is worth about a micrometre.
    """
    arm = six()
    rng = np.random.default_rng(13)
    for _ in range(5):
        yaw, tilt = rng.uniform(-1, 1), rng.uniform(0.3, 1.5)
        direction = np.array([np.cos(yaw) * np.sin(tilt), np.sin(yaw) * np.sin(tilt), np.cos(tilt)])
        target = rigid.pose(rigid.rotation_of(rng.normal(size=3)), np.array([0, 0, 0.07]) + distance * direction)
        solution = solve(arm, target)
        assert not solution.reached.any()
        assert solution.short[0] == pytest.approx(distance - 0.313, abs=2e-5)


def test_out_of_reach_because_of_travel():
    """A six-joint arm that can only bend a little, and targets behind it.

    The truth is the smallest distance that scipy's bounded least squares finds from forty starts.
    """
    from scipy.optimize import least_squares

    arm = six(travel=((-30, 30), (0, 60), (0, 60), (-30, 30), (-30, 30), (-30, 30)))
    rng = np.random.default_rng(14)
    low, high = arm.travel.T
    for _ in range(4):
        target = rigid.pose(rigid.rotation_of(rng.normal(size=3)), rng.uniform([-0.3, -0.2, 0], [-0.05, 0.2, 0.3]))

        def miss(q, at=target[:3, 3]):
            return tool_poses(arm, q)[0, 0, :3, 3] - at

        truth = min(
            np.linalg.norm(least_squares(miss, rng.uniform(low, high), bounds=(low, high)).fun) for _ in range(40)
        )
        assert solve(arm, target).short[0] == pytest.approx(truth, abs=1e-4)


def test_five_joints_keep_the_position_whatever_is_asked():
    """A general five-joint arm and turns it cannot make: the position is met all the same."""
    rng = np.random.default_rng(15)
    arm = one_arm(
        axes=[Z, Y, Y, X, Z],
        offsets=[[0, 0, 0.04], [0, 0, 0.03], [0, 0, 0.105], [0, 0, 0.098], [0, 0, 0.03]],
        tool=[0, 0, 0.08],
        travel=np.radians([(-90, 90), (-60, 110), (-30, 135), (-90, 90), (-100, 100)]),
    )
    _, wanted = reachable(rng, arm, 100)
    wanted[:, :3, :3] = wanted[rng.permutation(100), :3, :3]
    solution = solve(arm, wanted)
    assert solution.reached.all()
    assert solution.turn.max() > 0.1


def test_near_is_followed_along_a_path():
    """Six joints along a smooth path, each pose solved from the one before: the angles never jump."""
    arm = six()
    t = np.linspace(0, 1, 60)[:, None]
    q = np.radians([-40, 20, 50, -30, 40, 10]) + t * np.radians([70, 30, 20, 60, 20, -60])
    near = q[0]
    for n, target in enumerate(tool_poses(arm, q)[:, 0]):
        near = solve(arm, target, near=near).q[0]
        assert near == pytest.approx(q[n], abs=1e-5)


def test_near_is_not_left_for_a_little():
    """A general five-joint arm along a path whose turns it cannot quite make never jumps to another elbow."""
    arm = one_arm(
        axes=[Z, Y, Y, X, Z],
        offsets=[[0, 0, 0.04], [0, 0, 0.03], [0, 0, 0.105], [0, 0, 0.098], [0, 0, 0.03]],
        tool=[0, 0, 0.08],
        travel=np.radians([(-150, 150), (-110, 110), (-135, 135), (-150, 150), (-150, 150)]),
    )
    t = np.linspace(0, 1, 80)[:, None]
    q = np.radians([-40, 30, 60, -20, 10]) + t * np.radians([80, 20, 20, 40, 20])
    path = tool_poses(arm, q)[:, 0]
    path[:, :3, :3] = path[:, :3, :3] @ rigid.rotation_of(np.array([0.05, 0.04, 0.0]))
    near = q[0]
    for target in path:
        before, near = near, solve(arm, target, near=near).q[0]
        assert np.abs(near - before).max() < 0.2
