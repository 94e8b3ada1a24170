"""Joint angles for wanted poses of the five-joint arm: closed form against damped Newton over pinocchio.

The rival is the usual loop: error as a twist in the tool's axes, Jacobian, damped least squares, whole steps; from
the middle of the travel, up to 100 steps, until the error is below 1e-6. It need not keep to the travel, nor find
the best of the branches, nor all of the targets, as the closed form does.
"""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path

import numpy as np

from handfast.bench.folder import read_bench
from handfast.bench.new import new_bench
from handfast.mechanics.inverse import arrangement_of, solve
from handfast.mechanics.kinematics import tool_poses
from handfast.mechanics.model import Chain, model_of
from ratios import Row, times_faster
from support import in_pinocchio

TARGETS = 1000


@cache
def case() -> tuple[Chain, np.ndarray]:
    """The left arm of a blank bench, and poses from all over its travel."""
    with tempfile.TemporaryDirectory() as folder:
        arm = model_of(read_bench(new_bench(Path(folder) / "bench", 5, 5))).chain.only(0)
    assert arrangement_of(arm) is not None
    low, high = arm.travel.T
    q = low + np.random.default_rng(2).uniform(0.05, 0.95, (TARGETS, 5)) * (high - low)
    return arm, tool_poses(arm, q)[:, 0]


def closed_form() -> float:
    """Median over pairs; the loop is long, so there are few."""
    import pinocchio

    arm, wanted = case()
    model = in_pinocchio.model_of(arm)
    data, frame = model.createData(), model.getFrameId("tool 0")
    poses = [pinocchio.SE3(X) for X in wanted]
    middle, damping = arm.travel.mean(axis=1), 1e-6 * np.eye(6)
    found = np.zeros((TARGETS, 5))
    met = np.zeros(TARGETS, dtype=bool)

    def loop() -> None:
        for n, goal in enumerate(poses):
            q = middle
            for _ in range(100):
                pinocchio.framesForwardKinematics(model, data, q)
                error = pinocchio.log6(data.oMf[frame].actInv(goal)).vector
                if error @ error < 1e-12:
                    break
                J = pinocchio.computeFrameJacobian(model, data, q, frame)
                q = q + J.T @ np.linalg.solve(J @ J.T + damping, error)
            found[n], met[n] = q, error @ error < 1e-12

    loop()
    ours = solve(arm, wanted)
    assert ours.reached.all()
    assert met.mean() > 0.9
    assert np.allclose(tool_poses(arm, found[met])[:, 0], wanted[met], atol=1e-5)
    return times_faster(lambda: solve(arm, wanted), loop, pairs=7)


ROWS = [Row("inverse kinematics in closed form, against damped Newton over pinocchio", 1000, 1000, closed_form)]
