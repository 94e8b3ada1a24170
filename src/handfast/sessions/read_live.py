"""Taking readings at a board: a maker says what is read, and the counts, the supply and the ways come from the wire.

Arms are limp. What is typed waits until its arm has been led about and is held still again; with an arm that is there
already, Enter takes it. A weight and a push need a powered arm: it holds where
it stands, and nothing moves it.
"""

from __future__ import annotations

import datetime
from collections import deque
from collections.abc import Callable, Generator
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from handfast.bench.lines import angle_of, joint_angles
from handfast.bench.parts import SIDES, Bench, Side
from handfast.board.host import Denied, HostBoard
from handfast.errors import HandfastError, InputError
from handfast.fitting.advice import GAUGE_AGAIN
from handfast.geometry.rigid import Array
from handfast.mechanics.kinematics import tool_poses
from handfast.mechanics.model import model_of
from handfast.records.readings import Bar, Gauge, Level, Meet, Pull, Push, Readings, Sag, Touch
from handfast.records.recording import Recording
from handfast.sessions.feedback import at_plugs
from handfast.sessions.reading_words import KINDS, Asked, asked_for
from handfast.sessions.wire_arms import channel_name
from handfast.teaching.live import LiveStillness
from handfast.teaching.stillness import filtered, pose_at
from handfast.units import DEGREE

MEAN = 0.6
"""Time over which counts are averaged, s; the arms have been still for longer."""

BACK = 30.0
"""How far back the last motion of a joint is looked for, s."""

HELD = 0.5
"""So long a powered arm stands after Enter before its counts are averaged, s."""

FAR, FAR_ANGLE = 80e-3, 20.0 * DEGREE
"""An arm is elsewhere, not where a reading was asked for, if it is farther off than this by the bench's figures: a
bench that nobody measured may be off by centimetres and several degrees (our choice)."""

MOST_APART = 6.0 * DEGREE
"""Feedback of one stop from both sides differs by a link's play and windup: more than this is another place."""

LETS_ATTACH = 4.0
"""For so long an arm that was held still, or Enter, lets that arm's joints be attached where they stand, s."""

HELP = "\n".join(
    [
        "  type what you read, then bring the arm there and hold it still (Enter, if it is there already):",
        *(f"  {shape:20} {says}" for shape, says in KINDS.values()),
        "  add   good to N   where you can say how good the reading is (one standard deviation)",
        "  next: which readings help most    undo: take the last one back    limp ARM: no power any more",
        "  Enter: I am done with what was asked    no: not that one after all    h: this    q: end",
    ]
)


@dataclass(frozen=True)
class Seen:
    """Feedback of every channel, averaged at rest; servo supply, V; way (K,) in which each joint moved last; whether
    the maker said that it is there."""

    counts: tuple[float, ...]
    supply: float
    ways: tuple[int, ...]
    said: bool = False

    def arrived(self, part: slice) -> str:
        """The ways of some joints, as a readings file has them."""
        return " ".join("+" if w > 0 else "-" if w < 0 else "0" for w in self.ways[part])


@dataclass(frozen=True)
class Wants:
    """What a reading waits for: `still` arms of some sides, `enter`, or a `number`, and what is said meanwhile."""

    what: str
    says: str
    sides: tuple[Side, ...] = SIDES


Taking = Generator[Wants, Seen | float, Readings]
"""A reading while it is taken: it says what it waits for, is sent that, and returns itself."""


class TakingReadings:
    """One session. keep: told every reading, or that the last one is taken back (None); advise: what helps next."""

    def __init__(
        self,
        bench: Bench,
        board: HostBoard,
        say: Callable[[str], None],
        keep: Callable[[Readings | None], None],
        advise: Callable[[], list[str]],
        enter: str = "Enter",
        leads: float = 1.0,
        words: Callable[[HandfastError], str] = str,
    ):
        """enter: what is pressed where something is done, in words; leads: see `at_plugs`; words: an error in words."""
        self.enter, self.leads, self.words = enter, leads, words
        self.bench, self.board, self.say, self.keep, self.advise = bench, board, say, keep, advise
        self.chain = model_of(bench).chain
        self.still = LiveStillness(bench)
        self.scale = 2**bench.controller.wiper_bits / 1024.0 / 16.0
        self.taken = 0
        self._t: deque[float] = deque()
        self._counts: deque[Array] = deque()
        self._taking: Taking | None = None
        self._wants: Wants | None = None
        self._asked: Asked | None = None
        self._entered: float | None = None
        self._still_since: dict[Side, float | None] = {"left": None, "right": None}
        self._powered: set[Side] = set()
        self._pedal = False
        self._ended = False
        self._gone: Callable[[], bool] = lambda: False
        self._lets = -1.0

    def may_move(self) -> bool:
        """Permission: for a while after the maker brought an arm to where it gets power, if nobody has gone since."""
        return self.board.known().at / 1e6 < self._lets and not self._ended and not self._gone()

    def run(self, lines: Callable[[], list[str]], ends: Callable[[], bool]) -> None:
        """Until `q`, or until it shall end. Raises BoardStopped when the board stops."""
        self._gone = ends
        self.board.permission = self.may_move
        self.board.wipers.clear()
        self.board.ask("stream", on=1)
        begun = False
        while not self._ended and not ends():
            self.board.wait(lambda: bool(self.board.wipers), 0.05)
            self.board.check_live()
            while self.board.wipers:
                sample = self.board.wipers.popleft()
                counts = np.array(sample.wiper, dtype=float)[: self.bench.controller.channels] * self.scale
                self._add(sample.at / 1e6, counts)
                if sample.pedal and not self._pedal:
                    self._enter()
                self._pedal = bool(sample.pedal)
                if not begun:
                    begun = True
                    self.say("ready: say what you read")
            self._look()
            for line in lines():
                self._line(line.strip())
        for side in sorted(self._powered):
            self._limp(side)

    def _add(self, time: float, counts: Array) -> None:
        self._t.append(time)
        self._counts.append(counts)
        while self._t[0] < time - BACK:
            self._t.popleft()
            self._counts.popleft()
        self.still.add(counts)
        for side in SIDES:
            if not self.still.still(side):
                self._still_since[side] = None
            elif self._still_since[side] is None:
                self._still_since[side] = time

    # -- what is typed ---------------------------------------------------------------------------------

    def _line(self, line: str) -> None:
        words = line.lower().split()
        if line == "":
            self._enter()
        elif line == "q":
            self._ended = True
        elif line == "h":
            self.say(HELP)
        elif line == "no":
            self.say("  nothing was asked" if self._taking is None else "  left out")
            self._taking = self._wants = None
        elif line == "next":
            try:
                for text in self.advise():
                    self.say(f"  {text}")
            except InputError as error:
                self.say(f"  {self.words(error)}")
        elif line == "undo":
            self.keep(None)
        elif words[0] == "limp" and len(words) == 2 and words[1] in SIDES:
            self._limp("left" if words[1] == "left" else "right")
        elif self._wants is not None and self._wants.what == "number":
            self._number(line)
        else:
            self._ask(line)

    def _ask(self, line: str) -> None:
        try:
            asked = asked_for(line, self.bench)
            if asked.kind not in ("sag", "push"):
                for side in asked.sides:
                    if side in self._powered:
                        raise InputError(
                            f"the {side} arm is powered", where=line, expected="a limp arm",
                            next_step=f"support it, and type limp {side}; then type this again",
                        )  # fmt: skip
        except InputError as error:
            self._refuse(error)
            return
        self._asked, self._entered = asked, None
        kinds: dict[str, Callable[[Asked], Taking]] = {
            "pull": self._pull, "loose": self._pull, "sag": self._sag, "push": self._push, "rock": self._rock,
        }  # fmt: skip
        self._taking = kinds.get(asked.kind, self._limp_reading)(asked)
        self._go_on(partial(next, self._taking))

    def _number(self, line: str) -> None:
        try:
            value = float(line.replace(",", "."))
            if not abs(value) <= 500.0:
                raise ValueError
        except ValueError:
            self.say(f'  "{line}" is no number up to 500; type it in mm, or no')
            return
        self._send(value)

    def _enter(self) -> None:
        """Enter, or the pedal: what was asked is done; a limp arm that is held still is read where it is."""
        if self._wants is None:
            return
        if self._wants.what == "enter":
            self._entered = self._now
        elif self._wants.what == "still":
            if all(self.still.still(side) for side in self._wants.sides):
                self._send(replace(self._seen(), said=True))
            else:
                self._cue(2)
                self.say("  not read: hold it still for a second")

    # -- what is waited for ----------------------------------------------------------------------------

    @property
    def _now(self) -> float:
        return self._t[-1] if self._t else 0.0

    def _look(self) -> None:
        wants = self._wants
        if wants is None:
            return
        if wants.what == "enter" and self._entered is not None and self._now - self._entered >= HELD + MEAN:
            self._entered = None
            self._send(self._seen())
        elif wants.what == "still":
            since = [self._still_since[side] for side in wants.sides]
            rested = all(t is not None and self._now - t >= MEAN for t in since)
            if rested and any(self.still.led(side) for side in wants.sides):
                self._send(self._seen())

    def _seen(self) -> Seen:
        t, counts = np.array(self._t), np.array(self._counts)
        mean = counts[t > t[-1] - MEAN].mean(axis=0)
        record = Recording(t, counts, (), "held", (), "at a board")
        q = filtered(record, self.bench)
        ways = np.zeros(len(self.bench.joints), dtype=int)
        for side in SIDES:
            ways[self.bench.columns(side)] = np.sign(pose_at(record, self.bench, side, q, float(t[-1])).arrived)
        frames = [f for f in list(self.board.frames) if f.at / 1e6 > t[-1] - MEAN] or [self.board.known()]
        sensed = 1e-3 * float(np.mean([f.supply_mV for f in frames]))
        current = 1e-3 * np.mean([f.current_mA[:2] for f in frames], axis=0)
        # At the plug of the arm that is read: while powered arms draw current, the other one's has another voltage.
        side = "left" if self._asked is None else self._asked.side
        supply = float(at_plugs(self.bench, sensed, current, self.leads)[SIDES.index(side)])
        return Seen(tuple(round(float(c), 3) for c in mean), round(supply, 3), tuple(int(w) for w in ways))

    def _send(self, value: Seen | float) -> None:
        assert self._taking is not None
        self._go_on(partial(self._taking.send, value))

    def _go_on(self, step: Callable[[], Wants]) -> None:
        try:
            self._wants = step()
            if self._wants.what == "still" and self._t:
                for side in self._wants.sides:
                    self.still.stored(side)
            self.say(f"  {self._wants.says}")
        except StopIteration as done:
            self._taking = self._wants = None
            self._keep(done.value)
        except (InputError, Denied) as error:
            self._taking = self._wants = None
            self._refuse(error)

    def _keep(self, reading: Readings) -> None:
        asked = self._asked
        assert asked is not None
        try:
            self.keep(reading)
        except InputError as error:
            self._refuse(error)
            return
        self.taken += 1
        self._cue(1)
        values = " ".join(f"{v:g}" for v in asked.numbers)
        self.say(f"  reading {self.taken} kept: {asked.kind} {asked.of} {values}".replace("  ", " ").rstrip())

    def _refuse(self, error: HandfastError) -> None:
        self._cue(2)
        self.say(f"  not read: {self.words(error)}")

    def _cue(self, number: int) -> None:
        self.board.ask("cue", cue=number)

    # -- the kinds -------------------------------------------------------------------------------------

    def _limp_reading(self, asked: Asked) -> Taking:
        where = {
            "touch": "its TCP in the dimple", "meet": "both TCPs tip to tip", "bar": "both TCPs at the bar's ends",
            "gauge": "its link onto the stop, from 5 degrees away or more", "level": "its link to where the level lies",
        }[asked.kind]  # fmt: skip
        arms = "both arms" if len(asked.sides) == 2 else f"the {asked.side} arm"
        says = f"now {where}, and hold {arms} still (there already: {self.enter})"
        while True:
            seen = yield Wants("still", says, asked.sides)
            assert isinstance(seen, Seen)
            # A rest on the way is no reading, unless the maker says so.
            if seen.said or not (elsewhere := self._elsewhere(asked, seen)):
                break
            says = f"not read: {elsewhere} by the bench's figures; go on (there all the same: {self.enter})"
        error, every = asked.error, slice(None)
        common = {"counts": seen.counts, "supply": seen.supply}
        if asked.kind == "touch":
            at = tuple(1e-3 * v for v in asked.numbers)
            ways = seen.arrived(self.bench.columns(asked.side))
            return Readings(touches=(Touch(arm=asked.side, at=at, error=1e-3 * error, arrived=ways, **common),))  # type: ignore[arg-type]
        if asked.kind == "meet":
            return Readings(meets=(Meet(error=1e-3 * error, arrived=seen.arrived(every), **common),))  # type: ignore[arg-type]
        if asked.kind == "bar":
            length = 1e-3 * asked.numbers[0]
            return Readings(bars=(Bar(length=length, error=1e-3 * error, arrived=seen.arrived(every), **common),))  # type: ignore[arg-type]
        angle, error = asked.numbers[0] * DEGREE, error * DEGREE
        if asked.kind == "level":
            ways = seen.arrived(self.bench.columns(asked.side))
            return Readings(levels=(Level(joint=asked.of, tilt=angle, error=error, arrived=ways, **common),))  # type: ignore[arg-type]
        gauge = Gauge(joint=asked.of, angle=angle, error=error, way=self._onto(asked.of, seen), **common)  # type: ignore[arg-type]
        return Readings(gauges=(gauge,))

    def _elsewhere(self, asked: Asked, seen: Seen) -> str:
        """How far from what was asked for the arms are, in words; nothing, where they may well be there."""
        q = joint_angles(self.bench, np.array(seen.counts)[None])[0]
        if asked.kind == "gauge":
            off = abs(float(q[self.bench.joint_names.index(asked.of)]) - asked.numbers[0] * DEGREE)
            return f"that is {off / DEGREE:.0f} degrees from there" if off > FAR_ANGLE else ""
        tips = tool_poses(self.chain, q)[0, :, :3, 3]
        if asked.kind == "touch":
            far = float(np.linalg.norm(tips[SIDES.index(asked.side)] - 1e-3 * np.array(asked.numbers)))
        elif asked.kind in ("meet", "bar"):
            length = 1e-3 * asked.numbers[0] if asked.kind == "bar" else 0.0
            far = abs(float(np.linalg.norm(tips[0] - tips[1])) - length)
        else:
            return ""
        return f"that is {1e3 * far:.0f} mm from there" if far > FAR else ""

    def _onto(self, joint: str, seen: Seen) -> str:
        """The way in which a link came onto its stop, + or -."""
        way = seen.ways[self.bench.joint_names.index(joint)]
        if way == 0:
            raise InputError(
                f"it cannot be told which way {joint} came onto the stop", expected="a clear last motion",
                next_step="lead it away by 5 degrees or more, back onto the stop, and type it again",
            )  # fmt: skip
        return "+" if way > 0 else "-"

    def _rock(self, asked: Asked) -> Taking:
        """Onto a stop that stays from both sides: its own error is the same both times."""
        angle, error = asked.numbers[0] * DEGREE, asked.error * DEGREE
        joint = self.bench.joints[self.bench.joint_names.index(asked.of)]
        name = datetime.datetime.now().isoformat(timespec="seconds")
        found: list[Gauge] = []
        says = f"now its link onto the stop, from 5 degrees away or more, held still (there already: {self.enter})"
        while len(found) < 2:
            seen = yield Wants("still", says, (asked.side,))
            assert isinstance(seen, Seen)
            way = self._onto(asked.of, seen)
            if found:
                both = angle_of(joint, np.array([seen.counts[joint.channel], found[0].counts[joint.channel]]))
                apart = abs(float(both[0] - both[1]))
                if way == found[0].way:
                    says = "it came from the same side as before: lead it onto the stop from the other side"
                    continue
                if apart > MOST_APART:
                    says = f"that is {apart / DEGREE:.0f} degrees from the stop: lead it onto the stop"
                    continue
            found.append(
                Gauge(
                    joint=asked.of, angle=angle, error=error, way=way, stop=name, again=min(GAUGE_AGAIN, error),
                    counts=seen.counts, supply=seen.supply,
                )
            )  # fmt: skip
            says = f"now onto it from the other side, the stop staying where it is ({self.enter})"
        return Readings(gauges=tuple(found))

    def _pull(self, asked: Asked) -> Taking:
        yield from ()
        force, lever = asked.numbers
        pull = Pull(
            joint=asked.of, force=force, lever=1e-3 * lever, error=max(asked.error, 1e-3), loose=asked.kind == "loose"
        )
        return Readings(pulls=(pull,))

    def _sag(self, asked: Asked) -> Taking:
        yield from self._hold(asked.side)
        bare = yield Wants("enter", f"hands off; when it stands, read the height of its TCP: {self.enter}")
        loaded = yield Wants("enter", f"hang on the {asked.numbers[0]:g} g, softly; when it stands: {self.enter}")
        down = yield Wants("number", "by how many mm has the TCP gone down?")
        assert isinstance(bare, Seen)
        assert isinstance(loaded, Seen)
        assert isinstance(down, float)
        self.say(f"  take the weight off; the {asked.side} arm stays powered until   limp {asked.side}")
        sag = Sag(
            arm=asked.side, mass=1e-3 * asked.numbers[0], down=1e-3 * down, error=1e-3 * asked.error,
            counts=bare.counts, loaded=loaded.counts, supply=bare.supply, loaded_supply=loaded.supply,
        )  # fmt: skip
        return Readings(sags=(sag,))

    def _push(self, asked: Asked) -> Taking:
        yield from self._hold(asked.side)
        force = " ".join(f"{v:g}" for v in asked.numbers)
        first = yield Wants("enter", f"push its TCP with {force} N, set the pointer to it, go on pushing: {self.enter}")
        back = yield Wants("enter", f"now as hard the other way, and go on pushing: {self.enter}")
        off = yield Wants("number", "how many mm along the first push did it stand from the second?")
        assert isinstance(first, Seen)
        assert isinstance(back, Seen)
        assert isinstance(off, float)
        self.say(f"  let go; the {asked.side} arm stays powered until   limp {asked.side}")
        push = Push(
            arm=asked.side, force=asked.numbers, off=1e-3 * off,
            error=1e-3 * float(np.hypot(asked.error, 0.05 * abs(off))), counts=first.counts, back=back.counts,
            supply=first.supply, back_supply=back.supply,
        )  # fmt: skip
        return Readings(pushes=(push,))

    # -- power -----------------------------------------------------------------------------------------

    def _hold(self, side: Side) -> Generator[Wants, Seen | float, None]:
        """Give an arm power where it is held still."""
        if side in self._powered:
            return
        yield Wants(
            "still",
            f"bring the {side} arm to where it is to stand, hold it still: it gets power (there already: {self.enter})",
            (side,),
        )
        self._lets = self.board.known().at / 1e6 + LETS_ATTACH
        self.board.wait(lambda: self.board.known().permission, 0.5)
        try:
            for joint in self.bench.arm(side).joints:
                try:
                    self.board.ask("attach", channel=joint.channel, pulse=0, ramp=80)
                    self.board.wait(partial(self._is_driven, joint.channel), 3.0)
                except Denied as denied:
                    self._detach(side)
                    raise InputError(
                        f"{channel_name(self.bench, joint.channel)} gets no power: {denied.reason}",
                        expected="an arm inside its travel, held still",
                        next_step="hold it still inside its travel, and type this again",
                    ) from None
        finally:
            self._lets = -1.0
        self._powered.add(side)

    def _is_driven(self, channel: int) -> bool:
        return self.board.known().channel[channel] == 2

    def _detach(self, side: Side) -> None:
        self.board.ask("detach", mask=sum(1 << joint.channel for joint in self.bench.arm(side).joints))

    def _limp(self, side: Side) -> None:
        if side not in self._powered:
            self.say(f"  the {side} arm is limp")
            return
        self._detach(side)
        self._powered.discard(side)
        self.say(f"  the {side} arm is limp again: support it")
