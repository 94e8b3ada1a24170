"""Whatever the path and the torques: a timing that is found keeps its line, its ends and its order."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from handfast.motion.timing import Demand, Path, excess, fastest, sampled

SEED, LOAD = st.integers(0, 2**32 - 1), st.floats(0.0, 0.8)


def problem_of(seed: int, load: float):
    """Two joints along a wavy path with made-up inertias, loads and friction, at 60 stations."""
    rng = np.random.default_rng(seed)
    M, K = 60, 2
    s = np.linspace(0, 1, M)
    waves = rng.normal(size=(K, 3))
    slope = np.column_stack([w[0] + w[1] * np.cos(5 * s) + w[2] * np.sin(9 * s) for w in waves])
    bend = np.column_stack([-5 * w[1] * np.sin(5 * s) + 9 * w[2] * np.cos(9 * s) for w in waves])
    inertia = rng.uniform(0.01, 0.1, K)
    rub = rng.uniform(0.0, 0.1, K)
    weight = load * np.column_stack([np.sin(3 * s + p) for p in rng.uniform(0, 6, K)])
    demand = Demand(inertia * slope, inertia * bend, weight + rub * np.sign(slope), rub)
    path = Path(lambda at: (at[:, None] * np.ones(K),) * 3, M)
    path.__dict__["_looked_at"] = (np.zeros((M, K)), slope, bend)
    return path, demand, np.ones(K), rng.uniform(2.0, 10.0, K)


@settings(max_examples=60, deadline=None)
@given(SEED, LOAD)
def test_a_found_timing_keeps_the_line_at_both_ends_of_every_interval(seed, load):
    """Torque of every joint at both ends of every interval, to rounding of squared speeds (1e-6 of stall)."""
    path, demand, stall, free = problem_of(seed, load)
    law = fastest(path, demand, stall, free)
    if not law.possible:
        return
    assert law.x[0] == 0.0
    assert law.x[-1] == 0.0
    assert np.all(law.x >= 0.0)
    assert np.all(np.diff(law.t) > 0.0)
    u = np.diff(law.x) / (2 * path.ds)
    for end in (slice(None, -1), slice(1, None)):
        tau = demand.a[end] * u[:, None] + demand.b[end] * law.x[end, None] + demand.c[end]
        assert excess(tau, path.slope[end] * np.sqrt(law.x[end])[:, None], stall, free).max() < 1e-6


@settings(max_examples=40, deadline=None)
@given(SEED, LOAD, st.floats(1.0, 4.0), st.sampled_from([0.0, 0.02, 0.06]))
def test_sampling_keeps_ends_and_order(seed, load, stretch, blend):
    """From 0 to 1, never back, at rest at the end, in the law's time stretched and blended."""
    path, demand, stall, free = problem_of(seed, load)
    law = fastest(path, demand, stall, free)
    if not law.possible:
        return
    timed = sampled(law, 0.01, stretch, blend)
    assert timed.s[0] == 0.0
    assert abs(timed.s[-1] - 1.0) < 1e-9
    assert np.all(np.diff(timed.s) >= -1e-12)
    assert timed.sd[-1] == 0.0
    assert 0.0 <= timed.t[-1] - (law.duration * stretch + blend) < 0.01 + 1e-9


@settings(max_examples=40, deadline=None)
@given(SEED, LOAD, st.floats(0.3, 0.95))
def test_less_torque_is_never_faster(seed, load, share):
    """A weaker servo cannot be faster; the search may lose a hundredth where the line is stiff."""
    path, demand, stall, free = problem_of(seed, load)
    strong, weak = fastest(path, demand, stall, free), fastest(path, demand, share * stall, free)
    if weak.possible:
        assert strong.possible
        assert strong.duration <= 1.01 * weak.duration
