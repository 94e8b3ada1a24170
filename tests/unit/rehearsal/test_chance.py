"""The interval of a chance."""

from __future__ import annotations

import pytest
from scipy.stats import binomtest

from handfast.rehearsal.chance import wilson


@pytest.mark.parametrize(("worked", "tried"), [(0, 10), (10, 10), (7, 10), (163, 200), (1, 1)])
def test_against_scipy(worked, tried):
    """Wilson's interval as scipy's binomtest gives it, to rounding."""
    interval = binomtest(worked, tried).proportion_ci(0.95, "wilson")
    assert wilson(worked, tried) == pytest.approx((interval.low, interval.high), abs=1e-12)
