"""What a user does, one function each: they compose rooms and hold no algorithm."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from handfast.bench.folder import BenchFolder, find_bench, read_bench
from handfast.bench.measured import Measured, read_measured
from handfast.bench.parts import Bench
from handfast.errors import InputError
from handfast.records.run import MODES, Mode
from handfast.units import DEGREE

if TYPE_CHECKING:
    from handfast.answers.ask import Answers
    from handfast.correction.correct import Correction
    from handfast.landing.predict import Landing
    from handfast.records.run import Run
    from handfast.routine.steps import Routine
    from handfast.teaching.routine_from import Remark


@dataclass(frozen=True)
class Desk:
    """A bench that is open for work."""

    folder: BenchFolder
    bench: Bench
    measured: tuple[Measured, ...]


def open_bench(start: Path, given: Path | None = None) -> Desk:
    """Find and read a bench: `given`, or the nearest one from `start` upwards."""
    folder = find_bench(start, given)
    measured = read_measured(folder.measured) if folder.measured.exists() else ()
    return Desk(folder, read_bench(folder), measured)


def routines(desk: Desk, names: list[str]) -> list[tuple[Path, Routine]]:
    """The routines asked for, all of them if none is named."""
    from handfast.routine.file import find_routines, read_routine

    return [(path, read_routine(path, desk.bench)) for path in find_routines(desk.folder, names)]


def check(desk: Desk, routine: Routine, try_changes: bool = True) -> Answers:
    """All questions about a routine on this bench."""
    from handfast.answers.ask import ask
    from handfast.answers.facts import facts_of

    return ask(facts_of(desk.bench, routine, desk.measured), try_changes)


LONGEST_NAME = 60
"""Letters of a routine's name: files, the sheet and the store show it."""


def check_name(name: str) -> None:
    """Raises InputError unless a routine can be called so."""
    plain = bool(name) and name == Path(name).name and not name.startswith(".") and name.isprintable()
    if not plain or name != name.strip() or len(name) > LONGEST_NAME:
        shown = name if len(name) <= LONGEST_NAME else f"{name[:20]}…"
        raise InputError(
            f'"{shown}" is no name for a routine',
            where="--name",
            expected=f"a plain name of up to {LONGEST_NAME} letters, which becomes that of its file",
            next_step="give one without a slash, that begins with no dot, and with no space at either end",
        )


def check_seed(seed: int, where: str = "--seed") -> None:
    """Raises InputError unless arms, hands or servos can be drawn by this number."""
    if seed < 0:
        raise InputError(
            f"{seed} is no seed", where=where, expected="a whole number from 0", next_step="give another one"
        )


def free_routine(desk: Desk, name: str, replace_old: bool) -> Path:
    """Where a routine of that name goes; raises InputError if there is one that shall be kept."""
    target = desk.folder.routines / f"{name}.toml"
    if target.exists() and not replace_old:
        raise InputError(
            "this routine is already there",
            where=str(target),
            expected="a new name, or the wish to replace it",
            next_step="give another name; on the command line, --replace writes over it",
        )
    return target


def teach(desk: Desk, recording: Path, name: str, replace_old: bool) -> tuple[Path, Routine, list[Remark]]:
    """Write the routine that a recording teaches. An old routine of that name is kept unless told otherwise."""
    from handfast.records.recording import read_recording

    check_name(name)
    target = free_routine(desk, name, replace_old)
    read = read_recording(recording, desk.bench.controller.channels)
    # Only now what takes its time to load: a recording that cannot be read is refused at once.
    from handfast.mechanics.model import model_of
    from handfast.routine.file import write_routine
    from handfast.teaching.routine_from import routine_from

    found, remarks = routine_from(read, model_of(desk.bench), name)
    source = _inside(recording, desk.folder.root)
    found = replace(found, about=replace(found.about, recording=source))
    write_routine(target, found, desk.bench, f"Taught by hand: {source}. Taught poses stay; commands may be corrected.")
    return target, found, remarks


def _inside(path: Path, root: Path) -> str:
    try:
        return str(path.resolve().relative_to(root.resolve()))
    except ValueError:
        return str(path)


def correct(desk: Desk, path: Path, routine: Routine) -> Correction:
    """Rewrite a routine's commands, in its file, so that it lands where it was taught."""
    from handfast.correction.correct import correct as corrected
    from handfast.mechanics.model import model_of
    from handfast.routine.file import rewrite_commands

    correction = corrected(model_of(desk.bench), routine)
    rewrite_commands(path, correction.routine, desk.bench)
    return correction


def report(desk: Desk, asked: list[Routine], picture: Path | None = None) -> Path:
    """Write the page about this bench and these routines; returns its path.

    picture: where to write the bench picture alone, as SVG, besides.
    """
    from handfast.files.atomic import write_text
    from handfast.report.bench_picture import bench_picture, reaches, telling
    from handfast.report.gather import gather
    from handfast.report.page import page

    view = gather(desk.bench, asked, desk.measured)
    target = desk.folder.out / "report.html"
    write_text(target, page(view))
    if picture is not None:
        write_text(picture, bench_picture(view, reaches(view.model), telling(view)).markup(alone=True))
    return target


@dataclass(frozen=True)
class LandingRow:
    """Predicted landing of one pose in three ways, in m."""

    raw: Landing
    trimmed: Landing
    corrected: Landing


def landings(desk: Desk, routine: Routine) -> list[LandingRow]:
    """Predicted landings of every pose: sent raw, trimmed from the feedback, and corrected."""
    from handfast.correction.correct import as_corrected, uncorrected
    from handfast.correction.correct import correct as corrected
    from handfast.landing.predict import land
    from handfast.mechanics.model import model_of
    from handfast.motion.plan import plan
    from handfast.motion.taught_poses import taught_poses

    model = model_of(desk.bench)
    plain = taught_poses(model, plan(model, uncorrected(routine)))
    better = as_corrected(model, taught_poses(model, corrected(model, routine).motion))
    columns = [
        land(model, plain, "raw", desk.measured),
        land(model, plain, "trimmed", desk.measured),
        land(model, better, "trimmed", desk.measured),
    ]
    return [LandingRow(*row) for row in zip(*columns, strict=True)]


def run_simulated(
    desk: Desk,
    routine: Routine,
    mode: Mode,
    seed: int,
    truth: Path | None = None,
    progress: Callable[[float], None] | None = None,
) -> tuple[int, Run]:
    """Play a routine on the simple stand-in drawn by `seed`, and store the run. Returns its number and itself.

    `truth`: where the stand-in writes its true TCP positions; nothing here reads them.
    """
    import numpy as np

    from handfast.correction.correct import correct as corrected
    from handfast.correction.correct import uncorrected
    from handfast.mechanics.model import model_of
    from handfast.motion.plan import plan
    from handfast.sessions.run import Creep, play
    from handfast.standins.direct import DirectBoard
    from handfast.standins.servo_model import ServoArms
    from handfast.standins.truth import draw_truth
    from handfast.store.runs import prepare, save_run

    if mode not in MODES:
        raise InputError(f'"{mode}" is no way to play', expected="one of the ways", available=MODES, asked=mode)
    check_seed(seed)
    prepare(desk.folder.database)
    model = model_of(desk.bench)
    creeps: dict[int, Creep] = {}
    if mode == "corrected":
        correction = corrected(model, routine)
        motion = correction.motion
        creeps = {sample: Creep(way) for sample, way in correction.approach.items()}
    else:
        motion = plan(model, uncorrected(routine))
    # The stand-in's arms are found a little off the routine's start, as a person would leave them.
    middle = model.chain.travel.mean(axis=1)
    start = motion.q[0] + np.clip(middle - motion.q[0], -10 * DEGREE, 10 * DEGREE)
    # The stand-in is drawn around the design: what was measured of it must not change it.
    design = read_bench(desk.folder, measured=False)
    arms = ServoArms(draw_truth(design, seed), desk.bench.controller.channels, seed, start, truth)
    with arms:
        run = play(model, motion, DirectBoard(desk.bench, arms), mode, creeps, progress)
    run = replace(run, notes=(*run.notes, f"stand-in drawn from seed {seed}"))
    return save_run(desk.folder.database, run), run
