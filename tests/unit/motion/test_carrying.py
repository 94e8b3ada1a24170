"""Carries: the thing's path, the grips on it, the fingers that are chosen, and what is said about them."""

from __future__ import annotations

import dataclasses
from functools import cache

import numpy as np
import pytest
from scipy.optimize import least_squares

from handfast.correction.correct import correct
from handfast.geometry.rigid import inverse, pose, rotation_of
from handfast.mechanics.inverse import solve
from handfast.mechanics.kinematics import tool_poses
from handfast.motion.carrying import chosen_fingers, interpolation_error, mirrored, moved_thing, thing_pose, twists
from handfast.motion.coordinated import groups, lag_along, lag_cap
from handfast.motion.plan import plan
from handfast.motion.timing import excess
from handfast.routine.steps import Step, Taught
from support import seedling

DEG = np.pi / 180.0


@cache
def planned():
    """The shipped carry of the tray."""
    return plan(seedling.model(), seedling.routine("carry-tray"))


def held_at(x: float, y: float, z: float, lean: float = 15.0) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Joint angles of both arms with TCPs at (∓x, y, z) mm, fingers leaning outwards in each arm's plane."""
    found = []
    for arm, side in enumerate((-1.0, 1.0)):
        chain = seedling.model().chain.only(arm)
        p = np.array([side * x, y, z]) * 1e-3
        bearing = np.arctan2(*(p - chain.bases[0, :3, 3])[[1, 0]])
        fingers = np.array(
            [np.sin(lean * DEG) * np.cos(bearing), np.sin(lean * DEG) * np.sin(bearing), -np.cos(lean * DEG)]
        )
        across = np.array([1.0, 0.0, 0.0]) - fingers[0] * fingers
        jaws = across / np.linalg.norm(across)
        R = np.column_stack([np.cross(jaws, fingers), jaws, fingers])
        solved = solve(chain, pose(R, p))
        assert solved.short[0] < 1e-6
        assert solved.beyond[0] < 0
        found.append(tuple(float(v) for v in solved.q[0]))
    return found[0], found[1]


def taught_both(at: tuple[tuple[float, ...], tuple[float, ...]], **more) -> Step:
    """A step with both arms' poses."""
    step = Step(**{"do": "go", **more})
    return step.with_taught("left", Taught(pose=at[0], held="held")).with_taught(
        "right", Taught(pose=at[1], held="held")
    )


GRIP = Step(do="grip", arm="both", thing="seed-tray")


def carried(*ends: Step):
    """Closes at (±103, -40, 40) mm, grips the tray, and carries it through `ends`."""
    steps = (taught_both(held_at(103, -40, 40)), GRIP, *ends)
    return plan(seedling.model(), seedling.routine_of(*steps))


def relation(motion, c):
    """Vector between the TCPs in the axes of the line between them and the world's z, at a carry's samples, and at
    the moment when the grips closed."""
    X = tool_poses(seedling.model().chain, motion.q[[c.closed, *range(c.first, c.last + 1)]])
    X_WO = thing_pose(X)
    d = (inverse(X_WO)[:, None] @ X)[:, :, :3, 3]
    return d[:, 1] - d[:, 0]


def test_the_shipped_carry_keeps_its_relative_place_where_joints_would_stray():
    """At most 0.2 mm off since the grips closed, twists within 5 degrees, no stop passed; joint by joint over 10 mm.

    The figures are the carry's goals; the motion is looked at as such, by forward kinematics of every sample.
    """
    m = planned()
    assert len(m.carries) == 3
    assert not m.shortfalls
    model = seedling.model()
    for c in m.carries:
        d = relation(m, c)
        assert np.linalg.norm(d - d[0], axis=1).max() < 0.2e-3
        assert c.error < 0.2e-3
        assert max(c.twist) <= 5 * DEG
        X = tool_poses(model.chain, m.q[c.first : c.last + 1])
        # The left pads do not pivot: the whole turn between hand and thing counts.
        assert twists(thing_pose(X), X[:, 0]).max() <= 5 * DEG
    assert max(c.joint_error for c in m.carries) > 10e-3
    low, high = model.chain.travel.T
    assert np.all(m.q > low)
    assert np.all(m.q < high)


def test_the_torque_speed_line_holds_in_a_carry():
    """Every torque of the carry lies under the line of its servo, load shared by both arms."""
    from handfast.mechanics.dynamics import transmitted_torques

    model, m = seedling.model(), planned()
    tau = transmitted_torques(model, m.q, m.qd, m.qdd, m.loads, m.load_offsets) + model.rotor * m.qdd
    for c in m.carries:
        rows = slice(c.first, c.last + 1)
        assert excess(tau[rows], m.qd[rows], model.stall, model.free_speed).max() < 0.0


def test_fingers_close_nearer_to_the_vertical_where_that_twists_less():
    """Leaning 15 degrees the tray's grips would twist by 2·sin 15°·sin 18°; chosen fingers halve that, place kept."""
    end = taught_both(held_at(103, 40, 40), do="carry", thing="seed-tray")
    m = carried(end)
    (c,) = m.carries
    # The right pads pivot on the shipped bench, the left ones do not.
    plain = 2 * np.sin(15 * DEG) * np.sin(18 * DEG)
    assert plain > 8 * DEG
    assert c.twist[0] < 0.55 * plain
    assert c.turned[0] > 3 * DEG
    at = tool_poses(seedling.model().chain, m.q[c.closed])[0]
    assert at[0, :3, 3] == pytest.approx([-0.103, -0.040, 0.040], abs=1e-5)


def test_every_other_direction_in_the_arm_s_plane_is_worse():
    """The chosen twist against a scan, by scipy, of all directions that keep three degrees from every stop."""
    chain = seedling.model().chain.only(0)
    X_WO = moved_thing(pose(np.eye(3), np.array([0.0, -0.04, 0.04])), 21, 0.0, np.array([0.0, 0.08]), 0.0, 0.0, None)
    p = np.tile([-0.103, 0.0, 0.0], (21, 1))
    q = np.array(held_at(103, -40, 40)[0])
    held = chosen_fingers(chain, X_WO, p, q, goal=0.0)

    def twist_at(lean: float) -> float:
        start = np.array(held_at(103, -40, 40, lean)[0])
        R = tool_poses(chain, start)[0, 0, :3, :3]
        found = [solve(chain, pose(R, X[:3, 3] + p[0]), start).q[0] for X in X_WO]
        return float(twists(X_WO, tool_poses(chain, np.array(found))[:, 0]).max())

    for lean in (2.0, 5.0, 10.0, 20.0, 30.0):
        assert held.twist <= twist_at(lean) + 1e-6


def test_paths_agree_with_a_direct_optimisation():
    """A tray that is raised, tilted and swung: joint angles by nonlinear least squares over all samples and joints.

    Reference: scipy.optimize.least_squares on the TCP places of both arms along the same path of the thing, started
    at the closing pose, joints of a sample independent of the others. Five joints and three coordinates leave turns
    free, so places are compared, not angles.
    """
    step = Step(do="carry", thing="seed-tray", raised=0.02, shift=(0.0, 0.03), swing=8 * DEG, tilt=4 * DEG)
    m = carried(step)
    (c,) = m.carries
    chain = seedling.model().chain
    ends = tool_poses(chain, m.q[[c.closed, c.last]])
    start = thing_pose(ends[0])
    turn = rotation_of(np.array([0, 0, 8 * DEG])) @ rotation_of(-4 * DEG * np.array([0.0, 1.0, 0.0]))
    grips = np.array([[-0.103, -0.04, 0.04], [0.103, -0.04, 0.04]])
    wanted = (grips - start[:3, 3]) @ turn.T + start[:3, 3] + [0, 0.03, 0.02]
    found = least_squares(
        lambda q: (tool_poses(chain, q)[0, :, :3, 3] - wanted).ravel() * 1e3, m.q[c.closed], xtol=1e-12
    )
    assert np.abs(found.fun).max() < 1e-6
    assert ends[1, :, :3, 3] == pytest.approx(wanted, abs=1e-6)
    assert tool_poses(chain, found.x)[0, :, :3, 3] == pytest.approx(ends[1, :, :3, 3], abs=1e-6)
    d = relation(m, c)
    assert np.linalg.norm(d - d[0], axis=1).max() < 1e-4


def test_moved_thing_by_hand():
    """A quarter swing about a corner, 30 mm up, right grip tilted up by 10 degrees: worked by hand."""
    path = moved_thing(np.eye(4), 3, 0.03, np.zeros(2), 10 * DEG, 90 * DEG, np.array([0.1, 0.0]))
    assert path[-1, :3, 3] == pytest.approx([0.1, -0.1, 0.03])
    assert path[-1, :3, 0] == pytest.approx([0.0, np.cos(10 * DEG), np.sin(10 * DEG)])
    assert path[1, :3, 3] == pytest.approx([0.1 - 0.1 * np.sqrt(0.5), -0.1 * np.sqrt(0.5), 0.015])


def test_mirror_images():
    """What moves up and to the right is seen moving up and to the left; a turn about z turns the other way."""
    lead = np.stack([np.eye(4), pose(rotation_of(np.array([0, 0, 0.3])), np.array([0.01, 0.02, 0.03]))])
    other = pose(np.eye(3), np.array([0.5, 0.0, 0.0]))
    X = mirrored(lead, other, np.array([1.0, 0.0, 0.0]))
    assert X[1, :3, 3] == pytest.approx([0.49, 0.02, 0.03])
    assert X[1, :3, :3] == pytest.approx(rotation_of(np.array([0, 0, -0.3])))


def test_without_a_thing_arms_mirror_or_keep_a_distance():
    """The right arm mirrors the left one's way of 20 mm up and 10 mm out; or both go, their distance kept."""
    start = held_at(103, -40, 60)
    up = held_at(113, -40, 80)
    step = Step(do="carry", keep="mirror").with_taught("left", Taught(pose=up[0], held="held"))
    m = plan(seedling.model(), seedling.routine_of(taught_both(start), step))
    ends = tool_poses(seedling.model().chain, m.q[[m.carries[0].closed, -1]])
    assert ends[1, 1, :3, 3] - ends[0, 1, :3, 3] == pytest.approx([0.010, 0, 0.020], abs=1e-4)
    assert not m.carries[0].judged
    away = taught_both(held_at(103, 10, 80), do="carry", keep="distance")
    m = plan(seedling.model(), seedling.routine_of(taught_both(start), away))
    d = relation(m, m.carries[0])
    assert np.linalg.norm(d - d[0], axis=1).max() < 1e-4
    assert tool_poses(seedling.model().chain, m.q[-1])[0, 0, :3, 3] == pytest.approx([-0.103, 0.01, 0.08], abs=1e-4)


def test_following_the_taught_relation_ends_at_both_taught_poses():
    """Ends taught 8 mm nearer than the grips closed: kept as they closed, or followed to where they were taught."""
    near = taught_both(held_at(99, 30, 50), do="carry", thing="seed-tray")
    kept, followed = carried(near), carried(dataclasses.replace(near, keep="taught"))
    assert kept.carries[0].disagree == pytest.approx((-0.008, 0, 0), abs=1e-6)
    ends = [tool_poses(seedling.model().chain, m.q[-1])[0, :, :3, 3] for m in (kept, followed)]
    assert ends[0][1] - ends[0][0] == pytest.approx([0.206, 0, 0], abs=1e-5)
    assert ends[1] == pytest.approx(np.array([[-0.099, 0.03, 0.05], [0.099, 0.03, 0.05]]), abs=1e-5)


def test_out_of_reach_in_mid_carry_is_a_shortfall():
    """A tray raised by 300 mm: the arms run through the nearest poses, and it is said how far they fall short."""
    m = carried(Step(do="carry", thing="seed-tray", raised=0.3))
    assert {s.part for s in m.shortfalls} == {"carry"}
    assert max(s.short for s in m.shortfalls) > 0.02


def test_joint_interpolation_errs_by_the_sagitta():
    """Two arms swing by ±20 degrees about bases that face each other: each TCP leaves the chord by r·(1 - cos 20°)."""
    chain = seedling.model().chain
    q0, q1 = (np.concatenate(held_at(103, y, 40)) for y in (-42, 42))
    r = np.linalg.norm(tool_poses(chain, q0)[0, 0, :2, 3] - chain.bases[0, :2, 3])
    angle = np.arctan2(0.042, 0.123)
    assert interpolation_error(chain, q0, q1) == pytest.approx(2 * r * (1 - np.cos(angle)), rel=0.01)


def test_unequal_lag_slows_a_carry():
    """Equal lags only delay; a slower servo class in one arm lowers the allowed path speed to allowed / (J·q'·Δlag)."""
    model = seedling.model()
    q = np.concatenate(held_at(103, 0, 40))[None]
    slope = np.zeros((1, 10))
    slope[0, 0], slope[0, 5] = 1.0, 1.0
    held = np.full(2, 0.055), np.zeros((2, 3))
    lag = lag_along(model, q, *held)
    even = lag_cap(model, q, slope, 1e-3, lag)[0]
    slow = dataclasses.replace(model, full_drive=model.full_drive * np.where(np.arange(10) == 5, 6.0, 1.0))
    lag = lag_along(slow, q, *held)
    assert lag_cap(slow, q, slope, 1e-3, lag)[0] < 0.8 * even
    lever = 0.123
    known = lever * abs((lag[5] - lag.mean()) - (-(lag[0] - lag.mean())) * 1.0)  # opposite ways across the line
    unknown = 0.008 * lever * np.sqrt(2)
    assert lag_cap(slow, q, slope, 1e-3, lag)[0] == pytest.approx(1e-3 / np.hypot(known, unknown), rel=0.02)


def test_groups_end_with_a_release_or_a_move_of_one_arm():
    """Carries share their grips until something else moves; the closing poses are the last ones before the grip."""
    go, carry = taught_both(held_at(103, -40, 40)), taught_both(held_at(103, 0, 60), do="carry", thing="seed-tray")
    release = Step(do="release", arm="both")
    first, second = groups(seedling.routine_of(go, GRIP, carry, carry, release, go, GRIP, carry))
    assert first.carries == (2, 3)
    assert first.closing == {"left": 0, "right": 0}
    assert first.gripped
    assert second.carries == (7,)
    assert second.closing == {"left": 5, "right": 5}
    (alone,) = groups(seedling.routine_of(go, carry))
    assert not alone.gripped


def test_a_corrected_carry_moves_without_a_leap_and_lands_its_thing():
    """Corrected commands differ from links by flank and sag; the motion stays smooth, and the thing's miss shrinks."""
    model, routine = seedling.model(), seedling.routine("carry-tray")
    m = correct(model, routine).motion
    for c in m.carries:
        assert np.abs(np.diff(m.q[c.first - 1 : c.last + 2], axis=0)).max() < 0.06
        assert c.error < 0.2e-3
    assert not m.shortfalls
