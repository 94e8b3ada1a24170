"""Outlines of regions on a grid."""

import numpy as np
import pytest
from shapely.geometry import Polygon

from handfast.geometry.outline import area, outlines


def disc(radius: float, count: int, step: float, hole: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """How far back along x and along y a disc (with a hole) about the grid's middle is from each grid point."""
    at = step * (np.arange(count) - (count - 1) / 2)
    x, y = np.meshgrid(at, at, indexing="ij")
    r = np.hypot(x, y)
    beyond = np.maximum(np.maximum(r - radius, hole - r), 0.0)
    outward = np.stack([x, y]) / np.maximum(r, 1e-12)
    with np.errstate(divide="ignore"):
        backs = [np.where(beyond > 0, beyond / np.abs(n), 0.0) for n in outward]
    return backs[0], backs[1]


def test_square_of_four_points_is_closed_half_way_to_its_neighbours():
    """Points outside whose distance is half a step put the rim half way: a 1 by 1 square of points gives 2 by 2."""
    back = np.full((4, 4), 0.5)
    back[1:3, 1:3] = 0.0
    (rim,) = outlines(back, back)
    # Corners are cut: of the 2 x 2 square four triangles of 0.5 x 0.5 / 2 are missing.
    assert area([rim]) == pytest.approx(4.0 - 4 * 0.125)
    assert rim.min() == pytest.approx(0.5)
    assert rim.max() == pytest.approx(2.5)


def test_disc_has_its_area_although_the_grid_is_coarse():
    """pi r^2 within 0.5 %: chords of a 12-step circle lose (step/r)^2/6 at most, which is 0.46 %."""
    found = outlines(*disc(0.1, 40, 0.1 / 6), 0.1 / 6)
    assert len(found) == 1
    assert area(found) * (0.1 / 6) ** 2 == pytest.approx(np.pi * 0.01, rel=5e-3)


def test_hole_runs_the_other_way_and_is_taken_off():
    """A ring's area is pi (R^2 - r^2), its hole clockwise, as shapely sees it too."""
    step = 0.004
    found = outlines(*disc(0.1, 64, step, hole=0.04), step)
    assert len(found) == 2
    signs = sorted(np.sign(area([rim])) for rim in found)
    assert signs == [-1.0, 1.0]
    outer, inner = sorted(found, key=lambda rim: -area([rim]))
    ring = Polygon(outer, [inner])
    assert ring.is_valid
    assert area(found) == pytest.approx(ring.area, rel=1e-12)
    # (step/r)^2/6 of the hole's chords is 0.2 %
    assert area(found) * step**2 == pytest.approx(np.pi * (0.1**2 - 0.04**2), rel=2e-3)


def test_region_that_touches_the_rim_is_closed_along_it():
    """All points inside: one outline around the grid, at the points themselves since nothing is known beyond."""
    zero = np.zeros((3, 5))
    (rim,) = outlines(zero, zero)
    assert area([rim]) == pytest.approx(2.0 * 4.0)


def test_corner_to_corner_regions_stay_apart():
    """Two points that touch only across a cell's diagonal are two regions, each closed."""
    back = np.full((4, 4), np.inf)
    back[1, 1] = back[2, 2] = 0.0
    found = outlines(back, back)
    assert len(found) == 2


def test_nothing_inside_has_no_outline():
    """An empty region gives no polygon and no area."""
    assert outlines(np.full((3, 3), np.inf), np.full((3, 3), np.inf)) == []
    assert area([]) == 0.0
