"""The path of a thing that two arms hold, where each gripper must be along it, and with which joint angles.

The path of the thing comes first. Each gripper keeps the place on the thing at which it closed. An arm with five
joints cannot keep the turn too: what is left of it is the twist at the grip, and it is small where the fingers point
straight down. So the direction of the fingers at the grip is chosen, as near to the taught one as is good enough.
"""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass, fields

import numpy as np

from handfast.geometry.rigid import Array, between, inverse, pose, rotation_of, rotation_vector
from handfast.mechanics.inverse import arrangement_of, branches, solve
from handfast.mechanics.kinematics import tool_poses
from handfast.mechanics.model import Chain

SPARE = np.radians(3.0)
"""Fingers are not turned so far that a joint comes nearer than this to its stop."""

LEAP = 0.5
"""A joint that turns by more than this, rad, from one place to the next has leapt to another branch."""


def thing_pose(X_WT: Array) -> Array:
    """Pose `X_WO` (..., 4, 4) of what two grippers hold, from their tool poses (..., 2, 4, 4).

    Its origin lies midway between the TCPs, x points from the left TCP to the right one, and z is as near to
    the world's z as x allows.
    """
    left, right = X_WT[..., 0, :3, 3], X_WT[..., 1, :3, 3]
    x = right - left
    length = np.linalg.norm(x, axis=-1, keepdims=True)
    x = x / np.maximum(length, 1e-9)
    up = np.zeros_like(x)
    up[..., 2] = 1.0
    # Arms stacked on top of each other: take y as up, so that the cross product keeps a length.
    upright = np.abs(x[..., 2:3]) > 0.95
    up = np.where(upright, np.array([0.0, 1.0, 0.0]), up)
    y = np.cross(up, x)
    y /= np.maximum(np.linalg.norm(y, axis=-1, keepdims=True), 1e-12)
    z = np.cross(x, y)
    return pose(np.stack([x, y, z], axis=-1), 0.5 * (left + right))


def moved_thing(
    X_WO: Array, count: int, raised: float, shift: Array, tilt: float, swing: float, swing_about: Array | None
) -> Array:
    """A thing's path (count, 4, 4) from `X_WO` that raises it, shifts it, tilts it and swings it, all at once.

    raised m upwards; shift (2,) m along the world's x and y; tilt rad: the right grip upwards; swing rad about the
    vertical through `swing_about` (2,) m, or through the thing's own middle. The turns run evenly.
    """
    s = np.linspace(0.0, 1.0, count)
    middle = X_WO[:3, 3]
    across = X_WO[:3, 1] * np.array([1.0, 1.0, 0.0])
    across = across / max(float(np.linalg.norm(across)), 1e-9)
    turn = rotation_of(s[:, None] * np.array([0.0, 0.0, swing]))
    # The right grip goes up with a turn against y, which points to the left of the line from left to right grip.
    lean = rotation_of(-s[:, None] * tilt * across)
    center = middle.copy()
    if swing_about is not None:
        center[:2] = swing_about
    p = center + np.einsum("nij,j->ni", turn, middle - center)
    p = p + s[:, None] * np.array([shift[0], shift[1], raised])
    return pose(turn @ lean @ X_WO[:3, :3], p)


def mirrored(X_lead: Array, X_start: Array, normal: Array) -> Array:
    """Tool poses (M, 4, 4) that move as the mirror image of `X_lead` (M, 4, 4), from `X_start` (4, 4) on.

    normal (3,): unit normal of the mirror. Displacements and turns are mirrored, so the start need not be.
    """
    S = np.eye(3) - 2.0 * np.outer(normal, normal)
    turned = X_lead[:, :3, :3] @ X_lead[0, :3, :3].T
    R = (S @ turned @ S) @ X_start[:3, :3]
    p = X_start[:3, 3] + (X_lead[:, :3, 3] - X_lead[0, :3, 3]) @ S
    return pose(R, p)


def on_thing(X_WO: Array, R_OT: Array, p_OT: Array) -> Array:
    """Tool poses (M, 2, 4, 4) of grips on a thing at X_WO (M, 4, 4). R_OT (2, 3, 3), p_OT (M, 2, 3)."""
    R = X_WO[:, None, :3, :3] @ R_OT[None]
    p = X_WO[:, None, :3, 3] + np.einsum("mij,maj->mai", X_WO[:, :3, :3], p_OT)
    result: Array = pose(R, p)
    return result


@dataclass(frozen=True)
class Followed:
    """Joint angles q (M, k) of one arm along wanted tool poses, and how far each is missed, m, or past a stop, rad."""

    q: Array
    short: Array
    beyond: Array


def follow(chain: Chain, X_WT: Array, start: Array) -> Followed:
    """One arm along tool poses (M, 4, 4) without changing branch, from joint angles `start` (k,)."""
    M = len(X_WT)
    arrangement = arrangement_of(chain)
    q, short, beyond = np.empty((M, chain.joints)), np.empty(M), np.empty(M)
    near = np.asarray(start, dtype=float)
    if arrangement is None:
        for m in range(M):
            found = solve(chain, X_WT[m], near)
            q[m], short[m], beyond[m] = found.q[0], found.short[0], found.beyond[0]
            near = q[m]
        return Followed(q, short, beyond)
    every, residual = branches(chain, arrangement, X_WT)
    missed = residual[:, :, 0] + np.maximum(residual[:, :, 2], 0.0)
    # A branch that is met all along and without a leap is followed without looking at the others.
    b = int(np.argmin(np.where(missed[0] > 1e-9, 1e3, 0.0) + np.abs(every[0] - near).max(axis=1)))
    if missed[:, b].max() <= 1e-9 and (M < 2 or np.abs(np.diff(every[:, b], axis=0)).max() < LEAP):
        return Followed(every[:, b].copy(), residual[:, b, 0], residual[:, b, 2])
    cost = np.where(missed > 1e-9, 1e3 + 1e3 * missed, 0.0)
    for m in range(M):
        best = int(np.argmin(cost[m] + np.abs(every[m] - near).max(axis=1)))
        q[m], short[m], beyond[m] = every[m, best], residual[m, best, 0], residual[m, best, 2]
        near = q[m]
    return Followed(q, short, beyond)


def follow_each(chain: Chain, X_WT: Array, start: Array) -> Followed:
    """`follow` along several ways at once: X_WT (A, M, 4, 4), start (A, k); q (A, M, k), short and beyond (A, M)."""
    A, M = X_WT.shape[:2]
    arrangement = arrangement_of(chain)
    simple, q, short, beyond = (
        np.zeros(A, dtype=bool),
        np.empty((A, M, chain.joints)),
        np.empty((A, M)),
        np.empty((A, M)),
    )
    if arrangement is not None:
        every, residual = branches(chain, arrangement, X_WT.reshape(-1, 4, 4))
        every, residual = every.reshape(A, M, *every.shape[1:]), residual.reshape(A, M, *residual.shape[1:])
        missed = residual[..., 0] + np.maximum(residual[..., 2], 0.0)
        # As in `follow`: a branch that is met all along and without a leap.
        away = np.abs(every[:, 0] - start[:, None]).max(axis=-1)
        b = np.argmin(np.where(missed[:, 0] > 1e-9, 1e3, 0.0) + away, axis=1)
        rows = np.arange(A)
        q, short, beyond = every[rows, :, b], residual[rows, :, b, 0], residual[rows, :, b, 2]
        simple = missed[rows, :, b].max(axis=1) <= 1e-9
        if M > 1:
            simple &= np.abs(np.diff(q, axis=1)).max(axis=(1, 2)) < LEAP
    for a in np.flatnonzero(~simple):
        one = follow(chain, X_WT[a], start[a])
        q[a], short[a], beyond[a] = one.q, one.short, one.beyond
    return Followed(q, short, beyond)


def twists(X_WO: Array, X_WT: Array, pivots: bool = False) -> Array:
    """How far a gripper is turned against the thing since the first sample, (..., M) rad. X_WO, X_WT (..., M, 4, 4).

    pivots: pads that turn freely about the line on which the jaws close; then only what tilts that line counts.
    """
    R_OT = np.swapaxes(X_WO[..., :3, :3], -1, -2) @ X_WT[..., :3, :3]
    if pivots:
        y = R_OT[..., 1]
        first = y[..., :1, :]
        return np.asarray(np.arctan2(np.linalg.norm(np.cross(y, first), axis=-1), (y * first).sum(axis=-1)))
    return np.asarray(np.linalg.norm(rotation_vector(np.swapaxes(R_OT[..., :1, :, :], -1, -2) @ R_OT), axis=-1))


def apart(X_WO: Array, X_WT: Array) -> Array:
    """Vector (M, 3) m from the left to the right TCP in the axes of the thing. X_WT (M, 2, 4, 4)."""
    result: Array = np.einsum("mji,mj->mi", X_WO[:, :3, :3], X_WT[:, 1, :3, 3] - X_WT[:, 0, :3, 3])
    return result


def interpolation_error(chain: Chain, q0: Array, q1: Array, count: int = 41) -> float:
    """How far straight joint interpolation between q0 and q1 (K,) strays from the blended relation of its ends, m.

    The distance of the TCPs' relative position, in the axes of what they hold, from a straight blend of its two ends.
    """
    s = np.linspace(0.0, 1.0, count)[:, None]
    X_WT = tool_poses(chain, q0 + s * (q1 - q0))
    d = apart(thing_pose(X_WT), X_WT)
    return float(np.linalg.norm(d - (d[0] + s * (d[-1] - d[0])), axis=1).max())


def straight(ends: Array, count: int) -> Array:
    """Poses (count, 4, 4) straight from ends[0] to ends[1], turning by the shortest way."""
    return between(ends[0], ends[1], np.linspace(0.0, 1.0, count))


@dataclass(frozen=True)
class Fingers:
    """How one arm holds a thing: its angles q (k,) when it closes, how far the fingers were turned from the taught
    direction, rad, and the largest twist along the path that is expected, rad."""

    q: Array
    turned: float
    twist: float


_CHOSEN: OrderedDict[tuple[bytes, ...], Fingers] = OrderedDict()
"""What was chosen last, by all that it depends on: a plan that differs elsewhere asks the same again."""
MOST_CHOSEN = 64


def chosen_fingers(
    chain: Chain, X_WO: Array, p_OT: Array, q: Array, goal: float, pivots: bool = False, most: float = np.radians(45.0)
) -> Fingers:
    """The direction of one arm's fingers on a thing, nearest to the taught one, that twists by no more than `goal`.

    X_WO (M, 4, 4): path of the thing; p_OT (M, 3): the grip on it; q (k,): the taught angles at its start. Where no
    direction is good enough, the one that twists least. Directions that the arm cannot hold along the whole path, or
    that bring a joint within 3 degrees of a stop where the taught one does not, are left out.
    """
    parts = [getattr(chain, part.name) for part in fields(chain)]
    key = tuple(np.asarray(part).tobytes() for part in (*parts, X_WO, p_OT, q, goal, pivots, most))
    if key not in _CHOSEN:
        _CHOSEN[key] = _chosen_fingers(chain, X_WO, p_OT, q, goal, pivots, most)
        while len(_CHOSEN) > MOST_CHOSEN:
            _CHOSEN.popitem(last=False)
    return _CHOSEN[key]


def _chosen_fingers(
    chain: Chain, X_WO: Array, p_OT: Array, q: Array, goal: float, pivots: bool, most: float
) -> Fingers:
    X_WT0 = tool_poses(chain, q)[0, 0]
    taught, jaws = X_WT0[:3, 2], X_WT0[:3, 1]
    p = X_WO[:, :3, 3] + np.einsum("mij,mj->mi", X_WO[:, :3, :3], p_OT)

    def tried(d: Array) -> tuple[Array, Array, Array]:
        """Cost (A,), twist (A,) and joint angles at its start (A, k) of directions d (A, 3)."""
        z = d / np.linalg.norm(d, axis=1, keepdims=True)
        y = jaws - (z @ jaws)[:, None] * z
        y = y / np.maximum(np.linalg.norm(y, axis=1, keepdims=True), 1e-9)
        R = np.stack([np.cross(y, z), y, z], axis=-1)
        # What the arm can do of it where it closes is what it is to keep.
        first = follow_each(chain, pose(R, p[0])[:, None], np.tile(q, (len(d), 1))).q[:, 0]
        R_OT = X_WO[0, :3, :3].T @ tool_poses(chain, first)[:, 0, :3, :3]
        found = follow_each(chain, pose(X_WO[:, :3, :3] @ R_OT[:, None], p), first)
        X_WT = tool_poses(chain, found.q.reshape(-1, chain.joints))[:, 0].reshape(*found.q.shape[:2], 4, 4)
        twist = twists(X_WO, X_WT, pivots).max(axis=1)
        turned = np.arccos(np.clip(X_WT[:, 0, :3, 2] @ taught, -1.0, 1.0))
        near = np.maximum(chain.travel[:, 0] - found.q, found.q - chain.travel[:, 1]).max(axis=(1, 2)) + SPARE
        missed = 1e4 * np.maximum(0.0, found.short.max(axis=1) - 1e-6) + 1e2 * np.maximum(0.0, near)
        cost = 20.0 * np.maximum(0.0, twist - goal) + turned + missed
        return cost + np.where(turned > most, 10.0, 0.0), twist, found.q[:, 0]

    cost, twist, held = tried(taught[None])
    if twist[0] <= goal and cost[0] < goal:
        return Fingers(held[0], 0.0, float(twist[0]))
    # Fingers turn in the upright plane through the base: that is the turn which every usual arm can make.
    outwards = (X_WT0[:3, 3] - chain.bases[0, :3, 3]) * np.array([1.0, 1.0, 0.0])
    size = float(np.linalg.norm(outwards))
    axis = np.cross([0.0, 0.0, 1.0], outwards / size if size > 1e-6 else np.array([1.0, 0.0, 0.0]))
    step = np.radians(2.0 if arrangement_of(chain) is not None else 7.5)
    angles = step * np.arange(-np.floor(most / step), np.floor(most / step) + 1)
    # The taught one first: of those that cost alike, the first is taken.
    cost, twist, held = tried(np.concatenate([taught[None], rotation_of(axis * angles[:, None]) @ taught]))
    best = int(np.argmin(cost))
    X = tool_poses(chain, held[best])[0, 0]
    return Fingers(held[best], float(np.arccos(np.clip(X[:3, 2] @ taught, -1.0, 1.0))), float(twist[best]))


def places_on(X_WO: Array, X_WT: Array) -> Array:
    """Where both TCPs (2, 4, 4) are on a thing at X_WO (4, 4): p_OT (2, 3)."""
    result: Array = (inverse(X_WO)[None] @ X_WT)[:, :3, 3]
    return result
