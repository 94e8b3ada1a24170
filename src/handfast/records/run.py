"""What a run of a routine leaves: commands, feedback, supply, events, and where each pose came to rest."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from handfast.bench.parts import Side
from handfast.geometry.rigid import Array

Mode = Literal["raw", "trimmed", "corrected"]
NOTHING = 0.5
"""A gripper's servo that stays less behind than this, degrees, shows nothing between its jaws."""

MODES: tuple[Mode, ...] = ("raw", "trimmed", "corrected")


@dataclass(frozen=True)
class Rest:
    """One arm at rest at a taught pose: when (s), where the feedback came to rest, and how well that is known.

    target, feedback, command (joints,) rad of that arm; noise (joints,) rad, one standard deviation; moved
    (joints,): way of each joint's last driven motion, +1, -1, or 0; trims: how often the command was trimmed;
    supply V at its servos; load kg in its gripper; counts (joints,): the feedback at rest as it would show at the
    voltage of limp arms, whatever the bench's lines were, None where that is not known.
    """

    step: int
    side: Side
    row: int | None
    time: float
    target: Array
    feedback: Array
    command: Array
    noise: Array
    moved: Array
    trims: int
    supply: float
    load: float
    counts: Array | None = None


@dataclass(frozen=True)
class Grip:
    """Jaws that closed: when they had done so (s), the gap asked for then (m), and how much farther (rad) the command
    of their servo stands than its feedback, against before it touched anything.

    felt: whether that is as much as was wanted; if not, there was nothing between the jaws, or less than was thought.
    """

    step: int
    side: Side
    time: float
    gap: float
    behind: float
    felt: bool


@dataclass(frozen=True)
class Run:
    """One run. t (N,) s; command and feedback (N, K) rad; supply (N, 2) V at each arm; current (N, 2) A.

    sample (N,): which sample of the planned motion each frame belongs to; not kept with a stored run.
    """

    routine: str
    mode: Mode
    board: str
    started: str
    t: Array
    command: Array
    feedback: Array
    supply: Array
    current: Array
    step: np.ndarray
    rests: tuple[Rest, ...]
    notes: tuple[str, ...] = ()
    grips: tuple[Grip, ...] = ()
    sample: np.ndarray | None = None

    @property
    def missed_grips(self) -> tuple[str, ...]:
        """What is to be said of jaws that felt nothing, one sentence each."""
        return tuple(_missed(g) for g in self.grips if not g.felt)


def _missed(grip: Grip) -> str:
    at, behind = f"a gap of {grip.gap * 1e3:.1f} mm", abs(grip.behind) * 180.0 / np.pi
    if behind < NOTHING:
        return (
            f"The {grip.side} jaws felt nothing between them in step {grip.step + 1}, down to {at}: was the "
            "thing there, and the hand where it was taught?"
        )
    return (
        f"The {grip.side} jaws met something in step {grip.step + 1} but could not press as they should: at {at} their "
        f"servo stays {behind:.1f}° behind; see that grip_width_mm is right and that nothing else holds them open."
    )


def why_longer(mode: Mode) -> str:
    """Why a run takes longer than the routine's motion, in a few words."""
    if mode == "raw":
        return "joints are stirred before the start, and jaws close by feel"
    return "joints are stirred before the start, and at every pose the feedback is averaged and the command trimmed"
