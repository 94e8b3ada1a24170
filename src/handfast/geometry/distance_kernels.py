# mypy: disable-error-code="no-untyped-def"
"""Distances between segments, planes and boxes. A capsule is a segment with a radius to subtract."""

from __future__ import annotations

import numpy as np

from handfast.kernels import inner


@inner
def segment_segment(ax, ay, az, ux, uy, uz, bx, by, bz, vx, vy, vz):
    """Distance between the segments a + s·u and b + t·v with s, t in [0, 1].

    Source: the clamped closest-point method of Ericson, *Real-Time Collision Detection* (2005), section
    5.1.9, from memory. A segment of length zero is a point.
    """
    rx, ry, rz = ax - bx, ay - by, az - bz
    uu = ux * ux + uy * uy + uz * uz
    vv = vx * vx + vy * vy + vz * vz
    uv = ux * vx + uy * vy + uz * vz
    ur = ux * rx + uy * ry + uz * rz
    vr = vx * rx + vy * ry + vz * rz
    tiny = 1e-18
    determinant = uu * vv - uv * uv
    s = (uv * vr - ur * vv) / determinant if determinant > 1e-12 * uu * vv + tiny else 0.0
    s = min(max(s, 0.0), 1.0)
    t = (uv * s + vr) / vv if vv > tiny else 0.0
    t_inside = min(max(t, 0.0), 1.0)
    if t_inside != t or vv <= tiny:
        t = t_inside
        s = (uv * t - ur) / uu if uu > tiny else 0.0
        s = min(max(s, 0.0), 1.0)
    dx = rx + s * ux - t * vx
    dy = ry + s * uy - t * vy
    dz = rz + s * uz - t * vz
    return np.sqrt(dx * dx + dy * dy + dz * dz)


@inner
def _slope(t, a, u, h):
    """Derivative by t of half the squared distance from a + t·u to the box |x_k| <= h_k."""
    total = 0.0
    for k in range(3):
        x = a[k] + t * u[k]
        if x > h[k]:
            total += (x - h[k]) * u[k]
        elif x < -h[k]:
            total += (x + h[k]) * u[k]
    return total


@inner
def segment_box(a, u, h):
    """Signed distance of the segment a + t·u, t in [0, 1], to the box |x_k| <= h_k, in the box's own axes.

    Outside it is exact: the squared distance is convex and piecewise quadratic in t, so its slope is
    bracketed between the points where the segment crosses the box's faces and is linear in between. Inside
    it is minus the shortest way out along a face normal.
    """
    low, high = 0.0, 1.0
    for k in range(3):
        if abs(u[k]) > 1e-15:
            for side in (-1.0, 1.0):
                t = (side * h[k] - a[k]) / u[k]
                if low < t < high:
                    if _slope(t, a, u, h) > 0.0:
                        high = t
                    else:
                        low = t
    g_low, g_high = _slope(low, a, u, h), _slope(high, a, u, h)
    if g_low >= 0.0:
        t = low
    elif g_high <= 0.0:
        t = high
    else:
        t = low + (high - low) * g_low / (g_low - g_high)
    squared = 0.0
    for k in range(3):
        outside = abs(a[k] + t * u[k]) - h[k]
        if outside > 0.0:
            squared += outside * outside
    if squared > 0.0:
        return np.sqrt(squared)
    depth = 1e30
    for k in range(3):
        up = h[k] - min(a[k], a[k] + u[k])
        down = h[k] + max(a[k], a[k] + u[k])
        depth = min(depth, min(up, down))
    return -max(depth, 0.0)
