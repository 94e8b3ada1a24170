"""The twin's servos alone, on one link that is integrated here, against closed forms and an ODE solver.

Sources: linear DC motor (any textbook; figures of a common standard servo's data sheet at 4.8 V: 3.2 kgf·cm and
0.23 s/60°); first-order thermal body as in IEC 60034-1; statics of a spring and a gap in series.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from handfast.rehearsal import gear_kernels as gears
from handfast.standins.servo_kernels import RING
from handfast.standins.servo_model import pack_servo
from handfast.units import DEGREE, KGF_CM
from support.standing_in import PULSE, truth

STALL, FREE = 3.2 * KGF_CM, np.pi / 3 / 0.23
"""0.3138128 N·m and 4.553033 rad/s."""


class OneLink:
    """Two servos at two links (only the first is looked at); each link turns by itself with a given inertia.

    The link is integrated as the physics model does it: damping at the end of the step, all else at its start.
    `load(q, v)` N·m acts on both links.
    """

    def __init__(self, inertia: float, load: Any = None, fixed: bool = False, **figures: Any):
        self.truth = truth(**figures)
        self.inertia, self.load, self.fixed = inertia, load or (lambda q, v: 0.0), fixed
        S = len(self.truth.channel)
        self.servo, self.state = pack_servo(self.truth), np.zeros((gears.ROWS, S))
        self.ring, self.clock = np.zeros((S, RING)), np.zeros(1, dtype=np.int64)
        self.jaws = np.tile([0.0, 25.0, 0.04, 0.0, 0.0], (2, 1))
        self.thermal = np.tile([[2.0], [20.0], [120.0]], (1, S))
        self.qpos, self.qvel = np.zeros(6), np.zeros(6)
        self.force, self.damping = np.zeros(6), np.zeros(6)
        self.where = np.tile(np.arange(6), (2, 1)).astype(np.int64)
        self.out = np.zeros(S + 3)

    def step(self, angle: float | None) -> None:
        """One millisecond, all servos asked for `angle` (None: no pulse)."""
        pulses = np.zeros(len(self.out) - 3)
        if angle is not None:
            pulses[:] = PULSE + self.truth.pulse_slope * angle
        gears.gears_kernel(
            self.servo, self.state, self.ring, self.clock, pulses, np.zeros(len(pulses)), self.truth.springs,
            self.jaws, self.thermal, self.qpos, self.qvel, self.force, self.damping, self.where, self.out, 1,
        )  # fmt: skip
        if self.fixed:
            return
        for i in range(2):
            force = self.force[i] + self.load(self.qpos[i], self.qvel[i])
            self.qvel[i] = (self.inertia * self.qvel[i] + 1e-3 * force) / (self.inertia + 1e-3 * self.damping[i])
            self.qpos[i] += 1e-3 * self.qvel[i]

    def run(self, angle: float | None, seconds: float) -> None:
        """Many milliseconds."""
        for _ in range(round(seconds * 1000)):
            self.step(angle)

    @property
    def motor(self) -> float:
        """Angle of the rotor."""
        return float(self.state[gears.MOTOR, 0])

    @property
    def shaft(self) -> float:
        """Angle of the shaft that the potentiometer sits on."""
        return float(self.state[gears.SHAFT, 0])


def test_a_free_rotor_spins_up_like_a_first_order_motor():
    """J = 2e-3 kg·m²: τ = 29.0175 ms; after 0.1 s 4.407943 rad/s and 0.327396 rad, far from any link.

    Steps of 1 ms taken implicitly lag by half a step, 0.5 ms · 4.4 rad/s = 0.002 rad; grease takes 0.2 % of the stall
    torque per rad/s, 0.9 % of the speed.
    """
    free = OneLink(1e3, unseen_play=60.0, stall=STALL, free_speed=FREE, rotor=2e-3, pulse_slope=1e-4)
    free.run(8.0, 0.1)
    assert free.state[gears.SPEED, 0] == pytest.approx(4.407943, rel=0.012)
    assert free.motor == pytest.approx(0.327396, abs=5e-3)


def test_a_loaded_servo_turns_as_fast_as_the_line_says():
    """0.10 N·m of load leave 3.102157 rad/s of 4.553, through gears with play and springiness.

    1e-4: what is left of the start after 0.6 s.
    """
    arm = OneLink(
        1e-3, lambda q, v: -0.10, stall=STALL, free_speed=FREE, pulse_slope=1e-4, unseen_play=0.02, seen_play=0.01,
        compliance=0.02,
    )  # fmt: skip
    arm.run(8.0, 0.6)
    assert arm.qvel[0] == pytest.approx(3.102157, rel=1e-4)


def test_heat_follows_the_first_order_body():
    """A link held fast: constant current I, loss I²·2 Ω; ΔT = P·20·(1 - e^(-t/120 s)), as in IEC 60034-1.

    For 2 W this is 15.738774 K at 60 s; the current here gives its own P. 1e-4: Euler steps of 1 ms in 120 s and the
    2 ms in which the current rises.
    """
    held = OneLink(1.0, fixed=True, stall_current=1.0, full_drive=0.05, gear_friction=0.01, compliance=1e-3)
    for _ in range(60_000):
        held.step(0.5)
    amps = held.state[gears.AMPS, 0]
    assert amps == pytest.approx(1.0 + 0.01, rel=1e-3)  # stalled: the stall current, and what it idles with
    assert held.state[gears.WARM, 0] == pytest.approx(amps**2 * 2.0 * 15.738774 / 2.0, rel=1e-4)


def test_the_supply_sags_by_what_is_drawn():
    """V = V0 - R·(I_l + I_r) - r·I_l at the left arm, stall current scaled by V/V_rated: a fixed point by hand.

    Two joints stalled with 2 A at 6 V behind 0.5 Ω, leads of 0.2 Ω, and grippers that turn on freely: at the left
    arm V = 6 - 0.5·I - 0.2·I/2 with the measured I. 1e-9: the same step's numbers.
    """
    held = OneLink(
        1.0,
        fixed=True,
        supply_resistance=0.5,
        lead_resistance=np.array([0.2, 0.2]),
        compliance=1e-3,
        gear_friction=0.01,
    )
    held.run(0.5, 0.5)
    volts, left, right = held.out[-3:]
    assert volts == pytest.approx(6.0 - 0.5 * (left + right) - 0.2 * left, abs=1e-9)
    assert held.state[gears.AMPS, 0] == pytest.approx(2.0 * volts / 6.0 + 0.01, rel=5e-3)


def test_a_held_link_stands_beyond_the_play_and_the_spring():
    """At rest: shaft = motor - seen/2, link = shaft - unseen/2 - c·τ under a load τ that pulls back.

    Source: a gap and a spring in series. 1e-5 rad: what is left of the motion after 2 s.
    """
    load, seen, unseen, give = 0.2, 0.012, 0.020, 0.03
    arm = OneLink(2e-3, lambda q, v: -load, seen_play=seen, unseen_play=unseen, compliance=give, damping=0.02)
    arm.run(0.3, 2.0)
    assert arm.motor - arm.shaft == pytest.approx(seen / 2, abs=1e-5)
    assert arm.shaft - arm.qpos[0] == pytest.approx(unseen / 2 + give * load, abs=1e-5)
    assert 0.3 - arm.shaft == pytest.approx(0.05 * load, abs=1e-4)  # droop: full drive · load / stall


def test_dry_friction_of_the_joint_holds_what_is_below_it():
    """A limp link between its flanks does not move under 0.9 of the joint's friction, and slides under 1.1 of it.

    Held, it gives by no more than the bristle's bend, 3.5e-4 rad.
    """
    for share, holds in ((0.9, True), (1.1, False)):
        rub = 0.02
        arm = OneLink(1e-3, joint_friction=rub, unseen_play=2.0, gear_friction=1.0)
        for n in range(1000):
            load = share * rub * min(1.0, n / 500)  # gently: a load put on at once swings to twice its size
            arm.load = lambda q, v, load=load: load
            arm.step(None)
        assert (abs(arm.qpos[0]) < gears.BRISTLE) == holds


def test_a_step_against_an_ode_solver():
    """Drive, torque-speed line, gear friction, play, spring and a link with weight, by scipy's Radau.

    The same equations in continuous time; 0.006 rad is one step at 6 rad/s.
    """
    full, damping, rub, give, half, J, inertia = 0.05, 0.02, 0.02, 0.03, 0.008, 1e-3, 3e-3
    weight = 0.15
    arm = OneLink(
        inertia, lambda q, v: -weight * np.cos(q), full_drive=full, damping=damping, gear_friction=rub,
        compliance=give, seen_play=half, unseen_play=half, rotor=J,
    )  # fmt: skip
    stiff, loss = 1.0 / give, gears.LOSS / give

    def rates(_t: float, y: np.ndarray) -> list[float]:
        m, w, q, v = y
        over = (m - q) - np.clip(m - q, -half, half)
        passed = stiff * over + (loss if over else gears.GREASE) * (w - v)
        # The potentiometer sits behind its play: on the rotor's side while the gears press one way.
        shaft = m - np.sign(over) * half / 2 if over else m
        drive = np.clip((0.6 - shaft - damping * w) / full, -1.0, 1.0)
        net = drive - w / 6.0 - passed
        return [w, (net - rub * np.tanh(w / 1e-4)) / J, v, (passed - weight * np.cos(q)) / inertia]

    t = np.array([0.05, 0.1, 0.2, 0.6])
    exact = solve_ivp(rates, (0.0, 0.6), [0.0] * 4, method="Radau", t_eval=t, rtol=1e-6, atol=1e-8, max_step=1e-3)
    ours = []
    for n in range(600):
        arm.step(0.6)
        if np.any(np.isclose((n + 1) * 1e-3, t)):
            ours.append(arm.qpos[0])
    assert np.abs(np.array(ours) - exact.y[2]).max() < 0.006


def test_energy_drains_only_through_what_rubs():
    """A limp link on a spring, no friction and no loss but the gears': its swing decays, and never grows.

    Energy = ½·I·v² + ½·k·q² of link and spring; the rotor idles within the play. It may waver by the 1 ms steps,
    1 % (symplectic steps conserve a nearby energy to O(h·ω), ω = 14 rad/s).
    """
    stiff, inertia = 0.2, 1e-3
    arm = OneLink(inertia, lambda q, v: -stiff * q, unseen_play=4.0, stall=1e-6)
    arm.qpos[:2] = 0.3
    start = 0.5 * stiff * 0.3**2
    for _ in range(3000):
        arm.step(None)
        energy = 0.5 * inertia * arm.qvel[0] ** 2 + 0.5 * stiff * arm.qpos[0] ** 2
        assert energy < 1.01 * start
    assert energy > 0.97 * start


def test_a_spring_pulls_its_joint_to_where_it_rests():
    """A limp link with nothing but a spring of 0.2 N·m/rad at rest at 0.3 rad, a rotor that idles within the play: it
    swings about 0.3 as cos(ωt), ω² = k/I, from 0: at half a swing it is at 0.6, and after it rubbed off, at 0.3."""
    arm = OneLink(1e-3, unseen_play=4.0, stall=1e-6, springs=np.tile([0.2, 0.3], (2, 1)))
    half = np.pi / np.sqrt(0.2 / 1e-3)
    arm.run(None, half)
    assert arm.qpos[0] == pytest.approx(0.6, abs=2e-3)
    arm = OneLink(1e-3, lambda q, v: -0.02 * v, unseen_play=4.0, stall=1e-6, springs=np.tile([0.2, 0.3], (2, 1)))
    arm.run(None, 2.0)
    assert arm.qpos[0] == pytest.approx(0.3, abs=1e-3)


def test_pads_press_with_the_servos_torque_over_the_lever():
    """Jaws that stand against something that does not yield, a gripper without friction: force of each pad times the
    lever is the torque that the servo gives, once it stands (virtual work: each pad goes half the way of the gap)."""
    held = OneLink(1e3, fixed=True, pulse_slope=1e-4)
    lever = 0.04
    held.jaws[:] = [0.0, 1.0 / lever, lever, 4000.0, 0.0]
    held.qpos[2:] = 0.015  # half of a thing 30 mm wide, in each jaw
    held.run(0.7, 2.0)
    torque = held.state[gears.GIVEN, 2]
    pads = held.force[2:4]
    assert abs(held.state[gears.SPEED, 2]) < 1e-6
    assert pads[0] == pytest.approx(pads[1])
    assert torque < -0.1
    assert abs(pads[0]) * lever == pytest.approx(abs(torque), rel=1e-3)


def test_the_dead_band_is_ignored():
    """Asked for less than half the dead band away, the motor does not stir; for more, it does."""
    for angle, stirs in ((0.4 * DEGREE, False), (0.7 * DEGREE, True)):
        arm = OneLink(1e-3, dead_band=1.0 * DEGREE)
        arm.run(angle, 0.2)
        assert (abs(arm.motor) > 0.0) == stirs
