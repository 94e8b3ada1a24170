# mypy: disable-error-code="no-untyped-def"
"""One millisecond after another of a single servo, clamped to a rig that pushes and loads its horn."""

from __future__ import annotations

import numpy as np

from handfast.kernels import kernel

DELAYS = 256
"""Length of the delay line, ms."""


@kernel("void(f8[::1], f8[:,::1], f8[:,::1], f8[::1], f8[:,::1])")
def rig_kernel(figures, rows, slips, ring, out):
    """Run the whole sweep. figures: see `RigServo`. rows (N, 3): pulse s (0: none), load N·m, push, per ms.

    slips (N, 2): chance-drawn jumps of the potentiometer against the shaft and of the shaft against the motor,
    rad, that happen at this ms if the gears are strained. out (N, 4): potentiometer rad, shaft rad, current A,
    motor rad.
    """
    stall, free, rotor, full = figures[0], figures[1], figures[2], figures[3]
    band, friction, play, rub = figures[4], figures[5], figures[6], figures[7]
    delay, damping, zero, slope = int(figures[8]), figures[9], figures[10], figures[11]
    bow, phase, span, s_bow = figures[12], figures[13], figures[14], figures[15]
    i_stall, i_free, i_idle = figures[16], figures[17], figures[18]
    indirect, stubborn, frame = figures[19] > 0.5, figures[20] > 0.5, int(figures[21])
    low, high, strain = figures[22], figures[23], figures[24]
    dt = 1e-3
    motor = shaft = figures[25]
    speed = turned = insert = current = seen_pulse = last_pulse = 0.0
    hand = 0.0
    for n in range(rows.shape[0]):
        pulse, load, push = rows[n, 0], rows[n, 1], rows[n, 2]
        if n % frame == 0:
            seen_pulse = pulse
        ring[n % ring.shape[0]] = seen_pulse
        heard = ring[(n - delay) % ring.shape[0]] if n >= delay else 0.0
        if heard > 0.0:
            last_pulse = heard
        limp = heard <= 0.0 and not (stubborn and last_pulse > 0.0)
        where = shaft + insert
        pot = where + bow * np.sin(2.0 * np.pi * where / span + phase) + s_bow * (where / span) ** 2
        drive = 0.0
        if not limp:
            watched = motor if indirect else pot
            error = (last_pulse - zero) / slope - watched
            if abs(error) > 0.5 * band:
                drive = min(1.0, max(-1.0, (error - damping * speed) / full))
        # The shaft lies against the flank that the load presses it to; without load the motor drags it.
        felt = 0.0
        goal = shaft
        if push != 0.0 and limp:
            # A hand turns the horn at 40 degrees a second, 20 degrees far, dragging the motor along.
            if abs(hand) < 0.35:
                hand += push * 0.7 * dt
                shaft += push * 0.7 * dt
                motor = min(max(motor, shaft - turned - 0.5 * play), shaft - turned + 0.5 * play)
            speed = 0.0
            out[n, 0], out[n, 1], out[n, 2], out[n, 3] = pot, shaft, i_idle, motor
            continue
        hand = 0.0
        if push != 0.0:
            load = push * 0.25 * stall
        if abs(load) > rub:
            felt = load
            goal = motor + turned + np.sign(load) * 0.5 * play
            step = max(play, 1e-4) * dt / 0.02 + abs(speed) * dt
            shaft = min(max(goal, shaft - step), shaft + step)
        at_flank = abs(shaft - motor - turned) >= 0.5 * play - 1e-9
        push_on = felt if at_flank else 0.0
        torque = stall * (drive - speed / free) if not limp else 0.0
        net = torque + push_on
        hold = friction
        if speed == 0.0 and abs(net) <= hold:
            speed = 0.0
        else:
            way = np.sign(speed) if speed != 0.0 else np.sign(net)
            new = speed + dt * (stall * drive + push_on - hold * way) / rotor
            # An open winding does not brake; a driven or a shorted one does.
            speed = new if limp else new / (1.0 + dt * stall / (free * rotor))
            if speed * way < 0.0:
                speed = 0.0
        motor += speed * dt
        if motor < low:
            motor, speed = low, 0.0
        if motor > high:
            motor, speed = high, 0.0
        shaft = min(max(shaft, motor + turned - 0.5 * play), motor + turned + 0.5 * play)
        if abs(torque) > strain * stall or abs(load) > strain * stall:
            insert += slips[n, 0]
            turned += slips[n, 1]
        amps = i_idle
        if drive != 0.0:
            amps = max(i_stall * abs(drive - speed / free), i_free if speed != 0.0 else i_idle)
        current += (amps - current) * dt / 0.003
        out[n, 0], out[n, 1], out[n, 2], out[n, 3] = pot, shaft, current, motor
