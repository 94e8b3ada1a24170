"""Where the tool is, and how fast joints move it, against textbook numbers.

L&P is Lynch & Park, *Modern Robotics*, Cambridge University Press 2017; Craig is Craig, *Introduction to
Robotics*, 3rd ed. Numbers of examples are from memory. Unless said, tolerances are half of the last printed
digit.
"""

from __future__ import annotations

import numpy as np
import pytest

from handfast.geometry import rigid
from handfast.mechanics.dynamics import tip_forces_to_torques
from handfast.mechanics.kinematics import batch, least_turns, manipulability, places, tool_poses
from support.arms import X, Y, Z, from_screws, one_arm, planar, random_arm, random_pair, side_by_side


@pytest.mark.parametrize(
    ("elbow", "expected"),
    [
        (45, [[-0.707107, -0.707107], [1.707107, 0.707107]]),
        (135, [[-0.707107, -0.707107], [0.292893, -0.707107]]),
    ],
)
def test_jacobian_of_two_links(elbow: float, expected):
    """Links of 1 m, angles 0 and 45 or 135 degrees; L&P, opening of chapter 5 (prints two digits)."""
    J = places(planar([1, 1]), np.radians([[0, elbow]])).J[0]
    assert J[:, 3:5].T == pytest.approx(np.array(expected), abs=1e-6)
    assert J[:, :3] == pytest.approx(np.array([[0, 0, 1], [0, 0, 1]]))


def test_least_turns_move_the_tip_as_asked_and_are_small():
    """Two links of 0.15 m at a right angle, and 2 mm to go: by hand J = [[-.15, .15], [-.15, 0]], so that for x the
    elbow alone turns by 2/150, and for y both, against each other. Stretched, none turns wildly for what none can."""
    arm = planar([0.15, 0.15])
    J = places(arm, np.radians([[0, 90]])).J[0, :, 3:]
    assert least_turns(J, np.array([0.002, 0.0, 0.0])) == pytest.approx([0.0, -0.002 / 0.15], abs=2e-4)
    assert least_turns(J, np.array([0.0, 0.002, 0.0])) == pytest.approx([0.002 / 0.15, -0.002 / 0.15], rel=0.02)
    for way in np.array([[0.002, 0.0, 0.0], [0.0, 0.002, 0.0], [-0.0015, 0.001, 0.0]]):
        moved = tool_poses(arm, np.radians([0, 90]) + least_turns(J, way))[0, 0, :3, 3] - [0.15, 0.15, 0.0]
        assert moved == pytest.approx(way, abs=0.02 * 0.002)
    stretched = places(arm, np.radians([[0, 0.5]])).J[0, :, 3:]
    assert np.abs(least_turns(stretched, np.array([0.002, 0.0, 0.0]))).max() < np.radians(20)


def test_newton_raphson_as_in_the_book():
    """Inverse kinematics of two links by the book's iteration on the body twist; L&P Example 6.1.

    Target 30 and 90 degrees, start 0 and 30. The book prints (34.23, 79.18), (29.98, 90.22), (30.00, 90.00);
    the digits and error norms here are recomputed. It uses our Jacobian, adjoint and logarithm.
    """
    arm = planar([1, 1])
    goal = tool_poses(arm, np.radians([30, 90]))[0, 0]
    assert goal[:2, 3] == pytest.approx([0.366025, 1.366025], abs=1e-6)
    q = np.radians([0.0, 30.0])
    iterates, angular, linear = [], [], []
    for _ in range(4):
        here = places(arm, q)
        X_WT = here.X_WT[0, 0]
        twist = rigid.twist_of(rigid.inverse(X_WT) @ goal)
        angular.append(np.linalg.norm(twist[:3]))
        linear.append(np.linalg.norm(twist[3:]))
        # Our J is the velocity of the TCP in world axes; in tool axes it is the body Jacobian.
        turn = rigid.adjoint(rigid.pose(X_WT[:3, :3].T, np.zeros(3)))
        q = q + np.linalg.pinv(turn @ here.J[0].T) @ twist
        iterates.append(np.degrees(q))
    expected = [(34.2346, 79.1769), (29.9800, 90.2197), (30.0, 90.0)]
    assert np.array(iterates[:3]) == pytest.approx(np.array(expected), abs=1e-3)
    assert angular == pytest.approx([1.5708, 0.1150, 0.003486, 0.0], abs=5e-5)
    assert linear == pytest.approx([1.9238, 0.1307, 0.003504, 0.0], abs=5e-5)


def test_six_joints_by_product_of_exponentials():
    """A six-joint arm given by screw axes; L&P Example 4.5. Exact but for rounding."""
    w1, w2, l1, l2, h1, h2 = 0.109, 0.082, 0.425, 0.392, 0.089, 0.095
    screws = [
        (0, 0, 1, 0, 0, 0),
        (0, 1, 0, -h1, 0, 0),
        (0, 1, 0, -h1, 0, l1),
        (0, 1, 0, -h1, 0, l1 + l2),
        (0, 0, -1, -w1, l1 + l2, 0),
        (0, 1, 0, h2 - h1, 0, l1 + l2),
    ]
    home = [[-1, 0, 0, l1 + l2], [0, 0, 1, w1 + w2], [0, 1, 0, h1 - h2], [0, 0, 0, 1]]
    X_WT = tool_poses(from_screws(screws, home), np.radians([0, -90, 0, 0, 90, 0]))[0, 0]
    expected = [[0, -1, 0, 0.095], [1, 0, 0, 0.109], [0, 0, 1, 0.988], [0, 0, 0, 1]]
    assert X_WT == pytest.approx(np.array(expected), abs=1e-12)


def test_three_links_in_the_plane():
    """Links of 4, 3, 2 at 10, 20, 30 degrees; Craig, computer exercises of chapters 3 and 4."""
    X_WT = tool_poses(planar([4, 3, 2]), np.radians([10, 20, 30]))[0, 0]
    assert X_WT[:2, 3] == pytest.approx([7.537307, 3.926644], abs=1e-6)
    assert rigid.rotation_vector(X_WT[:3, :3]) == pytest.approx([0, 0, np.radians(60)], abs=1e-12)


def test_five_joints_upright():
    """Yaw, pitch, pitch, pitch, roll; heights 70, 105, 98 and 120 mm; angles 30, 40, 50, 20, -45 degrees.

    Own numbers, worked by products of transforms and by product of exponentials (they agree to 3e-14).
    """
    arm = one_arm(
        axes=[Z, Y, Y, Y, Z],
        offsets=[[0, 0, 0], [0, 0, 0.070], [0, 0, 0.105], [0, 0, 0.098], [0, 0, 0]],
        tool=[0, 0, 0.120],
    )
    X_WT = tool_poses(arm, np.radians([30, 40, 50, 20, -45]))[0, 0]
    assert 1000 * X_WT[:3, 3] == pytest.approx([240.976603, 139.127907, 109.392249], abs=1e-6)
    expected = [
        [0.14410968, -0.56299710, 0.81379768],
        [-0.73329482, 0.49145005, 0.46984631],
        [-0.66446302, -0.66446302, -0.34202014],
    ]
    assert X_WT[:3, :3] == pytest.approx(np.array(expected), abs=1e-8)


def test_static_torques_are_jacobian_times_force():
    """Two links of 0.12 and 0.10 m at 30 and 45 degrees, 2 and -3 N at the tip; worked by hand."""
    arm = planar([0.12, 0.10])
    q = np.radians([[30, 45]])
    assert tool_poses(arm, q)[0, 0, :2, 3] == pytest.approx([0.12980495, 0.15659258], abs=1e-8)
    tau = tip_forces_to_torques(arm, q, np.array([[[2.0, -3.0, 0.0]]]))
    assert tau[0] == pytest.approx([-0.70260002, -0.27083088], abs=1e-8)


def test_a_force_on_one_arm_leaves_the_other_alone():
    """Each arm's torques come from its own tip."""
    pair = side_by_side(planar([0.1, 0.1]), planar([0.2, 0.1, 0.1]))
    forces = np.zeros((1, 2, 3))
    forces[0, 1] = (0.0, 5.0, 0.0)
    tau = tip_forces_to_torques(pair, np.zeros((1, 5)), forces)[0]
    assert tau == pytest.approx([0, 0, 2.0, 1.0, 0.5])


@pytest.mark.parametrize(
    ("elbow", "w", "singular", "condition"),
    [(90, 1.0, (1.618034, 0.618034), 2.618034), (45, 0.707107, (2.073132, 0.341081), 6.078116)],
)
def test_manipulability_of_two_links(elbow: float, w: float, singular, condition: float):
    """w = L1 L2 |sin q2| for links of 1 m. Source: Yoshikawa 1985, from memory; numbers recomputed by numpy."""
    J = places(planar([1, 1]), np.radians([[20, elbow]])).J[0, :, 3:5]
    assert manipulability(J) == pytest.approx(w, abs=1e-6)
    values = np.linalg.svd(J, compute_uv=False)
    assert values == pytest.approx(singular, abs=1e-6)
    assert values[0] / values[1] == pytest.approx(condition, abs=1e-5)


def test_two_links_that_move_alike_in_all_directions():
    """L1 = √2 L2 at 135 degrees: w = 1 and condition 1. Source: Salisbury & Craig 1982, from memory."""
    J = places(planar([np.sqrt(2.0), 1.0]), np.radians([[0, 135]])).J[0, :, 3:5]
    assert manipulability(J) == pytest.approx(1.0, abs=1e-12)
    assert np.linalg.cond(J) == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize(("lengths", "area"), [((1, 1), 12.566371), ((150, 120), 226194.671)])
def test_area_that_two_links_reach(lengths, area: float):
    """The ring between L1 - L2 and L1 + L2 has the area 4π L1 L2, the integral of the manipulability.

    Each point is reached with either elbow, so half a turn of it counts. The midpoint rule with 400 strips of
    a sine is good to 1e-5.
    """
    elbow = (np.arange(400) + 0.5) / 400 * np.pi
    q = np.column_stack([np.zeros(400), elbow])
    w = manipulability(places(planar(lengths), q).J[:, :, 3:5])
    assert 2 * np.pi * w.mean() * np.pi == pytest.approx(area, rel=1e-5)


def test_manipulability_with_fewer_joints_than_coordinates():
    """Two joints in six coordinates: what is left is the area of the two velocities, not nought."""
    J = places(planar([1, 1]), np.radians([[0, 90]])).J
    first, second = J[0]
    area = np.sqrt((first @ first) * (second @ second) - (first @ second) ** 2)
    assert manipulability(J) == pytest.approx(area)


def test_link_frames_are_parallel_at_zero_pose():
    """With all joints at zero every link frame has the turn of its base, and its origin is the sum of offsets."""
    pair = random_pair(np.random.default_rng(5))
    here = places(pair, np.zeros(pair.joints))
    for arm in range(2):
        part = pair.columns(arm)
        R, p = pair.bases[arm][:3, :3], pair.bases[arm][:3, 3]
        assert here.R[0, part] == pytest.approx(np.broadcast_to(R, (part.stop - part.start, 3, 3)), abs=1e-12)
        assert here.p[0, part] == pytest.approx(p + np.cumsum(pair.offsets[part], axis=0) @ R.T, abs=1e-12)


def test_blocks_do_not_show():
    """Samples come out the same whether asked for one by one or many at a time: 1, 8, 64 and beyond."""
    pair = random_pair(np.random.default_rng(6))
    q = np.random.default_rng(7).uniform(-3, 3, (150, pair.joints))
    whole = places(pair, q)
    for n in (0, 7, 8, 63, 64, 65, 128, 149):
        one = places(pair, q[n])
        assert one.J[0] == pytest.approx(whole.J[n], abs=1e-14)
        assert one.X_WT[0] == pytest.approx(whole.X_WT[n], abs=1e-14)
    assert places(pair, np.empty((0, pair.joints))).J.shape == (0, pair.joints, 6)


def test_one_arm_of_a_pair_is_where_it_was():
    """`only` gives the same tool pose as the pair."""
    pair = random_pair(np.random.default_rng(8))
    q = np.random.default_rng(9).uniform(-1, 1, (3, pair.joints))
    both = tool_poses(pair, q)
    for arm in range(2):
        assert tool_poses(pair.only(arm), q[:, pair.columns(arm)])[:, 0] == pytest.approx(both[:, arm], abs=1e-14)


def test_moved_bases_carry_the_arms_along():
    """A base moved by X moves the tool by X."""
    arm = random_arm(np.random.default_rng(10), 5)
    X_move = rigid.pose(rigid.rotation_of(np.array([0.3, -0.2, 1.0])), np.array([0.1, 0.2, -0.3]))
    q = np.random.default_rng(11).uniform(-1, 1, (1, 5))
    assert tool_poses(arm.moved(X_move @ arm.bases), q)[0, 0] == pytest.approx(
        X_move @ tool_poses(arm, q)[0, 0], abs=1e-14
    )


def test_a_batch_is_what_kernels_take():
    """A list becomes one row of floats; a column-ordered or a locked array is copied."""
    assert batch([1, 2]).shape == (1, 2)
    locked = np.ones((3, 2))
    locked.flags.writeable = False
    assert tool_poses(planar([1, 1]), locked).shape == (3, 1, 4, 4)
    assert batch(np.asfortranarray(np.ones((3, 2)))).flags.c_contiguous
    assert batch(X).dtype == np.float64
