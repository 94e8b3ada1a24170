"""Clearances of whole arms, worked by hand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from handfast.geometry.rigid import shift, yaw_pose
from handfast.mechanics.clearance import clearances, survey
from handfast.mechanics.dynamics import inverse_dynamics
from handfast.mechanics.kinematics import places
from handfast.mechanics.model import Bodies
from support.arms import Y, Z, one_arm, random_bodies, random_pair, side_by_side


def post(x: float):
    """A link 0.2 m tall that tilts about y, standing at (x, 0, 0.1)."""
    return one_arm([Y], [[0, 0, 0.1]], [0, 0, 0.2], base=shift(np.array([x, 0.0, 0.0])))


def bodies(pairs, boxes=(), sizes=()) -> Bodies:
    """A capsule of 20 mm radius on each of two links, and one of 10 mm fixed to the world along y at x = 1."""
    return Bodies(
        links=np.array([0, 1, -1]),
        froms=np.array([[0, 0, 0], [0, 0, 0], [1.0, -0.1, 0.2]]),
        tos=np.array([[0, 0, 0.2], [0, 0, 0.2], [1.0, 0.1, 0.2]]),
        radii=np.array([0.02, 0.02, 0.01]),
        boxes=np.array(boxes, dtype=float).reshape(-1, 4, 4),
        box_sizes=np.array(sizes, dtype=float).reshape(-1, 3),
        pairs=np.array(pairs),
        names=("left", "right", "rail"),
        box_names=tuple(f"box {k}" for k in range(len(sizes))),
    )


PAIR = side_by_side(post(0.0), post(0.3))


def test_two_posts():
    """Upright 0.3 m apart; leaning towards each other by 30 degrees their tips are 0.1 m apart."""
    gaps = clearances(PAIR, bodies([(0, 0, 1)]), np.radians([[0, 0], [30, -30]]))
    assert gaps[:, 0] == pytest.approx([0.26, 0.06])


def test_posts_that_meet():
    """Crossing at 60 degrees each: the axes meet, so the overlap is both radii."""
    assert clearances(PAIR, bodies([(0, 0, 1)]), np.radians([60, -60]))[0, 0] == pytest.approx(-0.04)


def test_a_post_and_the_table():
    """Upright its foot is 0.1 m up; hanging it ends 0.1 m below the table."""
    gaps = clearances(PAIR, bodies([(1, 0, 0)]), np.radians([[0, 0], [180, 0]]))
    assert gaps[:, 0] == pytest.approx([0.08, -0.12])


def test_a_post_and_a_body_of_the_world():
    """A rail fixed to the world at x = 1 stays where it is: 0.7 m from the upright right post."""
    gaps = clearances(PAIR, bodies([(0, 1, 2)]), np.radians([[0, 0], [90, 0], [0, 90]]))
    assert gaps[:2, 0] == pytest.approx([0.67, 0.67])
    # Level towards the rail it ends at x = 0.5, z = 0.1; the rail is 0.5 m further and 0.1 m higher.
    assert gaps[2, 0] == pytest.approx(np.hypot(0.5, 0.1) - 0.03)


def test_a_post_and_a_turned_box():
    """A cube of 0.2 m turned by 45 degrees: its edge comes 0.1414 m near."""
    box = yaw_pose(np.array([-0.5, 0.0, 0.2]), np.pi / 4)
    gaps = clearances(PAIR, bodies([(2, 0, 0)], [box], [[0.1, 0.1, 0.1]]), np.zeros(2))
    assert gaps[0, 0] == pytest.approx(0.5 - 0.1 * np.sqrt(2.0) - 0.02)


def test_no_pairs_and_no_samples():
    """Nothing to watch, or no time at all, give empty arrays."""
    assert clearances(PAIR, bodies(np.empty((0, 3), dtype=np.int64)), np.zeros((4, 2))).shape == (4, 0)
    assert clearances(PAIR, bodies([(0, 0, 1)]), np.empty((0, 2))).shape == (0, 1)


def test_a_survey_is_all_three_at_once():
    """The same numbers as asking for torques, Jacobians and clearances one by one; loads may be left out."""
    rng = np.random.default_rng(3)
    pair = random_pair(rng)
    around = random_bodies(rng, pair)
    q, qd, qdd = (rng.normal(size=(70, pair.joints)) for _ in range(3))
    tau, J, gaps = survey(pair, around, q, qd, qdd)
    assert tau == pytest.approx(inverse_dynamics(pair, q, qd, qdd), abs=1e-14)
    assert places(pair, q).J == pytest.approx(J, abs=1e-14)
    assert gaps == pytest.approx(clearances(pair, around, q), abs=1e-14)
    loads, offsets = np.array([0.1, 0.2]), np.array([[0, 0, 0.01], [0, 0.02, 0]])
    heavy, _, _ = survey(pair, around, q, qd, qdd, loads, offsets)
    assert heavy == pytest.approx(inverse_dynamics(pair, q, qd, qdd, loads, offsets), abs=1e-14)


def test_order_of_a_pair_does_not_matter():
    """Capsule a with b is capsule b with a."""
    rng = np.random.default_rng(4)
    pair = random_pair(rng)
    around = random_bodies(rng, pair, boxes=0)
    kept = around.pairs[around.pairs[:, 0] == 0]
    q = rng.normal(size=(20, pair.joints))
    there = clearances(pair, dataclasses.replace(around, pairs=np.ascontiguousarray(kept)), q)
    back = clearances(pair, dataclasses.replace(around, pairs=np.ascontiguousarray(kept[:, [0, 2, 1]])), q)
    assert there == pytest.approx(back, abs=1e-14)


def test_joint_axes_turn_bodies():
    """A yaw of 90 degrees takes a capsule along x to y."""
    arm = one_arm([Z], [[0, 0, 0]], [0.2, 0, 0])
    around = dataclasses.replace(
        bodies([(0, 0, 1)]),
        links=np.array([0, -1]),
        froms=np.array([[0, 0, 0], [0, 0.5, 0.0]]),
        tos=np.array([[0.2, 0, 0], [0, 0.6, 0.0]]),
        radii=np.array([0.02, 0.02]),
    )
    gaps = clearances(arm, around, np.radians([[0], [90]]))
    assert gaps[:, 0] == pytest.approx([0.46, 0.26])
