"""`handfast board`: simulate, probe, wiring, flash, power-up, store."""

from __future__ import annotations

import argparse
import json
import signal
import sys
from argparse import Namespace
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from handfast.desk.board import Simulated
    from handfast.desk.work import Desk

RELAY = (
    "the relay goes on: servos get power but no pulses. Some twitch at that. Hands out; both arms supported; "
    "the switch that cuts the supply within reach."
)


def options(board: argparse.ArgumentParser) -> None:
    """What `handfast board` takes."""
    which = board.add_subparsers(dest="what", metavar="WHAT", required=True)

    def sub(name: str, says: str, computes: bool) -> argparse.ArgumentParser:
        parser: argparse.ArgumentParser = which.add_parser(
            name, help=says, description=says[0].upper() + says[1:] + "."
        )
        parser.add_argument("--bench", type=Path, metavar="DIR", help="the bench folder (else the nearest)")
        if computes:
            parser.add_argument("--json", action="store_true", help="print plain values as JSON")
        return parser

    simulate = sub("simulate", "run a board without hardware, and print the port that --port takes", False)
    simulated_options(simulate)
    simulate.add_argument(
        "--firmware", action="store_true", help="the real firmware in the AVR simulator, not Python's"
    )
    simulate.add_argument(
        "--elf", type=Path, metavar="FILE", help="which firmware (else the one that make firmware built)"
    )

    probe = sub("probe", "look at a board and at what its wires show", True)
    board_options(probe)
    probe.add_argument("--no-power", action="store_true", help="leave the relay off: no wipers are read")
    probe.add_argument(
        "--wiggle", action="append", default=[], metavar="SERVO",
        help="wait for this servo to be moved by hand, such as 'left elbow', or all (may be repeated)",
    )  # fmt: skip
    probe.add_argument("--patience", type=float, default=30.0, metavar="S", help="how long to wait for a hand")

    sub("wiring", "print the wiring sheet of this bench", True)

    flash = sub("flash", "write the firmware into the board", False)
    flash.add_argument("--port", required=True, metavar="PORT", help="the serial port of the board")
    flash.add_argument("--image", type=Path, metavar="FILE", help="the image (else the one that make firmware built)")
    flash.add_argument("--programmer", default="wiring", metavar="KIND", help="how it is written (else a boot loader)")
    flash.add_argument("--dry-run", action="store_true", help="show the command and write nothing")

    first = sub("power-up", "give servos power for the first time, one at a time", True)
    board_options(first)
    first.add_argument("servo", nargs="*", metavar="SERVO", help="such as 'left elbow' (else all, one after another)")
    first.add_argument("--no-hand", action="store_true", help="leave out what a hand has to do: only find the travel")
    first.add_argument("--patience", type=float, default=30.0, metavar="S", help="how long to wait for a hand")

    store = sub("store", "put a routine into the board's own memory, to be run from its pedal without a host", True)
    store.add_argument("routine", nargs="?", metavar="ROUTINE", help="a path, or a name inside the bench")
    board_options(store)
    store.add_argument(
        "--way", choices=["raw", "corrected"], default="corrected", help="targets as they are, or corrected"
    )
    store.add_argument("--run", type=int, metavar="N", help="take over the trims of this run (else the newest's)")
    store.add_argument("--untrimmed", action="store_true", help="take over no trims")
    store.add_argument(
        "--within", type=float, default=0.3, metavar="DEG", help="how far lines between knots may leave the commands"
    )
    store.add_argument("--repeat", type=int, default=1, metavar="N", help="how often it runs at one press")
    store.add_argument(
        "--press", action="store_true", help="one press starts it, the next stops it (else while the pedal is held)"
    )
    store.add_argument(
        "--overrule", action="append", default=[], metavar="QUESTION", help="store it although this answer fails"
    )
    store.add_argument("--look", action="store_true", help="only tell what the board keeps")
    store.add_argument("--erase", action="store_true", help="forget what the board keeps")


def simulated_options(parser: argparse.ArgumentParser) -> None:
    """What stands at the pins of a simulated board."""
    parser.add_argument("--stand-in", metavar="COMMAND", help="any stand-in for the arms; see docs/stand-ins.md")
    parser.add_argument("--seed", type=int, default=1, help="which simulated pair of arms, if no other is named")
    parser.add_argument("--hand", type=Path, metavar="FILE", help="what a hand does to the simple arms")
    parser.add_argument("--readings", type=Path, metavar="FILE", help="where instruments at them write")
    parser.add_argument("--truth", type=Path, metavar="FILE", help="where they write true TCP positions")


def board_options(parser: argparse.ArgumentParser) -> None:
    """Which board: a port, or one in memory."""
    parser.add_argument("--port", metavar="PORT", help="the port of a board, real or from handfast board simulate")
    parser.add_argument("--board", choices=["python"], help="instead of a port: a Python board in memory")
    simulated_options(parser)


def where(given: Namespace) -> str | None:
    """The port that is asked for; None for a board in memory. Raises InputError if neither or both are named."""
    from handfast.errors import InputError

    if (given.port is None) == (given.board is None):
        from handfast.board.links import serial_ports

        found = [f"{port} ({says})" for port, says in serial_ports()]
        raise InputError(
            "which board?" if given.port is None else "a port and a board in memory",
            expected="--port PORT, or --board python",
            available=found,
            next_step="name a port; handfast board simulate makes one without hardware",
        )
    port: str | None = given.port
    return port


def command(given: Namespace) -> int:
    """`handfast board WHAT`."""
    from handfast.desk import work

    desk = work.open_bench(Path.cwd(), given.bench)
    from handfast.cli.storing import store

    return {
        "simulate": _simulate, "probe": _probe, "wiring": _wiring, "flash": _flash, "power-up": _power_up,
        "store": store,
    }[given.what](given, desk)  # fmt: skip


def asked_stand_in(given: Namespace) -> Simulated:
    """The stand-in of the options."""
    from handfast.desk import board

    return board.Simulated(given.stand_in, given.seed, given.hand, given.readings, given.truth)


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def _simulate(given: Namespace, desk: Desk) -> int:
    from handfast.desk.board import simulate, simulate_firmware

    def ready(path: str) -> None:
        print(path, flush=True)
        what = "the firmware in the simulator" if given.firmware else "a Python board"
        _say(f"{what} is there; Ctrl-C ends it. Lines typed here: pedal 1, pedal 0, stop 1 (struck), stop 0, reset")

    # Both ways to be ended close the stand-in in order, also where a shell has SIGINT ignored.
    signal.signal(signal.SIGINT, signal.default_int_handler)
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    try:
        if given.firmware:
            return simulate_firmware(desk, asked_stand_in(given), given.elf, ready)
        simulate(desk, asked_stand_in(given), _say, ready)
    except KeyboardInterrupt:
        _say("ended")
    return 0


def _probe(given: Namespace, desk: Desk) -> int:
    from handfast.desk.board import opened, probe, servos_named
    from handfast.sessions.operator import Keys

    port = where(given)
    servos_named(desk, given.wiggle, "--wiggle", "all")
    with opened(desk, port, asked_stand_in(given), not given.no_power) as found, Keys(True, lambda: False) as keys:
        if not given.no_power:
            _say(RELAY)
        result = probe(
            desk, found, not given.no_power, given.wiggle, given.patience, _say, lambda: keys.pressed_space()
        )
        name = found.board.name
    if given.json:
        seen = result.seen
        wipers = [] if seen is None else [
            {
                "channel": w.channel, "part": w.part, "counts": round(w.mean, 2), "noise_counts": round(w.deviation, 2),
                "angle_deg": None if w.angle is None else round(57.29577951308232 * w.angle, 2),
            }
            for w in seen.wipers
        ]  # fmt: skip
        print(
            json.dumps(
                {
                    "board": result.board,
                    "supply_V": None if seen is None else [round(v, 3) for v in seen.supply],
                    "wipers": wipers,
                    "wiggles": [{"part": w.part, "channel": w.channel, "moved": w.moved} for w in result.wiggles],
                    "findings": [{"where": f.where, "text": f.text} for f in result.findings],
                },
                indent=2,
            )
        )
        return 1 if result.findings else 0
    b = result.board
    print(
        f"{name}: protocol {b['protocol']}, {b['channels']} channels, stop input {b['stop_input']}, pedal {b['pedal']}"
    )
    print(f"  its clock is off by {b['clock_drift_pct']} % and known to {b['clock_uncertain_ms']} ms")
    if result.seen is None:
        print("  relay off: no wipers were read")
        return 0
    low, middle, high = result.seen.supply
    print(f"  servo supply {middle:.2f} V ({low:.2f} to {high:.2f})")
    print(f"  {'channel':>7}  {'servo':20}{'counts':>8}{'noise':>7}{'angle':>9}")
    for w in result.seen.wipers:
        angle = "" if w.angle is None else f"{57.29577951308232 * w.angle:.1f}°"
        print(f"  {w.channel:7}  {w.part:20}{w.mean:8.1f}{w.deviation:7.2f}{angle:>9}")
    for finding in result.findings:
        print(f"  LOOK: {finding.where}: {finding.text}")
    if not result.findings:
        still = not result.wiggles and all(w.deviation < 0.005 for w in result.seen.wipers if w.part)
        print(
            "  nothing looks wired wrongly"
            + (", but no wiper moved at all: move joints by hand with --wiggle all, to be sure" if still else "")
        )
    return 1 if result.findings else 0


def _wiring(given: Namespace, desk: Desk) -> int:
    from handfast.board.wiring import rows, sheet

    if given.json:
        print(json.dumps([row.__dict__ for row in rows(desk.bench)], indent=2))
    else:
        print(sheet(desk.bench))
    return 0


def _flash(given: Namespace, desk: Desk) -> int:
    from handfast.board.flash import command as flash_command
    from handfast.board.flash import flash, image

    path = image(given.image)
    words = flash_command(given.port, path, given.programmer)
    if given.dry_run:
        print(" ".join(words))
        return 0
    _say("the servo supply should be off: pins float while the chip is written")
    flash(given.port, path, given.programmer)
    print(f"{given.port}: {path.name} written and compared; next: handfast board probe --port {given.port}")
    return 0


def _power_up(given: Namespace, desk: Desk) -> int:
    from handfast.bench.cautions import before_motion
    from handfast.desk.board import opened, power_up, servos_named
    from handfast.sessions.operator import KEYS_SAY, Always, Keys

    port = where(given)
    servos_named(desk, given.servo)
    with (
        opened(desk, port, asked_stand_in(given)) as found,
        Keys(True, lambda: found.board.known().pedal) as keys,
    ):
        _say(before_motion(desk.bench))
        _say(RELAY)
        if port is not None:
            _say(KEYS_SAY)
        operator = keys if port is not None else Always()
        skip = (lambda: keys.typed() == "s") if port is not None else (lambda: False)
        result = power_up(desk, found, given.servo, not given.no_hand, operator, _say, skip, given.patience)
    degrees = 57.29577951308232
    if given.json:
        print(
            json.dumps(
                [
                    {
                        "part": r.part, "way": r.way, "limp": r.limp, "trouble": r.trouble,
                        "travel_deg": None if r.travel is None else [round(degrees * a, 2) for a in r.travel],
                    }
                    for r in result
                ],
                indent=2,
            )
        )  # fmt: skip
    else:
        for r in result:
            travel = (
                ""
                if r.travel is None
                else f" moved freely {degrees * r.travel[0]:.0f}° to {degrees * r.travel[1]:.0f}°"
            )
            limp = {True: ", goes limp", False: ", does not go limp", None: ""}[r.limp]
            print(f"{r.part}:{travel}{limp}{'; LOOK: ' + r.trouble if r.trouble else ''}")
    return 1 if any(r.trouble for r in result) else 0
