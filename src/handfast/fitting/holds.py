"""A servo's trace cut into the stretches during which nothing was asked of it anew, and where it came to rest.

The cutting looks at pulses, loads and pushes only, so that a sweep of any make can be read.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from handfast.bench.parts import Servo
from handfast.geometry.rigid import Array
from handfast.records.trace import Trace
from handfast.units import DEGREE

SAME_PULSE = 0.3e-6
"""Pulses closer than this are one pulse, s."""

_QUICK = 0.05  # s; shorter stretches are parts of a ramp
_REACT = 0.25  # s; dead time and the last creeping, before a servo counts as settled
_SLUGGISH = 2.0  # times the claimed time of a move that a slow servo is given


@dataclass(frozen=True)
class Holds:
    """M stretches of standing pulse, load and push, in order of time; arrays (M,).

    first, last: samples of the stretch (last excluded); settled: first sample of its settled part, start_settled
    its time; start, length s. pulse s (0: none), before: pulse of the stretch before (0 at the start), load N·m,
    push. side: sign of the last pulse change of at least 2 degrees (0 if there was none). rest: mean wiper of the
    settled part, error: its standard error, spread: standard deviation, creep: change per second, all shares of
    the range. whole: whether the settled part had time enough. ramp: whether the stretch is a moment of a ramp.
    """

    first: np.ndarray
    last: np.ndarray
    settled: np.ndarray
    start: Array
    start_settled: Array
    length: Array
    pulse: Array
    before: Array
    load: Array
    push: np.ndarray
    side: np.ndarray
    rest: Array
    error: Array
    spread: Array
    creep: Array
    whole: np.ndarray
    ramp: np.ndarray

    @property
    def moved(self) -> Array:
        """Change of pulse into each stretch, s; 0 where there were no pulses before or after."""
        both = (self.pulse > 0) & (self.before > 0)
        return np.where(both, self.pulse - self.before, 0.0)

    @property
    def free(self) -> np.ndarray:
        """Stretches with pulses, without load and push."""
        return np.asarray((self.pulse > 0) & (self.load == 0.0) & (self.push == 0) & ~self.ramp)


@dataclass(frozen=True)
class Cleaned:
    """Feedback without wild samples: wiper (N,) with them bridged, wild (N,) where they were, and the noise."""

    wiper: Array
    wild: np.ndarray
    noise: float


def cleaned(trace: Trace) -> Cleaned:
    """Bridge single wild samples. Noise is the standard deviation that the sample-to-sample changes show."""
    w = trace.wiper
    change = np.diff(w)
    # Changes of resting samples: differences of white noise have sqrt(2) times its spread; MAD to SD: 1.4826.
    noise = max(1.4826 * float(np.median(np.abs(change - np.median(change)))) / np.sqrt(2.0), 0.3 * trace.step)
    middle = median_filter(w, size=5, mode="nearest")
    wild = np.abs(w - middle) > max(8.0 * noise, 3.0 * trace.step)
    # A fast move is no wild sample: there the median of five lies on the same slope.
    steep = np.abs(np.gradient(middle)) > 2.0 * noise
    wild &= ~steep
    return Cleaned(np.where(wild, middle, w), wild, noise)


def holds_of(trace: Trace, wiper: Array, servo: Servo) -> Holds:
    """Cut a trace; `wiper` (N,) is its feedback without wild samples."""
    t, pulse = trace.t, trace.pulse
    anew = (
        (np.abs(np.diff(pulse)) > SAME_PULSE)
        | (np.abs(np.diff(trace.load)) > 1e-3 * servo.stall_torque)
        | (np.diff(trace.push) != 0)
        | (np.diff(t) > 0.5)
    )
    first = np.concatenate([[0], np.nonzero(anew)[0] + 1])
    last = np.append(first[1:], len(t))
    start = t[first]
    length = t[np.minimum(last, len(t) - 1)] - start
    at = pulse[first]
    before = np.concatenate([[0.0], at[:-1]])
    per_pulse = 1.0 / servo.pulse_slope
    move = np.where((at > 0) & (before > 0), (at - before) * per_pulse, 0.0)
    side = np.zeros(len(first), dtype=int)
    now = 0
    for i, step in enumerate(move):
        if abs(step) >= 2.0 * DEGREE:
            now = 1 if step > 0 else -1
        elif at[i] <= 0 or before[i] <= 0:
            now = 0
        side[i] = now
    wait = _REACT + _SLUGGISH * np.abs(move) / servo.no_load_speed + 0.05
    # A weight that comes on, or pulses that come back, throw the shaft about for a while.
    other = np.concatenate([[True], (np.diff(trace.load[first]) != 0) | (np.diff(trace.push[first]) != 0)])
    other |= (at > 0) != (before > 0)
    wait = np.where(other, 0.6, wait)
    wait = np.where((at <= 0) & (length < 2.0), 0.25 * length, wait)
    wait = np.where((np.abs(move) < 2.0 * DEGREE) & ~other, np.minimum(0.17, 0.6 * length), wait)
    whole = wait <= 0.7 * length
    wait = np.where(whole, wait, 0.6 * length)
    settled = np.searchsorted(t, start + wait)
    settled = np.clip(settled, first, last - 1)
    count = last - settled

    # Sums over each settled part from running sums, about the middle value so that they stay accurate.
    zero = float(np.median(wiper))
    y = wiper - zero
    x = t - t[0]

    def total(values: Array) -> Array:
        run = np.concatenate([[0.0], np.cumsum(values)])
        return np.asarray(run[last] - run[settled])

    mean = total(y) / count
    mean_t = total(x) / count
    var = np.maximum(total(y * y) / count - mean**2, 0.0)
    var_t = np.maximum(total(x * x) / count - mean_t**2, 1e-12)
    creep = (total(x * y) / count - mean * mean_t) / var_t
    spread = np.sqrt(np.maximum(var, trace.step**2 / 12.0))
    return Holds(
        first=first,
        last=last,
        settled=settled,
        start=start,
        start_settled=t[settled],
        length=length,
        pulse=at,
        before=before,
        load=trace.load[first],
        push=trace.push[first],
        side=side,
        rest=mean + zero,
        error=spread / np.sqrt(count),
        spread=spread,
        creep=np.where(count >= 4, creep, 0.0),
        whole=whole & (count >= 3),
        ramp=length < _QUICK,
    )
