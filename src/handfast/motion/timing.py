"""When an arm is where: the fastest sound timing of a path, slowed by the maker's pace and freed of jerks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from handfast.geometry.rigid import Array
from handfast.geometry.spline import spline_through
from handfast.mechanics.dynamics import inverse_dynamics, spring_torques
from handfast.mechanics.model import Model
from handfast.motion.timing_kernels import fastest_kernel

BLEND = 0.06
"""Time over which accelerations are blended, s: bounds the jerk (common practice, no source)."""

EFFORT = 2.0 / 3.0
"""Share of the torque-speed line that a motion uses by default: leaves the margin that `lift` calls enough."""


@dataclass(frozen=True)
class Path:
    """A joint path q(s), s in [0, 1]: `at(s)` gives q, q' and q'' (N, K); `stations` of it are looked at."""

    at: Callable[[Array], tuple[Array, Array, Array]]
    stations: int

    @cached_property
    def _looked_at(self) -> tuple[Array, Array, Array]:
        return self.at(np.linspace(0.0, 1.0, self.stations))

    @property
    def q(self) -> Array:
        """Joint angles at the stations (M, K)."""
        return self._looked_at[0]

    @property
    def slope(self) -> Array:
        """q' at the stations (M, K)."""
        return self._looked_at[1]

    @property
    def bend(self) -> Array:
        """q'' at the stations (M, K)."""
        return self._looked_at[2]

    @property
    def ds(self) -> float:
        """Distance of two stations."""
        return 1.0 / (self.stations - 1)


@dataclass(frozen=True)
class Demand:
    """What a path asks of the servos: motor torque = a·s̈ + b·ṡ² + c, each (M, K) N·m.

    rub (K,) N·m: the part of c that friction is; it changes sides where a joint turns back.
    """

    a: Array
    b: Array
    c: Array
    rub: Array


@dataclass(frozen=True)
class TimeLaw:
    """Path speed at the stations and the time at which each is passed."""

    x: Array  # (M,) squared path speed
    t: Array  # (M,) s
    possible: bool
    stuck_at: int = -1

    @property
    def duration(self) -> float:
        """Whole time, s."""
        return float(self.t[-1])


def line_path(q0: Array, q1: Array, stations: int) -> Path:
    """The straight joint path from q0 to q1 (K,)."""
    start, delta = np.asarray(q0, dtype=float), np.asarray(q1, dtype=float) - np.asarray(q0, dtype=float)

    def at(s: Array) -> tuple[Array, Array, Array]:
        return start + s[:, None] * delta, np.tile(delta, (len(s), 1)), np.zeros((len(s), len(delta)))

    return Path(at, stations)


def spline_path(points: Array, stations: int, where: Array | None = None) -> Path:
    """A smooth joint path through `points` (P, K), met at path coordinates `where` (P,) from 0 to 1."""
    spline = spline_through(np.linspace(0.0, 1.0, len(points)) if where is None else where, points)
    return Path(lambda s: (spline(s), spline(s, 1), spline(s, 2)), stations)


def demand_of(model: Model, path: Path, loads: Array, load_offsets: Array) -> Demand:
    """The torque coefficients of a path. loads (arms,) kg, load_offsets (arms, 3) m from the TCP."""
    q, d, bend = path.q, path.slope, path.bend
    zero = np.zeros_like(q)
    # At rest, speeding up at s̈ = 1, and passing at ṡ = 1: all three in one go.
    tau = inverse_dynamics(
        model.chain, np.concatenate([q, q, q]), np.concatenate([zero, zero, d]), np.concatenate([zero, d, bend]),
        loads, load_offsets,
    )  # fmt: skip
    weight, speeding, passing = tau.reshape(3, *q.shape)
    a = speeding - weight + model.rotor * d
    b = passing - weight + model.rotor * bend
    c = weight + spring_torques(model.springs, q) + model.friction * _ways(d)
    return Demand(a, b, c, model.friction)


def _ways(slope: Array) -> Array:
    """Way (M, K) in which each joint moves at each station: +1, -1, or 0 where it stands."""
    return np.where(np.abs(slope) > 1e-7, np.sign(slope), 0.0)


def _with_turns(slope: Array, demand: Demand, part: slice) -> tuple[Array, Array, Array, Array]:
    """The demand a, b, c (M, K + n) of some joints, with n columns more where joints turn back on the way.

    Between two stations where a joint turns back, friction changes sides, which the stations, each with its own
    side, do not show: there the joint must bear the friction of the other side too, while it hardly moves. Also
    returned: to which of the joints each further column belongs (n,).
    """
    a, b, c, rub = demand.a[:, part], demand.b[:, part], demand.c[:, part], demand.rub[part]
    way = _ways(slope)
    found = []
    if np.any(way[1:] != way[:-1]):
        near = np.pad(way, ((1, 1), (0, 0)), mode="edge")
        for side in (1.0, -1.0):
            wanted = ((near[:-2] == side) | (near[2:] == side)) & (way != side)
            for j in np.nonzero(wanted.any(axis=0) & (rub > 0.0))[0]:
                other = c[:, j] + rub[j] * (side - way[:, j])
                found.append((j, *(np.where(wanted[:, j], m, 0.0) for m in (a[:, j], b[:, j], other))))
    joints = np.array([j for j, *_ in found], dtype=int)
    if found:
        a, b, c = (
            np.concatenate([m, np.transpose([f[k] for f in found])], axis=1) for k, m in ((1, a), (2, b), (3, c))
        )
    return np.ascontiguousarray(a), np.ascontiguousarray(b), np.ascontiguousarray(c), joints


def fastest(
    path: Path, demand: Demand, stall: Array, free: Array, cap: Array | float = np.inf, joints: slice | None = None
) -> TimeLaw:
    """The fastest rest-to-rest timing of a path; stall and free speed (K,) are those at the real voltage.

    cap: upper bound of the path speed ṡ, a number or (M,). joints: the columns to look at (those that move).
    Where no timing is possible the law says at which station, and its times are infinite.
    """
    part = joints or slice(None)
    slope, stall, free = path.slope[:, part], stall[part], free[part]
    M = len(slope)
    fastest_speed = np.min(free / np.maximum(np.abs(slope), 1e-12), axis=1)
    a, b, c, turning = _with_turns(slope, demand, part)
    if len(turning):
        slope = np.concatenate([slope, np.zeros((M, len(turning)))], axis=1)
        stall, free = np.concatenate([stall, stall[turning]]), np.concatenate([free, free[turning]])
    slope, stall, free = (np.ascontiguousarray(m) for m in (slope, stall, free))
    bound = np.minimum(np.minimum(fastest_speed, cap), 1e6) ** 2
    top, x = np.empty(M), np.empty(M)
    stuck = int(fastest_kernel(path.ds, a, b, c, slope, stall, free, bound, 0.0, 0.0, top, x))
    if stuck >= 0:
        return TimeLaw(np.zeros(M), np.full(M, np.inf), False, stuck)
    speed = np.sqrt(x)
    steps = 2.0 * path.ds / np.maximum(speed[:-1] + speed[1:], 1e-12)
    return TimeLaw(x, np.concatenate([[0.0], np.cumsum(steps)]), True)


def unhurried(path: Path, duration: float) -> TimeLaw:
    """A smooth timing that ignores the servos (quintic in time), for motions that no timing makes possible."""
    s = np.linspace(0.0, 1.0, path.stations)
    r = np.linspace(0.0, 1.0, 2001)
    law = 10 * r**3 - 15 * r**4 + 6 * r**5
    at = np.interp(s, law, r)
    speed = (30 * at**2 - 60 * at**3 + 30 * at**4) / duration
    return TimeLaw(speed**2, at * duration, False)


@dataclass(frozen=True)
class PathTime:
    """Path coordinate, speed and acceleration at evenly spaced times."""

    t: Array
    s: Array
    sd: Array
    sdd: Array


def sampled(law: TimeLaw, dt: float, stretch: float = 1.0, blend: float = BLEND) -> PathTime:
    """A time law at steps of `dt`, `stretch` times slower, its accelerations blended over `blend` s.

    Between stations the acceleration is constant. Blending is a moving average of s over `blend`, in closed
    form from its first and second integrals, so the path stays and the jerk is bounded; it adds `blend` s.
    """
    t0 = law.t * stretch
    speed = np.sqrt(law.x) / stretch
    T = float(t0[-1])
    M = len(t0)
    s0 = np.linspace(0.0, 1.0, M)
    dt_station = np.diff(t0)
    acceleration = np.diff(speed) / np.maximum(dt_station, 1e-300)
    area = np.concatenate(
        [
            [0.0],
            np.cumsum(s0[:-1] * dt_station + speed[:-1] * dt_station**2 / 2 + acceleration * dt_station**3 / 6),
        ]
    )

    def at(t: Array) -> tuple[Array, Array, Array]:
        """Integral of s, s, and speed at times t, at rest before 0 and after T."""
        inside = np.clip(t, 0.0, T)
        i = np.clip(np.searchsorted(t0, inside, side="right") - 1, 0, M - 2)
        d = inside - t0[i]
        S = area[i] + s0[i] * d + speed[i] * d**2 / 2 + acceleration[i] * d**3 / 6
        s = s0[i] + speed[i] * d + acceleration[i] * d**2 / 2
        v = speed[i] + acceleration[i] * d
        outside = (t < 0.0) | (t > T)
        return S + np.where(t > T, t - T, 0.0), np.where(t > T, 1.0, s), np.where(outside, 0.0, v)

    count = int(np.ceil((T + blend) / dt - 1e-9))
    t: Array = dt * np.arange(count + 1, dtype=np.float64)
    S1, s1, v1 = at(t)
    S0, s_before, v0 = at(t - blend)
    if blend <= 0.0:
        i = np.clip(np.searchsorted(t0, t, side="right") - 1, 0, M - 2)
        return PathTime(t, s1, v1, np.where(t >= T, 0.0, acceleration[i]))
    s, sd, sdd = (S1 - S0) / blend, (s1 - s_before) / blend, (v1 - v0) / blend
    s[-1], sd[-1], sdd[-1] = 1.0, 0.0, 0.0
    return PathTime(t, np.clip(s, 0.0, 1.0), sd, sdd)


def excess(demand_tau: Array, speed: Array, stall: Array, free: Array) -> Array:
    """How far each torque lies over its torque-speed line, in shares of stall torque; negative below. (N, K)."""
    fade = np.maximum(0.0, 1.0 - np.abs(speed) / free)
    drives = demand_tau * speed > 0.0
    limit = np.where(drives, fade, 1.0)
    result: Array = np.abs(demand_tau) / stall - limit
    return result
