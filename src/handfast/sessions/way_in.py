"""The way from where arms are found to where a session begins: straight if nothing is in it, else round it.

Nobody planned this way: limp arms lie where they were left, and the bench says only what it was told of.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from handfast.bench.parts import SIDES
from handfast.errors import InputError
from handfast.geometry.rigid import Array
from handfast.mechanics.clearance import clearances
from handfast.mechanics.model import Model
from handfast.units import DEGREE

ENOUGH = 5e-3
"""Bodies that keep so far apart on the way, m, are clear of each other (common practice, no source)."""

CLOSER = 1e-3
"""By how much bodies that are nearer than that from the first may come nearer yet, m: what rests on the table does."""

STANDS = (0.35, 0.2, 0.0, 0.5, 0.7, -0.35, 1.0)
"""Where arms have room as a rule, as shares of the way from all zeros to the middle of the travel."""

_STEP = 1.0 * DEGREE


def way_in(model: Model, begin: Array, goal: Array, judged: bool = True) -> list[Array]:
    """Joint angles (K,) rad to go to one after another, from `begin` (K,) to `goal` (K,), which is the last of them.

    Straight; or one arm after the other; or by way of a place where both have room: the first of these along
    which no two bodies come nearer than `ENOUGH`, unless they begin nearer, or end nearer at a goal that somebody
    has `judged`. Raises InputError naming the pair that is in the way if none is free.
    """
    tried = [[goal]]
    for arm in range(len(SIDES)):
        first = begin.copy()
        part = model.chain.columns(arm)
        first[part] = goal[part]
        tried.append([first, goal])
    middle = model.chain.travel.mean(axis=1)
    tried += [[share * middle, goal] for share in STANDS]
    if not len(model.bodies.pairs):
        return tried[0]
    ends = clearances(model.chain, model.bodies, np.stack([begin, goal] if judged else [begin])).min(axis=0)
    least = np.minimum(ends, ENOUGH) - CLOSER
    worst: tuple[float, int, float] | None = None
    for way in tried:
        gaps = clearances(model.chain, model.bodies, _path([begin, *way]))
        left = (gaps - least).min(axis=0)
        if np.all(left >= 0.0):
            return way
        pair = int(np.argmin(left))
        if worst is None:
            worst = (float(left[pair]), pair, float(gaps[:, pair].min()))
    assert worst is not None
    _, pair, gap = worst
    apart = f"{gap * 1e3:.0f} mm apart" if gap >= 0.0 else f"{-gap * 1e3:.0f} mm inside each other"
    raise InputError(
        "no free way from where the arms are to where they begin",
        where=f"{model.bodies.pair_name(pair)}: {apart} on the straight way, as the bench has them",
        expected=f"bodies that keep {ENOUGH * 1e3:.0f} mm apart all the way",
        next_step="lead the limp arms nearer to where they begin, then try again",
    )


def _path(points: list[Array]) -> Array:
    """Joint angles (N, K) along straight lines between points, at most `_STEP` of any joint apart."""
    parts = []
    for a, b in pairwise(points):
        n = max(1, int(np.ceil(np.abs(b - a).max() / _STEP)))
        parts.append(a + np.linspace(0.0, 1.0, n + 1)[:, None] * (b - a))
    return np.concatenate(parts)
