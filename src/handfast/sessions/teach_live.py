"""Teaching by hand, live: limp arms are led, poses are stored when they are held still, and all of it is recorded."""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol

import numpy as np

from handfast.bench.lines import pulse_of
from handfast.bench.parts import SIDES, Bench, Side, Thing
from handfast.board.host import Denied, HostBoard
from handfast.board.limits import ChannelLimits
from handfast.board.loading import eighths
from handfast.errors import InputError
from handfast.geometry.rigid import Array
from handfast.records.recording import Event, event_of
from handfast.records.recording_file import RecordingFile
from handfast.sessions.wire_arms import channel_name
from handfast.teaching.live import LiveStillness
from handfast.teaching.routine_from import standing

LONG_PRESS = 0.8
"""A pedal held longer than this grips or releases with the arm that moved last; a shorter press stores a pose, s."""

WAITS_FOR_OTHER = 0.5
"""So long a still arm waits for the other one, if that has moved, too, s."""

LETS_GRIPPER_MOVE = 4.0
"""For so long an order to a gripper lets it move, s."""

BOTH_HOLD = 1.0
"""For so long both grippers hold a thing that is passed, s."""

SQUEEZE = 0.003
"""Jaws are sent this much closer than the thing is wide, m; never farther, so that the servo does not stall hard."""

HELP = """\
  hold an arm still: it is stored (lamp dark, one low note)     space or pedal: store now     u: undo
  a left grip or release    b right    c both (pedal held long: the arm that moved last)     t next thing
  p pass from left    r pass from right    k carry: then bring both arms there, and hold them still
  s left stroke, d right stroke: begin, then end
  : then words and Enter: any other event, such as   :wait 2   or   :left draw leaf.svg     q or Esc: end"""


class Watching(Protocol):
    """Whoever looks on: what the board shows and plays, where the arms are, what was told."""

    def sample(self, time: float, counts: Array) -> None:
        """Feedback (channels,) at `time` s."""

    def lamp(self, level: int) -> None:
        """The lamp's brightness, 0 to 255."""

    def cue(self, number: int) -> None:
        """The sounder plays this cue: 1 stored, 2 refused."""

    def event(self, time: float, words: str) -> None:
        """Something was told to the recording at `time` s."""


class Teaching:
    """One session. `keys` gives what was typed, `ends` whether it shall end; `say` speaks to the maker; `earlier`: what
    was told to the recording before, where it is gone on with."""

    def __init__(
        self,
        bench: Bench,
        board: HostBoard,
        limits: dict[int, ChannelLimits],
        file: RecordingFile,
        sides: tuple[Side, ...],
        by_itself: bool,
        say: Callable[[str], None],
        watching: Watching | None = None,
        earlier: tuple[Event, ...] = (),
    ):
        self.watching = watching
        self._events = list(earlier)
        self.bench, self.board, self.limits, self.file = bench, board, limits, file
        self.sides, self.by_itself, self.say = sides, by_itself, say
        self.still = LiveStillness(bench)
        self.scale = 2**bench.controller.wiper_bits / 1024.0 / 16.0
        self.time = 0.0
        self.begun: float | None = None
        self.poses = 0
        self._lets = -1.0
        self._things: list[Thing] = list(bench.things)
        self._thing = 0
        self._holding: dict[Side, str] = {}
        self._passing: Side | None = None
        self._met: set[Side] = set()
        self._stroke: dict[Side, bool] = {"left": False, "right": False}
        self._pedal_since: float | None = None
        self._moved: Side = sides[0]
        self._glow = -1
        self._words: str | None = None
        self._ready_since: float | None = None

    def may_move(self) -> bool:
        """Permission: only for a while after an order to a gripper. Limp arms need none."""
        return self.time < self._lets

    # -- the session -----------------------------------------------------------------------------------

    def hold(self, channels: list[int]) -> None:
        """Attach what shall not go limp, where it stands."""
        for channel in channels:
            self._order_gripper()
            self._attach(channel, 0)

    def run(self, keys: Callable[[], str], ends: Callable[[], bool], seconds: float | None) -> None:
        """Until it shall end, or for so many seconds. Raises BoardStopped when the board stops."""
        self.board.permission = self.may_move
        self.board.wipers.clear()
        self.board.ask("stream", on=1)
        start: float | None = None
        shown = 0.0
        while not ends():
            self.board.wait(lambda: bool(self.board.wipers), 0.05)
            self.board.check_live()
            while self.board.wipers:
                sample = self.board.wipers.popleft()
                self.time = sample.at / 1e6
                counts = np.array(sample.wiper, dtype=float)[: self.bench.controller.channels] * self.scale
                self.file.add(self.time, counts)
                self.still.add(counts)
                if self.watching is not None:
                    self.watching.sample(self.time, counts)
                if start is None:
                    start = self.time
                    self.say("recording; h shows the keys")
                self._pedal(sample.pedal)
                if self.time - shown >= 0.1:
                    shown = self.time
                    self._look()
            for letter in keys():
                self._key(letter)
            if seconds is not None and start is not None and self.time - start >= seconds:
                break
        for side, begun in self._stroke.items():
            if begun:
                self._event(f"{side} stroke end")
        self.file.flush()

    def _look(self) -> None:
        """Ten times a second: lamp, and poses that store themselves."""
        glow = self.still.glow(self.sides)
        if abs(glow - self._glow) > 8 or (glow in (0, 255) and glow != self._glow):
            self._glow = glow
            self.board.ask("lamp", level=glow)
            if self.watching is not None:
                self.watching.lamp(glow)
        for side in self.sides:
            if not self.still.still(side) and self.still.armed(side):
                self._moved = side
        if not self.by_itself:
            return
        ready = [s for s in self.sides if self.still.still(s) and self.still.armed(s) and not self._stroke[s]]
        if not ready:
            self._ready_since = None
            return
        # The other arm is given a moment, so that what both hands do at once becomes one pose.
        other = [s for s in self.sides if s not in ready and self.still.armed(s) and not self._stroke[s]]
        if self._ready_since is None:
            self._ready_since = self.time
        if not other or self.time - self._ready_since >= WAITS_FOR_OTHER:
            self._ready_since = None
            self._store(ready)

    def _store(self, sides: list[Side]) -> None:
        for side in sides:
            self.still.stored(side)
        self._event(f"{'both' if len(sides) == 2 else sides[0]} pose")
        self.poses += 1
        self._cue(1)
        self.say(f"  {self.file.last:7.2f} s  pose {self.poses} stored: {' and '.join(sides)}")
        self._meet(sides)

    def store_now(self) -> None:
        """By pedal or key: what is still and has moved is stored; if nothing is, it is refused with its cue."""
        ready = [s for s in self.sides if self.still.still(s) and not self._stroke[s]]
        moved = [s for s in ready if self.still.armed(s)]
        # An arm that rests where it was is not meant while the other one is still on its way.
        if moved or len(ready) == len(self.sides):
            self._store(moved or ready)
        else:
            self._cue(2)
            self.say("  not stored: hold it still for 0.8 s")

    def _cue(self, number: int) -> None:
        self.board.ask("cue", cue=number)
        if self.watching is not None:
            self.watching.cue(number)

    def _event(self, words: str) -> None:
        self._events.append(event_of(words, self.time, str(self.file.path)))
        self.file.say(words)
        if self.watching is not None:
            self.watching.event(self.file.last, words)

    # -- orders ----------------------------------------------------------------------------------------

    def _pedal(self, pressed: bool) -> None:
        if pressed and self._pedal_since is None:
            self._pedal_since = self.time
        elif not pressed and self._pedal_since is not None:
            long = self.time - self._pedal_since > LONG_PRESS
            self._pedal_since = None
            if long:
                self._grip([self._moved])
            else:
                self.store_now()

    def _key(self, letter: str) -> None:
        if self._words is not None:
            if letter in "\r\n":
                words, self._words = self._words.strip(), None
                self._say_words(words)
            else:
                self._words += letter
            return
        both: list[Side] = ["left", "right"]
        orders: dict[str, Callable[[], None]] = {
            " ": self.store_now,
            "u": self._undo,
            "a": lambda: self._grip(["left"]),
            "b": lambda: self._grip(["right"]),
            "c": lambda: self._grip(both),
            "t": self._next_thing,
            "p": lambda: self._say_words("pass left"),
            "r": lambda: self._say_words("pass right"),
            "k": lambda: self._say_words("carry"),
            "s": lambda: self._toggle_stroke("left"),
            "d": lambda: self._toggle_stroke("right"),
            "h": lambda: self.say(HELP),
        }
        if letter == ":":
            self._words = ""
        elif letter in orders:
            orders[letter]()
        elif letter.strip():
            self.say(f"  {letter!r} says nothing here; h shows the keys")

    def _say_words(self, words: str) -> None:
        try:
            self._event(words)
        except InputError as error:
            self._cue(2)
            self.say(f"  {error}")
            return
        said = words.split()
        if len(said) > 1 and said[1] in ("grip", "release"):
            for side in ("left", "right"):
                if said[0] in (side, "both"):
                    self._jaws(side, said[2] if said[1] == "grip" else None)
        if said[0] == "pass":
            self._passing = "left" if said[1] == "left" else "right"
            if self._passing not in self._holding:
                self.say(f"  the {self._passing} gripper holds nothing yet")
            self._met = set()
        if len(said) == 2 and said[1] == "pose":
            self._meet([side for side in SIDES if said[0] in (side, "both")])
        self.say(f"  {self.file.last:7.2f} s  {words}")

    def _meet(self, sides: list[Side]) -> None:
        """A pose was stored; with those of both arms since it was told, a pass has its place."""
        self._met.update(sides)
        if self._passing is not None and len(self._met) == 2:
            self._hand_over()

    def _hand_over(self) -> None:
        """At the pose of a pass the taker's jaws close; both hold the thing for a moment; the giver's jaws open."""
        giver, self._passing = self._passing, None
        assert giver is not None
        taker: Side = "right" if giver == "left" else "left"
        thing = self._holding.get(giver)
        if thing is None:
            return
        self.say(f"  the {taker} gripper takes the {thing}")
        self._jaws(taker, thing)
        self.board.sleep(BOTH_HOLD)
        self._jaws(giver, None)

    def _undo(self) -> None:
        """Take back the last thing told that still holds; refused with its cue where there is none."""
        held = [event for event in standing(tuple(self._events)) if event.words[0] != "note"]
        if not held:
            self._cue(2)
            self.say("  nothing is left to take back")
            return
        last = held[-1].words
        self._event("undo")
        if last[1:] == ("pose",):
            self.poses = max(self.poses - 1, 0)
        elif last[1:] == ("stroke", "begin"):
            self._stroke["left" if last[0] == "left" else "right"] = False
        elif last[0] == "pass":
            self._passing = None
        self.say(f"  {self.file.last:7.2f} s  taken back: {' '.join(last)}")

    def _next_thing(self) -> None:
        if self._things:
            self._thing = (self._thing + 1) % len(self._things)
            self.say(f"  next to be gripped: {self._things[self._thing].name}")

    def _toggle_stroke(self, side: Side) -> None:
        if side not in self.sides:
            self.say(f"  the {side} arm is not being taught")
            return
        self._stroke[side] = not self._stroke[side]
        self._say_words(f"{side} stroke {'begin' if self._stroke[side] else 'end'}")
        if not self._stroke[side]:
            self.still.stored(side)

    def _grip(self, sides: list[Side]) -> None:
        """Grip, or release what is held, with one arm or both."""
        who = "both" if len(sides) == 2 else sides[0]
        if all(side in self._holding for side in sides):
            self._say_words(f"{who} release")
            return
        if not self._things:
            self.say("  the bench has no thing to grip: describe one in bench.toml")
            return
        self._say_words(f"{who} grip {self._things[self._thing].name}")

    def _jaws(self, side: Side, thing: str | None) -> None:
        """Close the jaws on a thing, or open them; the gripper stays powered while its arm is limp."""
        gripper = self.bench.arm(side).gripper
        if thing is None:
            self._holding.pop(side, None)
            gap = gripper.opening[1]
        else:
            self._holding[side] = thing
            known = next((t for t in self._things if t.name == thing), None)
            gap = gripper.opening[0] if known is None else max(gripper.opening[0], known.grip_width - SQUEEZE)
        share = (gap - gripper.opening[0]) / (gripper.opening[1] - gripper.opening[0])
        angle = gripper.angle_shut + share * (gripper.angle_open - gripper.angle_shut)
        limits = self.limits[gripper.channel]
        pulse = eighths(float(pulse_of(gripper, self.bench.servo_of(gripper), np.array(angle))))
        pulse = min(max(pulse, limits.travel_low), limits.travel_high)
        self._order_gripper()
        if self.board.known().channel[gripper.channel] == 0:
            self._attach(gripper.channel, pulse)
        else:
            ask = [0] * 12
            ask[gripper.channel] = pulse
            self.board.target(self.board.now_us() + 600_000, tuple(ask))

    def _order_gripper(self) -> None:
        self.time = max(self.time, self.board.known().at / 1e6)
        self._lets = self.time + LETS_GRIPPER_MOVE
        self.board.permission = self.may_move
        self.board.wait(lambda: self.board.known().permission, 0.5)

    def _attach(self, channel: int, pulse: int) -> None:
        try:
            self.board.ask("attach", channel=channel, pulse=pulse, ramp=80)
            self.board.wait(lambda: self.board.known().channel[channel] == 2, 3.0)
        except Denied as denied:
            self.say(f"  {channel_name(self.bench, channel)} stays limp: {denied.reason}")
