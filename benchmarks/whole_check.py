"""All numbers that a whole check of a routine needs, for a minute of motion of two six-joint arms.

6000 samples at 100 Hz, 12 joints, loads in both grippers, and every pair of bodies that a blank bench watches:
torques, TCP Jacobians and clearances by `survey`. The rivals are loops over the same model: pinocchio's inverse
dynamics and coal's distances of the same capsules, and MuJoCo's. They need not find Jacobians, nor read their
distances out, and of two ways to write the loop over pinocchio the faster counts.
"""

from __future__ import annotations

import tempfile
import time
from functools import cache
from pathlib import Path
from types import SimpleNamespace

import numpy as np

from handfast.bench.folder import read_bench
from handfast.bench.new import new_bench
from handfast.mechanics.clearance import survey
from handfast.mechanics.model import model_of
from ratios import Row, times_faster
from support import in_mujoco, in_pinocchio

SECONDS, RATE = 60, 100


@cache
def case() -> SimpleNamespace:
    """The arms, and a minute in which every joint swings through most of its travel."""
    with tempfile.TemporaryDirectory() as folder:
        model = model_of(read_bench(new_bench(Path(folder) / "bench", 6, 6)))
    chain, bodies = model.chain, model.bodies
    rng = np.random.default_rng(1)
    t = np.arange(SECONDS * RATE)[:, None] / RATE
    low, high = chain.travel.T
    size, rate, phase = 0.4 * (high - low), rng.uniform(0.2, 1.0, chain.joints), rng.uniform(0, 6, chain.joints)
    q = 0.5 * (low + high) + size * np.sin(rate * t + phase)
    qd = size * rate * np.cos(rate * t + phase)
    qdd = -size * rate**2 * np.sin(rate * t + phase)
    loads, offsets = np.array([0.05, 0.08]), np.array([[0.0, 0.0, 0.02], [0.01, 0.0, 0.01]])
    assert q.shape == (6000, 12)
    assert len(bodies.pairs) >= 70
    return SimpleNamespace(chain=chain, bodies=bodies, q=q, qd=qd, qdd=qdd, loads=loads, offsets=offsets)


def ours(threads: int = 1):
    """The survey."""
    c = case()
    return survey(c.chain, c.bodies, c.q, c.qd, c.qdd, c.loads, c.offsets, threads=threads)


def against_pinocchio() -> float:
    """The faster of two loops: placing the links from what rnea has found, or leaving that to computeDistances."""
    import pinocchio

    c = case()
    model = in_pinocchio.model_of(c.chain, c.loads, c.offsets)
    geometry = in_pinocchio.geometry_of(c.chain, c.bodies, model)
    data, around = model.createData(), geometry.createData()
    rnea, distances = pinocchio.rnea, pinocchio.computeDistances
    place, place_bodies = pinocchio.updateGlobalPlacements, pinocchio.updateGeometryPlacements

    def once() -> None:
        for q, qd, qdd in zip(c.q, c.qd, c.qdd, strict=True):
            rnea(model, data, q, qd, qdd)
            place(model, data)
            place_bodies(model, data, geometry, around)
            distances(geometry, around)

    def twice() -> None:
        for q, qd, qdd in zip(c.q, c.qd, c.qdd, strict=True):
            rnea(model, data, q, qd, qdd)
            distances(model, data, geometry, around, q)

    tau, _, gaps = ours()
    apart = gaps[-1] > 1e-3  # in a box, depth is measured another way
    for loop in (once, twice):
        loop()
        theirs = np.array([result.min_distance for result in around.distanceResults])
        assert np.allclose(theirs[apart], gaps[-1][apart], atol=1e-6)
        assert np.allclose(data.tau, tau[-1], atol=1e-9)
    return min(times_faster(ours, loop) for loop in (once, twice))


def against_mujoco() -> float:
    """mj_inverse and mj_geomDistance, pair by pair."""
    import mujoco

    c = case()
    model = in_mujoco.model_of(in_mujoco.with_load(c.chain, c.loads, c.offsets), c.bodies)
    data = mujoco.MjData(model)
    names = ("capsule", "table", "box")
    pairs = [
        (model.geom(f"capsule {a}").id, model.geom("table" if kind == 1 else f"{names[kind]} {b}").id)
        for kind, a, b in c.bodies.pairs
    ]
    inverse, distance = mujoco.mj_inverse, mujoco.mj_geomDistance

    def loop() -> list[float]:
        last: list[float] = []
        for q, qd, qdd in zip(c.q, c.qd, c.qdd, strict=True):
            data.qpos, data.qvel, data.qacc = q, qd, qdd
            inverse(model, data)
            last = [distance(model, data, first, second, 10.0, None) for first, second in pairs]
        return last

    theirs = np.array(loop())
    tau, _, gaps = ours()
    apart = gaps[-1] > 1e-3
    assert np.allclose(theirs[apart], gaps[-1][apart], atol=1e-5)
    assert np.allclose(data.qfrc_inverse, tau[-1], atol=1e-9)
    return times_faster(ours, loop, pairs=5)


def two_threads() -> float:
    """The same with the samples shared by two threads, by the clock on the wall."""
    return times_faster(lambda: ours(threads=2), ours, pairs=101, clock=time.perf_counter)


ROWS = [
    Row("whole check, against the fastest loop over pinocchio and coal", 7, 13, against_pinocchio),
    Row("whole check, against a loop over MuJoCo", 20, 40, against_mujoco),
    Row("whole check, two threads against one", 1.8, 1.8, two_threads),
]
