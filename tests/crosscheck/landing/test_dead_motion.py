"""Dead motion against MuJoCo: an arm whose joints are nothing but play, pushed both ways at its TCP."""

from __future__ import annotations

import mujoco
import numpy as np
import pytest

from handfast.geometry.rigid import rotation_of
from handfast.landing.dead_motion import at_rest
from handfast.landing.flank import holding_torques
from handfast.mechanics.kinematics import places
from support import seedling

FRICTION = 2e-3
"""N·m in each joint: far less than what the push asks of any joint with a lever."""

PUSH = 0.2
"""N: far less than what would lift a loaded joint off its flank."""


def pushed_widths(model, q: np.ndarray, play: np.ndarray, gravity: bool) -> np.ndarray:
    """Widths (3,) m along x, y, z over which the left TCP follows a light push to and fro."""
    chain = model.chain
    part = chain.columns(0)
    spec = mujoco.MjSpec()
    spec.option.timestep = 1e-3
    spec.option.gravity = chain.gravity if gravity else np.zeros(3)
    spec.option.integrator = mujoco.mjtIntegrator.mjINT_IMPLICITFAST
    body = spec.worldbody.add_body(pos=chain.bases[0, :3, 3], quat=_quaternion(chain.bases[0, :3, :3]))
    for i in range(part.start, part.stop):
        turn = rotation_of(chain.axes[i] * q[i])
        body = body.add_body(pos=chain.offsets[i], quat=_quaternion(turn))
        body.add_joint(
            type=mujoco.mjtJoint.mjJNT_HINGE, axis=chain.axes[i], limited=True, range=np.array([-1, 1]) * play[i] / 2,
            frictionloss=FRICTION, damping=0.05, armature=2e-4, solref_limit=[0.004, 1.0],
        )  # fmt: skip
        body.mass, body.ipos, body.explicitinertial = chain.masses[i], chain.coms[i], True
        I = chain.inertias[i]
        body.fullinertia = [I[0, 0], I[1, 1], I[2, 2], I[0, 1], I[0, 2], I[1, 2]]
    body.add_site(name="tcp", pos=chain.tools[0])
    spec.compiler.degree = False
    compiled = spec.compile()
    data = mujoco.MjData(compiled)
    hand, site = compiled.nbody - 1, 0

    def settle(force: np.ndarray) -> np.ndarray:
        for _ in range(1200):
            data.qfrc_applied[:] = 0.0
            mujoco.mj_applyFT(compiled, data, force, np.zeros(3), data.site_xpos[site], hand, data.qfrc_applied)
            mujoco.mj_step(compiled, data)
        return data.site_xpos[site].copy()

    settle(np.zeros(3))
    return np.array([(settle(PUSH * u) - settle(-PUSH * u)) @ u for u in np.eye(3)])


def _quaternion(R: np.ndarray) -> np.ndarray:
    quaternion = np.zeros(4)
    mujoco.mju_mat2Quat(quaternion, np.ascontiguousarray(R).ravel())
    return quaternion


@pytest.mark.parametrize("gravity", [False, True], ids=["weightless", "with gravity"])
def test_the_tcp_follows_a_light_push_as_far_as_said(gravity):
    """Weightless all joints are free; with gravity the pitches are pressed and only yaw and roll are.

    Within 4 %: MuJoCo's soft stops give a little, and the set is taken at first order in the play (0.9° at most).
    """
    model = seedling.model()
    q = np.concatenate([np.radians([20.0, 55.0, 30.0, 15.0, 10.0]), seedling.REST[5:]])
    part = model.chain.columns(0)
    play = np.radians([0.9, 0.8, 0.7, 0.9, 0.8])
    tau = holding_torques(model, q, np.zeros((1, 2)), np.zeros((1, 2, 3)))[0, part]
    loaded = np.abs(tau) > FRICTION if gravity else np.zeros(5, dtype=bool)
    J = places(model.chain, q).J[0, part, 3:]
    # The premise: no loaded joint is lifted by the push, every free one with a lever is moved by it.
    asked = PUSH * np.abs(J).max(axis=1)
    assert np.all(np.abs(tau[loaded]) > 1.5 * asked[loaded])
    assert loaded.tolist() == ([False, True, True, True, False] if gravity else [False] * 5)
    said = at_rest(J, loaded, play, np.zeros(5), np.zeros(5))
    assert said.both.along.tolist() == said.unseen.along.tolist()
    found = pushed_widths(model, q, play, gravity)
    wide = said.unseen.along > 1e-4
    assert wide.sum() >= 2
    assert found[wide] == pytest.approx(said.unseen.along[wide], rel=0.04)
    assert np.all(found[~wide] < 2e-4)
