# mypy: disable-error-code="no-untyped-def"
"""Distances between segments, planes and boxes. A capsule is a segment with a radius to subtract.

Nothing here branches on the numbers: every choice is between two values already worked out. So a loop over
samples that calls these compiles to vector instructions.
"""

from __future__ import annotations

import numpy as np

from handfast.kernels import inner

TINY = 1e-18
"""A squared length below this is that of a point, m²."""


@inner
def clamped(x, low, high):
    """`x`, or the end of [low, high] that it lies beyond."""
    return min(max(x, low), high)


@inner
def segments_apart(ax, ay, az, ux, uy, uz, uu, per_uu, bx, by, bz, vx, vy, vz, vv, per_vv):
    """Distance between the segments a + s·u and b + t·v with s, t in [0, 1].

    uu and vv are u·u and v·v; per_uu and per_vv one over them, or anything finite for a segment that is a
    point. They do not change while a body moves, so a loop over samples works them out once.

    Best s on the endless lines, clamped; best t for it, clamped; best s for that, clamped. Source: the
    closest-point method of Ericson, *Real-Time Collision Detection* (2005), section 5.1.9, from memory. He
    asks first whether the last step is needed; where it is not, it changes nothing.
    """
    rx, ry, rz = ax - bx, ay - by, az - bz
    uv = ux * vx + uy * vy + uz * vz
    ur = ux * rx + uy * ry + uz * rz
    vr = vx * rx + vy * ry + vz * rz
    determinant = uu * vv - uv * uv
    # Parallel segments: any s will do.
    s = (uv * vr - ur * vv) / determinant if determinant > 1e-15 * uu * vv + TINY * TINY else 0.0
    t = clamped((uv * clamped(s, 0.0, 1.0) + vr) * per_vv, 0.0, 1.0)
    s = clamped((uv * t - ur) * per_uu, 0.0, 1.0)
    dx = rx + s * ux - t * vx
    dy = ry + s * uy - t * vy
    dz = rz + s * uz - t * vz
    return np.sqrt(dx * dx + dy * dy + dz * dz)


@inner
def segment_segment(ax, ay, az, ux, uy, uz, bx, by, bz, vx, vy, vz):
    """`segments_apart` for two segments of which nothing is known beforehand."""
    uu = ux * ux + uy * uy + uz * uz
    vv = vx * vx + vy * vy + vz * vz
    per_uu, per_vv = 1.0 / max(uu, TINY), 1.0 / max(vv, TINY)
    return segments_apart(ax, ay, az, ux, uy, uz, uu, per_uu, bx, by, bz, vx, vy, vz, vv, per_vv)


@inner
def _slope(t, ax, ay, az, ux, uy, uz, hx, hy, hz):
    """Derivative by t of half the squared distance from a + t·u to the box |x| <= hx, |y| <= hy, |z| <= hz."""
    x, y, z = ax + t * ux, ay + t * uy, az + t * uz
    return (x - clamped(x, -hx, hx)) * ux + (y - clamped(y, -hy, hy)) * uy + (z - clamped(z, -hz, hz)) * uz


@inner
def _narrowed(low, high, t, ax, ay, az, ux, uy, uz, hx, hy, hz):
    """The bracket [low, high] of the nearest point, narrowed by the slope at `t`."""
    t = clamped(t, 0.0, 1.0)
    uphill = _slope(t, ax, ay, az, ux, uy, uz, hx, hy, hz) > 0.0
    return (low if uphill else max(low, t)), (min(high, t) if uphill else high)


@inner
def _way_out(a, u, h):
    """How far the segment must move along one axis to leave the box by one of its two faces."""
    return min(h - min(a, a + u), h + max(a, a + u))


@inner
def _way_past_edge(ay, az, uy, uz, hy, hz):
    """How far the segment must move, square to itself and to the box's edges along x, to leave the box.

    Any length is enough for a segment along those edges: the face normals have its ways out.
    """
    across = np.sqrt(uy * uy + uz * uz)
    apart = abs(uz) * hy + abs(uy) * hz - abs(uz * ay - uy * az)
    return apart / across if across > 1e-15 else 1e30


@inner
def segment_box(ax, ay, az, ux, uy, uz, hx, hy, hz):
    """Signed distance of the segment a + t·u, t in [0, 1], to the box |x| <= hx ..., in the box's own axes.

    Outside it is exact: the squared distance is convex and piecewise quadratic in t, so its slope is
    bracketed between the points where the segment crosses the planes of the box's faces, and is linear in
    between. Inside it is minus the shortest way out: the directions to try are the normals of the faces of
    the Minkowski difference of box and segment, the box's own three and the segment crossed with its three
    kinds of edge. Source: the separating axes of Ericson, *Real-Time Collision Detection* (2005), section
    4.4.1, from memory.
    """
    # A segment level with a face crosses its plane nowhere; 1e-30 sends that crossing beyond the ends.
    px = 1.0 / (ux if abs(ux) > 1e-30 else 1e-30)
    py = 1.0 / (uy if abs(uy) > 1e-30 else 1e-30)
    pz = 1.0 / (uz if abs(uz) > 1e-30 else 1e-30)
    low, high = 0.0, 1.0
    low, high = _narrowed(low, high, (hx - ax) * px, ax, ay, az, ux, uy, uz, hx, hy, hz)
    low, high = _narrowed(low, high, (-hx - ax) * px, ax, ay, az, ux, uy, uz, hx, hy, hz)
    low, high = _narrowed(low, high, (hy - ay) * py, ax, ay, az, ux, uy, uz, hx, hy, hz)
    low, high = _narrowed(low, high, (-hy - ay) * py, ax, ay, az, ux, uy, uz, hx, hy, hz)
    low, high = _narrowed(low, high, (hz - az) * pz, ax, ay, az, ux, uy, uz, hx, hy, hz)
    low, high = _narrowed(low, high, (-hz - az) * pz, ax, ay, az, ux, uy, uz, hx, hy, hz)
    at_low = _slope(low, ax, ay, az, ux, uy, uz, hx, hy, hz)
    at_high = _slope(high, ax, ay, az, ux, uy, uz, hx, hy, hz)
    rise = at_high - at_low
    share = clamped(-at_low / rise, 0.0, 1.0) if rise > 0.0 else 0.0
    t = low + (high - low) * share
    # Where the slope is still falling at the far end, or already rising at the near one, that end is nearest.
    t = high if at_high <= 0.0 else (low if at_low >= 0.0 else t)
    x, y, z = ax + t * ux, ay + t * uy, az + t * uz
    dx, dy, dz = x - clamped(x, -hx, hx), y - clamped(y, -hy, hy), z - clamped(z, -hz, hz)
    squared = dx * dx + dy * dy + dz * dz
    by_face = min(_way_out(ax, ux, hx), min(_way_out(ay, uy, hy), _way_out(az, uz, hz)))
    past_x = _way_past_edge(ay, az, uy, uz, hy, hz)
    past_y = _way_past_edge(az, ax, uz, ux, hz, hx)
    past_z = _way_past_edge(ax, ay, ux, uy, hx, hy)
    depth = max(min(by_face, min(past_x, min(past_y, past_z))), 0.0)
    return np.sqrt(squared) if squared > 0.0 else -depth
