"""Accuracy figures against sets worked by hand from the formulas of ISO 9283 and ISO 230-2 (both from memory)."""

from __future__ import annotations

import numpy as np
import pytest
from shapely import LineString, Point

from handfast.scoring.accuracy import (
    cornering,
    cube_poses,
    direction_variation,
    distance_figures,
    distances_to_path,
    path_figures,
    pose_figures,
    reversal_figures,
    speed_figures,
)


def test_pose_accuracy_and_repeatability() -> None:
    """ISO 9283: spreads take n - 1; dividing by n would give 0.645."""
    centre = np.array([100.3, 49.6, 20.0])
    away = np.diag([0.3, 0.4, 0.5])
    found = pose_figures(np.array([100.0, 50.0, 20.0]), centre + np.concatenate([away, -away]))
    assert found.accuracy == pytest.approx(0.5, rel=1e-9)
    assert found.mean_distance == pytest.approx(0.4, rel=1e-9)
    assert found.repeatability == pytest.approx(0.6683281573, rel=1e-9)


def test_distances_and_angles() -> None:
    """ISO 9283: AD and RD; AP_a and RP_a are the same figures of angles. By hand, to 10 digits."""
    assert distance_figures(200.0, np.array([200.10, 200.14, 200.06, 200.12, 200.08])) == pytest.approx(
        (0.10, 0.0948683298), abs=1e-9
    )
    assert distance_figures(0.0, np.array([0.1, 0.3, -0.1, 0.2, 0.0])) == pytest.approx((0.1, 0.4743416490), abs=1e-9)


def test_speed_and_directions() -> None:
    """ISO 9283: AV, RV as shares of the speed; vAP is the largest distance of two mean places (3-4-5 triangle)."""
    found = speed_figures(50.0, np.array([49.0, 50.5, 51.0, 48.5, 50.0]))
    assert 100.0 * np.array(found) == pytest.approx([-0.4, 6.220932405], abs=1e-8)
    assert direction_variation(np.array([[0.0, 0, 0], [0.3, 0, 0], [0, 0.4, 0]])) == pytest.approx(0.5, rel=1e-12)


def test_path_figures() -> None:
    """ISO 9283: AT and RT of three cycles of four points, by hand."""
    cycles = np.array([[0.1, 0.2, 0.3, 0.2], [0.3, 0.2, 0.1, 0.4], [0.2, 0.2, 0.2, 0.6]])
    accuracy, repeatability, each = path_figures(cycles)
    assert accuracy == pytest.approx(0.4, rel=1e-12)
    assert repeatability == pytest.approx(0.479743495, abs=1e-9)
    assert each == pytest.approx([0.239871747, 0.0, 0.239871747, 0.479743495], abs=1e-9)


def test_cornering_and_cube() -> None:
    """ISO 9283: a corner rounded with radius 5 is missed by (√2 - 1)·5; P2 to P4 is 80 % of the cube's diagonal.

    The polyline of 400 chords lies within 1e-5 of the arc.
    """
    a = np.linspace(0.0, np.pi / 2.0, 401)
    arc = np.column_stack([5.0 * np.cos(a), 5.0 * np.sin(a)])
    path = np.concatenate([[[5.0, -40.0]], arc, [[-40.0, 5.0]]])
    assert cornering(np.array([5.0, 5.0]), path) == pytest.approx((np.sqrt(2.0) - 1.0) * 5.0, abs=1e-4)
    P = cube_poses(100.0)
    assert np.linalg.norm(P[1] - P[3]) == pytest.approx(138.564065, abs=1e-6)


def test_reversal() -> None:
    """ISO 230-2: three positions, three runs each way, by hand."""
    up = [np.array([0.0, 1, 2]), np.array([1.0, 2, 3]), np.array([2.0, 3, 4])]
    down = [np.array([4.0, 5, 6]), np.array([5.0, 6, 7]), np.array([6.0, 7, 8])]
    found = reversal_figures(up, down)
    assert (found.B, found.mean) == (4.0, -4.0)
    assert (found.R, found.R_up, found.R_down) == (8.0, 4.0, 4.0)
    assert (found.M, found.E, found.A) == (2.0, 6.0, 10.0)


def test_distance_to_a_path_is_that_of_geos() -> None:
    """Random points and a random polyline: the same distances as shapely's (GEOS), to rounding."""
    rng = np.random.default_rng(3)
    path, points = rng.uniform(-1, 1, (40, 2)), rng.uniform(-2, 2, (600, 2))
    theirs = [LineString(path).distance(Point(p)) for p in points]
    assert distances_to_path(points, path) == pytest.approx(theirs, abs=1e-12)
