"""What a board shows of its wiring: looked at for a while without pulses, and while a hand wiggles one joint."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from handfast.bench.parts import SIDES, Bench, Gripper, Joint, Side
from handfast.board.host import HostBoard, Status
from handfast.board.limits import ChannelLimits
from handfast.geometry.rigid import Array
from handfast.units import DEGREE

NOISY = 8.0
"""Standard deviation of a frame's mean at rest, counts, above which a wiper is not well connected (trade: 1-3)."""
TOGETHER = 0.7
"""Correlation of wipers above which they wander together."""
SAME = 0.05
"""Counts within which wipers read the same: real ones never do, all of them."""
WIGGLE = 6.0 * DEGREE
"""Motion by hand that counts as a wiggle."""
CLEARLY = 3.0
"""By so much the joint that is wiggled moves more than any other."""


@dataclass(frozen=True)
class Wiper:
    """One channel as seen: mean and standard deviation in counts, angle rad if the bench has a servo there."""

    channel: int
    part: str
    mean: float
    deviation: float
    angle: float | None


@dataclass(frozen=True)
class Finding:
    """Something that looks wired wrongly: where, and what to do."""

    where: str
    text: str


@dataclass(frozen=True)
class Seen:
    """What a probe saw. supply: lowest, middle, highest V."""

    wipers: tuple[Wiper, ...]
    supply: tuple[float, float, float]
    findings: tuple[Finding, ...]


def parts(bench: Bench) -> list[tuple[Side, str, Joint | Gripper]]:
    """Side, name and description of every servo, in order of its channel."""
    found: list[tuple[Side, str, Joint | Gripper]] = []
    for side in SIDES:
        arm = bench.arm(side)
        found += [(side, f"{side} {joint.name}", joint) for joint in arm.joints]
        found.append((side, f"{side} gripper", arm.gripper))
    return sorted(found, key=lambda entry: entry[2].channel)


def look(bench: Bench, limits: dict[int, ChannelLimits], frames: Sequence[Status]) -> Seen:
    """Judge what some seconds without pulses showed; the relay is on."""
    from handfast.bench.lines import angle_of

    scale = 2**bench.controller.wiper_bits / 1024.0
    counts = np.array([s.wiper for s in frames], dtype=float) / 16.0
    volts = np.array([s.supply_mV for s in frames]) / 1e3
    supply = (float(volts.min()), float(np.median(volts)), float(volts.max()))
    named = {part.channel: (side, name, part) for side, name, part in parts(bench)}
    wipers, findings = [], []
    bad: list[int] = []
    # Slow motion, as of an arm that sinks, is no noise: differences between neighbours tell.
    steps = np.diff(counts, axis=0)
    noise = steps.std(axis=0) / np.sqrt(2.0) if len(steps) else np.zeros(12)
    for channel in range(counts.shape[1]):
        mean, deviation = float(counts[:, channel].mean()), float(noise[channel])
        known = named.get(channel)
        angle = None if known is None else float(angle_of(known[2], np.array(mean * scale)))
        wipers.append(Wiper(channel, known[1] if known else "", mean, deviation, angle))
        if known is None:
            continue
        window = limits[channel]
        if deviation > NOISY:
            bad.append(channel)
        elif not window.wiper_low <= 16 * mean <= window.wiper_high:
            end = "ground" if mean < 40 else "the servo's supply" if mean > 980 else ""
            where = f"{known[1]} (channel {channel})"
            findings.append(
                Finding(
                    where,
                    f"reads {mean:.0f} counts, outside {window.wiper_low / 16:.0f} to {window.wiper_high / 16:.0f}: "
                    + (
                        f"lies at {end}: the wiper wire is open or shorted, or this servo has no power"
                        if end
                        else "the joint is turned past its travel, or the horn sits on other teeth"
                    ),
                )
            )
    findings += _noisy(bad, named, steps)
    findings += _alike([w for w in wipers if w.part])
    findings += _supply(bench, supply)
    return Seen(tuple(wipers), supply, tuple(findings))


def _noisy(bad: list[int], named: dict[int, tuple[Side, str, Joint | Gripper]], steps: Array) -> list[Finding]:
    """Noisy wipers: one by one an open wire, all of an arm together a missing ground."""
    found = []
    for side in SIDES:
        mine = [c for c in bad if named[c][0] == side]
        of_arm = [c for c in named if named[c][0] == side]
        together = False
        if len(mine) >= 3 and 2 * len(mine) > len(of_arm):
            relation = np.asarray(np.corrcoef(steps[:, mine].T))
            together = float(np.median(relation[np.triu_indices(len(mine), 1)])) > TOGETHER
        if together:
            found.append(
                Finding(
                    f"{side} arm",
                    f"{len(mine)} of its {len(of_arm)} wipers wander together: its ground is missing or thin; run a "
                    "thick wire from the supply's minus to the controller's ground",
                )
            )
        else:
            found += [
                Finding(
                    f"{named[c][1]} (channel {c})",
                    "wanders by itself at rest: its wiper wire is open, or lies along a motor lead",
                )
                for c in mine
            ]
    return found


def _alike(wipers: list[Wiper]) -> list[Finding]:
    """Wipers that all show one and the same: what is read is no wiper."""
    means = [w.mean for w in wipers]
    if len(means) < 3 or max(means) - min(means) > SAME or max(w.deviation for w in wipers) > SAME:
        return []
    return [
        Finding(
            "all wipers",
            f"read the same, {means[0]:.1f} counts, and none of them moves: nothing can be told of the wiring from "
            "this; see whether the wipers and their ground are plugged in, then move joints by hand with --wiggle all",
        )
    ]


def _supply(bench: Bench, supply: tuple[float, float, float]) -> list[Finding]:
    low, middle, _ = supply
    nominal = bench.supply.voltage
    if middle < 0.3 * nominal:
        return [
            Finding(
                "supply", f"{middle:.2f} V with the relay on: the stop switch is open, a fuse is blown, or no supply"
            )
        ]
    if middle < 0.93 * nominal or middle > 1.12 * nominal:
        return [
            Finding(
                "supply",
                f"{middle:.2f} V where the bench says {nominal:g} V: measure at a servo plug; mend supply.voltage_V, "
                "its divider, or the supply",
            )
        ]
    if low < middle - max(0.25, 0.05 * nominal):
        return [
            Finding(
                "supply",
                f"sags to {low:.2f} V from {middle:.2f} V without any motion: thin leads, a loose plug, a weak supply",
            )
        ]
    return []


def look_at(board: HostBoard, bench: Bench, limits: dict[int, ChannelLimits], seconds: float = 2.0) -> Seen:
    """Watch a live board without pulses for a while, and judge."""
    first = board.statuses
    board.sleep(seconds)
    frames = [s for s in list(board.frames)[-(board.statuses - first) :] if s.known]
    if len(frames) < 20:
        frames = list(board.frames)[-20:]
    return look(bench, limits, frames)


@dataclass(frozen=True)
class Wiggle:
    """A joint that was wiggled by hand: which channel moved (None: none did), by how many counts, and its way."""

    part: str
    channel: int
    moved: int | None
    by: float

    @property
    def right(self) -> bool:
        """Whether the channel that moved is the one that the bench names."""
        return self.moved == self.channel


def wiggle(
    board: HostBoard, bench: Bench, part: Joint | Gripper, name: str, patience: float, skip: Callable[[], bool]
) -> Wiggle:
    """Wait for a hand to move one limp joint, and see which wiper moves; `skip` ends the waiting."""
    scale = 1024.0 / 2**bench.controller.wiper_bits
    need = WIGGLE * abs(part.wiper_slope) * scale
    start = np.mean([s.wiper for s in list(board.frames)[-10:]], axis=0) / 16.0
    waited = 0.0
    while waited < patience and not skip():
        board.sleep(0.1)
        waited += 0.1
        moved = np.array(board.known().wiper) / 16.0 - start
        order = np.argsort(-np.abs(moved))
        if abs(moved[order[0]]) > need and abs(moved[order[0]]) > CLEARLY * abs(moved[order[1]]):
            board.sleep(0.6)  # let it come to its end
            moved = np.array(board.known().wiper) / 16.0 - start
            most = int(order[0])
            return Wiggle(name, part.channel, most, float(moved[most]))
    return Wiggle(name, part.channel, None, 0.0)


def swapped(bench: Bench, wiggles: Sequence[Wiggle]) -> list[Finding]:
    """What the wiggles say about wires at the wrong places."""
    names = {part.channel: name for _, name, part in parts(bench)}
    found = []
    for w in wiggles:
        if w.moved is None:
            found.append(
                Finding(f"{w.part} (channel {w.channel})", "no wiper moved clearly: open wire, or not wiggled")
            )
        elif not w.right:
            other = next((v for v in wiggles if v.channel == w.moved and v.moved == w.channel), None)
            belongs = names.get(w.moved, "no servo of this bench")
            text = f"moves the wiper of channel {w.moved}, which belongs to {belongs}"
            text += ": these two are swapped" if other else ": its lead is in the wrong place, or bench.toml says so"
            found.append(Finding(f"{w.part} (channel {w.channel})", text))
    return found
