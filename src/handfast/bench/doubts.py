"""Figures of a bench that are so far from what such a thing can be that they were probably given in another unit.

They are told, never refused: somebody may build it all the same. Bounds are common practice for printed servo arms, no
source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from handfast.bench.parts import SIDES, Bench
from handfast.units import DEGREE

LIGHT, HEAVY = 1e-3, 5.0
"""A link or gripper weighs more than the one and less than the other, kg."""
SHORT, THIN = 5e-3, 2e-3
"""A link's body, or the way to a TCP, is longer than the one, and a body's radius larger than the other, m."""
LEAST_TRAVEL = 10.0 * DEGREE
"""A joint turns by more than this, rad."""
LEAST_REACH, MOST_REACH = 0.05, 3.0
"""Joint offsets and the way to the TCP, added up, m."""
NEAREST_BASES = 0.03
"""m."""
SMALL_THING, LIGHT_THING, HEAVY_THING = 2e-3, 1e-4, 5.0
"""Largest extent, m, and mass, kg, of what arms handle."""


def doubts(bench: Bench) -> tuple[str, ...]:
    """Where, which figure, and what it may be meant as, one line each; empty where all look likely."""
    return tuple(_found(bench))


def _found(bench: Bench) -> Iterator[str]:
    for side in SIDES:
        arm = bench.arm(side)
        for joint in arm.joints:
            name = f"{side} {joint.name}"
            yield from _mass(name, "a link", joint.mass)
            yield from _length(name, "a link's body", "capsule_to_mm", joint.capsule_to, joint.capsule_from)
            if joint.capsule_radius < THIN:
                yield _unlikely(name, "capsule_radius_mm", joint.capsule_radius * 1e3, "a body so thin", "metres or cm")
            yield from _travel(name, joint.travel)
        name = f"{side} gripper"
        yield from _mass(name, "a gripper", arm.gripper.mass)
        yield from _length(name, "a way to the TCP", "tcp_mm", arm.gripper.tcp)
        yield from _travel(name, arm.gripper.travel)
        reach = sum(math.hypot(*joint.offset) for joint in arm.joints[1:]) + math.hypot(*arm.gripper.tcp)
        if not LEAST_REACH <= reach <= MOST_REACH:
            yield (
                f"{side} arm: its offset_mm and tcp_mm add up to {reach * 1e3:.4g} mm: unlikely for an arm; are they "
                "given in mm?"
            )
        for turned in (math.pi, math.pi / 2.0):
            if abs(abs(arm.yaw / DEGREE) - turned) < 0.005:
                yield _unlikely(f"{side} arm", "base_yaw_deg", arm.yaw / DEGREE, "so small a turn", "radians")
    apart = math.dist(bench.arms.left.base, bench.arms.right.base)
    if apart < NEAREST_BASES:
        yield (
            f"arms: base_mm of both lie {apart * 1e3:.4g} mm apart: one would stand in the other; are they given in mm?"
        )
    if min(np.subtract(bench.table_top.high, bench.table_top.low)) < LEAST_REACH:
        yield "table: low_mm and high_mm lie less than 50 mm apart: no table is so small; are they given in mm?"
    for thing in bench.things:
        if max(thing.size) < SMALL_THING:
            yield _unlikely(f"thing {thing.name}", "size_mm", max(thing.size) * 1e3, "so small a thing", "metres or cm")
        yield from _mass(f"thing {thing.name}", "a thing", thing.mass, LIGHT_THING, HEAVY_THING)


def _unlikely(where: str, key: str, value: float, what: str, meant: str) -> str:
    return f"{where}: {key} = {value:.4g}: {what} is unlikely; is it given in {meant}?"


def _mass(where: str, what: str, mass: float, light: float = LIGHT, heavy: float = HEAVY) -> Iterator[str]:
    # A mass of 0 is a figure that is left out, in whatever unit.
    if 0.0 < mass < light:
        yield _unlikely(where, "mass_g", mass * 1e3, f"{what} so light", "kilograms")
    elif mass > heavy:
        yield _unlikely(where, "mass_g", mass * 1e3, f"{what} so heavy", "milligrams")


def _length(
    where: str, what: str, key: str, end: tuple[float, ...], start: tuple[float, ...] = (0.0, 0.0, 0.0)
) -> Iterator[str]:
    length = math.dist(end, start)
    if 0.0 < length < SHORT:
        shown = ", ".join(f"{x * 1e3:.4g}" for x in end)
        yield f"{where}: {key} = [{shown}]: {what} so short is unlikely; is it given in metres?"


def _travel(where: str, travel: tuple[float, ...]) -> Iterator[str]:
    if travel[1] - travel[0] < LEAST_TRAVEL:
        low, high = (angle / DEGREE for angle in travel)
        yield f"{where}: travel_deg = [{low:.4g}, {high:.4g}]: so small a travel is unlikely; is it given in radians?"
