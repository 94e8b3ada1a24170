"""Our spline against scipy's CubicSpline with 'not-a-knot' ends."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from handfast.geometry.spline import spline_through


@pytest.mark.parametrize("points", [2, 3, 4, 5, 12, 60])
@pytest.mark.parametrize("derivative", [0, 1, 2])
def test_values_and_derivatives(points: int, derivative: int):
    """Uneven points, three curves at once, between the points, at them, and a little beyond both ends."""
    rng = np.random.default_rng(points)
    x = np.cumsum(rng.uniform(0.2, 1.5, points))
    y = rng.normal(size=(points, 3))
    at = np.concatenate([np.linspace(x[0] - 0.1, x[-1] + 0.1, 101), x])
    ours = spline_through(x, y)(at, derivative)
    assert ours == pytest.approx(CubicSpline(x, y)(at, derivative), abs=1e-9)
