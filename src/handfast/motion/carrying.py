"""The path of a thing that two arms hold, and where each gripper must be along it."""

from __future__ import annotations

import numpy as np

from handfast.geometry.rigid import Array, between, inverse, pose


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
    y /= np.linalg.norm(y, axis=-1, keepdims=True)
    z = np.cross(x, y)
    return pose(np.stack([x, y, z], axis=-1), 0.5 * (left + right))


def thing_path(ends: Array, count: int) -> Array:
    """Tool poses (count, 2, 4, 4) of both arms while they carry a thing from ends[0] to ends[1] (2, 2, 4, 4).

    The thing moves straight and turns by the shortest way; each gripper keeps the pose in the thing that it
    has at the start, so the taught end only says where the thing ends.
    """
    X_WO = thing_pose(ends)
    X_OT = inverse(X_WO[0])[None] @ ends[0]
    s = np.linspace(0.0, 1.0, count)
    path = between(X_WO[0], X_WO[1], s)
    result: Array = path[:, None] @ X_OT[None]
    return result
