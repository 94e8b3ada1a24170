"""Closed outlines of a region that is known at the points of a grid.

Marching squares (Lorensen & Cline's cubes, SIGGRAPH 1987, in two dimensions; from memory), with the crossings
along the grid's edges handed in, so that a boundary known better than the grid stays as good as it is known.
"""

from __future__ import annotations

import numpy as np

from handfast.geometry.rigid import Array

# Corners of a cell in turn, anticlockwise, and its edges between them; an edge is (along u?, du, dv).
_CORNERS = ((0, 0), (1, 0), (1, 1), (0, 1))
_EDGES = ((True, 0, 0), (False, 1, 0), (True, 0, 1), (False, 0, 0))


def outlines(back_u: Array, back_v: Array, step: float = 1.0) -> list[Array]:
    """Closed outlines [(P, 2), ...] in grid indices of the region in which `back_u` and `back_v` (U, V) are 0.

    They say how far back the region is from a grid point outside, along the grid's two directions, in the
    unit of `step`, the grid's pitch; infinite where that is not known or not the way. Between a point inside
    and one outside the boundary is put where that distance says, at most one step away. What touches the rim
    is closed along it. Outer rims run anticlockwise, holes clockwise.
    """
    backs = tuple(np.pad(np.asarray(b, dtype=float), 1, constant_values=np.inf) for b in (back_u, back_v))
    inside = backs[0] <= 0.0
    follows: dict[tuple[bool, int, int], tuple[bool, int, int]] = {}
    corners = np.stack([inside[du : du - 1 or None, dv : dv - 1 or None] for du, dv in _CORNERS])
    mixed = corners.any(axis=0) & ~corners.all(axis=0)
    for u, v in zip(*np.nonzero(mixed), strict=True):
        for a in range(4):
            # Going round the cell, the region is left through edge a (its first corner inside, its second
            # not); the outline comes in there and goes out at the edge where the region was entered before.
            if not (corners[a, u, v] and not corners[(a + 1) % 4, u, v]):
                continue
            b = a
            while corners[(b - 1) % 4, u, v]:
                b -= 1
            leaving, entering = _edge(a, u, v), _edge((b - 1) % 4, u, v)
            follows[leaving] = entering
    found = []
    while follows:
        first, edge = next(iter(follows.items()))
        chain = [first]
        del follows[first]
        while edge != first:
            chain.append(edge)
            edge = follows.pop(edge)
        found.append(np.array([_crossing(backs, inside, e, step) for e in chain]) - 1.0)
    return found


def _edge(number: int, u: int, v: int) -> tuple[bool, int, int]:
    along, du, dv = _EDGES[number]
    return along, int(u) + du, int(v) + dv


def _crossing(
    backs: tuple[Array, ...], inside: np.ndarray, edge: tuple[bool, int, int], step: float
) -> tuple[float, float]:
    along, u, v = edge
    end = (u + 1, v) if along else (u, v + 1)
    first_inside = bool(inside[u, v])
    back = backs[0 if along else 1]
    beyond = float(back[end] if first_inside else back[u, v])
    share = 1.0 - min(beyond / step, 1.0)
    share = share if first_inside else 1.0 - share
    return (u + share, float(v)) if along else (float(u), v + share)


def area(polygons: list[Array]) -> float:
    """Area inside closed polygons [(P, 2), ...], holes (clockwise) taken off: the shoelace formula."""
    total = 0.0
    for p in polygons:
        x, y = p[:, 0], p[:, 1]
        total += 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1))
    return total
