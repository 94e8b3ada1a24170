"""How far jaws are asked to close on a thing: a position servo presses only while it cannot go where it is sent."""

from __future__ import annotations

from handfast.bench.parts import Bench, Gripper, Thing

GRIP_SHARE = 0.6
"""Share of the gripper servo's stall torque with which it holds a thing (common practice, no source)."""

CRUSH_SHARE = 0.5
"""It never presses harder than this share of what damages the thing (common practice, no source)."""


def grip_force(bench: Bench, gripper: Gripper, thing: Thing) -> float:
    """Force, N, with which each pad shall press on a thing."""
    stall = bench.servo_of(gripper).stall_torque * bench.supply.voltage / bench.servo_of(gripper).rated_voltage
    return min(GRIP_SHARE * stall / gripper.lever, CRUSH_SHARE * thing.crush_force)


def closing_gap(bench: Bench, gripper: Gripper, thing: Thing) -> float:
    """Gap, m, to ask for: the thing's width less what the servo stays behind while it presses.

    It stays behind by the error at which its drive gives the torque, force · lever, less its dead band's half, which
    comes first where the force is small; and by half the play between its motor and its feedback.
    """
    servo = bench.servo_of(gripper)
    stall = servo.stall_torque * bench.supply.voltage / servo.rated_voltage
    behind = servo.full_drive_error * grip_force(bench, gripper, thing) * gripper.lever / stall
    behind = max(behind, servo.dead_band_angle / 2.0) + servo.seen_play / 2.0
    span = gripper.opening[1] - gripper.opening[0]
    per_angle = span / abs(gripper.angle_open - gripper.angle_shut)
    # Past shut by as much as the servo's travel lets it, for a thing as thin as a label.
    sign = 1.0 if gripper.angle_open > gripper.angle_shut else -1.0
    end = gripper.travel[0] if sign > 0 else gripper.travel[1]
    least = gripper.opening[0] - sign * (gripper.angle_shut - end) * per_angle
    return max(thing.grip_width - behind * per_angle, least)
