"""The first time a servo gets power and pulses: alone, gently, and watched."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from handfast.bench.lines import angle_of, pulse_of
from handfast.bench.parts import Bench, Gripper, Joint
from handfast.board.host import HostBoard
from handfast.board.limits import ChannelLimits
from handfast.board.loading import eighths
from handfast.errors import FaultError
from handfast.sessions.operator import Operator
from handfast.sessions.probe import Wiggle, wiggle
from handfast.sessions.wire_arms import FRAME_US, StoppedByOperator, WireArms
from handfast.units import DEGREE

GENTLE = 12.0 * DEGREE
"""Speed of the search for the ends of the travel, rad/s."""
STUCK = 7.0 * DEGREE
"""A servo that stays so far behind has met something."""
STUCK_FRAMES = 15
TRIES = 8
"""How often a servo is felt for at most."""
INSIDE = 3.0 * DEGREE
"""Distance kept from the ends of the travel that the bench states."""


@dataclass(frozen=True)
class PoweredUp:
    """What was found of one servo. way: +1 if its wiper moves as the bench says for a move in the positive direction.

    travel: angles rad between which it moved freely, as the feedback shows them; "" or why it ended in `trouble`.
    """

    part: str
    wiggle: Wiggle | None
    way: int
    limp: bool | None
    travel: tuple[float, float] | None
    trouble: str


class PowerUp:
    """Takes one servo after another. `say` speaks to the maker; `skip` tells whether a key said to go on."""

    def __init__(
        self,
        bench: Bench,
        board: HostBoard,
        limits: dict[int, ChannelLimits],
        operator: Operator,
        say: Callable[[str], None],
        skip: Callable[[], bool],
        patience: float = 30.0,
    ):
        self.bench, self.board, self.limits, self.operator = bench, board, limits, operator
        self.say, self.skip, self.patience = say, skip, patience
        self._arms = WireArms(bench, board, limits, operator)
        self._shift = 0

    def one(self, name: str, part: Joint | Gripper, by_hand: bool = True) -> PoweredUp:
        """Find channel and direction, see that it goes limp, then find its travel."""
        found: Wiggle | None = None
        way, limp = 0, None
        if by_hand:
            self.say(f"{name}: no pulses now. Move it by hand, slowly, in its POSITIVE direction, 10 to 30 degrees")
            found = wiggle(self.board, self.bench, part, name, self.patience, self.skip)
            if found.moved is None:
                return PoweredUp(name, found, 0, None, None, "no wiper moved: open wire, or it holds without pulses")
            if not found.right:
                return PoweredUp(
                    name, found, 0, None, None, f"channel {found.moved} moved, the bench says {found.channel}"
                )
            way = 1 if found.by * part.wiper_slope > 0 else -1
            if way < 0:
                return PoweredUp(
                    name, found, way, None, None,
                    "its wiper moves the other way: turn the sign of wiper_counts_per_deg, or of the joint's axis",
                )  # fmt: skip
        self.say(f"{name}: hands off. It gets its first pulses where it stands")
        try:
            travel, trouble = self._travel(part)
        finally:
            if self.board.known().state == "live":
                self.board.ask("detach", mask=1 << part.channel)
        if by_hand and not trouble:
            self.say(f"{name}: pulses are off again. Move it by hand once more, to show that it goes limp")
            again = wiggle(self.board, self.bench, part, name, self.patience, self.skip)
            limp = again.moved == part.channel
            if not limp:
                trouble = "did not move by hand after its pulses ended: it may hold without pulses, unfit for leading"
        return PoweredUp(name, found, way, limp, travel, trouble)

    def _angle(self, part: Joint | Gripper) -> float:
        scale = 2**self.bench.controller.wiper_bits / 1024.0 / 16.0
        return float(angle_of(part, np.array(self.board.known().wiper[part.channel] * scale)))

    def _pulse(self, part: Joint | Gripper, angle: float) -> int:
        limits = self.limits[part.channel]
        pulse = eighths(float(pulse_of(part, self.bench.servo_of(part), np.array(angle))))
        return min(max(pulse + self._shift, limits.travel_low), limits.travel_high)

    def _travel(self, part: Joint | Gripper) -> tuple[tuple[float, float] | None, str]:
        """Attach, then go gently to both ends and back; ends early where it meets something or goes the wrong way."""
        self._shift = 0
        if not self._attach(part):
            return None, "it jerked at its first pulses: its pulse line is far off; measure it with handfast vet"
        start = self._angle(part)
        low, high = part.travel[0] + INSIDE, part.travel[1] - INSIDE
        reached = [start, start]
        at = start
        for end, goal in ((1, high), (0, low)):
            at, stuck = self._go(part, at, goal)
            reached[end] = self._angle(part)
            if stuck == "wrong way":
                return None, "it moves against its pulses: turn the sign of pulse_us_per_deg"
        self._go(part, at, float(np.clip(start, low, high)))
        return (reached[0], reached[1]), ""

    def _attach(self, part: Joint | Gripper) -> bool:
        pulses = np.zeros(self.bench.controller.channels)
        if self.limits[part.channel].wipers:
            angle = self._angle(part)
            pulses[part.channel] = self._pulse(part, angle) / 8e6
            self._arms = WireArms(self.bench, self.board, self.limits, self.operator)
            self._arms.frame(pulses)
            return True
        return self._feel(part)

    def _feel(self, part: Joint | Gripper) -> bool:
        """Sparse pulses at a guess, until the servo stands still under them.

        While it does not, each try has brought it nearer to where they send it: the guess stays what it is.
        """
        guess = self._pulse(part, self._angle(part))
        allowed = int(np.clip(3.0 * DEGREE * abs(part.wiper_slope) * 16.0, 16, 1600))
        for _ in range(TRIES):
            self._need()
            seen = self.board.known().at
            self.board.ask("feel", channel=part.channel, pulse=guess, every=12, pulses=6, allowed=allowed)
            if not self.board.wait(lambda since=seen: bool(self._said(part, "felt", since)), 4.0):  # type: ignore[misc]
                raise FaultError("the board says nothing about the servo that it feels for")
            if self._said(part, "felt", seen)[-1]:
                # From here on pulses count from the one under which it stands.
                self._shift = guess - self._pulse(part, self._angle(part))
                self._arms = WireArms(self.bench, self.board, self.limits, self.operator)
                self._arms.take_up(part.channel)
                return True
            self.board.sleep(0.5)
        return False

    def _said(self, part: Joint | Gripper, kind: str, since: int) -> list[int]:
        """Values of the events of one kind about a servo, since a board time."""
        return [e.value for e in list(self.board.events) if (e.kind, e.where) == (kind, part.channel) and e.at > since]

    def _need(self) -> None:
        while not (self.operator.may_move() and self.board.known().permission):
            if self.operator.stops():
                raise StoppedByOperator
            self.board.next_status()
            self.board.check_live()

    def _go(self, part: Joint | Gripper, start: float, goal: float) -> tuple[float, str]:
        """Towards a goal at `GENTLE`; returns the angle asked for at the end, and why it ended early."""
        step = GENTLE * FRAME_US * 1e-6
        way = float(np.sign(goal - start))
        asked, behind = start, 0
        began = self._angle(part)
        pulses = np.zeros(self.bench.controller.channels)
        while abs(goal - asked) > 1e-9:
            asked += way * min(step, abs(goal - asked))
            pulses[part.channel] = self._pulse(part, asked) / 8e6
            self._arms.frame(pulses)
            lag = way * (asked - self._angle(part))
            behind = behind + 1 if lag > STUCK else 0
            if way * (self._angle(part) - began) < -4.0 * DEGREE:
                return asked, "wrong way"
            if behind >= STUCK_FRAMES:
                back = self._angle(part)
                pulses[part.channel] = self._pulse(part, back) / 8e6
                self._arms.frame(pulses)
                return back, "met something"
        return asked, ""
