"""A routine that is played from the page: who lets it move, what stops it, and what everybody sees meanwhile."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import groupby
from statistics import median
from typing import TYPE_CHECKING, Any

from handfast.desk.work import Desk, routines
from handfast.errors import HandfastError, InputError
from handfast.units import DEGREE, counted
from handfast.web.tasks import SEED, own_fault
from handfast.web.words import in_page

if TYPE_CHECKING:
    from handfast.desk.nudging import NudgedRun
    from handfast.desk.playing import Line

STATUS = 0.02
"""Board time between two looks at the board, s."""

SHOWN_EVERY = 0.1
"""Time between two lines that the page is told, s."""

KEYS = {
    "x": "x forth", "X": "x back", "y": "y forth", "Y": "y back", "z": "z forth", "Z": "z back", "s": "other steps",
    "\n": "on its mark", "n": "leave this pose out", "e": "leave out all others",
}  # fmt: skip
"""What the page calls the keys of a nudge."""

HOLDS = 0.3
"""Time for which a button that is held down lets arms move, s; the page says so again every 0.1 s (live.js)."""


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
    nudges: bool = False
    learned: bool = False
    told: dict[str, Any] = field(default_factory=dict)
    _stop: threading.Event = field(default_factory=threading.Event)
    _why: str = ""
    _shown: float = 0.0
    _due: float = 0.0
    _until: float = 0.0
    _holds_until: float = 0.0
    _keys: list[str] = field(default_factory=list)
    _heard: str = ""
    _share: float = 0.0
    _said: list[str] = field(default_factory=list)
    _last: dict[str, Any] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    # -- the operator --------------------------------------------------------------------------------------

    def may_move(self) -> bool:
        """Whether the arms may move now."""
        now = time.monotonic()
        lets = not self.held or now < self._holds_until or now < self._until
        return lets and not self._stop.is_set()

    def hold(self, on: bool) -> None:
        """The page's button is held down, or let go."""
        self._holds_until = time.monotonic() + HOLDS if on else 0.0

    def press(self, letter: str) -> None:
        """A key that moves a TCP towards its mark, or says that it is there; it lets the arms move for a moment."""
        from handfast.sessions.nudging import BUYS

        if letter not in KEYS:
            raise InputError(f"{letter!r} is no key of a nudge")
        with self._lock:
            self._keys.append(letter)
            self._heard = "Heard: " + ", ".join(
                f"{KEYS[one]}{f' {len(same)} times' if (same := list(group))[1:] else ''}"
                for one, group in groupby(self._keys)
            )
        self._until = time.monotonic() + BUYS
        self._tell()

    def _typed(self) -> str:
        with self._lock:
            letters, self._keys, self._heard = "".join(self._keys), [], ""
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
        except HandfastError as error:
            stopped = f"stopped: {self._why}; the arms went limp, and nothing goes on by itself"
            self._ended(stopped if self._why else in_page(error), nudged)
            return
        except Exception as error:  # whatever it is, the board was stopped, and nobody waits for it for ever
            self._ended(own_fault(error), nudged)
            return
        learned = self._learn(nudged)
        self.going = False
        number, run = done[0]
        lacking = [float(abs(rest.target - rest.feedback).max()) / DEGREE for rest in run.rests if not rest.row]
        middle = median(lacking) if lacking else 0.0
        self._show(
            f"played to its end as run {number} and stored; the servo power is off, and arms may sink", 1.0,
            landings=" ".join(
                [
                    f"Feedback came to rest within {middle:.2f}° of its target (middle of "
                    f"{counted(len(lacking), 'pose')}).",
                    *run.missed_grips,
                    "; ".join(learned[:2]),
                ]
            ),
        )  # fmt: skip

    def _line(self, line: Line) -> None:
        from handfast.bench.lines import joint_angles

        self._share = line.share
        self._due += STATUS
        wait = self._due - time.monotonic()
        if wait > 0 and self.port is None:  # a real board keeps its own time
            time.sleep(wait)
        now = time.monotonic()
        if now - self._shown < SHOWN_EVERY:
            return
        steps = line.steps[0] if line.steps[0] == line.steps[1] else " | ".join(s or "-" for s in line.steps)
        state = str(steps or "attaching")
        if line.waiting:
            state = "waiting for you: hold the button down. " + state
        elif self.held:
            state = "slowly, the first time: " + state
        figures = f"{line.supply:.2f} V, {line.current[0]:.1f} A left, {line.current[1]:.1f} A right"
        if line.worst:
            figures += f", {line.worst} {line.behind / DEGREE:.1f}° behind"
        q = joint_angles(self.desk.bench, line.counts[None])[0] / DEGREE
        self._show(state, line.share, figures=figures, q_deg=[round(float(v), 2) for v in q])

    def _show(self, state: str, share: float, **more: Any) -> None:
        self._shown = time.monotonic()
        self._last = {"state": state, "share": share, **more}
        self._tell()

    def _tell(self) -> None:
        self.told = {
            "going": self.going, "routine": self.routine, "held": self.held, "nudges": self.nudges,
            "said": list(self._said), "heard": self._heard, **self._last,
        }  # fmt: skip
        self.tell(self.told)

    def _ended(self, words: str, nudged: NudgedRun | None) -> None:
        """It ended early: what was done by then is kept."""
        self._show(words, 0.0)
        learned = self._learn(nudged)
        self.going = False
        self._show(words, 0.0, **({"landings": "; ".join(learned[:2])} if learned else {}))

    def _learn(self, nudged: NudgedRun | None) -> list[str]:
        """Lines on what the marks taught, which is written; none, if there are none."""
        try:
            learned = [] if nudged is None else nudged.learn()
        except HandfastError as error:
            return [f"Nothing was learned from its marks: {in_page(error)}"]
        except Exception as error:  # whatever it is, the arms are limp, and nobody waits for it for ever
            return [f"Nothing was learned from its marks: {own_fault(error)}"]
        self.learned = bool(learned)
        return [line.replace(str(self.desk.folder.routines / f"{self.routine}.toml"), self.routine) for line in learned]
