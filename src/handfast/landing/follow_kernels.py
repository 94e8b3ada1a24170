# mypy: disable-error-code="no-untyped-def"
"""Servos that follow a moving target, and links in the play behind them, one sample after another."""

from __future__ import annotations

import numpy as np

from handfast.kernels import inner, kernel


@inner
def toward(value, goal, most):
    """`value` moved towards `goal` by at most `most`."""
    return min(max(goal, value - most), value + most)


@kernel(
    "void(f8[:,::1], b1[:,::1], f8[:,::1], f8[:,::1], i8[::1], f8[:,::1], f8[::1], f8, i8, f8, f8, f8[:,::1],"
    " f8[:,::1])"
)
def follow_kernel(target, trim, load, inertia, delay, servo, start, dt, parts, fall, memory, feedback, slack):
    """target, load, inertia (M, K): rad, N·m without friction and the joint's own inertia, kg·m²; trim (M, K): where
    the command takes up what the feedback lacks; delay (K,) samples; start (K,): side of the play. servo (10, K):
    stall, full drive, free speed, damping, dead band, gear friction, joint friction, rotor, seen play, unseen play.
    Each sample is worked out in `parts`. fall s: time to cross a play; memory s: in which a torque is felt.
    Out: feedback, slack (M, K).
    """
    h = dt / parts
    for i in range(target.shape[1]):
        stall, full, free, damping, band = servo[0, i], servo[1, i], servo[2, i], servo[3, i], servo[4, i]
        gear, rub, rotor, seen, unseen = servo[5, i], servo[6, i], servo[7, i], 0.5 * servo[8, i], 0.5 * servo[9, i]
        motor = shaft = target[0, i]
        s, speed, passed, shift, dragged = start[i] * unseen, 0.0, load[0, i], 0.0, 0.0
        for n in range(target.shape[0]):
            if trim[n, i]:
                shift += target[n, i] - shaft
            late = max(n - delay[i], 0)
            step = (target[min(late + 1, n), i] - target[late, i]) / parts
            # The other joints are as late: what they ask for comes later, too.
            weighs, own = load[late, i], rotor + inertia[late, i]
            for part in range(parts):
                error = target[late, i] + part * step + shift - shaft
                drive = 0.0
                if abs(error) > 0.5 * band:
                    drive = min(max((error - damping * speed) / full, -1.0), 1.0)
                net, before = stall * drive - weighs, speed
                if speed != 0.0 or abs(net) > gear + rub:
                    way = np.sign(speed) if speed != 0.0 else np.sign(net)
                    speed = (speed + h * (net - (gear + rub) * way) / own) / (1.0 + h * stall / free / own)
                    if speed * way < 0.0:
                        speed = 0.0
                motor += speed * h
                # What rubs at the joint goes on holding against the way of the last motion when that is over.
                dragged = np.sign(speed) if speed != 0.0 else dragged
                now, was = weighs + inertia[late, i] * (speed - before) / h, shaft
                # The shaft behind the motor, the link behind the shaft: dragged through the play, or pressed across it.
                if abs(passed) > rub:
                    shaft = toward(shaft + speed * h, motor - np.sign(passed) * seen, 2.0 * seen * h / fall)
                shaft = min(max(shaft, motor - seen), motor + seen)
                if abs(now) > rub:
                    s = toward(s, -np.sign(passed) * unseen, 2.0 * unseen * h / fall)
                else:
                    # Nothing presses the link: it stays where it is until the shaft takes it along.
                    s -= shaft - was
                s = min(max(s, -unseen), unseen)
                passed += (now + rub * dragged - passed) * h / memory
            feedback[n, i], slack[n, i] = shaft, s
