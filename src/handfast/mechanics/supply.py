"""Current that the servos draw, and the voltage that reaches them.

A DC motor's current is set by its torque: from the no-load current at none to the stall current at stall
torque, whatever the voltage. Lead, connectors and supply resistance then take their share of the voltage.
"""

from __future__ import annotations

import numpy as np

from handfast.bench.parts import SIDES, Bench
from handfast.geometry.rigid import Array
from handfast.mechanics.model import Model


def electric_figures(model: Model) -> Array:
    """All figures of the bench that decide torque limits, currents and voltages, in one row."""
    bench = model.bench
    servos = [bench.servo_of(joint) for joint in bench.joints]
    currents = [x for s in servos for x in (s.stall_current, s.no_load_current, s.idle_current)]
    leads = [bench.arm(side).wire.resistance for side in SIDES]
    return np.array(
        [*model.stall, *model.free_speed, *model.rated_voltage, *currents, *leads,
         bench.supply.voltage, bench.supply.resistance]
    )  # fmt: skip


def servo_currents(model: Model, tau: Array, qd: Array) -> Array:
    """Current of each joint's servo (N, K), A, at motor torque `tau` N·m and speed `qd` rad/s.

    Linear DC motor: I = I0 + (Is - I0)·|tau|/stall while it turns or pushes; the idle current at rest.
    """
    servos = [model.bench.servo_of(joint) for joint in model.bench.joints]
    stall_current = np.array([s.stall_current for s in servos])
    free_current = np.array([s.no_load_current for s in servos])
    idle = np.array([s.idle_current for s in servos])
    share = np.minimum(np.abs(tau) / model.stall, 1.0)
    turning = np.abs(qd) > 1e-6
    base = np.where(turning, free_current, idle)
    result: Array = base + (stall_current - base) * share
    return result


def arm_currents(model: Model, currents: Array, grips: Array | None = None) -> Array:
    """Current in each arm's lead (N, 2): its joints and its gripper. grips (N, 2): gripper currents, A."""
    result = np.column_stack([currents[:, model.bench.columns(side)].sum(axis=1) for side in SIDES])
    return result if grips is None else result + grips


def voltages(bench: Bench, currents: Array) -> Array:
    """Voltage at each arm's servos (N, 2) for the arms' currents (N, 2)."""
    total = currents.sum(axis=1, keepdims=True)
    leads = np.array([bench.arm(side).wire.resistance for side in SIDES])
    result: Array = bench.supply.voltage - bench.supply.resistance * total - leads * currents
    return result


def at_joints(bench: Bench, per_arm: Array) -> Array:
    """A value per arm (N, 2) repeated for each of its joints (N, K)."""
    return np.concatenate(
        [np.repeat(per_arm[:, i : i + 1], len(bench.arm(side).joints), axis=1) for i, side in enumerate(SIDES)],
        axis=1,
    )


def torque_limits(model: Model, voltage: Array, speed: Array, tau: Array) -> Array:
    """Torque (N, K) that each servo can give in the direction of `tau` at that speed and voltage.

    Driving: k·stall·(1 - |w|/(k·w0)) with k = V/V_rated; braking: k·stall.
    """
    k = voltage / model.rated_voltage
    fade = np.maximum(0.0, 1.0 - np.abs(speed) / (k * model.free_speed))
    drives = tau * speed > 0.0
    result: Array = k * model.stall * np.where(drives, fade, 1.0)
    return result
