"""Statistics against published data."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from skimage.transform import estimate_transform

from handfast.geometry.statistics import (
    OUTLIER,
    circle,
    mean_and_deviation,
    mean_interval,
    modified_z,
    similarity,
    straight_line,
)

NORRIS = """.1 .2; 338.8 337.4; 118.1 118.2; 888.0 884.6; 9.2 10.1; 228.1 226.5; 668.5 666.3; 998.5 996.3; 449.1 448.6;
778.9 777.0; 559.2 558.2; .3 .4; .1 .6; 778.1 775.5; 668.8 666.9; 339.3 338.0; 448.9 447.5; 10.8 11.6; 557.7 556.0;
228.3 228.1; 998.0 995.8; 888.8 887.6; 119.6 120.2; .3 .3; .6 .3; 557.6 556.8; 339.3 339.1; 888.0 887.2; 998.5 999.0;
778.9 779.0; 10.2 11.1; 117.6 118.3; 228.9 229.2; 668.4 669.1; 449.2 448.9; .2 .5"""


def test_modified_z_of_nist_data() -> None:
    """Tietjen and Moore's values as in NIST/SEMATECH 1.3.5.17.1 (from memory): one outlier, 245.57.

    Median 201.37 and MAD 0.995 by hand, so that z of the last is 0.6745·44.2/0.995 = 29.9627; rounding to 4 digits.
    """
    x = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    z = modified_z(x)
    expected = [-1.3965, -1.2473, -0.7999, -0.3728, 0.3728, 0.3932, 0.5491, 29.9627]
    assert z == pytest.approx(expected, abs=1e-4)
    assert np.nonzero(np.abs(z) > OUTLIER)[0].tolist() == [7]


def test_modified_z_where_most_are_equal() -> None:
    """MAD is zero: the mean absolute deviation stands in (Iglewicz and Hoaglin 1993, from memory).

    1/(1.253314·1/6) = 4.787308 by hand; no spread at all is no outlier.
    """
    assert modified_z(np.array([2.0, 2, 2, 2, 2, 3]))[-1] == pytest.approx(4.787307889, rel=1e-6)
    assert modified_z(np.full(5, 3.0)).tolist() == [0.0] * 5


def test_straight_line_of_norris() -> None:
    """NIST Statistical Reference Datasets, Norris: certified values, to the 9 digits that double precision leaves."""
    y, x = np.array([[float(v) for v in pair.split()] for pair in NORRIS.split(";")]).T
    assert len(x) == 36
    line = straight_line(x, y)
    assert line.offset == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-9)
    assert line.offset_error == pytest.approx(0.232818234301152, rel=1e-9)
    assert line.slope_error == pytest.approx(4.29796848199937e-4, rel=1e-9)
    assert line.deviation == pytest.approx(0.884796396144373, rel=1e-9)


def test_mean_and_deviation_of_nist_numbers() -> None:
    """NIST Statistical Reference Datasets, NumAcc1 (exact) and NumAcc4: certified mean 10000000.2 and deviation 0.1.

    The data of NumAcc4 themselves are rounded to double precision, which leaves about 1e-8 of the deviation.
    """
    assert mean_and_deviation(np.array([10000001.0, 10000003.0, 10000002.0])) == (10000002.0, 1.0)
    x = np.concatenate([[10000000.2], np.tile([10000000.1, 10000000.3], 500)])
    mean, deviation = mean_and_deviation(x)
    assert mean == pytest.approx(10000000.2, rel=1e-14)
    assert deviation == pytest.approx(0.1, rel=1e-7)


def test_similarity_of_umeyama() -> None:
    """Umeyama, IEEE TPAMI 13(4), 1991, worked example (points from the paper; figures recomputed).

    Mean squared error 8/15; scikit-image agrees.
    """
    X, Y = np.array([[0.0, 0], [1, 0], [0, 2]]), np.array([[0.0, 0], [-1, 0], [0, 2]])
    found = similarity(X, Y)
    assert found.R == pytest.approx(np.array([[0.832050, 0.554700], [-0.554700, 0.832050]]), abs=1e-6)
    assert (found.scale, *found.shift) == pytest.approx((0.721110, -0.8, 0.4), abs=1e-6)
    assert found.rms**2 == pytest.approx(8.0 / 15.0, rel=1e-9)
    theirs = estimate_transform("similarity", X, Y).params
    assert found.scale * found.R == pytest.approx(theirs[:2, :2], abs=1e-12)
    rigid = similarity(X, Y, scaled=False)
    assert rigid.shift == pytest.approx([-0.980484, 0.296867], abs=1e-6)
    assert rigid.rms**2 == pytest.approx(0.619755, abs=1e-6)


def test_similarity_never_mirrors() -> None:
    """Four coplanar points turned by 90° about z: a turn of determinant +1, exact (hand-worked)."""
    X = np.array([[0.0, 0, 0], [1, 0, 0], [1, 1, 0], [0, 1, 0]])
    R = np.array([[0.0, -1, 0], [1, 0, 0], [0, 0, 1]])
    found = similarity(X, X @ R.T + [1, 2, 3])
    assert found.R == pytest.approx(R, abs=1e-12)
    assert np.linalg.det(found.R) == pytest.approx(1.0, abs=1e-12)


def test_circle_of_gander() -> None:
    """Gander, Golub and Strebel, BIT 34 (1994): geometric fit 4.7398, 2.9835, 4.7142 (print from memory)."""
    centre, radius = circle(np.array([[1.0, 7], [2, 6], [5, 8], [7, 7], [9, 5], [3, 7]]))
    assert (*centre, radius) == pytest.approx((4.739782, 2.983533, 4.714226), abs=1e-5)


def test_mean_interval_is_that_of_scipy() -> None:
    """Student's interval as scipy gives it for the same sample."""
    x = np.array([9.0, 10.5, 11.0, 10.0, 9.5])
    assert mean_interval(x) == pytest.approx(stats.t.interval(0.95, 4, x.mean(), stats.sem(x)), rel=1e-12)
