"""The twin as a whole against fast dynamics, the complete elliptic integral, and friction by hand."""

from __future__ import annotations

from dataclasses import replace

import mujoco
import numpy as np
import pytest
from scipy.special import ellipk

from handfast.bench.lines import joint_pulses
from handfast.mechanics.dynamics import inverse_dynamics
from handfast.mechanics.kinematics import tool_poses
from handfast.mechanics.model import Chain
from handfast.rehearsal.scene import Placed, Scene
from handfast.rehearsal.twin import Twin
from handfast.standins.truth import Truth, design_truth, draw_truth
from support import seedling


def bare(truth: Truth, start: np.ndarray, scene: Scene | None = None) -> Twin:
    """A twin of the seedling bench with these figures."""
    return Twin(seedling.bench(), truth, Scene() if scene is None else scene, 1, start)


def test_torques_of_random_motions():
    """Recursive Newton-Euler of ours and inverse dynamics of MuJoCo, on drawn arms, jaws shut: 1e-6 N·m.

    The two jaws have a turning inertia of their own of 4e-7 kg·m² in all that our lumped last link has not.
    """
    truth = draw_truth(seedling.bench(), 3)
    twin = bare(truth, seedling.REST)
    m, d = twin.model, twin.data
    m.opt.disableflags |= int(mujoco.mjtDisableBit.mjDSBL_CONTACT) | int(mujoco.mjtDisableBit.mjDSBL_LIMIT)
    m.dof_armature[:] = 0.0
    rng = np.random.default_rng(1)
    q, qd, qdd = rng.uniform(-1, 1, (20, 10)), rng.uniform(-3, 3, (20, 10)), rng.uniform(-20, 20, (20, 10))
    ours = inverse_dynamics(truth.chain, q, qd, qdd)
    where = twin._where
    for n in range(20):
        d.qpos[where[0]] = np.append(q[n], np.zeros(4))
        d.qvel[where[1]] = np.append(qd[n], np.zeros(4))
        d.qacc[where[1]] = np.append(qdd[n], np.zeros(4))
        m.dof_damping[:] = 0.0
        mujoco.mj_inverse(m, d)
        assert d.qfrc_inverse[where[1, :10]] == pytest.approx(ours[n], abs=2e-5)


def test_the_tcp_is_where_our_kinematics_has_it():
    """Tool poses of both arms, of MuJoCo's kinematics and of ours, to rounding."""
    truth = draw_truth(seedling.bench(), 4)
    q = np.random.default_rng(2).uniform(-1, 1, 10)
    twin = bare(truth, q)
    assert twin.tool_poses() == pytest.approx(tool_poses(truth.chain, q)[0], abs=1e-12)


def test_period_of_a_large_swing():
    """A limp arm, stretched and locked but for its shoulder, swings from 90 degrees: T = 4 √(I/mgd) K(sin 45°).

    Source: scipy's ellipk; for a point mass on 0.25 m this is 1.184123173 s. The other joints are held between
    stops 2e-4 rad apart, so 0.5 %.
    """
    truth = design_truth(seedling.bench())
    K = truth.joints
    shoulder = 1
    q0 = np.zeros(K)
    q0[shoulder] = np.pi  # hanging: gravity turned over below
    travel = np.tile([-1e-4, 1e-4], (K, 1))
    travel[shoulder] = (-2 * np.pi, 2 * np.pi)
    chain = truth.chain
    # Gravity upwards makes the upright arm hang, so that no base is in the way.
    up = Chain(**{**chain.__dict__, "travel": travel, "gravity": -chain.gravity})
    up.__dict__.pop("_alone", None)
    truth = replace(
        truth, chain=up, unseen_play=np.full(K + 2, 20.0), joint_friction=np.zeros(K + 2), stall=np.full(K + 2, 1e-7)
    )
    start = np.zeros(K)
    start[shoulder] = np.pi / 2
    twin = bare(truth, start)
    m = twin.model
    m.opt.disableflags |= int(mujoco.mjtDisableBit.mjDSBL_CONTACT)
    one = np.zeros((1, K))
    speed = one.copy()
    speed[0, shoulder] = 1.0
    inertia = (inverse_dynamics(up, one, one, speed) - inverse_dynamics(up, one, one, one))[0, shoulder]
    level = np.zeros((1, K))
    level[0, shoulder] = np.pi / 2
    weight = abs(inverse_dynamics(up, level, one, one)[0, shoulder])
    times, before = [], np.pi / 2
    for n in range(2500):
        twin.run(np.zeros((1, 12)))
        now = twin.link_angles()[shoulder]
        if before > 0.0 >= now or before < 0.0 <= now:
            times.append((n + before / (before - now)) * 1e-3)
        before = now
    period = 2.0 * (times[1] - times[0])
    # The jaws, open, stand a little off the axis of the lumped link.
    assert period == pytest.approx(4.0 * np.sqrt(inertia / weight) * ellipk(0.5), rel=5e-3)


@pytest.mark.parametrize(("share", "holds"), [(1.3, True), (0.7, False)])
def test_a_squeezed_block_hangs_by_friction(share, holds):
    """A block between two pads hangs while weight < 2·µ·N, and falls from 0.7 of it: F = m·g / (2·µ).

    Source: Coulomb friction on two pads (any handbook). The friction is set so that the measured pad force gives
    1.3 and 0.7 of what the weight needs.
    """
    bench = seedling.bench()
    truth = design_truth(bench)
    q = seedling.REST.copy()
    X = tool_poses(truth.chain, q)[0, 0]
    pot = replace(bench.thing("plug-pot"), size=(0.04, 0.04, 0.048), grip_height=0.0, mass=0.05)

    def hung(mu: float) -> tuple[float, float]:
        upright = np.eye(4)
        upright[:3, 3] = X[:3, 3]
        y = X[:2, 1] / np.linalg.norm(X[:2, 1])
        upright[:2, 0], upright[:2, 1] = (y[1], -y[0]), y
        scene = Scene(things=(Placed(replace(pot, friction=mu), upright, "left"),))
        twin = bare(truth, q, scene)
        pulses = joint_pulses(bench, q[None], np.array([[0.0375, 0.05]]))
        twin.run(np.tile(pulses, (900, 1)))
        twin.let_go("plug-pot")
        twin.run(np.tile(pulses, (100, 1)))
        z = twin.thing_pose("plug-pot")[2, 3] - twin.tool_positions()[0, 2]
        twin.run(np.tile(pulses, (400, 1)))
        assert twin.watch is not None
        press = twin.watch.seen().press["plug-pot"][80:100, :2].mean()
        return float(press), float(twin.thing_pose("plug-pot")[2, 3] - twin.tool_positions()[0, 2] - z)

    press, _ = hung(0.6)
    mu = share * pot.mass * 9.80665 / (2.0 * press)
    _, fell = hung(mu)
    assert (abs(fell) < 0.003) == holds
    if not holds:
        assert fell < -0.02


def test_the_same_seed_gives_the_same_motion():
    """Two twins of one seed and one pulse train end at the very same angles and wipers."""
    bench = seedling.bench()
    truth = draw_truth(bench, 5)
    pulses = np.tile(joint_pulses(bench, seedling.REST[None] + 0.1, np.array([[0.03, 0.03]])), (400, 1))
    first, second = bare(truth, seedling.REST), bare(truth, seedling.REST)
    assert np.array_equal(first.run(pulses), second.run(pulses))
    assert np.array_equal(first.link_angles(), second.link_angles())
