"""Pulses and feedback counts as angles and back: a servo's measured tables, or its straight lines."""

from __future__ import annotations

import numpy as np

from handfast.bench.parts import SIDES, Bench, Servo, Servoed
from handfast.geometry.rigid import Array


def pulse_of(part: Servoed, servo: Servo, angle: Array) -> Array:
    """Pulse width, s, that asks for `angle` rad, within the servo's pulse range."""
    if part.pulse_rows is not None:
        table = np.array(part.pulse_rows)
        # Clamped at the ends: beyond a measured table the servo is not sent.
        pulse: Array = np.interp(angle, table[:, 0], table[:, 1])
    else:
        slope = servo.pulse_slope if part.pulse_slope is None else part.pulse_slope
        pulse = part.pulse_at_zero + slope * np.asarray(angle)
    result: Array = np.clip(pulse, servo.pulse_low, servo.pulse_high)
    return result


def pulse_per_angle(part: Servoed, servo: Servo) -> float:
    """Mean change of pulse per rad, s."""
    if part.pulse_rows is not None:
        table = np.array(part.pulse_rows)
        return float((table[-1, 1] - table[0, 1]) / (table[-1, 0] - table[0, 0]))
    return servo.pulse_slope if part.pulse_slope is None else part.pulse_slope


def angle_of(part: Servoed, counts: Array) -> Array:
    """Angle rad that feedback `counts` show."""
    if part.wiper_rows is not None:
        table = np.array(part.wiper_rows)
        order = np.argsort(table[:, 1])
        found: Array = np.interp(counts, table[order, 1], table[order, 0])
        return found
    result: Array = (np.asarray(counts, dtype=float) - part.wiper_at_zero) / part.wiper_slope
    return result


def counts_of(part: Servoed, angle: Array) -> Array:
    """Feedback counts at an angle."""
    if part.wiper_rows is not None:
        table = np.array(part.wiper_rows)
        found: Array = np.interp(angle, table[:, 0], table[:, 1])
        return found
    result: Array = part.wiper_at_zero + part.wiper_slope * np.asarray(angle)
    return result


def joint_angles(bench: Bench, counts: Array) -> Array:
    """Angles (N, K) of all joints from the feedback (N, channels)."""
    return np.column_stack([angle_of(joint, counts[:, joint.channel]) for joint in bench.joints])


def joint_pulses(bench: Bench, q: Array, gaps: Array) -> Array:
    """Pulses (N, channels), s, for joint angles (N, K) and gaps between the pads (N, 2) m; 0 where none."""
    pulses = np.zeros((len(q), bench.controller.channels))
    for i, joint in enumerate(bench.joints):
        pulses[:, joint.channel] = pulse_of(joint, bench.servo_of(joint), q[:, i])
    for arm, side in enumerate(SIDES):
        gripper = bench.arm(side).gripper
        share = (gaps[:, arm] - gripper.opening[0]) / (gripper.opening[1] - gripper.opening[0])
        angle = gripper.angle_shut + share * (gripper.angle_open - gripper.angle_shut)
        pulses[:, gripper.channel] = pulse_of(gripper, bench.servo_of(gripper), angle)
    return pulses


def noise_angles(bench: Bench) -> Array:
    """Standard deviation (K,) rad of one averaged feedback sample of each joint."""
    share = 1.0 / np.sqrt(bench.controller.averaged)
    return np.array([abs(j.wiper_noise / j.wiper_slope) * share for j in bench.joints])
