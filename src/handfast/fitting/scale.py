"""Feedback against pulse: the curve of a servo, its departure from a line, and its tables.

Angles here are nominal: a pulse over the class's pulse slope, zero at the middle of its pulse range, unless a
protractor was read.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from handfast.bench.parts import Servo
from handfast.errors import InputError
from handfast.fitting.holds import Holds
from handfast.geometry.rigid import Array
from handfast.units import DEGREE

KNOT = 10.0 * DEGREE
"""Distance of the curve's knots, rad."""

_MOST_ORDER = 6


@dataclass(frozen=True)
class Scale:
    """Feedback (share of the range) over nominal angle, as a broken line through knots, rising or falling.

    angle (K,) rad, wiper (K,) shares; hysteresis: how much higher it rests when arriving from above, in shares
    along the curve; slope: shares per rad on the whole; misfit: robust spread of arrivals about the curve.
    low, high: nominal angles between which the feedback follows the pulse.
    """

    middle: float
    per_pulse: float
    angle: Array
    wiper: Array
    hysteresis: float
    slope: float
    misfit: float
    low: float
    high: float

    def stretched(self, factor: float) -> Scale:
        """The same curve with all angles `factor` times as large: the protractor's degrees instead of nominal ones."""
        return replace(
            self,
            per_pulse=self.per_pulse * factor,
            angle=self.angle * factor,
            slope=self.slope / factor,
            low=self.low * factor,
            high=self.high * factor,
        )

    def nominal(self, pulse: Array) -> Array:
        """Nominal angle of a pulse, rad."""
        return np.asarray((np.asarray(pulse) - self.middle) * self.per_pulse)

    def expected(self, pulse: Array) -> Array:
        """Wiper that the curve has at a pulse, half way between both sides of arrival."""
        return np.interp(self.nominal(pulse), self.angle, self.wiper)

    def degrees(self, wiper: Array) -> Array:
        """Nominal angle, rad, at which the curve has that wiper; straight on beyond its ends."""
        order = np.argsort(self.wiper)
        w, a = self.wiper[order], self.angle[order]
        inside = np.interp(wiper, w, a)
        below = a[0] + (np.asarray(wiper) - w[0]) / self.slope
        above = a[-1] + (np.asarray(wiper) - w[-1]) / self.slope
        return np.where(wiper < w[0], below, np.where(wiper > w[-1], above, inside))

    def local(self, wiper: Array | float) -> Array:
        """Shares per rad at a wiper value, signed: the curve's slope over the two knots around."""
        slopes = np.diff(self.wiper) / np.diff(self.angle)
        at = 0.5 * (self.wiper[1:] + self.wiper[:-1])
        order = np.argsort(at)
        found = np.interp(wiper, at[order], slopes[order])
        # Near a stop the curve is flat; there the slope of the whole stands in.
        flat = np.abs(found) < 0.3 * abs(self.slope)
        return np.where(flat, self.slope, found)


def middle_pulse(servo: Servo) -> float:
    """Middle of a class's pulse range, s: nominal angle zero."""
    return 0.5 * (servo.pulse_low + servo.pulse_high)


def arrivals(holds: Holds, servo: Servo) -> np.ndarray:
    """Which holds are settled arrivals from a move of at least 2 degrees, without load."""
    move = np.abs(holds.moved) / servo.pulse_slope
    return holds.free & holds.whole & (move >= 2.0 * DEGREE)


def scale_of(holds: Holds, servo: Servo, where: str) -> Scale:
    """Fit the curve to all arrivals, robustly (Tukey's biweight, Beaton and Tukey 1974, from memory).

    Raises InputError if the pulses of the arrivals span less than 40 degrees.
    """
    used = arrivals(holds, servo)
    middle, per_pulse = middle_pulse(servo), 1.0 / servo.pulse_slope
    angle = (holds.pulse - middle) * per_pulse
    a, w, side = angle[used], holds.rest[used], holds.side[used].astype(float)
    if len(a) < 8 or np.ptp(a) < 40.0 * DEGREE:
        span = float(np.ptp(a)) / DEGREE if len(a) else 0.0
        raise InputError(
            f"the pulses rest at {len(a)} places over {span:.0f} degrees only",
            where=where,
            expected="at least 8 rests of 0.4 s or more over at least 40 degrees, without load",
            next_step=f"play the whole sweep: handfast vet --plan {servo.name}",
        )
    low, high = float(a.min()), float(a.max())
    count = max(2, round((high - low) / KNOT) + 1)
    knots = np.linspace(low, high, count)
    place = np.clip((a - low) / (knots[1] - knots[0]), 0.0, count - 1.0)
    left = np.minimum(place.astype(int), count - 2)
    part = place - left
    design = np.zeros((len(a), count + 1))
    rows = np.arange(len(a))
    design[rows, left] = 1.0 - part
    design[rows, left + 1] += part
    design[:, -1] = -0.5 * side
    # A little stiffness joins knots between which nothing came to rest.
    stiff = np.zeros((max(count - 2, 0), count + 1))
    for k in range(count - 2):
        stiff[k, k : k + 3] = (1.0, -2.0, 1.0)
    stiff *= 0.05
    target = np.concatenate([w, np.zeros(len(stiff))])
    weights = np.ones(len(a))
    for _ in range(12):
        both = np.concatenate([weights, np.ones(len(stiff))])
        matrix = np.vstack([design, stiff]) * both[:, None]
        x = np.linalg.lstsq(matrix, target * both, rcond=None)[0]
        residual = w - design @ x
        spread = 1.4826 * float(np.median(np.abs(residual))) + 1e-9
        u = np.clip(np.abs(residual) / (6.0 * spread), 0.0, 1.0)
        weights = 1.0 - u**2 + 1e-3
    curve = x[:-1]
    line = np.polyfit(knots, curve, 1)
    slope = float(line[0])
    steps = np.diff(curve) / np.diff(knots)
    typical = float(np.median(steps))
    follows = np.nonzero(steps * np.sign(typical) > 0.35 * abs(typical))[0]
    first, last = (int(follows[0]), int(follows[-1]) + 1) if len(follows) else (0, count - 1)
    inner = slice(first, last + 1)
    if last - first >= 3:
        slope = float(np.polyfit(knots[inner], curve[inner], 1)[0])
    return Scale(
        middle=middle,
        per_pulse=per_pulse,
        angle=knots,
        wiper=curve,
        hysteresis=float(x[-1]),
        slope=slope,
        misfit=spread,
        low=float(knots[first]),
        high=float(knots[last]),
    )


@dataclass(frozen=True)
class Bend:
    """Largest departure from the least-squares line, as a share of the span, its uncertainty, points used."""

    value: float
    uncertainty: float
    count: int


def bend_of(x: Array, y: Array, x_error: float = 0.0) -> Bend:
    """Departure of y(x) from its least-squares line, as a share of the line's rise over the span.

    A polynomial (order chosen by the Bayesian information criterion, Schwarz 1978, from memory) is laid through
    the points first, so that the scatter of single readings does not count as a bend.
    """
    low, high = float(x.min()), float(x.max())
    u = 2.0 * (x - low) / (high - low) - 1.0
    n = len(u)
    best: tuple[float, Array, float, int] | None = None
    for order in range(1, min(_MOST_ORDER, n - 3) + 1):
        design = np.polynomial.legendre.legvander(u, order)
        c = np.linalg.lstsq(design, y, rcond=None)[0]
        rss = float(np.sum((y - design @ c) ** 2)) + 1e-18
        score = n * np.log(rss / n) + (order + 1) * np.log(n)
        if best is None or score < best[0]:
            best = (score, c, np.sqrt(rss / (n - order - 1)), order)
    assert best is not None
    _, c, sd, order = best
    grid = np.linspace(-1.0, 1.0, 201)
    curve = np.polynomial.legendre.legval(grid, c)
    line = np.polyfit(grid, curve, 1)
    away = np.abs(curve - np.polyval(line, grid))
    at = int(np.argmax(away))
    rise = abs(2.0 * float(line[0]))
    # The order is chosen from the same readings, so the error is that of a curve of at least the fourth order.
    order = max(order, min(4, n - 3))
    design = np.polynomial.legendre.legvander(u, order)
    row = np.polynomial.legendre.legvander(grid[at : at + 1], order)[0]
    row[:2] = 0.0  # mean and line are taken out
    error = sd * float(np.sqrt(max(row @ np.linalg.pinv(design.T @ design) @ row, 0.0)))
    return Bend(float(away[at]) / rise, float(np.hypot(error, x_error * rise)) / rise, n)
