"""`handfast layout`: where to bolt the bases."""

from __future__ import annotations

import contextlib
import json
import sys
from argparse import ArgumentParser, Namespace
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from handfast.desk.layout import Layouts, Placed
    from handfast.layout.search import Placement


def options(parser: ArgumentParser) -> None:
    """What `handfast layout` takes."""
    parser.add_argument("routine", nargs="*", metavar="ROUTINE", help="a path, or a name inside the bench (else all)")
    parser.add_argument("--fixed", choices=["left", "right"], action="append", default=[], help="this base stays")
    parser.add_argument("--apply", type=int, metavar="N", help="write placement N of the list into bench.toml")
    parser.add_argument(
        "--map",
        type=Path,
        metavar="FILE",
        help="draw what both arms reach from placement 1 (or --apply), as SVG",
    )


def _plain(number: int, p: Placement) -> dict[str, object]:
    import math

    bases = {
        side: {
            "base_mm": [round(1e3 * float(v), 1) for v in p.at[arm, :2]],
            "base_yaw_deg": round((math.degrees(float(p.at[arm, 2])) + 180.0) % 360.0 - 180.0, 2),
        }
        for arm, side in enumerate(("left", "right"))
    }
    rooms = {"reach": round(p.reach, 4), "clear": round(p.clear, 4), "worst": round(p.room, 4)}
    return {"number": number, **bases, "room": rooms}


def layout(given: Namespace) -> int:
    """`handfast layout`."""
    from handfast.desk import layout as desk_layout
    from handfast.desk import work
    from handfast.errors import InputError

    start = Path.cwd()
    if given.routine and Path(given.routine[0]).exists():
        start = Path(given.routine[0]).resolve().parent
    desk = work.open_bench(start, given.bench)
    named = given.routine or desk.folder.routine_files()
    routines = [r for _, r in work.routines(desk, given.routine)] if named else []
    found = desk_layout.layouts(desk, routines, tuple(given.fixed))
    if given.apply is not None and not 1 <= given.apply <= len(found.found):
        raise InputError(
            f"there is no placement {given.apply}",
            where="--apply",
            expected=f"a number from 1 to {len(found.found)}",
            next_step="run handfast layout without --apply to see the list",
        )
    if given.json:
        rows = [_plain(n, p) for n, p in enumerate((found.start, *found.found))]
        for n, row in enumerate(rows):
            row |= {} if found.shared is None else {"shared_reach_l": _litres(found, n)}
        print(json.dumps({"as_it_stands": rows[0], "placements": rows[1:]}, indent=2))
    else:
        _show(found.start, found.found)
        _show_shared(found)
    if given.map is not None:
        desk_layout.write_map(desk, found.found[(given.apply or 1) - 1], given.map)
        if not given.json:
            print(given.map)
    if given.apply is not None:
        placed = desk_layout.write_placement(desk, found.found[given.apply - 1], given.apply)
        with contextlib.redirect_stdout(sys.stderr) if given.json else contextlib.nullcontext():
            _applied(desk.folder.file, given.apply, placed)
    return 0 if found.found[0].room >= 0.0 else 1


def _applied(file: Path, number: int, placed: Placed) -> None:
    """What was written, what holds no more with it, and what comes next."""
    if not placed.moved:
        print(f"{file}: both bases stand there already; nothing was written")
        return
    bases = "bases" if len(placed.moved) == 2 else f"{placed.moved[0]} base"
    print(f"{file}: {bases} of placement {number} written")
    aside = placed.aside
    if aside.batch:
        print(f"set aside, for it tells of the old place: {aside.words}; all other measured figures stay")
    print("next: bolt the bases there and teach the routines again; taught angles belong to the old places")
    if aside.batch:
        print(
            "then touch points of one card with both arms, or meet tip to tip, and handfast calibrate --apply; before "
            "that it would have only first guesses for what these readings told. handfast calibrate --undo takes the "
            "placement back"
        )


def _litres(found: Layouts, number: int) -> dict[str, float]:
    """Litres that both arms reach, by lean of the fingers in degrees, and for any."""
    import math

    assert found.shared is not None
    row = [round(1e3 * float(v), 2) for v in found.shared[number]]
    return {**{f"{math.degrees(a):.0f}": v for a, v in zip(found.leans, row[:-1], strict=True)}, "any": row[-1]}


def _show_shared(found: Layouts) -> None:
    """What both arms reach, by how far the fingers lean outwards from straight down."""
    if found.shared is None:
        return
    heads = [*_litres(found, 0)]
    print(
        "\nshared reach, litres, by lean of the fingers: "
        + "  ".join(f"{h + ('' if h == 'any' else '°'):>6}" for h in heads)
    )
    for n in range(min(2, len(found.shared))):
        name = "as it stands" if n == 0 else f"placement {n}"
        print(f"  {name:43} " + "  ".join(f"{v:6.2f}" for v in _litres(found, n).values()))


def _show(start: Placement, found: tuple[Placement, ...]) -> None:
    print("placement        left base (mm, deg)      right base (mm, deg)     room: reach   clear   worst")
    for n, p in enumerate((start, *found)):
        plain = _plain(n, p)
        bases = []
        for side in ("left", "right"):
            one = plain[side]
            assert isinstance(one, dict)
            x, y = one["base_mm"]
            bases.append(f"{x:7.0f} {y:6.0f} {one['base_yaw_deg']:7.1f}")
        name = "as it stands" if n == 0 else f"{n}"
        print(f"{name:14} {bases[0]:>24} {bases[1]:>25} {p.reach:15.2f} {p.clear:7.2f} {p.room:7.2f}")
    best = found[0]
    for n, p in enumerate(found[1:], start=2):
        both = (("reach", p.reach - best.reach), ("clear", p.clear - best.clear))
        given_up = [f"{name} {change:+.2f}" for name, change in both if abs(change) >= 0.005]
        print(f"  {n} against 1: " + (", ".join(given_up) if given_up else "the same rooms elsewhere"))
    gain = best.room - start.room
    said = f"worst room {start.room:.2f} as it stands, {best.room:.2f} at placement 1"
    print(said + (f": {gain:.2f} gained" if gain > 0.005 else ": nothing to gain"))
    print("room: below 0 fails, 0 to 1 tight, from 1 holds; joints' stops and clearances at the taught places")
