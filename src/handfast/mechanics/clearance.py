"""How far the bodies of a bench are apart."""

from __future__ import annotations

import numpy as np

from handfast.geometry.rigid import Array
from handfast.kernels import in_threads
from handfast.mechanics.dynamics import held
from handfast.mechanics.kinematics import batch
from handfast.mechanics.model import Bodies, Chain
from handfast.mechanics.survey_kernels import clearances_kernel, survey_kernel


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
    chain: Chain,
    bodies: Bodies,
    q: Array,
    qd: Array,
    qdd: Array,
    loads: Array | None = None,
    load_offsets: Array | None = None,
    threads: int = 1,
) -> tuple[Array, Array, Array]:
    """Torques (N, K) without friction and springs, TCP Jacobians (N, K, 6) and clearances (N, pairs) at once.

    The arguments are those of `inverse_dynamics`. The samples are shared out among `threads`.
    """
    q, qd, qdd = batch(q), batch(qd), batch(qdd)
    loads, load_offsets = held(chain, len(q), loads, load_offsets)
    tau = np.empty(q.shape)
    J = np.empty((*q.shape, 6))
    gaps = np.empty((len(q), len(bodies.pairs)))

    def rows_of(held_things: Array, part: slice) -> Array:
        return held_things[part] if len(held_things) > 1 else held_things

    def work(part: slice) -> None:
        survey_kernel(
            chain.first, chain.bases, chain.offsets, chain.axes, chain.masses, chain.coms, chain.inertias,
            chain.gravity, chain.tools, rows_of(loads, part), rows_of(load_offsets, part), bodies.links, bodies.froms,
            bodies.tos,
            bodies.radii, bodies.pairs, bodies.boxes, bodies.box_sizes, q[part], qd[part], qdd[part],
            tau[part], J[part], gaps[part],
        )  # fmt: skip

    in_threads(work, len(q), threads)
    return tau, J, gaps
