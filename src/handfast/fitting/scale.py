"""Feedback against pulse: the curve of a servo, its departure from a line, and its tables.

Angles here are nominal: a pulse over the class's pulse slope, zero at the middle of its pulse range, unless a
protractor was read.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.polynomial.legendre import legvander

from handfast.bench.parts import Servo
from handfast.errors import InputError
from handfast.fitting.holds import Holds
from handfast.geometry.rigid import Array
from handfast.units import DEGREE, counted

KNOT = 10.0 * DEGREE
"""Distance of the curve's knots, rad."""


BENDS = 4
"""Bends that are told apart: Legendre polynomials of the second to the fifth order over the sweep."""

USUAL_BEND = np.array([3.0, 2.5, 1.2, 0.7]) * DEGREE
"""What each bend may well amount to before anything is known of it: tracks bend gently (common practice, no source)."""


def bend_basis(angle: Array, half: float) -> Array:
    """Legendre polynomials (n, BENDS) of the second and higher orders over nominal angles within ±half.

    Beyond the ends they stand still, where a polynomial would run wild.
    """
    u = np.clip(np.asarray(angle) / half, -1.0, 1.0)
    return np.asarray(legvander(u, BENDS + 1)[:, 2:])


@dataclass(frozen=True)
class Bends:
    """How far the nominal angle runs ahead of the shaft's, rad: sizes (BENDS,) of `bend_basis` with covariance."""

    size: Array
    covariance: Array
    half: float

    def basis(self, angle: Array) -> Array:
        """The polynomials (n, BENDS) at nominal angles."""
        return bend_basis(angle, self.half)

    def at(self, angle: Array) -> Array:
        """The bend (n,) rad at nominal angles."""
        return np.asarray(self.basis(angle) @ self.size)


def no_bends(half: float) -> Bends:
    """Bends as they are taken where no protractor was read: none."""
    return Bends(np.zeros(BENDS), np.zeros((BENDS, BENDS)), half)


@dataclass(frozen=True)
class Scale:
    """Feedback (share of the range) over nominal angle, as a broken line through knots, rising or falling.

    angle (K,) rad, wiper (K,) shares; hysteresis: how much higher it rests when arriving from above, in shares
    along the curve; slope: shares per rad on the whole; misfit: robust spread of arrivals about the curve.
    low, high: nominal angles between which the feedback follows the pulse. shaft (K,): angle of the shaft at the
    knots, the nominal one unless a protractor told better.
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
    shaft: Array

    def stretched(self, factor: float) -> Scale:
        """The same curve with all angles `factor` times as large: the protractor's degrees instead of nominal ones."""
        return replace(
            self,
            per_pulse=self.per_pulse * factor,
            angle=self.angle * factor,
            slope=self.slope / factor,
            low=self.low * factor,
            high=self.high * factor,
            shaft=self.shaft * factor,
        )

    def straightened(self, bends: Bends) -> Scale:
        """The curve with the shaft's angles that the bends say: nominal angle less the bend there."""
        shaft = self.angle - bends.at(self.angle)
        return replace(self, shaft=shaft) if (np.diff(shaft) > 0.0).all() else self

    @property
    def half(self) -> float:
        """Largest nominal angle of the curve, rad: bends are described within ± this."""
        return float(max(abs(self.angle[0]), abs(self.angle[-1])))

    def nominal(self, pulse: Array) -> Array:
        """Nominal angle of a pulse, rad."""
        return np.asarray((np.asarray(pulse) - self.middle) * self.per_pulse)

    def expected(self, pulse: Array) -> Array:
        """Wiper that the curve has at a pulse, half way between both sides of arrival."""
        return np.interp(self.nominal(pulse), self.angle, self.wiper)

    def degrees(self, wiper: Array) -> Array:
        """Angle of the shaft, rad, at which the curve has that wiper; straight on beyond its ends."""
        order = np.argsort(self.wiper)
        w, a = self.wiper[order], self.shaft[order]
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
    return np.asarray(holds.free & holds.whole & (move >= 2.0 * DEGREE))


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
            f"the pulses rest at {counted(len(a), 'place')} over {span:.0f} degrees only",
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
        shaft=knots,
    )


@dataclass(frozen=True)
class Departure:
    """Largest departure of the feedback from the best line over the shaft's angle, as a share of its span."""

    value: float
    error: float
    count: int
    note: str


def departure(scale: Scale, bends: Bends, ends: tuple[float, float], count: int, note: str) -> Departure:
    """Independent linearity of the feedback over the shaft's angle, between two nominal angles.

    The line is the one whose largest departure is least, as data sheets of potentiometers have it (VRCI-P-100A,
    from memory); the span is the line's rise.

    The feedback's curve against the pulse is known well; the bends of the pulse against the shaft are known as
    far as a protractor told, which gives the error.
    """
    grid = np.linspace(max(ends[0], scale.low), min(ends[1], scale.high), 121)
    wiper = np.interp(grid, scale.angle, scale.wiper)
    basis = bends.basis(grid)
    shaft = grid - basis @ bends.size
    slope, middle = least_worst_line(shaft, wiper)
    away = wiper - slope * shaft - middle
    rise = abs(slope) * float(np.ptp(shaft))
    at = int(np.argmax(np.abs(away)))
    # How much each bend changes the departure at its worst place, the line fitted anew each time.
    taken = (
        basis
        - np.column_stack([np.ones_like(grid), grid])
        @ np.linalg.lstsq(np.column_stack([np.ones_like(grid), grid]), basis, rcond=None)[0]
    )
    row = taken[at] / float(np.ptp(grid))
    error = float(np.sqrt(max(row @ bends.covariance @ row, 0.0)))
    return Departure(abs(float(away[at])) / rise, float(np.hypot(error, scale.misfit / rise / 4.0)), count, note)


def least_worst_line(x: Array, y: Array) -> tuple[float, float]:
    """(slope, intercept) of the line whose largest departure from (x, y) is least.

    For a slope b the best intercept is half way between the extremes of y - b·x, and their distance is convex in
    b, so that thirds of an interval close in on the best one.
    """
    first = float(np.polyfit(x, y, 1)[0])
    reach = 4.0 * float(np.ptp(y - first * x)) / float(np.ptp(x)) + 1e-12
    low, high = first - reach, first + reach
    for _ in range(80):
        a, b = low + (high - low) / 3.0, high - (high - low) / 3.0
        if np.ptp(y - a * x) < np.ptp(y - b * x):
            high = b
        else:
            low = a
    slope = 0.5 * (low + high)
    rest = y - slope * x
    return slope, 0.5 * float(rest.max() + rest.min())


def bends_by_protractor(nominal: Array, shown: Array, half: float) -> tuple[Bends, float]:
    """(bends, shown angle per nominal angle) from protractor readings (n,) at nominal angles (n,), n >= 8.

    shown = a + b·(nominal - bends): linear in all unknowns. Of each bend it is known beforehand that it is of the
    order of two degrees; the readings' own scatter sets the errors.
    """
    basis = bend_basis(nominal, half)
    design = np.column_stack([np.ones_like(nominal), nominal, basis])
    rate = float(np.polyfit(nominal, shown, 1)[0])
    prior = np.zeros((BENDS, BENDS + 2))
    prior[:, 2:] = np.eye(BENDS)
    sd = 0.5 * DEGREE
    for _ in range(4):
        weight = sd / (USUAL_BEND[:, None] * abs(rate))
        x = np.linalg.lstsq(np.vstack([design, prior * weight]), np.concatenate([shown, np.zeros(BENDS)]), rcond=None)[
            0
        ]
        spare = max(len(shown) - BENDS - 2 + 2, 3)
        sd = max(float(np.sqrt(np.sum((shown - design @ x) ** 2) / spare)), 0.1 * DEGREE)
    normal = design.T @ design / sd**2
    normal[2:, 2:] += np.diag(1.0 / (USUAL_BEND * rate) ** 2)
    covariance = np.linalg.inv(normal)[2:, 2:]
    return Bends(-x[2:] / x[1], covariance / x[1] ** 2, half), float(x[1])
