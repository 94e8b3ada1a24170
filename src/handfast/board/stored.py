"""A routine that the Python board keeps over a reset and plays by itself, as the firmware does (docs/protocol.md)."""

from __future__ import annotations

import struct
from dataclasses import dataclass, field

from handfast.board.framing import crc16
from handfast.board.limits import BenchLimits, ChannelLimits

Pulses = tuple[int, ...]
HELD_US = 1_000_000
"""How long the pedal is held before anything starts."""
RELEASED_US = 50_000
"""How long it has to be seen released before it may be pressed."""
AHEAD = 4
"""Pieces of the way kept waiting."""
LONGEST_PIECE = 100
"""Frames; a longer way to a knot goes in pieces of half of that, so that none lies beyond the horizon."""


def knot_bytes(frames: int, pulses: Pulses) -> bytes:
    """A knot as it is kept, and as the check over all of them counts it: 26 bytes."""
    return struct.pack("<H12H", frames, *pulses)


def check_of(knots: list[tuple[int, Pulses]]) -> int:
    """CRC-16/IBM-3740 over all knots."""
    return crc16(b"".join(knot_bytes(frames, pulses) for frames, pulses in knots))


def steepest(before: Pulses, after: Pulses, frames: int, number: int) -> int:
    """By how much a channel's pulse changes per frame on the way between two knots at most, µs/8."""
    return -(-abs(after[number] - before[number]) // frames)


@dataclass
class Kept:
    """What has been written: knots (frames since the one before, pulses of all channels) with the limits they need."""

    knots: list[tuple[int, Pulses]] = field(default_factory=list)
    expected: int = 0
    mask: int = 0
    crc: int = 0
    ramp: int = 1
    hold: int = 1
    repeats: int = 1
    bench: BenchLimits | None = None
    limits: tuple[ChannelLimits | None, ...] = ()
    valid: bool = False

    @property
    def frames(self) -> int:
        """From the first knot to the last."""
        return sum(frames for frames, _ in self.knots[1:])


@dataclass
class Playing:
    """Where a stored routine is. by_host: it was asked for over the wire, and a heartbeat watches over it."""

    kept: Kept
    by_host: bool
    phase: str = "settle"
    channel: int = 0
    knot: int = 0
    lap: int = 0
    left: int = 0
    at: int = 0
    before: list[int] = field(default_factory=list)

    def next_channel(self) -> int | None:
        """The channel that is to be attached next; None when all are."""
        while self.channel < 12 and not self.kept.mask >> self.channel & 1:
            self.channel += 1
        return self.channel if self.channel < 12 else None

    def begin_way(self, now: int, pulses: list[int], frame: int) -> None:
        """All channels hold where they were found: on to the first knot, together."""
        self.phase, self.knot, self.at, self.before = "run", 0, now + 2 * frame, pulses

    def next_piece(self, frame: int) -> tuple[int, Pulses] | None:
        """The next piece of the way: its time and its pulses; None at the end."""
        kept = self.kept
        if self.knot == len(kept.knots):
            if self.lap + 1 >= kept.repeats:
                return None
            self.lap, self.knot = self.lap + 1, 0
        frames, goal = kept.knots[self.knot]
        if not self.left:
            self.left = frames if self.knot else self._frames_back(goal)
        piece = LONGEST_PIECE // 2 if self.left > LONGEST_PIECE else self.left
        pulses = tuple(
            self.before[n] + int((goal[n] - self.before[n]) * piece / self.left) if goal[n] else 0 for n in range(12)
        )
        self.at += piece * frame
        self.before = list(pulses)
        self.left -= piece
        if not self.left:
            self.knot += 1
        return self.at, pulses

    def _frames_back(self, goal: Pulses) -> int:
        """Frames that it takes to come to the first knot, from where the arms were found or for another lap."""
        most = 1
        for n, limits in enumerate(self.kept.limits):
            if goal[n] and limits is not None:
                most = max(most, -(-abs(goal[n] - self.before[n]) // min(self.kept.ramp, limits.slew)))
        return most


@dataclass
class Pedal:
    """A pedal that is watched for being held: since when it is as it is, and whether it may be pressed."""

    since: int = 0
    down: bool = False
    released: bool = False

    def look(self, pressed: bool, now: int) -> bool:
        """See the pedal; whether it has just been pressed."""
        begun = pressed and not self.down
        if pressed != self.down:
            self.since, self.down = now, pressed
        if not pressed and now - self.since >= RELEASED_US:
            self.released = True
        return begun

    def held(self, now: int) -> bool:
        """Whether it has been held long enough since it was released."""
        return self.down and self.released and now - self.since >= HELD_US
