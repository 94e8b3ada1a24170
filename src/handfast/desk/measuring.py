"""Measuring a bench: take readings, fit, advise, write what was found, take it back."""

from __future__ import annotations

import datetime
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING

from handfast.bench.parts import SIDES, Side
from handfast.desk.work import Desk, check_seed, open_bench
from handfast.errors import HandfastError, InputError
from handfast.units import counted

if TYPE_CHECKING:
    from handfast.desk.board import Open
    from handfast.fitting.advice import Advice
    from handfast.fitting.calibrate import Calibration
    from handfast.fitting.nudges import Nudge
    from handfast.fitting.pulses import PulseFit
    from handfast.fitting.values import Value
    from handfast.geometry.rigid import Array
    from handfast.motion.laid_down import Motion
    from handfast.records.readings import LandingRead, Readings
    from handfast.sessions.nudging import Mark
    from handfast.sessions.operator import Operator

GOAL = 2.0e-3
"""Expected TCP error at which a calibration is good enough, m (common practice, no source)."""


@dataclass(frozen=True)
class Fitted:
    """What a set of readings says of a bench. wild: readings that do not fit the others, where and by how much."""

    calibration: Calibration
    pulses: list[PulseFit]
    values: list[Value]
    before: float  # expected TCP error without the readings, m
    after: float
    advice: list[Advice]
    wild: list[str]


def reading_files(desk: Desk, given: list[Path]) -> list[Path]:
    """The readings files asked for, or all of the bench's."""
    if given:
        return given
    found = sorted((desk.folder.root / "readings").glob("*.toml"))
    if not found:
        raise InputError(
            "no readings",
            where=str(desk.folder.root / "readings"),
            expected="at least one .toml file of readings",
            next_step="handfast calibrate --plan says what to read; --simulated SEED takes readings at a stand-in",
        )
    return found


def read_all(desk: Desk, files: list[Path]) -> Readings:
    """All readings of some files together."""
    from handfast.records.readings import Readings, read_readings

    readings = Readings()
    for path in files:
        readings = readings + read_readings(path, desk.bench)
    return readings


def take_simulated(desk: Desk, seed: int, progress: Callable[[str], None] | None = None) -> Path:
    """A maker takes the standard readings at a stand-in drawn by `seed`; returns the file they are written to."""
    import numpy as np

    from handfast.bench.folder import read_bench
    from handfast.mechanics.model import model_of
    from handfast.records.readings import write_readings
    from handfast.sessions.measure import Errors, MakerAtStandIn, standard_readings
    from handfast.standins.servo_model import ServoArms
    from handfast.standins.truth import draw_truth

    check_seed(seed, "--simulated")
    if progress is not None:
        progress("taking readings at the stand-in ...")
    design = read_bench(desk.folder, measured=False)
    truth = draw_truth(design, seed)
    model = model_of(design)
    arms = ServoArms(truth, design.controller.channels, seed, 0.35 * model.chain.travel.mean(axis=1))
    maker = MakerAtStandIn(design, truth, arms, np.random.default_rng([seed, 11]), Errors())
    path = desk.folder.root / "readings" / f"standard-{seed}.toml"
    heading = f"Invented: taken by a simulated maker at a stand-in drawn from seed {seed}."
    write_readings(path, standard_readings(maker, model), design, heading)
    return path


def joints_named(desk: Desk, names: list[str]) -> tuple[int, ...]:
    """Numbers of the joints that are named, all of them if none is. Raises InputError for a name that no joint has."""
    known = desk.bench.joint_names
    for name in names:
        if name not in known:
            raise InputError(
                f'no joint "{name}"', where="--joint", available=list(known), asked=name,
                next_step="name one of the joints, its arm first",
            )  # fmt: skip
    return tuple(i for i, name in enumerate(known) if not names or name in names)


def sweep_at_board(
    desk: Desk, open_: Open, operator: Operator, say: Callable[[str], None], names: list[str] | None = None
) -> Path:
    """Sweep joints of the arms at an open board, all of them if none is named; returns the readings file, which grows
    joint by joint.

    What was read before a stop or a lost link is kept.
    """
    from handfast.bench.cautions import SPEED_WITH_PEOPLE
    from handfast.bench.folder import read_bench
    from handfast.mechanics.model import model_of
    from handfast.records.readings import write_readings
    from handfast.sessions.powered import Powered
    from handfast.sessions.sweeping import fastest, plan_sweeps, take_sweeps
    from handfast.sessions.wire_arms import WireArms

    # Readings are of the design's own lines, whatever was measured since.
    design = read_bench(desk.folder, measured=False)
    model, asked = model_of(desk.bench), joints_named(desk, names or [])
    plan = plan_sweeps(model)
    for joint in set(plan.skipped) & set(asked):
        say(f"{design.joint_names[joint]} is left out: it has no room among the other bodies")
    plan = replace(plan, joints=tuple(i for i in plan.joints if i in asked))
    path = _unused(desk.folder.root / "readings" / f"swept-{datetime.date.today().isoformat()}.toml")
    heading = f"Joints swept at {open_.board.name}."

    def told(readings: Readings, what: str) -> None:
        write_readings(path, readings, design, heading)
        say(f"{path.name}: {what}")

    open_.board.power_on()
    arms = WireArms(design, open_.board, open_.limits, operator)
    arms.pace = min(1.0, SPEED_WITH_PEOPLE / fastest(model, plan))
    take_sweeps(Powered(design, arms), model, plan, told)
    open_.board.power_off()
    return path


def read_at_board(
    desk: Desk, open_: Open, lines: Callable[[], list[str]], ends: Callable[[], bool], say: Callable[[str], None],
    enter: str = "Enter", words: Callable[[HandfastError], str] = str,
) -> Path | None:  # fmt: skip
    """Take readings with limp arms at an open board, as the maker says them; returns the file, None if none was taken.

    The file grows reading by reading. enter: what the maker presses where something is done, in words; words: an error
    in words.
    """
    from handfast.bench.folder import read_bench
    from handfast.records.readings import Readings, write_readings
    from handfast.sessions.read_live import TakingReadings

    design = read_bench(desk.folder, measured=False)
    folder = desk.folder.root / "readings"
    path = _unused(folder / f"read-{datetime.date.today().isoformat()}.toml")
    taken: list[Readings] = []

    def write(rows: list[Readings]) -> None:
        if rows:
            write_readings(path, sum(rows, Readings()), design, f"Read at {open_.board.name}.")
        else:
            path.unlink(missing_ok=True)

    def keep(reading: Readings | None) -> None:
        if reading is not None:
            write([*taken, reading])
            taken.append(reading)
        elif taken:
            taken.pop()
            write(taken)
            say(f"  the last reading is taken back; {len(taken)} are kept")
        else:
            say("  there is none to take back")

    def advise() -> list[str]:
        known = sum((read_all(desk, [file]) for file in sorted(folder.glob("*.toml"))), Readings())
        fitted = fit(desk, known)
        helps = [f"{a.words}: then {1e3 * a.after:.2f} mm" for a in fitted.advice]
        return [f"the TCP is known to {1e3 * fitted.after:.2f} mm; what helps most:", *(f"  {text}" for text in helps)]

    known = sum((read_all(desk, [file]) for file in sorted(folder.glob("*.toml"))), Readings())
    leads = median([follow.leads for follow in known.follows] or [1.0])
    open_.board.power_on()
    TakingReadings(design, open_.board, say, keep, advise, enter, leads, words).run(lines, ends)
    open_.board.power_off()
    return path if taken else None


def _unused(path: Path) -> Path:
    """The path, or the first one with a number behind it that nothing has yet."""
    number, found = 1, path
    while found.exists():
        number += 1
        found = path.with_stem(f"{path.stem}-{number}")
    return found


def telling_poses(desk: Desk) -> Array:
    """Poses (N, K) at which the TCP's error matters: those of the bench's routines, else a spread of the travel."""
    import numpy as np

    from handfast.mechanics.model import model_of
    from handfast.motion.plan import plan
    from handfast.routine.file import read_routine

    model = model_of(desk.bench)
    rows = []
    for path in desk.folder.routine_files():
        motion = plan(model, read_routine(path, desk.bench))
        rows += [motion.q[a.sample] for a in motion.arrivals if not a.row]
    if rows:
        step = max(1, len(rows) // 12)
        return np.array(rows[::step])
    low, high = model.chain.travel.T
    return np.array([low + share * (high - low) for share in (0.3, 0.45, 0.55, 0.7)])


def fit(desk: Desk, readings: Readings, advise: bool = True, files: Sequence[Path] = ()) -> Fitted:
    """Fit the design's unknown figures to readings, and say what to read next. files: where the readings stand."""
    import numpy as np

    from handfast.bench.folder import read_bench
    from handfast.fitting.advice import advise as advice_of
    from handfast.fitting.advice import expected_error
    from handfast.fitting.calibrate import Calibration, calibrate
    from handfast.fitting.pulses import fit_pulses, pulse_values
    from handfast.fitting.unknowns import Unknowns
    from handfast.fitting.values import values_of
    from handfast.records.readings import Readings as None_

    design = read_bench(desk.folder, measured=False)
    poses = telling_poses(desk)
    unknowns = Unknowns(design)
    blank = Calibration(unknowns, None_(), np.zeros(unknowns.size), unknowns.prior, 0.0, ())
    calibration = calibrate(design, readings) if len(readings) else blank
    pulses = [fit_pulses(calibration, sweep) for sweep in readings.sweeps]
    return Fitted(
        calibration,
        pulses,
        values_of(calibration) + pulse_values(pulses),
        expected_error(blank, poses),
        expected_error(calibration, poses),
        advice_of(calibration, poses) if advise else [],
        _wild_said(desk, calibration, files),
    )


def _wild_said(desk: Desk, calibration: Calibration, files: Sequence[Path]) -> list[str]:
    """Readings that do not fit the others, each by its number among those of its kind in its file."""
    from handfast.files.fields import table_of

    counts = [{kind: len(rows) for kind, rows in table_of(read_all(desk, [path])).items()} for path in files]
    said = []
    for wild in calibration.wild:
        number, place = wild.number, ""
        for path, count in zip(files, counts, strict=True):
            if number < count.get(wild.kind, 0):
                place = f" in {path.name}"
                break
            number -= count.get(wild.kind, 0)
        said.append(f"{wild.kind} {number + 1}{wild.of}{place}: {wild.off}")
    return said


def apply(desk: Desk, fitted: Fitted, source: str) -> tuple[str, list[Path]]:
    """Write fitted values to measured.toml; taught angles of routines are read off the new feedback lines.

    Returns the batch's name and the routines that were written anew.
    """
    from handfast.desk import batches

    before = batches.texts(desk.folder, desk.folder.routine_files())
    batch, again = _applied(desk, fitted, source)
    batches.keep(desk.folder, batch, before)
    return batch, again


def _applied(desk: Desk, fitted: Fitted, source: str) -> tuple[str, list[Path]]:
    from handfast.bench.measured import measured_text, next_batch
    from handfast.files.atomic import write_text

    today = datetime.date.today().isoformat()
    old = desk.folder.measured.read_text(encoding="utf-8") if desk.folder.measured.exists() else ""
    batch = next_batch(old, today, "calibrate")
    rows = [(v.of, v.key, v.value, v.uncertainty, v.known) for v in fitted.values]
    write_text(desk.folder.measured, measured_text(old, rows, today, source, batch))
    return batch, _reexpress_all(desk)


@dataclass(frozen=True)
class Undone:
    """A batch taken back: its name, files that are as before it, routines read off the old lines, and what is left."""

    batch: str
    restored: list[Path]
    again: list[Path]
    left: list[str]


def undo(desk: Desk) -> Undone:
    """Take the last batch of measured values back, with all else that it wrote: nudges and their readings, commands."""
    from handfast.bench.measured import source_of, without_last_batch
    from handfast.desk import batches
    from handfast.files.atomic import write_text

    if not desk.folder.measured.exists():
        raise InputError("nothing was measured yet", where=str(desk.folder.measured), next_step="nothing to undo")
    old = desk.folder.measured.read_text(encoding="utf-8")
    text, batch = without_last_batch(old)
    if not batch:
        raise InputError("nothing is left to undo", where=str(desk.folder.measured))
    write_text(desk.folder.measured, text)
    back = batches.take_back(desk.folder, batch)
    if back is None:
        left = [f"what else batch {batch} wrote was not kept, so only its figures went"]
        source = source_of(old, batch)
        if " nudges at " in source:
            count, _, name = source.partition(" nudges at ")
            left.append(
                f"of {source}, the last {count} [[landing]] tables of readings/nudges.toml and the lines nudge_mm of "
                f"routine {name} are still there: take them out by hand"
            )
        back = batches.TakenBack((), (), tuple(left))
    return Undone(batch, list(back.files), _reexpress_all(desk, (*back.files, *back.same)), list(back.left))


def _reexpress_all(desk: Desk, but: tuple[Path, ...] = ()) -> list[Path]:
    from handfast.routine.file import reexpress

    new = open_bench(desk.folder.root, desk.folder.root).bench
    return [path for path in desk.folder.routine_files() if path not in but and reexpress(path, desk.bench, new)]


MUCH = 5e-3
"""More than this of a nudge, m, that no figure explains is a reason to look at the arm (our own choice, no source)."""


@dataclass(frozen=True)
class Nudged:
    """What nudges did: expected miss of every pose before and after, m, and where everything was written.

    beside: by step and arm, how much of each no figure explains, m; it stands beside its pose. run: the stored run that
    they were taken for, in words.
    """

    before: list[float]
    after: list[float]
    readings_file: Path
    batch: str
    beside: dict[tuple[int, Side], float]
    run: str = ""

    def beside_words(self) -> list[str]:
        """What stands beside poses, in lines; of much of it, what to look at."""
        return [
            f"step {step + 1} of the {side} arm: {size * 1e3:.1f} mm that no figure explains stand beside its pose"
            + (": see that nothing has slipped, and that it was this pose's mark" if size > MUCH else "")
            for (step, side), size in self.beside.items()
        ]


def nudge(desk: Desk, path: Path, texts: list[str]) -> Nudged:
    """Learn from nudges at poses of the routine in `path`, as it was last played; correct it anew.

    The readings go to readings/nudges.toml, the figures to measured.toml, what no figure explains beside the
    pose, and the corrected commands into the routine.
    """
    from handfast.fitting.nudges import parse_nudge, reading_of
    from handfast.routine.file import read_routine
    from handfast.store.runs import list_runs, load_run

    routine = read_routine(path, desk.bench)
    runs = [row for row in list_runs(desk.folder.database) if row[2] == routine.name]
    if not runs:
        raise InputError(
            f"{routine.name} has not been played yet",
            where=str(desk.folder.database),
            expected="a stored run to nudge",
            next_step=f"handfast run {routine.name}",
        )
    number, started, _, way, board = runs[-1]
    run = load_run(desk.folder.database, number)
    nudges = {(n.step, n.side): n for n in (parse_nudge(text, routine) for text in texts)}
    reads = {place: reading_of(n, routine, run, desk.bench.arm(n.side)) for place, n in nudges.items()}
    said = f"run {number}: {routine.name}, {way}, on {board}, {started.replace('T', ' ')[:16]}"
    return replace(_learned(desk, path, reads, [*foreseen(desk, path).values()], [*nudges.values()]), run=said)


def learn_marks(desk: Desk, path: Path, motion: Motion, marks: list[Mark]) -> Nudged:
    """Learn from TCPs that were moved onto their marks while the routine in `path` was played; see `nudge`."""
    from handfast.fitting.nudges import reading_on_mark

    routine = motion.routine
    samples = {(a.step, a.side): a.sample for a in motion.arrivals if a.row is None}
    reads = {}
    for mark in marks:
        said = routine.steps[mark.step].taught(mark.side)
        load = float(motion.loads[samples[mark.step, mark.side], SIDES.index(mark.side)])
        assert said is not None
        reads[mark.step, mark.side] = reading_on_mark(said, mark.side, mark.feedback, mark.moved, load)
    return _learned(desk, path, reads, [*foreseen(desk, path).values()])


def marks_foreseen(desk: Desk, path: Path, motion: Motion, marks: list[Mark]) -> Nudged:
    """What `learn_marks` would do, tried on a copy of the bench."""
    import shutil
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder) / "bench"
        leave = shutil.ignore_patterns("recordings", "out", "scores", "sweeps", "*.sqlite*")
        shutil.copytree(desk.folder.root, root, ignore=leave)
        return learn_marks(open_bench(root, root), root / path.relative_to(desk.folder.root), motion, marks)


def foreseen(desk: Desk, path: Path) -> dict[tuple[int, Side], float]:
    """Expected miss of each pose of a routine when it is played corrected, m, by step and arm."""
    from handfast.correction.correct import as_corrected
    from handfast.correction.correct import correct as corrected
    from handfast.landing.predict import land
    from handfast.mechanics.model import model_of
    from handfast.motion.taught_poses import taught_poses
    from handfast.routine.file import read_routine

    model = model_of(desk.bench)
    motion = corrected(model, read_routine(path, desk.bench)).motion
    poses = as_corrected(model, taught_poses(model, motion))
    return {(x.step, x.side): x.expected for x in land(model, poses, "trimmed", desk.measured) if x.row is None}


def _learned(
    desk: Desk, path: Path, reads: dict[tuple[int, Side], LandingRead], before: list[float],
    nudges: Sequence[Nudge] = (),
) -> Nudged:  # fmt: skip
    """Take in landing readings of a routine's poses, fit, write, and correct the routine anew. before: see `Nudged`.

    nudges: of these readings, those that say how far a TCP is off its mark; nothing is written where the figures leave
    too much of one unexplained.
    """
    import numpy as np

    from handfast.desk import batches
    from handfast.desk.work import correct
    from handfast.fitting.nudges import refuse_unexplained, unexplained
    from handfast.records.readings import Readings, read_readings, write_readings
    from handfast.routine.file import read_routine, write_nudges

    file = desk.folder.nudges
    old = read_readings(file, desk.bench) if file.exists() else Readings()
    # Angles in the readings are those of the design's own lines, as in every reading.
    plain = {place: _in_design(desk, read) for place, read in reads.items()}
    new = Readings(landings=tuple(plain.values()))
    name = read_routine(path, desk.bench).name
    known = sorted((desk.folder.root / "readings").glob("*.toml"))
    fitted = fit(desk, read_all(desk, known) + new, advise=False)
    over = {place: unexplained(fitted.calibration, read) for place, read in plain.items()}
    for nudge_ in nudges:
        place = nudge_.step, nudge_.side
        refuse_unexplained(nudge_, over[place], fitted.calibration, plain[place], name)
    inside = [path] if path.is_relative_to(desk.folder.root) else []
    kept = batches.texts(desk.folder, [*desk.folder.routine_files(), *inside, file])
    write_readings(file, old + new, desk.bench)
    batch, _ = _applied(desk, fitted, f"{counted(len(reads), 'nudge')} at {name}")
    fresh = open_bench(desk.folder.root, desk.folder.root)
    left: dict[tuple[int, str], tuple[float, ...]] = {p: tuple(float(-v) for v in way) for p, way in over.items()}
    write_nudges(path, left, fresh.bench)
    correct(fresh, path, read_routine(path, fresh.bench))
    batches.keep(desk.folder, batch, kept)
    beside = {place: float(np.linalg.norm(way)) for place, way in over.items()}
    return Nudged(before, [*foreseen(fresh, path).values()], file, batch, beside)


def _in_design(desk: Desk, read: LandingRead) -> LandingRead:
    """A landing whose angles were read off the measured lines, as the design's lines would show it."""
    import dataclasses

    import numpy as np

    from handfast.bench.folder import read_bench
    from handfast.bench.lines import angle_of, counts_of

    design = read_bench(desk.folder, measured=False)
    now, plain = desk.bench.arm(read.arm).joints, design.arm(read.arm).joints

    def again(row: tuple[float, ...]) -> tuple[float, ...]:
        shown = (counts_of(joint, np.asarray(angle)) for joint, angle in zip(now, row, strict=True))
        return tuple(float(angle_of(joint, counts)) for joint, counts in zip(plain, shown, strict=True))

    return dataclasses.replace(read, taught=again(read.taught), feedback=again(read.feedback))
