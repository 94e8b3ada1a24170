"""What holds for all arms: energy, symmetry, derivatives, inverses."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from handfast.geometry.rigid import rotation_of, rotation_vector, yaw_pose
from handfast.mechanics.dynamics import gravity_torques, inverse_dynamics, tip_forces_to_torques
from handfast.mechanics.inverse import arrangement_of, branches, solve
from handfast.mechanics.kinematics import places, tool_poses
from handfast.mechanics.model import Chain
from support.arms import Z, one_arm, random_pair

seeds = st.integers(0, 10**6)


def drawn(seed: int) -> tuple[np.random.Generator, Chain]:
    """A random pair of arms."""
    rng = np.random.default_rng(seed)
    return rng, random_pair(rng, square=bool(seed % 2))


def energy(chain: Chain, q: np.ndarray, qd: np.ndarray, loads: np.ndarray) -> float:
    """Kinetic and potential energy, link by link from places and differences of places; knows no torques."""
    h = 1e-6
    here, ahead, back = (places(chain, x) for x in (q, q + h * qd, q - h * qd))
    total = 0.0
    for i in range(chain.joints):
        com = here.p[0, i] + here.R[0, i] @ chain.coms[i]
        v = (ahead.p[0, i] + ahead.R[0, i] @ chain.coms[i] - back.p[0, i] - back.R[0, i] @ chain.coms[i]) / (2 * h)
        w = here.R[0, i].T @ rotation_vector(ahead.R[0, i] @ back.R[0, i].T) / (2 * h)
        total += 0.5 * chain.masses[i] * v @ v + 0.5 * w @ chain.inertias[i] @ w - chain.masses[i] * chain.gravity @ com
    for arm in range(chain.arms):
        v = (ahead.X_WT[0, arm, :3, 3] - back.X_WT[0, arm, :3, 3]) / (2 * h)
        total += loads[arm] * (0.5 * v @ v - chain.gravity @ here.X_WT[0, arm, :3, 3])
    return total


@given(seeds)
def test_power_is_the_slope_of_the_energy(seed):
    """tau · qd = dE/dt along any motion, gravity from any side, with loads.

    E is differentiated by differences of 1e-4 s: good to about 1e-5 of the power.
    """
    rng, chain = drawn(seed)
    chain = dataclasses.replace(chain, gravity=rng.normal(size=3) * 6)
    q, qd, qdd = (rng.normal(size=chain.joints) for _ in range(3))
    loads = rng.uniform(0, 0.2, 2)
    tau = inverse_dynamics(chain, q, qd, qdd, loads)[0]
    dt = 1e-4
    after = energy(chain, q + dt * qd + 0.5 * dt**2 * qdd, qd + dt * qdd, loads)
    before = energy(chain, q - dt * qd + 0.5 * dt**2 * qdd, qd - dt * qdd, loads)
    assert (after - before) / (2 * dt) == pytest.approx(tau @ qd, abs=1e-4 * (1 + np.abs(tau * qd).sum()))


@given(seeds)
def test_the_mass_matrix_is_symmetric_and_positive(seed):
    """From unit accelerations; the arms do not feel each other."""
    rng, chain = drawn(seed)
    K = chain.joints
    q = np.tile(rng.normal(size=K), (K, 1))
    M = inverse_dynamics(chain, q, 0 * q, np.eye(K)) - gravity_torques(chain, q)
    assert pytest.approx(M, abs=1e-12) == M.T
    assert np.linalg.eigvalsh(M).min() > 0.0
    left, right = chain.columns(0), chain.columns(1)
    assert M[left, right] == pytest.approx(0.0, abs=1e-13)


@given(seeds)
def test_gravity_torques_hold_a_hanging_weight(seed):
    """Holding a load takes the torque that a force of its weight at the TCP would, on top of the arm's own."""
    rng, chain = drawn(seed)
    q = rng.normal(size=chain.joints)
    loads = rng.uniform(0, 0.5, 2)
    weights = (-loads[:, None] * chain.gravity)[None]
    bare = gravity_torques(chain, q)
    assert gravity_torques(chain, q, loads) - bare == pytest.approx(
        tip_forces_to_torques(chain, q[None], weights), abs=1e-12
    )


@given(seeds)
def test_the_jacobian_is_the_derivative_of_the_pose(seed):
    """Against differences of 1e-6 rad: good to about 1e-9."""
    rng, chain = drawn(seed)
    q = rng.normal(size=chain.joints)
    J = places(chain, q).J[0]
    h = 1e-6
    for arm in range(2):
        for i in range(chain.joints):
            ahead, back = (tool_poses(chain, q + s * h * np.eye(chain.joints)[i])[0, arm] for s in (1, -1))
            linear = (ahead[:3, 3] - back[:3, 3]) / (2 * h)
            angular = rotation_vector(ahead[:3, :3] @ back[:3, :3].T) / (2 * h)
            own = chain.columns(arm).start <= i < chain.columns(arm).stop
            assert np.concatenate([angular, linear]) == pytest.approx(J[i] if own else np.zeros(6), abs=1e-8)


@given(seeds)
def test_a_whole_turn_changes_nothing(seed):
    """Any joint turned by 360 degrees, either way, puts everything back."""
    rng, chain = drawn(seed)
    q = rng.normal(size=chain.joints)
    around = q + 2 * np.pi * rng.integers(-2, 3, chain.joints)
    assert tool_poses(chain, around) == pytest.approx(tool_poses(chain, q), abs=1e-13)


def five_joint_arm(rng: np.random.Generator) -> Chain:
    """Any arm of the arrangement with a closed form: bent at zero, axes either way round, offset sideways."""
    turn = rotation_of(rng.uniform(-3, 3) * Z)  # the way it faces at zero pose
    lean = rng.uniform(-2.5, 2.5)  # of the fingers at zero pose, from upright
    fingers = turn @ np.array([np.sin(lean), 0.0, np.cos(lean)])
    pitch = turn @ np.array([0.0, 1.0, 0.0])
    signs = rng.choice([-1.0, 1.0], 5)
    roll = rng.uniform(-3, 3)
    jaws = rotation_of(roll * fingers) @ pitch
    base = yaw_pose(rng.uniform(-0.3, 0.3, 3), rng.uniform(-3, 3))

    def member(size: float) -> np.ndarray:
        h, y, z = rng.uniform(-1, 1, 3) * (size, 0.02, size)
        return turn @ np.array([h + np.sign(h) * 0.02, y, z])

    sideways = rng.uniform(-0.02, 0.02) * pitch  # the hand may stand beside the arm, but lies along the fingers
    hand = rng.uniform(0.02, 0.15) * fingers
    return one_arm(
        axes=np.array([Z, pitch, pitch, pitch, fingers]) * signs[:, None],
        offsets=[member(0.05), member(0.03), member(0.12), member(0.12), sideways + 0.3 * hand],
        tool=0.7 * hand,
        tool_turn=np.column_stack([np.cross(jaws, fingers), jaws, fingers]),
        base=base,
        travel=[(-np.pi, np.pi)] * 5,
    )


@given(seeds)
def test_the_closed_form_inverts_every_arm_of_its_arrangement(seed):
    """The angles come back, or others that put the tool on the very same pose."""
    rng = np.random.default_rng(seed)
    arm = five_joint_arm(rng)
    assert arrangement_of(arm) is not None
    q = rng.uniform(-np.pi, np.pi, (20, 5))
    wanted = tool_poses(arm, q)[:, 0]
    solution = solve(arm, wanted, near=q)
    assert solution.reached.all()
    assert tool_poses(arm, solution.q)[:, 0] == pytest.approx(wanted, abs=1e-7)
    # Where the elbow is straight or the wrist above the yaw axis, angles are ill defined: 1e-6 there.
    assert np.median(np.abs(solution.q - q).max(axis=1)) < 1e-6


@given(seeds)
def test_the_closed_form_says_what_it_misses(seed):
    """Targets anywhere, in reach or not: every branch misses the position by what it says, and the fingers' direction
    by the turn that it gives up.
    """
    rng = np.random.default_rng(seed)
    arm = five_joint_arm(rng)
    arrangement = arrangement_of(arm)
    assert arrangement is not None
    wanted = tool_poses(arm, rng.uniform(-2, 2, (20, 5)))[:, 0]
    wanted[:10, :3, 3] += rng.normal(size=(10, 3)) * 0.3
    wanted[10:15, :2, 3] = arm.bases[0, :2, 3] + (arm.bases[0, :3, :3] @ arrangement.origin)[:2]  # above the yaw axis
    wanted[:, :3, :3] = wanted[:, :3, :3] @ rotation_of(rng.normal(size=(20, 3)) * 0.3)
    q, residual = branches(arm, arrangement, wanted)
    for b in range(4):
        got = tool_poses(arm, q[:, b])[:, 0]
        missed = np.linalg.norm(got[:, :3, 3] - wanted[:, :3, 3], axis=1)
        assert missed == pytest.approx(residual[:, b, 0], abs=1e-9)
        apart = np.arccos(np.clip(np.sum(got[:, :3, 2] * wanted[:, :3, 2], axis=1), -1, 1))
        assert apart == pytest.approx(residual[:, b, 1], abs=1e-7)


@given(seeds)
def test_the_closed_form_and_the_general_solver_agree(seed):
    """With a tool turned off its axis by a hair the arm has no closed form, and the general solver gets there too.

    From a start 0.1 rad away, in position to its tolerance and in the direction of the fingers to 1e-5: where
    the arm is straight, its squared error says little about the angles.
    """
    rng = np.random.default_rng(seed)
    arm = five_joint_arm(rng)
    skew = dataclasses.replace(arm, tools=arm.tools + 3e-9 * np.cross(arm.axes[4], rng.normal(size=3)))
    q = rng.uniform(-2, 2, 5)
    wanted = tool_poses(arm, q)[0, 0]
    if arrangement_of(skew) is not None:  # the hair happened to be too thin
        skew = dataclasses.replace(arm, tools=arm.tools + 3e-9 * np.cross(arm.axes[4], arm.axes[1]))
    assert arrangement_of(skew) is None
    found = solve(skew, wanted, near=q + 0.1 * rng.normal(size=5))
    got = tool_poses(arm, found.q)[0, 0]
    assert found.reached.all()
    assert got[:3, 3] == pytest.approx(wanted[:3, 3], abs=1e-6)
    assert got[:3, 2] == pytest.approx(wanted[:3, 2], abs=1e-5)
