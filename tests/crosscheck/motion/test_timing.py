"""Timing against closed forms, toppra and a direct optimisation.

Sources: bang-bang, trapezoid and polynomial laws as in Lynch & Park, *Modern Robotics* (2017), chapter 9, and
Siciliano et al., *Robotics* (2009), chapter 4; the DC motor's spin-up is the first-order linear differential equation
of any textbook. toppra 0.6 and CasADi/IPOPT are described in support.timing_references.
"""

from __future__ import annotations

import os

import numpy as np
import pytest
from scipy.optimize import brentq

from handfast.motion.timing import (
    Demand,
    Path,
    demand_of,
    excess,
    fastest,
    line_path,
    sampled,
    spline_path,
    unhurried,
)
from support import seedling
from support.timing_references import by_toppra, directly

SOAK = os.environ.get("HANDFAST_SOAK") == "1"
NEVER = np.full(1, 1e9)
"""A free speed that no servo reaches: the line is flat."""


def inertia_alone(distance: float, inertia: float, stations: int = 1000) -> tuple[Path, Demand]:
    """One joint that has to turn `distance`, with nothing but its own inertia."""
    path = line_path(np.zeros(1), np.full(1, distance), stations)
    zero = np.zeros((stations, 1))
    return path, Demand(inertia * path.slope, zero, zero, np.zeros(1))


# -- closed forms --------------------------------------------------------------------------------------------------


def test_bang_bang():
    """T = 2·√(d/a): 1 rad at 4 rad/s² takes 1 s; 1000 stations leave the two halves of the middle one open."""
    path, demand = inertia_alone(1.0, 0.5)
    law = fastest(path, demand, np.array([2.0]), NEVER)
    assert law.duration == pytest.approx(1.0, rel=1e-4)
    assert np.sqrt(law.x).max() == pytest.approx(2.0, rel=2e-3)  # √(d·a), half a station from the middle


@pytest.mark.parametrize(
    ("distance", "speed", "acceleration", "expected"),
    [(1.2, 2.0, 8.0, 0.85), (60, 120, 400, 0.8), (90, 120, 400, 1.05), (20, 120, 400, 0.447213595)],
)
def test_trapezoid_and_triangle(distance, speed, acceleration, expected):
    """T = d/v + v/a where the speed is reached, 2·√(d/a) where it is not (20 of something at 400: 0.4472 s)."""
    path, demand = inertia_alone(distance, 1.0)
    law = fastest(path, demand, np.array([acceleration * 1.0]), NEVER, cap=speed / distance)
    assert law.duration == pytest.approx(expected, rel=1e-4)
    assert np.sqrt(law.x).max() * distance <= speed * (1 + 1e-9)


def test_the_free_speed_is_a_speed_limit():
    """Without any load a joint comes up to its free speed and never over it."""
    path, demand = inertia_alone(20.0, 1e-4)
    law = fastest(path, demand, np.array([1.0]), np.array([5.0]))
    assert np.sqrt(law.x).max() * 20.0 <= 5.0
    assert law.duration == pytest.approx(4.0, rel=0.01)


def test_spinning_up_along_the_line_and_braking_with_all_torque():
    """ω(t) = ω0·(1 - e^(-t/τ)) with τ = J·ω0/stall, then stall/J of braking: duration by solving for the turn."""
    inertia, stall, free, distance = 2e-3, 0.3138128, 4.553033, 1.0
    tau, brake = inertia * free / stall, stall / inertia

    def turned(t: float) -> float:
        top = free * (1 - np.exp(-t / tau))
        return free * (t - tau * (1 - np.exp(-t / tau))) + top**2 / (2 * brake)

    t = brentq(lambda t: turned(t) - distance, 1e-4, 10.0)
    expected = t + free * (1 - np.exp(-t / tau)) / brake
    path, demand = inertia_alone(distance, inertia)
    law = fastest(path, demand, np.array([stall]), np.array([free]))
    # Between stations the acceleration is constant while the line falls, most of all in the first one, where the
    # joint gains √(1/1000) of its speed: a few thousandths too slow, and never too fast.
    assert law.duration == pytest.approx(expected, rel=3e-3)
    assert law.duration >= expected * (1 - 1e-6)


def test_a_load_held_against_gravity_slows_the_cruise():
    """0.10 of 0.3138 N·m leave 3.102157 rad/s of 4.553 (two points of a common servo's data sheet, 4.8 V)."""
    stations = 1000
    path = line_path(np.zeros(1), np.full(1, 10.0), stations)
    zero = np.zeros((stations, 1))
    demand = Demand(1e-5 * path.slope, zero, zero + 0.10, np.zeros(1))
    law = fastest(path, demand, np.array([0.3138128]), np.array([4.553033]))
    # The middle station stands for the cruise; 1e-4 of inertia is left over.
    assert np.sqrt(law.x[stations // 2]) * 10.0 == pytest.approx(3.102157, rel=1e-5)


def test_the_quintic_has_its_textbook_peaks():
    """Unit quintic: peak speed 1.875 at the middle, peak acceleration 10/√3 at (3 - √3)/6, s(0.3) = 0.16308."""
    path, _ = inertia_alone(1.0, 1.0, 2001)
    law = unhurried(path, 1.0)
    speed = np.sqrt(law.x)
    assert speed.max() == pytest.approx(1.875, rel=1e-6)
    assert np.interp(0.3, law.t, path.q[:, 0]) == pytest.approx(0.16308, abs=1e-5)
    acceleration = np.gradient(speed, law.t)
    inside = slice(20, -20)
    assert acceleration[inside].max() == pytest.approx(5.773502692, rel=1e-3)
    assert law.t[inside][np.argmax(acceleration[inside])] == pytest.approx(0.2113249, abs=5e-3)


def test_blending_bounds_the_jerk():
    """A bang-bang of ±4 rad/s² blended over 50 ms jerks by at most 8/0.05, and ends where it should."""
    path, demand = inertia_alone(1.0, 0.5)
    law = fastest(path, demand, np.array([2.0]), NEVER)
    timed = sampled(law, 0.001, blend=0.05)
    jerk = np.diff(timed.sdd) / 0.001
    assert np.abs(jerk).max() <= 8.0 / 0.05 * (1 + 1e-6)
    assert timed.t[-1] == pytest.approx(1.05, abs=0.001)
    assert (timed.s[0], timed.s[-1], timed.sd[-1], timed.sdd[-1]) == (0.0, 1.0, 0.0, 0.0)


# -- whole arms ----------------------------------------------------------------------------------------------------


def random_case(seed: int, stations: int, tight: float = 0.0):
    """A random path of both arms with random loads; `tight`: the share of its torque that one joint's load takes."""
    model = seedling.model()
    rng = np.random.default_rng([seed, 11])
    travel = model.chain.travel
    points = travel[:, 0] + rng.uniform(0.15, 0.85, (rng.integers(2, 6), 10)) * (travel[:, 1] - travel[:, 0])
    path = line_path(points[0], points[1], stations) if len(points) == 2 else spline_path(points, stations)
    demand = demand_of(model, path, rng.uniform(0.0, 0.12, 2), np.zeros((2, 3)))
    need = np.abs(demand.c).max(axis=0)
    stall = np.maximum(model.stall * rng.uniform(0.6, 1.0), need / 0.8)
    if tight:
        # The joint with the greatest load, so that it is its weight and not its friction that is tight.
        joint = int(np.argmax(need))
        stall[joint] = need[joint] / tight
    return path, demand, stall, model.free_speed


def worst_excess(seed: int, stations: int, tight: float = 0.0) -> float:
    """How far any torque runs over its line anywhere, eight places between two stations looked at too."""
    path, demand, stall, free = random_case(seed, stations, tight)
    law = fastest(path, demand, stall, free)
    assert law.possible
    fine = 8
    dense, its_demand, _, _ = random_case(seed, (stations - 1) * fine + 1, tight)
    place = np.arange(dense.stations) / fine
    i = np.minimum(place.astype(int), stations - 2)
    x = law.x[i] + (law.x[i + 1] - law.x[i]) * (place - i)
    u = (law.x[i + 1] - law.x[i]) / (2 * path.ds)
    tau = its_demand.a * u[:, None] + its_demand.b * x[:, None] + its_demand.c
    return float(excess(tau, dense.slope * np.sqrt(x)[:, None], stall, free).max())


@pytest.mark.parametrize("seed", range(40) if SOAK else range(6))
@pytest.mark.parametrize("tight", [0.0, 0.97])
def test_the_line_is_kept_between_stations(seed, tight):
    """At 1000 stations no torque runs over the torque-speed line by more than 0.5 % of stall."""
    assert worst_excess(seed, 1000, tight) <= 0.005


@pytest.mark.parametrize("tight", [0.0, 0.9, 0.99])
@pytest.mark.parametrize("seed", range(20) if SOAK else range(2))
def test_as_fast_as_a_direct_optimisation(seed, tight):
    """Same stations, same constraints: within 1 % of what IPOPT finds, and never faster than it could be."""
    path, demand, stall, free = random_case(seed, 61, tight)
    law = fastest(path, demand, stall, free)
    duration, found = directly(path, demand, stall, free, 0.5 * law.x)
    assert found
    assert law.duration <= 1.01 * duration
    # IPOPT finds a local optimum; ours is one of the sound timings, so it cannot be much below unless IPOPT's is
    # not the best one. Twice the solver's tolerance on constraints of 1e-8 is far below 1 %.
    assert law.duration >= 0.99 * duration or worst_excess(seed, 1000, tight) <= 0.005


@pytest.mark.parametrize("seed", range(10) if SOAK else range(2))
def test_as_fast_as_toppra_with_the_line_put_in_round_by_round(seed):
    """At 1000 stations within 0.3 % of toppra, whose speeds agree with their limits within 2 % (1 % of a speed) when
    its rounds end, and most of the time far better."""
    path, demand, stall, free = random_case(seed, 1000)
    duration, rounds = by_toppra(path, demand, stall, free)
    assert rounds < 60
    assert fastest(path, demand, stall, free).duration == pytest.approx(duration, rel=0.003)


def test_torque_coefficients_that_vanish_on_the_way():
    """Where a joint turns back its own coefficient passes zero; the motion goes on and stays inside the line."""
    model = seedling.model()
    points = np.radians([[0, 20, 30, 20, 0] * 2, [30, 40, 20, 0, 40] * 2, [0, 20, 30, 20, 0] * 2])
    for stations in (101, 1000):
        path = spline_path(points, stations)
        demand = demand_of(model, path, np.zeros(2), np.zeros((2, 3)))
        law = fastest(path, demand, model.stall, model.free_speed)
        assert law.possible
        assert np.all(law.x[1:-1] > 0.0)
    assert (path.slope[:-1] * path.slope[1:] < 0).any()


def test_a_load_over_the_stall_torque_is_no_timing_at_all():
    """Gravity takes more than there is: no timing, told with the station at which it ends."""
    path, demand, stall, free = random_case(0, 101)
    stall = stall.copy()
    need = np.abs(demand.c).max(axis=0)
    joint = int(np.argmax(need))
    stall[joint] = 0.9 * need[joint]
    law = fastest(path, demand, stall, free)
    assert not law.possible
    assert 0 <= law.stuck_at < 101
    assert np.isinf(law.duration)


def test_a_swing_over_a_hump_that_no_servo_could_climb_slowly():
    """In the middle rest is impossible but momentum carries the joint over: found, and inside the line throughout."""
    stations = 1000
    path = line_path(np.zeros(1), np.full(1, 2.0), stations)
    s = np.linspace(0, 1, stations)
    hump = np.where(np.abs(s - 0.5) < 0.03, 1.2, 0.0)[:, None]
    demand = Demand(0.05 * path.slope, np.zeros((stations, 1)), hump, np.zeros(1))
    stall, free = np.array([1.0]), np.array([60.0])
    law = fastest(path, demand, stall, free)
    assert law.possible
    u = np.diff(law.x) / (2 * path.ds)
    for end in (slice(None, -1), slice(1, None)):
        tau = demand.a[end] * u[:, None] + demand.c[end]
        assert excess(tau, path.slope[end] * np.sqrt(law.x[end])[:, None], stall, free).max() <= 1e-6
