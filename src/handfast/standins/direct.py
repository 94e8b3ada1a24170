"""A controller in memory, straight in front of a stand-in: pulses in, averaged feedback out, frame by frame."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from handfast.bench.parts import Bench
from handfast.geometry.rigid import Array


class StandIn(Protocol):
    """Arms that answer pulses with wiper voltages."""

    @property
    def time_us(self) -> int:
        """Simulated time, µs."""

    def run(self, pulses: Array) -> Array:
        """A row of pulses (N, channels) s per ms; wiper V, supply V and both arms' A (N, channels + 3)."""

    def load(self, side: int, mass: float, offset: Sequence[float]) -> None:
        """What a hand holds, for a stand-in that has no things of its own."""


@dataclass(frozen=True)
class Frame:
    """What one frame showed: time at its end s, counts (channels,), supply V, current of each arm (2,) A."""

    time: float
    counts: Array
    supply: float
    current: Array


class DirectBoard:
    """Sends one pulse per channel and frame; reads every wiper `averaged` times late in the frame."""

    name = "simulated arms, in memory"
    feels = False
    """Whether jaws stop at what is between them: servo arms have no things."""

    def __init__(self, bench: Bench, arms: StandIn):
        self._arms, self._controller = arms, bench.controller
        self._frames = 0
        self._full = 2**bench.controller.wiper_bits

    def frame(self, pulses: Array) -> Frame:
        """Send `pulses` (channels,) s for one frame; 0 sends none."""
        step = self._controller.pulse_step
        sent = np.round(pulses / step) * step
        # In whole milliseconds, which together keep the frames' time.
        frame = self._controller.frame * 1e3
        begun = round(self._frames * frame)
        self._frames += 1
        out = self._arms.run(np.tile(sent, (round(self._frames * frame) - begun, 1)))
        # Wipers and supply are read in turn, so that both are means over the same while.
        quiet = out[-self._controller.averaged :]
        wipers = quiet[:, : len(pulses)]
        counts = np.clip(np.floor(wipers / self._controller.reference * self._full), 0, self._full - 1)
        supply = float(quiet[:, -3].mean())
        return Frame(self._arms.time_us / 1e6, counts.mean(axis=0), supply, quiet[:, -2:].mean(axis=0))

    def holds(self, side: int, mass: float, offset: Array) -> None:
        """Tell the stand-in what arm `side` has in its hand: a stand-in has no eyes for things."""
        self._arms.load(side, mass, tuple(offset))
