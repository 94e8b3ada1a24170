"""Warming of a servo against the first-order body of one time constant (as in IEC 60034-1) and an ODE solver."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from handfast.answers.questions import steady_heat


def test_warming_up_from_cold():
    """2 W, 20 K/W, 120 s: 15.738774 K after 60 s, 30 K after 166.3553 s. A pause of ages begins from cold."""
    level, _ = steady_heat(np.full(20000, 2.0), 20.0, 120.0, pause=1e5)
    assert level[5999] == pytest.approx(15.738774, abs=1e-5)
    assert 0.01 * (np.argmax(level >= 30.0) + 1) == pytest.approx(166.3553, abs=0.011)


def test_duty_that_goes_on_for_ever():
    """4 W for 10 s, off for 20 s, 15 K/W, 100 s: peak 22.02992 K, valley 18.03658 K, mean 20 K."""
    level, peak = steady_heat(np.full(1000, 4.0), 15.0, 100.0, pause=20.0)
    assert peak == pytest.approx(22.02992, abs=1e-5)
    valley = peak * np.exp(-20.0 / 100.0)
    assert valley == pytest.approx(18.03658, abs=1e-5)
    assert level[0] == pytest.approx(60.0 + (valley - 60.0) * np.exp(-0.01 / 100.0), abs=1e-9)
    cooling = peak * np.exp(-np.linspace(0.0, 20.0, 2001) / 100.0)
    mean = (np.trapezoid(np.concatenate([[valley], level])) * 0.01 + np.trapezoid(cooling) * 0.01) / 30.0
    assert mean == pytest.approx(20.0, abs=1e-4)


def test_an_uneven_cycle_against_an_ode_solver():
    """A made-up cycle of 30 s, 40 times over: the last time round agrees to the solver's tolerance."""
    rng = np.random.default_rng(3)
    loss = np.repeat(rng.uniform(0.0, 5.0, 30), 100)
    level, _ = steady_heat(loss, 12.0, 80.0, pause=5.0)

    rise = 0.0
    for _ in range(40):
        for watt in loss[::100]:
            rise = solve_ivp(lambda _t, T, w=watt: (w * 12.0 - T) / 80.0, (0, 1.0), [rise], rtol=1e-10).y[0, -1]
        end = rise
        rise = rise * np.exp(-5.0 / 80.0)
    assert level[-1] == pytest.approx(end, rel=1e-6)


def test_long_cycles_do_not_overflow():
    """An hour at a time constant of one second: e^3600 is no floating-point number."""
    level, peak = steady_heat(np.full(360000, 1.0), 10.0, 1.0, pause=0.0)
    assert np.all(np.isfinite(level))
    assert peak == pytest.approx(10.0, rel=1e-9)


def test_loss_goes_with_the_square_of_the_current():
    """2 A for a fifth of the time heat like 0.894427 A throughout."""
    on = np.zeros(1000)
    on[::5] = 2.0
    duty, _ = steady_heat(on**2, 10.0, 500.0, pause=0.0)
    steady, _ = steady_heat(np.full(1000, 0.894427**2), 10.0, 500.0, pause=0.0)
    # 50 ms of heating against a time constant of 500 s ripple by one part in ten thousand.
    assert duty.mean() == pytest.approx(steady.mean(), rel=2e-4)
