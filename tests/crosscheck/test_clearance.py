"""Distances of capsules, boxes and the table against coal and MuJoCo.

Sources: coal (by way of pinocchio's geometry models: closed forms for capsules and planes, GJK for boxes) and
MuJoCo's mj_geomDistance. Where bodies intersect, capsules and planes agree in depth too; a capsule in a box is
compared by its sign only, as ours leaves along a face normal and theirs by the shortest way of all.
"""

from __future__ import annotations

import coal
import mujoco
import numpy as np
import pinocchio
import pytest

from handfast.geometry.distance_kernels import segment_box, segment_segment
from handfast.mechanics.clearance import clearances
from support import in_mujoco, in_pinocchio
from support.arms import random_bodies, random_pair, random_pose

SEEDS = range(10)
SAMPLES = 20


def drawn(seed: int):
    """A pair of arms with bodies, and angles."""
    rng = np.random.default_rng(100 + seed)
    pair = random_pair(rng, square=bool(seed % 2))
    return pair, random_bodies(rng, pair), rng.normal(size=(SAMPLES, pair.joints)) * 2.0


@pytest.mark.parametrize("seed", SEEDS)
def test_whole_arms_against_coal(seed: int):
    """All pairs of pinocchio's computeDistances: capsule and capsule, table, box. GJK is good to 1e-6."""
    pair, bodies, q = drawn(seed)
    model = in_pinocchio.model_of(pair)
    geometry = in_pinocchio.geometry_of(pair, bodies, model)
    data, around = model.createData(), geometry.createData()
    gaps = clearances(pair, bodies, q)
    kind = bodies.pairs[:, 0]
    for n in range(SAMPLES):
        pinocchio.computeDistances(model, data, geometry, around, q[n])
        theirs = np.array([result.min_distance for result in around.distanceResults])
        assert gaps[n, kind < 2] == pytest.approx(theirs[kind < 2], abs=1e-9)
        box, ours = theirs[kind == 2], gaps[n, kind == 2]
        apart = ours > 0.0
        assert ours[apart] == pytest.approx(box[apart], abs=1e-6)
        assert (box[~apart] <= 1e-6).all()
        # Ours is one way out of the box; theirs the shortest, so never deeper.
        assert (ours[~apart] <= box[~apart] + 1e-6).all()


@pytest.mark.parametrize("seed", SEEDS)
def test_whole_arms_against_mujoco(seed: int):
    """mj_geomDistance of every pair. Its distances to boxes are iterated, good to 1e-5 here."""
    pair, bodies, q = drawn(seed)
    model = in_mujoco.model_of(pair, bodies)
    data = mujoco.MjData(model)
    gaps = clearances(pair, bodies, q)
    others = ("capsule", "table", "box")
    for n in range(SAMPLES):
        data.qpos = q[n]
        mujoco.mj_kinematics(model, data)
        for k, (kind, a, b) in enumerate(bodies.pairs):
            first = model.geom(f"capsule {a}").id
            second = model.geom("table" if kind == 1 else f"{others[kind]} {b}").id
            theirs = mujoco.mj_geomDistance(model, data, first, second, 10.0, None)
            if kind < 2:
                assert gaps[n, k] == pytest.approx(theirs, abs=1e-9)
            elif gaps[n, k] > 0.0:
                assert gaps[n, k] == pytest.approx(theirs, abs=1e-5)
            else:
                assert theirs <= 1e-5


def test_segments_against_coal():
    """Two thousand pairs of capsules, every fourth parallel or nearly so, some of no length.

    Within a ten-millionth of parallel both sides take one point for as good as another: 2e-7 of a metre there.
    """
    rng = np.random.default_rng(1)
    request = coal.DistanceRequest()
    for k in range(2000):
        a, u, b, v = rng.uniform(-1, 1, (4, 3))
        if k % 4 == 0:
            v = u * rng.uniform(-2, 2) + rng.normal(size=3) * 10.0 ** -rng.uniform(2, 16)
        if k % 50 == 1:
            u = np.zeros(3)
        if k % 50 == 2:
            v = np.zeros(3)
        first, X_first = in_pinocchio.capsule(a, a + u, 0.01)
        second, X_second = in_pinocchio.capsule(b, b + v, 0.02)
        theirs = coal.distance(
            first, coal.Transform3s(X_first.rotation, X_first.translation),
            second, coal.Transform3s(X_second.rotation, X_second.translation), request, coal.DistanceResult(),
        )  # fmt: skip
        assert segment_segment(*a, *u, *b, *v) - 0.03 == pytest.approx(theirs, abs=2e-7 if k % 4 == 0 else 1e-9)


def test_boxes_against_coal():
    """Two thousand capsules and boxes, apart and one in the other; some level with a face, some of no length."""
    rng = np.random.default_rng(2)
    request = coal.DistanceRequest()
    compared = inside = 0
    for k in range(2000):
        X = random_pose(rng)
        half = rng.uniform(0.05, 0.4, 3)
        a, u = rng.uniform(-1, 1, (2, 3))
        if k % 5 == 0:
            u[rng.integers(3)] = 0.0
        if k % 7 == 0:
            u = np.zeros(3)
        ours = segment_box(*a, *u, *half)
        # The same in the world: a and u are given in the box's own axes.
        start = X[:3, :3] @ a + X[:3, 3]
        capsule, X_capsule = in_pinocchio.capsule(start, start + X[:3, :3] @ u, 0.001)
        theirs = coal.distance(
            capsule, coal.Transform3s(X_capsule.rotation, X_capsule.translation),
            coal.Box(*(2.0 * half)), coal.Transform3s(X[:3, :3], X[:3, 3]), request, coal.DistanceResult(),
        )  # fmt: skip
        if ours > 0.01:
            assert ours - 0.001 == pytest.approx(theirs, abs=1e-6)
            compared += 1
        elif ours < -1e-3:
            assert ours - 0.001 == pytest.approx(theirs, abs=1e-5)
            inside += 1
    assert compared > 1000
    assert inside > 50
