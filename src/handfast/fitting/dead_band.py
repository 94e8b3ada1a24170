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
    """Dead band of a servo, or None if there are no fine steps that turn round."""
    widths, errors = [], []
    for run in staircases(holds):
        slope = float(scale.local(holds.rest[run].mean())) / servo.pulse_slope
        pulse = holds.pulse[run]
        place = holds.rest[run] / slope
        error = np.maximum(holds.error[run] / abs(slope), 1e-9)
        width, sigma = _fit(pulse - pulse.mean(), place - place.mean(), error)
        widths.append(width)
        errors.append(sigma)
    if not widths:
        return None
    n = len(widths)
    inside = float(np.sqrt(np.sum(np.square(errors)))) / n
    between = float(np.std(widths, ddof=1) / np.sqrt(n)) if n > 2 else 0.0
    return Band(float(np.mean(widths)), max(inside, between), n)


def _fit(pulse: Array, place: Array, error: Array) -> tuple[float, float]:
    """Width of the band that explains places (n,) best, s, and its standard error."""
    halves = np.arange(0.0, _WIDEST / 2.0, _STEP / 2.0)
    stays = np.array([0.0, 0.25, 0.5, 0.75, 1.0])
    begins = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
    half, stay, begin = (x.ravel() for x in np.meshgrid(halves, stays, begins, indexing="ij"))
    p = pulse[0] + begin * half
    away = np.empty((len(pulse), len(half)))
    for k, now in enumerate(pulse):
        gap = now - p
        out = np.abs(gap) > half + 1e-12
        p = np.where(out, now - np.sign(gap) * stay * half, p)
        away[k] = place[k] - p
    weight = 1.0 / error**2
    mean = weight @ away / weight.sum()
    cost = weight @ (away - mean) ** 2
    best = int(np.argmin(cost))
    spare = max(len(pulse) - 4, 1)
    unit = max(float(cost[best]) / spare, 1.0)
    per_half = cost.reshape(len(halves), -1).min(axis=1)
    at = best // (len(stays) * len(begins))
    # Half-widths within one unit of cost of the best: half of their range is one standard error.
    near = np.nonzero(per_half <= per_half[at] + unit)[0]
    sigma = max(float(halves[near[-1]] - halves[near[0]]), 0.5 * _STEP)
    weight_near = np.exp(-0.5 * (per_half - per_half[at]) / unit)
    return 2.0 * float(weight_near @ halves / weight_near.sum()), sigma
