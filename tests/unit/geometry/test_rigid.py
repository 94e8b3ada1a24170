"""Rotations, poses and twists against textbook numbers.

L&P is Lynch & Park, *Modern Robotics*, Cambridge University Press 2017; example numbers are from memory.
"""

from __future__ import annotations

import numpy as np
import pytest

from handfast.geometry import rigid

QUARTER = np.pi / 2.0


def planar(angle: float, x: float, y: float) -> np.ndarray:
    """A pose in the plane: `angle` degrees about z, at (x, y)."""
    return rigid.yaw_pose(np.array([x, y, 0.0]), np.radians(angle))


# Rows [1,0,0,0], [0,0,-1,0], [0,1,0,3]: the pose in the examples of the modern_robotics package.
PACKAGE_POSE = np.array([[1.0, 0, 0, 0], [0, 0, -1, 0], [0, 1, 0, 3], [0, 0, 0, 1]])


def test_adjoint():
    """Six rows printed in the documentation of modern_robotics, Adjoint; whole numbers, so exact."""
    expected = [
        [1, 0, 0, 0, 0, 0],
        [0, 0, -1, 0, 0, 0],
        [0, 1, 0, 0, 0, 0],
        [0, 0, 3, 1, 0, 0],
        [3, 0, 0, 0, 0, -1],
        [0, 0, 0, 0, 1, 0],
    ]
    assert np.array_equal(rigid.adjoint(PACKAGE_POSE), expected)


def test_twist_of_a_pose():
    """The same pose's logarithm, printed to eight decimals in the documentation of modern_robotics, MatrixLog6."""
    expected = [1.57079633, 0, 0, 0, 2.35619449, 2.35619449]
    assert rigid.twist_of(PACKAGE_POSE) == pytest.approx(expected, abs=1e-8)


def test_planar_screw_between_two_poses():
    """From 30° at (1, 2) to 60° at (2, 1) is a turn by 30° about (3.366025, 3.366025); L&P Example 3.26."""
    twist = rigid.twist_of(planar(60, 2, 1) @ rigid.inverse(planar(30, 1, 2)))
    assert twist[:3] == pytest.approx([0, 0, np.radians(30)], abs=1e-12)
    centre = np.array([-twist[4], twist[3]]) / twist[2]  # v = -w × c
    assert centre == pytest.approx([3.366025, 3.366025], abs=1e-6)


def test_rotation_about_a_tilted_axis():
    """30° about (0, 0.866, 0.5); L&P Example 3.12, which prints three digits, hence a six-digit recomputation."""
    expected = [
        [0.866025, -0.250006, 0.433010],
        [0.250006, 0.966505, 0.058014],
        [-0.433010, 0.058014, 0.899521],
    ]
    # 1e-5: the printed axis has three digits, so its length is 1 to 2e-5.
    assert rigid.rotation_about(np.array([0, 0.866, 0.5]), np.radians(30)) == pytest.approx(
        np.array(expected), abs=1e-5
    )


def test_body_jacobian():
    """Four joints given as twists in the body, two of them with a pitch.

    Source: documentation of modern_robotics, JacobianBody (printed to eight decimals).
    """
    twists = np.array([[0, 0, 1, 0, 0.2, 0.2], [1, 0, 0, 2, 0, 3], [0, 1, 0, 0, 2, 1], [1, 0, 0, 0.2, 0.3, 0.4]])
    angles = (0.2, 1.1, 0.1, 1.2)
    expected = [
        [-0.04528405, 0.99500417, 0.0, 1.0],
        [0.74359313, 0.09304865, 0.36235775, 0.0],
        [-0.66709716, 0.03617541, -0.93203909, 0.0],
        [2.32586047, 1.66809, 0.56410831, 0.2],
        [-1.44321167, 2.94561275, 1.43306521, 0.3],
        [-2.06639565, 1.82881722, -1.58868628, 0.4],
    ]
    X = np.eye(4)
    columns = []
    for twist, angle in zip(twists[::-1], angles[::-1], strict=True):
        columns.append(rigid.adjoint(X) @ twist)
        X = X @ rigid.pose_of(-twist * angle)
    assert np.array(columns[::-1]).T == pytest.approx(np.array(expected), abs=1e-8)


def test_halfway_along_the_shortest_turn():
    """From rest to the quaternion (0.5, 0.5, 0.5, 0.5), a third of a turn about (1, 1, 1), halfway.

    Source: scipy's Slerp gives (0.28867513, 0.28867513, 0.28867513, 0.86602540), half of that turn.
    """
    from scipy.spatial.transform import Rotation

    end = rigid.pose(Rotation.from_quat([0.5, 0.5, 0.5, 0.5]).as_matrix(), np.array([1.0, 2.0, 3.0]))
    half = rigid.between(np.eye(4), end, 0.5)
    expected = Rotation.from_quat([0.28867513, 0.28867513, 0.28867513, 0.86602540]).as_matrix()
    assert half[:3, :3] == pytest.approx(expected, abs=1e-8)
    assert half[:3, 3] == pytest.approx([0.5, 1.0, 1.5])


def test_between_many():
    """A list of fractions gives as many poses, first and last the given ones."""
    A, B = planar(30, 1, 2), planar(-150, 2, 1)
    path = rigid.between(A, B, np.linspace(0, 1, 5))
    assert path.shape == (5, 4, 4)
    assert path[0] == pytest.approx(A, abs=1e-15)
    assert path[-1] == pytest.approx(B, abs=1e-15)


def test_letters_that_meet_cancel():
    """X_AC = X_AB X_BC, and apply moves a point the same way."""
    X_AB, X_BC = planar(90, 1, 0), planar(0, 0, 2)
    p_C = np.array([1.0, 0.0, 0.0])
    assert rigid.apply(X_AB @ X_BC, p_C) == pytest.approx([-1, 1, 0])
    assert rigid.apply(X_AB, rigid.apply(X_BC, p_C)) == pytest.approx([-1, 1, 0])


def test_shift_moves_without_turning():
    """One pose, and many at once."""
    assert np.array_equal(rigid.shift(np.array([1.0, 2, 3])) @ [0, 0, 0, 1], [1, 2, 3, 1])
    assert rigid.shift(np.zeros((5, 3))).shape == (5, 4, 4)


@pytest.mark.parametrize("turn", [(np.pi, 0, 0), (0, np.pi, 0), (0, 0, np.pi), (0, np.pi * 0.6, np.pi * 0.8)])
def test_half_a_turn_has_an_axis(turn):
    """At half a turn the axis may come out either way round, and turns the same."""
    R = rigid.rotation_of(np.array(turn))
    found = rigid.rotation_vector(R)
    assert np.linalg.norm(found) == pytest.approx(np.pi)
    assert rigid.rotation_of(found) == pytest.approx(R, abs=1e-12)


def test_small_turns_keep_their_digits():
    """A turn of 1e-9 rad comes back to twelve digits."""
    tiny = np.array([1e-9, -2e-9, 3e-9])
    assert rigid.rotation_vector(rigid.rotation_of(tiny)) == pytest.approx(tiny, rel=1e-12)
