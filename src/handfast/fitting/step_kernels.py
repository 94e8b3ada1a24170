# mypy: disable-error-code="no-untyped-def"
"""The answer of a servo to a step of its pulse, from the few figures that shape it."""

from __future__ import annotations

from handfast.kernels import kernel


@kernel("void(f8, f8, f8, f8, f8, f8, f8, f8[::1])")
def step_kernel(amplitude, speed, spin_up, full, braking, load, dt, out):
    """Way (N,) gone at times 0, dt, 2·dt ... after a step of `amplitude` rad, in steps of dt s.

    The motor gets full voltage while the error, less `braking` s times the speed, exceeds `full` rad, and a share of
    it below; its speed follows the voltage with the time constant `spin_up` s towards `speed` rad/s.
    `load`: share of the stall torque that pulls against the motion all the while; it starts and ends in the droop
    under that load. Midpoint rule.
    """
    x = v = 0.0
    target = amplitude + load * full
    for n in range(out.shape[0]):
        out[n] = x
        drive = min(1.0, max(-1.0, (target - x - braking * v) / full))
        a = (speed * (drive - load) - v) / spin_up
        xm, vm = x + 0.5 * dt * v, v + 0.5 * dt * a
        drive = min(1.0, max(-1.0, (target - xm - braking * vm) / full))
        x += dt * vm
        v += dt * (speed * (drive - load) - vm) / spin_up
