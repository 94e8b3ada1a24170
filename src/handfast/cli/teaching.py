"""`handfast teach`: by hand on a board, or from a recording."""

from __future__ import annotations

import argparse
import json
import sys
from argparse import Namespace
from pathlib import Path
from typing import TYPE_CHECKING

from handfast.cli.board import RELAY, asked_stand_in, board_options, where
from handfast.units import counted

if TYPE_CHECKING:
    from handfast.desk.work import Desk


def options(teach: argparse.ArgumentParser) -> None:
    """What `handfast teach` takes."""
    teach.add_argument("--recording", type=Path, metavar="FILE", help="a recording, instead of a board")
    teach.add_argument("--name", help="name of the routine and of its recording (else that of the recording)")
    teach.add_argument("--replace", action="store_true", help="replace a routine of that name")
    board_options(teach)
    teach.add_argument("--arm", choices=["left", "right", "both"], default="both", help="which arm is led by hand")
    teach.add_argument(
        "--hold", action="append", default=[], metavar="SERVO",
        help="keep this servo, or this arm, powered where it stands (may be repeated)",
    )  # fmt: skip
    teach.add_argument(
        "--hands",
        choices=["held", "let go", "unknown"],
        default="unknown",
        help="how you keep a pose",
    )
    teach.add_argument("--by-key", action="store_true", help="store by pedal or key only, not by holding still")
    teach.add_argument("--resume", action="store_true", help="go on with a recording that was cut off")
    teach.add_argument("--for", dest="seconds", type=float, metavar="S", help="end after so many seconds")


def teach(given: Namespace) -> int:
    """`handfast teach`."""
    from handfast.desk import work
    from handfast.errors import InputError

    if given.recording is not None and (given.port or given.board):
        raise InputError(
            "a recording and a board", expected="--recording FILE, or --port PORT", next_step="leave one of them out"
        )
    start = Path.cwd()
    if given.recording is not None and given.recording.exists():
        start = given.recording.resolve().parent
    desk = work.open_bench(start, given.bench)
    if given.recording is not None:
        name = given.name or given.recording.stem
        return _told(given, desk, given.recording, name)
    if given.port is None and given.board is None:
        raise InputError(
            "nothing to learn from",
            expected="--recording FILE, --port PORT, or --board python",
            next_step="handfast teach --port PORT --name NAME records what you lead by hand",
        )
    if not given.name:
        raise InputError("the routine has no name", where="--name", next_step="add --name NAME")
    from handfast.desk.teaching import recording_path

    path = recording_path(desk, given.name, given.resume)
    work.free_routine(desk, given.name, given.replace)
    _live(given, desk, path)
    return _told(given, desk, path, given.name)


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def _live(given: Namespace, desk: Desk, path: Path) -> None:
    from handfast.bench.cautions import before_motion
    from handfast.bench.parts import SIDES
    from handfast.desk.board import opened
    from handfast.desk.teaching import held_channels, teach_live
    from handfast.sessions.operator import Keys
    from handfast.sessions.teach_live import HELP

    port = where(given)
    sides = SIDES if given.arm == "both" else (given.arm,)
    held_channels(desk, given.hold)
    with opened(desk, port, asked_stand_in(given)) as found, Keys(True, lambda: False, spaces=True) as keys:
        _say(before_motion(desk.bench))
        _say(RELAY + " Limp arms sink when they are let go.")
        _say(HELP)
        poses = teach_live(
            desk, found, path, sides=sides, hands=given.hands, hold=given.hold, by_itself=not given.by_key,
            resume=given.resume, seconds=given.seconds, keys=keys.typed, ends=keys.stops, say=_say,
        )  # fmt: skip
    _say(f"{path}: {counted(poses, 'pose')} stored; the servo power is off, arms may sink")


def _told(given: Namespace, desk: Desk, recording: Path, name: str) -> int:
    from handfast.desk import work

    path, routine, remarks = work.teach(desk, recording, name, given.replace)
    if given.json:
        plain = {
            "routine": routine.name,
            "file": str(path),
            "steps": [{"do": step.do, "name": step.name, "arms": list(step.sides)} for step in routine.steps],
            "remarks": [{"time_s": round(r.time, 2), "text": r.text} for r in remarks],
        }
        print(json.dumps(plain, indent=2, ensure_ascii=False))
        return 0
    poses = [t for step in routine.steps for t in (step.left, step.right) if t is not None]
    held = {word: sum(1 for t in poses if t.held == word) for word in ("held", "let go", "unknown")}
    print(
        f"{path}: {counted(len(routine.steps), 'step')}, "
        f"{counted(len(poses), 'taught pose or path', 'taught poses and paths')}"
    )
    print("  how they were stored: " + ", ".join(f"{count} {word}" for word, count in held.items() if count))
    for remark in remarks:
        print(f"  at {remark.time:.1f} s: {remark.text}")
    print(f"next: handfast check {routine.name}")
    return 0
