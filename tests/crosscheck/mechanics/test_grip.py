"""Grip: closed forms with their sources, and blocks between two pads in MuJoCo that slip where they should."""

from __future__ import annotations

import mujoco
import numpy as np
import pytest

from handfast.mechanics.grip import DISC, groove_friction, needed_press, twist_arm


def press(pull=0.0, push=0.0, twist=0.0, tilt=0.0, friction=0.5, pad=5e-3, **more):
    """Needed press for one case, N."""
    one = [np.array([float(v)]) for v in (pull, push, twist, tilt)]
    return float(needed_press(*one, friction, pad, **more)[0])


def test_two_fingers_hold_a_weight():
    """F = m (g + a) / 2µ: 50 g at 9.81 + 2 m/s², µ 0.4: 0.738125 N each (statics; any handbook of grippers)."""
    assert press(pull=0.05 * (9.81 + 2.0), friction=0.4) == pytest.approx(0.738125, rel=1e-9)


def test_weight_and_sideways_motion_together():
    """m √(g² + a²) / 2µ with a = 3 m/s²: 0.641154 N."""
    assert press(pull=0.05 * np.hypot(9.81, 3.0), friction=0.4) == pytest.approx(0.641154, rel=1e-6)


def test_soft_finger_off_its_middle():
    """Ellipsoid (Howe & Cutkosky, IJRR 15(6), 1996): 0.4905 N held 20 mm off, µ 0.5, a 5 mm: 2.983595 N each."""
    assert press(pull=0.4905, twist=0.4905 * 0.02) == pytest.approx(2.983595, rel=1e-6)


def test_spin_of_one_soft_finger():
    """⅔ µ N a: N 6, µ 0.5, a 5 mm: 0.0100 N·m (evenly pressed disc)."""
    assert 6.0 * twist_arm(0.5, 5e-3, 0.0) == pytest.approx(0.01, rel=1e-12)
    assert press(twist=0.02) == pytest.approx(6.0)


def test_a_wedge_multiplies_friction():
    """µ / sin 45° for a groove of 90°: 0.4 becomes 0.565685 (wedge, statics)."""
    assert groove_friction(0.4, np.pi / 2) == pytest.approx(0.565685, rel=1e-6)
    assert press(pull=1.0, friction=0.4, groove=np.pi / 2) == pytest.approx(1.0 / (2 * 0.565685), rel=1e-5)
    assert press(twist=0.02, groove=np.pi / 2) < 0.5 * press(twist=0.02)


def test_more_needs_more():
    """Never less press for more of anything; pads that pivot bear no twist, and say so."""
    base = {"pull": 0.5, "push": 0.2, "twist": 0.004, "tilt": 0.003}
    for name in base:
        assert press(**{**base, name: 2 * base[name]}) >= press(**base)
    assert press(pull=0.5, pivot=True) == press(pull=0.5)
    assert np.isinf(press(pull=0.5, twist=0.02, pivot=True))


def held(mass, force, off, friction=0.5, pad=5e-3):
    """How far a block (m, rad) moves and turns in a second between two pads that press with `force` N each, in MuJoCo.

    Its middle lies `off` m beside the pads. Pads are squares of four points with the mean friction radius of a disc.
    """
    half = pad * DISC / np.sqrt(2.0)
    model = mujoco.MjModel.from_xml_string(f"""<mujoco><option timestep="0.0005" integrator="implicitfast"
      cone="elliptic" impratio="20"/><worldbody>
      <body name="block" pos="{off} 0 0"><freejoint/><geom type="box" size="0.06 0.01 0.02" mass="{mass}" contype="0"
        conaffinity="0" name="block"/></body>
      <body pos="0 -0.011 0"><joint name="a" type="slide" axis="0 1 0" damping="5"/><geom name="a" type="box"
        size="{half} 0.001 {half}" mass="0.05" contype="0" conaffinity="0"/></body>
      <body pos="0 0.011 0"><joint name="b" type="slide" axis="0 -1 0" damping="5"/><geom name="b" type="box"
        size="{half} 0.001 {half}" mass="0.05" contype="0" conaffinity="0"/></body></worldbody>
      <contact><pair geom1="a" geom2="block" condim="3" friction="{friction} {friction} 1e-4 1e-6 1e-6"
        solref="0.004 1"/><pair geom1="b" geom2="block" condim="3" friction="{friction} {friction} 1e-4 1e-6 1e-6"
        solref="0.004 1"/></contact>
      <actuator><motor joint="a"/><motor joint="b"/></actuator></mujoco>""")
    model.opt.gravity[:] = 0.0
    data = mujoco.MjData(model)
    data.ctrl[:] = force
    for _ in range(400):
        mujoco.mj_step(model, data)
    before, turn = data.qpos[:3].copy(), data.qpos[3:7].copy()
    model.opt.gravity[2] = -9.81
    for _ in range(2000):
        mujoco.mj_step(model, data)
    angle = 2.0 * np.arccos(np.clip(abs(turn @ data.qpos[3:7]), 0.0, 1.0))
    return float(np.linalg.norm(data.qpos[:3] - before)), float(angle)


@pytest.mark.parametrize(("mass", "off"), [(0.05, 0.0), (0.2, 0.0), (0.05, 0.02), (0.03, 0.04)])
def test_blocks_between_pads_in_mujoco(mass, off):
    """A quarter less press than needed and the block falls or turns away; a quarter more and it stays."""
    needed = press(pull=mass * 9.81, twist=mass * 9.81 * off)
    lost, turned = held(mass, 0.75 * needed, off)
    assert lost > 0.02 or turned > 0.3
    kept, little = held(mass, 1.25 * needed, off)
    assert kept < 0.006
    assert little < 0.1
