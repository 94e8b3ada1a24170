"""Speed, dead time and lag from moves: a few samples of each of many moves, taken together."""

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
_MOST_MOVES = 16
_SHORTEST_SPIN_UP = 2e-3
_SHAPE = 4  # parameters that all moves share
_BRAKE = 0.01  # s, unit of the braking while it is fitted
_GUESS = np.array([0.0, 1.0 / 0.7, 1.0 / 0.7, 0.0])
# How firmly the class's spin-up and full-drive error are believed (a factor of two is one standard deviation):
# few samples per move cannot tell them from the braking, and the speed must not suffer from that.


@dataclass(frozen=True)
class MoveFit:
    """What moves in one direction show: speed rad/s and dead time s with their standard errors, spin-up s,
    full-drive error rad, braking s (see `step_kernel`); how many moves; robust spread about the fit, rad."""

    speed: float
    speed_error: float
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
        return self.full / self.speed + self.braking


def moves_of(holds: Holds, servo: Servo, load: float, way: int, least: float = 25.0 * DEGREE) -> np.ndarray:
    """Indices of holds that begin with a move of at least `least` rad in direction `way` under that load."""
    move = holds.moved / servo.pulse_slope
    same = np.concatenate([[False], np.abs(np.diff(holds.load)) < 1e-9])
    loaded = np.abs(holds.load - load) < 1e-6
    chosen = same & loaded & (holds.push == 0) & (move * way >= least) & (holds.length >= 0.3)
    was = np.concatenate([[False], ~holds.ramp[:-1]])
    return np.nonzero(chosen & was)[0]


def fit_moves(trace: Trace, wiper: Array, holds: Holds, scale: Scale, servo: Servo, way: int) -> MoveFit | None:
    """Fit speed, spin-up, full-drive error, and a dead time for each move, to unloaded moves of one direction.

    None if there are fewer than two moves or they hold too few samples. The widest moves are used.
    """
    found = moves_of(holds, servo, 0.0, way)
    if len(found) < 2:
        return None
    size = np.abs(holds.moved[found])
    found = np.sort(found[np.argsort(-size, kind="stable")[:_MOST_MOVES]])
    angle = scale.degrees(wiper)
    parts = []
    for i in found:
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
        parts.append((trace.t[part] - zero, (angle[part] - x0) * way, abs(float(x1 - x0)), round(asked, 2)))
    if len(parts) < 2:
        return None
    # Moves that were asked alike share one size, so that one curve serves them all.
    alike = {asked: np.median([p[2] for p in parts if p[3] == asked]) for asked in {p[3] for p in parts}}
    data = _Data(
        times=np.concatenate([p[0] for p in parts]),
        ways=np.concatenate([p[1] for p in parts]),
        owner=np.repeat(np.arange(len(parts)), [len(p[0]) for p in parts]),
        sizes=np.array([alike[p[3]] for p in parts]),
        noise=max(float(np.median(holds.spread[found])) / abs(scale.slope), 0.05 * DEGREE),
    )
    starts = np.array([_first_delay(t, y, size) for t, y, size, _ in parts])
    p0 = np.concatenate([np.log([servo.no_load_speed, servo.spin_up, servo.full_drive_error]), [0.5], starts])
    count = len(parts)
    low = np.concatenate([np.log([0.1 * servo.no_load_speed, _SHORTEST_SPIN_UP, 0.2 * DEGREE]), [0.0], np.full(count, -0.03)])
    high = np.concatenate([np.log([5.0 * servo.no_load_speed, 0.3, 60.0 * DEGREE]), [10.0], np.full(count, 0.4)])
    p, covariance, misfit = _solve(data, p0, low, high)
    speed, spin_up, full = np.exp(p[:3])
    dead = p[_SHAPE:]
    dead_error = float(np.std(dead, ddof=1) / np.sqrt(count))
    return MoveFit(
        speed=float(speed),
        speed_error=float(speed * np.sqrt(max(covariance[0, 0], 0.0))),
        dead_time=float(np.mean(dead)),
        dead_time_error=float(np.hypot(dead_error, np.median(np.diff(trace.t)) / np.sqrt(12.0))),
        spin_up=float(spin_up),
        full=float(full),
        braking=float(p[3] * _BRAKE),
        moves=count,
        misfit=misfit,
    )


@dataclass(frozen=True)
class _Data:
    """Samples (n,) of all moves: time since the pulse changed, way gone, which move; sizes (moves,); noise rad."""

    times: Array
    ways: Array
    owner: np.ndarray
    sizes: Array
    noise: float


def _model(data: _Data, p: Array) -> tuple[Array, Array]:
    """Ways (n,) at all samples, and their change per second of later start; p: logs of speed, spin-up, full-drive
    error, the braking over 10 ms, then each move's dead time."""
    speed, spin_up, full = np.exp(p[:3])
    grid = np.arange(int(_SPAN / _DT) + 2) * _DT
    value, rate = np.empty(len(data.times)), np.empty(len(data.times))
    curve = np.empty(len(grid))
    later = data.times - p[_SHAPE + data.owner]
    for size in np.unique(data.sizes):
        step_kernel(float(size), speed, spin_up, full, p[3] * _BRAKE, 0.0, _DT, curve)
        mine = data.sizes[data.owner] == size
        s = later[mine]
        value[mine] = np.interp(s, grid, curve)
        rate[mine] = -(np.interp(s + _DT, grid, curve) - np.interp(s - _DT, grid, curve)) / (2.0 * _DT)
    return value, rate


def _solve(data: _Data, p: Array, low: Array, high: Array) -> tuple[Array, Array, float]:
    """Levenberg-Marquardt with Huber weights: parameters, their covariance, robust spread of the residuals."""

    def cost_of(r: Array) -> float:
        a = np.abs(r)
        return float(np.sum(np.where(a < 3.0, 0.5 * r**2, 3.0 * a - 4.5)))

    n, k = len(data.times), len(p)
    damping = 1e-2
    base, rate = _model(data, p)
    r = (base - data.ways) / data.noise
    cost = cost_of(r)
    normal = np.eye(k)
    begin = p.copy()
    belief = np.zeros(k)
    belief[:_SHAPE] = _GUESS**2
    cost += 0.5 * float(belief @ (p - begin) ** 2)
    for _ in range(40):
        J = np.zeros((n, k))
        for j in range(_SHAPE):
            q = p.copy()
            q[j] += 1e-3
            J[:, j] = (_model(data, q)[0] - base) / 1e-3 / data.noise
        J[np.arange(n), _SHAPE + data.owner] = rate / data.noise
        weight = np.where(np.abs(r) < 3.0, 1.0, 3.0 / np.maximum(np.abs(r), 3.0))
        normal = J.T @ (J * weight[:, None]) + np.diag(belief)
        gradient = J.T @ (weight * r) + belief * (p - begin)
        better = False
        for _ in range(6):
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-9), -gradient)
            q = np.clip(p + step, low, high)
            base_q, rate_q = _model(data, q)
            r_q = (base_q - data.ways) / data.noise
            cost_q = cost_of(r_q) + 0.5 * float(belief @ (q - begin) ** 2)
            if cost_q < cost:
                better = cost - cost_q > 1e-5 * cost
                p, base, rate, r, cost = q, base_q, rate_q, r_q, cost_q
                damping = max(damping / 5.0, 1e-7)
                break
            damping *= 6.0
        if not better:
            break
    spread = 1.4826 * float(np.median(np.abs(r))) * data.noise
    scatter = float(np.sqrt(np.mean(np.minimum(np.abs(r) * data.noise, 6.0 * spread + 1e-9) ** 2)))
    covariance = np.linalg.pinv(normal) * (scatter / data.noise) ** 2
    return p, covariance, spread


def _first_delay(t: Array, y: Array, size: float) -> float:
    """When a move had gone 15 % of its way, less the time that takes: a first guess of the dead time, s."""
    beyond = np.nonzero(y > 0.15 * size)[0]
    return float(np.clip(t[beyond[0]] - 0.03, 0.0, 0.3)) if len(beyond) else 0.05


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


def load_share(fit: MoveFit, size: float, speed: float) -> float:
    """Load, as a share of the stall torque less friction, at which a move of `size` rad has that mid speed."""
    shares = np.linspace(0.0, 0.98, 50)
    curve = np.empty(int(4.0 / _DT))
    t = np.arange(len(curve)) * _DT
    speeds = np.empty(len(shares))
    for k, share in enumerate(shares):
        step_kernel(size, fit.speed, fit.spin_up, fit.full, fit.braking, share, _DT, curve)
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
