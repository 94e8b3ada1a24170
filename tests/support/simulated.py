"""The real firmware in the AVR simulator, stepped by the test: simulated time runs only when it is told to."""

from __future__ import annotations

import fcntl
import functools
import subprocess
import sys
from pathlib import Path
from typing import Any

from support import wire

ROOT = Path(__file__).parents[2]
BUILD = ROOT / "firmware" / "build"
PLAIN = f"{sys.executable} -S {Path(__file__).parent / 'plain_standin.py'}"
CYCLES_PER_US = 16
RELAY = 12


@functools.cache
def build(what: str = "firmware") -> None:
    """Compile firmware and simulator (or the host's programs) if they are not there or old; one process at a time."""
    BUILD.mkdir(exist_ok=True)
    with (BUILD / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        made = subprocess.run(["make", "-C", str(ROOT / "firmware"), what], capture_output=True, text=True)
    assert made.returncode == 0, made.stdout + made.stderr


class Board:
    """A stepped simulation with a host's end of the wire."""

    def __init__(self, folder: Path, *, stand_in: str | None = PLAIN, eeprom: Path | None = None) -> None:
        build()
        self.edge_file = folder / "edges.txt"
        command = [str(BUILD / "simulate"), "--elf", str(BUILD / "handfast.elf"), "--step"]
        command += ["--edges", str(self.edge_file)]
        if stand_in:
            command += ["--stand-in", stand_in]
        if eeprom:
            command += ["--eeprom", str(eeprom)]
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1)
        self.frames: list[dict[str, Any]] = []
        self.sequence = 0
        self.now_us = 0
        self.sent_us = 0
        self.heartbeats: int | None = None
        self.next_beat_us = 0
        self.run(20)  # from reset until it listens

    def __enter__(self) -> Board:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End the simulation; edges and store are on disk afterwards."""
        if self.process.poll() is None and self.process.stdin:
            self.process.stdin.write("quit\n")
            self.process.stdin.close()
            self.process.wait(20)
        if self.process.stdout:
            self.process.stdout.close()

    def order(self, line: str) -> None:
        """One command of the simulator."""
        assert self.process.stdin
        self.process.stdin.write(line + "\n")

    def send_raw(self, data: bytes) -> None:
        """Bytes to the board."""
        self.order("send " + data.hex())

    def send(self, name: str, **fields: Any) -> int:
        """A message with the next sequence number, which is returned."""
        self.sequence = (self.sequence + 1) & 255
        self.send_raw(wire.encode(name, self.sequence, **fields))
        return self.sequence

    def _advance(self, us: int) -> None:
        self.order(f"run {us}")
        assert self.process.stdout
        for line in self.process.stdout:
            word, _, rest = line.partition(" ")
            if word == "rx":
                at, data = rest.split()
                for part in bytes.fromhex(data).split(b"\0"):
                    if part:
                        self.frames.append(wire.decode(part) | {"seen_us": int(at)})
            elif word == "sent":
                self.sent_us = int(rest)
            elif word == "at":
                self.now_us = int(rest)
                return
            else:
                raise AssertionError(line)
        raise AssertionError("the simulator ended")

    def run(self, ms: float) -> list[dict[str, Any]]:
        """Let time pass, with a heartbeat every 50 ms if `heartbeats` is set; what came meanwhile."""
        seen = len(self.frames)
        end = self.now_us + round(1000 * ms)
        while self.now_us < end:
            if self.heartbeats is not None and self.now_us >= self.next_beat_us:
                self.send("heartbeat", permission=self.heartbeats)
                self.next_beat_us = self.now_us + 50_000
            self._advance(min(end - self.now_us, 50_000))
        return self.frames[seen:]

    def ask(self, name: str, wait_ms: float = 20, **fields: Any) -> dict[str, Any]:
        """Send a message and return its answer."""
        number = self.send(name, **fields)
        answers = {"identify": "identity", "clock_ask": "clock_tell", "counters_ask": "counters", "store_ask": "stored"}
        for _ in range(200):
            for frame in self.run(wait_ms):
                mine = frame["name"] == answers.get(name, "ack") and frame.get("of", number) == number
                if mine or (frame["name"] == "nack" and frame["of"] == number):
                    return frame
        raise AssertionError(f"no answer to {name}")

    def status(self) -> dict[str, Any]:
        """The next status."""
        return next(f for f in self.run(25)[::-1] if f["name"] == "status")

    def until(self, state: str, ms: float = 6000) -> dict[str, Any]:
        """Run until the board is in a state."""
        wanted = wire.TABLE["states"][state]
        for _ in range(round(ms / 25)):
            status = self.status()
            if status["state"] == wanted:
                return status
        cause = wire.names("causes")[status["cause"]]
        raise AssertionError(f"not {state}, but {wire.names('states')[status['state']]}: {cause}")

    def open(self, *, category: int = 1, stop_time_ms: int = 600, slew: int = 800, tables: bool = True) -> None:
        """Identify, send limits for 12 servos that follow 500..2500 us over 0.5..4.5 V, switch the power on."""
        assert self.ask("identify", nonce=7, protocol=1)["name"] == "identity"
        self.limits(category=category, stop_time_ms=stop_time_ms, slew=slew, tables=tables)
        self.heartbeats = 1
        assert self.ask("power", on=1)["name"] == "ack"
        self.until("live")

    def limits(self, *, category: int = 1, stop_time_ms: int = 600, slew: int = 800, tables: bool = True) -> None:
        """Send the bench's and the channels' limits."""
        bench = {"stamp": 99, "stop_category": category, "stop_time_ms": stop_time_ms, "stop_pose": 0}
        bench |= {"brown_out_mV": 4500, "supply_full_mV": 10000, "current_full_mA": 50000}
        assert self.ask("bench", **bench)["name"] == "ack"
        for i in range(12):
            channel = {"channel": i, "travel_low": 4800, "travel_high": 19200, "slew": slew, "park": 0}
            channel |= {"wiper_low": 800, "wiper_high": 15600, "follow": 1600, "follow_ms": 500}
            assert self.ask("channel", 4, **channel)["name"] == "ack"
            if not tables:
                continue
            wipers = [wiper_of(1e3 * k) for k in (0.5, 2.5)]
            table = {"channel": i, "points": 2, "wiper": wipers + [0] * 7, "pulse": [4000, 20000] + [0] * 7}
            assert self.ask("table", 4, **table)["name"] == "ack"

    def attach_all(self, pulse: int = 0, channels: range = range(12)) -> None:
        """Attach channels one after the other, to `pulse` or where they are."""
        for i in channels:
            assert self.ask("attach", channel=i, pulse=pulse, ramp=100)["name"] == "ack"
            while self.status()["channel"][i] != 2:
                pass

    def edges(self) -> list[tuple[int, int, int]]:
        """Cycle, output (12 is the relay) and level of every edge so far."""
        self.order("flush")
        assert self.process.stdout
        assert self.process.stdout.readline() == "flushed\n"
        return [tuple(map(int, row.split())) for row in self.edge_file.read_text().splitlines()]  # type: ignore[misc]


def wiper_of(pulse_us: float) -> int:
    """Sixteenths of a count at which a servo of the plain stand-in rests at a pulse."""
    return round((500 + (pulse_us - 500) * 2) / 5000 * 1024 * 16)


def pulses(edges: list[tuple[int, int, int]], channel: int) -> list[tuple[float, float]]:
    """Start and width of every whole pulse of a channel, us."""
    out, rose = [], None
    for cycle, output, level in edges:
        if output != channel:
            continue
        if level:
            rose = cycle
        elif rose is not None:
            out.append((rose / CYCLES_PER_US, (cycle - rose) / CYCLES_PER_US))
            rose = None
    return out
