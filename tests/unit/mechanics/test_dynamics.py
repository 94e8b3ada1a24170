"""Torques of joints against textbook numbers."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from handfast.mechanics.dynamics import (
    gravity_torques,
    inverse_dynamics,
    spring_torques,
    transmitted_torques,
)
from handfast.mechanics.kinematics import places
from handfast.mechanics.model import model_of
from support.arms import X, Y, Z, one_arm, planar, random_pair
from support.benches import plain_bench


def test_two_links_with_point_masses():
    """Mass matrix, velocity and gravity terms, and their sum.

    Source: closed form of Lynch & Park eq. 8.9 / Craig section 6.7, from memory; the numbers agree with
    pinocchio. Tolerance: ten printed digits.
    """
    arm = planar([0.4, 0.3], [1.0, 0.5])
    q, qd, qdd = np.radians([[30.0, 60.0]]), np.array([[1.0, -2.0]]), np.array([[3.0, 0.5]])
    still = np.zeros((1, 2))
    gravity = inverse_dynamics(arm, q, still, still)[0]
    assert gravity == pytest.approx([5.097425527, 0.0], abs=1e-9)
    assert inverse_dynamics(arm, q, qd, still)[0] - gravity == pytest.approx([0.0, 0.051961524], abs=1e-9)
    columns = [inverse_dynamics(arm, q, still, unit[None])[0] - gravity for unit in np.eye(2)]
    assert np.array(columns) == pytest.approx(np.array([[0.345, 0.075], [0.075, 0.045]]), abs=1e-9)
    assert inverse_dynamics(arm, q, qd, qdd)[0] == pytest.approx([6.169925527, 0.299461524], abs=1e-9)


def test_a_small_arm_at_rest():
    """0.12 and 0.08 kg on 0.11 and 0.10 m at 0 and 90 degrees: 0.21582 N·m and nothing; worked by hand."""
    assert gravity_torques(planar([0.11, 0.10], [0.12, 0.08]), np.radians([0, 90]))[0] == pytest.approx(
        [0.21582, 0.0], abs=1e-9
    )


def test_three_links_of_the_package():
    """Torques and gravity part of the three-link example in the documentation of modern_robotics, InverseDynamics.

    Its first screw axis (1, 0, 1) is √2 long, so its first joint turns √2 times as far as it says, with a
    torque smaller by as much. Tolerance: eight printed decimals.
    """
    M01 = np.array([[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0.089159], [0, 0, 0, 1.0]])
    M12 = np.array([[0, 0, 1, 0.28], [0, 1, 0, 0.13585], [-1, 0, 0, 0], [0, 0, 0, 1.0]])
    M23 = np.array([[1, 0, 0, 0], [0, 1, 0, -0.1197], [0, 0, 1, 0.395], [0, 0, 0, 1.0]])
    M34 = np.array([[1, 0, 0, 0], [0, 1, 0, 0], [0, 0, 1, 0.14225], [0, 0, 0, 1.0]])
    boxes = ([0.010267, 0.010267, 0.00666], [0.22689, 0.22689, 0.0151074], [0.0494433, 0.0494433, 0.004095])
    screws = np.array([[1, 0, 1, 0, 1, 0], [0, 1, 0, -0.089, 0, 0], [0, 1, 0, -0.089, 0, 0.425]])
    length = np.linalg.norm(screws[:, :3], axis=1)
    unit = screws / length[:, None]
    on_axis = np.cross(unit[:, :3], unit[:, 3:])
    homes = [M01, M01 @ M12, M01 @ M12 @ M23]
    arm = one_arm(
        axes=unit[:, :3],
        offsets=np.diff(on_axis, axis=0, prepend=np.zeros((1, 3))),
        tool=(homes[2] @ M34)[:3, 3] - on_axis[2],
        masses=[3.7, 8.393, 2.275],
        coms=[X_WC[:3, 3] - on for X_WC, on in zip(homes, on_axis, strict=True)],
        inertias=[X[:3, :3] @ np.diag(I) @ X[:3, :3].T for X, I in zip(homes, boxes, strict=True)],
        tool_turn=(homes[2] @ M34)[:3, :3],
        gravity=(0, 0, -9.8),
    )
    q = np.array([[0.1, 0.1, 0.1]]) * length
    qd = np.array([[0.1, 0.2, 0.3]]) * length
    qdd = np.array([[2.0, 1.5, 1.0]]) * length
    gravity = gravity_torques(arm, q)[0] * length
    assert gravity == pytest.approx([28.40331262, -37.64094817, -5.4415892], abs=1e-7)
    here = places(arm, q)
    R = here.X_WT[0, 0, :3, :3]
    wrench = np.concatenate([R @ np.ones(3), R @ np.ones(3)])  # moment and force at the tip, in its own axes
    tau = (inverse_dynamics(arm, q, qd, qdd)[0] + here.J[0] @ wrench) * length
    assert tau == pytest.approx([74.69616155, -33.06766016, -3.23057314], abs=1e-7)


def test_a_load_on_a_level_arm():
    """0.25 kg at 0.20 m: 0.4903325 N·m, 5 kgf·cm (g = 9.80665), whether it is a link's mass or held."""
    arm = planar([0.2], axis=Y, gravity=(0, 0, -9.80665))
    level = np.zeros((1, 1))
    assert -gravity_torques(arm, level, loads=np.array([[0.25]]))[0, 0] == pytest.approx(0.4903325, abs=1e-9)
    heavy = planar([0.2], [0.25], axis=Y, gravity=(0, 0, -9.80665))
    assert -gravity_torques(heavy, level)[0, 0] / 0.0980665 == pytest.approx(5.0, abs=1e-9)


def test_shoulder_of_a_level_arm():
    """Weights of 50, 45 and 30 g at 52.5, 154 and 243 mm and a load of 50 g at 323 mm: 0.32357 N·m."""
    arm = one_arm(
        axes=[Y, Y, Y],
        offsets=[[0, 0, 0], [0.105, 0, 0], [0.098, 0, 0]],
        tool=[0.120, 0, 0],
        masses=[0.05, 0.045, 0.03],
        coms=[[0.0525, 0, 0], [0.049, 0, 0], [0.040, 0, 0]],
    )
    tau = gravity_torques(arm, np.zeros(3), loads=np.array([[0.05]]))
    assert -tau[0, 0] == pytest.approx(0.32357, abs=1e-5)


def test_a_load_beside_the_tip():
    """An offset counts in the axes of the last link: 100 mm sideways of a tip that points along y."""
    arm = planar([0.2], gravity=(0, -10, 0))
    load, still = np.array([[1.0]]), np.zeros((1, 1))
    tau = inverse_dynamics(arm, np.radians([[90]]), still, still, load, np.array([[[0.0, 0.1, 0.0]]]))
    assert tau[0, 0] == pytest.approx(-1.0)  # 0.1 m towards -x, gravity along -y: 10 N x -0.1 m


def test_a_turning_weight_pulls_outwards_only():
    """At constant speed on a plane without gravity a point mass needs no torque; speeding up, m r² a."""
    arm = planar([0.3], [0.2], gravity=(0, 0, 0))
    at = np.zeros((1, 1))
    assert inverse_dynamics(arm, at, at + 5.0, at)[0, 0] == pytest.approx(0.0, abs=1e-15)
    assert inverse_dynamics(arm, at, at + 5.0, at + 2.0)[0, 0] == pytest.approx(0.2 * 0.09 * 2.0)


def test_an_upright_axis_feels_no_weight():
    """Gravity along the axis, on a base turned on its side."""
    turned = np.eye(4)
    turned[:3, :3] = np.column_stack([Z, Y, -X])  # the base's z lies along -x of the world
    arm = one_arm([Z], [[0, 0, 0]], [0.1, 0, 0], masses=[1.0], coms=[[0.1, 0, 0]], base=turned, gravity=(-9.8, 0, 0))
    assert gravity_torques(arm, np.array([[0.7]]))[0, 0] == pytest.approx(0.0, abs=1e-15)


def test_loads_spread_over_samples():
    """One load for all samples, or one per sample; without loads, none."""
    pair = random_pair(np.random.default_rng(1))
    q = np.random.default_rng(2).uniform(-1, 1, (4, pair.joints))
    same = gravity_torques(pair, q, np.array([0.1, 0.2]))
    assert same == pytest.approx(gravity_torques(pair, q, np.tile([0.1, 0.2], (4, 1))))
    assert not np.allclose(same, gravity_torques(pair, q))
    assert gravity_torques(pair, q) == pytest.approx(gravity_torques(pair, q, np.zeros(2)))


def test_loads_must_fit_the_samples():
    """Three loads for four samples are our own mistake, and said so."""
    pair = random_pair(np.random.default_rng(1))
    with pytest.raises(ValueError, match="3 loads at 1 places for 4 samples"):
        gravity_torques(pair, np.zeros((4, pair.joints)), np.zeros((3, 2)))


def test_springs_pull_towards_rest():
    """A spring of 2 N·m/rad at rest at 0.5 rad: the servo gives 1 N·m at 1 rad, and nothing at rest."""
    springs = np.array([[2.0, 0.5], [0.0, 0.0]])
    assert spring_torques(springs, np.array([[1.0, 3.0], [0.5, 3.0]])) == pytest.approx(np.array([[1, 0], [0, 0]]))


def test_what_a_servo_passes_on(tmp_path: Path):
    """Inverse dynamics, spring and joint friction against the motion; at rest friction is nought."""
    model = model_of(plain_bench(tmp_path))
    model = dataclasses.replace(model, springs=model.springs + np.array([0.3, 0.1]))
    q = np.full((1, 10), 0.4)
    qd = np.array([[0.5, -0.5] * 5])
    bare = inverse_dynamics(model.chain, q, qd, 0 * q)
    assert transmitted_torques(model, q, qd, 0 * q) - bare == pytest.approx(
        0.3 * (0.4 - 0.1) + model.friction * np.sign(qd)
    )
    assert transmitted_torques(model, q, 0 * q, 0 * q) - gravity_torques(model.chain, q) == pytest.approx(
        np.full((1, 10), 0.09)
    )
