"""Sampling a time law: ends, rates, blending; and the torque coefficients of a path."""

from __future__ import annotations

import numpy as np
import pytest

from handfast.mechanics.dynamics import inverse_dynamics
from handfast.motion.timing import (
    BLEND,
    Demand,
    TimeLaw,
    demand_of,
    excess,
    fastest,
    line_path,
    sampled,
    spline_path,
    unhurried,
)
from support import seedling

TRIANGLE = TimeLaw(np.array([0.0, 4.0, 0.0]), np.array([0.0, 0.5, 1.0]), True)
"""Half a unit in half a second at +4/s², then back to rest at -4/s²."""


def test_a_law_is_read_off_at_even_times():
    """s = 2·t² up to the middle: 0.02 at 0.1 s, 0.5 with speed 2 at 0.5 s, 0.98 at 0.9 s."""
    timed = sampled(TRIANGLE, 0.1, blend=0.0)
    assert timed.t == pytest.approx(np.arange(11) / 10)
    assert timed.s[[1, 5, 9]] == pytest.approx([0.02, 0.5, 0.98], abs=1e-12)
    assert timed.sd[[1, 5, 9]] == pytest.approx([0.4, 2.0, 0.4], abs=1e-12)
    assert timed.sdd[[1, 9]] == pytest.approx([4.0, -4.0], abs=1e-9)
    assert (timed.s[-1], timed.sd[-1], timed.sdd[-1]) == (1.0, 0.0, 0.0)


def test_stretching_slows_the_law():
    """Twice the time: the same places at twice the times, speeds halved, accelerations a quarter."""
    timed = sampled(TRIANGLE, 0.1, stretch=2.0, blend=0.0)
    assert timed.t[-1] == pytest.approx(2.0)
    assert (timed.s[2], timed.sd[10], timed.sdd[2]) == (
        pytest.approx(0.02), pytest.approx(1.0), pytest.approx(1.0)
    )  # fmt: skip


def test_blending_is_a_moving_average_and_adds_its_own_length():
    """Against an average of finely sampled s over the last 60 ms: equal to the sum's own error of 1e-6."""
    timed = sampled(TRIANGLE, 0.01, blend=0.06)
    fine = sampled(TRIANGLE, 1e-5, blend=0.0)
    s = np.concatenate([np.zeros(6000), fine.s, np.ones(8000)])
    summed = np.concatenate([[0.0], np.cumsum(s)])
    for k in (1, 10, 50, 80, 104):
        end = 6000 + round(timed.t[k] * 1e5)
        assert timed.s[k] == pytest.approx((summed[end] - summed[end - 6000]) / 6000, abs=2e-5)
    assert timed.t[-1] == pytest.approx(1.06)
    assert (timed.s[-1], timed.sd[-1], timed.sdd[-1]) == (1.0, 0.0, 0.0)


def test_blended_rates_belong_to_the_blended_places():
    """Speeds are the differences of places, accelerations those of speeds; nothing leaps."""
    timed = sampled(TRIANGLE, 0.001, blend=0.06)
    assert np.diff(timed.s) / 0.001 == pytest.approx(0.5 * (timed.sd[1:] + timed.sd[:-1]), abs=1e-4)
    assert np.diff(timed.sd) / 0.001 == pytest.approx(0.5 * (timed.sdd[1:] + timed.sdd[:-1]), abs=0.1)
    assert np.all(np.diff(timed.s) >= 0.0)


def test_torque_coefficients_give_the_torque_of_the_motion():
    """a·s̈ + b·ṡ² + c against Newton-Euler at the motion's own speeds and accelerations, rotors and friction added."""
    model = seedling.model()
    points = np.radians([[0, 0, 30, 20, 0] * 2, [30, 40, 60, 40, -40] * 2, [-20, 60, 20, 10, 30] * 2])
    path = spline_path(points, 11)
    loads, offsets = np.array([0.05, 0.1]), np.array([[0.01, 0, 0.02], [0, 0.01, -0.01]])
    demand = demand_of(model, path, loads, offsets)
    sd, sdd = 1.3, -2.1
    q, d, bend = path.q, path.slope, path.bend
    qd, qdd = d * sd, d * sdd + bend * sd**2
    tau = inverse_dynamics(model.chain, q, qd, qdd, loads, np.tile(offsets, (11, 1, 1)))
    tau = tau + model.rotor * qdd + model.friction * np.sign(qd)
    # The largest torques are a few N·m; Newton-Euler is exact in the accelerations and squared speeds.
    assert demand.a * sdd + demand.b * sd**2 + demand.c == pytest.approx(tau, abs=1e-12)


def test_a_joint_that_stands_rubs_on_neither_side():
    """Rounding in a spline through equal points must not be taken for motion."""
    model = seedling.model()
    points = np.tile(np.radians([10.0, 20, 30, 20, 0] * 2), (4, 1))
    points[:, 0] = np.radians([0, 10, 20, 30])
    points[1:3, 1] += 1e-12
    demand = demand_of(model, spline_path(points, 21), np.zeros(2), np.zeros((2, 3)))
    still = demand_of(model, line_path(points[0], points[0], 21), np.zeros(2), np.zeros((2, 3)))
    assert demand.c[:, 1] == pytest.approx(still.c[:, 1], abs=1e-9)
    assert demand.c[:, 0] == pytest.approx(still.c[:, 0] + model.friction[0], abs=1e-9)


def test_where_a_joint_turns_back_the_friction_of_both_sides_is_borne():
    """One joint, half its torque friction, swinging back between two stations: neither side runs over the line.

    Close to the turn the joint hardly moves and its bend alone asks for b·ṡ², against friction on one side and with
    it on the other; so b·ṡ² ± friction must stay within stall at the stations on both sides.
    """
    s = np.linspace(-1.0, 1.0, 100)  # no station at the turn itself
    slope, bend = -s[:, None], np.full((100, 1), -1.0)
    rub = np.array([0.5])
    demand = Demand(0.1 * slope, 0.1 * bend, rub * np.sign(slope), rub)
    path = line_path(np.zeros(1), np.ones(1), 100)
    path.__dict__["_looked_at"] = (np.zeros((100, 1)), slope, bend)
    stall = np.array([1.0])
    law = fastest(path, demand, stall, np.array([1e6]))
    u = (law.x[50] - law.x[49]) / (2 * path.ds)
    for n in (49, 50):
        plain = demand.a[n, 0] * u + demand.b[n, 0] * law.x[n]
        assert abs(plain + 0.5) <= 1.0 + 1e-9
        assert abs(plain - 0.5) <= 1.0 + 1e-9
    assert law.x[49] > 1.0


def test_excess_is_measured_in_stall_torques():
    """Driving at half the free speed half the stall torque is there; braking, all of it."""
    stall, free = np.array([2.0]), np.array([4.0])
    speed = np.full((3, 1), 2.0)
    found = excess(np.array([[1.0], [1.2], [-2.0]]), speed, stall, free)
    assert found[:, 0] == pytest.approx([0.0, 0.1, 0.0])


def test_only_the_named_columns_are_looked_at():
    """An arm that stands by under too much load does not forbid the other one's motion."""
    path = line_path(np.zeros(2), np.array([1.0, 0.0]), 50)
    zero = np.zeros((50, 2))
    demand = Demand(0.1 * path.slope, zero, np.tile([0.0, 5.0], (50, 1)), np.zeros(2))
    stall, free = np.ones(2), np.full(2, 10.0)
    assert not fastest(path, demand, stall, free).possible
    assert fastest(path, demand, stall, free, joints=slice(0, 1)).possible


def test_a_motion_that_nothing_makes_possible_still_has_times():
    """The quintic stands in, and says that it is no possible timing."""
    law = unhurried(line_path(np.zeros(1), np.ones(1), 50), 3.0)
    assert (law.possible, law.duration) == (False, 3.0)
    assert np.all(np.diff(law.t) > 0)
    assert BLEND > 0
