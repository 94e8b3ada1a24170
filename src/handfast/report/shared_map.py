"""A map of the table from above: over how much height both arms reach each place, fingers leaning out anyhow."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from handfast.bench.parts import SIDES, Bench
from handfast.geometry.rigid import Array
from handfast.layout.shared_reach import Grid, ReachTable, shared_reach
from handfast.report.charts import fill_sample, legend
from handfast.report.svg import COLOURS, FAINT, INK, RULE, SMALL, Picture

TONES = ("#ffffff", "#e3e8e4", "#c2cdc5", "#9db0a3", "#748f7e", "#4c6c59")
"""From not reached by both to both over more than `STEPS[-1]` m."""

STEPS = (0.0, 0.05, 0.10, 0.15, 0.20)
"""Heights, m, above which the next tone begins."""

WIDTH = 640.0


def shared_heights(tables: tuple[ReachTable, ReachTable], at: Array, grid: Grid) -> Array:
    """Height (X, Y), m, over which both arms reach each column of a grid, bases at (2, 3)."""
    found = np.zeros((len(grid.xs), len(grid.ys)))
    for i in range(len(grid.xs)):
        for k in range(len(grid.ys)):
            column = Grid(grid.xs[i : i + 1], grid.ys[k : k + 1], grid.heights, grid.cell)
            found[i, k] = shared_reach(tables, at[None], column).both[0, -1] / grid.cell**2
    return found


def shared_map(bench: Bench, tables: tuple[ReachTable, ReachTable], at: Array, grid: Grid, name: str) -> Picture:
    """The map, with the table top, boxes on it, and both bases."""
    low, high = np.array(bench.table_top.low), np.array(bench.table_top.high)
    scale = (WIDTH - 40.0) / float(high[0] - low[0])
    tall = float(high[1] - low[1]) * scale
    picture = Picture(name, WIDTH, tall + 70.0, "Shared reach from above")

    def x(value: float) -> float:
        return 20.0 + (value - float(low[0])) * scale

    def y(value: float) -> float:
        return 14.0 + (float(high[1]) - value) * scale

    tone = np.searchsorted(STEPS, shared_heights(tables, at, grid), side="left")
    half = 0.5 * grid.cell
    for k in range(len(grid.ys)):
        ends = np.concatenate([[0], np.flatnonzero(np.diff(tone[:, k])) + 1, [len(grid.xs)]])
        for begin, end in pairwise(ends):
            if tone[begin, k]:
                left, right = x(grid.xs[begin] - half), x(grid.xs[end - 1] + half)
                top, bottom = y(grid.ys[k] + half), y(grid.ys[k] - half)
                picture.box(left, top, right - left, bottom - top + 0.3, TONES[tone[begin, k]], None)
    picture.box(x(float(low[0])), y(float(high[1])), scale * float(high[0] - low[0]), tall, "none", RULE, 1.2)
    for box in bench.obstacles:
        corner, size = np.array(box.center) - 0.5 * np.array(box.size), np.array(box.size)
        left, top = x(float(corner[0])), y(float(corner[1] + size[1]))
        wide, deep = float(size[0]) * scale, float(size[1]) * scale
        picture.box(left, top, wide, deep, picture.hatch("crossed", FAINT, 5.0, 0.8), RULE, 0.8)
        picture.text(left + 4, top + deep - 4, box.name, SMALL - 0.5, halo=True, room=wide - 8)
    for arm, side in enumerate(SIDES):
        px, py = x(float(at[arm, 0])), y(float(at[arm, 1]))
        ahead = np.array([np.cos(at[arm, 2]), -np.sin(at[arm, 2])]) * 22.0
        picture.line([(px, py), (px + float(ahead[0]), py + float(ahead[1]))], COLOURS[side], 2.4)
        picture.dot(px, py, 7.0, COLOURS[side], INK)
        picture.text(px, py - 12, side, SMALL, "middle", bold=True, halo=True)
    words = ["over more than 0 cm of height", *(f"{100 * s:.0f} cm" for s in STEPS[1:])]
    legend(
        picture, 20, tall + 36, WIDTH - 40,
        [(fill_sample(picture, TONES[n + 1], RULE, 0.6), w) for n, w in enumerate(words)],
    )  # fmt: skip
    return picture
