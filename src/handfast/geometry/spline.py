"""A cubic spline with continuous third derivative at its second and last but one points ("not a knot").

Written out here because a whole check must start in well under a second and the library that has it takes a
fifth of one to import; tests hold it to that library. Source: de Boor, *A Practical Guide to Splines* (1978),
chapter 4, from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.geometry.rigid import Array


@dataclass(frozen=True)
class Spline:
    """Piecewise cubic: on [x_i, x_i+1] the value is c0 + c1·d + c2·d² + c3·d³ with d = x - x_i."""

    x: Array  # (P,)
    coefficients: Array  # (4, P - 1, K)

    def __call__(self, x: Array, derivative: int = 0) -> Array:
        """Value or derivative (0 to 2) at x (N,): (N, K). Beyond the ends the outer cubics go on."""
        x = np.asarray(x, dtype=float)
        i = np.clip(np.searchsorted(self.x, x, side="right") - 1, 0, len(self.x) - 2)
        d = (x - self.x[i])[:, None]
        c0, c1, c2, c3 = (c[i] for c in self.coefficients)
        result: Array
        if derivative == 0:
            result = c0 + d * (c1 + d * (c2 + d * c3))
        elif derivative == 1:
            result = c1 + d * (2.0 * c2 + d * 3.0 * c3)
        else:
            result = 2.0 * c2 + d * 6.0 * c3
        return result


def spline_through(x: Array, y: Array) -> Spline:
    """The spline through y (P, K) at rising x (P,); with three points a parabola, with two a line."""
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    P = len(x)
    h = np.diff(x)
    slope = np.diff(y, axis=0) / h[:, None]
    if P == 2:
        zero = np.zeros_like(slope)
        return Spline(x, np.stack([y[:1], slope, zero, zero]))
    M = np.zeros_like(y)
    if P == 3:
        M[:] = 2.0 * (slope[1] - slope[0]) / (h[0] + h[1])
    else:
        M[1:-1] = _inner_bends(h, 6.0 * (slope[1:] - slope[:-1]))
        M[0] = M[1] + h[0] / h[1] * (M[1] - M[2])
        M[-1] = M[-2] + h[-1] / h[-2] * (M[-2] - M[-3])
    H = h[:, None]
    c1 = slope - H * (2.0 * M[:-1] + M[1:]) / 6.0
    return Spline(x, np.stack([y[:-1], c1, M[:-1] / 2.0, (M[1:] - M[:-1]) / (6.0 * H)]))


def _inner_bends(h: Array, b: Array) -> Array:
    """Second derivatives at the inner points: the usual three-term equations, the outer ones with the end put in.

    One sweep down and one up (Thomas' algorithm); the equations are diagonally dominant, so no pivot is sought.
    """
    low, middle, high = h[:-1].copy(), 2.0 * (h[:-1] + h[1:]), h[1:].copy()
    # The end's bend is the next two's, gone on with: M0 = M1 + h0/h1·(M1 - M2).
    middle[0] += h[0] * (1.0 + h[0] / h[1])
    high[0] -= h[0] ** 2 / h[1]
    middle[-1] += h[-1] * (1.0 + h[-1] / h[-2])
    low[-1] -= h[-1] ** 2 / h[-2]
    if len(b) == 2:
        return np.asarray(np.linalg.solve([[middle[0], high[0]], [low[1], middle[1]]], b))
    M = b.copy()
    for i in range(1, len(M)):
        share = low[i] / middle[i - 1]
        middle[i] -= share * high[i - 1]
        M[i] -= share * M[i - 1]
    M[-1] /= middle[-1]
    for i in range(len(M) - 2, -1, -1):
        M[i] = (M[i] - high[i] * M[i + 1]) / middle[i]
    return M
