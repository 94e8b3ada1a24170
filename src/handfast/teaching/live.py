"""Stillness while it happens: the same figures as for a whole recording, on the last second of samples."""

from __future__ import annotations

from collections import deque

import numpy as np

from handfast.bench.lines import joint_angles
from handfast.bench.parts import SIDES, Bench, Side
from handfast.geometry.rigid import Array
from handfast.teaching.stillness import REARM, STILL_SPREAD, STILL_TIME, smoothing

GLOW = 4.0
"""The lamp is dark at this many times the spread that counts as still."""


class LiveStillness:
    """Follows samples of feedback. A side is `still` when none of its joints moved for a while; `armed` once one of
    them has moved far enough from where it was last stored, or from where it was found."""

    def __init__(self, bench: Bench, sample: float = 0.01):
        self._bench = bench
        width = smoothing(sample)
        self._raw: deque[Array] = deque(maxlen=width)
        self._middle: deque[Array] = deque(maxlen=width)
        self._recent: deque[Array] = deque(maxlen=round(STILL_TIME / sample))
        self._from: dict[Side, Array] = {}
        self._led: set[Side] = set()

    def add(self, counts: Array) -> None:
        """One sample of counts (channels,): median against wild ones, then mean, as for a whole recording."""
        self._raw.append(joint_angles(self._bench, counts[None])[0])
        self._middle.append(np.median(np.array(self._raw), axis=0))
        self._recent.append(np.mean(np.array(self._middle), axis=0))
        if not self._from and len(self._recent) == self._recent.maxlen:
            for side in SIDES:
                self._from[side] = self._now(side)
        for side, begun in self._from.items():
            if np.abs(self._recent[-1][self._bench.columns(side)] - begun).max() >= REARM:
                self._led.add(side)

    def led(self, side: Side) -> bool:
        """Whether it has been led so far at any time since it was stored, though it may be back where it was."""
        return side in self._led

    def _now(self, side: Side) -> Array:
        part: Array = np.array(self._recent)[-20:, self._bench.columns(side)].mean(axis=0)
        return part

    def spread(self, side: Side) -> float:
        """Largest spread of a joint of that arm over the last 0.8 s, rad."""
        if len(self._recent) < (self._recent.maxlen or 0):
            return float("inf")
        return float(np.ptp(np.array(self._recent)[:, self._bench.columns(side)], axis=0).max())

    def still(self, side: Side) -> bool:
        """Whether the arm is held still."""
        return self.spread(side) < STILL_SPREAD

    def armed(self, side: Side) -> bool:
        """Whether it has moved enough since the last stored pose to be stored again."""
        return side in self._from and bool(np.abs(self._now(side) - self._from[side]).max() >= REARM)

    def stored(self, side: Side) -> None:
        """It was stored here."""
        self._from[side] = self._now(side)
        self._led.discard(side)

    def glow(self, sides: tuple[Side, ...]) -> int:
        """Brightness of the lamp, 0 to 255: brighter the stiller the arms are held."""
        worst = max(self.spread(side) for side in sides)
        if not np.isfinite(worst):
            return 0
        share = 1.0 - (worst - STILL_SPREAD / 4.0) / (GLOW * STILL_SPREAD)
        return round(255.0 * float(np.clip(share, 0.0, 1.0)))
