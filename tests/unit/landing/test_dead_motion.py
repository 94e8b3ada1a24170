"""The set at which a TCP may rest while joints are undecided: widths, vertices, root sum of squares."""

from __future__ import annotations

import numpy as np
import pytest

from handfast.landing.dead_motion import dead_motion, farthest, root_sum_square


def test_nothing_undecided_is_a_point():
    """No joint, or joints without width: nothing is left open, and nothing divides by zero."""
    for J, half in ((np.zeros((0, 3)), np.zeros(0)), (np.eye(3), np.zeros(3))):
        found = dead_motion(J, half)
        assert (found.along.tolist(), found.largest, found.farthest) == ([0, 0, 0], 0.0, 0.0)


def test_two_joints_at_right_angles_span_a_rectangle():
    """Levers of 0.3 m along x and 0.4 m along y, ±0.01 rad each: 6 by 8 mm, diagonal 10 mm, 5 mm from its middle."""
    found = dead_motion(np.array([[0.3, 0.0, 0.0], [0.0, 0.4, 0.0]]), np.array([0.01, 0.01]))
    assert found.along == pytest.approx([0.006, 0.008, 0.0], abs=1e-15)
    assert (found.largest, found.farthest) == (pytest.approx(0.010, abs=1e-15), pytest.approx(0.005, abs=1e-15))


def test_joints_that_push_the_same_way_add_up_and_opposite_ones_too():
    """Each flank is free, so opposite Jacobians reach just as far: 2·(0.003 + 0.004)."""
    for sign in (1.0, -1.0):
        found = dead_motion(np.array([[0.3, 0, 0], [sign * 0.4, 0, 0]]), np.array([0.01, 0.01]))
        assert found.largest == pytest.approx(0.014, abs=1e-15)


def test_the_farthest_vertex_from_a_mean_miss():
    """A miss of (0, 3) mm and ±4 mm along x: both vertices are 5 mm off; ±4 mm along y: 7 mm."""
    miss = np.array([0.0, 0.003, 0.0])
    assert farthest(np.array([[0.004, 0, 0]]), miss) == pytest.approx(0.005, abs=1e-15)
    assert farthest(np.array([[0, -0.004, 0]]), miss) == pytest.approx(0.007, abs=1e-15)


def test_no_place_inside_lies_farther_than_a_vertex():
    """A convex function on a box is largest at a corner: 20 000 places drawn at random stay within, and come near."""
    rng = np.random.default_rng(5)
    J, half, miss = rng.normal(size=(5, 3)), rng.uniform(0.1, 0.3, 5), rng.normal(size=3)
    places = miss + rng.uniform(-half, half, (20000, 5)) @ J
    most = np.linalg.norm(places, axis=1).max()
    vertex = farthest(J * half[:, None], miss)
    assert most <= vertex
    # 20 000 draws in five dimensions come within a tenth of the corner.
    assert most > 0.85 * vertex


def test_root_sum_square_is_the_spread_of_independent_joints():
    """20 000 draws: the root mean square distance agrees within 2 % (its own statistical error is 0.4 %)."""
    rng = np.random.default_rng(6)
    J, sigma = rng.normal(size=(5, 3)), rng.uniform(0.01, 0.03, 5)
    drawn = rng.normal(size=(20000, 5)) * sigma @ J
    assert root_sum_square(J, sigma) == pytest.approx(np.sqrt((drawn**2).sum(axis=1).mean()), rel=0.02)
