"""Statistics of measured numbers: middle and spread, outliers, intervals, straight lines, best-fitting places."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.geometry.rigid import Array

OUTLIER = 3.5
"""Modified z beyond which a value stands out (Iglewicz and Hoaglin 1993)."""


def modified_z(x: Array) -> Array:
    """Distance from the median in robust standard deviations: 0.6745 (x - median)/MAD (Iglewicz, Hoaglin 1993).

    Where more than half of the values are equal: (x - median)/(1.253314 · mean absolute deviation).
    """
    away = np.asarray(x, dtype=float) - np.median(x)
    mad = float(np.median(np.abs(away)))
    if mad > 0.0:
        return np.asarray(0.6745 * away / mad)
    mean = float(np.mean(np.abs(away)))
    return np.asarray(away / (1.253314 * mean)) if mean > 0.0 else np.zeros_like(away)


def mean_and_deviation(x: Array) -> tuple[float, float]:
    """Mean and standard deviation (n - 1) of at least two values, in two passes, with what rounding left of the mean.

    One pass over squares loses all digits where the spread is small beside the mean.
    """
    values = np.asarray(x, dtype=float)
    first = float(values.mean())
    mean = first + float((values - first).mean())
    away = values - mean
    rest = float(away.sum())
    return mean, float(np.sqrt(max(0.0, float(away @ away) - rest**2 / len(values)) / (len(values) - 1)))


def mean_interval(x: Array, level: float = 0.95) -> tuple[float, float]:
    """Interval that covers the mean of normal values with probability `level` (Student's t)."""
    from scipy.stats import t

    mean, deviation = mean_and_deviation(x)
    half = float(t.ppf(0.5 + level / 2.0, len(x) - 1)) * deviation / np.sqrt(len(x))
    return mean - half, mean + half


@dataclass(frozen=True)
class Line:
    """y = offset + slope·x with standard errors, and the residual standard deviation (n - 2)."""

    offset: float
    slope: float
    offset_error: float
    slope_error: float
    deviation: float


def straight_line(x: Array, y: Array) -> Line:
    """Least-squares line through at least three points that do not share one x."""
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    n, mean = len(x), float(np.mean(x))
    away = x - mean
    square = float(away @ away)
    slope = float(away @ (y - y.mean())) / square
    offset = float(y.mean()) - slope * mean
    left = y - offset - slope * x
    deviation = float(np.sqrt(left @ left / (n - 2)))
    return Line(
        offset,
        slope,
        deviation * float(np.sqrt(1.0 / n + mean**2 / square)),
        deviation / float(np.sqrt(square)),
        deviation,
    )


@dataclass(frozen=True)
class Similarity:
    """to = scale·R @ from + shift in d axes; left (n, d): what it does not explain, to minus the fit."""

    R: Array
    scale: float
    shift: Array
    left: Array

    @property
    def rms(self) -> float:
        """Root mean square distance of what is left."""
        return float(np.sqrt((self.left**2).sum(axis=1).mean()))


def similarity(points: Array, onto: Array, scaled: bool = True) -> Similarity:
    """The turn, shift and (if `scaled`) scale that bring `points` (n, d) nearest to `onto` (n, d); no mirroring.

    Source: Umeyama, IEEE TPAMI 13(4), 1991: singular values of the covariance, with the sign of its last one
    chosen so that the turn is proper.
    """
    mean_a, mean_b = points.mean(axis=0), onto.mean(axis=0)
    a, b = points - mean_a, onto - mean_b
    U, S, Vt = np.linalg.svd(b.T @ a / len(a))
    signs = np.ones(len(S))
    if np.linalg.det(U) * np.linalg.det(Vt) < 0:
        signs[-1] = -1.0
    R = U @ np.diag(signs) @ Vt
    spread = float((a**2).sum() / len(a))
    scale = float((S * signs).sum()) / spread if scaled and spread > 0.0 else 1.0
    shift = mean_b - scale * R @ mean_a
    return Similarity(R, scale, shift, onto - (scale * points @ R.T + shift))


def circle(points: Array) -> tuple[Array, float]:
    """Centre (2,) and radius of the circle with the least squared distances to `points` (n, 2), n at least 3.

    Geometric fit by Gauss-Newton from the algebraic one: on a short arc the latter alone is too small (Gander,
    Golub and Strebel, BIT 34, 1994).
    """
    start = np.linalg.lstsq(np.column_stack([2.0 * points, np.ones(len(points))]), (points**2).sum(axis=1))[0]
    centre = start[:2]
    radius = float(np.sqrt(max(start[2] + centre @ centre, 1e-30)))
    for _ in range(200):
        away = points - centre
        distance = np.maximum(np.linalg.norm(away, axis=1), 1e-15)
        jacobian = np.column_stack([-away / distance[:, None], -np.ones(len(points))])
        step = np.linalg.lstsq(jacobian, -(distance - radius))[0]
        centre, radius = centre + step[:2], radius + float(step[2])
        if float(np.abs(step).max()) < 1e-13 * max(radius, 1.0):
            break
    return centre, radius
