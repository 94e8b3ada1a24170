# mypy: disable-error-code="no-untyped-def"
"""Servos that follow a moving target, and links in the play behind them, one sample after another."""

from __future__ import annotations

import numpy as np

from handfast.kernels import kernel


@kernel(
    "void(f8[:,::1], f8[:,::1], i8[::1], f8[::1], f8[::1], f8[::1], f8[::1], f8[::1], f8[::1], f8[::1], f8[::1],"
    " f8, f8, f8[:,::1], f8[:,::1])"
)
def follow_kernel(
    target, load, delay, gain, band, gear, lag, free, play, joint_friction, start, dt, fall, feedback, slack
):
    """target, load (N, K): rad, N·m without friction; the rest (K,), see `follow`. Out: feedback, slack (N, K)."""
    for i in range(target.shape[1]):
        f, s = target[0, i], start[i] * 0.5 * play[i]
        catch = (1.0 - np.exp(-dt / max(lag[i], 1e-6))) / dt
        for n in range(target.shape[0]):
            back = max(n - delay[i], 0)
            e = target[back, i] - f
            # Errors at which the drive just moves the joint on, and back; inside the dead band there is no drive.
            ahead = max((gear[i] + load[back, i]) / gain[i], 0.5 * band[i])
            behind = max((gear[i] - load[back, i]) / gain[i], 0.5 * band[i])
            speed = 0.0
            if e > ahead:
                speed = min((e - ahead) * catch, free[i])
            elif e < -behind:
                speed = max((e + behind) * catch, -free[i])
            step = speed * dt
            f += step
            half = 0.5 * play[i]
            if abs(load[back, i]) > joint_friction[i]:
                goal, most = -np.sign(load[back, i]) * half, play[i] * dt / fall
                s = min(max(goal, s - most), s + most)
            else:
                # Nothing presses the link: it stays where it is until the shaft takes it along.
                s = min(max(s - step, -half), half)
            feedback[n, i], slack[n, i] = f, s
