"""Distances of segments and boxes, and with them of capsules.

Sources: the five pairs of segments were worked by hand and agree with coal; boxes are worked by hand.
"""

from __future__ import annotations

import numpy as np
import pytest

from handfast.geometry.distance_kernels import segment_box, segment_segment


def apart(a, b, c, d) -> float:
    """Distance between the segments a-b and c-d."""
    a, b, c, d = (np.array(x, dtype=float) for x in (a, b, c, d))
    return segment_segment(*a, *(b - a), *c, *(d - c))


def box(a, b, half) -> float:
    """Signed distance of the segment a-b to a box of half extents `half`."""
    a, b = np.array(a, dtype=float), np.array(b, dtype=float)
    return segment_box(*a, *(b - a), *(float(h) for h in half))


@pytest.mark.parametrize(
    ("first", "second", "radii", "centre", "clearance"),
    [
        (((0, 0, 0), (1, 0, 0)), ((0, 1, 1), (1, 1, 1)), (0.2, 0.3), 1.414213562, 0.914213562),
        (((0, 0, 0), (1, 0, 0)), ((0.5, -1, 0.7), (0.5, 1, 0.7)), (0.1, 0.1), 0.7, 0.5),
        (((0, 0, 0), (1, 0, 0)), ((2, 1, 0), (2, 3, 0)), (0.1, 0.2), 1.414213562, 1.114213562),
        (((0, 0, 0), (100, 0, 0)), ((30, 40, 20), (80, 10, 60)), (12, 15), 44.0, 17.0),
        (((0, 0, 0), (100, 50, 0)), ((50, 0, 0), (50, 100, 0)), (5, 5), 0.0, -10.0),
    ],
    ids=["parallel", "crossing", "end to end", "skew", "meeting"],
)
def test_two_capsules(first, second, radii, centre: float, clearance: float):
    """Distance of the axes, and less both radii; either way round. Tolerance: ten printed digits."""
    for one, other in ((first, second), (second, first), (first[::-1], second)):
        distance = apart(*one, *other)
        assert distance == pytest.approx(centre, abs=1e-8)
        assert distance - sum(radii) == pytest.approx(clearance, abs=1e-8)


def test_a_segment_may_be_a_point():
    """Point to segment beside it and beyond its end, and point to point."""
    assert apart((0.5, 2, 0), (0.5, 2, 0), (0, 0, 0), (1, 0, 0)) == pytest.approx(2.0)
    assert apart((0, 0, 0), (1, 0, 0), (4, 4, 0), (4, 4, 0)) == pytest.approx(5.0)
    assert apart((1, 1, 1), (1, 1, 1), (1, 1, 3), (1, 1, 3)) == pytest.approx(2.0)


def test_nearly_parallel_segments():
    """Two metres long, a hair's breadth from parallel, 10 mm apart at their nearest ends."""
    tilt = 1e-7
    assert apart((-1, 0, 0), (1, 0, 0), (-1, 0, 0.01), (1, tilt, 0.01 + tilt)) == pytest.approx(0.01, abs=1e-12)


@pytest.mark.parametrize(
    ("a", "b", "distance"),
    [
        ((2, 0, 0), (5, 0, 0), 1.0),  # end on, before a face
        ((2, -5, 0), (2, 5, 0), 1.0),  # level with a face
        ((2, 3, 0), (2, 5, 0), np.sqrt(2.0)),  # end near an edge (the box ends at y = 2)
        ((2, 3, 4), (5, 6, 7), np.sqrt(3.0)),  # end near a corner
        ((3, 0, 0), (0, 4, 0), 2.0 / 5.0),  # past the edge x = 1, y = 2: 4x + 3y = 12 in the plane z = 0
        ((0, 0, 3.5), (0, 0, 3.5), 0.5),  # a point above
    ],
)
def test_outside_a_box(a, b, distance: float):
    """A box of half extents 1, 2, 3 about the origin; worked by hand, the square roots by the machine."""
    assert box(a, b, (1, 2, 3)) == pytest.approx(distance, abs=1e-12)


@pytest.mark.parametrize(
    ("a", "b", "depth"),
    [
        ((0, 0, 0), (0, 0, 0), 1.0),  # a point in the middle: out by the nearest face, x
        ((0.5, 0, 0), (0.5, 0, 0), 0.5),
        ((0.5, -1, 0), (0.5, 1, 0), 0.5),  # level with the face x = 1
        ((-9, 0, 0), (9, 0, 0), 2.0),  # right through: sideways by y
        ((0, 0, 2.5), (0, 0, 9), 0.5),  # in by its lower end only
        ((1.5, 0, 0), (0, 2, 0), 4.0 / 5.0),  # past the edge x = 1, y = 2: 4x + 3y = 6 there, 10 at the edge
    ],
)
def test_inside_a_box(a, b, depth: float):
    """Minus the shortest way out; the box as above. Past an edge 4x + 3y has to grow from 6 to 10, over 5: 4/5."""
    assert box(a, b, (1, 2, 3)) == pytest.approx(-depth, abs=1e-12)


def test_touching_a_box_is_nought():
    """On a face, and along one."""
    assert box((1, 0, 0), (5, 0, 0), (1, 2, 3)) == pytest.approx(0.0, abs=1e-12)
    assert box((1, -1, 0), (1, 1, 0), (1, 2, 3)) == pytest.approx(0.0, abs=1e-12)


def test_right_through_a_box_is_never_told_as_touching():
    """A thousand lines through the middle of a box: each is at least as deep as its smallest half extent.

    The crossing of a face is found to rounding; a hair outside there must not count as outside.
    """
    rng = np.random.default_rng(3)
    for direction in rng.normal(size=(1000, 3)):
        direction /= np.linalg.norm(direction)
        assert box(-3 * direction, 4 * direction, (0.3, 0.5, 0.7)) <= -0.3 + 1e-12
