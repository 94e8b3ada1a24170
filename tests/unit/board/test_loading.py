"""Limits of a bench as a board gets them: from plain lines worked by hand, and from measured tables."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from handfast.board.loading import channel_limits
from support import seedling

DEGREE = np.pi / 180.0
COUNTS = 4.0
"""Counts per degree of the tables here."""


def elbow(**changes):
    """The left elbow of the seedling bench, and its limits."""
    bench = seedling.bench()
    part = replace(bench.arm("left").joints[2], **changes)
    slope = part.pulse_slope or bench.servo_of(part).pulse_slope
    part = replace(part, pulse_at_zero=1.5e-3 - slope * sum(part.travel) / 2)
    return part, channel_limits(bench, part)


def table(low, high, bend=0.0):
    """A feedback table from `low` to `high` degrees: 200 counts at zero, 4 per degree; more by `bend` at 90 degrees."""
    angles = np.linspace(low, high, 7)
    return tuple((float(a * DEGREE), float(200 + COUNTS * a * (1 + bend * (a / 90) ** 2))) for a in angles)


def test_a_plain_line():
    """The window ends 25 degrees past the travel, following 20 degrees from where the pulse points: in counts/16."""
    part, limits = elbow(wiper_at_zero=200.0, wiper_slope=3.0 / DEGREE, travel=(-30 * DEGREE, 120 * DEGREE))
    assert limits.wiper_low == 16 * (200 - 3 * (30 + 25))
    assert limits.wiper_high == 16 * (200 + 3 * (120 + 25))
    assert limits.follow == 16 * 3 * 20
    bench = seedling.bench()
    servo = bench.servo_of(part)
    slope = abs(part.pulse_slope or servo.pulse_slope) * 8e6
    assert limits.slew == pytest.approx(1.3 * servo.no_load_speed * 0.02 * slope, abs=1)
    assert (limits.wipers[0], limits.wipers[-1]) == (16 * (200 - 90), 16 * (200 + 360))


@pytest.mark.parametrize(("low", "high"), [(60, 140), (-20, 30), (-20, 120)])
def test_a_measured_table_that_covers_the_travel_and_no_more(low, high):
    """Wherever the travel lies, the window is 25 degrees wider at both ends and the follow limit 20 degrees."""
    _, limits = elbow(wiper_rows=table(low, high), travel=(low * DEGREE, high * DEGREE))
    assert limits.follow == pytest.approx(16 * COUNTS * 20, abs=1)
    assert limits.wiper_low == pytest.approx(16 * (200 + COUNTS * (low - 25)), abs=1)
    assert limits.wiper_high == pytest.approx(16 * (200 + COUNTS * (high + 25)), abs=1)


def test_a_bent_table_is_followed_by_its_mean_slope():
    """A tenth more counts at 90 degrees than the slope at zero gives."""
    _, limits = elbow(wiper_rows=table(-20, 90, 0.1), travel=(-20 * DEGREE, 90 * DEGREE))
    rise = COUNTS * (90 * 1.1 + 20 * (1 + 0.1 * (20 / 90) ** 2))
    assert limits.follow == pytest.approx(16 * 20 * rise / 110, abs=1)
