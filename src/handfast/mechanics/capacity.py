"""What one arm can do in a pose: the heaviest thing it holds still, and how fast its TCP may go."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.bench.parts import SIDES, Side
from handfast.geometry.rigid import Array, shift
from handfast.mechanics.dynamics import gravity_torques, spring_torques
from handfast.mechanics.inverse import solve
from handfast.mechanics.kinematics import tool_poses
from handfast.mechanics.model import Model
from handfast.mechanics.supply import arm_currents, servo_currents, voltages

_ROUNDS = 6


@dataclass(frozen=True)
class Capacity:
    """A number that one joint bounds: kg, or m/s, and the joint's name without its arm."""

    amount: float
    joint: str


def _torques(model: Model, side: Side, q: Array) -> tuple[Array, Array]:
    """Torques (K,) N·m that hold both arms still at q (K,), and what each kg in the hand of `side` adds."""
    one = np.zeros(2)
    one[SIDES.index(side)] = 1.0
    empty, loaded = gravity_torques(model.chain, q)[0], gravity_torques(model.chain, q, one)[0]
    return empty + spring_torques(model.springs, q[None])[0], loaded - empty


def _voltage(model: Model, side: Side, tau: Array, qd: Array) -> float:
    """Voltage at the servos of `side` while its arm works and the other one idles."""
    columns = model.bench.columns(side)
    currents = servo_currents(model, np.zeros((1, len(tau))), np.zeros((1, len(tau))))
    currents[:, columns] = servo_currents(model, tau[None], qd[None])[:, columns]
    both = arm_currents(model, currents)
    return float(voltages(model.bench, both)[0, SIDES.index(side)])


def most_load(model: Model, side: Side, q: Array, enough: float = 1.0) -> Capacity:
    """The heaviest thing, kg, that an arm holds still at q (K,) with `enough` times the torque needed available.

    A point mass at the TCP. The voltage is what reaches the servos at the currents that they then draw; 0 if
    the arm cannot even hold itself. Whether the jaws keep hold of the thing is another matter.
    """
    columns = model.bench.columns(side)
    empty, per_kg = _torques(model, side, q)
    mass, joint = 0.0, 0
    for _ in range(_ROUNDS):
        k = _voltage(model, side, empty + mass * per_kg, np.zeros(len(q))) / model.rated_voltage[columns]
        mass, joint = _bounded(empty[columns], per_kg[columns], np.maximum(k, 0.0) * model.stall[columns] / enough)
    return Capacity(mass, model.bench.arm(side).joints[joint].name)


def load_for_ever(model: Model, side: Side, q: Array) -> Capacity:
    """The heaviest thing, kg, that an arm holds at q (K,) for as long as one likes: continuous torque only."""
    columns = model.bench.columns(side)
    empty, per_kg = _torques(model, side, q)
    joints = model.bench.arm(side).joints
    share = np.array([model.bench.servo_of(joint).continuous for joint in joints])
    mass, joint = _bounded(empty[columns], per_kg[columns], share * model.stall[columns])
    return Capacity(mass, joints[joint].name)


def _bounded(empty: Array, per_kg: Array, limit: Array) -> tuple[float, int]:
    """Largest mass ≥ 0 with |empty + mass·per_kg| ≤ limit in every joint, and the joint that bounds it."""
    with np.errstate(divide="ignore"):
        most = np.where(np.abs(per_kg) > 1e-12, (limit - np.sign(per_kg) * empty) / np.abs(per_kg), np.inf)
    most = np.where(np.abs(empty) > limit, 0.0, most)
    joint = int(np.argmin(most))
    return max(0.0, float(most[joint])), joint


def top_speed(
    model: Model, side: Side, q: Array, direction: Array, load: float = 0.0, enough: float = 1.0
) -> Capacity | None:
    """Steady speed of the TCP, m/s, in `direction` (3,) through the pose at q (K,), `load` kg in the hand.

    The hand keeps its turn as far as the joints let it. Each servo has `enough` times the torque that holds the
    weights available at its speed: |qd| ≤ k·free·(1 - enough·|tau|/(k·stall)). None where the arm cannot go
    that way from this pose.
    """
    arm, columns = SIDES.index(side), model.bench.columns(side)
    chain = model.chain.only(arm)
    X_WT = tool_poses(chain, q[columns])[0, 0]
    step = 1e-3 * np.asarray(direction) / np.linalg.norm(direction)
    rates = []
    for way in (1.0, -1.0):
        found = solve(chain, shift(way * step) @ X_WT, q[columns])
        if found.short[0] > 1e-5 or found.beyond[0] > 1e-6:
            return None
        rates.append(np.abs(found.q[0] - q[columns]) / 1e-3)
    rate = np.maximum(*rates)
    empty, per_kg = _torques(model, side, q)
    tau = empty + load * per_kg
    speed, joint = 0.0, 0
    for _ in range(_ROUNDS):
        qd = np.zeros(len(q))
        qd[columns] = speed * rate
        k = np.maximum(_voltage(model, side, tau, qd), 1e-6) / model.rated_voltage[columns]
        free = k * model.free_speed[columns] * (1.0 - enough * np.abs(tau[columns]) / (k * model.stall[columns]))
        allowed = np.where(rate > 1e-9, np.maximum(free, 0.0) / np.maximum(rate, 1e-9), np.inf)
        # A joint that does not turn must still hold.
        allowed = np.where(free < 0.0, 0.0, allowed)
        joint = int(np.argmin(allowed))
        speed = float(allowed[joint])
    return Capacity(speed, model.bench.arm(side).joints[joint].name)
