"""Find where hand-led arms were held still, which way each joint last moved, and how the pose was held."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.bench.lines import joint_angles, noise_angles
from handfast.bench.parts import Bench, Side
from handfast.geometry.rigid import Array
from handfast.records.recording import Recording
from handfast.routine.steps import LIKELY
from handfast.units import DEGREE

STILL_TIME = 0.8
"""An arm is still after this long without motion, s (common practice, no source: 0.8-1.5 s)."""

STILL_SPREAD = 1.2 * DEGREE
"""Largest spread of any joint while still (common practice, no source: 3-5 counts)."""

REARM = 3.0 * DEGREE
"""A new pose needs at least this much motion of some joint since the last one."""

CLEAR_MOVE = 0.3 * DEGREE
"""Smallest last motion whose direction is believed."""

CLEAR_DOUBT = 4.5
"""Standard deviations of the difference of two means by which it must stand out."""

LONGEST = 2.5
"""Longest stillness that is averaged, s: a hand tires (common practice, no source)."""

WILD = 4.0
"""A reading farther from the middle than so many standard deviations is wild (common practice, no source)."""

LENGTHS = (1, 5, 11, 21)
"""Lengths of the means, in samples, in which a last motion is looked for."""


@dataclass(frozen=True)
class StillPose:
    """One arm held still. q, spread (joints,) rad; arrived (joints,): +1, -1 or 0; sag (joints,) rad: how far
    the feedback sank inside the pose."""

    side: Side
    start: float
    end: float
    q: Array
    spread: Array
    arrived: np.ndarray
    sag: Array


def smoothing(sample: float) -> int:
    """Samples in a filter of 0.1 s, an odd number, at least 5."""
    return max(5, round(0.1 / sample) // 2 * 2 + 1) if sample < 0.02 - 1e-9 else 5


def filtered(recording: Recording, bench: Bench) -> Array:
    """Joint angles (N, K) of a recording: median against wild samples, then mean, each of 0.1 s (5 x 20 ms)."""
    from scipy.ndimage import median_filter, uniform_filter1d

    q = joint_angles(bench, recording.counts)
    width = smoothing(float(np.median(np.diff(recording.t))))
    smooth = median_filter(q, size=(width, 1), mode="nearest")
    result: Array = uniform_filter1d(smooth, width, axis=0, mode="nearest")
    return result


def still_poses(recording: Recording, bench: Bench, side: Side, q: Array) -> list[StillPose]:
    """The poses at which one arm was held still, in order of time.

    A pose begins when no joint moved by more than `STILL_SPREAD` for `STILL_TIME`, and ends when one does; the
    next one needs `REARM` of motion first. Its angles are the mean of the last 0.5 s of stillness, and of up to
    `LONGEST` if the feedback kept its place that long.
    """
    part = bench.columns(side)
    angles, raw, t = q[:, part], joint_angles(bench, recording.counts)[:, part], recording.t
    dt = float(np.median(np.diff(t)))
    width = max(3, round(STILL_TIME / dt))
    if len(t) <= width:
        return []
    windows = np.lib.stride_tricks.sliding_window_view(angles, width, axis=0)
    quiet = np.ptp(windows, axis=-1).max(axis=1) < STILL_SPREAD  # the window that begins at each sample
    noise = noise_angles(bench)[part]
    poses: list[StillPose] = []
    begin, stood = 0, -1
    while begin < len(quiet):
        if not quiet[begin]:
            begin += 1
            continue
        end = begin
        while end + 1 < len(quiet) and quiet[end + 1]:
            end += 1
        first, last = begin, end + width - 1
        begin = end + 1
        last = first + _departed(angles[first : last + 1], noise)
        tail = _tail(angles, first, last, dt, noise)
        pose = _mean(raw[tail])
        if poses and np.abs(pose - poses[-1].q).max() < REARM:
            continue
        settled = _settled(angles[first : last + 1], noise)
        spread = np.hypot(angles[tail].std(axis=0), noise / np.sqrt(5.0))
        way, latest = last_motions(angles[: first + settled + 1], noise, angles[first + settled + 1 : last + 1])
        # A joint that has stood still since the pose before, while others moved, may have gone over unseen.
        arrived = np.where((latest <= stood) & (latest.max() > stood), LIKELY, 1.0) * way
        stood = last
        drop = _drop(angles[first + settled : last + 1], max(3, round(0.16 / dt)))
        poses.append(StillPose(side, float(t[first]), float(t[last]), pose, spread, arrived, drop))
    return poses


def _tail(angles: Array, first: int, last: int, dt: float, noise: Array) -> slice:
    """The longest part of a stillness, up to 0.2 s before its end, in both halves of which all joints stand alike.

    At least the half second before that; at most `LONGEST`.
    """
    stop = max(last - round(0.2 / dt), first + 1)
    tail = slice(max(first, stop - round(0.5 / dt)), stop)
    room = (stop - first) * dt - 0.25
    for seconds in np.arange(min(LONGEST, room), 0.75, -0.25):
        start, half = stop - round(seconds / dt), round(0.5 * seconds / dt)
        moved = np.abs(angles[start : start + half].mean(axis=0) - angles[start + half : stop].mean(axis=0))
        if np.all(moved < np.maximum(3.5 * noise / np.sqrt(half), 0.03 * DEGREE)):
            return slice(start, stop)
    return tail


def _mean(raw: Array) -> Array:
    """Mean (joints,) of readings at rest (N, joints), wild ones left out.

    The mean of medians of five, by which poses are found, is a tenth less sure (by simulation).
    """
    away = np.abs(raw - np.median(raw, axis=0))
    usual = 1.4826 * np.median(away, axis=0)
    good = away <= np.maximum(WILD * usual, 0.3 * DEGREE)
    result: Array = np.where(good, raw, 0.0).sum(axis=0) / good.sum(axis=0)
    return result


def pose_at(recording: Recording, bench: Bench, side: Side, q: Array, time: float) -> StillPose:
    """The pose of one arm in the last half second before `time`, whether it was still or not."""
    part, t = bench.columns(side), recording.t
    last = max(2, int(np.searchsorted(t, time, side="right")))
    first = max(0, min(int(np.searchsorted(t, time - 0.5)), last - 3))
    noise = noise_angles(bench)[part]
    angles = q[first:last, part]
    spread = np.hypot(angles.std(axis=0), noise / np.sqrt(5.0))
    arrived = last_motion(q[:last, part], noise)
    end = float(t[last - 1])
    return StillPose(side, float(t[first]), end, angles.mean(axis=0), spread, arrived, np.zeros(len(noise)))


def _settled(angles: Array, noise: Array) -> int:
    """Index in a still pose at which the hand's last motion has died away: five samples within the noise.

    The filter's samples share most of their readings, so five of them differ by about their standard deviation.
    """
    limit = np.maximum(2.5 * noise / np.sqrt(5.0), 0.08 * DEGREE)
    for n in range(len(angles) // 2):
        if np.all(np.ptp(angles[n : n + 5], axis=0) < limit):
            return n
    return len(angles) // 2


def _departed(angles: Array, noise: Array) -> int:
    """Index in a still pose of the last sample that is as still as its later middle.

    A window of stillness takes in the beginning of the next motion, up to its whole spread if that motion begins
    slowly, and must not be drawn along by it.
    """
    level = np.median(angles[2 * len(angles) // 5 : 9 * len(angles) // 10 + 1], axis=0)
    near = np.all(np.abs(angles - level) < np.maximum(3.0 * noise / np.sqrt(5.0), 0.15 * DEGREE), axis=1)
    found = np.flatnonzero(near)
    return int(found[-1]) if len(found) else len(angles) - 1


def _drop(angles: Array, width: int) -> Array:
    """Change (joints,) of the feedback from the first `width` samples of a still pose to its last `2 width`."""
    if len(angles) < 4 * width:
        return np.zeros(angles.shape[1])
    result: Array = angles[-2 * width - 3 : -3].mean(axis=0) - angles[:width].mean(axis=0)
    return result


def last_motion(angles: Array, noise: Array, after: Array | None = None) -> np.ndarray:
    """Way (joints,) in which each joint last moved clearly before the end of `angles` (N, joints); 0 if never.

    From the end backwards, the first excursion from the end value that is larger than `CLEAR_MOVE` and `CLEAR_DOUBT`
    of its noise tells where the joint came from. Longer means show smaller motions, but later:
    each length in `LENGTHS` is tried, and the latest motion counts. after (M, joints): the stillness that follows,
    over which the end value is averaged.
    """
    return last_motions(angles, noise, after)[0]


def last_motions(angles: Array, noise: Array, after: Array | None = None) -> tuple[np.ndarray, np.ndarray]:
    """The same, and at which sample (joints,) that motion was seen last; -1 if never."""
    from scipy.ndimage import uniform_filter1d

    way = np.zeros(angles.shape[1], dtype=int)
    latest = np.full(angles.shape[1], -1)
    rest = angles[-3:] if after is None or not len(after) else np.concatenate([angles[-3:], after])
    for length in LENGTHS:
        if length > len(angles):
            break
        last = angles[-3:] if length == 1 else rest[: max(3, length)]
        # The samples come filtered over five. Both means are in doubt.
        doubt = noise * np.sqrt(1.0 / (length + 4.0) + 1.0 / (len(last) + 4.0))
        threshold = np.maximum(CLEAR_MOVE, CLEAR_DOUBT * doubt)
        smooth = uniform_filter1d(angles, length, axis=0, mode="nearest")
        end = last.mean(axis=0)
        for joint in range(angles.shape[1]):
            apart = end[joint] - smooth[:, joint]
            far = np.nonzero(np.abs(apart) > threshold[joint])[0]
            if len(far) and far[-1] > latest[joint]:
                latest[joint] = far[-1]
                way[joint] = int(np.sign(apart[far[-1]]))
    return way, latest
