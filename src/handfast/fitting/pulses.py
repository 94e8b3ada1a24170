"""From a sweep of one powered joint: its pulse line, its droop under load, and how far its arrival sides differ.

The servo compares the pulse with the very potentiometer whose wiper is read, so pulse and feedback lie on a
line, however crooked the potentiometer is against the angle. At rest after a step

    reading = line(pulse) - droop·tau - way·half + scatter,

the reading taken as the angle that the bench's own wiper line shows, tau the load of gravity at that place,
droop the angle per torque, half the dead band and friction on one side.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.bench.lines import angle_of
from handfast.errors import InputError
from handfast.fitting.calibrate import Calibration
from handfast.fitting.unknowns import wiper_table
from handfast.fitting.values import Value
from handfast.landing.flank import holding_torques
from handfast.records.readings import Sweep, signs_of
from handfast.units import DEGREE


@dataclass(frozen=True)
class PulseFit:
    """Figures of one joint, SI, each with its standard deviation: pulse at reading zero s, slope s/rad of reading,
    error for full drive rad, half the difference of the two arrival sides rad. scatter rad: what the fit leaves.
    table: rows (angle rad, pulse s) by way of the calibrated wiper."""

    joint: str
    zero: tuple[float, float]
    slope: tuple[float, float]
    full_drive: tuple[float, float]
    half: tuple[float, float]
    scatter: float
    table: tuple[tuple[float, float], ...]


def fit_pulses(calibration: Calibration, sweep: Sweep) -> PulseFit:
    """Least squares over one sweep. Raises InputError if the joint hardly moved."""
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
    q[:, i] = u.angles(calibration.x, u.shown_at(q))[:, i]
    model = u.model_at(calibration.x)
    tau = holding_torques(model, q, np.zeros((N, 2)), np.zeros((N, 2, 3)))[:, i]
    stall = model.stall[i] * sweep.supply / model.rated_voltage[i]
    ways = np.array(signs_of(sweep.ways, N), dtype=float)
    pulse = np.array(sweep.pulses)
    middle = pulse.mean()
    # Beliefs: droop about as the class says, arrival sides apart by about its dead band.
    A = np.column_stack([np.ones(N), pulse - middle, -tau / stall, -ways])
    sigma = 0.12 * DEGREE
    beliefs = np.array([0.0, 0.0, model.full_drive[i], model.dead_band[i] / 2.0])
    strength = np.array([0.0, 0.0, sigma / (0.6 * model.full_drive[i]), sigma / (1.0 * DEGREE)])
    rows = np.vstack([A, np.diag(strength)])
    solution, *_ = np.linalg.lstsq(rows, np.concatenate([reading, strength * beliefs]), rcond=None)
    left = reading - A @ solution
    scatter = float(np.sqrt((left**2).sum() / max(N - 4, 1)))
    sd = np.sqrt(np.diag(np.linalg.inv(rows.T @ rows))) * max(scatter, 0.05 * DEGREE)
    slope = 1.0 / solution[1]
    zero = middle - solution[0] * slope
    rows_ = []
    for degrees, counts in wiper_table(u, calibration.x, i):
        rows_.append((degrees * DEGREE, float(zero + slope * angle_of(joint, np.array(counts)))))
    return PulseFit(
        sweep.joint,
        (float(zero), float(sd[0] * abs(slope))),
        (float(slope), float(sd[1] * slope**2)),
        (max(float(solution[2]), 0.2 * DEGREE), float(sd[2])),
        (max(float(solution[3]), 0.0), float(sd[3])),
        scatter,
        tuple(rows_),
    )


def pulse_values(fits: list[PulseFit]) -> list[Value]:
    """Pulse tables and droop as measured values."""
    found = []
    for fit in fits:
        table = [[round(angle / DEGREE, 3), round(pulse * 1e6, 2)] for angle, pulse in fit.table]
        full = fit.full_drive
        found += [
            Value(fit.joint, "pulse_table", table, None, True),
            Value(
                fit.joint, "full_drive_error_deg", round(full[0] / DEGREE, 3), round(full[1] / DEGREE, 3),
                full[1] < 0.35 * full[0],
            ),
        ]  # fmt: skip
    return found
