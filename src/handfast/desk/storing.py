"""A routine in the board's own memory: put there, asked for, erased."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from handfast.desk.work import Desk
from handfast.errors import HandfastError, InputError
from handfast.records.run import Mode
from handfast.units import counted

if TYPE_CHECKING:
    from handfast.board.knots import Thinned
    from handfast.desk.board import Open
    from handfast.desk.playing import Ready
    from handfast.routine.steps import Routine
    from handfast.sessions.without_host import Trims

ATTACH = 15.0
"""Speed at which a board takes each joint to the first knot, degrees/s."""


@dataclass(frozen=True)
class Prepared:
    """A routine that fits. run: whose trims it has, None for none; duration s; thin: its knots; off in rad."""

    ready: Ready
    run: int | None
    duration: float
    thin: Thinned
    ramp: int


@dataclass(frozen=True)
class InMemory:
    """What a board says it keeps: valid, knots, how many fit, duration s, channels, whether with our limits."""

    valid: bool
    knots: int
    room: int
    duration: float
    channels: tuple[int, ...]
    ours: bool


def prepare(
    desk: Desk, path: Path, routine: Routine, mode: Mode, overrule: list[str], run: int | None, untrimmed: bool,
    within: float,
) -> Prepared:  # fmt: skip
    """Check, work out the commands, thin them. Raises InputError for what fails, or does not fit (with the excess).

    run: the stored run whose trims are taken over, None for the newest that fits; untrimmed: none at all; within: how
    far the lines between knots may leave the commands, rad.
    """
    from handfast.bench.lines import joint_pulses
    from handfast.board.knots import fitting
    from handfast.board.loading import eighths, limits_of
    from handfast.desk.playing import prepare as checked
    from handfast.sessions.probe import parts
    from handfast.sessions.without_host import frames

    if not 0 < within < 0.2:
        raise InputError(
            f"{np.degrees(within):g}°", where="--within", expected="an angle above 0 and below 11°",
            next_step="0.3 is a good beginning",
        )  # fmt: skip
    ready = checked(desk, path, routine, mode, overrule, slowly=False)
    number: int | None = None
    trims: Trims = {}
    closed: Mapping[int, float] = {}
    if not untrimmed and mode != "raw":
        number, trims, closed = _trims(desk, ready, run)
    _, channels = limits_of(desk.bench)
    q, gaps = frames(ready.model, ready.motion, ready.creeps, trims, desk.bench.controller.frame, closed)
    pulses = np.zeros((len(q), 12), dtype=int)
    asked = joint_pulses(desk.bench, q, gaps)
    pulses[:, : asked.shape[1]] = np.vectorize(eighths)(asked)
    scale, ramp = np.zeros(12), 400
    travel = {part.channel: part.travel[1] - part.travel[0] for _, _, part in parts(desk.bench)}
    for channel, limits in channels.items():
        pulses[:, channel] = np.clip(pulses[:, channel], limits.travel_low, limits.travel_high)
        per_degree = (limits.travel_high - limits.travel_low) / np.degrees(travel[channel])
        scale[channel] = np.pi / 180.0 / per_degree
        ramp = min(ramp, max(1, round(ATTACH * desk.bench.controller.frame * per_degree)))
    try:
        thin = fitting(pulses, scale, within)
    except InputError as error:
        raise InputError(
            error.what, where=f"{routine.name}, {mode}", expected=error.expected, next_step=error.next_step
        ) from None
    return Prepared(ready, number, (len(q) - 1) * desk.bench.controller.frame, thin, ramp)


def _trims(desk: Desk, ready: Ready, number: int | None) -> tuple[int | None, Trims, Mapping[int, float]]:
    """The run whose trims fit, they, and the gaps that its jaws found; none if no run fits and none was asked for."""
    from handfast.sessions.jaws import found_of
    from handfast.sessions.without_host import trims_of
    from handfast.store.runs import list_runs, load_run

    if number is not None:
        run = load_run(desk.folder.database, number)
        if (run.routine, run.mode) != (ready.routine.name, ready.mode):
            raise InputError(
                f"run {number} played {run.routine}, {run.mode}",
                where="--run",
                expected=f"a run of {ready.routine.name}, {ready.mode}",
                next_step="name another, or none for the newest that fits",
            )
        return number, trims_of(ready.model, ready.motion, run), found_of(ready.motion, run)
    rows = list_runs(desk.folder.database)
    for n in [n for n, _, name, mode, _ in reversed(rows) if (name, mode) == (ready.routine.name, ready.mode)]:
        try:
            run = load_run(desk.folder.database, n)
            return n, trims_of(ready.model, ready.motion, run), found_of(ready.motion, run)
        except InputError:
            continue
    return None, {}, {}


def store(open_: Open, prepared: Prepared, hold: bool, repeats: int) -> InMemory:
    """Write it into a board with limits loaded. Raises HandfastError if the board refuses, with why and by how much."""
    from handfast.board.knots import store as send

    if not 1 <= repeats <= 255:
        raise InputError(counted(repeats, "time"), where="--repeat", expected="1 to 255", next_step="mend it")
    if not hold and prepared.ready.slow:
        raise InputError(
            "has not been played on a board since it was changed",
            where=prepared.ready.routine.name,
            expected="a routine that is known to go well, if it is to go on without a foot on the pedal",
            next_step=f"play it first: handfast run {prepared.ready.routine.name} --port PORT; or leave out --press",
        )
    send(open_.board, prepared.thin, prepared.ramp, hold, repeats)
    found = look(open_)
    if not found.valid or found.knots != len(prepared.thin.frames):
        raise HandfastError("the board took the routine, but does not tell it back as valid: store it once more")
    return found


def look(open_: Open) -> InMemory:
    """What the board keeps."""
    told = open_.board.ask("store_ask")
    identity = open_.board.identity
    assert told is not None
    assert identity is not None
    return InMemory(
        bool(told["valid"]), told["knots"], identity["knots"], 0.02 * told["frames"],
        tuple(n for n in range(12) if told["mask"] >> n & 1), told["stamp"] == open_.stamp,
    )  # fmt: skip


def erase(open_: Open) -> None:
    """Forget what the board keeps."""
    from handfast.board.knots import WRITING

    open_.board.ask("store_erase", WRITING)
