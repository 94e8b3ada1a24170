"""Random pairs of unlike arms, 4 to 7 joints, bases turned anyhow, against pinocchio and MuJoCo.

Sources: pinocchio (forward kinematics, frame Jacobian, rnea) and MuJoCo (mj_inverse, mj_jac), whose own models
are built from the same arrays (see tests/support). Tolerances are rounding: 1e-10 of numbers of the order of one.
"""

from __future__ import annotations

import mujoco
import numpy as np
import pinocchio
import pytest

from handfast.mechanics.clearance import survey
from handfast.mechanics.dynamics import gravity_torques, inverse_dynamics
from handfast.mechanics.kinematics import places
from support import in_mujoco, in_pinocchio
from support.arms import random_bodies, random_pair

SEEDS = range(12)
SAMPLES = 5


def drawn(seed: int):
    """A pair of arms, and angles, speeds and accelerations of a few samples; every other pair has square axes."""
    rng = np.random.default_rng(seed)
    pair = random_pair(rng, square=bool(seed % 2))
    q, qd, qdd = (rng.normal(size=(SAMPLES, pair.joints)) * size for size in (2.0, 3.0, 10.0))
    return rng, pair, q, qd, qdd


@pytest.mark.parametrize("seed", SEEDS)
def test_places_against_pinocchio(seed: int):
    """Link frames, tool poses and TCP Jacobians in world axes (pinocchio: LOCAL_WORLD_ALIGNED, linear first)."""
    _, pair, q, _, _ = drawn(seed)
    model = in_pinocchio.model_of(pair)
    data = model.createData()
    here = places(pair, q)
    for n in range(SAMPLES):
        pinocchio.computeJointJacobians(model, data, q[n])
        pinocchio.updateFramePlacements(model, data)
        for i in range(pair.joints):
            assert here.R[n, i] == pytest.approx(data.oMi[i + 1].rotation, abs=1e-12)
            assert here.p[n, i] == pytest.approx(data.oMi[i + 1].translation, abs=1e-12)
        for arm in range(2):
            frame = model.getFrameId(f"tool {arm}")
            assert here.X_WT[n, arm] == pytest.approx(data.oMf[frame].homogeneous, abs=1e-12)
            J = pinocchio.getFrameJacobian(model, data, frame, pinocchio.ReferenceFrame.LOCAL_WORLD_ALIGNED)
            own = pair.columns(arm)
            assert here.J[n, own, 3:] == pytest.approx(J[:3, own].T, abs=1e-12)
            assert here.J[n, own, :3] == pytest.approx(J[3:, own].T, abs=1e-12)


@pytest.mark.parametrize("seed", SEEDS)
def test_torques_against_pinocchio(seed: int):
    """Inverse dynamics with a load beside each TCP, another one in every sample; and gravity alone."""
    rng, pair, q, qd, qdd = drawn(seed)
    loads = rng.uniform(0.0, 0.3, (SAMPLES, 2))
    offsets = rng.uniform(-0.05, 0.05, (SAMPLES, 2, 3))
    tau = inverse_dynamics(pair, q, qd, qdd, loads, offsets)
    still = gravity_torques(pair, q)
    bare = in_pinocchio.model_of(pair)
    for n in range(SAMPLES):
        model = in_pinocchio.model_of(pair, loads[n], offsets[n])
        expected = pinocchio.rnea(model, model.createData(), q[n], qd[n], qdd[n])
        assert tau[n] == pytest.approx(expected, abs=1e-10)
        assert still[n] == pytest.approx(pinocchio.computeGeneralizedGravity(bare, bare.createData(), q[n]), abs=1e-11)


@pytest.mark.parametrize("seed", SEEDS)
def test_mass_matrix_against_pinocchio(seed: int):
    """From unit accelerations, against crba."""
    _, pair, q, _, _ = drawn(seed)
    K = pair.joints
    model = in_pinocchio.model_of(pair)
    at = np.tile(q[0], (K, 1))
    M = inverse_dynamics(pair, at, 0 * at, np.eye(K)) - gravity_torques(pair, at)
    expected = np.triu(pinocchio.crba(model, model.createData(), q[0]))
    assert pytest.approx(expected + np.triu(expected, 1).T, abs=1e-11) == M


@pytest.mark.parametrize("seed", SEEDS)
def test_torques_against_mujoco(seed: int):
    """mj_inverse, the load swallowed by the last link: its mass matrix and bias forces come by another way."""
    rng, pair, q, qd, qdd = drawn(seed)
    loads, offsets = rng.uniform(0.0, 0.3, 2), rng.uniform(-0.05, 0.05, (2, 3))
    model = in_mujoco.model_of(in_mujoco.with_load(pair, loads, offsets))
    data = mujoco.MjData(model)
    tau = inverse_dynamics(pair, q, qd, qdd, loads, offsets)
    for n in range(SAMPLES):
        data.qpos, data.qvel, data.qacc = q[n], qd[n], qdd[n]
        mujoco.mj_inverse(model, data)
        assert tau[n] == pytest.approx(data.qfrc_inverse, abs=1e-10)


@pytest.mark.parametrize("seed", SEEDS)
def test_jacobians_against_mujoco(seed: int):
    """mj_jac of the TCP as a point of the last link's body."""
    _, pair, q, _, _ = drawn(seed)
    model = in_mujoco.model_of(pair)
    data = mujoco.MjData(model)
    here = places(pair, q)
    linear, angular = np.empty((3, pair.joints)), np.empty((3, pair.joints))
    for n in range(SAMPLES):
        data.qpos = q[n]
        mujoco.mj_kinematics(model, data)
        mujoco.mj_comPos(model, data)
        for arm in range(2):
            own = pair.columns(arm)
            body = model.joint(f"joint {own.stop - 1}").bodyid[0]
            mujoco.mj_jac(model, data, linear, angular, here.X_WT[n, arm, :3, 3], body)
            assert here.J[n, own, 3:] == pytest.approx(linear[:, own].T, abs=1e-11)
            assert here.J[n, own, :3] == pytest.approx(angular[:, own].T, abs=1e-11)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_survey_against_both(seed: int):
    """Torques from pinocchio and Jacobians from MuJoCo for two hundred samples, more than one block of them."""
    rng, pair, _, _, _ = drawn(seed)
    q, qd, qdd = (rng.normal(size=(200, pair.joints)) for _ in range(3))
    tau, J, _ = survey(pair, random_bodies(rng, pair), q, qd, qdd)
    model = in_pinocchio.model_of(pair)
    data = model.createData()
    for n in range(200):
        assert tau[n] == pytest.approx(pinocchio.rnea(model, data, q[n], qd[n], qdd[n]), abs=1e-11)
    twin = in_mujoco.model_of(pair)
    inside = mujoco.MjData(twin)
    for n in (0, 63, 64, 199):
        inside.qpos = q[n]
        mujoco.mj_kinematics(twin, inside)
        mujoco.mj_comPos(twin, inside)
        body = twin.joint(f"joint {pair.joints - 1}").bodyid[0]
        tip = places(pair, q[n]).X_WT[0, 1, :3, 3]
        linear = np.empty((3, pair.joints))
        mujoco.mj_jac(twin, inside, linear, None, tip, body)
        own = pair.columns(1)
        assert J[n, own, 3:] == pytest.approx(linear[:, own].T, abs=1e-11)
