"""Torque, speed and current of a servo against the linear DC motor, and the drop along its lead.

Sources: the linear DC motor of any textbook, I = I0 + (Is - I0)·τ/τs and ω = ω0·(1 - τ/τs); points of a gearmotor as
in "Understanding D.C. Motor Characteristics" (MIT, Center for Innovation in Product Development); copper as in
ASTM B258 and IEC 60028 (from memory).
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from handfast.mechanics.dynamics import gravity_torques
from handfast.mechanics.model import model_of
from handfast.mechanics.supply import arm_currents, electric_figures, servo_currents, torque_limits, voltages
from handfast.units import KGF_CM, STANDARD_GRAVITY, wire_resistance
from support import one_joint, seedling


def motor(stall: float, free: float, voltage: float):
    """The seedling model with the same motor at every joint."""
    count = np.ones(10)
    return dataclasses.replace(
        seedling.model(), stall=stall * count, free_speed=free * count, rated_voltage=voltage * count
    )


def most(model, speed: float, voltage: float) -> float:
    """Torque that a servo gives while it drives at that speed and voltage."""
    at = np.full((1, 10), speed)
    return float(torque_limits(model, np.full((1, 10), voltage), at, np.ones((1, 10)))[0, 0])


def test_a_motors_greatest_power_lies_at_half_its_free_speed():
    """600 rpm and 0.325 N·m: 300 rpm, 0.163 N·m (0.1625), 5.10509 W."""
    free = 600 * 2 * np.pi / 60
    model = motor(0.325, free, 6.0)
    best = minimize_scalar(lambda w: -w * most(model, w, 6.0), bounds=(0.0, free), method="bounded")
    assert best.x * 60 / (2 * np.pi) == pytest.approx(300, rel=1e-4)
    assert most(model, best.x, 6.0) == pytest.approx(0.1625, rel=1e-4)
    assert -best.fun == pytest.approx(5.10509, rel=1e-4)


def test_current_and_power_from_the_motors_constants():
    """k = 0.05 V·s/rad, 2 Ω, 6 V, 0.1 A: 3 A, 0.145 N·m, 116 rad/s; 4.205 W at 1.55 A; best efficiency 0.668185."""
    k, R, V, I0 = 0.05, 2.0, 6.0, 0.1
    stall_current = V / R
    stall, free = k * (stall_current - I0), (V - R * I0) / k
    assert (stall, free) == (pytest.approx(0.145), pytest.approx(116.0))
    model = motor(stall, free, V)
    bench = model.bench
    servo = dataclasses.replace(
        bench.servo_of(bench.joints[0]), stall_current=stall_current, no_load_current=I0, rated_voltage=V
    )
    bench = dataclasses.replace(bench, stock=tuple(dataclasses.replace(servo, name=s.name) for s in bench.stock))
    model = dataclasses.replace(model, bench=bench)

    def at(tau: float) -> tuple[float, float]:
        """Speed and current at a torque."""
        speed = free * (1 - tau / stall)
        current = servo_currents(model, np.full((1, 10), tau), np.full((1, 10), max(speed, 1e-3)))[0, 0]
        return speed, float(current)

    speed, current = at(stall / 2)
    assert speed * stall / 2 == pytest.approx(4.205, rel=1e-6)
    assert current == pytest.approx(1.55, rel=1e-9)
    best = minimize_scalar(
        lambda tau: -tau * at(tau)[0] / (V * at(tau)[1]), bounds=(1e-4, stall), method="bounded",
        options={"xatol": 1e-10},
    )  # fmt: skip
    assert -best.fun == pytest.approx(0.668185, abs=1e-6)
    assert at(best.x)[1] == pytest.approx(0.547723, abs=1e-5)


def test_a_loaded_servo_is_slower():
    """3.2 kgf·cm and 0.23 s/60° at 4.8 V: with 0.10 N·m it turns at 3.102157 rad/s."""
    model = motor(3.2 * KGF_CM, np.pi / 3 / 0.23, 4.8)
    assert most(model, 3.102157, 4.8) == pytest.approx(0.10, rel=1e-6)


def test_torque_and_speed_scale_with_the_voltage():
    """At half the voltage: half the stall torque, half the free speed; braking takes the whole of it at any speed."""
    model = motor(1.0, 6.0, 6.0)
    assert most(model, 0.0, 3.0) == pytest.approx(0.5)
    assert most(model, 1.5, 3.0) == pytest.approx(0.25)
    assert most(model, 3.5, 3.0) == 0.0
    speed = np.full((1, 10), 2.0)
    assert torque_limits(model, np.full((1, 10), 3.0), speed, -np.ones((1, 10)))[0, 0] == pytest.approx(0.5)


def test_at_rest_without_torque_only_the_electronics_draw_current():
    """8 mA at rest, the no-load current as soon as it turns, the stall current at stall and not more beyond it."""
    model = seedling.model()
    servo = model.bench.servo_of(model.bench.joints[0])
    tau = np.zeros((4, 10))
    tau[2:, 0] = model.stall[0] * np.array([1.0, 2.0])
    speed = np.zeros((4, 10))
    speed[1, 0] = 0.1
    found = servo_currents(model, tau, speed)[:, 0]
    assert found == pytest.approx([servo.idle_current, servo.no_load_current, servo.stall_current, servo.stall_current])


def test_the_drop_along_leads_and_supply():
    """18 AWG, 1 m each way: 6 A drop 0.251379 V; with 10 mΩ of connectors and 20 mΩ of supply for both arms' 10 A."""
    bench = seedling.bench()
    wire = dataclasses.replace(bench.arms.left.wire, gauge=18.0, length=1.0, connectors=0.01)
    arms = dataclasses.replace(
        bench.arms,
        left=dataclasses.replace(bench.arms.left, wire=wire),
        right=dataclasses.replace(bench.arms.right, wire=wire),
    )
    supply = dataclasses.replace(bench.supply, voltage=6.0, resistance=0.02)
    bench = dataclasses.replace(bench, arms=arms, supply=supply)
    assert wire_resistance(18, 2.0) * 6.0 == pytest.approx(0.251379, rel=1e-4)
    left, right = voltages(bench, np.array([[6.0, 4.0]]))[0]
    assert left == pytest.approx(6.0 - 0.2 - 0.06 - 0.251379, abs=1e-4)
    assert right == pytest.approx(6.0 - 0.2 - 0.04 - 0.251379 * 4 / 6, abs=1e-4)


def test_an_arms_current_is_that_of_its_joints_and_gripper():
    """Left: five joints of 1 A and a gripper of 0.5; right: five of 2 A."""
    currents = np.array([[1.0] * 5 + [2.0] * 5])
    assert arm_currents(seedling.model(), currents, np.array([[0.5, 0.0]]))[0] == pytest.approx([5.5, 10.0])


def test_electric_figures_tell_benches_apart():
    """Plans remember time laws by these figures, so each that matters for torque or voltage must show in them."""
    model = seedling.model()
    bench = model.bench
    plain = electric_figures(model).tolist()
    thinner = dataclasses.replace(
        bench.arms,
        left=dataclasses.replace(bench.arms.left, wire=dataclasses.replace(bench.arms.left.wire, gauge=22)),
    )
    stronger = tuple(dataclasses.replace(s, stall_current=s.stall_current + 0.1) for s in bench.stock)
    for other in (
        dataclasses.replace(bench, supply=dataclasses.replace(bench.supply, voltage=5.9)),
        dataclasses.replace(bench, supply=dataclasses.replace(bench.supply, resistance=0.03)),
        dataclasses.replace(bench, arms=thinner),
        dataclasses.replace(bench, stock=stronger),
    ):
        assert electric_figures(model_of(other)).tolist() != plain
    assert electric_figures(model_of(bench)).tolist() == plain


def test_an_arms_weight_at_its_shoulder():
    """50 g at 52.5 mm, 45 g at 154, 30 g at 243 and 50 g of payload at 323: 0.32357 N·m, 3.2995 kgf·cm."""
    masses, places = np.array([0.05, 0.045, 0.03]), np.array([0.0525, 0.154, 0.243])
    chain = one_joint.chain(mass=float(masses.sum()))
    chain.coms[:, 2] = (masses @ places) / masses.sum()
    chain.tools[:, 2] = 0.323
    tau = gravity_torques(chain, one_joint.level(-1.0), np.array([[0.05, 0.0]]))[0, 0]
    assert tau == pytest.approx(0.32357, abs=1e-5)
    assert tau / KGF_CM == pytest.approx(3.2995, abs=1e-4)
    assert STANDARD_GRAVITY == 9.80665
