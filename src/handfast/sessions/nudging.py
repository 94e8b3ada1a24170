"""Nudging at a board: arms stand at a pose, and a maker at the keys moves a TCP onto its mark."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from handfast.bench.parts import Side
from handfast.geometry.rigid import Array
from handfast.motion.laid_down import Arrival
from handfast.routine.steps import Routine
from handfast.sessions.operator import InputEnded

WAYS = {"x": (1, 0, 0), "X": (-1, 0, 0), "y": (0, 1, 0), "Y": (0, -1, 0), "z": (0, 0, 1), "Z": (0, 0, -1)}
"""Keys that move a TCP along the world's axes: small letters forth, capitals back."""

STEPS = (0.2e-3, 0.5e-3, 2.0e-3)
"""How far one press may move it, m."""

MOST = 30e-3
"""A TCP is nudged no farther than this from where it came to rest, m: beyond it, something else is wrong."""

BUYS = 3.0
"""Time for which a press of a key lets arms move, s: millimetres, at a crawl."""

HELP = (
    "x X y Y z Z: its TCP forth and back along the world's axes; s: other steps; Enter: it is on its mark; "
    "n: leave this pose out; e: leave all others out; Esc or q: stop"
)


LONG, LONGER = 0.8, 2.5
"""A pedal held so long, s, means another way, and so long, that the TCP is on its mark."""

FOOT_HELP = (
    f"the pedal, both hands being free: short, a step; {LONG:g} s, the next of the six ways; {LONGER:g} s, on its mark"
)


class Foot:
    """The pedal in place of keys, while arms wait at a mark. changes: when it went down (True) or up, s of any one
    clock, all that are known; press: presses a key for it; say: tells the maker.

    Like keys, it is heard while arms move, too. A foot that held it down on the way to the mark comes off it first.
    """

    def __init__(
        self, changes: Callable[[], list[tuple[float, bool]]], press: Callable[[str], None], say: Callable[[str], None]
    ):
        self._changes, self._press, self._say = changes, press, say
        self._ways, self._way = list(WAYS), 0
        self._heard = float("-inf")
        self._since: float | None = None

    def comes_anew(self) -> None:
        """Arms have come to another mark: what was pressed before was not meant for it."""
        self._heard = max([self._heard, *(at for at, _ in self._changes())])
        self._since = None

    def look(self) -> None:
        """Take in what it did; what a press meant is known when it ends."""
        for at, down in [change for change in self._changes() if change[0] > self._heard]:
            self._heard = at
            if down:
                self._since = at
                continue
            held, self._since = None if self._since is None else at - self._since, None
            if held is None:
                continue
            if held >= LONGER:
                self._press("\n")
            elif held >= LONG:
                self._way = (self._way + 1) % len(self._ways)
                self._say(f"  the pedal moves it as {self._ways[self._way]} does")
            else:
                self._press(self._ways[self._way])


@dataclass(frozen=True)
class Mark:
    """A TCP on its mark: step, arm, feedback (joints,) rad there, and the way in which each joint turned last."""

    step: int
    side: Side
    feedback: tuple[float, ...]
    moved: tuple[int, ...]


class AtTheKeys:
    """Asks at every taught pose. keys: letters typed since the last time; idle: lets a little time pass; expected: how
    far off each pose is foreseen to be, m, by step and arm; learned: told the marks so far, says what came of them;
    ended: whether no more keys will come; foot: the pedal, if it takes the place of keys, too."""

    def __init__(
        self,
        routine: Routine,
        expected: dict[tuple[int, Side], float],
        keys: Callable[[], str],
        idle: Callable[[], None],
        say: Callable[[str], None],
        learned: Callable[[list[Mark]], str],
        ended: Callable[[], bool] = lambda: False,
        foot: Foot | None = None,
    ):
        self.foot = foot
        self.routine, self.expected = routine, expected
        self.keys, self.idle, self.say, self.learned, self.ended = keys, idle, say, learned, ended
        self.marks: list[Mark] = []
        self._typed = ""
        self._step = 1
        self._kept = self._over = False
        self._gone = np.zeros(3)

    def asks(self, arrival: Arrival) -> bool:
        """Until the maker has had enough of it."""
        if self._over:
            return False
        self._kept, self._gone = False, np.zeros(3)
        off = self.expected.get((arrival.step, arrival.side))
        foreseen = "" if off is None else f", foreseen {off * 1e3:.1f} mm off"
        self.say(f"{arrival.side} arm, step {self.routine.title(arrival.step)}{foreseen}: is its TCP on the mark?")
        self.say(f"  {HELP}")
        if self.foot is not None:
            self.say(f"  {FOOT_HELP}")
            self.foot.comes_anew()
        return True

    def way(self, arrival: Arrival) -> Array | None:
        """Waits for keys; those typed together are one way. Raises InputEnded if no more will come."""
        while True:
            if self.foot is not None:
                self.foot.look()
            self._typed += self.keys()
            way, beyond = np.zeros(3), 0
            while self._typed:
                letter, self._typed = self._typed[0], self._typed[1:]
                if letter in "\r\n":
                    if np.any(way):
                        # First there, then Enter.
                        self._typed = letter + self._typed
                        break
                    self._kept = True
                    return None
                if letter in "ne":
                    self._over = letter == "e"
                    self.say("  left out" if letter == "n" else "  left out, and all others")
                    return None
                if letter == "s":
                    self._step = (self._step + 1) % len(STEPS)
                    self.say(f"  {STEPS[self._step] * 1e3:g} mm at a press")
                elif letter in WAYS:
                    on = way + STEPS[self._step] * np.array(WAYS[letter])
                    fits = np.linalg.norm(self._gone + on) <= MOST + 1e-9
                    way, beyond = (on, beyond) if fits else (way, beyond + 1)
                elif letter.strip():
                    self.say(f"  {letter!r} says nothing here. {HELP}")
            if beyond:
                many = "1 press" if beyond == 1 else f"{beyond} presses"
                self.say(f"  {many} left out: no more than {MOST * 1e3:.0f} mm from where it came to rest")
            if np.any(way):
                self._gone += way
                x, y, z = self._gone * 1e3 + 0.0
                self.say(f"  {x:+.1f} {y:+.1f} {z:+.1f} mm from where it came to rest")
                return way
            if self.ended():
                raise InputEnded
            self.idle()

    def done(self, arrival: Arrival, feedback: Array, moved: Array) -> None:
        """What was brought onto its mark is learned from at once."""
        if not self._kept:
            return
        values = tuple(float(v) for v in feedback)
        self.marks.append(Mark(arrival.step, arrival.side, values, tuple(int(np.sign(w)) for w in moved)))
        self.say(f"  mark {len(self.marks)}: {self.learned(self.marks)}")
