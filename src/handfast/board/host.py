"""The host's end of the link: one open board, its telemetry, its events, and the heartbeat.

Over a real link a reader and a heartbeat run in threads of their own, so that busy work elsewhere starves neither; a
process that stands by fills in for a heartbeat that is late all the same.
With a board in memory time passes only while the host waits, and everything happens in one thread, repeatably.
"""

from __future__ import annotations

import contextlib
import random
import threading
from collections import deque
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from types import TracebackType

from handfast.board.clock import BoardClock
from handfast.board.codec import Message, Receiver, Refused, Value, encode, wire
from handfast.board.limits import BenchLimits, ChannelLimits
from handfast.board.links import Link, MemoryLink, SerialLink, wall_time
from handfast.board.stand_by import STRIDE, StandBy
from handfast.errors import FaultError

BEAT = 0.05
"""Time between two heartbeats, s."""
ANSWER = 0.5
"""How long an answer may take, s; then the request is sent again, twice at most."""
START = 2.0
"""How long servo power waits for the process that stands by, s; where it does not come, it goes without."""
BOOT = 4.0
"""How long a board may take to answer after the port was opened, s: some reset and wait in a boot loader."""


class BoardStopped(FaultError):  # noqa: N818 - named for what the board did
    """The board has stopped: `cause` is the wire's word for why."""

    def __init__(self, cause: str, says: str = ""):
        super().__init__(
            says or f"the board stopped: {cause}\n  next: see to it, then start again; nothing resumes by itself"
        )
        self.cause = cause


class Denied(FaultError):  # noqa: N818 - named for what the board did
    """The board understood a request and refused it."""

    def __init__(self, what: str, reason: str, where: int, excess: int):
        at = "" if where == 255 else f" (channel or field {where})"
        more = f", by {excess}" if excess else ""
        super().__init__(f"the board refused `{what}`: {reason}{at}{more}")
        self.what, self.reason, self.where, self.excess = what, reason, where, excess


@dataclass(frozen=True)
class Status:
    """One frame of a board. Times in µs of board time, never wrapping; pulses µs/8; wipers counts/16."""

    at: int
    state: str
    cause: str
    relay: bool
    permission: bool
    pedal: bool
    stop_open: bool
    known: bool
    waiting: bool
    channel: tuple[int, ...]
    wiper: tuple[int, ...]
    pulse: tuple[int, ...]
    supply_mV: int  # noqa: N815
    current_mA: tuple[int, ...]  # noqa: N815
    worst: int
    error: int


@dataclass(frozen=True)
class Wipers:
    """Ten milliseconds of feedback: board time µs, counts/16, pedal."""

    at: int
    wiper: tuple[int, ...]
    pedal: bool


@dataclass(frozen=True)
class Happening:
    """An event: board time µs, what, where, value."""

    at: int
    kind: str
    where: int
    value: int


class HostBoard:
    """An open board; a context manager that stops it when it is left with power on.

    `permission` is asked before every heartbeat whether the operator lets the arms move.
    """

    def __init__(self, link: Link):
        self.link = link
        self._threaded = not isinstance(link, MemoryLink)
        self._wire = wire()
        self._receiver = Receiver(to_board=False)
        self._sequence = 0
        self._lock = threading.RLock()
        self._news = threading.Condition(threading.RLock())
        self._answers: dict[int, Message] = {}
        self._asked: dict[int, str] = {}
        self._refusals: deque[tuple[str, Message]] = deque(maxlen=64)
        self._knots = 0
        self.permission: Callable[[], bool] = lambda: False
        self.clock = BoardClock()
        self.identity: Message | None = None
        self.status: Status | None = None
        self.arrived = 0.0
        self.statuses = 0
        self.frames: deque[Status] = deque(maxlen=500)
        self.wipers: deque[Wipers] = deque(maxlen=2000)
        self.events: deque[Happening] = deque(maxlen=500)
        self.happened: Callable[[Happening], None] | None = None
        self._broken: FaultError | None = None
        self._ending = threading.Event()
        self._threads: list[threading.Thread] = []
        self._beaten = -1.0
        self._asked_clock = -10.0
        self._token = 0
        self._clock_asked: dict[int, float] = {}
        self._stand_by: StandBy | None = None

    def __enter__(self) -> HostBoard:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def name(self) -> str:
        """What it is and where."""
        if self.identity is None:
            return self.link.name
        i = self.identity
        return f"{i['name']} {i['major']}.{i['minor']}.{i['patch']} at {self.link.name}"

    # -- the link --------------------------------------------------------------------------------------

    def _start_threads(self) -> None:
        if not self._threaded or self._threads:
            return
        for work, name in ((self._read_on, "board reader"), (self._beat_on, "heartbeat")):
            thread = threading.Thread(target=work, name=name, daemon=True)
            self._threads.append(thread)
            thread.start()

    def _read_on(self) -> None:
        while not self._ending.is_set():
            try:
                data = self.link.read(0.05)
            except FaultError as error:
                with self._news:
                    self._broken = error
                    self._news.notify_all()
                return
            if data:
                self._hear(data)

    def _beat_on(self) -> None:
        while not self._ending.wait(BEAT):
            with contextlib.suppress(FaultError):
                self._beat(wall_time())

    def _beat(self, now: float) -> None:
        if self.identity is None:
            return
        self._beaten = now
        self._send("heartbeat", permission=int(bool(self.permission())))
        if now - self._asked_clock >= 1.0:
            self._asked_clock = now
            self._token = (self._token + 1) & 0xFFFFFFFF
            self._clock_asked[self._token] = wall_time() if self._threaded else now
            self._send("clock_ask", token=self._token)

    def _send(self, what: str, /, **values: Value) -> int:
        with self._lock:
            sequence = self._sequence
            self._sequence = (self._sequence + (STRIDE if self._stand_by is not None else 1)) & 0xFF
            self._asked[sequence] = what
            self._answers.pop(sequence, None)
            frame = encode(what, sequence, **values)
            self.link.write(frame)
            if self._stand_by is not None:
                self._stand_by.tell(sequence, what == "heartbeat")
        return sequence

    def _hear(self, data: bytes) -> None:
        with self._news:
            for message in self._receiver.feed(data):
                if not isinstance(message, Refused):
                    self._take(message)
            self._news.notify_all()

    def _take(self, m: Message) -> None:
        if m.name == "status":
            self._status(m)
        elif m.name == "wipers":
            self.wipers.append(Wipers(self.clock.unwrapped(m["board_us"]), m["wiper"], bool(m["pedal"])))
        elif m.name == "event":
            words = {v: k for k, v in self._wire.events.items()}
            event = Happening(self.clock.unwrapped(m["board_us"]), words[m["kind"]], m["where"], m["value"])
            self.events.append(event)
            if self.happened is not None:
                self.happened(event)
        elif m.name == "clock_tell":
            asked = self._clock_asked.pop(m["token"], None)
            if asked is not None:
                heard, told = self.clock.unwrapped(m["heard_us"]), self.clock.unwrapped(m["told_us"])
                self.clock.tell(asked, heard, told, wall_time() if self._threaded else asked)
        elif m.name in ("ack", "nack"):
            self._answers[m["of"]] = m
            if m.name == "nack":
                self._refusals.append((self._asked.get(m["of"], "?"), m))
        else:
            self._answers[-1 - self._wire.kinds[m.name].type] = m

    def _status(self, m: Message) -> None:
        f = m["flags"]
        w = self._wire
        self.status = Status(
            at=self.clock.unwrapped(m["board_us"]),
            state=w.word("states", m["state"]), cause=w.word("causes", m["cause"]),
            relay=bool(f & 1), permission=bool(f & 2), pedal=bool(f & 4), stop_open=bool(f & 8), known=bool(f & 16),
            waiting=bool(f & 32), channel=m["channel"], wiper=m["wiper"], pulse=m["pulse"], supply_mV=m["supply_mV"],
            current_mA=m["current_mA"], worst=m["worst"], error=m["error"],
        )  # fmt: skip
        self.arrived = wall_time()
        self.statuses += 1
        self.frames.append(self.status)

    # -- waiting ---------------------------------------------------------------------------------------

    def wait(self, done: Callable[[], bool], seconds: float) -> bool:
        """Wait until something is so, at most `seconds` (of real time, or of board time in memory)."""
        if not self._threaded:
            passed = 0.0
            while not done():
                if passed >= seconds:
                    return False
                self._pump()
                passed += 0.005
            return True
        end = wall_time() + seconds
        with self._news:
            while not done():
                if self._broken is not None:
                    raise self._broken
                left = end - wall_time()
                if left <= 0.0:
                    return False
                self._news.wait(min(left, 0.1))
        return True

    def _pump(self) -> None:
        data = self.link.read(0.0)
        self._pumped = getattr(self, "_pumped", 0.0) + 0.005
        if data:
            self._hear(data)
        if self._pumped - self._beaten >= BEAT:
            self._beat(self._pumped)

    def sleep(self, seconds: float) -> None:
        """Let so much time pass."""
        self.wait(lambda: False, seconds)

    def ask(self, what: str, patience: float = ANSWER, /, **values: Value) -> Message | None:
        """Send a request and wait for its answer: None for `ack`. Raises Denied, or FaultError if none comes.

        patience: how long an answer may take, s; then the request is sent again, twice at most.
        """
        answer = self._wire.kinds[what].answer
        key = -1 - self._wire.kinds[answer].type if answer in self._wire.kinds and answer != "ack" else None
        if what == "store_begin":
            self._knots = int(values["knots"])  # type: ignore[arg-type]
        sent: list[int] = []
        for _ in range(3):
            if key is not None:
                self._answers.pop(key, None)
            sent.append(self._send(what, **values))
            # The answer to an earlier one may come late.
            if self.wait(lambda: key in self._answers or any(s in self._answers for s in sent), patience):
                got = next((self._answers[s] for s in sent if s in self._answers), None)
                if got is not None and got.name == "nack":
                    reason = self._wire.word("reasons", got["reason"])
                    if len(sent) > 1 and self._is_so(what, values, reason, got["excess"]):
                        return None
                    raise Denied(what, reason, got["where"], got["excess"])
                return self._answers.get(key) if key is not None else None
        raise FaultError(
            f"{self.link.name}: no answer to `{what}`\n"
            "  next: see whether the board has power and the cable is in, then start again"
        )

    def _is_so(self, what: str, values: dict[str, Value], reason: str, excess: int) -> bool:
        """Whether a request was refused the second time because it had been done the first: its `ack` was lost."""
        status = self.known()
        numbers = {name: value for name, value in values.items() if isinstance(value, int)}
        match what:
            case "attach" | "feel":
                return reason in ("state", "busy") and status.channel[numbers["channel"]] > 0
            case "power":
                return reason == "state" and status.state in ("settling", "live") and bool(numbers["on"])
            case "clear":
                return reason == "state" and status.state == "ready"
            case "store_run":
                return reason == "state" and status.state == "playing"
            case "store_knot":
                return reason == "missing knot" and excess == self._knots - numbers["index"] - 1
            case "store_commit":
                stored = self.ask("store_ask")
                return reason == "missing knot" and stored is not None and bool(stored["valid"])
        return False

    def refusals(self) -> Iterator[tuple[str, str, int, int]]:
        """What was refused since the last time: what, reason, where, excess."""
        with self._news:
            while self._refusals:
                what, m = self._refusals.popleft()
                yield what, self._wire.word("reasons", m["reason"]), m["where"], m["excess"]

    # -- a session -------------------------------------------------------------------------------------

    def connect(self) -> None:
        """Identify, until the board answers. Raises FaultError if none does, or one of another kind."""
        self._start_threads()
        nonce = random.SystemRandom().getrandbits(32) if self._threaded else 1
        with self._lock:
            self.link.write(b"\x00")
        key = -1 - self._wire.kinds["identity"].type
        tries = round(BOOT / 0.2)
        for _ in range(tries):
            self._receiver.restart()
            sequence = self._send("identify", nonce=nonce, protocol=self._wire.version)
            if self.wait(lambda s=sequence: key in self._answers or s in self._answers, 0.2):  # type: ignore[misc]
                if key in self._answers and self._answers[key]["nonce"] == nonce:
                    break
                refused = self._answers.pop(sequence, None)
                if refused is not None and refused.name == "nack":
                    reason = self._wire.word("reasons", refused["reason"])
                    if reason != "busy":
                        raise FaultError(f"{self.link.name}: the board refuses this host: {reason}")
                    self.sleep(0.2)  # it stops by itself for lack of heartbeats
        else:
            raise FaultError(
                f"{self.link.name}: nothing there answers as a board does (tried for {BOOT:g} s)\n"
                "  next: see whether it has power and holds our firmware (handfast board flash), or name another --port"
            )
        identity = self._answers.pop(key)
        if identity["protocol"] != self._wire.version:
            raise FaultError(
                f"{self.link.name}: the board speaks protocol {identity['protocol']}, we {self._wire.version}\n"
                "  next: handfast board flash writes the firmware that belongs to this program"
            )
        with self._news:
            self.identity, self.status = identity, None
        if not self.wait(lambda: self.status is not None, 1.0):
            raise FaultError(f"{self.link.name}: the board says who it is, but not how it is")

    def stand_by(self) -> None:
        """Have a process fill in for late heartbeats from now on, where the system and the link allow it."""
        if isinstance(self.link, SerialLink) and self._stand_by is None:
            with contextlib.suppress(OSError), self._lock:
                self._stand_by = StandBy(self.link.fileno())

    def known(self) -> Status:
        """The newest status."""
        assert self.status is not None
        return self.status

    def load(self, bench: BenchLimits, channels: dict[int, ChannelLimits]) -> None:
        """Load limits; a board that stopped earlier is cleared for it, with the cause it says."""
        self.clear()
        self.ask("bench", **bench.__dict__)
        for number, c in sorted(channels.items()):
            plain = {k: v for k, v in c.__dict__.items() if k not in ("wipers", "pulses")}
            self.ask("channel", channel=number, **plain)
            if c.wipers:
                fill = (0,) * (9 - len(c.wipers))
                self.ask("table", channel=number, points=len(c.wipers), wiper=c.wipers + fill, pulse=c.pulses + fill)

    def clear(self) -> None:
        """From stopped to ready. Raises Denied while the stop input is open."""
        self.wait(lambda: self.known().state not in ("stopping", "live", "playing", "settling"), 6.0)
        if self.known().state == "stopped":
            self.ask("clear", cause=self._wire.causes[self.known().cause.replace(" ", "_")])
            self.wait(lambda: self.known().state == "ready", 0.5)

    def power_on(self) -> None:
        """Relay on; returns when the board is live. Raises BoardStopped if it will not be."""
        if self._stand_by is not None:
            self._stand_by.ready(START)
        self.ask("power", on=1)
        self.wait(lambda: self.known().state in ("live", "stopped"), 7.0)
        self.check_live()

    def power_off(self) -> None:
        """Pulses off at the end of the frame, relay off."""
        self.permission = lambda: False
        if self.known().relay:
            self.ask("power", on=0)
            self.wait(lambda: not self.known().relay, 0.5)

    def check_live(self) -> None:
        """Raises BoardStopped unless the board is live, and what broke the link if it is broken."""
        if self._broken is not None:
            raise self._broken
        status = self.known()
        if status.state in ("stopping", "stopped"):
            raise BoardStopped(status.cause)
        if status.state != "live":
            raise BoardStopped("reset", f"the board is {status.state}, not live: it was reset, or its power was cut")

    def stop(self) -> None:
        """Stop as the bench says: the shortest frame, three times, then nothing else."""
        self.permission = lambda: False
        for _ in range(self._wire.limits["stop_frames"]):
            with contextlib.suppress(FaultError):
                self._send("stop")

    def target(self, at_us: int, pulses: tuple[int, ...]) -> None:
        """Where each channel shall be at a board time (not wrapping); refusals come later, in `refusals`."""
        self._send("target", at_us=at_us & 0xFFFFFFFF, pulse=pulses)

    def pedal_changes(self) -> list[tuple[float, bool]]:
        """When the pedal went down (True) or up, s of board time, as far back as events are kept."""
        return [(event.at * 1e-6, bool(event.value)) for event in list(self.events) if event.kind == "pedal"]

    def now_us(self) -> int:
        """Board time now, µs: by the clock, held between what the newest status allows."""
        status = self.known()
        begun = status.at + 20_000
        if not self._threaded or not self.clock.known:
            return begun
        return min(max(self.clock.board_us(wall_time()), begun), begun + 60_000)

    def next_status(self, seconds: float = 1.0) -> Status:
        """The next status to come. Raises FaultError if none does."""
        seen = self.statuses
        if not self.wait(lambda: self.statuses > seen, seconds):
            raise FaultError(f"{self.link.name}: the board has fallen silent; it stops by itself")
        return self.known()

    def close(self) -> None:
        """Stop if there is power, end the threads, close the port."""
        if self._broken is None and self.status is not None and self.status.relay:
            with contextlib.suppress(FaultError):
                self.stop()
                self.wait(lambda: not self.known().relay, 2.0)
        self._ending.set()
        for thread in self._threads:
            thread.join(1.0)
        if self._stand_by is not None:
            with self._lock:
                stand_by, self._stand_by = self._stand_by, None
            stand_by.close()
        self.link.close()


def open_port(port: str) -> HostBoard:
    """The board at a serial port or pseudo-terminal, connected."""
    board = HostBoard(SerialLink(port))
    try:
        board.connect()
        board.stand_by()
    except BaseException:
        board.close()
        raise
    return board
