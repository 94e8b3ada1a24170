"""The limits of a bench as they are loaded onto a board."""

from __future__ import annotations

import zlib

import numpy as np

from handfast.bench.lines import counts_of, pulse_of
from handfast.bench.parts import SIDES, Bench, Joint, Servoed
from handfast.board.limits import BenchLimits, ChannelLimits
from handfast.board.wiring import fits
from handfast.errors import InputError
from handfast.units import DEGREE

POINTS = 9
FRAME = 0.02
WINDOW = 25.0 * DEGREE
"""How far past a joint's travel a wiper may show before it counts as open: arms are not what they were designed as."""
FOLLOW, FOLLOW_MS = 20.0 * DEGREE, 1000
"""A servo that stays further away than this, for this long, without coming nearer, does not follow."""
SPEED = 1.3
"""Slew limit, of the servo's speed without load."""
SAGGED = 0.7
"""Supply voltage, of the nominal one, below which it counts as failing."""


def eighths(seconds: float) -> int:
    """A pulse in s as the wire has it, µs/8."""
    return round(seconds * 8e6)


def supply_ratio(bench: Bench) -> int:
    """By what the supply is divided before it is measured."""
    return max(2, int(np.ceil(1.3 * bench.supply.voltage / bench.controller.reference)))


def channel_limits(bench: Bench, part: Servoed) -> ChannelLimits:
    """Limits and table of one servo."""
    servo = bench.servo_of(part)
    low, high = part.travel  # type: ignore[attr-defined]
    full = 2**bench.controller.wiper_bits

    def counts16(angle: np.ndarray) -> np.ndarray:
        return np.asarray(counts_of(part, angle) * (1024.0 / full) * 16.0)

    ends = [eighths(float(pulse_of(part, servo, np.array(a)))) for a in (low, high)]
    window = np.sort(counts16(np.array([low - WINDOW, high + WINDOW])))
    angles = np.linspace(low, high, POINTS)
    pulses = np.rint(pulse_of(part, servo, angles) * 8e6).astype(int)
    wipers = np.rint(counts16(angles)).astype(int)
    if wipers[-1] < wipers[0]:
        pulses, wipers = pulses[::-1], wipers[::-1]
    good = (
        np.all(np.diff(wipers) > 0)
        and (np.all(np.diff(pulses) > 0) or np.all(np.diff(pulses) < 0))
        and wipers[0] >= 0
        and wipers[-1] <= 16368
    )
    shown = counts16(np.array([low, high]))
    per_angle = abs(float(shown[1] - shown[0])) / (high - low)
    slope = abs(ends[1] - ends[0]) / (high - low)
    return ChannelLimits(
        travel_low=min(ends),
        travel_high=max(ends),
        slew=int(np.clip(SPEED * servo.no_load_speed * FRAME * slope, 8, 8000)),
        park=0,
        wiper_low=int(np.clip(window[0], 32, 16368)),
        wiper_high=int(np.clip(window[1], 32, 16320)),
        # A gripper closes on things: its servo is meant to stay away from its pulse.
        follow=int(np.clip(FOLLOW * per_angle, 16, 16368)) if isinstance(part, Joint) and good else 0,
        follow_ms=FOLLOW_MS,
        wipers=tuple(int(w) for w in wipers) if good else (),
        pulses=tuple(int(p) for p in pulses) if good else (),
    )


def limits_of(bench: Bench) -> tuple[BenchLimits, dict[int, ChannelLimits]]:
    """Everything a board has to know of this bench. Raises InputError if the board cannot serve it."""
    fits(bench)
    if abs(bench.controller.frame - FRAME) > 1e-9:
        raise InputError(
            f"frames of {bench.controller.frame * 1e3:g} ms",
            where="controller.frame_ms in bench.toml",
            expected="20: the board sends its pulses every 20 ms",
            next_step="mend it; other frames are for simulated arms",
        )
    channels = {}
    for side in SIDES:
        for part in (*bench.arm(side).joints, bench.arm(side).gripper):
            channels[part.channel] = channel_limits(bench, part)
    rule = bench.stop_rule
    limits = BenchLimits(
        stamp=0,
        stop_category=rule.category,
        stop_time_ms=int(np.clip(round(rule.time * 1e3), 100, 5000)),
        stop_pose=0,
        brown_out_mV=round(SAGGED * bench.supply.voltage * 1e3),
        supply_full_mV=round(bench.controller.reference * supply_ratio(bench) * 1e3),
        current_full_mA=50_000,
    )
    stamp = zlib.crc32(repr((limits, sorted(channels.items()))).encode()) or 1
    return BenchLimits(**{**limits.__dict__, "stamp": stamp}), channels
