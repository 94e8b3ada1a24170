"""Two outside ways to time a path under the torque-speed line, to compare ours with.

`by_toppra`: reachability analysis (Pham & Pham, IEEE T-RO 34, 2018; the package toppra) knows convex constraints
only, so the line is put in as fixed torque limits and these are found anew from the speeds, over and over.
`directly`: all path speeds at once as variables of one non-linear program (CasADi, solved by IPOPT).

Both get the same torque coefficients at the same stations and hold them at both ends of every interval.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from typing import Any

import numpy as np

from handfast.motion.timing import Demand, Path


def turned_back(path: Path, demand: Demand) -> list[tuple[int, int, float]]:
    """(station, joint, side) where a joint turns back next to a station, so that friction has that side there too."""
    way = np.where(np.abs(path.slope) > 1e-7, np.sign(path.slope), 0.0)
    found = []
    for n, j in np.argwhere(np.ones_like(way, dtype=bool)):
        for side in {way[max(n - 1, 0), j], way[min(n + 1, len(way) - 1), j]} - {way[n, j], 0.0}:
            if demand.rub[j] > 0:
                found.append((int(n), int(j), float(side)))
    return found


def directly(path: Path, demand: Demand, stall: np.ndarray, free: np.ndarray, start: np.ndarray) -> tuple[float, bool]:
    """Duration of the fastest rest-to-rest timing, and whether IPOPT says it is one. start (M,): squared speeds."""
    import casadi as ca

    M, K, ds = path.stations, len(stall), path.ds
    x = ca.SX.sym("x", M)
    v = ca.sqrt(x + 1e-14)
    held: list[Any] = []
    duration = 0
    extra: dict[int, list[tuple[int, float]]] = {}
    for n, j, side in turned_back(path, demand):
        extra.setdefault(n, []).append((j, side))
    for i in range(M - 1):
        u = (x[i + 1] - x[i]) / (2 * ds)
        duration += 2 * ds / (v[i] + v[i + 1])
        for n in (i, i + 1):
            for j in range(K):
                slope, fall = path.slope[n, j], abs(path.slope[n, j]) / free[j]
                torque = (demand.a[n, j] * u + demand.b[n, j] * x[n] + demand.c[n, j]) / stall[j]
                held.append(torque + (fall * v[n] if slope > 0 else 0))
                held.append(-torque + (fall * v[n] if slope < 0 else 0))
            for j, side in extra.get(n, []):
                rub = demand.rub[j] * (side - np.sign(path.slope[n, j]))
                torque = (demand.a[n, j] * u + demand.b[n, j] * x[n] + demand.c[n, j] + rub) / stall[j]
                held += [torque, -torque]
    most = np.min(free / np.maximum(np.abs(path.slope), 1e-12), axis=1) ** 2
    most[0] = most[-1] = 0.0
    settings = {"ipopt.print_level": 0, "print_time": 0, "ipopt.sb": "yes", "ipopt.max_iter": 300}
    problem = {"x": x, "f": duration, "g": ca.vertcat(*held)}
    solver = ca.nlpsol("timing", "ipopt", problem, {**settings, "show_eval_warnings": False})
    found = solver(x0=np.minimum(start, 0.98 * most), lbx=0.0, ubx=most, lbg=-np.inf, ubg=1.0)
    speed = np.sqrt(np.maximum(np.array(found["x"]).ravel(), 0.0))
    return float(np.sum(2 * ds / np.maximum(speed[1:] + speed[:-1], 1e-12))), bool(solver.stats()["success"])


@dataclass
class _FixedLimits:
    """Torque limits per station, as toppra asks for them."""

    demand: Demand
    least: np.ndarray
    most: np.ndarray


def _instance(limits: _FixedLimits, caps: np.ndarray, path: Path) -> Any:
    import toppra
    import toppra.algorithm
    from toppra.constraint import DiscretizationType
    from toppra.constraint.linear_constraint import LinearConstraint, canlinear_colloc_to_interpolate

    logging.getLogger("toppra").setLevel(logging.ERROR)
    K = path.q.shape[1]
    both = np.vstack([np.eye(K), -np.eye(K)])

    class Torque(LinearConstraint):
        def __init__(self) -> None:
            super().__init__()
            self.identical = False
            self.dof = K
            self.set_discretization_type(DiscretizationType.Interpolation)

        def compute_constraint_params(self, _path: Any, grid: np.ndarray) -> Any:
            g = np.hstack([limits.most, -limits.least])
            F = np.tile(both, (len(grid), 1, 1))
            bound = np.column_stack([np.zeros(len(caps)), caps])
            d = limits.demand
            return canlinear_colloc_to_interpolate(d.a, d.b, d.c, F, g, None, bound, grid, identical=False)

    grid = np.linspace(0.0, 1.0, path.stations)
    spline = toppra.SplineInterpolator(grid, path.q)
    return toppra.algorithm.TOPPRA([Torque()], spline, gridpoints=grid, solver_wrapper="seidel")


def by_toppra(path: Path, demand: Demand, stall: np.ndarray, free: np.ndarray, rounds: int = 60) -> tuple[float, int]:
    """Duration by toppra with the line's limits found anew each round, and the rounds until limits and speeds agree.

    They agree when the squared speeds, from which the limits were taken, come out again within 2 % of the largest.
    """
    caps = np.minimum(np.min(free / np.maximum(np.abs(path.slope), 1e-12), axis=1), 1e3) ** 2
    x = np.zeros(path.stations)
    # Half the way to the new speeds: all the way, the limits swing between two states.
    share = 0.5
    for count in range(1, rounds + 1):
        w = path.slope * np.sqrt(x)[:, None]
        fade = np.maximum(0.0, 1.0 - np.abs(w) / free)
        most = stall * np.where(w > 0, fade, 1.0)
        least = -stall * np.where(w < 0, fade, 1.0)
        instance = _instance(_FixedLimits(demand, least, most), caps, path)
        _, speed, _ = instance.compute_parameterization(0.0, 0.0)
        if speed is None or np.any(np.isnan(speed)):
            x, share = 0.5 * x, max(0.5 * share, 0.05)
            continue
        if count > 1 and np.abs(x - speed**2).max() < 0.02 * x.max():
            return float(np.sum(2 * path.ds / np.maximum(speed[1:] + speed[:-1], 1e-12))), count
        x = x + share * (speed**2 - x)
    return np.inf, rounds
