"""Fit a bench's unknown figures to all readings at once, with their uncertainty.

Readings and prior beliefs together form one least-squares problem (maximum a posteriori, Gaussian; Tarantola,
*Inverse Problem Theory* (2005), section 3.2, from memory), with a soft loss against wild readings. The
covariance is that of the linearised problem at the solution.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

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

WIRE = 0.12 * DEGREE
"""What feedback still is off, one standard deviation, once noise and supply are taken out."""


@dataclass(frozen=True)
class Calibration:
    """The fitted figures of a bench.

    x (size,), covariance (size, size): the vector of `unknowns` and its uncertainty. misfit: root mean square
    of the standardised residuals (about 1 if the stated errors are right). wild: readings further off than
    four standard deviations, in words.
    """

    unknowns: Unknowns
    readings: Readings
    x: Array
    covariance: Array
    misfit: float
    wild: tuple[str, ...]

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
    from scipy.optimize import least_squares

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

    def soft(s: Array) -> Array:
        """Huber's loss on readings only: beyond 3 standard deviations a residual counts in proportion."""
        n = len(s) - unknowns.size
        value = np.empty((3, len(s)))
        value[0], value[1], value[2] = s, 1.0, 0.0
        far = np.arange(len(s)) < n
        far &= s > 9.0
        value[0, far] = 6.0 * np.sqrt(s[far]) - 9.0
        value[1, far] = 3.0 / np.sqrt(s[far])
        value[2, far] = -1.5 * s[far] ** -1.5
        return value

    found = least_squares(rows, np.zeros(unknowns.size), loss=soft, method="trf", max_nfev=60, x_scale=1.0)
    n = len(found.fun) - unknowns.size
    residual = found.fun[:n]
    weight = np.ones(len(found.fun))
    weight[:n] = np.where(np.abs(residual) > 3.0, 3.0 / np.maximum(np.abs(residual), 1e-9), 1.0)
    J = jacobian_of(rows, found.x)
    information = (J * weight[:, None]).T @ J
    covariance = root @ np.linalg.inv(information) @ root.T
    misfit = float(np.sqrt((residual**2).mean())) if n else 0.0
    return Calibration(unknowns, readings, root @ found.x, covariance, misfit, _wild(readings, residual))


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


def _wild(readings: Readings, residual: Array) -> tuple[str, ...]:
    labels = []
    for n, touch in enumerate(readings.touches):
        labels += [f"touch {n + 1} of the {touch.arm} arm"] * 3
    for n in range(len(readings.meets)):
        labels += [f"meeting {n + 1} of the tips"] * 3
    labels += [f"gauge reading {n + 1} at {g.joint}" for n, g in enumerate(readings.gauges)]
    labels += [f"pull {n + 1} at {p.joint}" for n, p in enumerate(readings.pulls)]
    labels += [f"weight {n + 1} on the {s.arm} arm" for n, s in enumerate(readings.sags)]
    for n, landing in enumerate(readings.landings):
        labels += [f"landing {n + 1} of the {landing.arm} arm"] * 3
    bad = [label for label, r in zip(labels, residual, strict=True) if abs(r) > 4.0]
    return tuple(dict.fromkeys(bad))


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
