"""`handfast`: one command per thing a user does.

Exit status: 0 done and no answer fails; 1 done, some answer fails; 2 bad input; 3 hardware, link or disk.
"""

from __future__ import annotations

import argparse
import contextlib
import gc
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import NoReturn

from handfast.errors import HandfastError

ABOUT = """\
From a box of servos to a two-armed task that works: teach a pair of arms by hand, and know beforehand whether
they will reach, lift, keep up, stay clear, and how far they will land from where they were taught."""


class _Parser(argparse.ArgumentParser):
    """Refuses bad options in the words of our other messages."""

    def error(self, message: str) -> None:  # type: ignore[override]
        print(f"handfast: {message}\n  next: {self.prog} --help shows what it takes", file=sys.stderr)
        raise SystemExit(2)


def parser() -> argparse.ArgumentParser:
    """All commands and their options."""
    top = _Parser(prog="handfast", description=ABOUT)
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)

    def command(name: str, says: str, computes: bool = True) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=says, description=says[0].upper() + says[1:] + ".")
        if name != "new":
            sub.add_argument("--bench", type=Path, metavar="DIR", help="the bench folder (else the nearest)")
        if computes:
            sub.add_argument("--json", action="store_true", help="print plain values as JSON")
        return sub

    new = command("new", "lay down a bench folder", computes=False)
    new.add_argument("dir", type=Path, metavar="DIR", help="a new or empty folder")
    new.add_argument("--left", type=int, metavar="N", help="a blank bench: joints of the left arm, 4 to 7")
    new.add_argument("--right", type=int, metavar="N", help="a blank bench: joints of the right arm, 4 to 7")
    new.add_argument("--side-by-side", action="store_true", help="a blank bench: arms side by side, not opposed")

    check = command("check", "ask the questions of a routine (all routines if none is named)")
    check.add_argument("routine", nargs="*", metavar="ROUTINE", help="a path, or a name inside the bench")
    check.add_argument("--no-changes", action="store_true", help="do not try changes that would turn an answer")

    from handfast.cli.teaching import options as teach_options

    teach_options(command("teach", "lead the arms by hand, and write the routine that this teaches"))

    calibrate = command("calibrate", "find a bench's real figures from readings")
    calibrate.add_argument("readings", nargs="*", type=Path, metavar="FILE", help="readings (else all of the bench's)")
    calibrate.add_argument("--plan", action="store_true", help="say which readings help most, and write nothing")
    calibrate.add_argument("--apply", action="store_true", help="write the figures to measured.toml")
    calibrate.add_argument(
        "--where", type=Path, metavar="FILE",
        help="say where both TCPs are for every row of counts in this CSV, and how sure that is; write nothing",
    )  # fmt: skip
    calibrate.add_argument("--undo", action="store_true", help="take the last measured batch back")
    calibrate.add_argument("--simulated", type=int, metavar="SEED", help="take the standard readings at a stand-in")
    calibrate.add_argument(
        "--sweep", action="store_true", help="sweep every joint of powered arms first, at a port or a board in memory"
    )
    calibrate.add_argument(
        "--read", action="store_true", help="take readings at limp arms: say what you read, the rest comes from a board"
    )
    calibrate.add_argument(
        "--joint", action="append", default=[], metavar="NAME",
        help="sweep this joint only, such as 'left elbow' (may be repeated)",
    )  # fmt: skip
    calibrate.add_argument("--port", metavar="PORT", help="the port of a board, real or from handfast board simulate")
    calibrate.add_argument("--board", choices=["python"], help="instead of a port: a Python board in memory")
    calibrate.add_argument("--stand-in", metavar="COMMAND", help="any stand-in for its arms; see docs/stand-ins.md")
    calibrate.add_argument("--seed", type=int, default=1, help="which simulated pair of arms, if no other is named")
    calibrate.add_argument("--hand", type=Path, metavar="FILE", help="what a hand does to the simple arms")

    correct = command("correct", "rewrite a routine's commands so that it lands where it was taught")
    correct.add_argument("routine", metavar="ROUTINE", help="a path, or a name inside the bench")
    correct.add_argument(
        "--nudge",
        action="append",
        default=[],
        metavar="'STEP ARM X Y Z'",
        help="the last run's TCP had to go X Y Z mm further to be on its mark; learn from that (may be repeated)",
    )

    from handfast.cli.running import options as run_options

    run_options(command("run", "play a routine"))

    from handfast.cli.vetting import options as vet_options

    vet_options(command("vet", "judge servos before they are built in, and say which goes where"))

    from handfast.cli.rehearse import options as rehearse_options

    rehearse_options(command("rehearse", "play a routine on the physics twin of the bench, once or many times"))

    from handfast.cli.board import options as board_options

    board_options(
        commands.add_parser(
            "board",
            help="the controller: simulate, probe, wiring, flash, power-up, store",
            description="The controller.",
        )
    )

    from handfast.cli.score import options as score_options

    score_options(command("score", "say how good it was, from measured points"))
    from handfast.cli.open import options as open_options

    open_options(command("open", "open the workbench in a browser", computes=False))

    from handfast.cli.layout import options as layout_options

    layout_options(command("layout", "find where to bolt the two bases"))

    from handfast.cli.planning import options as plan_options

    plan_options(command("plan", "plan where the arms of a routine meet to pass a thing"))

    report = command("report", "write a page about the pair and its routines (all routines if none is named)")
    report.add_argument("routine", nargs="*", metavar="ROUTINE", help="a path, or a name inside the bench")
    report.add_argument("--picture", type=Path, metavar="FILE", help="also write the bench picture alone, as SVG")
    return top


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status."""
    given = parser().parse_args(arguments)
    # What the libraries make while they are imported stays; looking through it for garbage takes a tenth of the
    # time of a check.
    gc.set_threshold(100_000, 20, 20)
    from handfast.cli import commands

    try:
        return commands.COMMANDS[given.command](given)
    except HandfastError as error:
        print(f"handfast: {error}", file=sys.stderr)
        return error.exit_status
    except KeyboardInterrupt:
        print("handfast: stopped by you; nothing was half written", file=sys.stderr)
        return 2
    except BrokenPipeError:
        # Whoever read our output has gone; say nothing more.
        sys.stderr.close()
        return 0


def run() -> NoReturn:
    """The command as a process of its own.

    It ends at once, everything written and closed by then: taking numba's compiled code down in an orderly way
    would take a quarter of a second, a quarter of a whole check.
    """
    status = main()
    with contextlib.suppress(BrokenPipeError, ValueError):  # nobody reads any more, or the stream is closed
        sys.stdout.flush()
    with contextlib.suppress(BrokenPipeError, ValueError):
        sys.stderr.flush()
    os._exit(status)
