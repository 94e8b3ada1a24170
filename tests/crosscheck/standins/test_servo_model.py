"""The stand-in against closed forms, an ODE solver, and the statics of springs and gaps in series.

Sources: linear DC motor (any textbook; figures of a common standard servo's data sheet at 4.8 V: 3.2 kgf·cm and
0.23 s/60°); play operator after Krasnosel'skii & Pokrovskii, *Systems with Hysteresis* (1989), and Visintin,
*Differential Models of Hysteresis* (1994), from memory; pendulum period by the complete elliptic integral.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.special import ellipk

from handfast.units import DEGREE, KGF_CM
from support import one_joint
from support.standing_in import Bare, truth

STALL, FREE = 3.2 * KGF_CM, np.pi / 3 / 0.23
"""0.3138128 N·m and 4.553033 rad/s."""


def test_a_free_servo_spins_up_like_a_first_order_motor():
    """J = 2e-3 kg·m²: τ = 29.0175 ms; after 0.1 s 4.407943 rad/s and 0.327396 rad. A gripper's servo is free.

    Steps of 1 ms taken implicitly lag by half a step, 0.5 ms · 4.4 rad/s = 0.002 rad.
    """
    free = Bare(truth(stall=STALL, free_speed=FREE, rotor=2e-3, pulse_slope=1e-4))
    free.ask(8.0, 0.1)
    motor, speed = free.arms._state[0, 2], free.arms._state[1, 2]
    assert speed == pytest.approx(4.407943, rel=3e-3)
    assert motor == pytest.approx(0.327396, abs=2.5e-3)
    free.ask(8.0, 0.4)
    assert free.arms._state[1, 2] == pytest.approx(FREE, rel=1e-4)


def test_a_loaded_servo_turns_as_fast_as_the_line_says():
    """0.10 N·m of load, from a very soft and far spring, leave 3.102157 rad/s of 4.553."""
    soft = 1e-7
    springs = np.array([[soft, -0.10 / soft]] * 2)
    figures = truth(one_joint.chain(mass=0.0), stall=STALL, free_speed=FREE, springs=springs, pulse_slope=1e-4)
    arm = Bare(figures)
    arm.ask(8.0, 0.3)
    assert arm.arms._state[1, 0] == pytest.approx(3.102157, rel=1e-4)


def test_a_step_of_the_drive_against_an_ode_solver():
    """Proportional drive, damping, friction and weight on one arm, at four times on the way and after it.

    Steps of 1 ms taken implicitly lag by up to one step: 6 rad/s · 1 ms = 0.006 rad.
    """
    full, damping, rub = 0.05, 0.02, 0.02
    figures = truth(full_drive=full, damping=damping, gear_friction=rub, rotor=2e-3)
    inertia = 2e-3 + one_joint.MASS * one_joint.LENGTH**2

    def rates(_t: float, y: np.ndarray) -> list[float]:
        q, w = y
        drive = np.clip((-0.5 - q - damping * w) / full, -1.0, 1.0)
        weight = one_joint.WEIGHT * np.sin(-q)
        net = drive - w / 6.0 - weight
        # The joint turns about -y: leaning towards +x (negative turn) takes a positive torque to hold.
        return [w, (net - rub * np.tanh(w / 1e-4)) / inertia]

    times = np.array([0.05, 0.1, 0.2, 0.4])
    exact = solve_ivp(rates, (0.0, 0.4), [0.0, 0.0], t_eval=times, max_step=1e-4, rtol=1e-8, method="LSODA").y[0]
    arm = Bare(figures)
    found = []
    for before, now in zip([0.0, *times[:-1]], times, strict=True):
        arm.ask(-0.5, now - before)
        found.append(arm.link)
    assert found == pytest.approx(exact, abs=0.007)
    assert arm.link == pytest.approx(-0.5, abs=0.02)


def test_a_limp_arm_without_friction_is_a_pendulum():
    """Let go at 90° from hanging straight down: period 4·√(l/g)·K(sin²45°) of the weighing rod's reduced length.

    l = I/(m·r) with the rotor in I; steps of 1 ms give the period to one part in 500.
    """
    rotor = 1e-4
    inertia = rotor + one_joint.MASS * one_joint.LENGTH**2
    reduced = inertia / (one_joint.MASS * one_joint.LENGTH)
    period = 4 * np.sqrt(reduced / 9.80665) * ellipk(0.5)
    arm = Bare(truth(rotor=rotor), start=np.pi / 2)
    angles = []
    for _ in range(3000):
        arm.limp(0.001)
        angles.append(arm.link)
    swing = np.array(angles) - np.pi  # hanging down is half a turn from upright
    falls = np.flatnonzero((swing[:-1] < 0) & (swing[1:] >= 0))
    assert np.diff(falls)[0] * 1e-3 == pytest.approx(period, rel=2e-3 + 1e-3 / period)
    # It comes back as high as it began: the steps make no energy and lose little.
    assert swing.max() == pytest.approx(np.pi / 2, abs=0.02)


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_at_rest_the_drive_carries_the_weight_within_its_friction(way):
    """Level arm: droop·gain is the gravity torque, give or take the friction, on the side it came from."""
    rub = 0.03
    figures = truth(gear_friction=rub, damping=0.03)
    target = -np.pi / 2
    arm = Bare(figures, start=target - way * 0.3)
    arm.ask(target - way * 0.3, 0.5)
    for step in np.linspace(-0.3, 0.0, 40):
        arm.ask(target + way * step, 0.05)
    shown = arm.read(arm.ask(target, 1.0))[-1, 0]
    held = (target - shown) * 1.0 / 0.05
    weight = one_joint.WEIGHT * np.sin(-arm.link)
    assert abs(held - weight) <= rub * (1 + 1e-6)
    # Upwards (positive about -y) friction adds to the load, downwards it bears part of it.
    assert way * (held - weight) > 0.5 * rub


def test_without_friction_the_droop_is_load_over_gain():
    """0.196133 N·m at 20 N·m/rad: 9.80665 mrad, to what the arm still swings."""
    arm = Bare(truth(damping=0.05), start=-np.pi / 2)
    shown = arm.read(arm.ask(-np.pi / 2, 3.0))[-1, 0]
    assert -np.pi / 2 - shown == pytest.approx(one_joint.WEIGHT * np.sin(-arm.link) / 20.0, rel=1e-3)


def test_play_and_compliance_hang_the_link_below_the_feedback():
    """Loaded, the link rests half its play and compliance times torque past the shaft, on gravity's side."""
    play, soft = 2 * DEGREE, 1.5 * DEGREE
    arm = Bare(truth(unseen_play=play, compliance=soft, damping=0.05), start=-np.pi / 2)
    shown = arm.read(arm.ask(-np.pi / 2, 2.0))[-1, 0]
    weight = one_joint.WEIGHT * np.sin(-arm.link)
    assert arm.link - shown == pytest.approx(-play / 2 - soft * weight, abs=0.02 * DEGREE)


def test_seen_play_lies_between_motor_and_feedback():
    """The shaft, which the feedback shows, rests half the seen play below the motor."""
    play = 1.0 * DEGREE
    arm = Bare(truth(seen_play=play, damping=0.05), start=-np.pi / 2)
    arm.ask(-np.pi / 2, 2.0)
    motor, shaft = arm.arms._state[0, 0], arm.arms._state[2, 0]
    assert motor - shaft == pytest.approx(play / 2, abs=1e-6)


INPUT = np.array([0, 1, 2, 1.5, 1.2, 1, 0, -1, 0, 0.8])
PLAY_OPERATOR = np.array([0, 0.5, 1.5, 1.5, 1.5, 1.5, 0.5, -0.5, -0.5, 0.3])
"""Half-width 0.5, start 0."""


def test_a_limp_servo_follows_the_hand_as_a_play_operator():
    """The feedback of a limp servo without windup is the play operator of the link that a hand leads, exactly."""
    scale = 0.1
    arm = Bare(truth(unseen_play=1.0 * scale))
    path = np.column_stack([INPUT * scale] * 2)
    assert arm.read(arm.lead(path))[:, 0] / scale == pytest.approx(PLAY_OPERATOR, abs=1e-12)


def test_windup_widens_the_play_by_the_drag_of_the_limp_gears():
    """Compliance times gear friction more on each side: half-width 0.05 + 0.5·0.1 = 0.1."""
    scale = 0.2
    arm = Bare(truth(unseen_play=0.1, compliance=0.5, gear_friction=0.1))
    path = np.column_stack([INPUT * scale] * 2)
    assert arm.read(arm.lead(path))[:, 0] / scale == pytest.approx(PLAY_OPERATOR, abs=1e-12)


@pytest.mark.parametrize(("rub", "falls"), [(0.25, False), (0.15, True)])
def test_gears_hold_an_arm_that_is_let_go_if_their_friction_can(rub, falls):
    """A level arm asks for 0.196 N·m: gears of 0.25 hold it, gears of 0.15 do not."""
    arm = Bare(truth(gear_friction=rub), start=-np.pi / 2)
    arm.limp(0.3)
    assert (abs(arm.link + np.pi / 2) > 0.1) == falls


def test_an_arm_that_is_let_go_sags_through_its_play_onto_gravitys_side():
    """Led upwards and let go: the feedback sinks by the seen play at most, the link onto the lower flank."""
    seen, unseen = 0.6 * DEGREE, 1.0 * DEGREE
    arm = Bare(truth(seen_play=seen, unseen_play=unseen, gear_friction=0.3), start=-np.pi / 2)
    led = np.column_stack([np.linspace(-np.pi / 2, -np.pi / 2 + 0.2, 400)] * 2)
    before = arm.read(arm.lead(led))[-1, 0]
    assert led[-1, 0] - before == pytest.approx(unseen / 2, abs=1e-9)
    after = arm.read(arm.limp(0.5))[-1, 0]
    assert before - after == pytest.approx(seen, rel=0.05)
    assert arm.link - after == pytest.approx(-unseen / 2, abs=1e-6)


@pytest.mark.parametrize("dead_time", [0.02, 0.045])
def test_nothing_stirs_before_the_dead_time(dead_time):
    """The first motion is seen in the millisecond after the delay."""
    arm = Bare(truth(one_joint.chain(mass=0.0), dead_time=dead_time))
    arm.ask(0.0, 0.2)
    shown = arm.read(arm.ask(0.3, 0.1))[:, 0]
    first = int(np.flatnonzero(np.abs(shown) > 1e-9)[0])
    assert first == round(dead_time * 1000)


def test_the_dead_band_is_left_alone():
    """Asked for less than half the dead band away, nothing happens; for a little more, it moves."""
    arm = Bare(truth(one_joint.chain(mass=0.0), dead_band=0.02))
    assert arm.read(arm.ask(0.0099, 0.3))[-1, 0] == 0.0
    assert arm.read(arm.ask(0.0101, 0.3))[-1, 0] > 1e-5


def test_currents_and_the_sag_of_the_supply():
    """Stalled at full drive: 2 A and idle currents; 0.1 Ω of lead and 0.05 Ω of supply take their share of 6 V."""
    stuck = np.array([5.0, 5.0, 0.0, 0.0])  # gears that 1 N·m cannot turn
    figures = truth(gear_friction=stuck, lead_resistance=np.full(2, 0.1), supply_resistance=0.05)
    arm = Bare(figures)
    out = arm.ask(np.array([0.5, 0.0, 0.0, 0.0]), 0.3)[-1]
    left, right = out[-2], out[-1]
    # Stall current falls with voltage: k = V/6; the drive is full.
    volt = 6.0 - 0.05 * (left + right) - 0.1 * left
    assert left == pytest.approx(2.0 * volt / 6.0 + 0.01 + 0.01, rel=0.02)
    assert right == pytest.approx(0.02, rel=0.05)
    assert out[-3] == pytest.approx(volt, abs=1e-3)


def test_feedback_that_follows_the_supply_sags_with_it():
    """Half of the sag shows in the wiper's voltage."""
    stuck = np.array([5.0, 5.0, 0.0, 0.0])
    arm = Bare(truth(gear_friction=stuck, lead_resistance=np.full(2, 0.2), follows_supply=0.5))
    calm = arm.ask(0.0, 0.2)[-1]
    out = arm.ask(np.array([0.5, 0.0, 0.0, 0.0]), 0.3)[-1]
    share = 1.0 + 0.5 * (out[-3] / 6.0 - 1.0)
    assert calm[2] == pytest.approx(2.5, rel=1e-3)
    # The gripper of the left arm, channel 2, stands at zero.
    assert out[2] == pytest.approx(2.5 * share, rel=1e-4)


def test_a_tip_moves_by_its_arc():
    """1° at 200 mm, 0.5° at 150 and 2° at 80: 3.490659, 1.308997 and 2.792527 mm of arc; the TCP moves by the chord."""
    for angle, radius, arc in ((1.0, 200, 3.490659), (0.5, 150, 1.308997), (2.0, 80, 2.792527)):
        chain = one_joint.chain()
        chain.tools[:] = (0.0, 0.0, radius / 1000)
        arm = Bare(truth(chain, gear_friction=1.0))
        before = arm.arms.tool_positions()[0].copy()
        arm.lead(np.full((1, 2), angle * DEGREE))
        moved = np.linalg.norm(arm.arms.tool_positions()[0] - before) * 1000
        assert moved == pytest.approx(arc, abs=2e-3)  # the chord is shorter by θ²/24
        assert moved < arc
