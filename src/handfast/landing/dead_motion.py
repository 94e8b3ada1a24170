"""The set of places at which a TCP may come to rest while some joints' flanks are undecided.

A joint that may stand anywhere in ±h adds the segment ±J·h, so undecided joints span a zonotope about the mean.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import product

import numpy as np

from handfast.geometry.rigid import Array


@dataclass(frozen=True)
class DeadMotion:
    """Widths of the set, full, m: along world x, y, z (3,), and the largest one; `farthest` from its middle."""

    along: Array
    largest: float
    farthest: float


def dead_motion(J: Array, half: Array) -> DeadMotion:
    """The set spanned by joints with position Jacobians J (K, 3) m/rad and half-widths `half` (K,) rad.

    Width along a direction u is 2·Σ|u·J_i h_i|. The largest width is twice the farthest vertex, found by
    trying all sign patterns (a convex function on a box is largest at a corner); the plain sum of all joints
    would overstate it.
    """
    generators = J * half[:, None]
    reach = farthest(generators, np.zeros(3))
    return DeadMotion(2.0 * np.abs(generators).sum(axis=0), 2.0 * reach, reach)


def farthest(generators: Array, middle: Array) -> float:
    """Distance, m, from the origin to the farthest vertex of the set middle (3,) + Σ ±generators[i] (K, 3)."""
    generators = generators[np.linalg.norm(generators, axis=1) > 1e-12]
    vertices = middle + _signs(len(generators)) @ generators
    return float(np.sqrt((vertices**2).sum(axis=1).max()))


@cache
def _signs(count: int) -> Array:
    """Every pattern of signs, (2^count, count)."""
    return np.array(list(product((-1.0, 1.0), repeat=count))).reshape(2**count, count)


def root_sum_square(J: Array, sigma: Array) -> float:
    """Expected distance (root mean square), m, from independent joint errors with standard deviations `sigma`."""
    return float(np.sqrt(((J * sigma[:, None]) ** 2).sum()))
