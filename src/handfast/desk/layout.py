"""What a user does about where the bases stand: search, compare, and write the chosen placement."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from handfast.bench.folder import read_bench
from handfast.bench.parts import SIDES
from handfast.desk.work import Desk
from handfast.errors import InputError
from handfast.units import DEGREE

if TYPE_CHECKING:
    from handfast.bench.parts import Bench, Side
    from handfast.desk.aside import Aside
    from handfast.geometry.rigid import Array
    from handfast.layout.search import Placement
    from handfast.layout.shared_reach import Grid, ReachTable
    from handfast.routine.steps import Routine

_SAME_PLACE, _SAME_YAW = 0.05e-3, 0.005 * DEGREE
"""A base that is to be moved by less than is written of it, m and rad, stays where it is."""


@dataclass(frozen=True)
class Layouts:
    """The placement as it stands, and ranked ones, best first.

    shared (1 + found, L + 1) m³: what both arms reach, the start first, by `leans` of the fingers, the last for any;
    None where an arm has no table of reach.
    """

    start: Placement
    found: tuple[Placement, ...]
    shared: Array | None
    leans: tuple[float, ...]


def layouts(desk: Desk, asked: list[Routine], fixed: tuple[Side, ...] = ()) -> Layouts:
    """Ranked placements of the bases for these routines; for two hands and the table's middle where there is none."""
    from handfast.layout.search import Search
    from handfast.layout.shared_reach import LEANS, shared_reach

    bench = desk.bench
    for side in ("left", "right"):
        radius = bench.arm(side).joints[0].capsule_radius
        size = [bench.table_top.high[i] - bench.table_top.low[i] for i in range(2)]
        if min(size) < 2.0 * radius:
            raise InputError(
                f"the {side} arm's base does not fit on the table",
                where=f"{desk.folder.file}: table",
                expected=f"a table of at least {2e3 * radius:.0f} mm either way",
                next_step="mend low_mm and high_mm, or capsule_radius_mm of its first joint",
            )
    search = Search(bench, asked, fixed)
    start, found = search.judged(search.start), tuple(search.run())
    tables, grid = _tables(bench)
    shared = None
    if tables is not None:
        shared = shared_reach(tables, np.array([p.at for p in (start, *found)]), grid).both
    return Layouts(start, found, shared, LEANS)


def _tables(bench: Bench) -> tuple[tuple[ReachTable, ReachTable] | None, Grid]:
    """Tables of both arms' reach, where they have any, and the grid over the table top."""
    from handfast.layout.shared_reach import grid_over, reach_table
    from handfast.mechanics.model import model_of

    top = bench.table_top
    grid = grid_over(np.array(top.low), np.array(top.high))
    chain = model_of(bench).chain
    left, right = (reach_table(chain.only(arm), grid.heights) for arm in range(2))
    return (None if left is None or right is None else (left, right)), grid


def write_map(desk: Desk, placement: Placement, path: Path) -> None:
    """Draw what both arms reach from a placement, as SVG. Raises InputError where an arm has no table of reach."""
    from handfast.files.atomic import write_text
    from handfast.report.shared_map import shared_map

    tables, grid = _tables(desk.bench)
    if tables is None:
        raise InputError(
            "a map needs arms whose first joint turns about the vertical, the others in a plane with it",
            where="--map",
            expected="such arms",
            next_step="leave --map out: placements are searched all the same",
        )
    write_text(path, shared_map(desk.bench, tables, np.array(placement.at), grid, "shared").markup(alone=True) + "\n")


@dataclass(frozen=True)
class Placed:
    """A placement that was written: bases that it moves, and what was measured of where they stood, set aside."""

    moved: tuple[Side, ...]
    aside: Aside


def write_placement(desk: Desk, placement: Placement, number: int) -> Placed:
    """Put bases that are to be moved into bench.toml, comments kept; it is read before the old file goes.

    What was measured of where these stood holds no more: it is set aside with the readings that told it. number: the
    placement's in its list.
    """
    import tomlkit

    from handfast.desk.aside import OF_BASE, bases_moved, set_aside

    file = desk.folder.file
    design = read_bench(desk.folder, measured=False)
    document: Any = tomlkit.parse(file.read_text(encoding="utf-8"))
    moved: list[Side] = []
    turned: list[Side] = []
    for arm, side in enumerate(SIDES):
        x, y, yaw = (float(v) for v in placement.at[arm])
        stood = desk.bench.arm(side)
        turn = abs((yaw - stood.yaw + np.pi) % (2.0 * np.pi) - np.pi)
        if max(abs(x - stood.base[0]), abs(y - stood.base[1])) < _SAME_PLACE and turn < _SAME_YAW:
            continue
        moved.append(side)
        turned += [side] if turn >= _SAME_YAW else []
        own = document["arms"][side]
        own["base_mm"] = [round(1e3 * v, 1) for v in (x, y, design.arm(side).base[2])]
        own["base_yaw_deg"] = round((yaw / DEGREE + 180.0) % 360.0 - 180.0, 2)
    keys = [(f"{side} base", key) for side in moved for key in OF_BASE]
    aside = set_aside(
        desk, tomlkit.dumps(document), keys, bases_moved(moved, turned), "layout",
        f"bases of placement {number}", commands=False,
    )  # fmt: skip
    return Placed(tuple(moved), aside)
