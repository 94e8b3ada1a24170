"""Play a routine on a board: check first, slowly when it is new, stored while it goes."""

from __future__ import annotations

import datetime
import hashlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from handfast import __version__
from handfast.desk.work import Desk
from handfast.errors import HandfastError, InputError
from handfast.records.run import MODES, Mode, Run
from handfast.units import counted

if TYPE_CHECKING:
    from handfast.answers.ask import Answer
    from handfast.board.host import Happening, Status
    from handfast.desk.board import Open
    from handfast.geometry.rigid import Array
    from handfast.mechanics.model import Model
    from handfast.motion.plan import Motion
    from handfast.routine.steps import Routine
    from handfast.sessions.operator import Operator
    from handfast.sessions.run import Creep, Nudging

SLOW = 0.35
"""Pace of the first run of a changed routine (common practice: 25-50 %)."""


class WouldFailError(InputError):
    """An answer fails, and nobody overruled it."""


@dataclass(frozen=True)
class Ready:
    """A routine that may be played. fastest: highest TCP speed as planned, m/s; slow: its first run since a change."""

    model: Model
    routine: Routine
    motion: Motion
    creeps: dict[int, Creep]
    mode: Mode
    fastest: float
    pace: float
    slow: bool
    digest: str
    overruled: tuple[Answer, ...]


@dataclass(frozen=True)
class Line:
    """What a live line shows: step names of both arms, supply V, currents A, and the joint that follows worst, rad.

    counts (channels,): feedback of the bench's inputs.
    """

    steps: tuple[str, str]
    supply: float
    current: tuple[float, float]
    worst: str
    behind: float
    waiting: bool
    share: float
    counts: Array


def may_play(overrule: Sequence[str] = (), repeat: int = 1) -> None:
    """Whether a run can be asked for so, on whatever arms. Raises InputError naming the option."""
    from handfast.answers.questions import QUESTIONS

    if repeat < 1:
        raise InputError(
            counted(repeat, "time"), where="--repeat", expected="a whole number from 1", next_step="mend it"
        )
    for word in overrule:
        if word not in QUESTIONS:
            raise InputError(
                f'no question "{word}"',
                where="--overrule",
                available=list(QUESTIONS),
                asked=word,
                next_step="name one of the questions",
            )


def prepare(desk: Desk, path: Path, routine: Routine, mode: Mode, overrule: list[str], slowly: bool) -> Ready:
    """Plan, ask all questions, and refuse what fails. Raises InputError naming the answers that fail."""
    from handfast.bench.cautions import SPEED_WITH_PEOPLE
    from handfast.mechanics.model import model_of
    from handfast.store.live_runs import played_slowly
    from handfast.store.runs import prepare as prepare_store

    if mode not in MODES:
        raise InputError(f'"{mode}" is no way to play', expected="one of the ways", available=MODES, asked=mode)
    may_play(overrule)
    model = model_of(desk.bench)
    asked, motion, creeps, fails = _as_asked(desk, model, routine, mode)
    refused = [a for a in fails if a.question not in overrule]
    if refused:
        lines = "\n".join(f"  {a.question} fails: {a.finding.where}: {a.finding.why}" for a in refused)
        words = " ".join(f"--overrule {a.question}" for a in refused)
        raise WouldFailError(
            f"will not be played as it is\n{lines}",
            where=f"{routine.name}, {mode}",
            expected="no answer that fails",
            next_step=f"handfast check {routine.name} shows what would help; to play it all the same: {words}",
        )
    prepare_store(desk.folder.database)
    digest = digest_of(desk, path, mode, motion)
    slow = slowly or not played_slowly(desk.folder.database, routine.name, digest)
    fastest = _fastest(model, motion)
    pace = min(SLOW, SPEED_WITH_PEOPLE / max(fastest, 1e-6)) if slow else 1.0
    over = tuple(a for a in fails if a.question in overrule)
    return Ready(model, asked, motion, creeps, mode, fastest, pace, slow, digest, over)


def failing(desk: Desk, routine: Routine, mode: Mode = "corrected") -> list[str]:
    """Questions whose answers fail when a routine is played in that way, so that it is not played."""
    from handfast.mechanics.model import model_of

    return [answer.question for answer in _as_asked(desk, model_of(desk.bench), routine, mode)[3]]


def _as_asked(
    desk: Desk, model: Model, routine: Routine, mode: Mode
) -> tuple[Routine, Motion, dict[int, Creep], list[Answer]]:
    """Routine and motion as they will be played, where joints creep home, and the answers that fail."""
    from handfast.answers.ask import ask
    from handfast.answers.facts import facts_of
    from handfast.correction.correct import correct as corrected
    from handfast.correction.correct import uncorrected
    from handfast.motion.plan import plan
    from handfast.sessions.run import Creep

    creeps: dict[int, Creep] = {}
    if mode == "corrected":
        correction = corrected(model, routine)
        asked, motion = correction.routine, correction.motion
        creeps = {sample: Creep(way) for sample, way in correction.approach.items()}
    else:
        asked = uncorrected(routine)
        motion = plan(model, asked)
    answers = ask(facts_of(desk.bench, asked, desk.measured), try_changes=False)
    return asked, motion, creeps, [a for a in answers.answers if a.verdict == "fails"]


def digest_of(desk: Desk, path: Path, mode: str, motion: Motion) -> str:
    """Changes when anything changes that decides what is played: files, the program, or the pulses as planned."""
    from handfast.bench.lines import joint_pulses

    found = hashlib.sha256(f"{mode} {__version__}".encode())
    servos = sorted(desk.folder.servos.glob("*.toml"))
    for file in (path, desk.folder.file, desk.folder.stock, desk.folder.measured, *servos):
        found.update(file.read_bytes() if file.exists() else b"-")
    # Whatever else they hang on, drawings among it.
    pulses = joint_pulses(desk.bench, motion.q, motion.gaps)
    found.update(np.rint(pulses * 8e6).astype(np.int32).tobytes())
    return found.hexdigest()


def _fastest(model: Model, motion: Motion) -> float:
    from handfast.mechanics.kinematics import tool_poses
    from handfast.motion.plan import DT

    if len(motion.q) < 2:
        return 0.0
    p = tool_poses(model.chain, motion.q)[:, :, :3, 3]
    return float(np.linalg.norm(np.diff(p, axis=0), axis=-1).max() / DT)


def run_on_board(
    desk: Desk, open_: Open, ready: Ready, operator: Operator, repeat: int, show: Callable[[Line], None],
    say: Callable[[str], None], nudging: Callable[[Callable[[], None]], Nudging] | None = None,
) -> list[tuple[int, Run]]:  # fmt: skip
    """Play a routine `repeat` times on an open board; every run is stored while it goes.

    nudging: makes, of a way to let time pass, who moves TCPs onto their marks where arms have come to rest.
    A run that ends early is kept as far as it came, with what ended it, and the error is raised on.
    """
    from handfast.sessions.run import play
    from handfast.sessions.wire_arms import WireArms
    from handfast.store.live_runs import LiveRun, Row, played_slowly, recover

    may_play(repeat=repeat)
    database, board = desk.folder.database, open_.board
    for number in recover(database):
        say(f"run {number}: what a run that was cut off had left was kept")
    joints = len(desk.bench.joints)
    names = [step.name for step in ready.routine.steps]
    done: list[tuple[int, Run]] = []
    begin = None
    board.power_on()
    live: LiveRun | None = None
    origin = board.known().at

    def happened(event: Happening) -> None:
        if live is not None:
            live.event((event.at - origin) / 1e6, f"{event.kind} {event.where} {event.value}")

    board.happened = happened
    step = np.full(2, -1)
    share = 0.0

    def watch(status: Status) -> None:
        show(_line(desk, open_, status, names, step, arms.waiting, share))

    def progress(value: float) -> None:
        nonlocal share
        share = value

    arms = WireArms(desk.bench, board, open_.limits, operator, watch=watch)
    for turn in range(repeat):
        started = datetime.datetime.now().astimezone().isoformat(timespec="seconds")
        live = LiveRun(database, ready.routine.name, ready.mode, board.name, started, joints)
        store, counted = live, False
        arms.pace = 1.0  # on the way to the start it is slow anyway

        def keep(*row: object, store: LiveRun = store) -> None:
            nonlocal step, counted
            if not counted:
                counted = True
                arms.pace = ready.pace
                store.event(
                    (board.known().at - origin) / 1e6, f"rows count from {arms.begun / 1e6:.3f} s of board time"
                )
            step = np.asarray(row[5])
            store.add(Row(*row))  # type: ignore[arg-type]

        try:
            marks = None if nudging is None else nudging(arms.wait)
            run = play(ready.model, ready.motion, arms, ready.mode, ready.creeps, progress, keep, begin, marks)
        except (HandfastError, KeyboardInterrupt) as error:
            cause = "stopped from the keyboard" if isinstance(error, KeyboardInterrupt) else str(error).split("\n")[0]
            board.stop()
            store.event((board.known().at - origin) / 1e6, f"ended early: {cause}")
            number = store.cut(f"ended early: {cause}")
            say(f"run {number}: kept as far as it came" if number else "nothing had been played yet")
            raise
        notes = [f"pace {ready.pace:.2f}"] + [f"overruled: {a.question}" for a in ready.overruled]
        notes += [f"time {turn + 1} of {repeat}"] if repeat > 1 else []
        run = replace(run, notes=(*run.notes, *notes))
        done.append((store.finish(run), run))
        begin = run.command[-1]
    if ready.slow:
        played_slowly(database, ready.routine.name, ready.digest, done=True)
    board.happened = None
    board.power_off()
    return done


def _line(
    desk: Desk, open_: Open, status: Status, names: list[str], step: np.ndarray, waiting: bool, share: float
) -> Line:
    from handfast.sessions.wire_arms import counts_of

    worst, behind = "", 0.0
    for side in ("left", "right"):
        for joint in desk.bench.arm(side).joints:
            if joint.channel == status.worst:
                worst = f"{side} {joint.name}"
                scale = 1024.0 / 2**desk.bench.controller.wiper_bits
                behind = abs(status.error / 16.0 / (joint.wiper_slope * scale))
    steps = tuple(names[int(s)] if 0 <= int(s) < len(names) else "" for s in step)
    amps = (status.current_mA[0] / 1e3, status.current_mA[1] / 1e3)
    counts = counts_of(desk.bench, status)
    return Line((steps[0], steps[1]), status.supply_mV / 1e3, amps, worst, behind, waiting, share, counts)
