# mypy: disable-error-code="no-untyped-def"
"""One millisecond after another of a pair of servo arms: drive, gears, play on both sides of the feedback.

Each servo: a delay, proportional drive with a dead band on its own potentiometer, the torque-speed line, gear
friction that can hold still, then play that the potentiometer sees (motor to shaft), play and springiness that
it does not see (shaft to link), and the load of the arm beyond (Newton-Euler, each link's own inertia taken
implicitly). A gripper's servo carries no load here.
"""

from __future__ import annotations

import numpy as np

from handfast.kernels import inner, kernel
from handfast.mechanics.chain_kernels import place, torques, world_axes

RING = 128
"""Length of the delay line, ms."""

FALL = 0.02
"""Time in which a loaded shaft crosses its play, s (common practice, no source)."""


@inner
def reading(angle, offset, bow, phase, span):
    """What the potentiometer reads, rad, at a shaft angle."""
    return angle - offset + bow * np.sin(2.0 * np.pi * angle / span + phase)


@inner
def toward(value, goal, most):
    """`value` moved towards `goal` by at most `most`."""
    return min(max(goal, value - most), value + most)


@inner
def asked_pulse(ring, i, pulse, delay, clock):
    """Put servo i's newest pulse into the delay line; returns the one that its dead time (s) lets through."""
    ring[i, clock % ring.shape[1]] = pulse
    back = int(delay * 1000.0 + 0.5)
    return ring[i, (clock - back) % ring.shape[1]]


@inner
def drive_for(pulse, zero, slope, shown, speed, damping, band, full):
    """Share of the full voltage, -1 to 1, that the electronics give: proportional, outside their dead band."""
    goal = (pulse - zero) / slope
    error = goal - shown
    if abs(error) <= 0.5 * band:
        return 0.0
    return min(max((error - damping * speed) / full, -1.0), 1.0)


@inner
def motor_amps(stall, free, idle, given, speed, free_speed):
    """Current of a driven motor, A: stall current times what its counter-voltage leaves, and what it idles with."""
    return stall * abs(given - speed / free_speed) + (free if speed != 0.0 else idle)


@inner
def wiper(zero, slope, shown, follows, share, noise):
    """Wiper voltage: the line, scaled as far as the potentiometer follows the supply, and noise."""
    return (zero + slope * shown) * (1.0 + follows * (share - 1.0)) + noise


@kernel(
    "void(i8[::1], f8[:,:,::1], f8[:,::1], f8[:,::1], f8[::1], f8[:,::1], f8[:,:,::1], f8[::1], f8[:,::1], "
    "f8[:,::1], f8[:,::1], f8[:,::1], f8[:,:,::1], f8[:,::1], f8[:,::1], f8[:,::1], i8[::1], f8[:,::1], "
    "f8[:,::1], f8[:,::1], f8[:,::1])"
)
def advance_kernel(
    first, bases, offsets, axes, masses, coms, inertias, gravity, tools,
    springs, servo, state, forces, loads, pushes, ring, clock, pulses, led, noise, out,
):  # fmt: skip
    """Advance by N ms. pulses (N, S) s, 0 for none; led (N, K) rad: link angles a hand imposes, NaN where none.

    servo (28, S): figures of `Truth`, see `pack_servo`; row 20 holds supply and lead resistances and voltage.
    state (10, S): motor angle, motor speed, shaft, link without windup, link, torque passed on, side of the
    friction, link speed, own inertia, current. forces (4, K, 3): scratch. loads (2, 4): mass, offset from the
    TCP in link axes. pushes (2, 3): force on each TCP, N, world axes. ring (S, RING): delayed pulses. clock (1,):
    ms so far. noise (N, S) V.
    out (N, S + 3): wiper V, supply V at the first arm, current of each arm A.
    """
    dt = 1e-3
    K = offsets.shape[0]
    S = state.shape[1]
    R, p, z = np.empty((K, 3, 3)), np.empty((K, 3)), np.empty((K, 3))
    F, M = forces[0], forces[1]
    q, qd, tau, unit_a, tau_a = np.empty(K), np.empty(K), np.empty(K), np.zeros(K), np.empty(K)
    zero, points, tip = np.zeros(K), np.empty((2, 3)), np.empty(3)
    no_gravity, no_loads = np.zeros(3), np.empty(2)
    volts, lead0, lead1, inner_r = servo[20, 0], servo[20, 1], servo[20, 2], servo[20, 3]
    for n in range(pulses.shape[0]):
        for i in range(K):
            q[i], qd[i] = state[4, i], state[7, i]
        place(first, bases, offsets, axes, q, R, p)
        world_axes(first, R, axes, z)
        for arm in range(2):
            last = first[arm + 1] - 1
            for r in range(3):
                points[arm, r] = p[last, r]
                for c in range(3):
                    points[arm, r] += R[last, r, c] * (tools[arm, c] + loads[arm, 1 + c])
            no_loads[arm] = loads[arm, 0]
        torques(first, R, p, z, masses, coms, inertias, no_loads, points, gravity, qd, zero, tau, F, M)
        for arm in range(2):
            fx, fy, fz = pushes[arm, 0], pushes[arm, 1], pushes[arm, 2]
            if fx == 0.0 and fy == 0.0 and fz == 0.0:
                continue
            last = first[arm + 1] - 1
            for r in range(3):
                tip[r] = p[last, r]
                for c in range(3):
                    tip[r] += R[last, r, c] * tools[arm, c]
            for i in range(first[arm], first[arm + 1]):
                x, y, zz = tip[0] - p[i, 0], tip[1] - p[i, 1], tip[2] - p[i, 2]
                # The servo needs so much less where the push turns the joint its way: z·(r × f).
                tau[i] -= z[i, 0] * (y * fz - zz * fy) + z[i, 1] * (zz * fx - x * fz) + z[i, 2] * (x * fy - y * fx)
        if clock[0] % 20 == 0:
            for i in range(K):
                unit_a[i] = 1.0
                torques(first, R, p, z, masses, coms, inertias, no_loads, points, no_gravity, zero, unit_a, tau_a, F, M)
                state[8, i] = tau_a[i]
                unit_a[i] = 0.0
        amps0 = amps1 = 0.0
        for i in range(S):
            if i < first[1] or i == K:
                amps0 += state[9, i]
            else:
                amps1 += state[9, i]
        sag = inner_r * (amps0 + amps1)
        for i in range(S):
            (
                unseen, seen, band, full, give, gear, rub, stall, free, rated, rotor, delay, i_stall, i_free,
                i_idle, offset, bow, phase, span, follows,
            ) = (
                servo[0, i], servo[1, i], servo[2, i], servo[3, i], servo[4, i], servo[5, i], servo[6, i],
                servo[7, i], servo[8, i], servo[9, i], servo[10, i], servo[11, i], servo[12, i], servo[13, i],
                servo[14, i], servo[15, i], servo[16, i], servo[17, i], servo[18, i], servo[19, i],
            )  # fmt: skip
            on_left = i < first[1] or i == K
            volt = volts - sag - (lead0 * amps0 if on_left else lead1 * amps1)
            k = max(volt, 0.0) / rated
            asked = asked_pulse(ring, i, pulses[n, i], delay, clock[0])
            motor, speed, shaft, rigid, link = state[0, i], state[1, i], state[2, i], state[3, i], state[4, i]
            limp = asked <= 0.0
            jointed = i < K
            load = 0.0
            own = rotor
            if jointed:
                load = tau[i] + springs[i, 0] * (link - springs[i, 1])
                own += state[8, i]
            drive = 0.0
            if not limp:
                shown = reading(shaft, offset, bow, phase, span)
                drive = drive_for(asked, servo[21, i], servo[22, i], shown, speed, servo[25, i], band, full)
            push = 0.0 if limp else stall * k * drive
            drag = 0.0 if limp else stall / free
            friction = gear + (rub if jointed else 0.0)
            hand = jointed and not np.isnan(led[n, i])
            if hand:
                # The hand drives the link; shaft and motor are dragged behind through play and windup.
                new = led[n, i]
                reach = 0.5 * unseen + give * gear
                shaft = min(max(shaft, new - reach), new + reach)
                motor = min(max(motor, shaft - 0.5 * seen), shaft + 0.5 * seen)
                rigid = min(max(new, shaft - 0.5 * unseen), shaft + 0.5 * unseen)
                velocity = (new - link) / dt
                if abs(velocity) > 1e-4:
                    state[6, i] = -1.0 if velocity > 0.0 else 1.0
                state[7, i] = 0.0
                state[1, i] = 0.0
                state[5, i] = 0.0
                state[0, i], state[2, i], state[3, i], state[4, i] = motor, shaft, rigid, new
                state[9, i] = i_idle
                shown = reading(shaft, offset, bow, phase, span)
                out[n, i] = wiper(servo[23, i], servo[24, i], shown, follows, volt / volts, noise[n, i])
                continue
            net = push - load
            old_speed = speed
            if speed == 0.0 and abs(net) <= friction:
                speed = 0.0
            else:
                way = np.sign(speed) if speed != 0.0 else np.sign(net)
                speed = (speed + dt * (net - friction * way) / own) / (1.0 + dt * drag / own)
                if speed * way < 0.0:
                    speed = 0.0
            motor += speed * dt
            if motor < servo[26, i]:
                motor, speed = servo[26, i], max(speed, 0.0)
            elif motor > servo[27, i]:
                motor, speed = servo[27, i], min(speed, 0.0)
            # Shaft behind the motor, link behind the shaft: dragged through the play, or pressed by the load.
            # What presses them goes on with the speed that it has and falls across from there.
            passed = state[5, i]
            pressed = jointed and abs(load + state[8, i] * (speed - old_speed) / dt) > rub
            was = shaft
            if jointed and abs(passed) > rub:
                shaft = toward(shaft + speed * dt, motor - np.sign(passed) * 0.5 * seen, seen * dt / FALL)
            shaft = min(max(shaft, motor - 0.5 * seen), motor + 0.5 * seen)
            new_rigid = rigid
            if pressed:
                goal = shaft - np.sign(passed) * 0.5 * unseen
                new_rigid = toward(rigid + shaft - was, goal, unseen * dt / FALL)
            new_rigid = min(max(new_rigid, shaft - 0.5 * unseen), shaft + 0.5 * unseen)
            if jointed:
                moved = new_rigid - rigid
                if abs(moved) > 2e-7 and speed != 0.0:
                    state[6, i] = 1.0 if moved > 0.0 else -1.0
                now = load + rub * state[6, i] + state[8, i] * (speed - old_speed) / dt
                passed += (now - passed) * dt / 0.015
                state[5, i] = passed
                link = new_rigid - give * passed
                state[7, i] += ((link - state[4, i]) / dt - state[7, i]) * dt / 0.008
            else:
                link = new_rigid
            state[0, i], state[1, i], state[2, i], state[3, i], state[4, i] = motor, speed, shaft, new_rigid, link
            if limp:
                state[9, i] = i_idle
            else:
                amps = motor_amps(i_stall, i_free, i_idle, k * drive, speed, free)
                state[9, i] += (amps - state[9, i]) * dt / 0.002
            shown = reading(shaft, offset, bow, phase, span)
            out[n, i] = wiper(servo[23, i], servo[24, i], shown, follows, volt / volts, noise[n, i])
        out[n, S] = volts - sag - lead0 * amps0
        out[n, S + 1] = amps0
        out[n, S + 2] = amps1
        clock[0] += 1
