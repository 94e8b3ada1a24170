"""How far the bodies of a bench are apart."""

from __future__ import annotations

import numpy as np

from handfast.geometry.rigid import Array
from handfast.mechanics.chain_kernels import clearances_kernel, survey_kernel
from handfast.mechanics.kinematics import batch
from handfast.mechanics.model import Bodies, Chain


def clearances(chain: Chain, bodies: Bodies, q: Array) -> Array:
    """Signed clearance (N, pairs) m of every watched pair at q (N, K); negative where they intersect.

    Exact outside; inside, capsules give the overlap of their axes' distance and boxes the shortest way out
    along a face.
    """
    q = batch(q)
    out = np.empty((len(q), len(bodies.pairs)))
    clearances_kernel(
        chain.first, chain.bases, chain.offsets, chain.axes, bodies.links, bodies.froms, bodies.tos,
        bodies.radii, bodies.pairs, bodies.boxes, bodies.box_sizes, q, out,
    )  # fmt: skip
    return out


def survey(
    chain: Chain, bodies: Bodies, q: Array, qd: Array, qdd: Array, loads: Array, load_offsets: Array
) -> tuple[Array, Array, Array]:
    """Torques (N, K) without friction and springs, TCP Jacobians (N, K, 6) and clearances (N, pairs) at once."""
    q, qd, qdd = batch(q), batch(qd), batch(qdd)
    tau = np.empty(q.shape)
    J = np.empty((*q.shape, 6))
    gaps = np.empty((len(q), len(bodies.pairs)))
    survey_kernel(
        chain.first, chain.bases, chain.offsets, chain.axes, chain.masses, chain.coms, chain.inertias,
        chain.gravity, chain.tools, batch(loads), np.ascontiguousarray(load_offsets), bodies.links, bodies.froms,
        bodies.tos, bodies.radii, bodies.pairs, bodies.boxes, bodies.box_sizes, q, qd, qdd, tau, J, gaps,
    )  # fmt: skip
    return tau, J, gaps
