"""Arms of another make than the stand-in's, to see whether predictions hold where nothing was tuned to.

The same hidden figures (play, friction, dead band, droop, lengths ...) are drawn for them, but their servos work in
another way: the drive saturates softly; motors have no momentum but reach the speed that their torque lets them within
18 ms; friction is a sixth larger at rest than in motion; loaded shafts and links cross their play in 45 ms; links feel
the load that rests on them, not what speeds them up; and potentiometers are bent by cubes and half waves, not by one
sine. It takes its arms from `handfast.mechanics`, its servos from nowhere.
"""

from __future__ import annotations

import numpy as np

from handfast.kernels import inner, kernel
from handfast.mechanics.chain_kernels import place, torques, world_axes
from handfast.standins import servo_model

ACROSS, REACH, FEELS, STICKS = 0.045, 0.018, 0.030, 1.15
"""Times, s: across a play, to a motor's speed, in which a link feels its load; and friction at rest over that in
motion."""


@inner
def shown_at(angle, offset, bow, phase, span):
    """What the potentiometer shows, rad."""
    u = 2.0 * angle / span
    way = 1.0 if np.sin(phase) > 0.0 else -1.0
    return angle - offset + bow * (1.3 * way * (u * u * u - u) + 0.6 * np.cos(np.pi * u))


@inner
def towards(value, goal, most):
    """`value` moved towards `goal` by at most `most`."""
    return min(max(goal, value - most), value + most)


@kernel(
    "void(i8[::1], f8[:,:,::1], f8[:,::1], f8[:,::1], f8[::1], f8[:,::1], f8[:,:,::1], f8[::1], f8[:,::1], "
    "f8[:,::1], f8[:,::1], f8[:,::1], f8[:,:,::1], f8[:,::1], f8[:,::1], f8[:,::1], i8[::1], f8[:,::1], "
    "f8[:,::1], f8[:,::1], f8[:,::1])"
)
def advance_other(
    first, bases, offsets, axes, masses, coms, inertias, gravity, tools,
    springs, servo, state, forces, loads, pushes, ring, clock, pulses, led, noise, out,
):  # fmt: skip
    """As `handfast.standins.servo_kernels.advance_kernel`, by other physics. state (10, S): motor, speed, shaft, link
    without windup, link, torque felt, way of its friction, -, -, current."""
    dt = 1e-3
    K, S = offsets.shape[0], state.shape[1]
    R, p, z = np.empty((K, 3, 3)), np.empty((K, 3)), np.empty((K, 3))
    F, M = forces[0], forces[1]
    q, still, tau = np.empty(K), np.zeros(K), np.empty(K)
    points, tip, held = np.empty((2, 3)), np.empty(3), np.empty(2)
    volts, leads, inside = servo[20, 0], servo[20, 1:3], servo[20, 3]
    for n in range(pulses.shape[0]):
        for i in range(K):
            q[i] = state[4, i]
        place(first, bases, offsets, axes, q, R, p)
        world_axes(first, R, axes, z)
        for arm in range(2):
            last = first[arm + 1] - 1
            held[arm] = loads[arm, 0]
            for r in range(3):
                points[arm, r] = p[last, r]
                for c in range(3):
                    points[arm, r] += R[last, r, c] * (tools[arm, c] + loads[arm, 1 + c])
        torques(first, R, p, z, masses, coms, inertias, held, points, gravity, still, still, tau, F, M)
        for arm in range(2):
            last = first[arm + 1] - 1
            for r in range(3):
                tip[r] = p[last, r]
                for c in range(3):
                    tip[r] += R[last, r, c] * tools[arm, c]
            for i in range(first[arm], first[arm + 1]):
                x, y, w = tip[0] - p[i, 0], tip[1] - p[i, 1], tip[2] - p[i, 2]
                fx, fy, fz = pushes[arm, 0], pushes[arm, 1], pushes[arm, 2]
                tau[i] -= z[i, 0] * (y * fz - w * fy) + z[i, 1] * (w * fx - x * fz) + z[i, 2] * (x * fy - y * fx)
        amps = np.zeros(2)
        for i in range(S):
            amps[0 if i < first[1] or i == K else 1] += state[9, i]
        for i in range(S):
            unseen, seen, band, full, give = servo[0, i], servo[1, i], servo[2, i], servo[3, i], servo[4, i]
            gear, rub, stall, free = servo[5, i], servo[6, i], servo[7, i], servo[8, i]
            rated, delay, i_stall, i_free, i_idle = servo[9, i], servo[11, i], servo[12, i], servo[13, i], servo[14, i]
            offset, bow, phase, span, follows = servo[15, i], servo[16, i], servo[17, i], servo[18, i], servo[19, i]
            arm = 0 if i < first[1] or i == K else 1
            volt = volts - inside * (amps[0] + amps[1]) - leads[arm] * amps[arm]
            share = max(volt, 0.0) / rated
            ring[i, clock[0] % ring.shape[1]] = pulses[n, i]
            pulse = ring[i, (clock[0] - int(delay * 1000.0 + 0.5)) % ring.shape[1]]
            motor, speed, shaft, rigid = state[0, i], state[1, i], state[2, i], state[3, i]
            jointed = i < K
            if jointed and not np.isnan(led[n, i]):
                # A hand leads the link; shaft and motor are dragged behind it.
                new, reach = led[n, i], 0.5 * unseen + give * gear
                shaft = min(max(shaft, new - reach), new + reach)
                motor = min(max(motor, shaft - 0.5 * seen), shaft + 0.5 * seen)
                if abs(new - state[4, i]) > 1e-7:
                    state[6, i] = -1.0 if new > state[4, i] else 1.0
                rigid = min(max(new, shaft - 0.5 * unseen), shaft + 0.5 * unseen)
                state[0, i], state[1, i], state[2, i], state[3, i], state[4, i] = motor, 0.0, shaft, rigid, new
                state[5, i], state[9, i] = 0.0, i_idle
                shown = shown_at(shaft, offset, bow, phase, span)
                out[n, i] = (servo[23, i] + servo[24, i] * shown) * (1.0 + follows * (volt / volts - 1.0)) + noise[n, i]
                continue
            load = tau[i] + springs[i, 0] * (state[4, i] - springs[i, 1]) if jointed else 0.0
            drive = 0.0
            if pulse > 0.0:
                error = (pulse - servo[21, i]) / servo[22, i] - shown_at(shaft, offset, bow, phase, span)
                if abs(error) > 0.5 * band:
                    drive = np.tanh(error / full)
            net = stall * share * drive - load
            friction = gear + (rub if jointed else 0.0)
            if speed == 0.0 and abs(net) <= STICKS * friction:
                speed = 0.0
            else:
                way = np.sign(speed) if speed != 0.0 else np.sign(net)
                speed += ((net - friction * way) * free / stall - speed) * dt / REACH
                if speed * way < 0.0:
                    speed = 0.0
            motor = min(max(motor + speed * dt, servo[26, i]), servo[27, i])
            pressed, was = jointed and abs(load) > rub, shaft
            if pressed:
                shaft = towards(shaft + speed * dt, motor - np.sign(load) * 0.5 * seen, seen * dt / ACROSS)
            shaft = min(max(shaft, motor - 0.5 * seen), motor + 0.5 * seen)
            before = rigid
            if pressed:
                rigid = towards(rigid + shaft - was, shaft - np.sign(load) * 0.5 * unseen, unseen * dt / ACROSS)
            rigid = min(max(rigid, shaft - 0.5 * unseen), shaft + 0.5 * unseen)
            link = rigid
            if jointed:
                if abs(rigid - before) > 2e-7:
                    state[6, i] = 1.0 if rigid > before else -1.0
                state[5, i] += (load + 0.6 * rub * state[6, i] - state[5, i]) * dt / FEELS
                link = rigid - give * state[5, i]
            state[0, i], state[1, i], state[2, i], state[3, i], state[4, i] = motor, speed, shaft, rigid, link
            drawn = i_stall * abs(share * drive - speed / free) + (i_free if speed != 0.0 else i_idle)
            state[9, i] += ((drawn if pulse > 0.0 else i_idle) - state[9, i]) * dt / 0.002
            shown = shown_at(shaft, offset, bow, phase, span)
            out[n, i] = (servo[23, i] + servo[24, i] * shown) * (1.0 + follows * (volt / volts - 1.0)) + noise[n, i]
        out[n, S] = volts - inside * (amps[0] + amps[1]) - leads[0] * amps[0]
        out[n, S + 1] = amps[0]
        out[n, S + 2] = amps[1]
        clock[0] += 1


def take_the_place_of_the_stand_in() -> None:
    """From now on in this process the simple stand-in's arms are of the other make."""
    servo_model.advance_kernel = advance_other
