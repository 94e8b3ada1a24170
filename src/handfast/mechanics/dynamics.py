"""Torques that joints transmit, for batches of samples."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from handfast.geometry.rigid import Array
from handfast.mechanics.kinematics import batch, places
from handfast.mechanics.model import Chain, Model
from handfast.mechanics.survey_kernels import torques_kernel


def held(chain: Chain, N: int, loads: Array | None, load_offsets: Array | None) -> tuple[Array, Array]:
    """Loads and their offsets as kernels take them: N rows, or one that holds for all samples; None is nothing."""
    A = chain.arms
    loads = np.zeros(A) if loads is None else loads
    load_offsets = np.zeros((A, 3)) if load_offsets is None else load_offsets
    rows = np.require(loads, float, ["C", "W"]).reshape(-1, A)
    places = np.require(load_offsets, float, ["C", "W"]).reshape(-1, A, 3)
    if len(rows) not in (1, N) or len(places) not in (1, N):
        raise ValueError(f"{len(rows)} loads at {len(places)} places for {N} samples")
    return rows, places


def inverse_dynamics(
    chain: Chain,
    q: Array,
    qd: Array,
    qdd: Array,
    loads: Array | None = None,
    load_offsets: Array | None = None,
) -> Array:
    """Torques (N, K) N·m that the joints must give, positive along the axis, friction and springs left out.

    q, qd, qdd (N, K) in rad, rad/s, rad/s². loads (N, arms) or (arms,) kg: point masses held; load_offsets
    (N, arms, 3) or (arms, 3) m: their place from the TCP, in the axes of the last link. Recursive
    Newton-Euler (see the kernel).
    """
    q, qd, qdd = batch(q), batch(qd), batch(qdd)
    loads, load_offsets = held(chain, len(q), loads, load_offsets)
    tau = np.empty(q.shape)
    torques_kernel(
        chain.first, chain.bases, chain.offsets, chain.axes, chain.masses, chain.coms, chain.inertias,
        chain.gravity, chain.tools, loads, load_offsets, q, qd, qdd, tau,
    )  # fmt: skip
    return tau


def gravity_torques(chain: Chain, q: Array, loads: Array | None = None) -> Array:
    """Torques (N, K) that hold the arms still at q."""
    q = batch(q)
    zero = np.zeros_like(q)
    return inverse_dynamics(chain, q, zero, zero, loads)


def own_inertias(chain: Chain, q: Array, loads: Array | None = None, load_offsets: Array | None = None) -> Array:
    """What each joint moves (N, K), kg·m², with what the hands hold, while all others stand: rotors left out."""
    q = batch(q)
    weightless = replace(chain, gravity=np.zeros(3))
    still = np.zeros_like(q)
    result = np.empty_like(q)
    for joint in range(chain.joints):
        one = still.copy()
        one[:, joint] = 1.0
        result[:, joint] = inverse_dynamics(weightless, q, still, one, loads, load_offsets)[:, joint]
    return result


def spring_torques(springs: Array, q: Array) -> Array:
    """What the servos must give besides, because of counter-springs: rate · (q - rest), (N, K)."""
    result: Array = springs[:, 0] * (q - springs[:, 1])
    return result


def transmitted_torques(
    model: Model,
    q: Array,
    qd: Array,
    qdd: Array,
    loads: Array | None = None,
    load_offsets: Array | None = None,
) -> Array:
    """Torque (N, K) that each servo passes to its link: inertia, gravity, load, spring and joint friction."""
    q, qd = batch(q), batch(qd)
    tau = inverse_dynamics(model.chain, q, qd, qdd, loads, load_offsets)
    result: Array = tau + spring_torques(model.springs, q) + model.friction * np.sign(qd)
    return result


def tip_forces_to_torques(chain: Chain, q: Array, forces: Array) -> Array:
    """Torques (N, K) that hold forces (N, arms, 3) N, in world axes, which the TCPs exert: Jᵀ f."""
    J = places(chain, q).J
    tau = np.empty(J.shape[:2])
    for arm in range(chain.arms):
        part = chain.columns(arm)
        tau[:, part] = np.einsum("nkr,nr->nk", J[:, part, 3:], forces[:, arm])
    return tau
