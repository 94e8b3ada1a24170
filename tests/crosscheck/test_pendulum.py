"""A swing through 90 degrees against the complete elliptic integral."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp
from scipy.special import ellipk

from handfast.mechanics.dynamics import gravity_torques, inverse_dynamics
from support.arms import Y, planar


def test_period_of_a_large_swing():
    """A point mass on 0.25 m let go at 90 degrees from hanging: 1.184123173 s, 1.1803 times the small swing.

    Source: T = 4 √(L/g) K(sin 45°), scipy's ellipk; the motion is integrated from our own torques. 1e-6 is what
    the integrator is asked for.
    """
    length, gravity = 0.25, 9.80665
    arm = planar([length], [0.3], axis=Y, gravity=(0.0, 0.0, -gravity))
    one = np.ones((1, 1))
    inertia = inverse_dynamics(arm, 0 * one, 0 * one, one)[0, 0] - gravity_torques(arm, 0 * one)[0, 0]

    def motion(_t, state):
        return [state[1], -gravity_torques(arm, state[:1])[0, 0] / inertia]

    def at_the_bottom(_t, state):
        return state[0] - np.pi / 2  # it starts level along x, and turns down about y

    at_the_bottom.terminal = True
    swing = solve_ivp(motion, (0.0, 1.0), [0.0, 0.0], events=at_the_bottom, rtol=1e-9, atol=1e-10)
    period = 4.0 * swing.t_events[0][0]
    assert period == pytest.approx(4.0 * np.sqrt(length / gravity) * ellipk(0.5), rel=1e-6)
    assert period == pytest.approx(1.184123173, abs=1e-6)
    assert period / (2 * np.pi * np.sqrt(length / gravity)) == pytest.approx(1.180340599, rel=1e-6)
