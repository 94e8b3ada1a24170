"""A routine that is played from the page: who lets it move, what stops it, and what everybody sees meanwhile."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from statistics import median
from typing import TYPE_CHECKING, Any

from handfast.desk.work import Desk, routines
from handfast.errors import HandfastError, InputError
from handfast.units import DEGREE
from handfast.web.tasks import SEED, own_fault

if TYPE_CHECKING:
    from handfast.desk.playing import Line

STATUS = 0.02
"""Board time between two looks at the board, s."""

SHOWN_EVERY = 0.1
"""Time between two lines that the page is told, s."""


@dataclass
class PageRun:
    """One run in real time. An operator for the desk: the page's button, and its STOP.

    port: of the board; None for simulated arms. overrule: questions whose failing answer shall not hinder it.
    nudges: whether it waits at its poses until their TCPs were moved onto their marks.
    tell: gets what the page shows, from the thread that plays. Motion is let by the button alone while the run is the
    first one since a change; STOP, a page that goes and a cut link all end it, and it never goes on by itself.
    """

    desk: Desk
    routine: str
    tell: Callable[[dict[str, Any]], None]
    port: str | None = None
    overrule: list[str] = field(default_factory=list)
    seed: int = SEED
    held: bool = False
    going: bool = True
    holding: bool = False
    nudges: bool = False
    learned: bool = False
    _stop: threading.Event = field(default_factory=threading.Event)
    _why: str = ""
    _shown: float = 0.0
    _due: float = 0.0
    _until: float = 0.0
    _keys: list[str] = field(default_factory=list)
    _share: float = 0.0
    _said: list[str] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    # -- the operator --------------------------------------------------------------------------------------

    def may_move(self) -> bool:
        """Whether the arms may move now."""
        lets = self.holding or not self.held or time.monotonic() < self._until
        return lets and not self._stop.is_set()

    def press(self, letter: str) -> None:
        """A key that moves a TCP towards its mark, or says that it is there; it lets the arms move for a moment."""
        from handfast.sessions.nudging import BUYS, WAYS

        if letter not in {*WAYS, "s", "n", "e", "\n"}:
            raise InputError(f"{letter!r} is no key of a nudge")
        with self._lock:
            self._keys.append(letter)
        self._until = time.monotonic() + BUYS

    def _typed(self) -> str:
        with self._lock:
            letters, self._keys = "".join(self._keys), []
        return letters

    def _asked(self, text: str) -> None:
        from handfast.sessions.nudging import HELP

        if HELP in text:  # the page has buttons for that
            return
        self._said = [*self._said, text.strip()][-6:]
        self._show("standing at a pose", self._share)

    def stops(self) -> bool:
        """Whether somebody wants it to stop."""
        return self._stop.is_set()

    def halt(self, why: str) -> None:
        """Stop, for a reason in words."""
        if not self._stop.is_set():
            self._why = why
            self._stop.set()

    # -- the run -------------------------------------------------------------------------------------------

    def play(self) -> None:
        """From checking to the end; whatever happens is told."""
        from handfast.desk.board import Simulated, opened
        from handfast.desk.nudging import NudgedRun
        from handfast.desk.playing import prepare, run_on_board

        nudged: NudgedRun | None = None
        learned: list[str] = []
        self._show("checking, then planning", 0.0)
        try:
            ((path, routine),) = routines(self.desk, [self.routine])
            ready = prepare(self.desk, path, routine, "corrected", self.overrule, self.nudges)
            self.held = ready.slow
            if self.nudges:
                nudged = NudgedRun(self.desk, path, ready.motion, self._typed, self._asked)
            with opened(self.desk, self.port, Simulated(seed=self.seed)) as found:
                self._due = time.monotonic()
                done = run_on_board(self.desk, found, ready, self, 1, self._line, lambda text: None, nudged)
            if nudged is not None:
                learned = nudged.learn()
                self.learned = bool(learned)
        except HandfastError as error:
            self.going = False
            said = (
                f"stopped: {self._why}; the arms went limp, and nothing goes on by itself" if self._why else str(error)
            )
            self._show(said, 0.0)
            return
        except Exception as error:  # whatever it is, the board was stopped, and nobody waits for it for ever
            self.going = False
            self._show(own_fault(error), 0.0)
            return
        self.going = False
        number, run = done[0]
        lacking = [float(abs(rest.target - rest.feedback).max()) / DEGREE for rest in run.rests if not rest.row]
        middle = median(lacking) if lacking else 0.0
        self._show(
            f"played to its end as run {number} and stored; the servo power is off, and arms may sink", 1.0,
            landings=" ".join(
                [
                    f"Feedback came to rest within {middle:.2f}° of its target (middle of {len(lacking)} poses).",
                    *run.missed_grips,
                    *learned[:2],
                ]
            ),
        )  # fmt: skip

    def _line(self, line: Line) -> None:
        self._share = line.share
        self._due += STATUS
        wait = self._due - time.monotonic()
        if wait > 0 and self.port is None:  # a real board keeps its own time
            time.sleep(wait)
        now = time.monotonic()
        if now - self._shown < SHOWN_EVERY:
            return
        steps = line.steps[0] if line.steps[0] == line.steps[1] else " | ".join(s or "-" for s in line.steps)
        text = (
            f"{steps or 'attaching'}: {line.supply:.2f} V, {line.current[0]:.1f} A left, {line.current[1]:.1f} A right"
        )
        if line.worst:
            text += f", {line.worst} {line.behind / DEGREE:.1f}° behind"
        if line.waiting:
            text = "waiting for you: hold the button down. " + text
        elif self.held:
            text = "slowly, the first time: " + text
        self._show(text, line.share)

    def _show(self, state: str, share: float, **more: Any) -> None:
        self._shown = time.monotonic()
        self.tell({"going": self.going, "held": self.held, "state": state, "share": share, "nudges": self.nudges,
                   "routine": self.routine, "said": list(self._said), **more})  # fmt: skip
