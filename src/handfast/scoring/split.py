"""Where an error comes from: scale, turn, offset, play, and what is left as noise.

The parts are fitted to attained minus commanded places one after another, each to what the ones before left, and
their sizes are given as root mean squares, so that their squares add up to that of the whole as far as the parts are
independent.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.geometry.rigid import Array
from handfast.geometry.statistics import similarity
from handfast.scoring.points import Visits


@dataclass(frozen=True)
class Part:
    """One part of the error: what it is, its size as a root mean square (m), and its own value in words."""

    name: str
    rms: float
    says: str


@dataclass(frozen=True)
class Split:
    """An error in parts. whole m: its root mean square; untold: parts that these points cannot tell, and why."""

    whole: float
    parts: tuple[Part, ...]
    untold: tuple[str, ...]


def _rms(rows: Array) -> float:
    return float(np.sqrt((rows**2).sum(axis=-1).mean())) if len(rows) else 0.0


def split_points(points: list[Visits]) -> Split:
    """The errors of visited points in parts: offset, turn, scale, play (where both ways were tried), place, noise."""
    commanded = np.concatenate([np.tile(p.commanded, (len(p.attained), 1)) for p in points])
    attained = np.concatenate([p.attained for p in points])
    error = attained - commanded
    whole = _rms(error)
    offset = error.mean(axis=0)
    parts = [Part("offset", float(np.linalg.norm(offset)), _vector(offset))]
    left = error - offset
    untold = []
    # Points on a line leave the turn about it open; two points give a line.
    spread = np.linalg.svd(commanded - commanded.mean(axis=0), compute_uv=False)
    line = len(points) < 3 or spread[1] < 1e-3 * spread[0]
    if len(points) < 2:
        untold += ["turn and scale: one point has neither"]
    elif line and commanded.shape[1] == 3:
        untold += ["turn and scale: the points lie on one line"]
    else:
        turned = similarity(commanded, attained, scaled=False).left
        scaled = similarity(commanded, attained)
        angle = _angle(scaled.R)
        parts.append(Part("turn", _lost(left, turned), f"{np.degrees(angle):.3f}°"))
        parts.append(Part("scale", _lost(turned, scaled.left), f"{100.0 * (scaled.scale - 1.0):+.3f} %"))
        left = scaled.left
    ways = np.concatenate([np.array(p.way, dtype=object) for p in points])
    signs = np.where(ways == "+", 1.0, np.where(ways == "-", -1.0, 0.0))
    if np.any(signs > 0) and np.any(signs < 0):
        # One vector of half the reversal for all points: what a joint's play does where the points are near.
        centred = signs - signs.mean()
        half = (centred @ left) / float(centred @ centred)
        after = left - np.outer(centred, half)
        parts.append(Part("play", _lost(left, after), f"{_vector(2.0 * half)} from - to +"))
        left = after
    else:
        untold.append("play: approach the points from both ways and say so in the column `way` (+ and -)")
    ends = np.cumsum([len(p.attained) for p in points])
    rows = np.split(left, ends[:-1])
    place = np.concatenate([np.tile(r.mean(axis=0), (len(r), 1)) for r in rows])
    parts.append(Part("place by place", _rms(place), "what differs from point to point and stays"))
    parts.append(Part("noise", _rms(left - place), "what differs from visit to visit"))
    return Split(whole, tuple(parts), tuple(untold))


def _lost(before: Array, after: Array) -> float:
    return float(np.sqrt(max(0.0, _rms(before) ** 2 - _rms(after) ** 2)))


def _vector(v: Array) -> str:
    return ", ".join(f"{a} {x * 1e3:+.2f}" for a, x in zip("xyz", v, strict=False)) + " mm"


def _angle(R: Array) -> float:
    if len(R) == 2:
        return float(np.arctan2(R[1, 0], R[0, 0]))
    return float(np.arccos(np.clip(0.5 * (np.trace(R) - 1.0), -1.0, 1.0)))
