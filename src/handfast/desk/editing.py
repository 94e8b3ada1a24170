"""Edits of a bench and its routines, as texts that are checked before they are written."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from handfast.bench.folder import BenchFolder, read_bench
from handfast.desk.history import Entry, History
from handfast.desk.work import Desk, open_bench
from handfast.errors import InputError
from handfast.units import DEGREE

if TYPE_CHECKING:
    from handfast.answers.changes import Change
    from handfast.bench.parts import Bench
    from handfast.geometry.rigid import Array
    from handfast.routine.steps import Routine, Taught

STEP_FIGURES = ("time_s", "dwell_s", "pace", "tolerance_mm")
ROUTINE_FIGURES = ("pace", "tolerance_mm", "rest_s")


@dataclass(frozen=True)
class Solved:
    """Joint angles (joints,) rad of one arm for a wanted TCP: how far it is missed, m, rad, and past a stop, rad."""

    q: Array
    X_WT: Array
    short: float
    turn: float
    beyond: float


def place_tcp(desk: Desk, side: str, X_WT: Array, near: Array) -> Solved:
    """Joint angles that bring one arm's TCP to `X_WT` (4, 4), the nearest to `near` (joints,)."""
    from handfast.bench.parts import SIDES
    from handfast.mechanics.inverse import solve
    from handfast.mechanics.kinematics import tool_poses

    chain = _chain(desk.bench).only(SIDES.index("left" if side == "left" else "right"))
    found = solve(chain, X_WT, near)
    q = found.q[0]
    return Solved(q, tool_poses(chain, q)[0, 0], float(found.short[0]), float(found.turn[0]), float(found.beyond[0]))


_CHAINS: dict[int, tuple[Any, Any]] = {}


def _chain(bench: Bench) -> Any:
    """The chain of a bench, the same object as long as the bench is."""
    from handfast.mechanics.model import chain_of

    known = _CHAINS.get(id(bench))
    if known is None or known[0] is not bench:
        _CHAINS.clear()
        _CHAINS[id(bench)] = known = (bench, chain_of(bench))
    return known[1]


class Editing:
    """A bench folder that is open for edits."""

    def __init__(self, folder: BenchFolder):
        self.folder = folder
        self.history = History(folder)

    def _file(self, name: str) -> tuple[str, Path, str]:
        """Key in the history, path and present text of a routine's file."""
        key = f"routines/{name}.toml"
        text = self.history.texts.get(key)
        if text is None:
            raise InputError(
                f'no routine "{name}"',
                where=str(self.folder.routines),
                available=[path.stem for path in self.folder.routine_files()],
                asked=name,
                next_step="choose one of these",
            )
        return key, self.folder.root / key, text

    def _write(self, label: str, after: Mapping[str, str]) -> Entry | None:
        """Check texts as they will be read, then write them."""
        from handfast.files.document import parse_document
        from handfast.routine.file import routine_of

        bench = read_bench(self.folder, text=after.get("bench.toml", self.history.texts.get("bench.toml")))
        for name, text in after.items():
            if name.startswith("routines/"):
                routine_of(parse_document(text, self.folder.root / name), bench)
        return self.history.write(label, after)

    # -- steps -------------------------------------------------------------------------------------------

    def set_pose(self, desk: Desk, name: str, number: int, side: str, q: Array) -> Entry | None:
        """Another pose (joints,) rad of one arm in a step; how it was held and reached is kept, corrections are not."""
        from handfast.files.amend import amend
        from handfast.files.fields import rounded

        key, path, text = self._file(name)
        routine = self._routine(desk, name)
        taught = _taught(routine, path, number, side)
        if taught.pose is None:
            raise InputError(
                f"step {routine.title(number)} is a path",
                where=str(path),
                expected="a step with one pose for this arm",
                next_step="teach the path again, or correct it",
            )
        place = ("step", number, side)
        changes: list[Any] = [((*place, "pose_deg"), [rounded(float(x) / DEGREE) for x in q])]
        changes += [((*place, part), None) for part in ("command_deg", "nudge_mm")]
        return self._write(f"step {routine.title(number)}: {side} arm placed", {key: amend(text, changes)})

    def set_figure(self, desk: Desk, name: str, number: int | None, part: str, value: float | None) -> Entry | None:
        """A step's figure, or the routine's where `number` is None; None takes it out, so that its default holds."""
        from handfast.files.amend import amend

        key, path, text = self._file(name)
        known = ROUTINE_FIGURES if number is None else STEP_FIGURES
        if part not in known:
            raise InputError(f'"{part}" is no figure to set here', where=str(path), available=known, asked=part)
        routine = self._routine(desk, name)
        if number is None:
            said, place = name, ("routine", part)
        else:
            _known(routine, path, number)
            said, place = f"step {routine.title(number)}", ("step", number, part)  # type: ignore[assignment]
        return self._write(f"{said}: {_figure_said(part, number, value)}", {key: amend(text, [(place, value)])})

    def move_step(self, desk: Desk, name: str, number: int, to: int) -> Entry | None:
        """A step to another place of the order."""
        from handfast.routine.edit import moved_step

        key, path, text = self._file(name)
        title = _known(self._routine(desk, name), path, number)
        return self._write(f"step {title} moved to {to + 1}", {key: moved_step(text, path, number, to)})

    def double_step(self, desk: Desk, name: str, number: int) -> Entry | None:
        """A step once more after itself."""
        from handfast.routine.edit import doubled_step

        key, path, text = self._file(name)
        title = _known(self._routine(desk, name), path, number)
        return self._write(f"step {title} doubled", {key: doubled_step(text, path, number)})

    def drop_step(self, desk: Desk, name: str, number: int) -> Entry | None:
        """Take a step out."""
        from handfast.routine.edit import dropped_step

        key, path, text = self._file(name)
        title = _known(self._routine(desk, name), path, number)
        return self._write(f"step {title} taken out", {key: dropped_step(text, path, number)})

    def add_wait(self, desk: Desk, name: str, after: int, seconds: float) -> Entry | None:
        """A rest of both arms after a step."""
        from handfast.routine.edit import added_step

        key, path, text = self._file(name)
        _known(self._routine(desk, name), path, after)
        block = f'[[step]]\ndo = "wait"\ntime_s = {float(seconds)!r}\n'
        return self._write(f"a wait after step {after + 1}", {key: added_step(text, path, after, block)})

    def mirror_step(self, desk: Desk, name: str, number: int) -> Entry | None:
        """The arms of a step exchanged, each taking the other's place reflected between the bases."""
        from handfast.bench.parts import SIDES
        from handfast.files.amend import amend
        from handfast.files.fields import table_of

        key, path, text = self._file(name)
        routine = self._routine(desk, name)
        title = _known(routine, path, number)
        step = routine.steps[number]
        changes: list[Any] = []
        for side, other in zip(SIDES, reversed(SIDES), strict=True):
            taught = step.taught(other)
            made = None if taught is None else table_of(_mirrored(desk.bench, other, taught, title, path))
            if made is not None or step.taught(side) is not None:
                changes.append((("step", number, side), made))
        if step.arm in SIDES:
            changes.append((("step", number, "arm"), _other(str(step.arm))))
        if step.giver in SIDES:
            changes.append((("step", number, "giver"), _other(str(step.giver))))
        return self._write(f"step {title} mirrored", {key: amend(text, changes)})

    # -- changes that were tried -------------------------------------------------------------------------

    def apply_change(self, desk: Desk, name: str, routine: Routine, change: Change) -> Entry | None:
        """Write a change that was tried into the files that it concerns."""
        from handfast.files.amend import amend, differences
        from handfast.files.fields import table_of

        key, _, text = self._file(name)
        after: dict[str, str] = {}
        steps = list(differences(table_of(routine), table_of(change.routine)))
        if steps:
            after[key] = amend(text, steps)
        figures = list(differences(table_of(desk.bench), table_of(change.bench)))
        if figures:
            after["bench.toml"] = amend(self.history.texts.get("bench.toml") or "", figures)
            now = read_bench(self.folder, text=after["bench.toml"])
            left = list(differences(table_of(now), table_of(change.bench)))
            if left:
                raise InputError(
                    "a measured value stands in its way: " + ".".join(str(part) for part in left[0][0]),
                    where=str(self.folder.measured),
                    expected="a figure that only the design says",
                    next_step="make the change on the bench, then measure again",
                )
        return self._write(change.words, after)

    def correct(self, desk: Desk, name: str) -> Entry | None:
        """Commands rewritten so that the routine lands where it was taught."""
        from handfast.correction.correct import correct
        from handfast.files.amend import amend, differences
        from handfast.files.fields import table_of
        from handfast.mechanics.model import model_of

        key, _, text = self._file(name)
        routine = self._routine(desk, name)
        corrected = correct(model_of(desk.bench), routine).routine
        steps = list(differences(table_of(routine), table_of(corrected)))
        return self._write("routine corrected", {key: amend(text, steps)})

    def _routine(self, desk: Desk, name: str) -> Routine:
        from handfast.files.document import parse_document
        from handfast.routine.file import routine_of

        _, path, text = self._file(name)
        return routine_of(parse_document(text, path), desk.bench)

    def desk(self) -> Desk:
        """The bench as its files say now."""
        return open_bench(self.folder.root, self.folder.root)


_FIGURES = {
    "time_s": ("takes {} s", "takes as long as is sound"),
    "dwell_s": ("then stays {} s", "does not stay after it"),
    "pace": ("pace {}", "pace as of the routine"),
    "tolerance_mm": ("may miss by {} mm", "may miss by as much as the routine says"),
    "rest_s": ("rests {} s before it is repeated", ""),
}
"""Each figure in words: as it is set, and what holds for a step where it is left out."""


def _figure_said(part: str, number: int | None, value: float | None) -> str:
    """A figure of a step, or of the routine where `number` is None."""
    given, left_out = _FIGURES[part]
    if value is not None:
        return given.format(f"{value:g}")
    return left_out if number is not None else f"{part.partition('_')[0]} as usual"


def _other(side: str) -> str:
    return "right" if side == "left" else "left"


def _known(routine: Routine, path: Path, number: int) -> str:
    """A step's title; refused if there is none."""
    if not 0 <= number < len(routine.steps):
        raise InputError(
            f"there is no step {number + 1}",
            where=str(path),
            expected=f"1 to {len(routine.steps)}",
            next_step="read the routine again: it may have been changed meanwhile",
        )
    return routine.title(number)


def _taught(routine: Routine, path: Path, number: int, side: str) -> Taught:
    title = _known(routine, path, number)
    taught = routine.steps[number].taught(side)
    if taught is None:
        raise InputError(
            f"step {title} has no pose of the {side} arm", where=str(path), expected="a step of this arm",
            next_step="choose another step",
        )  # fmt: skip
    return taught


def _mirrored(bench: Bench, side: str, taught: Taught, title: str, path: Path) -> Taught:
    """What one arm was taught, as the other arm takes it. No hand was there: how it was held is not known."""
    from dataclasses import replace

    import numpy as np

    from handfast.bench.parts import SIDES
    from handfast.mechanics.inverse import solve
    from handfast.mechanics.kinematics import tool_poses
    from handfast.mechanics.mirror import mirrored

    chain = _chain(bench)
    arm = SIDES.index("left" if side == "left" else "right")
    mine, other = chain.only(arm), chain.only(1 - arm)
    near: Any = 0.5 * other.travel.sum(axis=1)

    def again(row: tuple[float, ...], near: Any) -> Any:
        ways = [solve(other, X_WT, near) for X_WT in mirrored(chain, tool_poses(mine, np.array(row))[0, 0])]
        found = min(ways, key=lambda way: (way.short[0] > 1e-4, max(way.beyond[0], 0.0)))
        if found.short[0] > 1e-4 or found.beyond[0] > 1e-6:
            raise InputError(
                f"the other arm cannot take the place of step {title}",
                where=str(path),
                expected="a place that both arms reach alike",
                next_step=f"it is {found.short[0] * 1e3:.1f} mm too far, or {max(found.beyond[0], 0) / DEGREE:.1f}° "
                "past a stop: move the pose first",
            )
        return found.q[0]

    pose = None if taught.pose is None else tuple(float(x) for x in again(taught.pose, near))
    rows = None
    if taught.path is not None:
        made = []
        for row in taught.path:
            near = again(row, near)
            made.append(tuple(float(x) for x in near))
        rows = tuple(made)
    return replace(
        taught, pose=pose, path=rows, command=None, path_command=None, held="unknown", arrived="", spread=None,
        nudge=None, at=None,
    )  # fmt: skip
