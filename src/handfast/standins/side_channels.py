"""The three side channels of a stand-in, each a file of lines: hand in, readings and truth out.

The format is in docs/stand-ins.md. A hand file may grow while it is read: what is appended is taken up within 20 ms
of simulated time, and a line whose time has passed counts as now.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol, TextIO

import numpy as np

from handfast.bench.parts import SIDES, Bench
from handfast.errors import FaultError, InputError
from handfast.geometry.rigid import Array
from handfast.mechanics.inverse import solve
from handfast.standins.hand import tool_pose
from handfast.standins.truth import Truth
from handfast.units import DEGREE, counted

FORMS = (
    "T_MS ARM joints MS A1 A2 ...",
    "T_MS ARM tcp MS X Y Z LEAN YAW [ROLL]",
    "T_MS ARM force FX FY FZ",
    "T_MS ARM free",
    "T_MS ARM load G",
    "T_MS ARM read pointer|dot|mark",
)
INSTRUMENTS = {"pointer": 0.2e-3, "dot": 0.4e-3, "mark": 0.15e-3}
"""What an instrument is good for, m, one standard deviation (common practice, no source)."""

_TREMOR_HZ = 9.0


class Led(Protocol):
    """Arms that a hand can lead, and that show where they really are."""

    @property
    def time_us(self) -> int:
        """Simulated time, µs."""

    def link_angles(self) -> Array:
        """True joint angles of the links (K,), rad."""

    def tool_positions(self) -> Array:
        """True TCP positions (2, 3), m."""

    def load(self, side: int, mass: float) -> None:
        """Put `mass` kg into a hand."""


@dataclass(frozen=True)
class HandLine:
    """One line: when (ms), which arm (0 left, 1 right), what, and the words and numbers that belong to it."""

    time: float
    arm: int
    verb: str
    words: tuple[str, ...]
    numbers: tuple[float, ...]
    where: str


def hand_line(text: str, where: str, joints: tuple[int, int]) -> HandLine:
    """Read one line for arms of so many joints. Raises InputError naming the place."""
    words = text.split()

    def refuse(what: str) -> InputError:
        return InputError(
            what, where=where, expected="one of: " + "; ".join(FORMS), next_step="mend this line of the hand file"
        )

    if len(words) < 3 or words[1] not in SIDES:
        raise refuse(f'"{text.strip()}" says neither when nor which arm')
    arm, verb, rest = SIDES.index("left" if words[1] == "left" else "right"), words[2], words[3:]
    if verb == "read":
        if len(rest) != 1 or rest[0] not in INSTRUMENTS:
            raise refuse(f'"{" ".join(rest)}" is no instrument')
        numbers: list[float] = []
    else:
        free = verb == "joints"
        try:
            numbers = [np.nan if free and word == "-" else float(word) for word in rest]
        except ValueError:
            raise refuse(f'"{text.strip()}" holds something that is no number') from None
        if not all(np.isfinite(x) or (free and i > 0) for i, x in enumerate(numbers)):
            raise refuse(f'"{text.strip()}" holds a number without a value')
        wanted = {"joints": {1 + joints[arm]}, "tcp": {6, 7}, "force": {3}, "free": {0}, "load": {1}}
        if verb not in wanted:
            raise refuse(f'"{verb}" is nothing that a hand does')
        if len(numbers) not in wanted[verb]:
            raise refuse(f"{counted(len(numbers), 'number')} after `{verb}`")
        if verb in ("joints", "tcp") and not 0.0 <= numbers[0] <= 600_000.0:
            raise refuse(f"{numbers[0]:g} ms is no time to move in")
    try:
        time = float(words[0])
    except ValueError:
        raise refuse(f'"{words[0]}" is no time') from None
    if not np.isfinite(time):
        raise refuse(f'"{words[0]}" is no time')
    return HandLine(time, arm, verb, tuple(rest), tuple(numbers), where)


@dataclass
class _Way:
    """A smooth move of one arm's links: from, to (joints,), begin and length in ms."""

    start: Array
    goal: Array
    begin: int
    length: int


class Hand:
    """Follows a hand file: which link angles are imposed on limp arms, and what is read off.

    Moves are smooth (least jerk, Flash & Hogan 1985, from memory), with a tremor of `tremor` rad at 9 Hz.
    """

    def __init__(
        self,
        bench: Bench,
        truth: Truth,
        arms: Led,
        rng: np.random.Generator,
        file: Path | None,
        readings: Path | None = None,
        tremor: float = 6e-4,
    ):
        self._bench, self._truth, self._arms, self._rng, self._tremor = bench, truth, arms, rng, tremor
        self._file = file
        self._in: TextIO | None = None
        self._out: TextIO | None = None
        self._number, self._rest = 0, ""
        self._waiting: deque[HandLine] = deque()
        self._ways: list[_Way | None] = [None, None]
        self._phase = rng.uniform(0.0, 2.0 * np.pi, truth.joints)
        try:
            if file is not None:
                self._in = file.open(encoding="utf-8")
            if readings is not None:
                readings.parent.mkdir(parents=True, exist_ok=True)
                self._out = readings.open("w", encoding="ascii", buffering=1)
        except OSError as error:
            self.close()
            raise FaultError(f"{error.filename}: a side channel cannot be opened ({error.strerror})") from error

    def close(self) -> None:
        """Close the files."""
        for stream in (self._in, self._out):
            if stream is not None:
                stream.close()

    def _take_up(self) -> None:
        if self._in is None:
            return
        *whole, self._rest = (self._rest + self._in.read()).split("\n")
        for text in whole:
            self._number += 1
            said = text.split("#")[0]
            if said.strip():
                counts = tuple(len(self._bench.arm(side).joints) for side in SIDES)
                self._waiting.append(hand_line(said, f"{self._file}:{self._number}", (counts[0], counts[1])))

    def led(self, count: int) -> Array | None:
        """Link angles (count, K) rad imposed in the next `count` ms, NaN where none; None if no arm is led."""
        now = self._arms.time_us // 1000
        if now % 20 == 0 or count > 1:
            self._take_up()
        while self._waiting and self._waiting[0].time <= now + 1e-9:
            self._do(self._waiting.popleft(), now)
        if self._ways == [None, None]:
            return None
        result = np.full((count, self._truth.joints), np.nan)
        at = now + np.arange(1, count + 1)
        tremble = self._tremor * np.sin(2e-3 * np.pi * _TREMOR_HZ * at[:, None] + self._phase)
        for arm, way in enumerate(self._ways):
            if way is None:
                continue
            r = np.clip((at - way.begin) / max(way.length, 1), 0.0, 1.0)[:, None]
            law = 10 * r**3 - 15 * r**4 + 6 * r**5
            part = self._truth.chain.columns(arm)
            result[:, part] = way.start + law * (way.goal - way.start) + tremble[:, part]
        return result

    def _do(self, line: HandLine, now: int) -> None:
        part = self._truth.chain.columns(line.arm)
        here = self._arms.link_angles()[part]
        if line.verb == "free":
            self._ways[line.arm] = None
        elif line.verb == "load":
            self._arms.load(line.arm, line.numbers[0] * 1e-3)
        elif line.verb == "joints":
            self._ways[line.arm] = _Way(here, np.array(line.numbers[1:]) * DEGREE, now, round(line.numbers[0]))
        elif line.verb == "tcp":
            x, y, z, lean, yaw, *roll = line.numbers[1:]
            X_WT = tool_pose((x, y, z), lean, yaw, roll[0] if roll else 0.0)
            found = solve(self._truth.chain.only(line.arm), X_WT, here)
            if found.short[0] > 1e-3 or found.beyond[0] > 0.0:
                raise InputError(
                    f"the hand cannot lead this TCP there: {found.short[0] * 1e3:.1f} mm too far, "
                    f"{found.beyond[0] / DEGREE:.1f} degrees past a stop",
                    where=line.where,
                    expected="a place within the arm's reach and travel",
                    next_step="move the goal, or lean the fingers further",
                )
            self._ways[line.arm] = _Way(here, found.q[0], now, round(line.numbers[0]))
        elif line.verb == "read":
            if self._out is not None:
                error = INSTRUMENTS[line.words[0]]
                seen = self._arms.tool_positions()[line.arm] + self._rng.normal(0.0, error, 3)
                xyz = " ".join(f"{v * 1e3:.3f}" for v in seen)
                self._out.write(f"{now} {SIDES[line.arm]} {line.words[0]} {xyz} {error * 1e3:g}\n")
        else:
            self.push(line)

    def push(self, line: HandLine) -> None:
        """A `force` line, for arms that know forces."""
        raise InputError(
            "these arms can be led, not pushed",
            where=line.where,
            expected="joints, tcp, free, load or read",
            next_step="take this line out, or attach a stand-in that knows forces",
        )
