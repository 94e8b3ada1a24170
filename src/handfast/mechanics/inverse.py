"""Joint angles for a wanted tool pose: closed form where the arrangement allows, else the general solver.

"Cannot reach" is a result: every solution says how far the position is missed, what turn was given up, and
how far a joint would have to leave its travel.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from handfast.geometry.rigid import Array, inverse
from handfast.mechanics.closed_form_kernels import BRANCHES, five_joint_kernel
from handfast.mechanics.model import Chain
from handfast.mechanics.solver_kernels import solver_kernel

POSITION_TOLERANCE = 1e-6
"""A position nearer than this counts as reached, m."""

# What a turn is weighed at against a position by the general solver, m/rad: about the length of a hand.
_TURN_WEIGHT = 0.1


@dataclass(frozen=True)
class Solution:
    """Joint angles of one arm for N wanted poses, the best branch of each.

    q (N, K) rad. short (N,) m: distance by which the position is missed. turn (N,) rad: the turn that was
    asked for and given up. beyond (N,) rad: how far the worst joint is outside its travel; negative inside.
    """

    q: Array
    short: Array
    turn: Array
    beyond: Array

    @property
    def reached(self) -> np.ndarray:
        """(N,) whether the position is met within the joints' travel."""
        result: np.ndarray = (self.short <= POSITION_TOLERANCE) & (self.beyond <= 1e-9)
        return result


@dataclass(frozen=True)
class Arrangement:
    """The figures of a yaw, pitch, pitch, pitch, roll arm that the closed form needs (see its kernel)."""

    origin: Array  # (3,) of joint 1 in the base
    sides: Array
    signs: Array
    side_shift: float
    column: Array
    upper: Array
    fore: Array
    hand: Array
    gamma0: float
    roll_frame: Array


@lru_cache(maxsize=256)
def arrangement_of(chain: Chain) -> Arrangement | None:
    """The arrangement of a single arm if it is yaw, three parallel pitches and roll, else None.

    The yaw axis must be vertical, the pitch axes level and parallel, the roll axis along the fingers through
    the TCP and square to the pitch axes. Sideways offsets are allowed.
    """
    if chain.joints != 5:
        return None
    axes, offsets, tool, R_LT = chain.axes, chain.offsets, chain.tools[0], chain.tool_turns[0]
    z = np.array([0.0, 0.0, 1.0])
    pitch = axes[1]
    parallel = all(np.linalg.norm(np.cross(axes[i], pitch)) < 1e-9 for i in (2, 3))
    level = abs(pitch @ z) < 1e-9
    upright = np.linalg.norm(np.cross(axes[0], z)) < 1e-9
    fingers = R_LT[:, 2]
    along = np.linalg.norm(np.cross(axes[4], fingers)) < 1e-9
    through = np.linalg.norm(np.cross(tool, axes[4])) < 1e-9
    square = abs(axes[4] @ pitch) < 1e-9
    upright_base = np.allclose(chain.bases[0][:3, 2], z)
    if not (parallel and level and upright and along and through and square and upright_base):
        return None
    lean = np.cross(pitch, z)  # z turned by +90 degrees about the pitch axis
    sides = np.array([lean, pitch, z])

    def plane(v: Array) -> Array:
        return np.array([v @ lean, v @ z])

    members = [offsets[1], offsets[2], offsets[3], offsets[4] + tool]
    if min(np.linalg.norm(plane(members[1])), np.linalg.norm(plane(members[2]))) < 1e-9:
        return None
    return Arrangement(
        origin=offsets[0],
        sides=sides,
        signs=np.array(
            [np.sign(axes[0] @ z), *(np.sign(axes[i] @ pitch) for i in (1, 2, 3)), np.sign(axes[4] @ fingers)]
        ),
        side_shift=float(sum(v @ pitch for v in members)),
        column=plane(members[0]),
        upper=plane(members[1]),
        fore=plane(members[2]),
        hand=plane(members[3]),
        gamma0=float(np.arctan2(fingers @ lean, fingers @ z)),
        roll_frame=np.ascontiguousarray(sides @ R_LT),
    )


def branches(chain: Chain, arrangement: Arrangement, X_WT: Array) -> tuple[Array, Array]:
    """All branches of N wanted tool poses of a single arm.

    Returns q (N, 4, 5) rad and residual (N, 4, 3): position missed m, turn given up rad, travel exceeded rad.
    """
    X_BT = inverse(chain.bases[0]) @ X_WT
    p = np.ascontiguousarray(X_BT[:, :3, 3] - arrangement.origin)
    R = np.ascontiguousarray(X_BT[:, :3, :3])
    q, residual = np.empty((len(p), BRANCHES, 5)), np.empty((len(p), BRANCHES, 3))
    a = arrangement
    five_joint_kernel(
        p, R, a.sides, a.signs, a.side_shift, a.column, a.upper, a.fore, a.hand, a.gamma0, a.roll_frame,
        np.ascontiguousarray(chain.travel), q, residual,
    )  # fmt: skip
    return q, residual


def solve(chain: Chain, X_WT: Array, near: Array | None = None) -> Solution:
    """The best joint angles of a single arm for wanted tool poses `X_WT` (N, 4, 4) or (4, 4).

    Among branches that reach, the one nearest to `near` (N, K) or (K,) wins; without `near`, the one farthest
    from the joints' stops. Branches that do not reach are ranked by how far they miss. Arms with fewer than
    six joints keep the position, then the direction of the fingers, as far as their joints allow.
    """
    X_WT = np.atleast_3d(np.asarray(X_WT, dtype=float)).reshape(-1, 4, 4)
    arrangement = arrangement_of(chain)
    if arrangement is None:
        return _solve_general(chain, X_WT, near)
    q, residual = branches(chain, arrangement, X_WT)
    short, turn, beyond = residual[..., 0], residual[..., 1], residual[..., 2]
    unreachable = short + np.maximum(beyond, 0.0)
    if near is None:
        taste = beyond
    else:
        taste = np.abs(q - np.atleast_2d(near)[:, None, :]).max(axis=-1)
    cost = np.where(unreachable > 1e-9, 1e3 + 1e3 * unreachable, taste + turn)
    best = np.argmin(cost, axis=1)
    rows = np.arange(len(q))
    return Solution(q[rows, best], short[rows, best], turn[rows, best], beyond[rows, best])


@lru_cache(maxsize=8)
def _spread(joints: int, count: int) -> Array:
    """Starting points (count, joints) spread over the unit cube, the same ones every time."""
    from scipy.stats import qmc

    points: Array = qmc.Halton(joints, scramble=False).random(count + 1)[1:]
    return points


def _solve_general(chain: Chain, X_WT: Array, near: Array | None) -> Solution:
    """Any serial arm, by damped least squares from several starts."""
    N, K = len(X_WT), chain.joints
    low, high = chain.travel[:, 0], chain.travel[:, 1]
    spread = low + (0.1 + 0.8 * _spread(K, 24)) * (high - low)
    middle = 0.5 * (low + high)
    first = np.broadcast_to(np.atleast_2d(middle if near is None else near), (N, K))
    starts = np.concatenate([first[:, None], np.broadcast_to(spread, (N, *spread.shape))], axis=1)
    # With fewer than six joints a pose cannot be met in full: fingers before the turn about them.
    if K >= 6:
        weights = np.array([1.0, _TURN_WEIGHT, _TURN_WEIGHT])
    elif K == 5:
        weights = np.array([1.0, _TURN_WEIGHT, 1e-3 * _TURN_WEIGHT])
    else:
        weights = np.array([1.0, 1e-3 * _TURN_WEIGHT, 0.0])
    out, residual = np.empty((N, K)), np.empty((N, 3))
    p, R = np.ascontiguousarray(X_WT[:, :3, 3]), np.ascontiguousarray(X_WT[:, :3, :3])
    tool_and_travel = tuple(np.ascontiguousarray(a) for a in (chain.tools[0], chain.tool_turns[0], chain.travel))
    solver_kernel(
        chain.first, chain.bases, chain.offsets, chain.axes, *tool_and_travel,
        p, R, weights, np.ascontiguousarray(starts), 200, 1e-16, out, residual,
    )  # fmt: skip
    if K < 6:
        # Bring the position home exactly; what is left of the direction is given up.
        refine = np.array([1.0, 1e-6, 0.0])
        starts = np.ascontiguousarray(out[:, None])
        solver_kernel(
            chain.first, chain.bases, chain.offsets, chain.axes, *tool_and_travel,
            p, R, refine, starts, 100, 1e-16, out, residual,
        )  # fmt: skip
    beyond = np.maximum(low - out, out - high).max(axis=1)
    return Solution(out, residual[:, 0], residual[:, 1], beyond)
