"""Vetting's statistics against published data."""

from __future__ import annotations

import numpy as np
import pytest

from handfast.fitting.verdict import OUTLIER, modified_z


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

    1/(1.253314·1/6) = 4.787308 by hand.
    """
    assert modified_z(np.array([2.0, 2, 2, 2, 2, 3]))[-1] == pytest.approx(4.787307889, rel=1e-6)
