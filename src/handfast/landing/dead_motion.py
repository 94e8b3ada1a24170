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
    return dead_motions(J[None], half[None])[0]


def dead_motions(J: Array, half: Array) -> list[DeadMotion]:
    """`dead_motion` for N poses at once: J (N, K, 3) m/rad, half (N, K) rad."""
    generators = J * half[..., None]
    reach = farthest_each(generators, np.zeros((len(J), 3)))
    along = 2.0 * np.abs(generators).sum(axis=1)
    return [DeadMotion(a, 2.0 * float(r), float(r)) for a, r in zip(along, reach, strict=True)]


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
    return all_at_rest(J[None], loaded[None], unseen_play, seen_play, dead_band)[0]


def all_at_rest(J: Array, loaded: np.ndarray, unseen_play: Array, seen_play: Array, dead_band: Array) -> list[AtRest]:
    """`at_rest` for N poses at once: J (N, K, 3) m/rad, loaded (N, K)."""
    unseen = np.where(loaded, 0.0, unseen_play / 2.0)
    band = np.where(loaded, 0.0, np.minimum(seen_play, dead_band) / 2.0)
    every = (dead_motions(J, unseen), dead_motions(J, band), dead_motions(J, unseen + band))
    return [AtRest(*three) for three in zip(*every, strict=True)]


def share_within(J: Array, half: Array, sigma: Array, miss: Array, share: float = 0.95) -> float:
    """Distance, m, within which `share` of all landings stay, by drawing them (Monte Carlo).

    miss (3,) m: mean. Joints stand evenly spread in ±half (K,) rad, and normally spread by sigma (K,) rad beside.
    The same draws are used each time, so that two answers differ by what they ask and not by luck.
    """
    return float(shares_within(J[None], half[None], sigma[None], miss[None], share)[0])


def shares_within(J: Array, half: Array, sigma: Array, miss: Array, share: float = 0.95) -> Array:
    """`share_within` (N,) m for N landings at once: J (N, K, 3), half and sigma (N, K) rad, miss (N, 3) m."""
    draws = _draws(half.shape[-1])
    squares = np.empty((len(J), DRAWS))
    for n in range(len(J)):
        # One landing at a time: its draws stay in the cache.
        spread = np.vstack([J[n] * half[n][:, None], J[n] * sigma[n][:, None]])
        places = miss[n] + draws @ spread
        squares[n] = np.einsum("di,di->d", places, places)
    # The quantile by its definition: straight between the two places next to it.
    at = share * (DRAWS - 1)
    low = int(at)
    high = min(low + 1, DRAWS - 1)
    squares.partition((low, high), axis=1)
    distance = np.sqrt(squares[:, (low, high)])
    return np.asarray(distance[:, 0] + (at - low) * (distance[:, 1] - distance[:, 0]))


@cache
def _draws(count: int) -> Array:
    """(DRAWS, 2 count): evenly spread from -1 to 1 in the first half of the columns, normally spread in the second."""
    rng = np.random.default_rng(20_26)
    return np.hstack([rng.uniform(-1.0, 1.0, (DRAWS, count)), rng.normal(size=(DRAWS, count))])


def farthest(generators: Array, middle: Array) -> float:
    """Distance, m, from the origin to the farthest vertex of the set middle (3,) + Σ ±generators[i] (K, 3)."""
    return float(farthest_each(generators[None], middle[None])[0])


def farthest_each(generators: Array, middle: Array) -> Array:
    """`farthest` (N,) m for N sets at once: generators (N, K, 3), middle (N, 3)."""
    vertices = middle[:, None] + _signs(generators.shape[1]) @ generators
    return np.asarray(np.sqrt(np.einsum("nvi,nvi->nv", vertices, vertices).max(axis=1)))


@cache
def _signs(count: int) -> Array:
    """Every pattern of signs, (2^count, count)."""
    return np.array(list(product((-1.0, 1.0), repeat=count))).reshape(2**count, count)


def root_sum_square(J: Array, sigma: Array) -> Array:
    """Expected distance (...), root mean square, m, from joint errors: J (..., K, 3) m/rad, sigma (..., K) rad."""
    return np.asarray(np.sqrt(((J * sigma[..., None]) ** 2).sum(axis=(-2, -1))))
