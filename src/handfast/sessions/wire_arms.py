"""Arms behind a board's link, as the sessions take them: frame by frame, at the operator's pace.

What a session sends as one frame after the other becomes targets in board time, a little ahead. Without permission,
or at a slower pace, fewer of them are sent: the motion waits. A board that lost its permission has stopped short of
what it was sent, so the way goes on from where the board says that it stands, slowly up to where it was broken off.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from handfast.bench.parts import SIDES, Bench, Gripper, Joint
from handfast.board.channel import ATTACHED
from handfast.board.host import BoardStopped, Denied, HostBoard, Status
from handfast.board.limits import ChannelLimits
from handfast.board.loading import eighths
from handfast.errors import FaultError
from handfast.geometry.rigid import Array
from handfast.sessions.operator import Operator
from handfast.units import DEGREE

FRAME_US = 20_000
AHEAD_US = 60_000
"""How far ahead of the board's time targets are sent, µs."""
RATE_STEP = 1.0 / 12.0
"""How fast the pace may change, of full pace per frame: a quarter of a second from rest to full."""
ATTACH = 15.0 * DEGREE
"""Ramp of a channel that is attached, and of any after a motion was broken off, rad/s."""
SLEWED = 0.9
"""Share of a channel's slew limit that the steepest step of a frame may take."""
QUIET = 3.0
"""A board that says nothing for so long is lost, s."""


class StoppedByOperator(FaultError):  # noqa: N818 - named for what happened
    """Esc or q was pressed."""

    def __init__(self) -> None:
        super().__init__("stopped by you; the board ramps down and cuts the servo power")


@dataclass(frozen=True)
class WireFrame:
    """What one frame showed: time s, counts (channels,) of the bench's inputs, supply V, currents (2,) A."""

    time: float
    counts: Array
    supply: float
    current: Array


class WireArms:
    """Arms at a board. `pace`: share of the asked speed; `watch`: called with every status that comes."""

    def __init__(
        self,
        bench: Bench,
        board: HostBoard,
        limits: dict[int, ChannelLimits],
        operator: Operator,
        pace: float = 1.0,
        watch: Callable[[Status], None] | None = None,
    ):
        self._bench, self._board, self._limits, self._operator = bench, board, limits, operator
        self.pace, self._watch = pace, watch
        self.name = board.name
        self._rate = 0.0
        self._at = 0
        self._sent = np.zeros(12, dtype=int)
        self._astray = False
        self._slew = np.full(12, 8000)
        self._ramp = np.full(12, 8000)
        for part in self._parts():
            number = part.channel
            if number in limits:
                known = limits[number]
                slope = (known.travel_high - known.travel_low) / float(part.travel[1] - part.travel[0])
                self._slew[number], self._ramp[number] = known.slew, max(1, round(ATTACH * slope * FRAME_US * 1e-6))
        self._begun: int | None = None
        self.waiting = False
        board.permission = operator.may_move

    @property
    def begun(self) -> int:
        """Board time of the first frame, from which frames count their time, µs."""
        return self._begun or 0

    feels = True
    """Whether jaws stop at what is between them: real ones do."""

    def holds(self, side: int, mass: float, offset: Array) -> None:
        """Real arms know what they hold."""

    def frame(self, pulses: Array) -> WireFrame:
        """Send pulses (channels,) s for one frame; 0 sends none. Returns what the arms show.

        A channel that gets its first pulse is attached first, at its measured pose and slowly; one that gets none any
        more goes limp. Raises BoardStopped, StoppedByOperator, or FaultError.
        """
        wanted = self._wanted(pulses)
        gone = [n for n in range(12) if self._sent[n] and not wanted[n]]
        if gone:
            self._board.ask("detach", mask=sum(1 << n for n in gone))
            self._sent[gone] = 0
        for number in range(12):
            if wanted[number] and not self._sent[number]:
                self._attach(number, int(wanted[number]))
        if not wanted.any():
            return self._seen(self._next())
        start, share, slowly = self._sent.copy(), 0.0, False
        while True:
            allowed = self._operator.may_move()
            if allowed and self._astray and self._find():
                start, share, slowly = self._sent.copy(), 0.0, True
            change = wanted - start
            self.waiting = not allowed and bool(change.any())
            if not allowed and not change.any():
                # What stands needs no permission to go on standing.
                return self._seen(self._next())
            goal = self.pace if allowed else 0.0
            self._rate = min(max(goal, self._rate - RATE_STEP), self._rate + RATE_STEP)
            if allowed and not self._astray:
                most = self._ramp if slowly else SLEWED * self._slew
                step = 1.0 / max(float(np.max(np.abs(change) / most)), 1.0)
                # What stands still takes no longer at a slower pace.
                share = min(1.0, share + min(self._rate, step)) if change.any() else 1.0
                self._send(np.rint(start + share * change).astype(int))
            status = self._next()
            if share >= 1.0 - 1e-9 and not self._astray:
                self._rate = 0.0 if slowly else self._rate
                return self._seen(status)

    def take_up(self, number: int) -> None:
        """Go on with a channel that has pulses already, from where they are."""
        while self._next().channel[number] != ATTACHED:
            pass
        self._sent[number] = self._board.known().pulse[number]

    def wait(self) -> None:
        """Let a little time pass while the arms stand. Raises what `frame` raises."""
        self._next()

    def _wanted(self, pulses: Array) -> np.ndarray:
        wanted = np.zeros(12, dtype=int)
        for number, pulse in enumerate(pulses):
            limits = self._limits.get(number)
            if pulse > 0 and limits is not None:
                wanted[number] = min(max(eighths(float(pulse)), limits.travel_low), limits.travel_high)
        return wanted

    def _send(self, pulses: np.ndarray) -> None:
        now = self._board.now_us()
        self._at += FRAME_US
        if not now + FRAME_US < self._at < now + 3 * AHEAD_US:
            # Fallen behind, or the board's time went its own way: take up its beat again.
            self._at = now + AHEAD_US
        self._board.target(self._at, tuple(int(p) for p in pulses))
        self._sent = pulses

    def _find(self) -> bool:
        """Wait until the board lets its arms move and they stand, and take that up; False if it is forbidden first."""
        before: tuple[int, ...] = ()
        while self._operator.may_move():
            self._astray = False
            status = self._next()
            if not self._astray and not status.waiting and status.pulse == before:
                self._sent = np.where(self._sent > 0, status.pulse, 0)
                self._rate = 0.0
                return True
            before = status.pulse
        self._astray = True
        return False

    def _next(self) -> Status:
        """The next status; everything that forbids going on is raised here."""
        if self._operator.stops():
            raise StoppedByOperator
        status = self._board.next_status(QUIET)
        for what, reason, where, excess in self._board.refusals():
            if what != "target":
                continue
            if reason not in ("no permission", "too late", "queue full", "state", "busy"):
                raise Denied(what, reason, where, excess)
            self._astray = True
        self._board.check_live()
        if self._sent.any() and not status.permission:
            self._astray = True
        if self._watch is not None:
            self._watch(status)
        return status

    def _attach(self, number: int, pulse: int) -> None:
        tries = 0
        while True:
            self.waiting = not self._operator.may_move()
            if not self.waiting:
                try:
                    self._board.ask("attach", channel=number, pulse=pulse, ramp=int(self._ramp[number]))
                    break
                except Denied as denied:
                    # Hands still at the arm, or the permission not yet there: wait a little.
                    tries += 1
                    if denied.reason not in ("no permission", "unsteady", "busy") or tries > 150:
                        raise self._named(denied, number) from None
            self._next()
        while (status := self._next()).channel[number] != ATTACHED:
            self.waiting = not self._operator.may_move()
        # Without permission a ramp ends where it is.
        self._sent[number] = status.pulse[number]
        self._astray = self._astray or status.pulse[number] != pulse
        self._rate = 0.0

    def _parts(self) -> list[Joint | Gripper]:
        return [*self._bench.joints, *(self._bench.arm(side).gripper for side in SIDES)]

    def _named(self, denied: Denied, number: int) -> FaultError:
        name = channel_name(self._bench, number)
        hint = {
            "no table": "its wiper table does not climb: measure it, or feel for it with handfast board power-up",
            "outside window": "it hangs past its travel: lead it back by hand; or its wiper wire is broken",
            "outside travel": "it hangs past its travel: lead it back by hand, then start again",
            "unsteady": "take the hands off and let the arm come to rest",
        }.get(denied.reason, "handfast board probe shows what the board sees")
        return FaultError(f"{name} cannot be attached: {denied.reason}\n  next: {hint}")

    def _seen(self, status: Status) -> WireFrame:
        if self._begun is None:
            self._begun = status.at
        counts = counts_of(self._bench, status)
        current = np.array(status.current_mA) / 1e3
        return WireFrame((status.at - self._begun) / 1e6 + 0.02, counts, status.supply_mV / 1e3, current)


def counts_of(bench: Bench, status: Status) -> Array:
    """Counts (channels,) of the bench's inputs in a status, which tells them in 1/16 of ten bits."""
    scale = 2**bench.controller.wiper_bits / 1024.0 / 16.0
    result: Array = np.array(status.wiper, dtype=float)[: bench.controller.channels] * scale
    return result


def channel_name(bench: Bench, number: int) -> str:
    """'the left elbow (channel 2)'."""
    for side in ("left", "right"):
        for part in (*bench.arm(side).joints, bench.arm(side).gripper):
            if part.channel == number:
                return f"the {side} {getattr(part, 'name', 'gripper')} (channel {number})"
    return f"channel {number}"


__all__ = ["BoardStopped", "StoppedByOperator", "WireArms", "WireFrame", "channel_name", "counts_of"]
