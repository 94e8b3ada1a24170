"""From a sweep of one powered joint: its pulse line, its droop under load, its dead band.

The servo compares the pulse with the very potentiometer whose wiper is read, so pulse and feedback lie on a
line, however crooked the potentiometer is against the angle. At rest after a step

    reading = line(pulse) - lacking(load, way; full drive, friction, dead band) - share·momentum + scatter,

the reading taken as the angle that the bench's own wiper line shows, and lacking as `landing.flank.rest_error` has it:
drive falls with the error until load and friction hold the motor, or until the error is inside the dead band. That
bends where one of them takes over, so the three figures are tried out on a grid, each place of it with its best line,
weighed by how well it fits and by what was believed of the figures before. Momentum is what `landing.follow` finds to
come on top: a joint that its load helps along falls through the dead band, and rests beyond it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from handfast.bench.lines import angle_of
from handfast.errors import InputError
from handfast.fitting.calibrate import Calibration
from handfast.fitting.unknowns import wiper_table
from handfast.fitting.values import Value
from handfast.geometry.rigid import Array
from handfast.landing.flank import holding_torques, rest_error
from handfast.landing.follow import follow
from handfast.mechanics.dynamics import inverse_dynamics
from handfast.mechanics.model import Model
from handfast.records.readings import Sweep, signs_of
from handfast.units import DEGREE

SCATTER = 0.06 * DEGREE
"""Scatter of a reading at rest, one standard deviation (of simulated arms; what a sweep shows beyond it is taken from
the sweep)."""

ROUNDS, WILD = 5, 2.5
"""How often the fit is done, each time with momentum and trust of the one before; and robust standard deviations at
which a step is trusted by a quarter (where the load turns round, a step lands now here, now there)."""

SWEPT, _HELD, _DT = 0.8, 0.6, 4e-3
"""How fast the standard sweep steps, rad/s, how long it stands, s, and the time step in which that is followed, s."""

BAND_SHARE, DROOP_SHARE, MOMENTUM_SHARE = 0.5, 0.6, 0.4
"""How far off dead band, full drive, and what momentum does are believed to be before a sweep: one standard deviation
of the first two's logarithms, and of the last (common practice, no source)."""

DROOP_MODEL, BAND_MODEL = 0.08, 0.15
"""How far off full drive and dead band are besides what a fit of its own can tell, as shares of them: servos do not
quite follow the law that is fitted, and friction is not the same everywhere (from simulated arms, no source)."""


@dataclass(frozen=True)
class PulseFit:
    """Figures of one joint, SI, each with its standard deviation: pulse at reading zero s, slope s/rad of reading,
    error for full drive rad, full width of the dead band rad. scatter rad: what the fit leaves.
    table: rows (angle rad, pulse s) by way of the calibrated wiper."""

    joint: str
    zero: tuple[float, float]
    slope: tuple[float, float]
    full_drive: tuple[float, float]
    dead_band: tuple[float, float]
    scatter: float
    table: tuple[tuple[float, float], ...]


def fit_pulses(calibration: Calibration, sweep: Sweep) -> PulseFit:
    """The line and the figures that fit one sweep. Raises InputError if the joint hardly moved."""
    u, bench = calibration.unknowns, calibration.unknowns.bench
    i = bench.joint_names.index(sweep.joint)
    N = len(sweep.pulses)
    joint = bench.joints[i]
    reading = angle_of(joint, np.array(sweep.counts))
    if np.ptp(reading) < 20.0 * DEGREE:
        raise InputError(
            f"{sweep.joint} moved by {np.ptp(reading) / DEGREE:.1f}° only",
            where="sweep readings",
            expected="a sweep over most of its travel",
            next_step="check that this channel's servo is powered and free, then sweep again",
        )
    q = np.tile(np.array(sweep.at), (N, 1))
    q[:, i] = reading
    q = u.angles(calibration.x, u.shown_at(q))
    model = u.model_at(calibration.x)
    tau = holding_torques(model, q, np.zeros((N, 2)), np.zeros((N, 2, 3)))[:, i]
    stall = model.stall[i] * sweep.supply / model.rated_voltage[i]
    ways = np.array(signs_of(sweep.ways, N), dtype=float)
    pulse = np.array(sweep.pulses)
    middle, span = pulse.mean(), max(float(np.ptp(pulse)), 1e-6)

    # The servo overcomes the friction of its gears and of the joint.
    rubs = np.array([model.limp_friction[i], model.friction[i]])
    unsure = [calibration.sigma(calibration.index(sweep.joint, f"{of} friction")) for of in ("limp", "joint")]
    total = max(float(rubs.sum()), 1e-6)
    believed = np.log([model.full_drive[i], total, max(model.dead_band[i], 0.02 * DEGREE)])
    shares = np.array([DROOP_SHARE, max(float(np.linalg.norm(rubs * unsure)) / total, 0.02), BAND_SHARE])
    reach = [np.linspace(-2.5, 2.5, n) * s for n, s in zip((49, 9, 15), shares, strict=True)]
    away = np.stack(np.meshgrid(*reach, indexing="ij"), axis=-1).reshape(-1, 3)
    full, friction, band = np.exp(believed + away).T[:, :, None]
    lacking = rest_error(tau, ways, np.array(stall), full, friction, band)
    line = np.column_stack([np.ones(N), (pulse - middle) / span])
    momentum, trust = np.zeros(N), np.ones(N)
    for _ in range(ROUNDS):
        # Beside the line, how much of the momentum there was: about all of it.
        root = np.sqrt(trust)[:, None]
        rows = np.vstack([root * np.column_stack([line, -momentum]), [0.0, 0.0, SCATTER / MOMENTUM_SHARE]])
        shown = np.column_stack([root.T * (reading + lacking), np.full(len(full), SCATTER / MOMENTUM_SHARE)])
        solution = shown @ np.linalg.pinv(rows).T
        squares = ((shown - solution @ rows.T) ** 2).sum(axis=1)
        scatter = float(np.sqrt(squares.min() / max(trust.sum() - 4.0, 1.0)))
        unit = max(scatter, SCATTER)
        cost = squares / unit**2 + ((away / shares) ** 2).sum(axis=1)
        weight = np.exp(-0.5 * (cost - cost.min()))
        weight /= weight.sum()
        # Figures that stand in for each other are not averaged one by one: the place whose lacking is nearest to
        # the mean.
        best = int(np.argmin(((lacking - weight @ lacking) ** 2).sum(axis=1) / unit**2 + 0.05 * cost))
        left = reading + lacking[best] + solution[best, 2] * momentum - line @ solution[best, :2]
        usual = max(1.48 * float(np.median(np.abs(left))), 0.5 * SCATTER)
        trust = 1.0 / (1.0 + (left / (WILD * usual)) ** 2) ** 2
        powered = replace(model, stall=model.stall * sweep.supply / bench.supply.voltage)
        momentum = _lacked(powered, i, q, full[best, 0], friction[best, 0], band[best, 0]) - lacking[best]

    def told(value: Array, besides: float) -> tuple[float, float]:
        x = value.ravel()
        return float(x[best]), float(np.sqrt(weight @ (x - x[best]) ** 2 + (besides * x[best]) ** 2))

    fitted = solution[:, :2]
    at_middle, rise = weight @ fitted
    # Standard deviations of the line: what the scatter makes of it, and what is not known of the figures.
    noise = unit**2 * np.diag(np.linalg.inv(line.T @ (trust[:, None] * line)))
    sd = np.sqrt(noise + weight @ (fitted - (at_middle, rise)) ** 2)
    slope = span / rise
    zero = middle - at_middle * slope
    rows_ = []
    for degrees, counts in wiper_table(u, calibration.x, i):
        rows_.append((degrees * DEGREE, float(zero + slope * angle_of(joint, np.array(counts)))))
    return PulseFit(
        sweep.joint,
        (float(zero), float(sd[0] * abs(slope))),
        (float(slope), float(sd[1] * slope**2 / span)),
        told(full, DROOP_MODEL),
        told(band, BAND_MODEL),
        scatter,
        tuple(rows_),
    )


def _lacked(model: Model, i: int, q: Array, full: float, friction: float, band: float) -> Array:
    """What joint i lacks (N,) rad at rest after each step to q (N, K), its momentum included, for such figures.

    A joint that its load helps along falls through the dead band and comes to rest beyond it.
    """
    share = model.friction[i] / max(model.friction[i] + model.limp_friction[i], 1e-9)
    figures = {"full_drive": full, "dead_band": band, "friction": share * friction,
               "limp_friction": (1.0 - share) * friction}  # fmt: skip
    rows = {name: np.where(np.arange(q.shape[1]) == i, value, getattr(model, name)) for name, value in figures.items()}
    still = np.zeros_like(q)
    one = still.copy()
    one[:, i] = 1.0
    moves = inverse_dynamics(replace(model.chain, gravity=np.zeros(3)), q, still, one)[:, i]
    tau = holding_torques(model, q, np.zeros((len(q), 2)), np.zeros((len(q), 2, 3)))[:, i]
    at, rests = [np.array([-1.0])], []
    for n, step in enumerate(np.abs(np.diff(q[:, i], prepend=q[0, i] - 3.0 * DEGREE))):
        r = np.linspace(0.0, 1.0, max(2, round(1.5 * step / SWEPT / _DT)))
        at += [n - 1 + 3 * r**2 - 2 * r**3, np.full(round(_HELD / _DT), float(n))]
        rests.append(sum(len(x) for x in at) - 1)
    when, of = np.concatenate(at), np.arange(-1.0, len(q))
    first = q[0, i] - 3.0 * DEGREE
    target, load, inertia = (
        np.interp(when, of, np.concatenate([[before], values]))[:, None]
        for before, values in ((first, q[:, i]), (tau[0], tau), (moves[0], moves))
    )
    start = np.array([-np.sign(tau[0]) if abs(tau[0]) > model.friction[i] else -1.0])
    followed = follow(replace(model, **rows), _DT, target, load, inertia, start, joints=slice(i, i + 1))
    return q[:, i] - followed.feedback[rests, 0]


def pulse_values(fits: list[PulseFit]) -> list[Value]:
    """Pulse tables, droop and dead bands as measured values."""
    found = []
    for fit in fits:
        table = [[round(angle / DEGREE, 3), round(pulse * 1e6, 2)] for angle, pulse in fit.table]
        full, band = fit.full_drive, fit.dead_band
        found += [
            Value(fit.joint, "pulse_table", table, None, True),
            Value(
                fit.joint, "full_drive_error_deg", round(full[0] / DEGREE, 3), round(full[1] / DEGREE, 3),
                full[1] < 0.35 * full[0],
            ),
            Value(
                fit.joint, "dead_band_deg", round(band[0] / DEGREE, 3), round(band[1] / DEGREE, 3),
                band[1] < 0.35 * band[0],
            ),
        ]  # fmt: skip
    return found
