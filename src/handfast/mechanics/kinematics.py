"""Places and velocities of the arms, for batches of samples."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.geometry.rigid import Array
from handfast.mechanics.model import Chain
from handfast.mechanics.survey_kernels import places_kernel


@dataclass(frozen=True)
class Places:
    """Where everything is at N samples, in world axes.

    R (N, K, 3, 3) and p (N, K, 3): link frames, the origin on the joint's axis. X_WT (N, arms, 4, 4): tool
    poses. J (N, K, 6): (angular, linear) velocity of the TCP of the joint's own arm per rad/s of joint k.
    """

    R: Array
    p: Array
    X_WT: Array
    J: Array


def batch(q: Array) -> Array:
    """`q` as an (N, K) array of floats as kernels take them; a single sample becomes N = 1."""
    return np.require(np.atleast_2d(np.asarray(q, dtype=float)), requirements=["C", "W"])


def places(chain: Chain, q: Array) -> Places:
    """Link frames, tool poses and Jacobians at q (N, K) rad."""
    q = batch(q)
    N, K, A = len(q), chain.joints, chain.arms
    result = Places(np.empty((N, K, 3, 3)), np.empty((N, K, 3)), np.empty((N, A, 4, 4)), np.empty((N, K, 6)))
    places_kernel(
        chain.first, chain.bases, chain.offsets, chain.axes, chain.tools, chain.tool_turns, q,
        result.R, result.p, result.X_WT, result.J,
    )  # fmt: skip
    return result


def tool_poses(chain: Chain, q: Array) -> Array:
    """`X_WT` (N, arms, 4, 4) at q (N, K)."""
    return places(chain, q).X_WT


DAMPED = 1e-5
"""Square of a lever, m², below which a joint is spared: a stretched arm is not asked for large turns."""


def least_turns(J: Array, way: Array) -> Array:
    """Least joint turns (k,) rad that move a point by `way` (3,) m; J (k, 3): its Jacobian. Damped least squares."""
    turns: Array = J @ np.linalg.solve(J.T @ J + DAMPED * np.eye(3), way)
    return turns


def manipulability(J: Array) -> Array:
    """How freely a tip can move, (...): the product of the singular values of `J` (..., joints, coordinates).

    Nought where some direction is lost. The coordinates are those that count: `J[..., 3:]` of `Places.J` for
    the position alone (then in m³, or m² per two of them), one arm's columns at a time. With fewer joints
    than coordinates it measures the motions that are left. Source: Yoshikawa, "Manipulability of robotic
    mechanisms", Int. J. Robotics Research 4(2), 1985, from memory.
    """
    result: Array = np.linalg.svd(np.asarray(J, dtype=float), compute_uv=False).prod(axis=-1)
    return result
