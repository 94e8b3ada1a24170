"""`handfast run`, on simulated arms or on a board."""

from __future__ import annotations

import argparse
import json
import sys
import time
from argparse import Namespace
from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING

from handfast.cli.board import RELAY, asked_stand_in, simulated_options, where
from handfast.units import counted

if TYPE_CHECKING:
    from handfast.desk.nudging import NudgedRun
    from handfast.desk.playing import Line
    from handfast.desk.work import Desk
    from handfast.records.run import Run

DEGREES = 57.29577951308232


def options(run: argparse.ArgumentParser) -> None:
    """What `handfast run` takes."""
    run.add_argument("routine", metavar="ROUTINE", help="a path, or a name inside the bench")
    run.add_argument("--port", metavar="PORT", help="the port of a board, real or from handfast board simulate")
    run.add_argument(
        "--board",
        choices=["simulated", "python"],
        help="without a port: simulated arms directly (as if none is named), or behind a Python board in memory",
    )
    run.add_argument(
        "--way",
        choices=["raw", "trimmed", "corrected"],
        default="corrected",
        help="targets as they are, trimmed from the feedback after arrival, or corrected and trimmed",
    )
    run.add_argument("--repeat", type=int, default=1, metavar="N", help="play it N times, one after the other")
    run.add_argument(
        "--overrule", action="append", default=[], metavar="QUESTION",
        help="play on a board although this answer fails (may be repeated)",
    )  # fmt: skip
    run.add_argument(
        "--nudge", action="store_true",
        help="wait at every pose until you have moved its TCP onto its mark by keys, and learn from that",
    )  # fmt: skip
    run.add_argument("--slowly", action="store_true", help="slow and hold-to-run, although it has been played before")
    simulated_options(run)


def run(given: Namespace) -> int:
    """`handfast run ROUTINE`."""
    from handfast.desk import work
    from handfast.desk.playing import may_play

    start = Path(given.routine).resolve().parent if Path(given.routine).exists() else Path.cwd()
    desk = work.open_bench(start, given.bench)
    ((path, routine),) = work.routines(desk, [given.routine])
    if given.nudge:
        _may_nudge(given)
    may_play(given.overrule, given.repeat)
    if given.port is None and given.board in (None, "simulated"):
        played = [
            work.run_simulated(desk, routine, given.way, given.seed, given.truth, progress(routine.name))
            for _ in range(given.repeat)
        ]
        return _told(given, desk, played)
    if given.board == "simulated":
        given.board = None
    from handfast.bench.cautions import before_motion
    from handfast.desk.board import opened
    from handfast.desk.nudging import NudgedRun
    from handfast.desk.playing import prepare, run_on_board
    from handfast.sessions.nudging import BUYS, Foot
    from handfast.sessions.operator import KEYS_SAY, Always, Keys

    port = where(given)
    ready = prepare(desk, path, routine, given.way, given.overrule, given.slowly or given.nudge)
    with (
        _Marks() as marks,
        opened(desk, port, asked_stand_in(given)) as found,
        Keys(ready.slow, lambda: found.board.known().pedal, letters_buy=BUYS if given.nudge else 0.0) as keys,
    ):
        for answer in ready.overruled:
            _say(f"OVERRULED: {answer.question} fails: {answer.finding.where}: {answer.finding.why}")
        _say(before_motion(desk.bench, ready.fastest * ready.pace))
        _say(RELAY)
        if port is not None and given.nudge:
            _say(f"a run to nudge in: at {100 * ready.pace:.0f} % of its pace, and only while you let it.")
            _say(KEYS_SAY)
        elif port is not None and ready.slow:
            _say(f"the first run since a change: at {100 * ready.pace:.0f} % of its pace, and only while you let it.")
            _say(KEYS_SAY)
        elif port is not None:
            _say("press the space bar or the pedal once to start; Esc or q stops, and so does the board's stop input")
        operator = keys if port is not None else Always(keys.quits)
        nudges = None
        if given.nudge:
            foot = Foot(found.board.pedal_changes, keys.press, _say) if port is not None else None
            nudges = NudgedRun(desk, path, ready.motion, keys.typed, _say, keys.ended, foot)
        marks.of = nudges
        played = run_on_board(desk, found, ready, operator, given.repeat, _liner(), _say, nudges)
        if port is not None:
            _say("done: the servo power is off; arms may sink")
    told = _told(given, desk, played)
    if nudges is not None:
        lines = nudges.learn() or ["no TCP was moved onto its mark: nothing was learned, nothing written"]
        print("\n".join(lines), file=sys.stderr if given.json else sys.stdout)
    return told


class _Marks:
    """Whatever ends a nudged run early, what its marks taught is written, once the board is let go; and said."""

    of: NudgedRun | None = None

    def __enter__(self) -> _Marks:
        return self

    def __exit__(self, kind: object, error: BaseException | None, trace: object) -> None:
        for line in self.of.learn() if error is not None and self.of is not None else ():
            _say(line)


def _may_nudge(given: Namespace) -> None:
    from handfast.errors import InputError

    if given.port is None and given.board != "python":
        raise InputError(
            "nothing to nudge", where="--nudge", expected="--port PORT, or --board python",
            next_step="handfast correct ROUTINE --nudge 'STEP ARM X Y Z' learns from what you read after a run",
        )  # fmt: skip
    if given.way != "corrected" or given.repeat != 1:
        raise InputError(
            f"a run that is {given.way}" if given.way != "corrected" else counted(given.repeat, "time"),
            where="--nudge", expected="one corrected run: what is learned is for these",
            next_step="leave --way and --repeat out",
        )  # fmt: skip


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def _liner() -> Callable[[Line], None]:
    """Shows the live line: over itself on a terminal, else every two seconds."""
    terminal = sys.stderr.isatty()
    every, last = (0.15 if terminal else 2.0), 0.0

    def show(line: Line) -> None:
        nonlocal last
        now = time.monotonic()
        if now - last < every:
            return
        last = now
        steps = line.steps[0] if line.steps[0] == line.steps[1] else " | ".join(s or "-" for s in line.steps)
        text = (
            f"{100 * line.share:3.0f} % {steps or 'attaching'}  {line.supply:.2f} V  "
            f"{line.current[0]:.1f} A left {line.current[1]:.1f} A right"
        )
        if line.worst:
            text += f"  {line.worst} {DEGREES * line.behind:.1f}° behind"
        if line.waiting:
            text += "  WAITING FOR YOU"
        print(f"\r{text:110}" if terminal else text, end="" if terminal else "\n", file=sys.stderr, flush=True)

    return show


def _degrees(values: object) -> list[float]:
    return [round(DEGREES * float(x), 4) for x in values]  # type: ignore[attr-defined]


def _plain(number: int, played: Run) -> dict[str, object]:
    return {
        "run": number,
        "routine": played.routine,
        "way": played.mode,
        "board": played.board,
        "duration_s": round(float(played.t[-1]), 2),
        "notes": list(played.notes),
        "rests": [
            {
                "step": rest.step + 1,
                "arm": rest.side,
                "row": rest.row,
                "time_s": round(rest.time, 3),
                "target_deg": _degrees(rest.target),
                "feedback_deg": _degrees(rest.feedback),
                "command_deg": _degrees(rest.command),
                "trims": rest.trims,
            }
            for rest in played.rests
        ],
        "grips": [
            {
                "step": grip.step + 1,
                "arm": grip.side,
                "time_s": round(grip.time, 3),
                "gap_mm": round(1e3 * grip.gap, 2),
                "behind_deg": round(DEGREES * grip.behind, 2),
                "felt": grip.felt,
            }
            for grip in played.grips
        ],
    }


def _told(given: Namespace, desk: Desk, played: list[tuple[int, Run]]) -> int:
    from handfast.records.run import why_longer

    if given.json:
        plain = [_plain(number, one) for number, one in played]
        print(json.dumps(plain[0] if len(plain) == 1 else {"runs": plain}, indent=2, ensure_ascii=False))
        return 0
    for number, one in played:
        lacking = [float(abs(rest.target - rest.feedback).max()) for rest in one.rests if not rest.row]
        worst = max(lacking) if lacking else 0.0
        print(f"run {number}: {one.routine}, {one.mode}, on {one.board}, {one.t[-1]:.1f} s: {why_longer(one.mode)}")
        print(
            f"  feedback came to rest within {DEGREES * (median(lacking) if lacking else 0):.2f}° of its target (middle"
            f" of {counted(len(lacking), 'pose')}), worst {DEGREES * worst:.2f}°"
        )
        for said in one.missed_grips:
            print(f"  {said}")
    print(f"  stored in {desk.folder.database}")
    return 0


def progress(name: str) -> Callable[[float], None] | None:
    """A line on stderr that fills while a long piece of work goes on, where a person can see it."""
    if not sys.stderr.isatty():
        return None

    def show(share: float) -> None:
        width = 40
        bar = "#" * round(width * share) + "." * (width - round(width * share))
        end = "\n" if share >= 1.0 else ""
        print(f"\r{name} [{bar}] {100 * share:3.0f} %", end=end, file=sys.stderr, flush=True)

    return show
