"""The person at the controls: what lets arms move, and what stops them.

A heartbeat carries this permission and never replaces it. Hold-to-run is the pedal, or a key: a terminal does not
tell when a key is let go, so that a press buys 0.7 s of motion.
"""

from __future__ import annotations

import contextlib
import os
import select
import sys
import threading
import time
from collections.abc import Callable
from types import TracebackType
from typing import Any, Protocol

from handfast.errors import FaultError

BUYS = 0.7
"""Motion that one key press buys, s."""

KEYS_SAY = (
    f"hold the pedal, or press the space bar again and again: one press buys {BUYS:g} s of motion. "
    "Esc or q stops. The switch that cuts the servo supply is the only emergency stop."
)


class Operator(Protocol):
    """Whoever lets arms move."""

    def may_move(self) -> bool:
        """Whether the arms may move now."""

    def stops(self) -> bool:
        """Whether the operator wants it to stop."""


class InputEnded(FaultError):  # noqa: N818 - named for what happened
    """Keys are needed, and none will come any more."""

    def __init__(self) -> None:
        super().__init__(
            "the input has ended, and nobody is left at the keys; the board ramps down and cuts the servo power\n"
            "  next: sit at a terminal; where keys come from a file, let its last be e, which leaves all others out"
        )


class Always:
    """Nobody can be hurt: a board in memory. quits: whether somebody wants it to stop all the same."""

    def __init__(self, quits: Callable[[], bool] = lambda: False):
        self._quits = quits

    def may_move(self) -> bool:
        """Always."""
        return True

    def stops(self) -> bool:
        """When somebody wants it."""
        return self._quits()


class Lines:
    """Lines of a terminal or a pipe, read in a thread of its own, as they are ended by Enter. A context manager."""

    def __init__(self) -> None:
        self._lines: list[str] = []
        self._closed = False
        self._lock = threading.Lock()

    def __enter__(self) -> Lines:
        threading.Thread(target=self._listen, name="lines", daemon=True).start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._closed = True

    def _listen(self) -> None:
        if sys.stdin is not None and not sys.stdin.closed:
            with contextlib.suppress(ValueError, OSError):
                for line in sys.stdin:
                    with self._lock:
                        self._lines.append(line.rstrip("\r\n"))
                    if self._closed:
                        return
        self._closed = True

    def typed(self) -> list[str]:
        """Lines since the last time."""
        with self._lock:
            lines, self._lines = self._lines, []
        return lines

    def ends(self) -> bool:
        """Whether there will be no more."""
        with self._lock:
            return self._closed and not self._lines


class Keys:
    """Keys of a terminal, or bytes of a pipe, read in a thread of its own. A context manager.

    held: motion only while the pedal is down or a key press is still worth something; otherwise one key press (or
    press of the pedal) starts, and the next Esc or q stops. spaces: the space bar is a letter like any other.
    letters_buy: motion, s, that a letter buys, too.
    """

    def __init__(
        self,
        held: bool,
        pedal: Callable[[], bool],
        clock: Callable[[], float] = time.monotonic,
        spaces: bool = False,
        letters_buy: float = 0.0,
    ):
        self._letters_buy = letters_buy
        self.held, self._pedal, self._clock, self._spaces = held, pedal, clock, spaces
        self._until = -1.0
        self._going = self._stopped = self._in_words = self._over = False
        self._typed: list[str] = []
        self._lock = threading.Lock()
        self._ending = threading.Event()
        self._before: Any = None
        self._thread: threading.Thread | None = None

    def __enter__(self) -> Keys:
        if sys.stdin is not None and not sys.stdin.closed:
            with contextlib.suppress(ValueError, OSError):
                fd = sys.stdin.fileno()
                if os.isatty(fd):
                    import termios
                    import tty

                    self._before = termios.tcgetattr(fd)
                    tty.setcbreak(fd)
                self._thread = threading.Thread(target=self._listen, args=(fd,), name="keys", daemon=True)
                self._thread.start()
        if self._thread is None:
            self.end()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ending.set()
        if self._thread is not None:
            self._thread.join(1.0)
        if self._before is not None:
            import termios

            termios.tcsetattr(sys.stdin.fileno(), termios.TCSADRAIN, self._before)

    def _listen(self, fd: int) -> None:
        while not self._ending.is_set():
            ready, _, _ = select.select([fd], [], [], 0.1)
            if not ready:
                continue
            data = os.read(fd, 1024)
            if not data:
                self.end()
                return
            for letter in data.decode(errors="replace"):
                self.press(letter)

    def press(self, letter: str) -> None:
        """A key was pressed."""
        with self._lock:
            if self._spaces and (letter == ":" or self._in_words):
                # Words up to the end of the line; a q in them stops nothing.
                self._in_words = letter not in "\r\n"
                self._typed.append(letter)
            elif letter in ("\x1b", "q", "Q"):
                self._stopped = True
            elif letter == " " and not self._spaces:
                self._until = self._clock() + BUYS
                self._going = True
            else:
                self._typed.append(letter)
                if self._letters_buy:
                    self._until = max(self._until, self._clock() + self._letters_buy)

    def end(self) -> None:
        """No more keys will come."""
        with self._lock:
            self._over = True

    def ended(self) -> bool:
        """Whether no more keys will come, all that were typed having been taken."""
        with self._lock:
            return self._over and not self._typed

    def typed(self) -> str:
        """Letters that were pressed since the last time, but for the space bar and those that stop."""
        with self._lock:
            letters, self._typed = "".join(self._typed), []
        return letters

    def pressed_space(self) -> bool:
        """Whether the space bar was pressed since the last time."""
        with self._lock:
            was, self._going = self._going, False
        return was

    def may_move(self) -> bool:
        """Whether the arms may move now."""
        if self._stopped:
            return False
        if self.held:
            return self._pedal() or self._clock() < self._until
        if self._pedal():
            self._going = True
        return self._going

    def quits(self) -> bool:
        """Whether Esc or q was pressed."""
        return self._stopped

    def stops(self) -> bool:
        """Whether Esc or q was pressed. Raises InputEnded where letters are needed, and no key can let it move."""
        if self._letters_buy and self.ended() and not self.may_move():
            raise InputEnded
        return self._stopped
