"""Tables of reach: against closed forms of bodies that have one, and against the same arm asked point by point."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from handfast.layout.shared_reach import LEANS, Grid, ReachTable, grid_over, reach_table, shared_reach
from support import seedling
from support.outward import directly


def ball(radius: float, height: float, heights: np.ndarray, step: float = 1e-3) -> ReachTable:
    """The table of an arm that reaches a ball about a point `height` m above its base, facing anywhere."""
    r = step * np.arange(int(radius / step) + 2)
    inside = r[:, None] ** 2 + (heights - height) ** 2 <= radius**2
    bits = (inside * (np.int64(1) << np.arange(len(heights), dtype=np.int64))).sum(axis=1)
    rows = np.tile(bits, (2, 1))
    return ReachTable(rows, np.zeros_like(rows), step, np.array([-np.pi, np.pi]))


@pytest.mark.parametrize("apart", [0.05, 0.2, 0.3, 0.39, 0.41])
def test_two_balls_share_a_lens(apart: float):
    """Volume of the lens of two balls of radius R, d apart: π (4R + d) (2R - d)² / 12.

    Weisstein, "Sphere-Sphere Intersection", MathWorld, equation for equal spheres, from memory; a grid of 5 mm.
    """
    R, cell = 0.2, 0.005
    n = np.arange(-90, 90) + 0.5
    heights = cell * (0.5 + np.arange(62))
    grid = Grid(cell * n, cell * n, heights, cell)
    table = ball(R, 0.155, heights)
    found = shared_reach((table, table), np.array([[[-apart / 2, 0, 0.3], [apart / 2, 0, -1.0]]]), grid)
    lens = np.pi * (4 * R + apart) * (2 * R - apart) ** 2 / 12 if apart < 2 * R else 0.0
    # The balls are cut off where the grid ends, 155 mm below and above their middles; so is the lens.
    z = np.linspace(-0.155, 0.155, 2001)
    half = np.sqrt(np.maximum(R**2 - z**2, 0.0))
    circle = np.maximum(half, 1e-12)
    share = np.where(
        apart < 2 * circle,
        2 * circle**2 * np.arccos(np.clip(apart / (2 * circle), -1, 1))
        - 0.5 * apart * np.sqrt(np.maximum(4 * circle**2 - apart**2, 0.0)),
        0.0,
    )  # area of the lens of two circles, the same source
    cut = float(np.trapezoid(share, z))
    assert cut <= lens + 1e-9
    assert found.both[0, -1] == pytest.approx(cut, rel=5e-3, abs=2e-6)
    whole = np.pi * float(np.trapezoid(half**2, z))
    assert found.left[0, -1] == pytest.approx(whole, rel=5e-3)


def test_a_first_joint_turns_only_so_far():
    """A ball seen through a wedge: a quarter turn holds a quarter of it; half a turn about, the opposite quarter."""
    heights = 0.005 * (0.5 + np.arange(62))
    n = np.arange(-50, 50) + 0.5
    grid = Grid(0.005 * n, 0.005 * n, heights, 0.005)
    whole = ball(0.2, 0.155, heights)
    wedge = replace(whole, travel=np.array([-np.pi / 4, np.pi / 4]))
    at = np.array([[[0, 0, 0.3], [0, 0, 0.3]], [[0, 0, 0.3], [0, 0, 0.3 + np.pi]]])
    found = shared_reach((whole, wedge), at, grid)
    assert found.right[0, -1] == pytest.approx(0.25 * found.left[0, -1], rel=2e-2)
    assert shared_reach((wedge, wedge), at, grid).both[1, -1] == 0.0
    # Over the shoulder it reaches what lies opposite.
    over = replace(wedge, back=wedge.front)
    assert shared_reach((whole, over), at, grid).right[0, -1] == pytest.approx(0.5 * found.left[0, -1], rel=2e-2)


@pytest.mark.parametrize("lean", [0, 3, 6])
def test_a_table_says_what_the_closed_form_says_point_by_point(lean: int):
    """Random placements and points of the seedling bench's arms: at most 1 % of the points differ, near the rims."""
    model = seedling.model()
    chains = (model.chain.only(0), model.chain.only(1))
    grid = grid_over(np.array([-0.3, -0.3]), np.array([0.3, 0.3]))
    tables = tuple(reach_table(chain, grid.heights) for chain in chains)
    assert tables[0] is not None
    assert tables[1] is not None
    rng = np.random.default_rng(lean)
    for _ in range(2):
        at = np.column_stack([rng.uniform(-0.25, 0.25, (2, 2)), rng.uniform(-np.pi, np.pi, 2)])
        points = np.column_stack([rng.choice(grid.xs, 700), rng.choice(grid.ys, 700), rng.choice(grid.heights, 700)])
        truth = directly(chains, at, points, LEANS[lean])
        for arm in range(2):
            found = np.array([_bit(tables[arm], at[arm], p, grid, lean) for p in points])
            assert np.mean(found != truth[arm]) < 0.01
            assert truth[arm].sum() >= 3


def _bit(table: ReachTable, at: np.ndarray, p: np.ndarray, grid: Grid, lean: int) -> bool:
    """Whether one cell counts."""
    only = replace(
        table,
        front=table.front & (np.int64(1) << np.int64(np.argmin(np.abs(grid.heights - p[2])))),
        back=table.back & (np.int64(1) << np.int64(np.argmin(np.abs(grid.heights - p[2])))),
    )
    column = Grid(p[:1], p[1:2], grid.heights, grid.cell)
    return bool(shared_reach((only, only), np.array([[at, at]]), column).left[0, lean] > 0.0)


def test_arms_without_that_symmetry_have_no_table():
    """A first joint that lies level, or that stands beside what follows: None, so that points are asked one by one."""
    chain = seedling.model().chain.only(0)
    heights = 0.01 * np.arange(10)
    level = replace(chain, axes=np.vstack([[1.0, 0.0, 0.0], chain.axes[1:]]))
    assert reach_table(level, heights) is None
    offsets = chain.offsets.copy()
    offsets[2] += [0.0, 0.03, 0.0]
    assert reach_table(replace(chain, offsets=offsets), heights) is None
    assert reach_table(chain, 0.01 * np.arange(80)) is None
