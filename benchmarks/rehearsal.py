"""The twin against bare MuJoCo stepping of its own model, its real-time factor, and draws on two processors."""

from __future__ import annotations

import time
from functools import cache

import mujoco
import numpy as np

from handfast.bench.lines import joint_pulses
from handfast.desk.rehearsing import draws
from handfast.mechanics.kinematics import tool_poses
from handfast.rehearsal.scene import Placed, Scene
from handfast.rehearsal.twin import Twin
from handfast.standins.truth import design_truth
from ratios import Row
from support import rehearsing, seedling


@cache
def holding() -> tuple[Twin, np.ndarray]:
    """Two arms with play, the left one with a pot in its jaws, and the pulses that keep it there, a frame of them."""
    bench = seedling.bench()
    truth = design_truth(bench)
    X = tool_poses(truth.chain, seedling.REST)[0, 0]
    X_WO = np.eye(4)
    y = X[:2, 1] / np.linalg.norm(X[:2, 1])
    X_WO[:2, 0], X_WO[:2, 1], X_WO[:3, 3] = (y[1], -y[0]), y, X[:3, 3]
    twin = Twin(bench, truth, Scene(things=(Placed(bench.thing("plug-pot"), X_WO, "left"),)), 1, seedling.REST)
    pulses = np.tile(joint_pulses(bench, seedling.REST[None], np.array([[0.034, 0.05]])), (20, 1))
    for _ in range(50):
        twin.run(pulses)
    twin.let_go("plug-pot")
    for _ in range(25):
        twin.run(pulses)
    return twin, pulses


def against_bare_steps() -> float:
    """Seconds of bare stepping over seconds of the twin, wipers and watching included, from the same state on."""
    twin, pulses = holding()
    ratios = []
    for _ in range(9):
        start = time.thread_time()
        for _ in range(25):
            twin.run(pulses)
        ours = time.thread_time() - start
        start = time.thread_time()
        for _ in range(500):
            mujoco.mj_step(twin.model, twin.data)
        ratios.append((time.thread_time() - start) / ours)
    return float(np.median(ratios))


def real_time() -> float:
    """Simulated over computed seconds, thing in hand."""
    twin, pulses = holding()
    start = time.thread_time()
    for _ in range(100):
        twin.run(pulses)
    return 2.0 / (time.thread_time() - start)


def two_processors() -> float:
    """Eight raw draws on one process against the same on two, starting of the processes included."""
    bench, routine = seedling.bench(), rehearsing.taught("carry-tray")
    start = time.perf_counter()
    draws(bench, routine, "raw", 8, jobs=1)
    one = time.perf_counter() - start
    start = time.perf_counter()
    draws(bench, routine, "raw", 8, jobs=2)
    return one / (time.perf_counter() - start)


ROWS = [
    Row("twin with a held thing over bare MuJoCo steps", 0.7, 0.8, against_bare_steps),
    Row("twin with a held thing over real time", 1.0, 10.0, real_time),
    Row("draws on two processors over one", 1.8, 1.9, two_processors),
]
