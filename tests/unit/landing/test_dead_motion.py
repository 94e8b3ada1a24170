"""The set at which a TCP may rest while joints are undecided: widths, vertices, root sum of squares."""

from __future__ import annotations

import numpy as np
import pytest

from handfast.landing.dead_motion import at_rest, dead_motion, farthest, root_sum_square, share_within


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


def test_a_pressed_joint_is_no_part_of_the_dead_motion():
    """Levers of 0.3 m along x (free) and 0.4 m along y (pressed): 0.3 m · 0.02 rad of unseen play, 0.3 m · 0.01 rad
    of shaft play, which is the smaller of shaft play and dead band."""
    J = np.array([[0.3, 0.0, 0.0], [0.0, 0.4, 0.0]])
    two = np.ones(2)
    found = at_rest(J, np.array([False, True]), 0.02 * two, 0.01 * two, 0.03 * two)
    assert found.unseen.along == pytest.approx([0.006, 0, 0], abs=1e-15)
    assert found.band.along == pytest.approx([0.003, 0, 0], abs=1e-15)
    assert found.both.largest == pytest.approx(0.009, abs=1e-15)
    assert at_rest(J, np.array([True, True]), two, two, two).both.largest == 0.0


def test_drawn_landings_stay_within_the_rayleigh_quantile():
    """Two equal independent normal errors at right angles: 95 % lie within sqrt(-2 ln 0.05) = 2.4477 sigma
    (Rayleigh distribution, from memory). 800 draws: within 6 %."""
    J = np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    found = share_within(J, np.zeros(2), np.full(2, 1e-3), np.zeros(3))
    assert found == pytest.approx(2.4477e-3, rel=0.06)


def test_drawn_landings_of_an_undecided_joint_fill_its_segment():
    """One joint anywhere in ±1 mm about a miss of 3 mm across: 95 % within the distance at 0.95 mm."""
    found = share_within(np.array([[1.0, 0.0, 0.0]]), np.array([1e-3]), np.zeros(1), np.array([0.0, 3e-3, 0.0]))
    assert found == pytest.approx(np.hypot(3e-3, 0.95e-3), rel=0.01)
