"""One servo on its rig, put through a sweep by a board: pulses are played, feedback is kept, a person loads and reads.

The servo is alone on its channel, and nothing is known of its feedback. So it is felt for first: sparse pulses at the
place where it is to be, until it stands still under them. Its wiper has no table then, and the board watches only that
it is not open. Whenever a hand changes something, the recording pauses: what lies in between belongs to no load.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable

import numpy as np

from handfast.bench.parts import Bench, Servo
from handfast.board.host import Denied, HostBoard, Status
from handfast.board.limits import ChannelLimits
from handfast.board.loading import eighths
from handfast.errors import FaultError, InputError
from handfast.fitting.sweeps import DRUM, weight_for
from handfast.records.sweep import Part, Sweep
from handfast.records.trace import Trace
from handfast.sessions.wire_arms import AHEAD_US, FRAME_US, QUIET, StoppedByOperator
from handfast.units import DEGREE, KGF_CM

ROOM = 25e-6
"""How far past its class's pulses a channel may go, s: fine steps at the ends."""

FEELS, EVERY, PULSES, ALLOWED = 60, 12, 6, 1600
"""How often a servo is felt for; one pulse in so many frames, so many pulses; counts/16 by which it may move."""

QUICKEST = 8000
"""Slew limit, µs/8 per frame, as high as the wire has it: what a servo does at a jump is looked at."""

AT_ONCE_US = 1000
"""Time between an old pulse and a new one, µs, between two frames."""

AVERAGED = 3
"""Readings that the board averages for each sample of feedback: of five, the lowest and the highest are left out."""


def vetting_limits(servo: Servo) -> ChannelLimits:
    """Limits of a channel with a servo of a class on it, of whose feedback nothing is known."""
    return ChannelLimits(
        travel_low=eighths(servo.pulse_low - ROOM), travel_high=eighths(servo.pulse_high + ROOM), slew=QUICKEST, park=0,
        wiper_low=32, wiper_high=16320, follow=0, follow_ms=1000,
    )  # fmt: skip


class OnTheRig:
    """Puts one servo through a sweep. `ask` shows words and gives the line that was typed; `stops`: whether to stop."""

    def __init__(
        self,
        bench: Bench,
        board: HostBoard,
        channel: int,
        ask: Callable[[str], str],
        stops: Callable[[], bool],
        say: Callable[[str], None],
    ):
        self.bench, self.board, self.channel = bench, board, channel
        self.ask, self.stops, self.say = ask, stops, say
        right = bench.arm("right")
        # Which of both currents is its own.
        self.arm = int(channel in [part.channel for part in (*right.joints, right.gripper)])
        self._attached = self._lets = False
        self._pulse = 0
        self._statuses: list[tuple[int, float, float, float]] = []
        self._samples: list[tuple[int, float]] = []
        self._horns: list[tuple[int, float]] = []
        self._hands: tuple[float, int] = (0.0, 0)
        self.traces: list[Trace] = []

    def play(self, sweep: Sweep, mark: str) -> None:
        """The whole sweep; `traces` has what was recorded between one pause and the next. Raises StoppedByOperator."""
        self.board.permission = self.may_move
        self.board.ask("stream", on=1)
        for number, part in enumerate(sweep.parts, 1):
            self.say(f"part {number} of {len(sweep.parts)}: {part.name}, {part.duration:.0f} s; {part.expects}")
            words = part.ask
            if np.any(part.load) or np.any(part.push):
                words = f"get ready, and wait with each step until it is asked for: {part.ask}"
            if part.ask and self._pause(f"{words} Then Enter; s leaves this part out").lower() == "s":
                continue
            if not self._lets:
                self._pause("hands off: it is going to move; then Enter")
            self._play(part, sweep.servo, mark)
        self._relax()
        self._lets = False

    def may_move(self) -> bool:
        """Permission: since Enter was last pressed, as long as nothing is asked and nobody wants it to stop."""
        return self._lets and not self.stops()

    def _play(self, part: Part, servo: str, mark: str) -> None:
        ends = np.append(part.t[1:], part.duration)
        self._begin()
        try:
            for k, end in enumerate(ends):
                self._change(float(part.load[k]), int(part.push[k]), servo, mark)
                pulse = float(part.pulse[k])
                if pulse > 0.0 and not self._attached:
                    self._feel(eighths(pulse))
                    self._begin()
                elif pulse <= 0.0:
                    self._relax()
                self._hold(eighths(pulse), float(end - part.t[k]))
                if part.protractor[k]:
                    self._read()
        finally:
            self._cut(servo, mark)

    def _change(self, load: float, push: int, servo: str, mark: str) -> None:
        """A hand changes what is on the horn: what came before is closed, and begun anew afterwards."""
        if (load, push) == self._hands:
            return
        self._cut(servo, mark)
        way = {1: "the way longer pulses turn it", -1: "the other way"}
        if push:
            words = f"turn the horn by hand, {way[push]}, gently, about 20 degrees, as soon as you have pressed Enter"
        elif load:
            grams = 1e3 * weight_for(abs(load))
            words = (
                f"{abs(load) / KGF_CM:.2f} kg·cm, pulling {way[1 if load > 0 else -1]} "
                f"({grams:.0f} g on the drum of {1e3 * DRUM:.0f} mm); when it hangs still, Enter"
            )
        else:
            words = "nothing on the horn, hands off; then Enter"
        self._pause(words)
        self._hands = (load, push)
        self._begin()

    def _pause(self, words: str) -> str:
        self._lets = False
        said = self.ask(words)
        if said.strip().lower() == "q" or self.stops():
            raise StoppedByOperator
        self._lets = True
        self.board.wait(lambda: self.board.known().permission, 0.5)
        return said.strip()

    # -- pulses ----------------------------------------------------------------------------------------

    def _feel(self, pulse: int) -> None:
        """Sparse pulses at a place until the servo stands still under them."""
        for _ in range(FEELS):
            since = self.board.known().at
            self.board.ask(
                "feel", channel=self.channel, pulse=pulse, every=EVERY, pulses=PULSES, allowed=ALLOWED
            )  # fmt: skip
            if not self.board.wait(lambda since=since: bool(self._felt(since)), 6.0):  # type: ignore[misc]
                raise FaultError("the board says nothing about the servo that it feels for")
            if self._felt(since)[-1]:
                self._attached, self._pulse = True, pulse
                return
            self.board.sleep(0.3)
        raise InputError(
            f"the servo on channel {self.channel} does not come to rest at {pulse / 8:.0f} µs",
            expected="a servo that goes where its pulse says, and its wiper on the same channel",
            next_step="look at its wires and its class, then try again",
        )

    def _felt(self, since: int) -> list[int]:
        events = list(self.board.events)
        return [e.value for e in events if (e.kind, e.where) == ("felt", self.channel) and e.at > since]

    def _relax(self) -> None:
        if self._attached:
            self.board.ask("detach", mask=1 << self.channel)
            self._attached, self._pulse = False, 0

    def _hold(self, pulse: int, seconds: float) -> None:
        """One pulse for so long, or none. A new pulse comes at once: between two frames, as fast as the slew limit."""
        until = self.board.known().at + round(seconds * 1e6)
        if pulse > 0 and pulse != self._pulse:
            at = self.board.known().at + AHEAD_US + FRAME_US // 2
            self._target(at, self._pulse or pulse)
            self._target(at + AT_ONCE_US, pulse)
            until += AHEAD_US
        self._pulse = pulse
        while self.board.known().at < until:
            if self.stops():
                raise StoppedByOperator
            self._take(self.board.next_status(QUIET))
            refused = [what for what in self.board.refusals() if what[0] == "target"]
            if refused:
                if self.stops():
                    raise StoppedByOperator
                raise Denied(*refused[0])
            self.board.check_live()

    def _target(self, at: int, pulse: int) -> None:
        pulses = [0] * 12
        pulses[self.channel] = pulse
        self.board.target(at, tuple(pulses))

    # -- what is kept ----------------------------------------------------------------------------------

    def _begin(self) -> None:
        """Forget what came in meanwhile."""
        self.board.wipers.clear()
        self._statuses, self._samples, self._horns = [], [], []

    def _take(self, status: Status) -> None:
        current = status.current_mA[self.arm] / 1e3
        self._statuses.append((status.at, status.pulse[self.channel] / 8e6, status.supply_mV / 1e3, current))
        while self.board.wipers:
            sample = self.board.wipers.popleft()
            self._samples.append((sample.at, sample.wiper[self.channel] / 16.0 / 1024.0))

    def _read(self) -> None:
        said = self._pause("protractor, degrees, positive the way longer pulses turn it (Enter: not read)")
        # While somebody read, it stood: the last sample is the one that counts.
        self._take(self.board.next_status(QUIET))
        if said:
            try:
                self._horns.append((self._samples[-1][0], float(said.replace(",", ".")) * DEGREE))
            except ValueError:
                self.say(f'  "{said}" is no number: not read')

    def _cut(self, servo: str, mark: str) -> None:
        """Close what was recorded since the last pause."""
        if len(self._samples) > 1 and self._statuses:
            at = np.array([sample[0] for sample in self._samples])
            status = np.array([row[1:] for row in self._statuses])
            told = np.array([row[0] for row in self._statuses])
            rows = np.clip(np.searchsorted(told, at, side="right") - 1, 0, len(told) - 1)
            horn = np.full(len(at), np.nan)
            for when, angle in self._horns:
                horn[int(np.searchsorted(at, when))] = angle
            keep = np.concatenate([[True], np.diff(at) > 0])
            load, push = self._hands
            self.traces.append(
                Trace(
                    mark=mark, servo=servo, t=(at[keep] - at[0]) / 1e6, pulse=status[rows, 0][keep],
                    wiper=np.array([sample[1] for sample in self._samples])[keep],
                    load=np.full(keep.sum(), load), push=np.full(keep.sum(), push), horn=horn[keep],
                    current=status[rows, 2][keep], supply=status[rows, 1][keep], bits=10, averaged=AVERAGED,
                    reference=self.bench.controller.reference, date=datetime.date.today().isoformat(),
                )
            )  # fmt: skip
        self._begin()
