"""Joint angles for a wanted tool pose: closed form where the arrangement allows, else the general solver.

"Cannot reach" is a result: every solution says how far the position is missed, what turn was given up, and
how far a joint would have to leave its travel.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from handfast.geometry.rigid import Array
from handfast.mechanics.closed_form_kernels import BRANCHES, best_branch_kernel, five_joint_kernel
from handfast.mechanics.kinematics import tool_poses
from handfast.mechanics.model import Chain
from handfast.mechanics.solver_kernels import solver_kernel

POSITION_TOLERANCE = 1e-6
"""A position nearer than this counts as reached, m."""

# What a turn is weighed at against a position by the general solver, m/rad: about the length of a hand.
_TURN_WEIGHT = 0.1
# Weights on position, direction of the fingers, and turn about them, by the number of joints. With fewer than
# six a pose cannot be met in full: fingers before the turn about them.
_ASKED = {4: (1.0, 1e-3 * _TURN_WEIGHT, 0.0), 5: (1.0, _TURN_WEIGHT, 1e-3 * _TURN_WEIGHT)}
_POSITION_FIRST = (1.0, 1e-3 * _TURN_WEIGHT, 1e-3 * _TURN_WEIGHT)
_HOME = (1.0, 1e-6, 0.0)
# Half the squared error at which the general solver is content: an error of 1.4e-8 m.
_GOOD = 1e-16
# Starts of the general solver: so many are kept ready, so many of them tried per target.
_STARTS, _TRIES = 128, 16


@dataclass(frozen=True)
class Solution:
    """Joint angles of one arm for N wanted poses, the best branch of each.

    q (N, K) rad. short (N,) m: distance by which the position is missed. turn (N,) rad: the turn that was
    asked for and given up. beyond (N,) rad: how far the worst joint is outside its travel; negative inside.

    With six joints or more, a position that could be met but not so turned is missed too: what is lacking is
    shared between position and turn, a rad weighing as much as 100 mm. A position out of reach however turned
    is missed by no more than it must be.
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
        origin=np.ascontiguousarray(offsets[0]),
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
    q, residual = np.empty((len(X_WT), BRANCHES, 5)), np.empty((len(X_WT), BRANCHES, 3))
    a = arrangement
    poses, base = np.require(X_WT, float, ["C", "W"]), np.ascontiguousarray(chain.bases[0])
    five_joint_kernel(
        poses, base, a.origin, a.sides, a.signs, a.side_shift, a.column, a.upper, a.fore, a.hand, a.gamma0,
        a.roll_frame, np.ascontiguousarray(chain.travel), q, residual,
    )  # fmt: skip
    return q, residual


def solve(chain: Chain, X_WT: Array, near: Array | None = None) -> Solution:
    """The best joint angles of a single arm for wanted tool poses `X_WT` (N, 4, 4) or (4, 4).

    Among branches that reach, the one nearest to `near` (N, K) or (K,) wins; without `near`, the one farthest
    from the joints' stops. Branches that do not reach are ranked by how far they miss. Arms with fewer than
    six joints keep the position, then the direction of the fingers, as far as their joints allow. The general
    solver knows no branches: it goes downhill from `near`, and takes what it finds elsewhere only where that is
    clearly better.
    """
    X_WT = np.asarray(X_WT, dtype=float).reshape(-1, 4, 4)
    N, K = len(X_WT), chain.joints
    first = np.empty((0, K)) if near is None else np.array(np.broadcast_to(near, (N, K)), dtype=float, order="C")
    arrangement = arrangement_of(chain)
    if arrangement is None:
        return _solve_general(chain, X_WT, first)
    q, residual = np.empty((N, K)), np.empty((N, 3))
    best_branch_kernel(*branches(chain, arrangement, X_WT), first, q, residual)
    return Solution(q, residual[:, 0], residual[:, 1], residual[:, 2])


def spread(joints: int, count: int) -> Array:
    """Points (count, joints) spread evenly over the unit cube, the same ones every time.

    The additive sequence with the steps 1/g, 1/g², ..., where g^(d+1) = g + 1 in d dimensions (the golden
    ratio for one; M. Roberts 2018, from memory).
    """
    g = 2.0
    for _ in range(60):
        g = (1.0 + g) ** (1.0 / (joints + 1))
    steps = g ** -np.arange(1.0, joints + 1)
    result: Array = (0.5 + np.arange(1, count + 1)[:, None] * steps) % 1.0
    return result


@lru_cache(maxsize=256)
def _starts(chain: Chain) -> tuple[Array, Array, Array]:
    """Starting points (S, K) spread over a single arm's travel, and the tool's position and turn at each."""
    low, high = chain.travel[:, 0], chain.travel[:, 1]
    table = low + (0.05 + 0.9 * spread(chain.joints, _STARTS)) * (high - low)
    X_WT = tool_poses(chain, table)[:, 0]
    return table, np.ascontiguousarray(X_WT[:, :3, 3]), np.ascontiguousarray(X_WT[:, :3, :3])


def _descend(
    chain: Chain, X_WT: Array, weights: tuple[float, float, float], near: Array, tries: int, loyalty: float = 1.0
) -> tuple[Array, Array]:
    """Joint angles (N, K) and residual (N, 3) of the solver's kernel, the first start being `near` if not empty."""
    N, K = len(X_WT), chain.joints
    out, residual = np.empty((N, K)), np.empty((N, 3))
    solver_kernel(
        chain.first, chain.bases, chain.offsets, chain.axes, np.ascontiguousarray(chain.tools[0]),
        np.ascontiguousarray(chain.tool_turns[0]), np.ascontiguousarray(chain.travel),
        np.ascontiguousarray(X_WT[:, :3, 3]), np.ascontiguousarray(X_WT[:, :3, :3]), np.array(weights), near,
        *_starts(chain), tries, loyalty, _GOOD, out, residual,
    )  # fmt: skip
    return out, residual


def towards(chain: Chain, points: Array, near: Array) -> tuple[Array, Array]:
    """Joint angles (N, K) that bring the TCP of a single arm nearest to points (N, 3) m, however it is turned then.

    Each is sought from the angles near (N, K) alone. Also how far the TCP stays away, (N,) m.
    """
    X_WT = np.tile(np.eye(4), (len(points), 1, 1))
    X_WT[:, :3, 3] = points
    q, residual = _descend(chain, X_WT, (1.0, 0.0, 0.0), np.ascontiguousarray(near), 1)
    return q, residual[:, 0]


def _solve_general(chain: Chain, X_WT: Array, near: Array) -> Solution:
    """Any serial arm, by damped least squares from several starts; near (N, K), or empty."""
    K = chain.joints
    q, residual = _descend(chain, X_WT, _ASKED.get(K, (1.0, _TURN_WEIGHT, _TURN_WEIGHT)), near, _TRIES, 0.5)
    if K < 6:
        # A pose cannot be met in full: bring the position home exactly, and give up what is left of the turn.
        q, residual = _descend(chain, X_WT, _HOME, q, 1)
        missed = np.flatnonzero(residual[:, 0] > POSITION_TOLERANCE)
    else:
        missed = np.flatnonzero(residual[:, 2] > _GOOD)
    if len(missed):
        # How far a target is out of reach, is a matter of the position alone.
        nearest, left = _descend(chain, X_WT[missed], _POSITION_FIRST, q[missed], _TRIES // 2)
        if K < 6:
            nearest, left = _descend(chain, X_WT[missed], _HOME, nearest, 1)
            better = left[:, 0] < residual[missed, 0]
        else:
            better = left[:, 0] > POSITION_TOLERANCE
        q[missed[better]], residual[missed[better]] = nearest[better], left[better]
    beyond = np.maximum(chain.travel[:, 0] - q, q - chain.travel[:, 1]).max(axis=1)
    return Solution(q, residual[:, 0], residual[:, 1], beyond)
