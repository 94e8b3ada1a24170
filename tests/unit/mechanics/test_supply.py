"""Current, voltage and torque of servos as DC motors. Source: the linear motor of any handbook, worked by hand."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from handfast.mechanics.model import model_of
from handfast.mechanics.supply import arm_currents, at_joints, servo_currents, torque_limits, voltages
from handfast.units import wire_resistance
from support.benches import plain_bench


def test_current_of_a_servo(tmp_path: Path):
    """Idle at rest, no-load current turning freely, stall current at stall, halfway between at half of it."""
    model = model_of(plain_bench(tmp_path))
    stall = model.stall
    still, turning = np.zeros((1, 10)), np.ones((1, 10))
    assert servo_currents(model, 0 * still, still)[0, 0] == pytest.approx(0.010)
    assert servo_currents(model, 0 * still, turning)[0, 0] == pytest.approx(0.4)
    assert servo_currents(model, stall[None], turning)[0, 0] == pytest.approx(2.5)
    assert servo_currents(model, -0.5 * stall[None], turning)[0, 0] == pytest.approx(0.4 + 0.5 * 2.1)
    assert servo_currents(model, 3 * stall[None], turning)[0, 0] == pytest.approx(2.5)  # no more than at stall


def test_voltage_at_the_servos(tmp_path: Path):
    """6 V less 20 mΩ for both arms together and each arm's own lead: 18 AWG, 0.8 m out and back, 10 mΩ."""
    bench = plain_bench(tmp_path)
    lead = wire_resistance(18, 1.6) + 0.01
    found = voltages(bench, np.array([[3.0, 1.0], [0.0, 0.0]]))
    assert found[0] == pytest.approx([6 - 0.02 * 4 - lead * 3, 6 - 0.02 * 4 - lead * 1])
    assert found[1] == pytest.approx([6, 6])


def test_currents_of_an_arm(tmp_path: Path):
    """The sum over its joints, and its gripper's."""
    bench = plain_bench(tmp_path)
    currents = np.arange(10.0)[None]
    assert arm_currents(model_of(bench), currents)[0] == pytest.approx([10, 35])
    assert arm_currents(model_of(bench), currents, np.array([[1.0, 2.0]]))[0] == pytest.approx([11, 37])
    assert at_joints(bench, np.array([[5.0, 6.0]]))[0] == pytest.approx([5] * 5 + [6] * 5)


def test_torque_that_is_left_at_speed(tmp_path: Path):
    """Half the no-load speed leaves half the stall torque when driving, all of it when braking; both with voltage."""
    model = model_of(plain_bench(tmp_path))
    voltage = np.full((1, 10), 6.0)
    half = 0.5 * model.free_speed[None]
    push = np.ones((1, 10))
    assert torque_limits(model, voltage, half, push)[0] == pytest.approx(0.5 * model.stall)
    assert torque_limits(model, voltage, half, -push)[0] == pytest.approx(model.stall)
    assert torque_limits(model, voltage, 3 * half, push)[0] == pytest.approx(0 * model.stall)
    # At 4.8 of 6 V: 0.8 of the stall torque, and the same speed is 0.625 of what is left of the no-load speed.
    assert torque_limits(model, 0.8 * voltage, half, push)[0] == pytest.approx(0.8 * 0.375 * model.stall)
