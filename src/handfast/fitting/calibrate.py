"""Fit a bench's unknown figures to all readings at once, with their uncertainty.

Readings and prior beliefs together form one least-squares problem (maximum a posteriori, Gaussian; Tarantola,
*Inverse Problem Theory* (2005), section 3.2, from memory), with a soft loss against wild readings. The
covariance is that of the linearised problem at the solution.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from handfast.bench.lines import noise_angles
from handfast.bench.parts import SIDES, Bench
from handfast.errors import InputError
from handfast.fitting.equations import Equations, led_link
from handfast.fitting.unknowns import Unknowns
from handfast.geometry.rigid import Array
from handfast.landing.flank import holding_torques, resting_offsets
from handfast.mechanics.kinematics import places
from handfast.records.readings import Readings
from handfast.units import DEGREE

KNOWN = 0.5
"""A figure counts as known once its standard deviation is below this share of what it was beforehand."""

UNSURE = 1.6
"""A flank is not sure while the load is below this many times the joint's friction."""

SOFT = 3.0
"""Readings farther off than this many standard deviations count less than in full."""

WIRE = 0.12 * DEGREE
"""What feedback still is off, one standard deviation, once noise and supply are taken out."""


WILD = 4.0
"""A reading farther off than this many standard deviations is said to be."""


@dataclass(frozen=True)
class Wild:
    """A reading that does not fit the others: its kind, as in a readings file; its number, from 0, among all of that
    kind; of what arm or joint; and by how much it is off, in words."""

    kind: str
    number: int
    of: str
    off: str


@dataclass(frozen=True)
class Calibration:
    """The fitted figures of a bench.

    x (size,), covariance (size, size): the vector of `unknowns` and its uncertainty. misfit: root mean square
    of the standardised residuals (about 1 if the stated errors are right). wild: readings further off than `WILD`
    standard deviations.
    """

    unknowns: Unknowns
    readings: Readings
    x: Array
    covariance: Array
    misfit: float
    wild: tuple[Wild, ...]

    def sigma(self, index: int) -> float:
        """Standard deviation of one entry of the vector."""
        return float(np.sqrt(self.covariance[index, index]))

    def known(self, index: int) -> bool:
        """Whether the readings, and not the first guess, say what this entry is."""
        return self.sigma(index) < KNOWN * float(np.sqrt(self.unknowns.prior[index, index]))

    def index(self, of: str, figure: str) -> int:
        """Place of a figure in the vector."""
        for i, entry in enumerate(self.unknowns.entries):
            if entry.of == of and entry.figure == figure:
                return i
        raise KeyError((of, figure))


def calibrate(bench: Bench, readings: Readings) -> Calibration:
    """Fit. Raises InputError where the readings cannot say anything (none, or all at one place)."""
    unknowns = Unknowns(bench)
    if not len(readings):
        raise InputError(
            "no readings", expected="at least one reading", next_step="handfast calibrate --plan says which"
        )
    _refuse_degenerate(readings)
    equations = Equations(unknowns, readings)
    root = np.linalg.cholesky(unknowns.prior)
    # Solve in units of the prior: x = root z, so that its rows are simply z.

    def rows(z: Array) -> Array:
        return np.concatenate([equations.residuals(root @ z), z])

    found = _fit(rows, np.zeros(unknowns.size), unknowns.size)
    residual = found.rows[: len(found.rows) - unknowns.size]
    covariance = root @ np.linalg.inv(found.information) @ root.T
    misfit = float(np.sqrt((residual**2).mean())) if len(residual) else 0.0
    return Calibration(
        unknowns,
        readings,
        root @ found.z,
        covariance,
        misfit,
        _wild(unknowns, root @ found.z, readings, residual),
    )


@dataclass(frozen=True)
class _Fit:
    z: Array
    rows: Array
    information: Array


def _fit(rows: Callable[[Array], Array], z: Array, prior: int, rounds: int = 30) -> _Fit:
    """Gauss-Newton with halved steps, twice: readings beyond 3 standard deviations count first in proportion (Huber),
    then, from there, less and less the farther off they are, so that a hand that left a link on the other side of
    its play draws little after it (Holland & Welsch, Communications in Statistics A6 (1977), on such weights, from
    memory).

    The last `prior` rows are beliefs, never softened. With a belief on every unknown the normal equations are
    well conditioned, so they are solved as they are (Nocedal & Wright, 2nd ed., section 10.3).
    """
    for power in (1.0, 2.0):
        z = _descend(rows, z, prior, power, rounds)
    r, J = rows(z), jacobian_of(rows, z)
    return _Fit(z, r, (J * _weights(r, prior, 2.0)[:, None]).T @ J)


def _weights(r: Array, prior: int, power: float) -> Array:
    w = np.minimum(1.0, SOFT / np.maximum(np.abs(r), 1e-12)) ** power
    w[len(r) - prior :] = 1.0
    return np.asarray(w)


def _cost(r: Array, prior: int, power: float) -> float:
    """Of all rows; its slope is r times their weight."""
    size = np.maximum(np.abs(r), 1e-12)
    beyond = SOFT * size - SOFT**2 if power == 1.0 else SOFT**2 * np.log(size / SOFT)
    soft = np.where(size <= SOFT, 0.5 * r**2, 0.5 * SOFT**2 + beyond)
    soft[len(r) - prior :] = 0.5 * r[len(r) - prior :] ** 2
    return float(soft.sum())


def _descend(rows: Callable[[Array], Array], z: Array, prior: int, power: float, rounds: int) -> Array:
    r = rows(z)
    now = _cost(r, prior, power)
    for _ in range(rounds):
        J = jacobian_of(rows, z)
        w = _weights(r, prior, power)
        information = (J * w[:, None]).T @ J
        step = np.linalg.solve(information, -(J * w[:, None]).T @ r)
        share = 1.0
        while share > 1e-3:
            r_new = rows(z + share * step)
            if _cost(r_new, prior, power) < now:
                break
            share *= 0.5
        else:
            break
        gain = now - _cost(r_new, prior, power)
        z, r, now = z + share * step, r_new, now - gain
        if gain < 1e-5 * (1.0 + now):
            break
    return z


def jacobian_of(function: Callable[[Array], Array], z: Array, steps: Array | float = 1e-5) -> Array:
    """Jacobian (..., size) of an array function by forward differences; `steps` one for all, or one each."""
    at = function(z)
    steps = np.broadcast_to(steps, z.shape)
    J = np.empty((*at.shape, len(z)))
    for i in range(len(z)):
        moved = z.copy()
        moved[i] += steps[i]
        J[..., i] = (function(moved) - at) / steps[i]
    return J


def _refuse_degenerate(readings: Readings) -> None:
    for arm in SIDES:
        points = np.array([t.at for t in readings.touches if t.arm == arm])
        if len(points) >= 3 and np.linalg.svd(points - points.mean(axis=0), compute_uv=False)[1] < 5e-3:
            raise InputError(
                f"the {len(points)} points that the {arm} arm touched lie on one line or one spot",
                where="touch readings",
                expected="points spread over at least two directions",
                next_step="touch points on both sides, near and far",
            )
    if len(readings.bars) >= 3:
        shown = np.array([b.counts for b in readings.bars])
        if np.ptp(shown, axis=0).max() < 20.0:
            raise InputError(
                f"all {len(readings.bars)} samples of the bar were taken at one place",
                where="bar readings",
                expected="samples from all over the shared reach, the bar turned too",
                next_step="lead the bar about, near and far, high and low, and read again",
            )


_TOLD = {
    "touch": ("touches", "at", "mm"), "meet": ("meets", "", ""), "bar": ("bars", "length", "mm"),
    "level": ("levels", "tilt", "°"), "gauge": ("gauges", "angle", "°"), "pull": ("pulls", "force", "N"),
    "sag": ("sags", "down", "mm"), "push": ("pushes", "off", "mm"), "landing": ("landings", "off", "mm"),
}  # fmt: skip
"""By kind, in the order of the equations' rows: its field in `Readings`, what was read, and the unit to say it in."""

_SCALE = {"mm": 1e3, "°": 1.0 / DEGREE, "N": 1.0}


def _wild(unknowns: Unknowns, x: Array, readings: Readings, residual: Array) -> tuple[Wild, ...]:
    found = []
    row = 0
    for kind, (field, key, unit) in _TOLD.items():
        rows = 3 if kind in ("touch", "meet", "landing") else 1
        for n, reading in enumerate(getattr(readings, field)):
            own, row = residual[row : row + rows], row + rows
            if np.abs(own).max() <= WILD:
                continue
            size = float(np.linalg.norm(_misread(unknowns, x, field, key, reading, own))) if key else 0.0
            said = f"{_SCALE[unit] * size:.2g} {unit} off, " if key else ""
            of = getattr(reading, "joint", "") or getattr(reading, "arm", "")
            of = f" at {of}" if hasattr(reading, "joint") else f" of the {of} arm" if of else ""
            found.append(Wild(kind, n, of, f"{said}{np.linalg.norm(own):.1f} of its standard errors"))
    assert row == len(residual)
    return tuple(found)


def _misread(unknowns: Unknowns, x: Array, field: str, key: str, reading: Any, own: Array) -> Array:
    """By how much a reading is off, SI, from its standardised residuals `own`: what was read is moved, and the change
    of the residuals says what one of them is worth."""

    def rows(value: Array) -> Array:
        moved = replace(reading, **{key: tuple(value.tolist()) if len(value) > 1 else float(value[0])})
        return Equations(unknowns, Readings(**{field: (moved,)})).residuals(x)

    slope = jacobian_of(rows, np.atleast_1d(np.asarray(getattr(reading, key), dtype=float)))
    return np.asarray(np.linalg.solve(slope, own))


def tcp_from_feedback(calibration: Calibration, counts: Array, moved: Array, loads: Array) -> tuple[Array, Array]:
    """Where powered arms at rest have their TCPs: positions (N, 2, 3) m and their standard deviations (N, 2, 3).

    counts (N, channels); moved (N, K): way of each joint's last driven motion; loads (N, 2) kg.
    """
    u = calibration.unknowns
    shown = u.shown(counts)
    none = np.zeros((len(counts), 2, 3))

    def at(x: Array) -> Array:
        model = u.model_at(x)
        q = u.angles(x, shown)
        rest = resting_offsets(model, q, moved, loads, none)
        return places(model.chain, q + rest.mean).X_WT[:, :, :3, 3]

    x = calibration.x
    here = at(x)
    J = jacobian_of(at, x, np.array([1e-3 * entry.sigma for entry in u.entries]))
    variance = np.einsum("narp,pq,narq->nar", J, calibration.covariance, J)
    # What no figure explains: noise of the wire, and flanks that lie near their balance.
    model = u.model_at(x)
    q = u.angles(x, shown)
    close = np.abs(holding_torques(model, q, loads, none)) < UNSURE * model.friction
    own = noise_angles(u.bench) ** 2 / 5.0 + WIRE**2 + np.where(close, (0.4 * model.unseen_play) ** 2, 0.0)
    Jq = places(model.chain, q).J[:, :, 3:] ** 2 * own[:, :, None]
    for arm, side in enumerate(SIDES):
        variance[:, arm] += Jq[:, u.bench.columns(side)].sum(axis=1)
    return here, np.sqrt(np.maximum(variance, 0.0))


def tcp_led(calibration: Calibration, counts: Array, ways: Array) -> Array:
    """Where hand-led limp arms have their TCPs (N, 2, 3), m."""
    u = calibration.unknowns
    model = u.model_at(calibration.x)
    q = led_link(u, model, calibration.x, u.shown(counts), ways)
    return np.asarray(places(model.chain, q).X_WT[:, :, :3, 3])
