"""How much room both arms share, for thousands of placements: a table of each arm's reach, by distance and height.

An arm whose first joint turns about the vertical reaches the same heights at the same distance from its axis, whichever
way it faces, as far as that joint turns. So its reach is found once, by closed forms, for every distance and height and
for fingers that lean outwards by some angles, and a placement is judged by looking up two tables.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from handfast.geometry.rigid import Array, pose, yaw_pose
from handfast.layout.shared_reach_kernels import shared_kernel
from handfast.mechanics.inverse import arrangement_of, solve
from handfast.mechanics.kinematics import places
from handfast.mechanics.model import Chain
from handfast.mechanics.reach import longest
from handfast.units import DEGREE

LEANS = tuple(15.0 * DEGREE * k for k in range(7))
"""Angles by which fingers lean outwards, from straight down to level, rad."""

STEP = 1e-3
"""Distances of the table, m."""

MOST_HEIGHTS = 62
"""Heights that fit into one integer, one bit each."""

REACHED, POINTED = 1e-4, 1.0 * DEGREE
"""A TCP this near, m, with fingers that point this nearly, rad, counts as there."""

FIRST = 1e-6
"""How far the first joint may turn while the table is made, rad."""


@dataclass(frozen=True)
class Grid:
    """Middles of cells: columns xs (X,), ys (Y,) and heights (Z,), m, all `cell` m apart."""

    xs: Array
    ys: Array
    heights: Array
    cell: float

    @property
    def volume(self) -> float:
        """Of one cell, m³."""
        return self.cell**3


def grid_over(low: Array, high: Array, top: float = 0.4, cell: float = 0.01) -> Grid:
    """A grid over the rectangle from low (2,) to high (2,) m, up to `top` m above the table."""
    xs, ys, zs = (
        a + cell * (0.5 + np.arange(max(1, round((b - a) / cell))))
        for a, b in ((low[0], high[0]), (low[1], high[1]), (0.0, top))
    )
    return Grid(xs, ys, zs[:MOST_HEIGHTS], cell)


@dataclass(frozen=True)
class ReachTable:
    """One arm's reach: bits of the heights reached, (L + 1, R) at distances k · `step` m; the last row: any lean.

    front: at the distance ahead; back: over the shoulder. travel (2,) rad of the first joint.
    """

    front: np.ndarray
    back: np.ndarray
    step: float
    travel: Array


def reach_table(
    chain: Chain, heights: Array, leans: tuple[float, ...] = LEANS, step: float = STEP
) -> ReachTable | None:
    """The table of a single arm for heights (Z,) m in the world; None where it has no such symmetry or closed form."""
    if len(heights) > MOST_HEIGHTS or not _turns_level(chain):
        return None
    base = yaw_pose(np.array([0.0, 0.0, float(chain.bases[0, 2, 3])]), 0.0)
    still = replace(chain, bases=base[None], travel=np.vstack([[-FIRST, FIRST], chain.travel[1:]]))
    if arrangement_of(still) is None:
        return None
    count = int(longest(chain) / step) + 2
    r = step * np.arange(count, dtype=np.float64)
    sides = []
    for way in (1.0, -1.0):
        rows = []
        for lean in leans:
            x: Array = way * r[:, None]
            X = outward_poses(x, np.zeros((count, 1)), heights, lean, np.array([way, 0.0]))
            rows.append(_bits(reaches(still, X.reshape(-1, 4, 4)).reshape(count, len(heights))))
        rows.append(np.bitwise_or.reduce(rows))
        sides.append(np.array(rows))
    return ReachTable(sides[0], sides[1], step, chain.travel[0].copy())


def _turns_level(chain: Chain) -> bool:
    """Whether the first joint turns about the vertical, with all that follows in one plane through its axis."""
    if abs(abs(chain.axes[0, 2]) - 1.0) > 1e-9 or np.abs(chain.bases[0, 2, :2]).max() > 1e-9 or chain.axes[0, 2] < 0.0:
        return False
    if np.linalg.norm(chain.offsets[0, :2]) > 1e-9:
        return False
    q = np.vstack([np.zeros(chain.joints), np.where(np.arange(chain.joints) == 0, 0.0, 0.4)])
    at = places(replace(chain, bases=yaw_pose(np.zeros(3), 0.0)[None]), q)
    return bool(np.abs(at.X_WT[:, 0, 1, 3]).max() < 1e-9)


def outward_poses(x: Array, y: Array, heights: Array, lean: float, ahead: Array) -> Array:
    """Tool poses (..., Z, 4, 4) at places x, y (..., 1) and heights, fingers leaning from straight down to `ahead`."""
    out = np.array([ahead[0], ahead[1], 0.0])
    z = np.sin(lean) * out - np.array([0.0, 0.0, np.cos(lean)])
    side = np.array([-ahead[1], ahead[0], 0.0])
    R = np.column_stack([np.cross(side, z), side, z])
    shape = np.broadcast_shapes(x.shape, heights.shape)
    p = np.stack([np.broadcast_to(v, shape) for v in (x, y, heights)], axis=-1)
    return pose(np.broadcast_to(R, (*shape, 3, 3)), p)


def reaches(chain: Chain, X_WT: Array) -> np.ndarray:
    """Which tool poses (N, 4, 4) a single arm reaches, jaws either way round."""
    found = np.zeros(len(X_WT), dtype=bool)
    for turn in (1.0, -1.0):
        X = X_WT.copy()
        X[:, :3, :2] *= turn
        at = solve(chain, X)
        found |= (at.short < REACHED) & (at.turn < POINTED) & (at.beyond <= 1e-9)
    return found


def _bits(reached: np.ndarray) -> np.ndarray:
    """(R, Z) as integers (R,): bit k for height k."""
    weights = np.int64(1) << np.arange(reached.shape[1], dtype=np.int64)
    result: np.ndarray = (reached * weights).sum(axis=1)
    return result


@dataclass(frozen=True)
class Shares:
    """Volumes m³ (M, L + 1) of M placements, by lean, the last for any: of the left arm, the right, and shared."""

    left: Array
    right: Array
    both: Array


def shared_reach(tables: tuple[ReachTable, ReachTable], at: Array, grid: Grid) -> Shares:
    """What both arms reach on a grid when their bases stand at (M, 2, 3): x m, y m, yaw rad."""
    one, two = tables
    size = max(one.front.shape[1], two.front.shape[1])

    def wide(rows: np.ndarray) -> np.ndarray:
        return np.ascontiguousarray(np.pad(rows, ((0, 0), (0, size - rows.shape[1]))))

    at = np.ascontiguousarray(np.asarray(at, dtype=float).reshape(-1, 2, 3))
    out = np.zeros((len(at), one.front.shape[0], 3), dtype=np.int64)
    travel = np.ascontiguousarray(np.stack([one.travel, two.travel]))
    shared_kernel(
        wide(one.front), wide(one.back), wide(two.front), wide(two.back), one.step, travel, at,
        np.ascontiguousarray(grid.xs), np.ascontiguousarray(grid.ys), out,
    )  # fmt: skip
    volumes = out.astype(np.float64) * grid.volume
    return Shares(volumes[:, :, 0], volumes[:, :, 1], volumes[:, :, 2])
