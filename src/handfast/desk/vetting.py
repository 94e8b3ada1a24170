"""Vetting from end to end: read sweeps (or invent some), judge, keep, print labels, and say which servo goes where."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from handfast.bench.parts import Servo
from handfast.bench.servos import ServoRecord, read_records
from handfast.desk.work import Desk, check_seed, routines
from handfast.errors import HandfastError, InputError
from handfast.files.atomic import write_text
from handfast.units import counted

if TYPE_CHECKING:
    from collections.abc import Callable

    from handfast.desk.aside import Aside
    from handfast.desk.board import Simulated
    from handfast.fitting.assign import Assignment
    from handfast.fitting.examine import Examined
    from handfast.fitting.verdict import Batch
    from handfast.records.sweep import Sweep
    from handfast.records.trace import Trace

FOLDER = "servos"
SIMULATED_FOLDER = "servos-simulated"
_BAD_SHARE = 0.2


@dataclass(frozen=True)
class Vetted:
    """A batch judged and kept: its verdicts, the servos' files, the page of labels of all servos on file, how many
    these are, remarks on re-tests."""

    batch: Batch
    written: tuple[Path, ...]
    labels: Path
    labelled: int
    invented: bool
    remarks: tuple[str, ...]


def class_of(desk: Desk, name: str, where: str) -> Servo:
    """The servo class of that name. Raises InputError listing those in stock."""
    classes = {servo.name: servo for servo in desk.bench.stock}
    if not name:
        raise InputError(
            "the file does not say which class of servo it is",
            where=where,
            expected="a line `# class: NAME` in its heading, or --class NAME",
            available=classes,
        )
    if name not in classes:
        raise InputError(
            f'no servo class "{name}" in stock.toml',
            where=where,
            available=classes,
            asked=name,
            next_step=f"mend the name, or add [servo.{name}] to {desk.folder.stock}",
        )
    return classes[name]


def sweep_for(desk: Desk, name: str, warm_minutes: float) -> Sweep:
    """The standard sweep of a class in stock."""
    from handfast.fitting.sweeps import standard_sweep

    return standard_sweep(class_of(desk, name, "--plan"), warm_minutes)


def vet_files(desk: Desk, files: Sequence[Path], default_class: str) -> Vetted:
    """Judge the servos whose sweeps are in `files`; several files of one serial mark belong together.

    Every file is looked at before anything is written. If some cannot be judged, the error names them all and
    nothing is written.
    """
    from handfast.fitting.examine import examine
    from handfast.records.trace import joined, read_trace

    wrong: list[str] = []
    by_mark: dict[str, list[Trace]] = {}
    for path in files:
        try:
            trace = read_trace(path, servo=default_class)
            class_of(desk, trace.servo, str(path))
            by_mark.setdefault(trace.mark, []).append(trace)
        except InputError as error:
            wrong.append(str(error))
    found: list[Examined] = []
    for traces in by_mark.values():
        try:
            whole = joined(traces)
            found.append(examine(whole, class_of(desk, whole.servo, whole.sources[0])))
        except InputError as error:
            wrong.append(str(error))
    if wrong:
        raise _refused(wrong, len(files))
    return _keep(desk, found, invented=any(e.invented for e in found))


def vet_simulated(
    desk: Desk,
    count: int,
    seed: int,
    name: str,
    sweeps: Path | None = None,
    progress: Callable[[float], None] | None = None,
) -> Vetted:
    """Invent a batch of `count` servos of a class, a fifth of them faulty, and vet it. Invented, and marked so.

    sweeps: a folder for the invented sweeps as files.
    """
    from handfast.fitting.examine import examine
    from handfast.fitting.sweeps import standard_sweep
    from handfast.records.trace import write_trace
    from handfast.standins.rig import Rig, draw_batch, run_rig

    if not 1 <= count <= 500:
        raise InputError(counted(count, "servo"), where="--simulated", expected="1 to 500")
    check_seed(seed)
    servo = class_of(desk, name, "--class")
    sweep = standard_sweep(servo)
    found = []
    for i, truth in enumerate(draw_batch(servo, count, round(_BAD_SHARE * count), seed)):
        trace = run_rig(truth, servo, sweep, Rig(), np.random.default_rng([seed, i]))
        if sweeps is not None:
            write_trace(sweeps / f"{truth.mark}.csv", trace, ("an invented servo of a simulation",))
        found.append(examine(trace, servo))
        if progress is not None:
            progress((i + 1) / count)
    return _keep(desk, found, invented=True)


def vet_at_board(
    desk: Desk,
    port: str | None,
    simulated: Simulated,
    channel: int,
    name: str,
    mark: str,
    warm_minutes: float,
    ask: Callable[[str], str],
    stops: Callable[[], bool],
    say: Callable[[str], None],
    before: Sequence[str] = (),
) -> Path:
    """Put a servo through its class's sweep on one channel of a board; returns the file of what was recorded.

    before: what is said when all is checked and nothing has power yet.
    A sweep that is stopped is kept as far as it came, if anything was recorded.
    """
    from handfast.board.loading import limits_of
    from handfast.desk.board import opened
    from handfast.files.atomic import free_path
    from handfast.fitting.sweeps import standard_sweep
    from handfast.records.trace import joined, write_trace
    from handfast.sessions.vet_live import OnTheRig, vetting_limits

    if not name or not mark:
        raise InputError(
            "which class of servo?" if not name else "which servo?", where="--class" if not name else "--mark",
            available=[servo.name for servo in desk.bench.stock] if not name else [],
            expected="the class that it is sold as" if not name else "its serial mark, such as A07",
            next_step="add --class NAME" if not name else "write a mark on it, and add --mark MARK",
        )  # fmt: skip
    servo = class_of(desk, name, "--class")
    if not 0 <= channel < 12:
        raise InputError(f"channel {channel}", where="--channel", expected="0 to 11", next_step="mend it")
    if not all(letter.isalnum() or letter in "-_." for letter in mark) or mark.startswith("."):
        raise InputError(
            f'"{mark}" is no serial mark', where="--mark", expected="letters, digits, - _ and . such as A07",
            next_step="write a mark on the servo, and name it",
        )  # fmt: skip
    sweep = standard_sweep(servo, warm_minutes)
    limits, _ = limits_of(desk.bench)
    with opened(desk, port, simulated, load=False) as found:
        found.board.load(limits, {channel: vetting_limits(servo)})
        session = OnTheRig(desk.bench, found.board, channel, ask, stops, say)
        for words in before:
            say(words)
        found.board.power_on()
        try:
            session.play(sweep, mark)
            found.board.power_off()
        finally:
            path = free_path(desk.folder.root / "sweeps" / f"{mark}.csv")
            if session.traces:
                write_trace(path, joined(session.traces), (f"recorded at {found.board.name}, channel {channel}",))
                say(f"{path}: kept")
    return path


def _refused(wrong: list[str], count: int) -> HandfastError:
    if len(wrong) == 1:
        return _RefusedError(wrong[0])
    return _RefusedError(
        "\n".join([*wrong, f"{len(wrong)} complaints about {counted(count, 'file')}; nothing was written"])
    )


class _RefusedError(HandfastError):
    """Input that was refused for several reasons at once."""

    exit_status = 2


def servo_folder(desk: Desk, invented: bool) -> Path:
    """Where servos are kept. Invented ones are kept apart, so that they are never taken for real."""
    return desk.folder.readings / (SIMULATED_FOLDER if invented else FOLDER)


def _keep(desk: Desk, found: Sequence[Examined], invented: bool) -> Vetted:
    from handfast.fitting.keep import play_grown, records_with, write_records
    from handfast.fitting.labels import labels_page
    from handfast.fitting.verdict import judge

    batch = judge(found, {servo.name: servo for servo in desk.bench.stock})
    today = datetime.date.today().isoformat()
    records = records_with(batch.servos, servo_folder(desk, invented), today)
    title = f"{desk.bench.about.name}: vetted servos, {today}"
    on_file = {record.mark: record for record in read_records(servo_folder(desk, invented))}
    on_file |= {record.mark: record for _, record in records}
    page = labels_page([on_file[mark] for mark in sorted(on_file)], title, invented)
    remarks = []
    for _, record in records:
        grown = play_grown(record)
        if grown is not None and grown > _MOST_GROWTH:
            remarks.append(f"{record.mark}: its play has grown by {grown:.2f}° since it was vetted before")
    write_records(records)
    labels = desk.folder.out / ("labels-simulated.html" if invented else "labels.html")
    write_text(labels, page)
    return Vetted(batch, tuple(path for path, _ in records), labels, len(on_file), invented, tuple(remarks))


_MOST_GROWTH = 0.3
"""Degrees of play that a burn-in may add (common practice, no source)."""


def assignment(desk: Desk, invented: bool = False, take_watched: bool = False) -> tuple[Assignment, str]:
    """Which vetted servo goes into which joint, and by which poses that was judged.

    The poses are those of the bench's routines, or, where there is none, a spread over the travel.
    """
    from handfast.fitting.assign import assign, default_poses, seats_of
    from handfast.mechanics.model import model_of
    from handfast.motion.plan import plan

    folder = servo_folder(desk, invented)
    records = read_records(folder)
    kinds = ("accept", "watch") if take_watched else ("accept",)
    able = [r for r in records if r.last is not None and r.last.verdict in kinds]
    if not able:
        raise InputError(
            "no accepted servo" if records else "no servo has been vetted",
            where=str(folder),
            expected="files of servos with the verdict accept",
            next_step="vet some: handfast vet FILES",
        )
    _check_classes(desk, able)
    model = model_of(desk.bench)
    rows, loads, names = [], [], []
    for _, routine in routines(desk, []) if desk.folder.routine_files() else []:
        motion = plan(model, routine)
        # A rest counts as long as it lasts, a fast passage little: samples are even in time.
        pick = np.linspace(0, len(motion.q) - 1, min(200, len(motion.q))).astype(int)
        rows.append(motion.q[pick])
        loads.append(motion.loads[pick])
        names.append(routine.name)
    if rows:
        q, held, by = np.concatenate(rows), np.concatenate(loads), ", ".join(names)
    else:
        q = default_poses(model)
        held, by = np.zeros((len(q), model.chain.arms)), "poses spread over the travel"
    return assign(seats_of(model, q, held), able, desk.bench), by


def _check_classes(desk: Desk, records: Sequence[ServoRecord]) -> None:
    for record in records:
        class_of(desk, record.servo_name, f"servo {record.mark}: class")


@dataclass(frozen=True)
class Fitted:
    """Marks that were written: where another servo comes in, and what was measured with the one before, set aside."""

    new: tuple[str, ...]
    aside: Aside


def fit_marks(desk: Desk, chosen: Assignment) -> Fitted:
    """Write the chosen serial marks into bench.toml, comments and all else kept.

    What was measured of a joint whose servo is another one now is set aside, with the readings that rest on it.
    """
    import tomlkit

    from handfast.desk.aside import OF_SERVO, servos_fitted, set_aside
    from handfast.files.document import read_text

    document = tomlkit.parse(read_text(desk.folder.file))
    marks = {placed.seat.name: placed.mark for placed in chosen.placed}
    arms = document["arms"]
    new = []
    for side in ("left", "right"):
        arm = arms[side]
        parts = [(f"{side} {joint['name']}", joint) for joint in arm["joint"]] + [(f"{side} gripper", arm["gripper"])]
        for name, part in parts:
            if name in marks and part.get("serial_mark", "") != marks[name]:
                part["serial_mark"] = marks[name]
                new.append(name)
    joints = [name for name in new if name in desk.bench.joint_names]
    keys = [(name, key) for name in new for key in OF_SERVO]
    aside = set_aside(
        desk, tomlkit.dumps(document), keys, servos_fitted(joints), "fit", "another servo was fitted", commands=True
    )
    return Fitted(tuple(new), aside)


def opened_again(desk: Desk) -> Desk:
    """The desk with the bench read anew."""
    from handfast.bench.folder import read_bench

    return replace(desk, bench=read_bench(desk.folder))
