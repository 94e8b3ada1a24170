"""Timing at the torque-speed line against toppra with the line put in round by round, at the same stations."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from handfast.motion.timing import demand_of, fastest, spline_path
from ratios import Row, times_faster
from support import seedling
from support.timing_references import by_toppra

STATIONS = 1000


def problem(seed: int) -> tuple[Callable[[], float], Callable[[], float]]:
    """Ours and theirs, on one random path of both arms with a pot in the left hand."""
    model = seedling.model()
    travel = model.chain.travel
    rng = np.random.default_rng(seed)
    points = travel[:, 0] + rng.uniform(0.2, 0.8, (4, 10)) * (travel[:, 1] - travel[:, 0])
    path = spline_path(points, STATIONS)
    demand = demand_of(model, path, np.array([0.045, 0.0]), np.zeros((2, 3)))
    given = (path, demand, model.stall, model.free_speed)
    return lambda: fastest(*given).duration, lambda: by_toppra(*given)[0]


def against_toppra() -> float:
    """Times faster, the middle of three paths; both must come to the same duration within 0.3 %."""
    ratios = []
    for seed in (1, 2, 3):
        ours, theirs = problem(seed)
        assert abs(ours() / theirs() - 1.0) < 0.003
        ratios.append(times_faster(ours, theirs, pairs=3))
    return float(np.median(ratios))


ROWS = [Row("torque-speed timing, 1000 stations, over toppra with an outer iteration", 10.0, 40.0, against_toppra)]
