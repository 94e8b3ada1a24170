"""Accuracy and repeatability in the style of ISO 9283:1998 (formulas from memory).

"In the style of": the standard's own figures need its cube of poses, 30 cycles, rated load and speeds. All spreads
take n - 1. Arrays are in one unit, whichever it is; results are in the same.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.geometry.rigid import Array
from handfast.geometry.statistics import mean_and_deviation


@dataclass(frozen=True)
class Pose:
    """One pose visited n times: accuracy AP, its parts (d,), mean distance from the barycentre, repeatability RP."""

    accuracy: float
    off: Array
    mean_distance: float
    repeatability: float
    count: int


def pose_figures(commanded: Array, attained: Array) -> Pose:
    """AP = |barycentre - commanded|; RP = mean + 3 standard deviations of the distances from the barycentre.

    commanded (d,); attained (n, d), n at least 2.
    """
    centre = attained.mean(axis=0)
    distance = np.linalg.norm(attained - centre, axis=1)
    mean, deviation = mean_and_deviation(distance)
    off = centre - commanded
    return Pose(float(np.linalg.norm(off)), off, mean, mean + 3.0 * deviation, len(attained))


def distance_figures(commanded: float, attained: Array) -> tuple[float, float]:
    """AD = mean - commanded distance; RD = ±3 standard deviations. Also for angles: AP_a and RP_a."""
    mean, deviation = mean_and_deviation(attained)
    return mean - commanded, 3.0 * deviation


def speed_figures(commanded: float, attained: Array) -> tuple[float, float]:
    """AV and RV as shares of the commanded speed."""
    accuracy, repeatability = distance_figures(commanded, attained)
    return accuracy / commanded, repeatability / commanded


def direction_variation(means: Array) -> float:
    """VAP: largest distance between the mean places (m, d) of one pose approached in m ways."""
    return float(np.linalg.norm(means[:, None] - means[None], axis=-1).max())


def path_figures(deviations: Array) -> tuple[float, float, Array]:
    """AT, RT and RT at every point, of a path followed n times and looked at in m planes across it.

    deviations (n, m, d) or (n, m): attained minus commanded, across the path, n at least 2.
    """
    across = deviations[..., None] if deviations.ndim == 2 else deviations
    mean = across.mean(axis=0)
    distance = np.linalg.norm(across - mean, axis=-1)
    repeatability = np.array([m + 3.0 * s for m, s in (mean_and_deviation(column) for column in distance.T)])
    return float(np.linalg.norm(mean, axis=-1).max()), float(repeatability.max()), repeatability


def cornering(corner: Array, path: Array) -> float:
    """CR: least distance from a corner (d,) to the attained path (n, d), taken as straight between its points."""
    return float(distances_to_path(corner[None], path)[0])


def distances_to_path(points: Array, path: Array) -> Array:
    """Distance (n,) of every point (n, d) from the nearest place on a polyline (m, d), m at least 2."""
    start, side = path[:-1], np.diff(path, axis=0)
    square = np.maximum((side**2).sum(axis=1), 1e-300)
    best = np.empty(len(points))
    # In portions, so that memory stays small for long drawings.
    for first in range(0, len(points), 512):
        part = points[first : first + 512]
        share = np.clip(np.einsum("nmd,md->nm", part[:, None] - start[None], side) / square, 0.0, 1.0)
        foot = start[None] + share[..., None] * side[None]
        best[first : first + 512] = np.sqrt(((part[:, None] - foot) ** 2).sum(axis=-1).min(axis=1))
    return best


def cube_poses(side: float) -> Array:
    """P1 to P5 (5, 3) in a cube of that side about the origin, on the plane C1-C2-C7-C8, 10 % in from its corners."""
    a = 0.4 * side
    return np.array([[0.0, 0, 0], [a, a, a], [a, -a, a], [-a, -a, -a], [-a, a, -a]])


@dataclass(frozen=True)
class Reversal:
    """Figures in the style of ISO 230-2:2014 of one axis at m positions (k = 2), from memory.

    B: largest reversal; mean; R: bidirectional, R_up and R_down: one-way repeatability; M: range of the mean
    bidirectional deviation; E: systematic deviation; A: accuracy, all bidirectional.
    """

    B: float
    mean: float
    R: float
    R_up: float
    R_down: float
    M: float
    E: float
    A: float


def reversal_figures(up: list[Array], down: list[Array]) -> Reversal:
    """From deviations (attained - commanded) at each position, approached upwards and downwards, 2 or more each."""
    pairs_up = np.array([mean_and_deviation(x) for x in up])
    pairs_down = np.array([mean_and_deviation(x) for x in down])
    x_up, s_up, x_down, s_down = *pairs_up.T, *pairs_down.T
    B = x_up - x_down
    R = np.maximum.reduce([2.0 * s_up + 2.0 * s_down + np.abs(B), 4.0 * s_up, 4.0 * s_down])
    middle = 0.5 * (x_up + x_down)
    means = np.concatenate([x_up, x_down])
    high = np.concatenate([x_up + 2.0 * s_up, x_down + 2.0 * s_down]).max()
    low = np.concatenate([x_up - 2.0 * s_up, x_down - 2.0 * s_down]).min()
    return Reversal(
        float(np.abs(B).max()), float(B.mean()), float(R.max()), float(4.0 * s_up.max()), float(4.0 * s_down.max()),
        float(np.ptp(middle)), float(np.ptp(means)), float(high - low),
    )  # fmt: skip
