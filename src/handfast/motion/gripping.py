"""How far jaws are asked to close on a thing: a position servo presses only while it cannot go where it is sent."""

from __future__ import annotations

from handfast.bench.parts import Bench, Gripper, Thing

GRIP_SHARE = 0.5
"""Share of the gripper servo's stall torque with which it holds a thing: for longer than a servo is loaded without
end, and less than it stalls with (common practice, no source)."""

CRUSH_SHARE = 0.5
"""It never presses harder than this share of what damages the thing (common practice, no source)."""


def grip_share(bench: Bench, gripper: Gripper, thing: Thing) -> float:
    """Share of its stall torque, at the supply's voltage, with which a gripper's servo shall hold a thing."""
    servo = bench.servo_of(gripper)
    stall = servo.stall_torque * bench.supply.voltage / servo.rated_voltage
    return min(GRIP_SHARE, CRUSH_SHARE * thing.crush_force * gripper.lever / stall)


def grip_force(bench: Bench, gripper: Gripper, thing: Thing) -> float:
    """Force, N, with which each pad shall press on a thing."""
    servo = bench.servo_of(gripper)
    stall = servo.stall_torque * bench.supply.voltage / servo.rated_voltage
    return grip_share(bench, gripper, thing) * stall / gripper.lever


def press_angle(bench: Bench, gripper: Gripper, thing: Thing) -> float:
    """How far, rad, a gripper's servo stays behind its command, on top of what its gears cost, while it presses so.

    A proportional drive: the share of the error at which it gives all of its torque.
    """
    return bench.servo_of(gripper).full_drive_error * grip_share(bench, gripper, thing)


def gears_angle(bench: Bench, gripper: Gripper) -> float:
    """How far, rad, it stays behind while nothing is between the jaws: friction of its gears, or half its dead band."""
    servo = bench.servo_of(gripper)
    return max(servo.full_drive_error * servo.limp_friction, servo.dead_band_angle / 2.0)


def closing_gap(bench: Bench, gripper: Gripper, thing: Thing) -> float:
    """Gap, m, to ask for: the thing's width less what the servo stays behind while it presses, and half its play.

    Where the jaws' feedback is watched, this is where they are thought to end; where it is not, it is all there is.
    """
    servo = bench.servo_of(gripper)
    behind = press_angle(bench, gripper, thing) + gears_angle(bench, gripper) + servo.seen_play / 2.0
    return max(thing.grip_width - behind * gap_per_angle(gripper), tightest(gripper))


def gap_per_angle(gripper: Gripper) -> float:
    """Metres of gap per radian of the servo."""
    return (gripper.opening[1] - gripper.opening[0]) / abs(gripper.angle_open - gripper.angle_shut)


def tightest(gripper: Gripper) -> float:
    """Least gap, m, that can be asked for: past shut as far as the servo's travel lets it, for things thin as paper."""
    sign = 1.0 if gripper.angle_open > gripper.angle_shut else -1.0
    end = gripper.travel[0] if sign > 0 else gripper.travel[1]
    return gripper.opening[0] - sign * (gripper.angle_shut - end) * gap_per_angle(gripper)
