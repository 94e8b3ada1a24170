# mypy: disable-error-code="no-untyped-def"
"""One millisecond of every servo and gear train of the twin: what drives the joints of the physics model.

Each servo: dead time, proportional drive with a dead band on its own potentiometer, torque-speed line, current and
heat (the same equations as the simple stand-in's), a rotor with dry friction, then the play that the potentiometer
sees, the shaft, the play that it does not see, and the springiness of the printed parts, all in series. The shaft
has no mass: it lies against whichever side presses it, or stays where it is while it floats between both.

    e = rotor - link,  half = (seen + unseen)/2
    torque passed on = (e - clip(e, -half, half)) / compliance + loss · (relative speed)

Springs are taken implicitly: the link's share of the damping goes into the joint's damping of the physics model,
which it integrates implicitly; the rotor's share is solved here.
"""

from __future__ import annotations

import numpy as np

from handfast.kernels import inner, kernel
from handfast.standins.servo_kernels import asked_pulse, drive_for, motor_amps, reading, wiper

LOSS = 0.004
"""Loss of a printed joint: damping over stiffness, s (common practice, no source)."""

GREASE = 0.002
"""Torque that grease passes across the open play at 1 rad/s, as a share of the stall torque (no source)."""

BRISTLE = 3.5e-4
"""Angle over which dry friction of a joint builds up, rad: Dahl's model of friction (1968), from memory."""

LEAST_GIVE = 2e-4
"""No joint is stiffer than this compliance, rad per N·m, for the sake of the time step."""

CREEPS = 1e-4
"""A rotor slower than this stands still as far as its idling current goes, rad/s."""

AMPS_TIME = 0.002
"""Time constant of the current, s."""

# Rows of `state`.
MOTOR, SPEED, SHAFT, PASSED, BRUSH, AMPS, WARM, GIVEN = range(8)
ROWS = 8


@inner
def _rotor(motor, speed, push, drag, gear, inertia, stiff, over, damp, link_speed, dt):
    """Rotor speed after a step: drive against dry friction, with the transmission taken implicitly."""
    hold = stiff * dt + damp
    passed = stiff * over + hold * (speed - link_speed)
    net = push - drag * speed - passed
    if speed == 0.0 and abs(push - (stiff * over - hold * link_speed)) <= gear:
        return 0.0
    way = np.sign(speed) if speed != 0.0 else np.sign(net)
    force = push - stiff * over + hold * link_speed - gear * way
    new = (inertia * speed + dt * force) / (inertia + dt * drag + dt * hold)
    if new * way < 0.0:
        new = 0.0
    return new


@kernel(
    "void(f8[:,::1], f8[:,::1], f8[:,::1], i8[::1], f8[::1], f8[::1], f8[:,::1], f8[:,::1], f8[:,::1],"
    " f8[::1], f8[::1], f8[::1], f8[::1], i8[:,::1], f8[::1], i8)"
)
def gears_kernel(
    servo, state, ring, clock, pulses, noise, springs, jaws, thermal,
    qpos, qvel, force, damping, where, out, first,
):  # fmt: skip
    """Advance all servos by 1 ms and set the forces of the joints for the coming step.

    servo (26, S): see `pack_servo`. state (ROWS, S): motor angle, motor speed, shaft, torque passed on, friction's
    bristle, current, warming K, drive. ring (S, RING), clock (1,) as in the stand-in. pulses (S,) s, 0 for none;
    noise (S,) V. springs (K, 2). jaws (2, 5): servo angle with the pads together, rad per m of gap, lever m,
    stiffness of each jaw N/m, narrowest gap. thermal (3, S): winding resistance, K/W, time constant s.
    qpos, qvel, force, damping: of the physics model, force and damping written. where (2, K + 4): row 0 positions
    in qpos, row 1 in qvel: joints, then left arm's two jaws, right arm's two. out (S + 3,): wiper V, supply V at
    the first arm, current of each arm A. first: joints of the left arm.
    """
    dt = 1e-3
    K = springs.shape[0]
    S = state.shape[1]
    volts, lead0, lead1, inner_r = servo[20, 0], servo[20, 1], servo[20, 2], servo[20, 3]
    amps0 = amps1 = 0.0
    for i in range(S):
        if i < first or i == K:
            amps0 += state[AMPS, i]
        else:
            amps1 += state[AMPS, i]
    sag = inner_r * (amps0 + amps1)
    for i in range(S):
        unseen, seen, band, full, give, gear, rub = (
            servo[0, i], servo[1, i], servo[2, i], servo[3, i], servo[4, i], servo[5, i], servo[6, i],
        )  # fmt: skip
        stall, free, rated, rotor, delay = servo[7, i], servo[8, i], servo[9, i], servo[10, i], servo[11, i]
        offset, bow, phase, span, follows = servo[15, i], servo[16, i], servo[17, i], servo[18, i], servo[19, i]
        volt = max(volts - sag - (lead0 * amps0 if i < first or i == K else lead1 * amps1), 0.0)
        k = volt / rated
        asked = asked_pulse(ring, i, pulses[i], delay, clock[0])
        motor, speed, shaft = state[MOTOR, i], state[SPEED, i], state[SHAFT, i]
        limp = asked <= 0.0
        drive = 0.0
        if not limp:
            shown = reading(shaft, offset, bow, phase, span)
            drive = drive_for(asked, servo[21, i], servo[22, i], shown, speed, servo[25, i], band, full)
        push = 0.0 if limp else stall * k * drive
        drag = 0.0 if limp else stall / free
        half = 0.5 * (seen + unseen)
        if i < K:
            at, v = where[0, i], where[1, i]
            link, link_speed = qpos[at], qvel[v]
            e = motor - link
            over = e - min(max(e, -half), half)
            stiff = 1.0 / max(give, LEAST_GIVE)
            damp = LOSS * stiff
            if over == 0.0:
                stiff = 0.0
                damp = GREASE * stall
            speed = _rotor(motor, speed, push, drag, gear, rotor, stiff, over, damp, link_speed, dt)
            motor += dt * speed
            hold = stiff * dt + damp
            state[PASSED, i] = stiff * over + hold * (speed - link_speed)
            # Dry friction of the joint itself, as a bristle that bends and then slides.
            brush = state[BRUSH, i] + dt * link_speed
            brush = min(max(brush, -BRISTLE), BRISTLE)
            state[BRUSH, i] = brush
            sticks = rub / BRISTLE * dt if abs(brush) < BRISTLE else 0.0
            force[v] = stiff * over + hold * speed - rub * brush / BRISTLE - springs[i, 0] * (link - springs[i, 1])
            damping[v] = hold + sticks
            # The shaft lies against the rotor's side and the link's, or stays put between them.
            if over > 0.0:
                shaft = motor - 0.5 * seen
            elif over < 0.0:
                shaft = motor + 0.5 * seen
            else:
                low = max(motor - 0.5 * seen, link - 0.5 * unseen)
                high = min(motor + 0.5 * seen, link + 0.5 * unseen)
                shaft = min(max(shaft, low), high) if low <= high else 0.5 * (low + high)
        else:
            arm = i - K
            shut, per_gap, lever, jaw_stiff, narrow = (
                jaws[arm, 0], jaws[arm, 1], jaws[arm, 2], jaws[arm, 3], jaws[arm, 4],
            )  # fmt: skip
            # Both jaws hang on one linkage: each is pressed towards half the gap that the servo asks for.
            slack = half / abs(per_gap) * 0.5
            wanted = 0.5 * (narrow + (motor - shut) / per_gap)
            torque = 0.0
            way = 1.0 if per_gap > 0.0 else -1.0
            hold = jaw_stiff * (dt + LOSS)
            for jaw in range(2):
                at, v = where[0, K + 2 * arm + jaw], where[1, K + 2 * arm + jaw]
                e = wanted - qpos[at]
                over = e - min(max(e, -slack), slack)
                press = jaw_stiff * over + hold * (0.5 * speed / per_gap - qvel[v])
                force[v] = jaw_stiff * over + hold * 0.5 * speed / per_gap
                damping[v] = hold
                torque += 0.5 * way * lever * press
            speed = _rotor(motor, speed, push - torque, drag, gear, rotor, 0.0, 0.0, 0.0, 0.0, dt)
            motor += dt * speed
            state[PASSED, i] = torque
            shaft = min(max(shaft, motor - 0.5 * seen), motor + 0.5 * seen)
        state[MOTOR, i], state[SPEED, i], state[SHAFT, i] = motor, speed, shaft
        state[GIVEN, i] = push - drag * speed
        if limp:
            state[AMPS, i] = servo[14, i]
        else:
            turning = speed if abs(speed) > CREEPS else 0.0
            amps = motor_amps(servo[12, i], servo[13, i], servo[14, i], k * drive, turning, free)
            state[AMPS, i] += (amps - state[AMPS, i]) * dt / AMPS_TIME
        loss = state[AMPS, i] * state[AMPS, i] * thermal[0, i]
        state[WARM, i] += (loss * thermal[1, i] - state[WARM, i]) * dt / thermal[2, i]
        shown = reading(shaft, offset, bow, phase, span)
        out[i] = wiper(servo[23, i], servo[24, i], shown, follows, volt / volts, noise[i])
    out[S] = volts - sag - lead0 * amps0
    out[S + 1] = amps0
    out[S + 2] = amps1
    clock[0] += 1


@kernel("void(f8[:,:], f8[::1], f8[::1], f8[::1], f8[::1], f8[::1], f8[::1])")
def hand_kernel(goal, at, turned, centre, velocity, hand, wrench):
    """What a hand does to the gripper that it leads: springs and dampers to where it wants it.

    goal (4, 4): wanted pose of the TCP. at (3,), turned (9,): where it is. centre (3,): of the body's mass.
    velocity (6,): of the TCP, angular first, world axes. hand (5,): N/m, N·s/m, N·m/rad, N·m·s/rad, largest force N.
    wrench (6,): force at the body's centre of mass and torque about it, world axes, written.
    """
    size = 0.0
    for r in range(3):
        wrench[r] = hand[0] * (goal[r, 3] - at[r]) - hand[1] * velocity[3 + r]
        size += wrench[r] * wrench[r]
    size = np.sqrt(size)
    if size > hand[4]:
        for r in range(3):
            wrench[r] *= hand[4] / size
    # Half the sum of the cross products of axes, as they are and as they should be: sin of the turn, along its axis.
    for r in range(3):
        a, b = (r + 1) % 3, (r + 2) % 3
        turn = 0.0
        for c in range(3):
            turn += 0.5 * (turned[3 * a + c] * goal[b, c] - turned[3 * b + c] * goal[a, c])
        wrench[3 + r] = hand[2] * turn - hand[3] * velocity[r]
    x, y, z = at[0] - centre[0], at[1] - centre[1], at[2] - centre[2]
    wrench[3] += y * wrench[2] - z * wrench[1]
    wrench[4] += z * wrench[0] - x * wrench[2]
    wrench[5] += x * wrench[1] - y * wrench[0]
