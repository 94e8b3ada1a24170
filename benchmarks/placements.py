"""A thousand placements of two bases judged by tables of reach, against closed forms asked point by point."""

from __future__ import annotations

import time
from functools import cache

import numpy as np

from handfast.layout.shared_reach import (
    LEANS,
    Grid,
    ReachTable,
    grid_over,
    reach_table,
    shared_reach,
)
from handfast.mechanics.model import Chain
from ratios import Row
from support import seedling
from support.outward import directly

PLACEMENTS, POINTS = 1000, 3000


@cache
def case() -> tuple[tuple[Chain, Chain], tuple[ReachTable, ReachTable], Grid, np.ndarray]:
    """The seedling's arms, a 1 cm grid of 60 x 60 x 40 cm, and placements anywhere on it."""
    model = seedling.model()
    grid = grid_over(np.array([-0.3, -0.3]), np.array([0.3, 0.3]), 0.4)
    assert (len(grid.xs), len(grid.ys), len(grid.heights)) == (60, 60, 40)
    tables = [reach_table(model.chain.only(arm), grid.heights) for arm in range(2)]
    assert tables[0] is not None
    assert tables[1] is not None
    rng = np.random.default_rng(1)
    at = np.concatenate(
        [rng.uniform(-0.3, 0.3, (PLACEMENTS, 2, 2)), rng.uniform(-np.pi, np.pi, (PLACEMENTS, 2, 1))], axis=2
    )
    return (model.chain.only(0), model.chain.only(1)), (tables[0], tables[1]), grid, at


def seconds() -> float:
    """Processor time for all placements, every lean."""
    _, tables, grid, at = case()
    shared_reach(tables, at[:2], grid)
    start = time.thread_time()
    shared_reach(tables, at, grid)
    return time.thread_time() - start


def under_a_second() -> float:
    """A second over it."""
    return 1.0 / min(seconds() for _ in range(3))


def against_points() -> float:
    """Time of the closed forms, scaled up from some of the points of one placement, over that of the tables."""
    chains, _, grid, at = case()
    points = np.stack(np.meshgrid(grid.xs, grid.ys, grid.heights, indexing="ij"), axis=-1).reshape(-1, 3)
    some = np.random.default_rng(2).choice(len(points), POINTS, replace=False)
    directly(chains, at[0], points[some], LEANS[3])
    start = time.thread_time()
    for lean in LEANS:
        directly(chains, at[0], points[some], lean)
    each = (time.thread_time() - start) / POINTS
    return each * len(points) * PLACEMENTS / min(seconds() for _ in range(3))


def alike() -> float:
    """Half a percent over how far the shared volumes of all leans are off, for the placement that the bench has."""
    chains, tables, grid, _ = case()
    bench = seedling.bench()
    at = np.array([[(*bench.arm(side).base[:2], bench.arm(side).yaw) for side in ("left", "right")]])
    points = np.stack(np.meshgrid(grid.xs, grid.ys, grid.heights, indexing="ij"), axis=-1).reshape(-1, 3)
    found = shared_reach(tables, at, grid).both[0, :-1].sum()
    true = sum(directly(chains, at[0], points, lean).all(axis=0).sum() for lean in LEANS) * grid.volume
    return 0.005 / max(abs(found / true - 1.0), 1e-9)


ROWS = [
    Row("1000 placements: a second over what they take", 1.0, 3.0, under_a_second),
    Row("1000 placements against closed forms point by point", 1000.0, 5000.0, against_points),
    Row("1000 placements: 0.5 % over how far scores are off", 1.0, 2.0, alike),
]
