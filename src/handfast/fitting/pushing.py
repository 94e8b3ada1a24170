"""Where, along which lines and how hard a powered arm is pushed to and fro to tell play and give."""

from __future__ import annotations

import numpy as np

from handfast.bench.parts import Side
from handfast.geometry.rigid import Array
from handfast.landing.flank import holding_torques
from handfast.mechanics.kinematics import places
from handfast.mechanics.model import Model
from handfast.units import DEGREE

PUSHED, MOST_PUSH = 0.6, 8.0
"""Share of the stall torque that a joint bears for the seconds of a push, and the hardest push, N (common practice, no
source)."""


def hardest_push(model: Model, q: Array, along: Array, arm: int) -> float:
    """Hardest push, N, on one arm's TCP along a line (3,) at pose q (K,) that leaves every joint within `PUSHED` of its
    stall torque, its own load included."""
    part = model.chain.columns(arm)
    lever = np.abs(places(model.chain, q).J[0, part, 3:] @ along)
    holds = np.abs(holding_torques(model, q, np.zeros((1, 2)), np.zeros((1, 2, 3)))[0, part])
    room = np.maximum(PUSHED * model.stall[part] - holds, 0.0)
    return float(min(np.min(room / np.maximum(lever, 1e-6)), MOST_PUSH))


def pushing_lines(J: Array, level: np.ndarray) -> list[Array]:
    """Lines (3,) along which a TCP with Jacobian J (joints, 3) is pushed: across its last level axis, on past it, and
    sideways.

    The last level joint bears little. So there is one line that it feels, and one that goes straight through its axis
    and lets the stronger ones before it feel a hard push.
    """
    if not level.any():
        return [along for along in np.eye(3) if np.abs(J @ along).max() > 0.03]
    last = np.flatnonzero(level)[-1]
    felt = J[last] / np.linalg.norm(J[last])
    first = J[np.flatnonzero(~level)[0]] if (~level).any() else np.cross(felt, [0.0, 0.0, 1.0])
    size = float(np.linalg.norm(first))
    side = first / size if size > 0.03 else np.cross(felt, [0.0, 0.0, 1.0])
    through = np.cross(felt, side / np.linalg.norm(side))
    return [felt, through / np.linalg.norm(through), *([side] if size > 0.03 else [])]


def pushing_poses(model: Model, side: Side) -> list[Array]:
    """Poses of one arm at which it is pushed: four in which its level joints share a push differently."""
    part = model.bench.columns(side)
    low, high = model.chain.travel[part].T
    level = np.nonzero(np.abs(model.chain.axes[part, 2]) < 0.5)[0]
    poses = []
    for turns in ((10.0, 70.0, 40.0), (30.0, 50.0, -20.0), (-15.0, 85.0, 80.0), (-25.0, 90.0, 10.0)):
        q = np.zeros(len(low))
        q[level[: len(turns)]] = np.array(turns[: len(level)]) * DEGREE
        poses.append(np.clip(q, low + 5 * DEGREE, high - 5 * DEGREE))
    return poses
