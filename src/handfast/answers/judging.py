"""How an answer is judged: each question's limits, units and words, and what counts as failing."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np

from handfast.bench.parts import Bench
from handfast.geometry.rigid import Array

LIMITS: dict[str, tuple[float, float]] = {
    "reach": (0.0, 5.0),
    "lift": (1.0, 1.5),
    "pace": (1.0, 1.15),
    "clear": (0.0, 10.0),
    "meet": (0.0, 5.0),
    "together": (1.0, 1.5),
    "grip": (1.0, 2.0),
    "miss": (1.0, 1.5),
    "power": (1.0, 1.25),
    "heat": (0.0, 10.0),
}
"""Limit and enough of each question (common practice, no source); a bench can set its own."""

UNITS = {
    "reach": "°",
    "lift": "×",
    "pace": "×",
    "clear": "mm",
    "meet": "mm",
    "together": "×",
    "grip": "×",
    "miss": "×",
    "power": "×",
    "heat": "K",
}

ASKS = {
    "reach": "is every pose inside the joints' travel",
    "lift": "can every servo carry its load at every instant",
    "pace": "can the joints keep up with this timing",
    "clear": "do arms, table and things keep apart",
    "meet": "at each pass: do both grippers fit on the thing, and does it reach the taker",
    "together": "in each carry: does the relative pose stay within tolerance",
    "grip": "do the jaws hold: slip, twist, tilt; and does what is put down stand",
    "miss": "how far from the taught pose does the TCP land",
    "power": "do supply, wires and fuse carry the current",
    "heat": "how warm do the servos get when it is repeated",
}

MARGINS = {
    "reach": "degrees to the nearest stop",
    "lift": "available over needed torque",
    "pace": "time taken over the shortest possible",
    "clear": "millimetres left, dead motion taken off",
    "meet": "millimetres of room left, both arms' errors taken off",
    "together": "tolerance over error of the relative pose",
    "grip": "press that the jaws give over the press that holding needs, or lean that tips a thing over its lean",
    "miss": "tolerance over predicted miss",
    "power": "available over peak current",
    "heat": "degrees below the limit",
}

MOST = 99.0
"""Ratios are not told beyond this."""


@dataclass(frozen=True)
class Finding:
    """The worst of one question: margin, when (s), where and why in words, and which part it hangs on.

    subject: joint, arm or step that it hangs on, for the changes to work with. curve: margin over time, for
    the plot, or None.
    """

    margin: float
    when: float | None
    where: str
    why: str
    subject: dict[str, object] = field(default_factory=dict)
    curve: tuple[Array, Array] | None = None


@dataclass(frozen=True)
class Verdict:
    """A margin measured against the question's limits."""

    word: str
    room: float


def shown(value: float, places: int, edges: tuple[float, ...]) -> float:
    """A value rounded to some places, but never onto or over an edge that it lies below."""
    step = 10.0**-places
    rounded = round(value, places)
    for edge in edges:
        if value < edge <= rounded:
            rounded = round(math.ceil(edge / step - 1e-9) * step - step, places)
    return rounded


def room_text(room: float) -> str:
    """A room to two places, which never contradicts its verdict."""
    return f"{shown(room, 2, (0.0, 1.0)):.2f}"


def limits_of(bench: Bench, question: str) -> tuple[float, float]:
    """Limit and enough of a question on this bench."""
    for own in bench.questions:
        if own.name == question:
            return own.limit, own.enough
    return LIMITS[question]


def judge(bench: Bench, question: str, margin: float) -> Verdict:
    """room = (margin - limit) / (enough - limit): below 0 fails, up to 1 tight, from 1 holds."""
    limit, enough = limits_of(bench, question)
    room = (margin - limit) / (enough - limit)
    word = "fails" if room < 0 else "tight" if room < 1 else "holds"
    return Verdict(word, float(np.clip(room, -MOST, MOST)))
