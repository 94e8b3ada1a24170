"""Where a servo comes to rest: reversal, repeatability, noise, drift, and jumps that mean something slipped."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from handfast.bench.parts import Servo
from handfast.fitting.holds import Holds
from handfast.fitting.scale import Scale, arrivals
from handfast.geometry.rigid import Array
from handfast.records.trace import COUNTS, Trace
from handfast.units import DEGREE


@dataclass(frozen=True)
class Found:
    """A value with its standard error and the number of readings behind it; `note` says more where needed."""

    value: float
    error: float
    count: int
    note: str = ""


def reversal(holds: Holds, scale: Scale, servo: Servo) -> Found | None:
    """Largest difference (rad) between arriving with falling and with rising pulses, over the targets.

    As B = max|B_i| of ISO 230-2:2014, section 2 (from memory), with B_i the difference of the mean positions.
    """
    used = arrivals(holds, servo) & (np.abs(holds.moved) / servo.pulse_slope >= 5.0 * DEGREE)
    angle = scale.degrees(holds.rest)
    error = holds.error / abs(scale.slope)
    best: Found | None = None
    for pulse in np.unique(np.round(holds.pulse[used] / 0.5e-6)):
        here = used & (np.abs(holds.pulse - pulse * 0.5e-6) < 0.3e-6)
        up, down = here & (holds.side > 0), here & (holds.side < 0)
        n = min(int(up.sum()), int(down.sum()))
        if n < 3:
            continue
        b = abs(float(np.median(angle[down]) - np.median(angle[up])))
        spread = np.hypot(_error_of(angle[up], error[up]), _error_of(angle[down], error[down]))
        if best is None or b > best.value:
            best = Found(b, float(spread), n)
    return best


def _error_of(values: Array, errors: Array) -> float:
    """Standard error of a mean: from the scatter, but at least from the readings' own errors."""
    n = len(values)
    scatter = float(np.std(values, ddof=1)) if n > 1 else 0.0
    return float(max(scatter, float(np.sqrt(np.mean(errors**2)))) / np.sqrt(n))


def repeatability(holds: Holds, scale: Scale, servo: Servo) -> Found | None:
    """Standard deviation (rad) of arrivals at one place from one place, the noise of the readings taken out."""
    used = arrivals(holds, servo)
    angle = scale.degrees(holds.rest)
    error = holds.error / abs(scale.slope)
    groups: dict[tuple[int, int], list[int]] = {}
    for i in np.nonzero(used)[0]:
        key = (round(holds.pulse[i] / 0.5e-6), round(holds.before[i] / 0.5e-6))
        groups.setdefault(key, []).append(int(i))
    whole = [np.array(g) for g in groups.values() if len(g) >= 8]
    if not whole:
        return None
    # The group with most arrivals close in time is the test; a drift over minutes is judged by itself.
    group = max(whole, key=len)
    values = angle[group]
    n = len(values)
    slow = np.polyval(np.polyfit(holds.start[group], values, 1), holds.start[group])
    total = float(np.sum((values - slow) ** 2)) / (n - 2)
    noise = float(np.mean(error[group] ** 2))
    variance = max(total - noise, 0.0)
    value = np.sqrt(variance)
    unsure = total * np.sqrt(2.0 / (n - 2))
    return Found(float(value), float(unsure / (2.0 * max(value, 0.7 * np.sqrt(total)))), n)


@dataclass(frozen=True)
class Noise:
    """Standard deviation of one reading at rest, in 1/1024 of the range; its error; wild readings and all."""

    spread: float
    error: float
    wild: int
    worst: float
    count: int


def noise(trace: Trace, wiper: Array, holds: Holds, loaded: bool, wild_limit: float) -> Noise | None:
    """Noise of the feedback at rest under pulses: without load, or while holding a load.

    From the settled parts of at least a second, each less its own line. Single readings farther than
    `wild_limit` (1/1024 of the range) from the middle of their stretch count as wild.
    """
    kind = (holds.pulse > 0) & (holds.push == 0) & ((holds.load != 0) if loaded else (holds.load == 0))
    squares, free, wild, worst, total = 0.0, 0, 0, 0.0, 0
    for i in np.nonzero(kind)[0]:
        part = slice(int(holds.settled[i]), int(holds.last[i]))
        t, w = trace.t[part], wiper[part]
        if len(t) < 25 or t[-1] - t[0] < 0.75:
            continue
        line = np.polyval(np.polyfit(t - t[0], w, 1), t - t[0])
        if loaded and abs(float(line[-1] - line[0])) > 0.02:
            continue  # it is giving way, not holding
        squares += float(np.sum((w - line) ** 2))
        free += len(t) - 2
        raw = np.abs(trace.wiper[part] - np.median(w)) * COUNTS
        # Several in a row are a motion of the shaft, no wild reading.
        alone = raw > wild_limit
        alone &= ~(np.concatenate([alone[1:], [False]]) | np.concatenate([[False], alone[:-1]]))
        wild += int(alone.sum())
        worst = max(worst, float(raw[alone].max()) if alone.any() else 0.0)
        total += len(t)
    if free < 100:
        return None
    sd = np.sqrt(squares / free) * COUNTS * np.sqrt(trace.averaged)
    return Noise(float(sd), float(sd / np.sqrt(2.0 * free)), wild, worst, total)


def drift(holds: Holds, scale: Scale, servo: Servo) -> Found | None:
    """Change (rad) of the resting place over the session: like arrivals, last ones less first ones.

    Only arrivals that are alike in pulse, in pulse before and in load are compared, at least 3 minutes apart.
    """
    kind = (holds.pulse > 0) & (holds.push == 0) & holds.whole & (np.abs(holds.moved) / servo.pulse_slope > 2 * DEGREE)
    angle = scale.degrees(holds.rest)
    error = holds.error / abs(scale.slope)
    keys: dict[tuple[int, int, int], list[int]] = {}
    for i in np.nonzero(kind)[0]:
        load = round(holds.load[i] / servo.stall_torque * 100)
        keys.setdefault((round(holds.pulse[i] / 0.5e-6), round(holds.before[i] / 0.5e-6), load), []).append(int(i))
    changes, errors, minutes = [], [], 0.0
    for group in keys.values():
        g = np.array(group)
        t = holds.start[g]
        early, late = g[t - t[0] < 60.0], g[t[-1] - t < 60.0]
        if t[-1] - t[0] < 180.0:
            continue
        minutes = max(minutes, float(t[-1] - t[0]) / 60.0)
        changes.append(float(angle[late].mean() - angle[early].mean()))
        errors.append(float(np.hypot(_error_of(angle[late], error[late]), _error_of(angle[early], error[early]))))
    if not changes:
        return None
    n = len(changes)
    value = abs(float(np.median(changes)))
    scatter = float(np.std(changes, ddof=1) / np.sqrt(n)) if n > 1 else 0.0
    return Found(value, max(float(np.sqrt(np.mean(np.square(errors)) / n)), scatter), n, f"over {minutes:.0f} min")


PROTRACTOR = 0.5 * DEGREE
"""Error of a protractor or pointer reading, one standard deviation (common practice, no source)."""


def drift_of_shaft(trace: Trace, holds: Holds) -> Found | None:
    """Change (rad) of the angles that a protractor shows at like pulses, last ones less first ones, 3 minutes apart.

    Where the potentiometer turns on its shaft, or drifts as the servo does, feedback stays and the shaft goes.
    """
    read = np.nonzero(np.isfinite(trace.horn))[0]
    hold = np.searchsorted(holds.first, read, side="right") - 1
    groups: dict[tuple[int, int], list[int]] = {}
    for k, i in zip(read, hold, strict=True):
        if holds.free[i]:
            groups.setdefault((round(holds.pulse[i] / 0.5e-6), int(holds.side[i])), []).append(int(k))
    changes, minutes = [], 0.0
    for samples in groups.values():
        t = trace.t[samples]
        if t[-1] - t[0] >= 180.0:
            minutes = max(minutes, float(t[-1] - t[0]) / 60.0)
            horn = trace.horn[samples]
            changes.append(float(horn[t[-1] - t < 60.0].mean() - horn[t - t[0] < 60.0].mean()))
    if not changes:
        return None
    n = len(changes)
    scatter = float(np.std(changes, ddof=1) / np.sqrt(n)) if n > 1 else 0.0
    error = max(PROTRACTOR * float(np.sqrt(2.0 / n)), scatter)
    return Found(abs(float(np.median(changes))), error, n, f"over {minutes:.0f} min, by the protractor")


def slip(trace: Trace, wiper: Array, holds: Holds, scale: Scale, servo: Servo) -> Found:
    """Largest jump (rad) of the resting place that nothing asked for; the note says how it showed.

    Three kinds: rests that leave the curve of all others, the shaft moving while it should stand, and a
    protractor that shows another angle at the same pulse than before.
    """
    jumps = [
        _rests_that_leave(holds, scale, servo),
        _moves_at_rest(trace, wiper, holds, scale),
        _protractor_jumps(trace, holds),
    ]
    return max(jumps, key=lambda found: found.value)


def _rests_that_leave(holds: Holds, scale: Scale, servo: Servo) -> Found:
    used = np.nonzero(arrivals(holds, servo) & (holds.length >= 0.35))[0]
    inside = (scale.nominal(holds.pulse[used]) > scale.low) & (scale.nominal(holds.pulse[used]) < scale.high)
    used = used[inside]
    if len(used) < 10:
        return Found(0.0, 0.0, 0)
    local = scale.local(holds.rest[used])
    away = holds.rest[used] - scale.expected(holds.pulse[used]) + 0.5 * scale.hysteresis * holds.side[used]
    away = away / local
    away -= np.median(away)
    error = np.maximum(holds.error[used] / np.abs(local), 0.02 * DEGREE)
    # What a servo does at every arrival is scatter; a slip stands out from it.
    usual = 1.4826 * float(np.median(np.abs(away)))
    smooth = median_filter(away, size=3, mode="nearest")
    level = float(np.ptp(median_filter(away, size=9, mode="nearest")))
    single = np.abs(smooth) - 4.0 * usual - 2.0 * error
    out = int(np.count_nonzero(np.abs(away) > np.maximum(2.0 * DEGREE, 5.0 * usual) + 3.0 * error))
    value = max(level - 2.0 * usual, float(np.abs(smooth)[np.argmax(single)]) if single.max() > 0.0 else 0.0)
    if out >= 2:
        value = max(value, float(np.sort(np.abs(away))[-2]))
    return Found(max(value, 0.0), float(np.median(error)), len(used), "it came to rest beside where it used to")


def _moves_at_rest(trace: Trace, wiper: Array, holds: Holds, scale: Scale) -> Found:
    """Excursions of at least 25 ms from where the shaft stands, under pulses, with load and without."""
    step = float(np.median(np.diff(trace.t)))
    width = max(3, round(0.025 / step) | 1)
    smooth = median_filter(wiper, size=width, mode="nearest")
    worst, error = 0.0, 0.0
    powered = (holds.pulse > 0) & (holds.push == 0) & holds.whole
    for i in np.nonzero(powered)[0]:
        part = slice(int(holds.settled[i]), int(holds.last[i]) - width // 2)
        w = smooth[part]
        if len(w) < width:
            continue
        local = abs(float(scale.local(holds.rest[i])))
        middle = float(np.median(w))
        spread = 1.4826 * float(np.median(np.abs(w - middle)))
        limit = max(1.5 * DEGREE * local, 6.0 * spread, 4.0 * float(holds.spread[i]) / np.sqrt(0.6 * width))
        jump = np.abs(w - middle)
        beyond = jump > limit
        # A steady creep (giving way under a load) is no jump.
        if not beyond.any() or beyond.mean() > 0.5 or abs(holds.creep[i]) / local > 3.0 * DEGREE:
            continue
        if float(jump.max()) / local > worst:
            worst, error = float(jump.max()) / local, float(holds.spread[i]) / local / np.sqrt(0.6 * width)
    return Found(worst, error, int(powered.sum()), "it moved while it should have stood still")


def _protractor_jumps(trace: Trace, holds: Holds) -> Found:
    """Largest difference of protractor readings at the same pulse, from the same side, without load."""
    read = np.nonzero(np.isfinite(trace.horn))[0]
    if len(read) < 2:
        return Found(0.0, 0.0, 0)
    hold = np.searchsorted(holds.first, read, side="right") - 1
    keep = holds.free[hold]
    read, hold = read[keep], hold[keep]
    groups: dict[tuple[int, int], list[float]] = {}
    for k, i in zip(read, hold, strict=True):
        key = (round(holds.pulse[i] / 0.5e-6), int(holds.side[i]))
        groups.setdefault(key, []).append(float(trace.horn[k]))
    ranges = [max(g) - min(g) for g in groups.values() if len(g) >= 2]
    if not ranges:
        return Found(0.0, 0.0, 0)
    return Found(max(ranges), PROTRACTOR, len(read), "the horn stood elsewhere at the same pulse and feedback")
