"""Sets of places that a TCP can have while joints are free in their slack, and how they are summed up.

A joint that may stand anywhere in ±h adds the segment ±J·h, so free joints span a zonotope about the mean.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import product

import numpy as np

from handfast.geometry.rigid import Array

DRAWS = 800
"""Landings drawn by `share_within`: its 95 % come within about 4 % of the distance."""


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


@dataclass(frozen=True)
class AtRest:
    """How far a TCP can be pushed at rest before a servo answers.

    unseen: through the play that the feedback does not see. band: as far as the feedback may move meanwhile,
    which the servo overlooks. both: the two together. A joint whose load presses it onto one side of its slack is
    free of neither: a light push does not lift it off.
    """

    unseen: DeadMotion
    band: DeadMotion
    both: DeadMotion


def at_rest(J: Array, loaded: np.ndarray, unseen_play: Array, seen_play: Array, dead_band: Array) -> AtRest:
    """Dead motion of one TCP from its joints' position Jacobians J (K, 3) m/rad; loaded (K,): pressed onto a flank.

    unseen_play, seen_play, dead_band (K,) rad, full widths. The motor's gears hold by themselves, so the shaft can be
    pushed no farther than its own play, and within the dead band nothing answers: the smaller of the two counts.
    """
    unseen = np.where(loaded, 0.0, unseen_play / 2.0)
    band = np.where(loaded, 0.0, np.minimum(seen_play, dead_band) / 2.0)
    return AtRest(dead_motion(J, unseen), dead_motion(J, band), dead_motion(J, unseen + band))


def share_within(J: Array, half: Array, sigma: Array, miss: Array, share: float = 0.95) -> float:
    """Distance, m, within which `share` of all landings stay, by drawing them (Monte Carlo).

    miss (3,) m: mean. Joints stand evenly spread in ±half (K,) rad, and normally spread by sigma (K,) rad beside.
    The same draws are used each time, so that two answers differ by what they ask and not by luck.
    """
    even, normal = _draws(len(half))
    places = miss + (even * half + normal * sigma) @ J
    return float(np.quantile(np.sqrt((places**2).sum(axis=1)), share))


@cache
def _draws(count: int) -> tuple[Array, Array]:
    rng = np.random.default_rng(20_26)
    return rng.uniform(-1.0, 1.0, (DRAWS, count)), rng.normal(size=(DRAWS, count))


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
