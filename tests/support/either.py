"""The board in Python and the real firmware in the AVR simulator, behind one host's end: what holds for both.

Both have the plain stand-in (support/plain_standin.py) as a child process, and time that passes only while a host
waits.
"""

from __future__ import annotations

import contextlib
import subprocess
import sys
from pathlib import Path

from handfast.board.attached import ChildStandIn
from handfast.board.device import PythonBoard
from handfast.board.host import HostBoard
from handfast.board.limits import BenchLimits, ChannelLimits
from handfast.board.links import MemoryLink
from support.simulated import BUILD, build, wiper_of

PLAIN = f"{sys.executable} -S {Path(__file__).parent / 'plain_standin.py'}"
BOTH = ("python", "firmware")
STEP_US = 5000
RAMPED = tuple(range(4000, 20001, 2000))
"""Pulses of the table that the plain stand-in's wipers follow, µs/8."""


class Simulator:
    """The firmware, stepped; takes and gives bytes as the Python board does. `stop_open` is its stop input."""

    def __init__(self, stand_in: str):
        build()
        words = [str(BUILD / "simulate"), "--elf", str(BUILD / "handfast.elf"), "--step", "--stand-in", stand_in]
        self._child = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1)
        self.us = 0

    def order(self, line: str) -> None:
        """One command of the simulator."""
        assert self._child.stdin
        self._child.stdin.write(line + "\n")

    def take(self, data: bytes) -> None:
        """Bytes from the host."""
        self.order(f"send {data.hex()}")

    def step(self) -> bytes:
        """Five milliseconds."""
        self.order(f"run {STEP_US}")
        assert self._child.stdout
        said = b""
        for line in self._child.stdout:
            word, *rest = line.split()
            if word == "rx":
                said += bytes.fromhex(rest[1])
            elif word == "at":
                self.us = int(rest[0])
                return said
        raise AssertionError("the simulator ended")

    def close(self) -> None:
        """End it."""
        assert self._child.stdin
        assert self._child.stdout
        self._child.stdin.write("quit\n")
        self._child.stdin.close()
        self._child.wait(20)
        self._child.stdout.close()


def bench_limits(**more: int) -> BenchLimits:
    """Stop category 1 within 0.6 s, and a supply that counts as failing below 4.5 V."""
    plain = {"stamp": 7, "stop_category": 1, "stop_time_ms": 600, "stop_pose": 0, "brown_out_mV": 4500}
    return BenchLimits(**{**plain, "supply_full_mV": 10_000, "current_full_mA": 50_000, **more})


def channel_limits(**more: object) -> ChannelLimits:
    """Travel 600 to 2400 µs, 100 µs per frame, a table that is the stand-in's own line."""
    plain = {
        "travel_low": 4800, "travel_high": 19_200, "slew": 800, "park": 0, "wiper_low": 800, "wiper_high": 15_600,
        "follow": 1600, "follow_ms": 500, "wipers": tuple(wiper_of(p / 8) for p in RAMPED), "pulses": RAMPED,
    }  # fmt: skip
    return ChannelLimits(**{**plain, **more})  # type: ignore[arg-type]


@contextlib.contextmanager
def connected(which: str, stand_in: str = ""):
    """(host's end, the board) of one of `BOTH`. stand_in: options of the plain stand-in."""
    command = f"{PLAIN} {stand_in}"
    end = contextlib.ExitStack()
    with end:
        if which == "firmware":
            device = end.enter_context(contextlib.closing(Simulator(command)))
        else:
            arms = end.enter_context(contextlib.closing(ChildStandIn(command)))
            device = PythonBoard(arms)
        board = end.enter_context(HostBoard(MemoryLink(device, which)))
        board.connect()
        yield board, device


@contextlib.contextmanager
def live(which: str, stand_in: str = "", bench: BenchLimits | None = None, channel: ChannelLimits | None = None):
    """(host's end, the board), live and with permission, channels 0 to 2 in use."""
    with connected(which, stand_in) as (board, device):
        board.load(bench or bench_limits(), dict.fromkeys(range(3), channel or channel_limits()))
        board.permission = lambda: True
        board.power_on()
        board.sleep(0.1)
        yield board, device
