"""Sections of reach against closed forms, and against the inverse kinematics."""

import numpy as np
import pytest
from shapely.geometry import Polygon

from handfast.geometry.rigid import pose, shift
from handfast.mechanics.inverse import solve
from handfast.mechanics.kinematics import tool_poses
from handfast.mechanics.model import Chain
from handfast.mechanics.reach import Cut, full_reach, longest, section


def arm(axes, offsets, tool, travel=None, base=(0.0, 0.0, 0.0)) -> Chain:
    """A weightless arm."""
    K = len(axes)
    return Chain(
        first=np.array([0, K]),
        bases=np.array([shift(np.array(base))]),
        offsets=np.array(offsets, dtype=float),
        axes=np.array(axes, dtype=float),
        masses=np.zeros(K),
        coms=np.zeros((K, 3)),
        inertias=np.zeros((K, 3, 3)),
        tools=np.array([tool], dtype=float),
        tool_turns=np.eye(3)[None],
        travel=np.array([(-np.pi, np.pi)] * K if travel is None else travel),
        gravity=np.array([0.0, 0.0, -9.80665]),
    )


def level(first: float, second: float, x: float = 0.0) -> Chain:
    """Two level members in mm that turn about z, 20 mm over the table."""
    z = [0.0, 0.0, 1.0]
    return arm([z, z], [[0, 0, 0], [first / 1e3, 0, 0]], [second / 1e3, 0, 0], base=(x / 1e3, 0, 0.02))


def cut_mm(low, high, step, height=20.0) -> Cut:
    """A level cut from low to high (x, y), mm."""
    shape = tuple(int(np.ceil((b - a) / step)) + 1 for a, b in zip(low, high, strict=True))
    origin = np.array([low[0], low[1], height]) / 1e3
    return Cut(origin, np.array([1.0, 0, 0]), np.array([0, 1.0, 0]), step / 1e3, shape)


def test_annulus_of_two_members():
    """4 pi L1 L2 (dexterity G3): 226194.671 mm² for 150 and 120 mm; chords of 6 mm on it lose under 0.1 %."""
    found = section(level(150, 120), cut_mm((-276, -276), (276, 276), 6.0))
    assert len(found.outlines) == 2
    assert found.area * 1e6 == pytest.approx(226194.671, rel=1e-3)


def test_lens_of_two_arms():
    """Two discs of radius 250, 300 mm apart, share 55911.902 mm² (MathWorld, circle-circle intersection)."""
    cut = cut_mm((-260, -260), (560, 260), 6.0)
    left, right = section(level(125, 125), cut), section(level(125, 125, x=300), cut)
    # Where the rims cross the lens has sharp corners that a step of 6 mm rounds off: 0.5 %.
    assert left.shared(right).area * 1e6 == pytest.approx(55911.902, rel=5e-3)


def test_lens_with_dead_cores():
    """With 60 mm around each base out of reach they share 55096.387 mm² (shapely, 4096-gons)."""
    cut = cut_mm((-260, -260), (560, 260), 6.0)
    left, right = section(level(155, 95), cut), section(level(155, 95, x=300), cut)
    shared = left.shared(right)
    assert shared.area * 1e6 == pytest.approx(55096.387, rel=5e-3)

    def region(rims):
        outer, *holes = sorted((Polygon(rim) for rim in rims), key=lambda p: -p.area)
        for hole in holes:
            outer = outer.difference(hole)
        return outer

    both = region(left.outlines).intersection(region(right.outlines))
    assert shared.area == pytest.approx(both.area, rel=5e-3)


def test_nothing_under_the_table_counts():
    """An upright cut through an arm whose shoulder is at the table: half an annulus, 2 pi L1 L2."""
    y = [0.0, 1.0, 0.0]
    one = arm([[0, 0, 1], y, y], [[0, 0, 0], [0, 0, 0], [0, 0, 0.15]], [0, 0, 0.12])
    step = 0.006
    cut = Cut(np.array([-0.282, 0, -0.282]), np.array([1.0, 0, 0]), np.array([0, 0, 1.0]), step, (95, 95))
    found = section(one, cut)
    # The row of points at the table itself is the lowest that counts.
    assert min(rim[:, 1].min() for rim in found.outlines) == pytest.approx(0.0, abs=1e-9)
    assert found.area * 1e6 == pytest.approx(226194.671 / 2, rel=2e-3)


def test_travel_bounds_the_reach():
    """An elbow that only opens from 60° to 150° reaches sqrt(L1² + L2² + 2 L1 L2 cos 60°) by the cosine law."""
    travel = [(-np.pi, np.pi), (np.radians(60), np.radians(150))]
    one = level(150, 120)
    one = arm(one.axes, one.offsets, one.tools[0], travel, base=(0, 0, 0.02))
    distance, q = full_reach(one, np.array([1.0, 0.0, 0.0]))
    expected = np.sqrt(0.15**2 + 0.12**2 + 2 * 0.15 * 0.12 * 0.5)
    # Stepping along the ray is bisected to the solver's tolerance; near the stop 0.2 mm of 234 remain.
    assert distance == pytest.approx(expected, abs=2e-4)
    tip = tool_poses(one, q)[0, 0, :3, 3]
    assert np.hypot(*tip[:2]) == pytest.approx(distance, abs=2e-4)
    assert travel[1][0] - 1e-9 <= q[1] <= travel[1][1] + 1e-9


def test_straight_arm_reaches_its_length_level():
    """Yaw and three pitches laid end to end: 105 + 98 + 120 mm from the first joint."""
    y = [0.0, 1.0, 0.0]
    one = arm(
        [[0, 0, 1], y, y, y],
        [[0, 0, 0.04], [0, 0, 0.03], [0, 0, 0.105], [0, 0, 0.098]],
        [0, 0, 0.12],
        np.radians([(-90, 90), (-60, 110), (-30, 135), (-80, 98)]),
    )
    distance, _ = full_reach(one, np.array([1.0, 0.0, 0.0]))
    assert distance == pytest.approx(0.323, abs=1e-6)  # the solver is good to 1e-8 m, a straight arm costs its root
    assert longest(one) == pytest.approx(0.393)


def test_a_level_arm_whose_tool_hangs_below_its_joints():
    """Two level members and a tool 40 mm further down: looked for at the height of the TCP, 150 + 120 mm."""
    z = [0.0, 0.0, 1.0]
    one = arm([z, z], [[0, 0, 0.2], [0.15, 0, 0]], [0.12, 0, -0.04], np.radians([(-120, 120), (-140, 140)]))
    distance, _ = full_reach(one, np.array([1.0, 0.0, 0.0]))
    assert distance == pytest.approx(0.27, abs=1e-6)  # as above


def test_no_level_reach_is_told_as_zero():
    """An arm that can only point up is never held out level with its second joint, and hardly leaves its axis."""
    one = arm([[0, 0, 1], [0, 1, 0]], [[0, 0, 0.05], [0, 0, 0.05]], [0, 0, 0.1], np.radians([(-90, 90), (-5, 5)]))
    distance, _ = full_reach(one, np.array([1.0, 0.0, 0.0]))
    assert distance == 0.0


def test_agrees_with_the_closed_form_inside_and_outside():
    """What a section calls reached the closed form reaches too, at some lean of the fingers, and nothing else."""
    y = [0.0, 1.0, 0.0]
    one = arm(
        [[0, 0, 1], y, y, y, [0, 0, 1]],
        [[0, 0, 0.04], [0, 0, 0.03], [0, 0, 0.105], [0, 0, 0.098], [0, 0, 0.04]],
        [0, 0, 0.08],
        np.radians([(-90, 90), (-60, 110), (-30, 135), (-80, 98), (-130, 130)]),
    )
    cut = cut_mm((-340, -340), (340, 340), 10.0, height=50.0)
    found = section(one, cut)
    rng = np.random.default_rng(5)
    points = cut.points.reshape(-1, 3)[rng.choice(found.reached.size, 150, replace=False)]
    flat = {tuple(np.round(p, 9)): r for p, r in zip(cut.points.reshape(-1, 3), found.reached.ravel(), strict=True)}
    leans = np.radians(np.arange(-180, 180, 1.0))
    disagreed = 0
    for p in points:
        bearing = np.arctan2(p[1], p[0])
        out = np.array([np.cos(bearing), np.sin(bearing), 0.0])
        fingers = np.cos(leans)[:, None] * np.array([0, 0, 1.0]) + np.sin(leans)[:, None] * out
        closed = False
        # Reaching over backwards the hand is upside down: both turns about the fingers are tried.
        for turn in (1.0, -1.0):
            side = np.broadcast_to(turn * np.array([-out[1], out[0], 0.0]), fingers.shape)
            R = np.stack([np.cross(side, fingers), side, fingers], axis=-1)
            closed |= bool(np.any(solve(one, pose(R, np.broadcast_to(p, fingers.shape))).reached))
        disagreed += closed != flat[tuple(np.round(p, 9))]
    # Leans are tried a degree apart, so a sliver right at the rim may be missed: at most 2 of 150 points.
    assert disagreed <= 2
