"""Ideal servos of the seedling bench behind wires that may be wrong, and a live board before them."""

from __future__ import annotations

import contextlib
from dataclasses import replace

import numpy as np

from handfast.board.loading import limits_of
from handfast.board.simulate import in_memory
from handfast.sessions.probe import parts
from support import seedling


class Wired:
    """The seedling bench's servos, ideal, behind wires that may be wrong. Angles rad by channel.

    crossed: pairs of channels whose wiper wires are exchanged; open: wipers that show noise of their own; ground: an
    arm whose wipers all wander together; sag mV; stops: (channel, angle) that a servo cannot pass; backwards: servos
    that go against their pulses; off_line: (channel, angle) by which a servo's pulses are off. move: called with the
    time in ms.
    """

    def __init__(self, **wrong):
        self.bench = seedling.bench()
        self.parts = {part.channel: part for _, _, part in parts(self.bench)}
        self.sides = {part.channel: side for side, _, part in parts(self.bench)}
        self.at = np.zeros(12)
        self.wrong, self.move = wrong, lambda ms, at: None
        self.rng = np.random.default_rng(1)

    def run(self, t_us, pulses_us, relay):
        """Rows of wiper mV, supply mV, currents mA."""
        out = np.zeros((len(pulses_us), 15), dtype=int)
        for n, pulses in enumerate(pulses_us):
            self.move(t_us // 1000 + n, self.at)
            for c, part in self.parts.items():
                if relay and pulses[c] > 0:
                    slope = part.pulse_slope or self.bench.servo_of(part).pulse_slope
                    goal = (pulses[c] * 1e-6 - part.pulse_at_zero) / slope
                    goal -= self.wrong.get("off_line", {}).get(c, 0.0)
                    goal *= -1.0 if c in self.wrong.get("backwards", ()) else 1.0
                    goal = min(goal, self.wrong.get("stops", {}).get(c, 9.0))
                    self.at[c] += np.clip(goal - self.at[c], -3e-3, 3e-3)
            if not relay:
                continue
            mV = np.array([2500.0] * 12)
            for c, part in self.parts.items():
                mV[c] = (part.wiper_at_zero + part.wiper_slope * self.at[c]) * 5000.0 / 1024.0
            shared = self.rng.normal(0.0, 400.0)
            for c in self.parts:
                if self.sides[c] == self.wrong.get("ground"):
                    mV[c] += shared
                if c in self.wrong.get("open", ()):
                    mV[c] = self.rng.uniform(0, 5000)
                if c in self.wrong.get("dead", ()):
                    mV[c] = 5.0
            for a, b in self.wrong.get("crossed", ()):
                mV[[a, b]] = mV[[b, a]]
            out[n, :12] = np.clip(np.rint(mV + self.rng.normal(0, 3.0, 12)), 0, 5000)
            out[n, 12] = 6000 - self.wrong.get("sag", 0) * (t_us // 1000 % 300 < 60)
            out[n, 12] += self.wrong.get("off", 0)
        return out

    def close(self):
        """Nothing to end."""


@contextlib.contextmanager
def looking(table=True, **wrong):
    """A live board before such servos: the host's end, limits (without tables, if so wished), and the servos."""
    wired = Wired(**wrong)
    limits, channels = limits_of(wired.bench)
    if not table:
        channels = {n: replace(c, wipers=(), pulses=(), follow=0) for n, c in channels.items()}
    board, _ = in_memory(wired, "test")
    with board:
        board.load(limits, channels)
        board.power_on()
        yield board, channels, wired
