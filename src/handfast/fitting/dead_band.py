"""Dead band from fine steps: how far the pulse can change before the shaft follows.

A servo at rest at p lets the pulse wander between two bounds without moving. When the pulse passes one of them
by ever so little, it moves until the pulse lies `stay` half-widths from p again: 1, it stops as soon as it may;
0, it goes all the way. The band's full width is fitted, so that either kind is measured alike.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.bench.parts import Servo
from handfast.fitting.holds import Holds
from handfast.fitting.scale import Scale
from handfast.geometry.rigid import Array

_FINEST = 4.0e-6
_FEWEST = 12
_STEP = 0.25e-6
_WIDEST = 60.0e-6
HALVES = np.arange(0.0, _WIDEST / 2.0, _STEP / 2.0)
"""Half-widths that are tried, s."""
STAYS = np.array([0.0, 0.25, 0.5, 0.75, 1.0])
"""How far from the pulse it stops, in half-widths."""
_BEGINS = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])


@dataclass(frozen=True)
class Band:
    """Full width of the dead band, s of pulse, its standard error, and how many places were tried."""

    width: float
    error: float
    places: int


def staircases(holds: Holds) -> list[np.ndarray]:
    """Runs of at least 12 holds whose pulses change by 4 µs or less from one to the next, without load."""
    fine = holds.free & (np.abs(holds.moved) > 0) & (np.abs(holds.moved) <= _FINEST)
    runs: list[list[int]] = []
    for i in np.nonzero(fine)[0]:
        if runs and runs[-1][-1] == i - 1:
            runs[-1].append(int(i))
        else:
            runs.append([int(i)])
    found = []
    for run in runs:
        # The hold before the first fine step is where it came to rest; it belongs to the run.
        whole = np.array([run[0] - 1, *run])
        turns = np.diff(np.sign(holds.moved[whole[1:]]))
        if len(run) >= _FEWEST and np.count_nonzero(turns):
            found.append(whole)
    return found


def dead_band(holds: Holds, scale: Scale, servo: Servo) -> Band | None:
    """Dead band of a servo from all its fine steps together, or None if none of them turn round."""
    costs, samples = [], 0
    for run in staircases(holds):
        slope = float(scale.local(holds.rest[run].mean())) / servo.pulse_slope
        pulse = holds.pulse[run]
        place = holds.rest[run] / slope
        error = np.maximum(holds.error[run] / abs(slope), 1e-8)
        costs.append(_cost(pulse - pulse.mean(), place - place.mean(), error))
        samples += len(run)
    if not costs:
        return None
    cost = np.sum(costs, axis=0)
    spare = max(samples - 2 - 2 * len(costs), 1)
    # Where the model does not explain the scatter, the scatter sets the error.
    unit = max(float(cost.min()) / spare, 1.0)
    per_half = cost.min(axis=1)
    weight = np.exp(-0.5 * (per_half - per_half.min()) / unit)
    weight /= weight.sum()
    width = 2.0 * float(weight @ HALVES)
    sigma = 2.0 * float(np.sqrt(weight @ HALVES**2 - (weight @ HALVES) ** 2))
    return Band(width, max(sigma, 0.25e-6), len(costs))


def _cost(pulse: Array, place: Array, error: Array) -> Array:
    """Weighted squares (halves, stays) that remain if the band has each half-width and each way of stopping."""
    half, stay, begin = (x.ravel() for x in np.meshgrid(HALVES, STAYS, _BEGINS, indexing="ij"))
    p = pulse[0] + begin * half
    away = np.empty((len(pulse), len(half)))
    for k, now in enumerate(pulse):
        gap = now - p
        out = np.abs(gap) > half + 1e-12
        p = np.where(out, now - np.sign(gap) * stay * half, p)
        away[k] = place[k] - p
    # A wild place counts for no more than five of its errors, or one slip would settle the width.
    weight = 1.0 / error**2
    mean = weight @ away / weight.sum()
    cost = np.minimum(weight[:, None] * (away - mean) ** 2, 25.0).sum(axis=0)
    return np.asarray(cost.reshape(len(HALVES), len(STAYS), len(_BEGINS)).min(axis=2))
