"""The byte stream to a board: a serial port (a pseudo-terminal is one, too), or straight in memory."""

from __future__ import annotations

import contextlib
import threading
import time
from pathlib import Path
from typing import Any, Protocol

from handfast.errors import FaultError, InputError

BAUD = 250_000
"""0 % off at 16 MHz (data sheet of the ATmega640/1280/2560, table of baud rates)."""

LETS_GO = 1.0
"""A port in use is asked for again for so long, s: a program that was killed has just let go of it, or is about to."""


class Link(Protocol):
    """Bytes out, bytes in. A lost link raises FaultError."""

    @property
    def name(self) -> str:
        """What it is called."""

    def write(self, data: bytes) -> None:
        """Send; may be called from several threads."""

    def read(self, timeout: float) -> bytes:
        """What has come in, at the latest after `timeout` s; empty if nothing has."""

    def close(self) -> None:
        """End it."""


class SerialLink:
    """A serial port by name. Opened once and kept: opening resets many boards."""

    def __init__(self, port: str):
        try:
            import serial
        except ImportError:
            raise InputError(
                "the library for serial ports is not there",
                expected="pyserial",
                next_step="pip install 'handfast[board]'",
            ) from None
        self.name = port
        self._lock = threading.Lock()
        self._errors: tuple[type[Exception], ...] = (OSError, serial.SerialException, TypeError)
        until = wall_time() + LETS_GO
        try:
            while True:
                try:
                    self._port: Any = serial.Serial(port, BAUD, timeout=0.02, write_timeout=1.0, exclusive=True)
                    break
                except (OSError, serial.SerialException) as error:
                    if not _in_use(error) or wall_time() > until:
                        raise
                    time.sleep(0.05)
        except (OSError, serial.SerialException, ValueError) as error:
            known = [p.device for p in _ports()]
            busy = _in_use(error)
            missing = not Path(port).exists()
            raise InputError(
                f"the port is in use by another program ({error})" if busy else f"cannot be opened ({error})",
                where=port,
                expected="a serial port with a board, free for us",
                available=known,
                asked=port,
                next_step="see whether the cable is in and the board has power"
                if missing
                else "close what uses it; on many systems your user must be in the group of serial ports",
            ) from None

    def write(self, data: bytes) -> None:
        """Send all of it."""
        try:
            with self._lock:
                self._port.write(data)
        except self._errors as error:
            raise FaultError(f"{self.name}: the link is gone ({error}); the board stops by itself") from error

    def read(self, timeout: float) -> bytes:
        """What has come in."""
        try:
            self._port.timeout = timeout
            first = self._port.read(1)
            return bytes(first + self._port.read(self._port.in_waiting)) if first else b""
        except self._errors as error:
            raise FaultError(f"{self.name}: the link is gone ({error}); the board stops by itself") from error

    def fileno(self) -> int:
        """The file descriptor of the port, on systems that have them; else OSError."""
        number = getattr(self._port, "fileno", None)
        if number is None:
            raise OSError(f"{self.name} has no file descriptor")
        return int(number())

    def line_break(self) -> None:
        """Hold the line low: stops a board whose framing is lost."""
        with contextlib.suppress(*self._errors):
            self._port.send_break(0.02)

    def close(self) -> None:
        """Close the port."""
        with contextlib.suppress(*self._errors):
            self._port.close()


def _in_use(error: Exception) -> bool:
    return "lock" in str(error) or "busy" in str(error)


def _ports() -> list[Any]:
    from serial.tools import list_ports

    return sorted(list_ports.comports(), key=lambda p: str(p.device))


def serial_ports() -> list[tuple[str, str]]:
    """Serial ports of this machine that have hardware behind them, with what they say they are."""
    try:
        return [(str(p.device), str(p.description)) for p in _ports()]
    except ImportError:
        return []


class Pump(Protocol):
    """A board in memory: takes bytes, moves on by a piece of its own time, gives bytes."""

    def take(self, data: bytes) -> None:
        """Bytes from the host."""

    def step(self) -> bytes:
        """Move on by one piece of time; what the board says."""


class MemoryLink:
    """A board in this very process. Its time passes only while the host waits: as fast as can be, and repeatable."""

    def __init__(self, board: Pump, name: str):
        self.name, self._board = name, board

    def write(self, data: bytes) -> None:
        """Hand over."""
        self._board.take(data)

    def read(self, timeout: float) -> bytes:
        """Let the board move on."""
        return self._board.step()

    def close(self) -> None:
        """Nothing to end."""


def wall_time() -> float:
    """The host's own clock, s."""
    return time.monotonic()
