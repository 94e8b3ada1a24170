"""A motion as it is laid down: samples of both arms, arrivals, timings, closings of jaws, and what falls short."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.bench.parts import Side
from handfast.geometry.rigid import Array
from handfast.motion.coordinated import Carried
from handfast.routine.steps import Routine

DT = 0.01
"""Time between two samples of a motion, s."""


@dataclass(frozen=True)
class Arrival:
    """A taught pose is reached: sample `sample` of `side` in step `step` (row `row` of a taught path)."""

    step: int
    side: Side
    sample: int
    row: int | None = None


@dataclass(frozen=True)
class Timing:
    """How long a moving part of a step takes, and the shortest time that would have been possible."""

    step: int
    sides: tuple[Side, ...]
    part: str
    start: float
    planned: float
    shortest: float
    possible: bool


@dataclass(frozen=True)
class Shortfall:
    """A place that the motion needs and an arm cannot reach: how far off, m, and how far past a stop, rad."""

    step: int
    side: Side
    part: str
    short: float
    beyond: float


@dataclass(frozen=True)
class Closing:
    """Jaws that close on a thing: samples at which they begin and should have it; gaps m at both, and its width m."""

    step: int
    side: Side
    thing: str
    begin: int
    end: int
    wide: float
    gap: float
    width: float


@dataclass(frozen=True)
class Motion:
    """A routine as motion, in N samples `DT` apart.

    q, qd, qdd (N, K); gaps (N, 2) m asked for between the pads; loads (N, 2) kg held by each gripper; load_offsets
    (N, 2, 3) m from the TCP in the axes of the last link; step (N, 2): the step each arm is in.
    """

    routine: Routine
    t: Array
    q: Array
    qd: Array
    qdd: Array
    gaps: Array
    loads: Array
    load_offsets: Array
    step: np.ndarray
    arrivals: tuple[Arrival, ...]
    timings: tuple[Timing, ...]
    shortfalls: tuple[Shortfall, ...]
    carries: tuple[Carried, ...] = ()
    closings: tuple[Closing, ...] = ()

    @property
    def duration(self) -> float:
        """Whole time, s."""
        return float(self.t[-1])
