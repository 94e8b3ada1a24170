"""One bench that is open in the browser: its edits, its answers, and who looks at what."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from handfast.bench.folder import BenchFolder
from handfast.desk import showing
from handfast.desk.editing import Editing, place_tcp
from handfast.desk.history import Entry
from handfast.desk.work import Desk, routines
from handfast.errors import HandfastError, InputError
from handfast.units import DEGREE, counted

if TYPE_CHECKING:
    from handfast.answers.ask import Answers
    from handfast.answers.facts import Facts
    from handfast.web.live import PageRun
    from handfast.web.reading import PageReading
    from handfast.web.tasks import Task
    from handfast.web.teaching import PageTeaching

MOST_LAWS = 400
"""Time laws of earlier plans that are kept, so that an edit plans only what it touches."""


@dataclass
class Asked:
    """A routine as it was last asked, at one state of the files."""

    facts: Facts
    answers: Answers
    version: int
    tried: Answers | None = None


@dataclass
class Place:
    """A bench folder under work. All of it is used from one thread, but for `solve` and `changes`."""

    folder: BenchFolder
    editing: Editing = field(init=False)
    desk: Desk | None = field(default=None, init=False)
    trouble: str = field(default="", init=False)
    version: int = field(default=0, init=False)
    asked: dict[str, Asked] = field(default_factory=dict, init=False)
    laws: dict[Any, Any] = field(default_factory=dict, init=False)
    work: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(1, "desk"), init=False)
    run: PageRun | None = field(default=None, init=False)
    playing: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(1, "playing"), init=False)
    teaching: PageTeaching | None = field(default=None, init=False)
    reading: PageReading | None = field(default=None, init=False)
    tasks: list[Task] = field(default_factory=list, init=False)
    working: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(1, "task"), init=False)
    trying: ThreadPoolExecutor = field(default_factory=lambda: ThreadPoolExecutor(1, "changes"), init=False)

    def open(self) -> None:
        """Read the files for the first time."""
        self.editing = Editing(self.folder)
        self.read()

    def close(self) -> None:
        """End what it works at."""
        if self.run is not None:
            self.run.halt("handfast was closed")
        for session in (self.teaching, self.reading):
            if session is not None:
                session.end()
        for task in self.tasks:
            task.end()
        self.working.shutdown(wait=False, cancel_futures=True)
        self.playing.shutdown(wait=False, cancel_futures=True)
        self.work.shutdown(wait=False, cancel_futures=True)
        self.trying.shutdown(wait=False, cancel_futures=True)

    @property
    def at_the_arms(self) -> bool:
        """Whether arms are played, taught or read just now."""
        return any(work is not None and work.going for work in (self.run, self.teaching, self.reading))

    @property
    def going(self) -> dict[str, Any]:
        """What goes on at the arms, as it was told last: for a page that comes while it does."""
        work = {"run": self.run, "teaching": self.teaching, "reading": self.reading}
        return {name: one.told for name, one in work.items() if one is not None and one.going and one.told}

    # -- files -------------------------------------------------------------------------------------------

    def read(self) -> None:
        """Take the bench as its files say now; where they cannot be read, the last state stays in sight."""
        self.version += 1
        self.asked.clear()
        try:
            self.desk = self.editing.desk()
            self.trouble = ""
        except HandfastError as error:
            self.trouble = str(error)

    def look(self) -> Entry | None:
        """Notice edits from outside."""
        entry = self.editing.history.look()
        if entry is not None:
            self.read()
        return entry

    @property
    def now(self) -> Desk:
        """The bench; refused while its files cannot be read."""
        if self.desk is None or self.trouble:
            raise InputError(
                f"the bench cannot be read as its files stand\n{self.trouble}",
                where=str(self.folder.root),
                next_step="mend the file, or undo the edit that broke it",
            )
        return self.desk

    # -- what is shown -----------------------------------------------------------------------------------

    def bench_state(self) -> dict[str, Any]:
        """The bench, what can be undone, and what is wrong with its files."""
        history = self.editing.history
        return {
            "bench": None if self.desk is None else showing.bench_shown(self.desk),
            "folder": str(self.folder.root),
            "path": str(self.folder.root),
            "version": self.version,
            "trouble": self.trouble,
            "undo": history.undoable,
            "redo": history.redoable,
            "batch": self.desk.measured[-1].batch if self.desk is not None and self.desk.measured else None,
        }

    def ask(self, name: str) -> Asked:
        """The answers about a routine, without changes."""
        from handfast.answers.ask import ask
        from handfast.answers.facts import facts_of

        found = self.asked.get(name)
        if found is None or found.version != self.version:
            desk = self.now
            if name not in [path.stem for path in desk.folder.routine_files()]:
                raise InputError(
                    f'no routine "{name}"', where=str(desk.folder.routines),
                    available=[path.stem for path in desk.folder.routine_files()], asked=name,
                    next_step="choose another one, or undo what took it away",
                )  # fmt: skip
            ((_, routine),) = routines(desk, [name])
            if len(self.laws) > MOST_LAWS:
                self.laws = {}
            facts = facts_of(desk.bench, routine, desk.measured, self.laws)
            found = Asked(facts, ask(facts, False), self.version)
            self.asked[name] = found
        return found

    def routine_state(self, name: str) -> dict[str, Any]:
        """Sheet and answers of a routine."""
        asked = self.ask(name)
        answers = asked.tried or asked.answers
        return {
            "name": name,
            "version": asked.version,
            "sheet": showing.sheet_shown(asked.facts, asked.answers),
            "answers": showing.answers_shown(answers),
            "tried": asked.tried is not None,
        }

    def motion_state(self, name: str) -> dict[str, Any]:
        """The whole motion of a routine, and which answers fail as a run plays it."""
        from handfast.desk.playing import failing

        asked = self.ask(name)
        fails = failing(self.now, asked.facts.routine)
        return {"name": name, "version": asked.version, "fails": fails, **showing.motion_shown(asked.facts)}

    def changes(self, asked: Asked) -> Answers:
        """The answers with changes tried: takes longer than asking, so that it comes after."""
        from handfast.answers.ask import ask
        from handfast.answers.facts import Facts

        if asked.tried is None:
            facts = asked.facts
            own = Facts(facts.model, facts.routine, facts.motion, facts.measured, dict(facts.laws))
            asked.tried = ask(own, True)
        return asked.tried

    def reach(self) -> dict[str, Any]:
        """What both arms reach."""
        return showing.reach_shown(self.now)

    # -- edits -------------------------------------------------------------------------------------------

    def solve(self, said: dict[str, Any]) -> dict[str, Any]:
        """Joint angles for a TCP that is being dragged."""
        import numpy as np

        from handfast.geometry.rigid import pose

        desk = self.now
        side = "left" if said["arm"] == "left" else "right"
        R, p = np.array(said["R"], dtype=float).reshape(3, 3), np.array(said["p_mm"], dtype=float) / 1e3
        near = np.array(said["near_deg"], dtype=float) * DEGREE
        if p.shape != (3,) or near.shape != (len(desk.bench.arm(side).joints),):
            raise InputError("a place needs three coordinates and an angle for each joint")
        if not (np.all(np.isfinite(R)) and np.all(np.isfinite(p)) and np.all(np.isfinite(near))):
            raise InputError("a place needs finite numbers")
        found = place_tcp(desk, side, pose(R, p), near)
        return {
            "q_deg": [round(float(x) / DEGREE, 4) for x in found.q],
            "short_mm": round(found.short * 1e3, 3),
            "turn_deg": round(found.turn / DEGREE, 2),
            "beyond_deg": round(max(found.beyond, 0.0) / DEGREE, 2),
        }

    def edit(self, said: dict[str, Any]) -> Entry | None:
        """One edit, as the page asks for it. Refused where the files have changed since the page saw them."""
        import numpy as np

        if self.look() is not None or int(said["version"]) != self.version:
            raise InputError(
                "the files were changed meanwhile, and were read anew; your edit was not written",
                where=str(self.folder.root),
                next_step="look at what is there now, then do it again",
            )
        editing, name = self.editing, str(said["routine"])
        desk = self.now
        step = said.get("step")
        number = None if step is None else int(step)
        value = said.get("value")
        entry: Entry | None
        match said["edit"]:
            case "pose":
                q = np.array(said["pose_deg"], dtype=float) * DEGREE
                entry = editing.set_pose(desk, name, _step(number), str(said["arm"]), q)
            case "figure":
                figure = None if value is None else float(value)
                entry = editing.set_figure(desk, name, number, str(said["key"]), figure)
            case "move":
                entry = editing.move_step(desk, name, _step(number), int(said["to"]))
            case "double":
                entry = editing.double_step(desk, name, _step(number))
            case "drop":
                entry = editing.drop_step(desk, name, _step(number))
            case "mirror":
                entry = editing.mirror_step(desk, name, _step(number))
            case "wait":
                entry = editing.add_wait(desk, name, _step(number), float(said["value"]))
            case "correct":
                entry = editing.correct(desk, name)
            case "change":
                entry = self._change(desk, name, str(said["question"]), str(said["words"]))
            case other:
                raise InputError(f'"{str(other)[:40]}" is no edit')
        if entry is not None:
            self.read()
        return entry

    def _change(self, desk: Desk, name: str, question: str, words: str) -> Entry | None:
        asked = self.ask(name)
        tried = self.changes(asked)
        for change in tried.of(question).changes:
            if change.words == words:
                return self.editing.apply_change(desk, name, asked.facts.routine, change)
        raise InputError("this change is not among those that were tried", asked=words, next_step="read them again")

    def calibrate(self) -> Entry | None:
        """Write what the bench's readings say of it; one edit, which can be undone."""
        from handfast.desk import measuring
        from handfast.web.tasks import fitted

        self.look()
        found, count = fitted(self.now)
        if not count:
            raise InputError("there are no readings yet", next_step="take some, or hand in a file of readings")
        measuring.apply(self.now, found, counted(count, "reading"))
        return self.taken(f"calibrated from {counted(count, 'reading')}")

    def taken(self, did: str) -> Entry | None:
        """Read anew what our own work has written."""
        entry = self.editing.history.look(did)
        if entry is not None:
            self.read()
        return entry

    def undo(self) -> Entry:
        """Take the last edit back."""
        self.look()
        entry = self.editing.history.undo()
        self.read()
        return entry

    def redo(self) -> Entry:
        """Do again what was undone last."""
        self.look()
        entry = self.editing.history.redo()
        self.read()
        return entry


def _step(number: int | None) -> int:
    if number is None:
        raise InputError("no step is named")
    return number


def inside(root: Path, name: str) -> Path:
    """A folder below `root`; a way out of it is refused."""
    path = (root / name).resolve()
    if path != root.resolve() and root.resolve() not in path.parents:
        raise InputError(
            "is not inside the folder that handfast was opened in",
            where=str(path),
            expected=f"a folder in {root}",
            next_step="start `handfast open` there, or with that bench",
        )
    return path
