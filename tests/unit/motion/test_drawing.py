"""A drawing as a path: how the tip goes in time, and whether the arm's joints bring it there."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from handfast.correction.correct import correct, uncorrected
from handfast.mechanics.kinematics import tool_poses
from handfast.mechanics.model import model_of
from handfast.motion.drawing import ABOVE, ACCELERATION, tip_path, traced, with_drawings
from handfast.motion.plan import plan
from handfast.motion.taught_poses import taught_poses
from support import seedling

SQUARE = ((0.0, 0.0), (0.06, 0.0), (0.06, 0.06), (0.0, 0.06), (0.0, 0.0))
RING = tuple((0.03 + 0.01 * np.cos(a), 0.03 + 0.01 * np.sin(a)) for a in np.linspace(0, 2 * np.pi, 61))
CORNER = (-10.0, -17.0, 104.0, 76.0, 5.0)


def step(*lines, **more):
    """A step that draws with the left arm."""
    return dataclasses.replace(seedling.go("left", *CORNER), do="draw", drawing="d.svg", lines=lines, **more)


def test_the_tip_in_time():
    """Down, along, up: no faster than told, slower in tight bends, at rest in corners and at every end of a line."""
    t, p, down = tip_path(step(SQUARE, RING, lift=0.005, speed=0.04))
    assert np.all(np.diff(t) > 0)
    v = np.linalg.norm(np.diff(p, axis=0), axis=1) / np.diff(t)
    drawing = down[1:]
    assert v[drawing].max() <= 0.0401
    assert v[~drawing].max() <= ABOVE * 1.001
    assert np.all(np.abs(p[down][:, 2]) < 1e-12)
    assert p[~down][:, 2].max() == pytest.approx(0.005)
    # A ring of 10 mm radius: v²/r within the acceleration allowed, chords and smoothing aside.
    ring = down & (np.abs(np.linalg.norm(p[:, :2] - 0.03, axis=1) - 0.01) < 1e-4)
    around = v[ring[1:]]
    assert np.sqrt(ACCELERATION * 0.01) * 0.85 < around.max() <= np.sqrt(ACCELERATION * 0.01) * 1.1
    for corner in SQUARE[:4]:
        near = np.linalg.norm(p[:, :2] - np.array(corner), axis=1) < 1e-9
        assert (near & down).any(), "corners are met exactly"
    # Where it comes to a corner it is slow.
    last = np.flatnonzero(down & (np.linalg.norm(p[:, :2] - np.array(SQUARE[1]), axis=1) < 1e-9))[0]
    assert v[last - 1] < 0.012


def test_bends_are_taken_as_slowly_as_said():
    """Round a ring of 10 mm radius, however fast a pen may go: v²/r = 0.15 m/s² makes 38.7 mm/s."""
    t, p, down = tip_path(step(RING, speed=0.2))
    v = np.linalg.norm(np.diff(p, axis=0), axis=1) / np.diff(t)
    assert 0.036 < v[down[1:] & down[:-1]].max() < 0.0387 * 1.03


@pytest.mark.parametrize("drop", [0.0, 0.06])
def test_the_joints_bring_the_tip_there(drop):
    """Forward kinematics of the path found, with the tip fixed in the hand: on the lines to 10 µm."""
    chain = seedling.model().chain.only(0)
    origin = np.radians(CORNER)
    points = tip_path(step(SQUARE))[1]
    q, short, beyond = traced(chain, origin, points, drop)
    assert (short, beyond < 0) == (0.0, True)
    X0, X = tool_poses(chain, origin)[0, 0], tool_poses(chain, q)[:, 0]
    p_TS = X0[:3, :3].T @ np.array([0.0, 0.0, -drop])
    tip = X[:, :3, 3] + X[:, :3, :3] @ p_TS
    assert tip - (X0[:3, 3] + X0[:3, :3] @ p_TS) == pytest.approx(points, abs=1e-5)


def test_turned_and_placed():
    """Turned by 90 degrees the first side goes along y."""
    _, p, down = tip_path(step(SQUARE, turn=np.pi / 2))
    first = p[down][np.argmax(np.linalg.norm(p[down][:, :2], axis=1) > 0.01)]
    assert first[:2] == pytest.approx([0.0, first[1]], abs=1e-9)


def test_what_is_sent_and_where_the_links_shall_be():
    """Uncorrected: what follows from the feedback. Corrected: the links on the drawing, by the bench's own figures."""
    model = seedling.model()
    routine = seedling.routine_of(seedling.go("left", *CORNER), step(SQUARE))
    drawn = with_drawings(model, routine).steps[1].left
    chain = model.chain.only(0)
    points = tip_path(routine.steps[1])[1]
    sent = tool_poses(chain, np.array(drawn.path_command))[:, 0, :3, 3]
    at = tool_poses(chain, np.radians(CORNER))[0, 0, :3, 3]
    assert sent - at == pytest.approx(points, abs=1e-5)
    link = tool_poses(chain, np.array(drawn.path))[:, 0, :3, 3]
    assert link - link[0] == pytest.approx(points - points[0], abs=1e-5)
    assert np.linalg.norm(link[0] - sent[0]) > 2e-4, "a hand-led link leads its feedback"
    assert uncorrected(with_drawings(model, routine)) == routine
    motion = plan(model, routine)
    rows = [a for a in motion.arrivals if a.row is not None]
    assert len(rows) == len(points)
    corrected = correct(model, routine)
    poses = taught_poses(model, corrected.motion)
    mine = [n for n, row in enumerate(poses.row) if row]
    assert poses.taught[mine][:, :5] == pytest.approx(np.array(drawn.path)[1:], abs=1e-12)
    assert np.abs(poses.target[mine][:, :5] - np.array(drawn.path)[1:]).max() > np.radians(0.1)


def test_a_table_that_nobody_is_sure_of_makes_no_drawing_surer():
    """40 mm to the right of its corner the yaw's part, by hand: how its lever turns, times the error of its zero, and
    the share of the way that its line is off; the small figures count only where its feedback was measured."""
    bench, line = seedling.bench(), ((0.0, 0.0), (0.04, 0.0))
    table = tuple((a, 500.0 + 100.0 * a) for a in (-1.5, 0.0, 1.5))

    def unsure(**changes):
        joints = tuple(dataclasses.replace(j, **changes) for j in bench.arms.left.joints)
        left = dataclasses.replace(bench.arms.left, joints=joints)
        changed = dataclasses.replace(bench, arms=dataclasses.replace(bench.arms, left=left))
        routine = seedling.routine_of(seedling.go("left", *CORNER), step(line))
        drawn = with_drawings(model_of(changed), routine).steps[1].left
        far = int(np.argmax(np.linalg.norm(tip_path(routine.steps[1])[1][:, :2], axis=1)))
        path = np.array(drawn.path)
        X = tool_poses(model_of(changed).chain.only(0), np.array([path[far], np.radians(CORNER)]))[:, 0, :3, 3]
        levers = X[:, :2] - np.array(bench.arms.left.base[:2])
        turned = np.linalg.norm(levers[0] - levers[1]) / np.linalg.norm(levers[0])
        # Beside it there is nothing that this joint does not know: it was led, and nothing loads it.
        return drawn.unsure[far][0], turned, abs(path[far, 0] - np.radians(CORNER[0]))

    for changes, zero, share in (
        ({}, 2.9, 0.017),
        ({"wiper_rows": table, "wiper_known": False}, 2.9, 0.017),
        ({"wiper_rows": table}, 0.25, 0.004),
    ):
        said, turned, way = unsure(**changes)
        assert said == pytest.approx(np.hypot(np.radians(zero) * turned, share * way), rel=0.02)


def test_out_of_reach_is_said():
    """A drawing that is too large: the motion says where, and by how much."""
    far = ((0.0, 0.0), (0.6, 0.0))
    motion = plan(seedling.model(), seedling.routine_of(seedling.go("left", *CORNER), step(far)))
    worst = max(motion.shortfalls, key=lambda s: s.short)
    assert (worst.part, worst.step) == ("drawing", 1)
    assert worst.short > 0.05
