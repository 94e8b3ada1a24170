"""Speed, dead time and lag from moves: a few samples of each of many moves, taken together.

(Bends of the track cannot be told from moves: they look like a servo that starts and brakes differently.)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.bench.parts import Servo
from handfast.fitting.holds import Holds
from handfast.fitting.scale import Scale
from handfast.fitting.step_kernels import step_kernel
from handfast.geometry.rigid import Array
from handfast.records.trace import Trace
from handfast.units import DEGREE

_DT = 5e-4
_SPAN = 1.6  # s of a move that are looked at
_MOST_MOVES = 12  # of each direction
_SHORTEST_SPIN_UP = 2e-3
_BRAKE = 0.01  # s, unit of the braking while it is fitted
_SHAPE = 5  # parameters that all moves share: two speeds, spin-up, full drive, braking
_BELIEF = 1.0 / 0.7
# How firmly the class's spin-up and full-drive error are believed (a factor of two is one standard deviation):
# few samples per move cannot tell them from the braking, and the speed must not suffer from that.


@dataclass(frozen=True)
class MoveFit:
    """What moves show. speed, speed_error: rad/s by direction (1, -1); dead time s with its error; spin-up s,
    full-drive error rad, braking s (see `step_kernel`); how many moves; robust spread of the samples about the
    fit, rad."""

    speed: dict[int, float]
    speed_error: dict[int, float]
    dead_time: float
    dead_time_error: float
    spin_up: float
    full: float
    braking: float
    moves: int
    misfit: float

    @property
    def lag(self) -> float:
        """Time by which it trails a slow steady motion, s: full-drive error over speed, and the braking."""
        return self.full / float(np.mean(list(self.speed.values()))) + self.braking


@dataclass(frozen=True)
class _Data:
    """Samples (n,) of all moves: time since the pulse changed, way gone rad, which move; by move: group of like
    moves, index of its direction (0 up, 1 down); by group: size rad. noise: of one sample, rad."""

    times: Array
    ways: Array
    owner: np.ndarray
    group: np.ndarray
    way: np.ndarray
    sizes: Array
    noise: float


def moves_of(holds: Holds, servo: Servo, load: float, way: int, least: float = 25.0 * DEGREE) -> np.ndarray:
    """Indices of holds that begin with a move of at least `least` rad in direction `way` under that load."""
    move = holds.moved / servo.pulse_slope
    same = np.concatenate([[False], np.abs(np.diff(holds.load)) < 1e-9])
    loaded = np.abs(holds.load - load) < 1e-6
    chosen = same & loaded & (holds.push == 0) & (move * way >= least) & (holds.length >= 0.3)
    was = np.concatenate([[False], ~holds.ramp[:-1]])
    return np.nonzero(chosen & was)[0]


def fit_moves(trace: Trace, wiper: Array, holds: Holds, scale: Scale, servo: Servo) -> MoveFit | None:
    """Fit unloaded moves of both directions: their speeds, what shapes them, and a dead time each.

    The widest moves are used. None if there are fewer than two moves or they hold too few samples.
    """
    data = _gather(trace, wiper, holds, scale, servo)
    if data is None:
        return None
    count = len(data.group)
    starts = np.array([_first_delay(data, k) for k in range(count)])
    usual = np.log([servo.spin_up, servo.full_drive_error])
    shape = np.concatenate([np.log([servo.no_load_speed] * 2), usual, [0.5]])
    slowest, fastest = 0.1 * servo.no_load_speed, 5.0 * servo.no_load_speed
    low = np.log([slowest, slowest, _SHORTEST_SPIN_UP, 0.2 * DEGREE])
    high = np.log([fastest, fastest, 0.3, 60.0 * DEGREE])
    low = np.concatenate([low, [0.0], np.full(count, -0.03)])
    high = np.concatenate([high, [10.0], np.full(count, 0.4)])
    p, covariance, misfit = _solve(data, np.concatenate([shape, starts]), low, high, usual)
    dead = p[_SHAPE:]
    present = [w for k, w in enumerate((1, -1)) if (data.way == k).any()]
    index = {1: 0, -1: 1}
    return MoveFit(
        speed={w: float(np.exp(p[index[w]])) for w in present},
        speed_error={w: float(np.exp(p[index[w]]) * np.sqrt(covariance[index[w], index[w]])) for w in present},
        dead_time=float(np.mean(dead)),
        dead_time_error=float(
            np.hypot(np.std(dead, ddof=1) / np.sqrt(count), np.median(np.diff(trace.t)) / np.sqrt(12.0))
        ),
        spin_up=float(np.exp(p[2])),
        full=float(np.exp(p[3])),
        braking=float(p[4] * _BRAKE),
        moves=count,
        misfit=misfit,
    )


def _gather(trace: Trace, wiper: Array, holds: Holds, scale: Scale, servo: Servo) -> _Data | None:
    angle = scale.degrees(wiper)
    rows = []
    for side, way in enumerate((1, -1)):
        found = moves_of(holds, servo, 0.0, way)
        size = np.abs(holds.moved[found])
        for i in np.sort(found[np.argsort(-size, kind="stable")[:_MOST_MOVES]]):
            begin = int(holds.first[i])
            # The pulse changed somewhere between the last sample before and the first after; take the middle.
            zero = 0.5 * (trace.t[begin] + trace.t[max(begin - 1, 0)])
            asked = abs(float(holds.moved[i])) * scale.per_pulse
            span = min(_SPAN, 0.3 + 2.5 * asked / servo.no_load_speed)
            end = int(min(holds.last[i], np.searchsorted(trace.t, zero + span)))
            x0, x1 = scale.degrees(holds.rest[[i - 1, i]])
            if (x1 - x0) * way < 0.5 * asked or end - begin < 6:
                continue
            # More than 200 samples a second add time and no knowledge.
            every = max(1, int(0.005 / max(float(np.median(np.diff(trace.t[begin:end]))), 1e-4)))
            part = slice(begin, end, every)
            rows.append((trace.t[part] - zero, angle[part], float(x0), float(x1), side, round(asked, 2)))
    if len(rows) < 2:
        return None
    # Moves that were asked alike share one size, so that one curve serves them all.
    kinds = sorted({(r[4], r[5]) for r in rows})
    group = np.array([kinds.index((r[4], r[5])) for r in rows])
    ends = [[np.median([r[k] for r in rows if (r[4], r[5]) == kind]) for k in (2, 3)] for kind in kinds]
    start, stop = np.array(ends).T
    signs = np.array([1.0, -1.0])

    return _Data(
        times=np.concatenate([r[0] for r in rows]),
        ways=np.concatenate([(r[1] - r[2]) * signs[r[4]] for r in rows]),
        owner=np.repeat(np.arange(len(rows)), [len(r[0]) for r in rows]),
        group=group,
        way=np.array([r[4] for r in rows]),
        sizes=np.abs(stop - start),
        noise=max(float(np.median(holds.spread[holds.free & holds.whole])) / abs(scale.slope), 0.05 * DEGREE),
    )


def _model(data: _Data, p: Array) -> tuple[Array, Array]:
    """(samples' distance from the curve rad, its change per second of later start), both (n,)."""
    speeds, spin_up, full = np.exp(p[:2]), float(np.exp(p[2])), float(np.exp(p[3]))
    sizes = data.sizes
    grid = np.arange(int(_SPAN / _DT) + 2) * _DT
    value, rate = np.empty(len(data.times)), np.empty(len(data.times))
    curve = np.empty(len(grid))
    later = data.times - p[_SHAPE + data.owner]
    for g in range(len(sizes)):
        members = data.group == g
        way = int(data.way[np.argmax(members)])
        step_kernel(float(sizes[g]), float(speeds[way]), spin_up, full, p[4] * _BRAKE, 0.0, _DT, curve)
        mine = members[data.owner]
        s = later[mine]
        value[mine] = np.interp(s, grid, curve)
        rate[mine] = -(np.interp(s + _DT, grid, curve) - np.interp(s - _DT, grid, curve)) / (2.0 * _DT)
    return value - data.ways, rate


def _solve(data: _Data, p: Array, low: Array, high: Array, usual: Array) -> tuple[Array, Array, float]:
    """Levenberg-Marquardt with Huber weights: parameters, their covariance, robust spread of the residuals."""

    def cost_of(r: Array) -> float:
        a = np.abs(r)
        return float(np.sum(np.where(a < 3.0, 0.5 * r**2, 3.0 * a - 4.5)))

    n, k = len(data.times), len(p)
    begin = p.copy()
    begin[2:4] = usual
    belief = np.zeros((k, k))
    belief[2, 2] = belief[3, 3] = _BELIEF**2
    belief[0, 0] = belief[1, 1] = 1e-3  # a direction that nobody moved in keeps the class's speed
    damping = 1e-2
    away, rate = _model(data, p)
    r = away / data.noise
    cost = cost_of(r) + 0.5 * float((p - begin) @ belief @ (p - begin))
    normal = np.eye(k)
    for _ in range(40):
        J = np.zeros((n, k))
        for j in range(_SHAPE):
            q = p.copy()
            q[j] += 1e-3
            J[:, j] = (_model(data, q)[0] - away) / 1e-3 / data.noise
        J[np.arange(n), _SHAPE + data.owner] = rate / data.noise
        weight = np.where(np.abs(r) < 3.0, 1.0, 3.0 / np.maximum(np.abs(r), 3.0))
        normal = J.T @ (J * weight[:, None]) + belief
        gradient = J.T @ (weight * r) + belief @ (p - begin)
        better = False
        for _ in range(6):
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-9), -gradient)
            q = np.clip(p + step, low, high)
            away_q, rate_q = _model(data, q)
            r_q = away_q / data.noise
            cost_q = cost_of(r_q) + 0.5 * float((q - begin) @ belief @ (q - begin))
            if cost_q < cost:
                better = cost - cost_q > 1e-5 * cost
                p, away, rate, r, cost = q, away_q, rate_q, r_q, cost_q
                damping = max(damping / 5.0, 1e-7)
                break
            damping *= 6.0
        if not better:
            break
    spread = 1.4826 * float(np.median(np.abs(away)))
    scatter = float(np.sqrt(np.mean(np.minimum(np.abs(away), 6.0 * spread + 1e-9) ** 2)))
    # Residuals of one move hang together; what the model leaves over the noise counts for more than its share.
    factor = max(scatter / data.noise, 1.0)
    information = (normal - belief) / factor**2 + belief
    return p, np.asarray(np.linalg.pinv(information), dtype=float), spread


def _first_delay(data: _Data, k: int) -> float:
    """When move k had gone 15 % of its way, less the time that takes: a first guess of the dead time, s."""
    mine = data.owner == k
    beyond = np.nonzero(data.ways[mine] > 0.15 * data.sizes[data.group[k]])[0]
    return float(np.clip(data.times[mine][beyond[0]] - 0.03, 0.0, 0.3)) if len(beyond) else 0.05


def mid_speed(trace: Trace, wiper: Array, holds: Holds, scale: Scale, chosen: np.ndarray, way: int) -> Array:
    """Mean speed (n,) rad/s of each chosen move over the middle 40 % of its way.

    Where a move never came that far, what it went over the time it had.
    """
    angle = scale.degrees(wiper)
    speeds = []
    for i in chosen:
        begin, end = int(holds.first[i]), int(holds.last[i])
        x0 = float(scale.degrees(holds.rest[i - 1 : i])[0])
        size = abs(float(holds.moved[i])) * scale.per_pulse
        t, y = trace.t[begin:end], (angle[begin:end] - x0) * way
        if (y > 0.7 * size).any() and not (y[:2] > 0.3 * size).any():
            speeds.append(_crossing_speed(t, y, 0.3 * size, 0.7 * size))
        else:
            speeds.append(max(0.0, float(np.median(y[-5:]))) / max(float(t[-1] - t[0]), 1e-3))
    return np.array(speeds)


def load_share(fit: MoveFit, way: int, size: float, speed: float) -> float:
    """Load, as a share of the stall torque less friction, at which a move of `size` rad has that mid speed."""
    shares = np.linspace(0.0, 0.98, 50)
    curve = np.empty(int(4.0 / _DT))
    t: Array = np.arange(len(curve), dtype=float) * _DT
    speeds = np.empty(len(shares))
    for k, share in enumerate(shares):
        step_kernel(size, fit.speed[way], fit.spin_up, fit.full, fit.braking, share, _DT, curve)
        speeds[k] = _crossing_speed(t, curve, 0.3 * size, 0.7 * size) if curve[-1] > 0.7 * size else 0.0
    return float(np.interp(-speed, -speeds, shares))


def _crossing_speed(t: Array, y: Array, low: float, high: float) -> float:
    """Speed between the first crossings of two levels, each interpolated between samples."""

    def crossing(level: float) -> float:
        k = int(np.argmax(y > level))
        if k == 0:
            return float(t[0])
        share = (level - y[k - 1]) / (y[k] - y[k - 1])
        return float(t[k - 1] + share * (t[k] - t[k - 1]))

    return (high - low) / max(crossing(high) - crossing(low), 1e-4)
