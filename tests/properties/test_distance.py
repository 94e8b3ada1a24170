"""What holds for all segments and boxes."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from handfast.geometry.distance_kernels import segment_box, segment_segment
from handfast.geometry.rigid import rotation_of

# Down to a tenth of a millimetre, so that a segment is a segment; and exactly nought.
numbers = st.floats(-1.0, 1.0).map(lambda x: 0.0 if abs(x) < 1e-4 else x)
vectors = arrays(float, 3, elements=numbers)
halves = arrays(float, 3, elements=st.floats(0.01, 0.5))
STEPS = np.linspace(0.0, 1.0, 201)[:, None]


def on_box(points, half):
    """Distance of points outside a box to it."""
    return np.linalg.norm(np.maximum(np.abs(points) - half, 0.0), axis=-1)


@given(vectors, vectors, vectors, vectors)
def test_segments_against_many_points(a, u, b, v):
    """No two of 201 x 201 points are nearer than the distance, and some are as near but for their spacing."""
    d = segment_segment(*a, *u, *b, *v)
    sampled = np.linalg.norm((a + STEPS * u)[:, None] - (b + STEPS * v)[None], axis=-1).min()
    assert d <= sampled + 1e-9
    assert sampled <= d + (np.linalg.norm(u) + np.linalg.norm(v)) / 400


@given(vectors, vectors, vectors, vectors, vectors, vectors)
def test_segments_anywhere_and_any_way_round(a, u, b, v, w, shift):
    """Moved together, swapped or turned end for end they are as far apart."""
    d = segment_segment(*a, *u, *b, *v)
    R = rotation_of(w)
    assert segment_segment(*(R @ a + shift), *(R @ u), *(R @ b + shift), *(R @ v)) == pytest.approx(d, abs=1e-7)
    assert segment_segment(*b, *v, *a, *u) == pytest.approx(d, abs=1e-7)
    assert segment_segment(*(a + u), *-u, *b, *v) == pytest.approx(d, abs=1e-7)


@given(vectors, vectors, halves)
def test_a_segment_and_a_box_against_many_points(a, u, half):
    """Outside as with two segments; inside, where a point of the segment is in the box, never above nought."""
    d = segment_box(*a, *u, *half)
    sampled = on_box(a + STEPS * u, half).min()
    assert max(d, 0.0) <= sampled + 1e-12
    assert sampled <= max(d, 0.0) + np.linalg.norm(u) / 400
    if sampled == 0.0:
        assert d <= 0.0


@given(vectors, vectors, halves)
@example(np.array([0.0, 0.0, -0.46875]), np.array([0.0, 0.5, 0.25]), np.array([0.09375, 0.09375, 0.421875]))
def test_the_depth_in_a_box_is_a_way_out(a, u, half):
    """Moved by the depth along a normal of a face, or square to an edge, it is out; a nudge any way changes the
    depth by no more than itself. The example only touches an edge."""
    d = segment_box(*a, *u, *half)
    if d > 0.0:
        return
    axes = [*np.eye(3), *(v / size for v in np.cross(u, np.eye(3)) if (size := np.linalg.norm(v)) > 1e-9)]
    moves = [sign * axis for axis in axes for sign in (-1.0, 1.0)]
    assert max(segment_box(*(a - d * move), *u, *half) for move in moves) >= -1e-12
    for move in moves:
        nudged = segment_box(*(a + 0.01 * move), *u, *half)
        assert nudged == pytest.approx(d, abs=0.01 + 1e-12)


@given(vectors, vectors, halves, arrays(float, 3, elements=st.sampled_from([-1.0, 1.0])), st.permutations(range(3)))
def test_a_box_looks_the_same_from_all_sides(a, u, half, signs, order):
    """Mirrored and with its axes renamed."""
    d = segment_box(*a, *u, *half)
    assert segment_box(*(signs * a)[order], *(signs * u)[order], *half[order]) == pytest.approx(d, abs=1e-12)
