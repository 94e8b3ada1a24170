"""How the Python board takes, keeps and plays a stored routine: that part of the firmware's behaviour."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import deque

from handfast.board.channel import ATTACHING, FRAME, Channel
from handfast.board.codec import Message, Value, Wire
from handfast.board.limits import BenchLimits
from handfast.board.refusal import Nack
from handfast.board.stored import AHEAD, Kept, Pedal, Playing, check_of, steepest


class PlaysStored(ABC):
    """The part of a board that has to do with its stored routine. Everything else is the board's."""

    pedal: bool
    stop_open: bool
    us: int
    relay: bool
    permission: bool
    channels: list[Channel]
    kept: Kept
    _wire: Wire
    _session: bool
    _bench: BenchLimits | None
    _taking: Kept | None
    _playing: Playing | None
    _played: int
    _foot: Pedal
    _powered: int
    _heard: int
    _history: deque[list[int]]
    _targets: deque[tuple[int, tuple[int, ...]]]

    @abstractmethod
    def _say(self, name: str, /, **values: Value) -> None: ...

    @abstractmethod
    def _event(self, kind: str, where: int = 255, value: int = 0) -> None: ...

    @abstractmethod
    def _enter(self, state: str, cause: str = "none") -> None: ...

    @abstractmethod
    def _in(self, *states: str) -> bool: ...

    @abstractmethod
    def _need(self, *states: str) -> None: ...

    @abstractmethod
    def _channel_for(self, number: int, pulse: int) -> Channel: ...

    @abstractmethod
    def _attach(self, channel: Channel, number: int, pulse: int, ramp: int) -> None: ...

    @abstractmethod
    def _add_target(self, at: int, pulses: tuple[int, ...]) -> None: ...

    @abstractmethod
    def _stop(self, cause: str) -> None: ...

    @abstractmethod
    def _cut(self) -> None: ...

    def _on_store_ask(self, m: Message) -> None:
        k = self.kept
        stamp = 0 if k.bench is None else k.bench.stamp
        self._say("stored", valid=int(k.valid), knots=k.expected, mask=k.mask, crc=k.crc, frames=k.frames, stamp=stamp)

    def _on_store_begin(self, m: Message) -> None:
        self._need("ready")
        most = self._wire.limits["knots"]
        if m["knots"] > most:
            raise Nack("does_not_fit", excess=m["knots"] - most)
        if self._bench is None:
            raise Nack("no_limits")
        for number, channel in enumerate(self.channels):
            if m["mask"] >> number & 1 and (channel.limits is None or not channel.limits.wipers):
                raise Nack("no_limits" if channel.limits is None else "no_table", number)
        self.kept = self._taking = Kept(
            [], m["knots"], m["mask"], m["crc"], m["ramp"], m["hold"], m["repeats"], self._bench,
            tuple(c.limits for c in self.channels),
        )  # fmt: skip

    def _on_store_knot(self, m: Message) -> None:
        self._need("ready")
        taking = self._taking
        if taking is None or m["index"] != len(taking.knots) or m["index"] >= taking.expected:
            raise Nack("missing_knot", excess=0 if taking is None else taking.expected - len(taking.knots))
        pulses: tuple[int, ...] = m["pulse"]
        for number, pulse in enumerate(pulses):
            if not taking.mask >> number & 1:
                if pulse:
                    raise Nack("not_attached", number)
                continue
            limits = self.channels[number].limits
            if limits is None:
                raise Nack("no_limits", number)
            if not limits.travel_low <= pulse <= limits.travel_high:
                raise Nack("outside_travel", number, max(limits.travel_low - pulse, pulse - limits.travel_high))
            if taking.knots:
                step = steepest(taking.knots[-1][1], pulses, m["frames"], number)
                if step > limits.slew:
                    raise Nack("too_fast", number, step - limits.slew)
        taking.knots.append((m["frames"], pulses))

    def _on_store_commit(self, m: Message) -> None:
        self._need("ready")
        taking = self._taking
        if taking is None or len(taking.knots) != taking.expected:
            raise Nack("missing_knot", excess=0 if taking is None else taking.expected - len(taking.knots))
        if check_of(taking.knots) != taking.crc:
            raise Nack("check_failed")
        # Limits may have been sent anew since the knots were checked against them.
        if self._bench != taking.bench or tuple(c.limits for c in self.channels) != taking.limits:
            raise Nack("no_limits")
        taking.valid, self._taking = True, None
        self._event("store_written", value=taking.expected)

    def _on_store_erase(self, m: Message) -> None:
        self._need("ready")
        self.kept, self._taking = Kept(), None

    def _on_store_run(self, m: Message) -> None:
        self._start_playing(by_host=True)

    def _start_playing(self, by_host: bool) -> None:
        if by_host:
            self._need("ready")
        if not self.kept.valid:
            raise Nack("missing_knot")
        if self.stop_open:
            raise Nack("stop_input")
        if by_host and not self.permission:
            raise Nack("no_permission")
        self._bench = self.kept.bench
        for channel, limits in zip(self.channels, self.kept.limits, strict=True):
            channel.limits = limits
        self._playing, self._played = Playing(self.kept, by_host), 0
        self.relay = True
        self._powered = self._heard = self.us
        self._history.clear()
        self._enter("playing")

    def _watch_pedal(self) -> None:
        """Start a stored routine by the pedal, or end it by the pedal; hosts have other ways."""
        pressed = self._foot.look(self.pedal, self.us)
        playing = self._playing
        if playing is None:
            if not self._session and self._in("waiting", "stopped") and self._foot.held(self.us) and self.kept.valid:
                self._foot.released = False
                if not self.stop_open:
                    self._start_playing(by_host=False)
            return
        if playing.by_host:
            return
        if not self.pedal if playing.kept.hold else pressed:
            if playing.phase == "done":
                self._cut()
                self._enter("waiting")
            else:
                self._stop("pedal_released")

    def _play_on(self) -> None:
        """One frame of a stored routine."""
        playing = self._playing
        if playing is None:
            return
        if playing.phase == "attach":
            self._attach_next(playing)
        if playing.phase == "run":
            while len(self._targets) < AHEAD and playing.at - self.us < 1_000_000:
                piece = playing.next_piece(1000 * FRAME)
                if piece is None:
                    break
                try:
                    self._add_target(*piece)
                except Nack:
                    self._stop("bad_limit")
                    return
            self._played = max(playing.knot - len(self._targets), 0)
            if not self._targets:
                playing.phase, self._played = "done", playing.knot
                self._event("routine_done", value=playing.knot)
                if playing.by_host:
                    self._playing = None
                    self._enter("live")

    def _attach_next(self, playing: Playing) -> None:
        number = playing.next_channel()
        if any(c.state == ATTACHING for c in self.channels):
            return
        if number is None:
            playing.begin_way(self.us, [c.out for c in self.channels], 1000 * FRAME)
            return
        try:
            self._attach(self._channel_for(number, 0), number, 0, playing.kept.ramp)
        except Nack as nack:
            if nack.reason not in ("busy", "unsteady"):
                self._stop("wiper_open")
            return
        playing.channel += 1
