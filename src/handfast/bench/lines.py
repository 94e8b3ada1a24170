"""Pulses and feedback counts as angles and back: a servo's measured tables, or its straight lines."""

from __future__ import annotations

import numpy as np

from handfast.bench.parts import SIDES, Bench, Servo, Servoed
from handfast.geometry.rigid import Array

BEYOND = 0.5
"""How far a feedback table is continued straight beyond its ends, rad."""


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


def wiper_points(part: Servoed) -> Array:
    """A measured feedback table (N, 2), rad and counts, its ends continued straight by `BEYOND`.

    At its ends it would stand still: arms are led past them, and their feedback goes on.
    """
    table = np.array(part.wiper_rows)
    first = table[0] + (table[0] - table[1]) * BEYOND / (table[1, 0] - table[0, 0])
    last = table[-1] + (table[-1] - table[-2]) * BEYOND / (table[-1, 0] - table[-2, 0])
    result: Array = np.vstack([first, table, last])
    return result


def angle_of(part: Servoed, counts: Array) -> Array:
    """Angle rad that feedback `counts` show."""
    if part.wiper_rows is not None:
        table = wiper_points(part)
        order = np.argsort(table[:, 1])
        found: Array = np.interp(counts, table[order, 1], table[order, 0])
        return found
    result: Array = (np.asarray(counts, dtype=float) - part.wiper_at_zero) / part.wiper_slope
    return result


def counts_of(part: Servoed, angle: Array) -> Array:
    """Feedback counts at an angle."""
    if part.wiper_rows is not None:
        table = wiper_points(part)
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


class FrameLines:
    """The same for one frame at a time, many thousand times a run: tables and lines looked up once.

    `pulses` and `angles` give what `joint_pulses` and `angle_of` give.
    """

    def __init__(self, bench: Bench):
        parts: list[Servoed] = [*bench.joints, *(bench.arm(side).gripper for side in SIDES)]
        servos = [bench.servo_of(part) for part in parts]
        self._joints = len(bench.joints)
        self._count = bench.controller.channels
        self._channel = np.array([part.channel for part in parts])
        self._low = np.array([servo.pulse_low for servo in servos])
        self._high = np.array([servo.pulse_high for servo in servos])
        self._zero = np.array([part.pulse_at_zero for part in parts])
        self._slope = np.array([pulse_per_angle(part, servo) for part, servo in zip(parts, servos, strict=True)])
        self._sent = [(i, np.array(part.pulse_rows).T) for i, part in enumerate(parts) if part.pulse_rows is not None]
        self._wiper_zero = np.array([joint.wiper_at_zero for joint in bench.joints])
        self._wiper_slope = np.array([joint.wiper_slope for joint in bench.joints])
        self._shown = []
        for i, joint in enumerate(bench.joints):
            if joint.wiper_rows is not None:
                table = wiper_points(joint)
                self._shown.append((i, table[np.argsort(table[:, 1])].T))
        self._grippers = [bench.arm(side).gripper for side in SIDES]
        grippers = [bench.arm(side).gripper for side in SIDES]
        self._shut = np.array([g.opening[0] for g in grippers])
        self._open = np.array([g.opening[1] for g in grippers])
        self._angle_shut = np.array([g.angle_shut for g in grippers])
        self._angle_open = np.array([g.angle_open for g in grippers])

    def pulses(self, q: Array, gaps: Array) -> Array:
        """Pulses (channels,), s, for joint angles (K,) and gaps between the pads (2,) m; 0 where none."""
        angle = np.concatenate([q, self.gap_angles(gaps)])
        pulse = self._zero + self._slope * angle
        for i, (angles, pulses) in self._sent:
            pulse[i] = np.interp(angle[i], angles, pulses)
        result = np.zeros(self._count)
        result[self._channel] = np.minimum(np.maximum(pulse, self._low), self._high)
        return result

    def angles(self, counts: Array, scale: Array) -> Array:
        """Joint angles (K,) rad that feedback counts (channels,), divided by `scale` (K,), show."""
        own = counts[self._channel[: self._joints]] / scale
        result: Array = (own - self._wiper_zero) / self._wiper_slope
        for i, (angles, shown) in self._shown:
            result[i] = np.interp(own[i], shown, angles)
        return result

    def jaw_angles(self, counts: Array, scale: Array) -> Array:
        """Angles (2,) rad of the grippers' servos that feedback counts (channels,), divided by `scale` (2,), show."""
        own = [counts[g.channel] / scale[arm] for arm, g in enumerate(self._grippers)]
        return np.array([float(angle_of(g, np.array(c))) for g, c in zip(self._grippers, own, strict=True)])

    def gap_angles(self, gaps: Array) -> Array:
        """Angles (2,) rad of the grippers' servos at gaps (2,) m between their pads."""
        share = (gaps - self._shut) / (self._open - self._shut)
        result: Array = self._angle_shut + share * (self._angle_open - self._angle_shut)
        return result


def noise_angles(bench: Bench) -> Array:
    """Standard deviation (K,) rad of one averaged feedback sample of each joint."""
    share = 1.0 / np.sqrt(bench.controller.averaged)
    return np.array([abs(j.wiper_noise / j.wiper_slope) * share for j in bench.joints])
