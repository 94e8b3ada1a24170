"""Which servo goes where: what each one's play, scatter and weakness would cost at the TCP, and the best choice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import linear_sum_assignment

from handfast.bench.parts import SIDES, Bench
from handfast.bench.servos import ServoRecord
from handfast.geometry.rigid import Array
from handfast.mechanics.dynamics import gravity_torques, spring_torques
from handfast.mechanics.kinematics import places
from handfast.mechanics.model import Model
from handfast.units import DEGREE

ENOUGH = 2.0
"""Torque that a servo should have, over what its joint needs at most (common practice, no source)."""

SPARES = 1
"""Accepted servos of each class to keep in the drawer, at least (common practice, no source: 1 or 2)."""

_SHORTFALL = 0.02  # m of cost for each unit of torque margin that is missing below `ENOUGH`
_NEVER = 1e6


@dataclass(frozen=True)
class Seat:
    """A place for a servo: a joint or a gripper, its class, and what happens there.

    lever m: distance that the TCP (or a jaw) moves per rad, root mean square over the poses; torque N·m: the
    largest that gravity asks for, loads included.
    """

    name: str
    servo: str
    lever: float
    torque: float


@dataclass(frozen=True)
class Placed:
    """A servo in its seat: expected miss at the TCP that it causes, m, and available over needed torque."""

    seat: Seat
    mark: str
    miss: float
    margin: float


@dataclass(frozen=True)
class Assignment:
    """The best choice. open: seats without a servo; spares and lacking: servos left over and missing, by class;
    expected: root sum of squares of all misses, m, and what a choice at random would give on the average."""

    placed: tuple[Placed, ...]
    open: tuple[Seat, ...]
    spares: dict[str, tuple[str, ...]]
    lacking: dict[str, int]
    expected: float
    by_chance: float


def seats_of(model: Model, q: Array, loads: Array) -> tuple[Seat, ...]:
    """All seats of a bench, for poses q (N, K) rad with loads (N, arms) kg in the hands."""
    bench = model.bench
    J = places(model.chain, q).J[:, :, 3:]
    lever = np.sqrt(np.mean(np.sum(J**2, axis=2), axis=0))
    torque = np.abs(gravity_torques(model.chain, q, loads) + spring_torques(model.springs, q)).max(axis=0)
    seats = [
        Seat(name, joint.servo_name, float(lever[i]), float(torque[i]))
        for i, (name, joint) in enumerate(zip(bench.joint_names, bench.joints, strict=True))
    ]
    for side in SIDES:
        gripper = bench.arm(side).gripper
        jaw = (gripper.opening[1] - gripper.opening[0]) / abs(gripper.angle_open - gripper.angle_shut)
        seats.append(Seat(f"{side} gripper", gripper.servo_name, float(jaw), 0.0))
    return tuple(seats)


def default_poses(model: Model, count: int = 64) -> Array:
    """Poses (n, K) to judge by where no routine is known: evenly spread over the joints' middle travel.

    Halton's sequence (Halton 1960, from memory); poses with a TCP below the table are left out.
    """
    K = model.chain.joints
    primes = [2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37, 41, 43][:K]
    u = np.empty((8 * count, K))
    for k, base in enumerate(primes):
        for n in range(len(u)):
            x, f, i = 0.0, 1.0 / base, n + 1
            while i:
                x += f * (i % base)
                i //= base
                f /= base
            u[n, k] = x
    low, high = model.chain.travel.T
    q = low + (0.15 + 0.7 * u) * (high - low)
    tips = places(model.chain, q).X_WT[:, :, 2, 3]
    good = (tips > 0.02).all(axis=1)
    return np.asarray(q[good][:count] if good.any() else q[:count])


def cost(seat: Seat, record: ServoRecord, bench: Bench) -> tuple[float, float]:
    """(miss m, margin): what a servo would do in a seat.

    The miss is that of a joint that may rest anywhere in its play and in its reversal, besides scatter and noise:
    standard deviations of even spreads are width/sqrt(12) (any textbook of statistics). Sag under the seat's
    torque counts by a fifth, as most of it is known and corrected (common practice, no source).
    """
    servo = bench.servo(record.servo_name)
    last = record.last
    assert last is not None

    def figure(key: str, default: float) -> float:
        row = last.figure(key)
        return default if row is None else row.value

    limits = servo.limits
    play = figure("play_deg", limits.play / DEGREE) * DEGREE
    reversal = figure("reversal_deg", limits.reversal / DEGREE) * DEGREE
    scatter = figure("repeatability_deg", limits.repeatability / DEGREE) * DEGREE
    noise = figure("noise_counts", limits.noise) / 1024.0
    table = np.array(last.feedback) if last.feedback is not None else None
    slope = abs((table[-1, 1] - table[0, 1]) / (table[-1, 0] - table[0, 0])) if table is not None else 0.15
    read = noise / slope / np.sqrt(bench.controller.averaged)
    droop = figure("droop_deg_per_Nm", 0.0) * DEGREE * seat.torque
    angle = np.sqrt((play**2 + reversal**2) / 12.0 + scatter**2 + read**2 + (0.2 * droop) ** 2)
    strength = figure("torque_pct", 100.0 * limits.holding) / 100.0 * servo.stall_torque
    margin = strength / seat.torque if seat.torque > 0.0 else np.inf
    return float(angle * seat.lever), float(margin)


def assign(seats: Sequence[Seat], records: Sequence[ServoRecord], bench: Bench) -> Assignment:
    """The choice of servos with the least sum of squared misses; weak ones are kept from heavy seats.

    `records`: servos that may be fitted. The assignment problem is solved class by class by scipy.
    """
    placed: list[Placed] = []
    empty: list[Seat] = []
    spares: dict[str, tuple[str, ...]] = {}
    lacking: dict[str, int] = {}
    chance = 0.0
    for name in sorted({seat.servo for seat in seats} | {record.servo_name for record in records}):
        mine = [seat for seat in seats if seat.servo == name]
        able = [record for record in records if record.servo_name == name]
        squares = np.zeros((len(mine), len(able)))
        pairs: dict[tuple[int, int], tuple[float, float]] = {}
        for i, seat in enumerate(mine):
            for j, record in enumerate(able):
                miss, margin = pairs[i, j] = cost(seat, record, bench)
                short = max(0.0, ENOUGH - margin)
                squares[i, j] = miss**2 + (short * _SHORTFALL) ** 2 + (_NEVER if margin < 1.0 else 0.0)
        rows, columns = linear_sum_assignment(squares) if squares.size else (np.array([], int), np.array([], int))
        taken = set()
        for i, j in zip(rows, columns, strict=True):
            if squares[i, j] >= _NEVER:
                continue
            taken.add(int(j))
            placed.append(Placed(mine[i], able[j].mark, *pairs[int(i), int(j)]))
        filled = {p.seat.name for p in placed}
        empty += [seat for seat in mine if seat.name not in filled]
        spares[name] = tuple(record.mark for j, record in enumerate(able) if j not in taken)
        missing = sum(1 for seat in mine if seat.name not in filled)
        want = missing + max(0, (SPARES if mine else 0) - len(spares[name]))
        if want:
            lacking[name] = want
        if pairs:
            for i in range(len(mine)):
                chance += float(np.mean([pairs[i, j][0] ** 2 for j in range(len(able))]))
    order = {seat.name: k for k, seat in enumerate(seats)}
    placed.sort(key=lambda p: order[p.seat.name])
    expected = float(np.sqrt(sum(p.miss**2 for p in placed)))
    return Assignment(tuple(placed), tuple(empty), spares, lacking, expected, float(np.sqrt(chance)))
