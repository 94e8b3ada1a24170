"""Teaching by hand from the page: simulated arms are led by what is dragged there, or by a simulated hand."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

from handfast.bench.parts import SIDES, Side
from handfast.desk.work import Desk, routines
from handfast.errors import HandfastError, InputError
from handfast.units import DEGREE, counted
from handfast.web.tasks import SEED, own_fault
from handfast.web.words import in_page

if TYPE_CHECKING:
    from handfast.geometry.rigid import Array
    from handfast.records.recording import Event
    from handfast.routine.steps import Step

TOLD_EVERY = 0.1
"""s between two looks of the page at the arms."""

LEADS = 1400
"""ms in which the simulated hand leads an arm from one pose to the next."""

KEEPS = 1700
"""ms for which it holds an arm still there: a pose stores itself after less than a second."""

LETTERS = frozenset(" uabctprksd")
"""Keys of a session at the board that the page may press."""


@dataclass
class PageTeaching:
    """One session in real time. tell: gets what the page shows, from the thread that records.

    port: of the board whose arms a maker leads by hand; None for simulated arms, led from the page. resume: whether it
    goes on with the recording of that name.
    """

    desk: Desk
    name: str
    tell: Callable[[dict[str, Any]], None]
    port: str | None = None
    resume: bool = False
    going: bool = True
    routine: str | None = None
    told: dict[str, Any] = field(default_factory=dict)
    _end: threading.Event = field(default_factory=threading.Event)
    _keys: list[str] = field(default_factory=list)
    _planned: list[tuple[float, str]] = field(default_factory=list)
    _leading: list[str] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _hand: Path | None = None
    _now: float = 0.0
    _began: tuple[float, float] | None = None
    _told: float = 0.0
    _events: list[Event] = field(default_factory=list)
    _shown: dict[str, Any] = field(default_factory=lambda: {"lamp": 0, "cue": 0, "cues": 0, "told": [], "said": ""})

    # -- what the page does --------------------------------------------------------------------------------

    def end(self) -> None:
        """End the recording; what was recorded stays."""
        self._end.set()

    def press(self, letter: str) -> None:
        """A key of the session at the board."""
        if letter not in LETTERS:
            raise InputError(f"{letter!r} is no key of a teaching session")
        with self._lock:
            self._keys.append(letter)

    def lead(self, side: Side, q_deg: list[float], ms: float) -> None:
        """The hand leads one arm to joint angles in so many ms."""
        if len(q_deg) != len(self.desk.bench.arm(side).joints):
            raise InputError(f"{counted(len(q_deg), 'angle')} for the {side} arm")
        with self._lock:
            self._planned.clear()
            self._leading.append(_led(0.0, side, q_deg, ms))

    def let_go(self) -> None:
        """The hand lets go of both arms."""
        with self._lock:
            self._planned.clear()
            self._leading += [f"0 {side} free" for side in SIDES]

    def lead_through(self, name: str) -> None:
        """The simulated hand leads the arms through the poses of a routine and works the grippers as it says."""
        ((_, routine),) = routines(self.desk, [name])
        with self._lock:
            at = self._now * 1e3 + 100.0
            self._planned.clear()
            for step in routine.steps:
                at = self._plan(step, at)

    def _plan(self, step: Step, at: float) -> float:
        poses: dict[Side, list[tuple[float, ...]]] = {}
        for side in SIDES:
            said = step.taught(side)
            if said is not None and said.pose is not None:
                poses[side] = [said.pose]
            elif said is not None and said.path:
                poses[side] = list(said.path)
        if step.do in ("grip", "release"):
            letter = "c" if len(step.sides) == 2 else {"left": "a", "right": "b"}[step.sides[0]]
            self._planned.append((at, letter))
            return at + 1500.0
        if step.do in ("pass", "carry"):
            key = "k" if step.do == "carry" else "r" if step.giver == "right" else "p"
            self._planned.append((at, key))
            at += 200.0
        for n in range(max((len(rows) for rows in poses.values()), default=0)):
            for side, rows in poses.items():
                goal = [v / DEGREE for v in rows[min(n, len(rows) - 1)]]
                self._leading.append(_led(at, side, goal, LEADS))
            at += LEADS + KEEPS
        return at + (2500.0 if step.do == "pass" else 0.0)

    # -- the session ---------------------------------------------------------------------------------------

    def record(self) -> None:
        """From the beginning to the written routine; whatever happens is told."""
        from handfast.desk.board import Simulated, opened
        from handfast.desk.teaching import recording_path, teach_live
        from handfast.desk.work import free_routine, teach

        try:
            path = recording_path(self.desk, self.name, self.resume)
            free_routine(self.desk, self.name, False)
            with TemporaryDirectory() as place:
                self._hand = Path(place) / "hand.txt"
                self._hand.write_text("")
                hands = "held" if self.port is None else "unknown"
                with opened(self.desk, self.port, Simulated(seed=SEED, hand=self._hand)) as found:
                    teach_live(
                        self.desk, found, path, sides=SIDES, hands=hands, hold=[], by_itself=True, resume=self.resume,
                        seconds=None, keys=self._typed, ends=self._end.is_set, say=self._say, watching=self,
                    )  # fmt: skip
            _, routine, remarks = teach(self.desk, path, self.name, False)
            self.routine = routine.name
            words = f"{counted(len(routine.steps), 'step was', 'steps were')} taught: routine {routine.name}"
            more = [f"at {r.time:.1f} s: {r.text}" for r in remarks]
        except HandfastError as error:
            words, more = in_page(error), []
        except Exception as error:  # whatever it is, the arms are limp, and nobody waits for it for ever
            words, more = own_fault(error), []
        self.going = False
        self._hand = None
        kept = (self.desk.folder.recordings / f"{self.name}.csv").is_file()
        self._tell(ended=words, remarks=more, routine=self.routine, kept=kept)

    def _typed(self) -> str:
        """Called about every 20 ms of board time: keeps to real time, moves the hand, gives what was typed."""
        if self._began is None:
            self._began = (time.monotonic(), self._now)
        ahead = (self._now - self._began[1]) - (time.monotonic() - self._began[0])
        if ahead > 0.0 and self.port is None:
            time.sleep(min(ahead, 0.1))
        with self._lock:
            letters, self._keys = self._keys, []
            lines, self._leading = self._leading, []
            while self._planned and self._planned[0][0] <= self._now * 1e3:
                letters.append(self._planned.pop(0)[1])
        if lines and self._hand is not None:
            with self._hand.open("a", encoding="utf-8") as file:
                file.write("\n".join(lines) + "\n")
        return "".join(letters)

    def _say(self, text: str) -> None:
        if not text.startswith("  hold an arm"):
            self._shown["said"] = text.strip().replace("; h shows the keys", "")

    # -- what the board shows ------------------------------------------------------------------------------

    def sample(self, time: float, counts: Array) -> None:
        """Feedback: where the arms are."""
        from handfast.bench.lines import joint_angles

        self._now = time
        if time - self._told < TOLD_EVERY:
            return
        q = joint_angles(self.desk.bench, counts[None])[0] / DEGREE
        self._shown["q_deg"] = {side: [round(float(v), 2) for v in q[self.desk.bench.columns(side)]] for side in SIDES}
        self._tell()

    def lamp(self, level: int) -> None:
        """The lamp's brightness."""
        self._shown["lamp"] = level

    def cue(self, number: int) -> None:
        """The sounder plays something."""
        self._shown["cue"] = number
        self._shown["cues"] += 1

    def event(self, time: float, words: str) -> None:
        """Something was told to the recording; what was taken back is not shown any more."""
        from handfast.records.recording import event_of
        from handfast.teaching.routine_from import standing

        self._events.append(event_of(words, time, self.name))
        held = standing(tuple(self._events))
        self._shown["told"] = [{"time_s": round(event.time, 2), "words": event.text} for event in held]
        self._tell()

    def _tell(self, **more: Any) -> None:
        self._told = self._now
        self.told = {"name": self.name, "going": self.going, "time_s": round(self._now, 2), **self._shown, **more}
        self.tell(self.told)


def _led(at: float, side: Side, q_deg: list[float], ms: float) -> str:
    angles = " ".join(f"{v:.3f}" for v in q_deg)
    return f"{at:.0f} {side} joints {ms:.0f} {angles}"
