"""What stands at the board's pins: a stand-in in this process, or a child process spoken to by lines."""

from __future__ import annotations

import contextlib
import select
import shlex
import subprocess
from typing import Protocol

import numpy as np

from handfast.errors import FaultError, InputError
from handfast.geometry.rigid import Array

CHANNELS = 12
PATIENCE, FIRST = 5.0, 60.0
"""How long an answer may take, and the first one, before which a stand-in may have to get ready, s of real time."""


class StandIn(Protocol):
    """Arms at the pins of a board."""

    def run(self, t_us: int, pulses_us: Array, relay: bool) -> np.ndarray:
        """One ms per row of pulses (N, 12) µs; returns (N, 15): wiper mV, supply mV, two currents mA."""

    def close(self) -> None:
        """End it."""


class ChildStandIn:
    """Any command as a stand-in; the lines are described in docs/stand-ins.md."""

    def __init__(self, command: str):
        self.command = command
        try:
            words = shlex.split(command)
            if not words:
                raise ValueError("it is empty")
            # A session of its own, so that Ctrl-C at the terminal reaches the board, which ends it in order.
            self._child = subprocess.Popen(
                words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1, start_new_session=True
            )
        except (OSError, ValueError) as error:
            raise InputError(
                f"cannot be started ({error})",
                where=f"--stand-in {command!r}",
                expected="a command",
                next_step="try it by itself first; docs/stand-ins.md says what it has to answer",
            ) from None
        assert self._child.stdout is not None
        assert self._child.stdin is not None
        self._in, self._out = self._child.stdin, self._child.stdout
        self._patience = FIRST

    def run(self, t_us: int, pulses_us: Array, relay: bool) -> np.ndarray:
        """Line by line."""
        rows = np.empty((len(pulses_us), CHANNELS + 3), dtype=int)
        for n, pulses in enumerate(pulses_us):
            said = " ".join(str(round(float(p))) for p in pulses)
            try:
                self._in.write(f"{t_us + 1000 * n} {said} {int(relay)}\n")
                self._in.flush()
            except OSError:
                raise self._gone() from None
            rows[n] = self._answer()
        return rows

    def _answer(self) -> list[int]:
        ready, _, _ = select.select([self._out], [], [], self._patience)
        if not ready:
            raise FaultError(f"stand-in {self.command!r}: no answer for {self._patience:g} s")
        self._patience = PATIENCE
        line = self._out.readline()
        if not line:
            raise self._gone()
        try:
            numbers = [int(word) for word in line.split()]
        except ValueError:
            numbers = []
        if len(numbers) != CHANNELS + 3 or not all(0 <= n <= 100_000 for n in numbers):
            raise FaultError(
                f"stand-in {self.command!r}: answered {line.strip()!r}\n"
                f"  expected: {CHANNELS + 3} whole numbers from 0: 12 wiper mV, supply mV, two currents mA\n"
                "  next: see docs/stand-ins.md"
            )
        return numbers

    def _gone(self) -> FaultError:
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._child.wait(1.0)
        return FaultError(f"stand-in {self.command!r}: it ended with status {self._child.poll()}")

    def close(self) -> None:
        """Let it end by itself, or end it."""
        with contextlib.suppress(OSError):
            self._in.close()
        try:
            self._child.wait(2.0)
        except subprocess.TimeoutExpired:
            self._child.kill()
            self._child.wait()
        self._out.close()
