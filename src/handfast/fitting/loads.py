"""What pushes, weights and stopped pulses show: play, torque, droop, whether it goes limp, and current."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.bench.parts import Servo
from handfast.fitting.holds import Holds
from handfast.fitting.moves import MoveFit, load_share, mid_speed, moves_of
from handfast.fitting.resting import Found
from handfast.fitting.scale import Scale
from handfast.geometry.rigid import Array
from handfast.records.trace import Trace
from handfast.units import DEGREE

LIGHT = 0.08
"""Known pushes up to this share of the claimed stall torque only take up play."""

_RUNS_AWAY = 6.0 * DEGREE
_FEWEST_PUSHES = 3


def play(trace: Trace, holds: Holds, scale: Scale, servo: Servo) -> Found | None:
    """Play (rad, full width) between light known pushes of both signs, as pairs of neighbours in time.

    By the pointer where it was read under both pushes, else by the feedback. Pushes with the pulses stopped
    count before pushes against a servo that holds, which answers as soon as it feels them. None if there were
    fewer than three pairs.
    """
    light = (holds.load != 0.0) & (np.abs(holds.load) <= LIGHT * servo.stall_torque) & (holds.push == 0)
    limp = light & (holds.pulse == 0.0)
    pointed = _pointer_play(trace, holds, light)
    if pointed is not None:
        return pointed
    for kind, how in ((limp, "pulses stopped"), (light & (holds.pulse > 0), "while it held")):
        pairs = [
            (i, j)
            for i, j in zip(np.nonzero(kind)[0][:-1], np.nonzero(kind)[0][1:], strict=True)
            if j - i <= 2 and holds.load[i] * holds.load[j] < 0.0 and holds.pulse[i] == holds.pulse[j]
        ]
        if len(pairs) < _FEWEST_PUSHES:
            continue
        # A shaft whose gears turn under the push goes on creeping; play is the jump between both creeps.
        creep = np.where(np.abs(holds.creep) * holds.length > 12.0 * holds.error, holds.creep, 0.0)
        half = 0.5 * (holds.length - (holds.start_settled - holds.start))
        ends = holds.rest + creep * half
        begins = holds.rest - creep * (half + np.maximum(holds.start_settled - holds.start - 0.05, 0.0))
        angle = np.array([scale.degrees(np.array([ends[i], begins[j]])) for i, j in pairs])
        sign = np.sign([holds.load[i] for i, _ in pairs])
        # The same way as the push; a mirrored wiper is turned round by the scale already.
        width = (angle[:, 0] - angle[:, 1]) * sign
        runs = np.abs(width) > _RUNS_AWAY
        if runs.mean() > 0.5:
            return None
        width = width[~runs]
        n = len(width)
        if n < _FEWEST_PUSHES:
            continue
        middle = float(np.median(width)) if n >= 8 else float(np.mean(width))
        own = float(np.median(holds.error[kind])) / abs(scale.slope)
        # Neighbouring pairs share a rest, so that their scatter is not quite independent.
        error = max(float(np.std(width, ddof=1)), 1.4 * own) * 1.25 / np.sqrt(n)
        return Found(abs(middle), error, n, how)
    return None


def _pointer_play(trace: Trace, holds: Holds, light: np.ndarray) -> Found | None:
    read = np.nonzero(np.isfinite(trace.horn))[0]
    hold = np.searchsorted(holds.first, read, side="right") - 1
    keep = light[hold]
    read, hold = read[keep], hold[keep]
    widths = [
        (trace.horn[a] - trace.horn[b]) * np.sign(holds.load[i])
        for a, b, i, j in zip(read[:-1], read[1:], hold[:-1], hold[1:], strict=True)
        if j - i <= 2 and holds.load[i] * holds.load[j] < 0.0
    ]
    if len(widths) < _FEWEST_PUSHES:
        return None
    n = len(widths)
    error = max(float(np.std(widths, ddof=1)), 0.1 * DEGREE) / np.sqrt(n)
    return Found(abs(float(np.mean(widths))), error, n, "by the pointer")


@dataclass(frozen=True)
class Torque:
    """What weights show. Torques in N·m: held (largest that was held) and lost (smallest that was not), 0 if
    none; lifting: net torque from the speed under load, with its error; droop rad per N·m, with its error."""

    held: float
    lost: float
    lifting: Found | None
    droop: Found | None


def torque(trace: Trace, wiper: Array, holds: Holds, scale: Scale, servo: Servo, fit: MoveFit | None) -> Torque:
    """Torque from weights that are held, and from the speed at which weights are lifted.

    A weight is lost when the shaft gives way by more than twice the class's full-drive error (8 degrees at
    least), or still sinks at the end. The lifting torque follows from speed = free speed · (1 - load/torque), the
    line of a direct-current motor: torque = load / (1 - ratio of the speeds with and without load), friction
    taken off. Which way the load pulls is seen from the sag, should its sign be the wrong way round.
    """
    heavy = (np.abs(holds.load) > LIGHT * servo.stall_torque) & (holds.pulse > 0) & (holds.push == 0)
    standing = heavy & (holds.length >= 1.0) & (np.abs(holds.moved) < 0.5 * DEGREE * servo.pulse_slope)
    held, lost = 0.0, 0.0
    loads, sags, errors = [], [], []
    along = 0.0
    most = max(8.0 * DEGREE, 2.0 * servo.full_drive_error)
    for i in np.nonzero(standing)[0].tolist():
        free = _rest_without_load(holds, i)
        if free is None:
            continue
        down = float(np.sign(holds.load[i]))
        place, before = scale.degrees(np.array([holds.rest[i], free]))
        sag = float(place - before) * down
        along += sag
        sinks = abs(float(holds.creep[i] / scale.local(holds.rest[i])))
        sag, size = abs(sag), abs(float(holds.load[i]))
        if sag > most or (sinks > 3.0 * DEGREE and sag > 0.5 * servo.full_drive_error):
            lost = size if lost == 0.0 else min(lost, size)
        else:
            held = max(held, size)
            loads.append(size)
            sags.append(sag)
            errors.append(float(holds.error[i] / abs(scale.slope)))
    droop = None
    if loads:
        x, y = np.array(loads), np.array(sags)
        slope = float(x @ y / (x @ x))
        scatter = float(np.sqrt(np.sum((y - slope * x) ** 2) / max(len(x) - 1, 1)))
        droop = Found(slope, max(scatter, float(np.mean(errors))) / float(np.sqrt(x @ x)), len(x))
    pulls = -1 if along < -2.0 * DEGREE else 1
    return Torque(held, lost, _lifting(trace, wiper, holds, scale, servo, fit, pulls), droop)


def _rest_without_load(holds: Holds, i: int) -> float | None:
    """Where the servo stood at the same pulse just before a load came on (or, failing that, just after)."""
    for j in (*range(i - 1, max(i - 4, -1), -1), *range(i + 1, min(i + 3, len(holds.pulse)))):
        if abs(holds.pulse[j] - holds.pulse[i]) < 0.3e-6 and holds.load[j] == 0.0 and holds.push[j] == 0:
            return float(holds.rest[j])
    return None


def _lifting(
    trace: Trace, wiper: Array, holds: Holds, scale: Scale, servo: Servo, fit: MoveFit | None, pulls: int
) -> Found | None:
    """Net torque (N·m) from moves against a known load, beside what the same servo does without load."""
    heavy = holds.load[(np.abs(holds.load) > LIGHT * servo.stall_torque) & (holds.pulse > 0)]
    best: Found | None = None
    for load in np.unique(heavy):
        way = -int(np.sign(load)) * pulls
        lifts = moves_of(holds, servo, float(load), way)
        if len(lifts) < 2 or fit is None or way not in fit.speed:
            continue
        size = float(np.median(np.abs(holds.moved[lifts]))) * scale.per_pulse
        speeds = mid_speed(trace, wiper, holds, scale, lifts, way)
        share = load_share(fit, way, size, float(np.mean(speeds)))
        own = float(np.std(speeds, ddof=1) / np.sqrt(len(lifts))) / fit.speed[way]
        share = max(share, 0.05)
        value = abs(float(load)) / share
        # A share of a hundredth or two is what friction and voltage leave unsure at best.
        found = Found(value, value * float(np.hypot(own, 0.015)) / share, len(lifts))
        if best is None or found.error < best.error:
            best = found
    return best


def goes_limp(holds: Holds, scale: Scale, servo: Servo) -> bool | None:
    """Whether the shaft lets itself be turned while pulses are stopped; None if nobody tried."""
    unpulsed = holds.pulse == 0.0
    tried = unpulsed & ((holds.push != 0) | (np.abs(holds.load) > 0.2 * servo.stall_torque))
    if not tried.any():
        return None
    angle = scale.degrees(holds.rest)
    turned = 0.0
    for i in np.nonzero(tried)[0].tolist():
        # Beside where it stood just before, within the same stretch without pulses.
        j = i - 1
        while j > 0 and tried[j]:
            j -= 1
        turned = max(turned, abs(float(angle[i] - angle[max(j, 0)])))
    return turned > 5.0 * DEGREE


def currents(trace: Trace, wiper: Array, holds: Holds, servo: Servo) -> tuple[Found | None, Found | None]:
    """(starting current, current at rest), A: a high value of the peaks at starts, the middle of quiet rests.

    Only the first half of each way counts: a motor that brakes by reversing draws more than at any start.
    """
    if trace.current is None:
        return None, None
    moves = np.nonzero((np.abs(holds.moved) / servo.pulse_slope > 25.0 * DEGREE) & holds.free)[0]
    peaks = np.array([_first_peak(trace.current, wiper, holds, i) for i in moves.tolist()])
    starting = None
    if len(peaks) >= 4:
        starting = Found(
            float(np.percentile(peaks, 90)), float(np.std(peaks, ddof=1) / np.sqrt(len(peaks))), len(peaks)
        )
    rests = np.nonzero(holds.free & (holds.length >= 2.0))[0]
    idle = None
    if len(rests):
        values = np.concatenate([trace.current[holds.settled[i] : holds.last[i]] for i in rests])
        idle = Found(float(np.median(values)), float(np.std(values) / np.sqrt(len(values))), len(values))
    return starting, idle


def _first_peak(current: Array, wiper: Array, holds: Holds, i: int) -> float:
    """Largest current until half of a move's way is gone."""
    first, last = int(holds.first[i]), int(holds.last[i])
    way = holds.rest[i] - wiper[max(first - 1, 0)]
    gone = (wiper[first:last] - wiper[max(first - 1, 0)]) * np.sign(way)
    half = int(np.argmax(gone > 0.5 * abs(way)))
    return float(current[first : first + max(half, 1) + 1].max())
