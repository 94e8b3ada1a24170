"""Where a TCP can be at all, the fingers pointing anyhow: flat sections through an arm's reach.

Nothing is assumed about the arm. From a handful of places it is known to reach, each section is filled from
neighbour to neighbour by the general solver, which starts at the neighbour's joint angles and keeps within the
joints' travel. A point that no neighbour can bring the TCP to is outside, by the distance that is left.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.geometry.outline import area, outlines
from handfast.geometry.rigid import Array
from handfast.mechanics.inverse import spread, towards
from handfast.mechanics.kinematics import places, tool_poses
from handfast.mechanics.model import Chain

REACHED = 1e-4
"""A point nearer than this counts as reached, m."""

_SAMPLES = 4096
_SEEDS = 400
_RETRIES = 16
_NEIGHBOURS = ((1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (-1, -1), (1, -1), (-1, 1))


@dataclass(frozen=True)
class Cut:
    """A flat grid in the world: origin (3,) m, unit directions across and up (3,), U by V points `step` m apart."""

    origin: Array
    across: Array
    up: Array
    step: float
    shape: tuple[int, int]

    @property
    def points(self) -> Array:
        """(U, V, 3) m."""
        u, v = (self.step * np.arange(n) for n in self.shape)
        result: Array = self.origin + u[:, None, None] * self.across + v[None, :, None] * self.up
        return result

    def on_world(self, polygons: list[Array]) -> list[Array]:
        """Polygons in grid indices as (P, 2) m along across and up, measured from the world's origin."""
        base = np.array([self.origin @ self.across, self.origin @ self.up])
        return [base + self.step * p for p in polygons]


@dataclass(frozen=True)
class Section:
    """One cut through a reach.

    back_u, back_v (U, V) m: how far back along the cut's two directions the reach is from each point; 0 where
    the point is reached, infinite where it lies not that way or where the point was never near.
    """

    cut: Cut
    back_u: Array
    back_v: Array

    @property
    def reached(self) -> np.ndarray:
        """(U, V) whether the TCP can be there."""
        found: np.ndarray = self.back_u <= 0.0
        return found

    @property
    def outlines(self) -> list[Array]:
        """Its rims [(P, 2), ...] m along the cut's axes, measured from the world's origin."""
        return self.cut.on_world(outlines(self.back_u, self.back_v, self.cut.step))

    @property
    def area(self) -> float:
        """m²."""
        return area(self.outlines)

    def shared(self, other: Section) -> Section:
        """What both reach, on the same cut."""
        return Section(self.cut, np.maximum(self.back_u, other.back_u), np.maximum(self.back_v, other.back_v))


def longest(chain: Chain) -> float:
    """A distance from its base, m, beyond which the TCP of a single arm cannot be: all members laid end to end."""
    return float(np.linalg.norm(chain.offsets, axis=1).sum() + np.linalg.norm(chain.tools[0]))


def section(chain: Chain, cut: Cut) -> Section:
    """The cut through the reach of a single arm; nothing below z = 0, the table top, counts."""
    short, q = _fill(chain, cut)
    points = cut.points
    tried = (short > 0.0) & np.isfinite(short)
    # At the place nearest to an outside point the boundary stands square to the way there: how far back it is
    # along a direction of the grid follows from the angle between the two.
    tips = tool_poses(chain, q[tried])[:, 0, :3, 3] if tried.any() else np.zeros((0, 3))
    normal = (points[tried] - tips) / np.maximum(short[tried], 1e-12)[:, None]
    backs = []
    for axis in (cut.across, cut.up):
        back = np.where(short <= 0.0, 0.0, np.inf)
        with np.errstate(divide="ignore"):
            back[tried] = short[tried] / np.abs(normal @ axis)
        back[points[..., 2] < -1e-9] = np.inf
        backs.append(back)
    return Section(cut, *backs)


def full_reach(chain: Chain, direction: Array) -> tuple[float, Array]:
    """Farthest level distance of the TCP from the first joint, m, along `direction` (level), and the angles there.

    It is looked for at the height of the second joint, where an arm is longest, else at that of its TCP in the
    middle of its travel; 0 if it cannot be held out level at either.
    """
    middle = 0.5 * (chain.travel[:, 0] + chain.travel[:, 1])
    start = places(chain, middle)
    for height in (start.p[0, min(1, chain.joints - 1), 2], start.X_WT[0, 0, 2, 3]):
        distance, q = _along(chain, np.array([start.p[0, 0, 0], start.p[0, 0, 1], height]), direction)
        # Less than a twentieth of its length is not held out: an upright arm leaves its axis by its tolerance.
        if distance > 0.05 * longest(chain):
            return distance, q
    return 0.0, middle


def _along(chain: Chain, origin: Array, direction: Array) -> tuple[float, Array]:
    """How far out from `origin` the TCP gets along a level ray, m, and the angles (K,) there."""
    outwards = np.array([direction[0], direction[1], 0.0]) / np.hypot(direction[0], direction[1])
    step = longest(chain) / 40.0
    cut = Cut(origin + 0.25 * step * outwards, outwards, np.array([0.0, 0.0, 1.0]), step, (42, 1))
    short, q = _fill(chain, cut)
    reached = np.nonzero(short[:, 0] <= 0.0)[0]
    if not len(reached):
        return 0.0, q[0, 0]
    last = int(reached[-1])
    beyond = min(float(short[last + 1, 0]), step) if last + 1 < len(short) else step
    distance = 0.25 * step + last * step + (step - beyond)
    end, left = towards(chain, (origin + distance * outwards)[None], q[last])
    return distance - float(left[0]), end[0]


def _fill(chain: Chain, cut: Cut) -> tuple[Array, Array]:
    """How far each point of a cut is from being reached (U, V) m, infinite if never tried, and angles (U, V, K)."""
    K = chain.joints
    low, high = chain.travel[:, 0], chain.travel[:, 1]
    points = cut.points
    short = np.full(cut.shape, np.inf)
    q = np.zeros((*cut.shape, K))

    def attempt(u: np.ndarray, v: np.ndarray, starts: Array) -> None:
        if not len(u):
            return
        found, left = towards(chain, points[u, v], starts)
        left = np.where(left <= REACHED, 0.0, left)
        better = left < short[u, v]
        u, v = u[better], v[better]
        short[u, v], q[u, v] = left[better], found[better]

    samples = low + spread(K, _SAMPLES) * (high - low)
    tips = tool_poses(chain, samples)[:, 0, :3, 3] - cut.origin
    u, v = (np.rint(tips @ axis / cut.step).astype(int) for axis in (cut.across, cut.up))
    off = np.abs(tips @ np.cross(cut.across, cut.up))
    if 1 in cut.shape:
        off = np.linalg.norm(tips - (u * cut.step)[:, None] * cut.across - (v * cut.step)[:, None] * cut.up, axis=1)
        u, v = (np.clip(w, 0, n - 1) for w, n in zip((u, v), cut.shape, strict=True))
    fits = np.nonzero((u >= 0) & (u < cut.shape[0]) & (v >= 0) & (v < cut.shape[1]))[0]
    order = fits[np.argsort(off[fits], kind="stable")]
    _, first = np.unique(u[order] * cut.shape[1] + v[order], return_index=True)
    seeds = order[np.sort(first)[:_SEEDS]]
    attempt(u[seeds], v[seeds], samples[seeds])

    tried = np.zeros((len(_NEIGHBOURS), *cut.shape), dtype=bool)
    while True:
        before = int(tried.sum())
        for way, (du, dv) in enumerate(_NEIGHBOURS):
            u, v = np.nonzero(short <= 0.0)
            to_u, to_v = u + du, v + dv
            fits_ = (to_u >= 0) & (to_u < cut.shape[0]) & (to_v >= 0) & (to_v < cut.shape[1])
            u, v, to_u, to_v = u[fits_], v[fits_], to_u[fits_], to_v[fits_]
            new = (short[to_u, to_v] > 0.0) & ~tried[way, to_u, to_v]
            tried[way, to_u[new], to_v[new]] = True
            attempt(to_u[new], to_v[new], q[u[new], v[new]])
        if int(tried.sum()) == before:
            break
    # A point in the midst of others that were reached is more likely missed by the solver than out of reach.
    reached = np.pad(short <= 0.0, 1)
    around = sum(reached[1 + du : 1 + du + cut.shape[0], 1 + dv : 1 + dv + cut.shape[1]] for du, dv in _NEIGHBOURS)
    for start in samples[:: _SAMPLES // _RETRIES]:
        u, v = np.nonzero((short > 0.0) & (around >= 5))
        attempt(u, v, np.tile(start, (len(u), 1)))
    return short, q
