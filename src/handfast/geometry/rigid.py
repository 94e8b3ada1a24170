"""Rotations, poses and twists, for batches: leading axes are free, everything works on the last two.

Notation after Craig and after Lynch & Park, *Modern Robotics* (Cambridge 2017), chapter 3: `X_AB` (4, 4) is
the pose of B in A, `R_AB` (3, 3) its rotation, `p_AB` (3,) its position; a twist is (angular, linear).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Array = npt.NDArray[np.float64]

SMALL = 1e-12


def skew(v: Array) -> Array:
    """The matrix [v] (..., 3, 3) with [v] u = v × u."""
    v = np.asarray(v, dtype=float)
    zero = np.zeros(v.shape[:-1])
    x, y, z = v[..., 0], v[..., 1], v[..., 2]
    return np.stack([np.stack([zero, -z, y], -1), np.stack([z, zero, -x], -1), np.stack([-y, x, zero], -1)], -2)


def rotation_of(vector: Array) -> Array:
    """Rotation (..., 3, 3) by |vector| rad about `vector`, right-handed (Rodrigues' formula)."""
    vector = np.asarray(vector, dtype=float)
    angle = np.linalg.norm(vector, axis=-1)[..., None, None]
    K = skew(vector)
    small = angle < 1e-8
    safe = np.where(small, 1.0, angle)
    a = np.where(small, 1.0 - angle**2 / 6.0, np.sin(safe) / safe)
    b = np.where(small, 0.5 - angle**2 / 24.0, (1.0 - np.cos(safe)) / safe**2)
    result: Array = np.eye(3) + a * K + b * (K @ K)
    return result


def rotation_about(axis: Array, angle: Array | float) -> Array:
    """Rotation by `angle` rad about `axis` (any length)."""
    axis = np.asarray(axis, dtype=float)
    unit = axis / np.linalg.norm(axis, axis=-1, keepdims=True)
    return rotation_of(unit * np.asarray(angle, dtype=float)[..., None])


def rotation_vector(R: Array) -> Array:
    """The vector (..., 3), at most π long, whose rotation `R` is: the inverse of `rotation_of`."""
    R = np.asarray(R, dtype=float)
    # By way of the unit quaternion, which stays accurate up to half a turn (the largest part first).
    m = R.reshape(-1, 3, 3)
    t = np.trace(m, axis1=1, axis2=2)
    four = np.stack([t, m[:, 0, 0], m[:, 1, 1], m[:, 2, 2]], -1)
    pick = np.argmax(four, -1)
    q = np.empty((len(m), 4))
    for k in range(4):
        rows = pick == k
        if not rows.any():
            continue
        a = m[rows]
        if k == 0:
            w = 1.0 + t[rows]
            v = np.stack([a[:, 2, 1] - a[:, 1, 2], a[:, 0, 2] - a[:, 2, 0], a[:, 1, 0] - a[:, 0, 1]], -1)
            q[rows] = np.concatenate([w[:, None], v], -1)
        else:
            i = k - 1
            j, l = (i + 1) % 3, (i + 2) % 3
            part = np.empty((rows.sum(), 4))
            part[:, 0] = a[:, l, j] - a[:, j, l]
            part[:, 1 + i] = 1.0 + a[:, i, i] - a[:, j, j] - a[:, l, l]
            part[:, 1 + j] = a[:, j, i] + a[:, i, j]
            part[:, 1 + l] = a[:, l, i] + a[:, i, l]
            q[rows] = part
    q /= np.linalg.norm(q, axis=-1, keepdims=True)
    q *= np.where(q[:, :1] < 0.0, -1.0, 1.0)
    size = np.linalg.norm(q[:, 1:], axis=-1)
    angle = 2.0 * np.arctan2(size, q[:, 0])
    scale = np.where(size < SMALL, 2.0, angle / np.where(size < SMALL, 1.0, size))
    result: Array = (q[:, 1:] * scale[:, None]).reshape(*R.shape[:-2], 3)
    return result


def pose(R: Array, p: Array) -> Array:
    """The pose (..., 4, 4) with rotation `R` and position `p`."""
    R, p = np.asarray(R, dtype=float), np.asarray(p, dtype=float)
    shape = np.broadcast_shapes(R.shape[:-2], p.shape[:-1])
    X: Array = np.zeros((*shape, 4, 4))
    X[..., :3, :3], X[..., :3, 3], X[..., 3, 3] = R, p, 1.0
    return X


def shift(p: Array) -> Array:
    """The pose that only moves by `p`."""
    return pose(np.eye(3), np.asarray(p, dtype=float))


def inverse(X_AB: Array) -> Array:
    """`X_BA`."""
    R_BA = np.swapaxes(X_AB[..., :3, :3], -1, -2)
    return pose(R_BA, -(R_BA @ X_AB[..., :3, 3, None])[..., 0])


def apply(X_AB: Array, p_B: Array) -> Array:
    """Points (..., 3) given in B, in A."""
    result: Array = (X_AB[..., :3, :3] @ np.asarray(p_B, dtype=float)[..., None])[..., 0] + X_AB[..., :3, 3]
    return result


def adjoint(X_AB: Array) -> Array:
    """The matrix (..., 6, 6) that takes a twist from B to A (Lynch & Park, definition 3.20)."""
    R, p = X_AB[..., :3, :3], X_AB[..., :3, 3]
    Ad = np.zeros((*X_AB.shape[:-2], 6, 6))
    Ad[..., :3, :3] = R
    Ad[..., 3:, 3:] = R
    Ad[..., 3:, :3] = skew(p) @ R
    return Ad


def twist_of(X: Array) -> Array:
    """The twist (..., 6) whose unit-time motion is `X` (matrix logarithm; Lynch & Park, section 3.3.3.2)."""
    w = rotation_vector(X[..., :3, :3])
    p = X[..., :3, 3]
    angle = np.linalg.norm(w, axis=-1)[..., None, None]
    K = skew(w)
    small = angle < 1e-6
    safe = np.where(small, 1.0, angle)
    half = safe / 2.0
    c = np.where(small, 1.0 / 12.0, (1.0 - half / np.tan(half)) / safe**2)
    G_inverse = np.eye(3) - K / 2.0 + c * (K @ K)
    return np.concatenate([w, (G_inverse @ p[..., None])[..., 0]], -1)


def pose_of(twist: Array) -> Array:
    """The pose reached by following `twist` (..., 6) for a unit of time: the inverse of `twist_of`."""
    twist = np.asarray(twist, dtype=float)
    w, v = twist[..., :3], twist[..., 3:]
    angle = np.linalg.norm(w, axis=-1)[..., None, None]
    K = skew(w)
    small = angle < 1e-6
    safe = np.where(small, 1.0, angle)
    b = np.where(small, 0.5, (1.0 - np.cos(safe)) / safe**2)
    c = np.where(small, 1.0 / 6.0, (safe - np.sin(safe)) / safe**3)
    G = np.eye(3) + b * K + c * (K @ K)
    return pose(rotation_of(w), (G @ v[..., None])[..., 0])


def between(X_A: Array, X_B: Array, t: Array | float) -> Array:
    """Pose a fraction `t` of the way from `X_A` to `X_B`: straight for the position, shortest turn."""
    t = np.asarray(t, dtype=float)
    R_A, R_B = X_A[..., :3, :3], X_B[..., :3, :3]
    turn = rotation_vector(np.swapaxes(R_A, -1, -2) @ R_B)
    R = R_A @ rotation_of(turn * t[..., None])
    p = X_A[..., :3, 3] + (X_B[..., :3, 3] - X_A[..., :3, 3]) * t[..., None]
    return pose(R, p)


def yaw_pose(p: Array, yaw: float) -> Array:
    """Pose at `p`, turned by `yaw` rad about z."""
    return pose(rotation_of(np.array([0.0, 0.0, yaw])), p)
