"""`handfast board store`: a routine into the board's own memory."""

from __future__ import annotations

import json
import sys
from argparse import Namespace
from pathlib import Path
from typing import TYPE_CHECKING

from handfast.units import counted

if TYPE_CHECKING:
    from handfast.desk.storing import InMemory, Prepared
    from handfast.desk.work import Desk

DEGREES = 57.29577951308232
CAUTION = (
    "CAUTION: from now on the pedal alone moves the arms, with no computer that checks or trims. They first go "
    "straight to the routine's first pose from wherever they hang: bring them near it. One person at the pedal, with "
    "both arms in sight and the switch that cuts the supply within reach."
)


def store(given: Namespace, desk: Desk) -> int:
    """`handfast board store [ROUTINE]`."""
    from handfast.cli.board import asked_stand_in, where
    from handfast.desk import storing, work
    from handfast.desk.board import opened
    from handfast.errors import InputError

    asked = [bool(given.routine), given.look, given.erase]
    if sum(asked) != 1:
        raise InputError(
            "nothing asked for" if not any(asked) else "several things at once",
            where="handfast board store",
            expected="a ROUTINE to store, or --look, or --erase",
            available=[path.stem for path in sorted((desk.folder.root / "routines").glob("*.toml"))],
            next_step="name one of these",
        )
    port = where(given)
    prepared = None
    if given.routine:
        start = Path(given.routine)
        ((path, routine),) = work.routines(desk, [str(start.resolve()) if start.exists() else given.routine])
        prepared = storing.prepare(
            desk, path, routine, given.way, given.overrule, given.run, given.untrimmed, given.within / DEGREES
        )
    with opened(desk, port, asked_stand_in(given)) as found:
        if given.erase:
            storing.erase(found)
        kept = (
            storing.look(found) if prepared is None else storing.store(found, prepared, not given.press, given.repeat)
        )
        name = found.board.name
    if given.json:
        print(json.dumps(_plain(kept, prepared), indent=2, ensure_ascii=False))
    else:
        print(_text(name, kept, prepared, given.press))
    if prepared is not None:
        print(CAUTION, file=sys.stderr)
    return 0


def _plain(kept: InMemory, prepared: Prepared | None) -> dict[str, object]:
    plain: dict[str, object] = {
        "valid": kept.valid, "knots": kept.knots, "room": kept.room, "duration_s": round(kept.duration, 2),
        "channels": list(kept.channels), "limits_of_this_bench": kept.ours,
    }  # fmt: skip
    if prepared is not None:
        plain |= {
            "routine": prepared.ready.routine.name, "way": prepared.ready.mode, "trims_of_run": prepared.run,
            "off_deg": round(DEGREES * prepared.thin.off, 3),
        }  # fmt: skip
    return plain


def _text(name: str, kept: InMemory, prepared: Prepared | None, press: bool) -> str:
    if not kept.valid:
        return f"{name}: no routine is kept ({kept.room} knots would fit)"
    lines = [f"{name}: keeps a routine of {kept.duration:.1f} s in {kept.knots} of {counted(kept.room, 'knot')}"]
    if prepared is None:
        lines.append(
            "  with the limits of this bench as it is now"
            if kept.ours
            else "  with other limits than this bench's now: it was stored from another bench, or before a change"
        )
        return "\n".join(lines)
    lines.append(
        f"  {prepared.ready.routine.name}, {prepared.ready.mode}; its lines leave the commands by "
        f"{DEGREES * prepared.thin.off:.2f}° at most"
    )
    if prepared.run is not None:
        lines.append(
            f"  with what run {prepared.run} found by trimming: good as long as loads and supply stay as they were"
        )
    elif prepared.ready.mode != "raw":
        lines.append(
            "  without trims, as no run is there whose trims could be taken over: it lands as an untrimmed one does;\n"
            f"  next: handfast run {prepared.ready.routine.name}, then store it again"
        )
    lines.append(
        "  unplug the computer and reset the board; then "
        + (
            "press the pedal for a second: it starts; the next press stops it"
            if press
            else "hold the pedal: after a second it starts; let go: it stops"
        )
    )
    return "\n".join(lines)
