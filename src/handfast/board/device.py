"""A board in Python: the firmware's behaviour over the same wire, with a stand-in at its pins.

Time is the board's own and passes only in `step`, a few milliseconds at once. What it does is in docs/protocol.md;
where that leaves a choice it is the firmware's.
"""

from __future__ import annotations

from collections import deque
from itertools import pairwise

import numpy as np

from handfast.board.attached import StandIn
from handfast.board.channel import ATTACHED, ATTACHING, FEELING, FIRST_FRAMES, FRAME, Channel
from handfast.board.codec import Message, Receiver, Refused, Value, encode, wire
from handfast.board.limits import BenchLimits, ChannelLimits
from handfast.board.playing import PlaysStored
from handfast.board.refusal import Nack
from handfast.board.stored import Kept, Pedal, Playing

CHANNELS = 12
PIECE = 5
"""ms of board time per step."""
SETTLED, PATIENCE = 15, 5_000_000
"""Frames in a row without much change after which wipers and supply are steady; longest wait for that, µs."""
BROWN_FRAMES, PERMISSION_FRAMES = 3, 5
"""Frames that the supply must be too low; frames within which outputs come to rest without permission."""
CUT_EARLY = 3
"""Frames before the end of a stop in which outputs stand where they are."""
TABLE_REACH = 240
"""How far past the ends of its table a wiper may lie when its channel is attached, counts/16."""
TRAVEL_REACH = 100
"""How far outside the travel a measured pose may lie when its channel is attached, µs/8."""
STEADY = 164
"""Most that a wiper may wander to count as steady: 1 % of its range, counts/16."""


class PythonBoard(PlaysStored):
    """One board with a stand-in. `pedal` and `stop_open` are its inputs; `lamp` and `cues` what it shows."""

    name = "handfast board"
    version = (0, 1, 0)

    def __init__(self, stand_in: StandIn, reference_mV: int = 5000):
        self._stand_in, self._reference = stand_in, reference_mV
        self._wire = wire()
        self.pedal = self.stop_open = False
        self.lamp, self.cues = 0, 0
        self.us = 0
        self.kept = Kept()
        self.reset(1)

    def reset(self, why: int) -> None:
        """As after power on (1), the reset pin (2), low voltage of the chip (4) or the watchdog (8)."""
        w = self._wire
        self._receiver = Receiver(to_board=True)
        self._sequence = 0
        self._out = bytearray()
        self._reset_bits = why
        self.state, self.cause = w.states["waiting"], 0
        self._session = self._streaming = False
        self._bench: BenchLimits | None = None
        self.channels = [Channel() for _ in range(CHANNELS)]
        self.relay = False
        self.permission = False
        self._taking: Kept | None = None
        self._playing: Playing | None = None
        self._played = 0
        self._foot = Pedal(self.us)
        self._foot.down = self.pedal
        self._heard = self._powered = self._stopping = self.us
        self._targets: deque[tuple[int, tuple[int, ...]]] = deque()
        self._moving = False
        self._calm = 0
        self._wipers = [0] * CHANNELS
        self._history: deque[list[int]] = deque(maxlen=SETTLED)
        self._supply, self._current = 0, (0, 0)
        self._brown = 0
        self._seen = (self.pedal, self.stop_open)
        self._worst = (0, 0)
        self._rows: list[np.ndarray] = []
        self._last = np.zeros(CHANNELS)
        self._given = np.zeros(CHANNELS)
        self._silent = np.full(CHANNELS, 1000)

    # -- the link --------------------------------------------------------------------------------------

    def take(self, data: bytes) -> None:
        """Bytes from the host."""
        for message in self._receiver.feed(data):
            if isinstance(message, Refused):
                self._refuse(message.of, message.what, Nack(message.reason, message.where))
                continue
            kind = self._wire.kinds[message.name]
            if not self._session and message.name == "stop":
                self._stop("host_stop")
            if not self._session and message.name != "identify":
                self._refuse(message.sequence, kind.type, Nack("state"))
                continue
            try:
                getattr(self, f"_on_{message.name}")(message)
            except Nack as nack:
                self._refuse(message.sequence, kind.type, nack)
            else:
                if kind.answer == "ack":
                    self._say("ack", of=message.sequence, what=kind.type)

    def line_break(self) -> None:
        """The line was held low."""
        self._stop("line_break")

    def _refuse(self, of: int, what: int, nack: Nack) -> None:
        self._receiver.counts["refused"] += 1
        self._say(
            "nack", of=of, what=what, reason=self._wire.reasons[nack.reason], where=nack.where, excess=nack.excess
        )

    def _say(self, name: str, /, **values: Value) -> None:
        self._out += encode(name, self._sequence, **values)
        self._sequence = (self._sequence + 1) & 0xFF

    def _event(self, kind: str, where: int = 255, value: int = 0) -> None:
        if self._session:
            self._say("event", board_us=self._time(), kind=self._wire.events[kind], where=where, value=value & 0xFFFF)

    def _time(self) -> int:
        return self.us & 0xFFFFFFFF

    def _enter(self, state: str, cause: str = "none") -> None:
        self.state, self.cause = self._wire.states[state], self._wire.causes[cause]
        self._event("state_changed", self.state, self.cause)

    def _in(self, *states: str) -> bool:
        return any(self.state == self._wire.states[s] for s in states)

    def _need(self, *states: str) -> None:
        if not self._in(*states):
            raise Nack("state")

    # -- requests --------------------------------------------------------------------------------------

    def _on_identify(self, m: Message) -> None:
        if m["protocol"] != self._wire.version:
            raise Nack("version")
        if self.relay:
            raise Nack("busy")
        self._session, self._streaming, self._sequence = True, False, 0
        self.permission = False
        self._say(
            "identity", nonce=m["nonce"], protocol=self._wire.version, major=self.version[0], minor=self.version[1],
            patch=self.version[2], channels=CHANNELS, queue=self._wire.limits["queue"],
            knots=self._wire.limits["knots"],
            reset=self._reset_bits, stamp=self._bench.stamp if self._bench else 0, name=self.name,
        )  # fmt: skip
        if self._in("waiting"):
            self._enter("ready")

    def _on_stop(self, m: Message) -> None:
        self._stop("host_stop")

    def _on_heartbeat(self, m: Message) -> None:
        self._heard = self.us
        had, self.permission = self.permission, bool(m["permission"])
        if not had or self.permission:
            return
        if self._in("playing"):
            self._stop("pedal_released")
        if self._in("live"):
            if self._targets or any(c.state in (ATTACHING, FEELING) for c in self.channels):
                self._hold()
            self._event("permission_lost")

    def _on_bench(self, m: Message) -> None:
        self._need("ready")
        self._bench = BenchLimits(**m.values)
        for channel in self.channels:
            channel.limits = None

    def _on_channel(self, m: Message) -> None:
        self._need("ready")
        if self._bench is None:
            raise Nack("no_limits")
        values = dict(m.values)
        number = values.pop("channel")
        if values["travel_low"] >= values["travel_high"]:
            raise Nack("order", 2)
        if values["park"] and not values["travel_low"] <= values["park"] <= values["travel_high"]:
            raise Nack("order", 4)
        if values["wiper_low"] >= values["wiper_high"]:
            raise Nack("order", 6)
        self.channels[number].limits = ChannelLimits(**values)

    def _on_table(self, m: Message) -> None:
        self._need("ready")
        channel = self.channels[m["channel"]]
        if channel.limits is None:
            raise Nack("no_limits", m["channel"])
        n = m["points"]
        wipers, pulses = m["wiper"][:n], m["pulse"][:n]
        climbs = [b - a for a, b in pairwise(pulses)]
        if any(b <= a for a, b in pairwise(wipers)):
            raise Nack("order", 2)
        if not (all(c > 0 for c in climbs) or all(c < 0 for c in climbs)) or (n and 0 in pulses):
            raise Nack("order", 3)
        known = channel.limits.__dict__ | {"wipers": wipers, "pulses": pulses}
        channel.limits = ChannelLimits(**known)

    def _on_power(self, m: Message) -> None:
        if not m["on"]:
            if self._in("settling", "live"):
                self._cut()
                self._enter("ready", "none")
            elif not self._in("ready"):
                raise Nack("state")
            return
        self._need("ready")
        if self._bench is None:
            raise Nack("no_limits")
        if self.stop_open:
            raise Nack("stop_input")
        self.relay = True
        self._powered = self._heard = self.us
        self._brown = 0
        self._history.clear()
        self._enter("settling")

    def _ready_to_pulse(self, m: Message) -> Channel:
        """The channel of an attach or feel, when everything allows a first pulse."""
        self._need("live")
        if not self.permission:
            raise Nack("no_permission")
        if self._targets or self.us < self._calm:
            raise Nack("busy")
        return self._channel_for(m["channel"], m["pulse"])

    def _channel_for(self, number: int, pulse: int) -> Channel:
        """A channel whose limits and wiper allow a first pulse."""
        channel = self.channels[number]
        if channel.limits is None:
            raise Nack("no_limits", number)
        if any(c.state in (ATTACHING, FEELING) for c in self.channels):
            raise Nack("busy")
        if channel.state:
            raise Nack("state", number)
        limits = channel.limits
        if not limits.wiper_low <= self._wipers[number] <= limits.wiper_high:
            raise Nack("outside_window", number)
        if not self._steady(number, 5):
            raise Nack("unsteady", number)
        if pulse and not limits.travel_low <= pulse <= limits.travel_high:
            raise Nack("outside_travel", number, max(limits.travel_low - pulse, pulse - limits.travel_high))
        return channel

    def _on_attach(self, m: Message) -> None:
        self._attach(self._ready_to_pulse(m), m["channel"], m["pulse"], m["ramp"])

    def _attach(self, channel: Channel, number: int, pulse: int, ramp: int) -> None:
        assert channel.limits is not None
        if not channel.limits.wipers:
            raise Nack("no_table", number)
        # Past the ends of its table a servo's pulse is not known: pulses there would make it jump.
        first, last = channel.limits.wipers[0], channel.limits.wipers[-1]
        if not first - TABLE_REACH <= self._wipers[number] <= last + TABLE_REACH:
            raise Nack("outside_window", number)
        first_pulse, beyond = channel.limits.pose_at(self._mean(number))
        if beyond > TRAVEL_REACH:
            raise Nack("outside_travel", number, beyond)
        channel.first = first_pulse
        channel.goal = pulse or channel.first
        channel.ramp = min(ramp, channel.limits.slew)
        channel.wait, channel.state = FIRST_FRAMES, ATTACHING
        self._event("attached", number, channel.first)

    def _steady(self, number: int, frames: int) -> bool:
        seen = [h[number] for h in list(self._history)[-frames:]]
        return len(seen) == frames and max(seen) - min(seen) <= STEADY

    def _mean(self, number: int) -> int:
        seen = [h[number] for h in list(self._history)[-5:]]
        return round(sum(seen) / len(seen))

    def _on_feel(self, m: Message) -> None:
        channel = self._ready_to_pulse(m)
        channel.goal, channel.every, channel.left = m["pulse"], m["every"], m["pulses"]
        channel.allowed, channel.wait = m["allowed"], 0
        channel.felt_at = self._mean(m["channel"])
        channel.state = FEELING

    def _on_detach(self, m: Message) -> None:
        for number, channel in enumerate(self.channels):
            if m["mask"] >> number & 1:
                channel.off()

    def _on_hold(self, m: Message) -> None:
        self._need("live")
        self._hold()

    def _hold(self, frames: int = PERMISSION_FRAMES) -> None:
        """Come to rest within so many frames: attach ramps end where they are, what is felt for becomes limp."""
        self._targets.clear()
        self._moving = False
        self._calm = self.us + 1000 * FRAME * frames
        for number, c in enumerate(self.channels):
            if c.state == FEELING:
                c.off()
                self._event("felt", number, 0)
            c.come_down(frames)

    def _on_target(self, m: Message) -> None:
        self._need("live")
        if not self.permission:
            raise Nack("no_permission")
        if self.us < self._calm:
            raise Nack("busy")
        if len(self._targets) >= self._wire.limits["queue"]:
            raise Nack("queue_full")
        ahead = (m["at_us"] - self._time()) & 0xFFFFFFFF
        if ahead >= 2**31:
            raise Nack("too_late", excess=-(-(2**32 - ahead) // 1000))
        if ahead > self._wire.limits["horizon_us"]:
            raise Nack("too_early", excess=-(-(ahead - self._wire.limits["horizon_us"]) // 1000))
        self._add_target(self.us + ahead, m["pulse"])

    def _add_target(self, at: int, pulses: tuple[int, ...]) -> None:
        """Put a target behind the others. Raises Nack for one that is out of order or outside a limit."""
        if self._targets and at <= self._targets[-1][0]:
            raise Nack("order", 0)
        for number, pulse in enumerate(pulses):
            if not pulse:
                continue
            channel = self.channels[number]
            if channel.state != ATTACHED or channel.limits is None:
                raise Nack("not_attached", number)
            limits = channel.limits
            if not limits.travel_low <= pulse <= limits.travel_high:
                raise Nack("outside_travel", number, max(limits.travel_low - pulse, pulse - limits.travel_high))
        for number, pulse in enumerate(pulses):
            if pulse and not any(p[number] for _, p in self._targets):
                self.channels[number].from_time, self.channels[number].from_pulse = self.us, self.channels[number].out
        self._targets.append((at, pulses))
        self._moving = True

    def _on_clock_ask(self, m: Message) -> None:
        self._say("clock_tell", token=m["token"], heard_us=self._time(), told_us=self._time())

    def _on_clear(self, m: Message) -> None:
        self._need("stopped")
        if m["cause"] != self.cause:
            raise Nack("range", 0)
        if self.stop_open:
            raise Nack("stop_input")
        self._enter("ready")

    def _on_stream(self, m: Message) -> None:
        self._streaming = bool(m["on"])

    def _on_lamp(self, m: Message) -> None:
        self.lamp = m["level"]

    def _on_cue(self, m: Message) -> None:
        self.cues = m["cue"]

    def _on_counters_ask(self, m: Message) -> None:
        counts = self._receiver.counts
        capped: dict[str, Value] = {k: min(v, 65535) for k, v in counts.items() if k != "good"}
        rest = dict.fromkeys(("line_errors", "breaks", "dropped", "late", "stack_free"), 0)
        self._say("counters", good=counts["good"] & 0xFFFFFFFF, **capped, **rest)

    # -- stopping --------------------------------------------------------------------------------------

    def _stop(self, cause: str) -> None:
        """Stop as the bench says; a stop under way goes on with the cause it began with."""
        if self._in("stopping"):
            if cause == "brown_out":
                self._end_stop()
            return
        if not self.relay:
            return  # nothing to stop
        pulsed = any(c.out or c.state for c in self.channels)
        if self._bench is None or self._bench.stop_category == 0 or not pulsed or cause == "brown_out":
            self._cut()
            self._enter("stopped", cause)
            return
        self._stopping = self.us
        self._playing = None
        self._enter("stopping", cause)
        self._hold(max(self._bench.stop_time_ms // (2 * FRAME), 1))

    def _end_stop(self) -> None:
        """A stop of category 1 is over: cut, with the cause it began with."""
        cause = next(k for k, v in self._wire.causes.items() if v == self.cause)
        self._cut()
        self._enter("stopped", cause)

    def _cut(self) -> None:
        """Outputs low and relay off; a pulse that has begun ends by itself."""
        self._targets.clear()
        self._moving = False
        self._calm = 0
        for channel in self.channels:
            channel.off()
        self.relay = False
        self._playing = None
        self._worst = (0, 0)

    # -- time ------------------------------------------------------------------------------------------

    def step(self) -> bytes:
        """Move on by `PIECE` ms; returns what the board said meanwhile and before."""
        ms = self.us // 1000
        if ms % FRAME == 0:
            self._frame()
        self._inputs()
        # A pulse is complete, as the stand-in sees it, three milliseconds after its frame began.
        rows = np.empty((PIECE, CHANNELS))
        for k in range(PIECE):
            if (ms + k) % FRAME == 3:
                self._last = np.where(self._given > 0, self._given, self._last)
                self._silent = np.where(self._given > 0, 0, self._silent)
            self._silent = self._silent + 1
            rows[k] = np.where(self._silent <= 50, self._last, 0.0)
        out = self._stand_in.run(self.us, rows / 8.0, self.relay)
        self._rows.append(out)
        self.us += PIECE * 1000
        now = ms + PIECE
        if now % 10 == 0 and self._streaming and self._session:
            self._say("wipers", board_us=self._time() - 2500 & 0xFFFFFFFF, wiper=self._trimmed(), pedal=int(self.pedal))
        if now % FRAME == 0:
            self._measure()
            self._status()
        said, self._out = bytes(self._out), bytearray()
        return said

    def _counts(self, rows: np.ndarray) -> np.ndarray:
        """Converter counts (N, 12) of wipers in mV."""
        return np.asarray(np.clip(rows[:, :CHANNELS] * 1024 // self._reference, 0, 1023))

    def _trimmed(self) -> tuple[int, ...]:
        """Five readings without the lowest and the highest, counts/16."""
        last = np.sort(self._counts(np.vstack(self._rows)[-5:]), axis=0)[1:4]
        return tuple(int(v) for v in np.rint(last.mean(axis=0) * 16))

    def _measure(self) -> None:
        rows = np.vstack(self._rows)
        self._rows.clear()
        quiet = rows[3:]
        self._wipers = [int(v) for v in np.rint(self._counts(quiet).mean(axis=0) * 16)]
        self._history.append(list(self._wipers))
        self._supply = int(quiet[:, CHANNELS].mean())
        self._current = (int(quiet[:, CHANNELS + 1].mean()), int(quiet[:, CHANNELS + 2].mean()))

    @property
    def known(self) -> bool:
        """Whether wipers mean anything: without servo power they do not."""
        return self.relay and not self.settling

    @property
    def settling(self) -> bool:
        """Whether the relay is on and supply and wipers are not known to be steady yet."""
        return self._in("settling") or (self._playing is not None and self._playing.phase == "settle")

    def _status(self) -> None:
        # A stand-in shows no top of a potentiometer: 0, as a pin without a wire.
        if not self._session:
            return
        flags = (
            1 * self.relay + 2 * self.permission + 4 * self.pedal + 8 * self.stop_open + 16 * self.known
            + 32 * bool(self._targets) + 64 * self.kept.valid
            + 128 * (self._bench is not None and any(c.limits for c in self.channels))
        )  # fmt: skip
        self._say(
            "status", board_us=(self.us - 1000 * FRAME) & 0xFFFFFFFF, state=self.state, cause=self.cause, flags=flags,
            channel=tuple(c.state for c in self.channels), wiper=tuple(self._wipers),
            pulse=tuple(int(p) for p in self._given), supply_mV=min(self._supply, 65535), current_mA=self._current,
            worst=self._worst[0], error=self._worst[1], queue=len(self._targets), knot=self._played, top=0,
        )  # fmt: skip

    def _inputs(self) -> None:
        """Pedal and stop input, looked at every few milliseconds."""
        pedal, stop_open = self.pedal, self.stop_open
        if pedal != self._seen[0]:
            self._event("pedal", value=int(pedal))
        if stop_open != self._seen[1]:
            self._event("stop_input", value=int(stop_open))
        self._seen = (pedal, stop_open)
        if stop_open and self.relay:
            self._stop("hardware_stop")
        self._watch_pedal()
        limit = 1000 * self._wire.limits["link_timeout_ms"]
        if self._session and self.relay and self.us - self._heard > limit and self._in("settling", "live", "playing"):
            self._stop("link_lost")

    def _frame(self) -> None:
        """What a frame begins with: watch, then set the pulses."""
        if self.settling:
            self._settle()
        if self._in("live", "playing", "stopping") and not self.settling:
            self._watch()
        if self._in("playing"):
            self._play_on()
        if self._in("live", "playing"):
            self._follow_targets()
        elif self._in("stopping"):
            self._ramp_down()
        self._given = np.array([c.out for c in self.channels], dtype=float)

    def _settle(self) -> None:
        """Live as soon as supply and wipers have been steady for a while; stopped if they will not be."""
        bench = self._bench
        assert bench is not None
        used = [n for n, c in enumerate(self.channels) if c.limits is not None]
        fed = self._supply >= max(bench.brown_out_mV, 1)
        steady = all(self._steady(n, SETTLED) for n in used) and len(self._history) == SETTLED
        if fed and steady:
            if self._playing is None:
                self._enter("live")
            else:
                self._playing.phase = "attach"
        elif self.us - self._powered > PATIENCE:
            self._stop("wiper_open" if fed else "brown_out")

    def _watch(self) -> None:
        bench = self._bench
        assert bench is not None
        self._brown = self._brown + 1 if self._supply < bench.brown_out_mV else 0
        if self._brown >= BROWN_FRAMES:
            self._stop("brown_out")
            return
        worst = (0, 0)
        for number, c in enumerate(self.channels):
            cause, error = c.watch(self._wipers[number])
            if abs(error) > abs(worst[1]):
                worst = (number, max(-32768, min(32767, error)))
            if cause:
                self._worst = worst
                self._stop(cause)
                return
        self._worst = worst

    def _follow_targets(self) -> None:
        while self._targets and self._targets[0][0] <= self.us:
            at, pulses = self._targets.popleft()
            for number, pulse in enumerate(pulses):
                if pulse:
                    self.channels[number].from_time, self.channels[number].from_pulse = at, pulse
        for number, c in enumerate(self.channels):
            if c.state == ATTACHED:
                coming = next(((t, p[number]) for t, p in self._targets if p[number]), None)
                c.track(self.us, coming)
            elif c.state == ATTACHING:
                c.attach_on(self.us)
            elif c.state == FEELING:
                self._feel_on(number, c)
        if self._moving and not self._targets:
            self._moving = False
            self._event("queue_empty")

    def _feel_on(self, number: int, c: Channel) -> None:
        moved = abs(self._wipers[number] - c.felt_at)
        ended = c.feel_on(self.us, moved)
        if ended is not None:
            if not ended:
                self._event("wiper_moved", number, moved)
            self._event("felt", number, int(ended))

    def _ramp_down(self) -> None:
        bench = self._bench
        assert bench is not None
        if self.us + 1000 * FRAME > self._stopping + 1000 * bench.stop_time_ms:
            self._end_stop()
            return
        left = (self._stopping + 1000 * bench.stop_time_ms - self.us) // (1000 * FRAME) - CUT_EARLY
        for c in self.channels:
            c.come_to_rest(max(left, 1) if bench.stop_pose == 1 else 0)
