"""Recordings made up sample by sample, so that what they show is known."""

from __future__ import annotations

import numpy as np

from handfast.bench.lines import counts_of
from handfast.records.recording import Event, Recording
from support import seedling

DT = 0.02


class Led:
    """Both arms of the seedling bench led about; angles in degrees, ten of them or five of one arm."""

    def __init__(self, start: np.ndarray | list[float], noise: float = 0.0, seed: int = 1):
        self.rows = [np.array(start, dtype=float)]
        self.said: list[tuple[int, str]] = []
        self.noise, self.rng = noise, np.random.default_rng(seed)

    @property
    def now(self) -> np.ndarray:
        """Where they are, (10,) degrees."""
        return self.rows[-1].copy()

    def move(self, to: dict[int, float], seconds: float = 1.0) -> Led:
        """Lead some joints (by column) to other angles along a smooth step."""
        start, end = self.now, self.now
        for column, angle in to.items():
            end[column] = angle
        count = round(seconds / DT)
        for k in range(1, count + 1):
            r = k / count
            self.rows.append(start + (3 * r**2 - 2 * r**3) * (end - start))
        return self

    def hold(self, seconds: float, sink: dict[int, float] | None = None) -> Led:
        """Keep still; `sink`: joints that sink by so many degrees within the first third."""
        count = round(seconds / DT)
        start = self.now
        for k in range(1, count + 1):
            row = start.copy()
            for column, by in (sink or {}).items():
                row[column] += by * min(1.0, max(0.0, 3.0 * k / count - 0.6))
            self.rows.append(row)
        return self

    def say(self, words: str) -> Led:
        """An event, now."""
        self.said.append((len(self.rows) - 1, words))
        return self

    def recording(self, hands: str = "unknown") -> Recording:
        """What the wire would have shown."""
        bench = seedling.bench()
        q = np.radians(np.array(self.rows))
        counts = np.full((len(q), bench.controller.channels), 512.0)
        for i, joint in enumerate(bench.joints):
            counts[:, joint.channel] = counts_of(joint, q[:, i])
        counts += self.noise * self.rng.normal(size=counts.shape)
        events = tuple(Event(n * DT, tuple(words.split())) for n, words in self.said)
        return Recording(np.arange(len(q)) * DT, counts, events, hands, (), "led.csv")
