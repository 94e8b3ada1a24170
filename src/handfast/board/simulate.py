"""A Python board at a pseudo-terminal, in real time; and one in memory."""

from __future__ import annotations

import contextlib
import os
import select
import sys
import time
from collections.abc import Callable

from handfast.board.attached import StandIn
from handfast.board.device import PythonBoard
from handfast.board.host import HostBoard
from handfast.board.links import MemoryLink

BEHIND = 0.05
"""A simulation that is further behind real time than this, s, lets its own time go slower instead of catching up."""


def in_memory(stand_in: StandIn, name: str, reference: float = 5.0) -> tuple[HostBoard, PythonBoard]:
    """A connected host and its board, in this process."""
    device = PythonBoard(stand_in, round(reference * 1e3))
    board = HostBoard(MemoryLink(device, name))
    board.connect()
    return board, device


class PseudoTerminal:
    """A pair of ends; what is plugged into `path` talks to `read` and `write`."""

    def __init__(self) -> None:
        import pty
        import tty

        self._own, self._other = pty.openpty()
        # Our hold on the other end keeps the pair alive while hosts come and go.
        tty.setraw(self._other)
        os.set_blocking(self._own, False)
        self.path = os.ttyname(self._other)

    def read(self) -> bytes:
        """What has come in."""
        try:
            return os.read(self._own, 65536)
        except (BlockingIOError, OSError):
            return b""

    def write(self, data: bytes) -> None:
        """Send; what a host does not take is lost, as on a real line."""
        with contextlib.suppress(BlockingIOError):
            os.write(self._own, data)

    def close(self) -> None:
        """End it."""
        os.close(self._own)
        os.close(self._other)


def serve(board: PythonBoard, terminal: PseudoTerminal, say: Callable[[str], None], orders: bool = True) -> None:
    """Run until interrupted. Lines on stdin: what a hand does at the board, pedal 1|0, stop 1|0, reset."""
    began = time.monotonic() - board.us / 1e6
    text = b""
    shown: tuple[int, int] = (0, 0)
    watch = [sys.stdin.fileno()] if orders else []
    while True:
        board.take(terminal.read())
        out = board.step()
        if out:
            terminal.write(out)
        if (board.lamp, board.cues) != shown and board.cues:
            say({1: "cue: stored (lamp dark, one low note)", 2: "cue: refused (two high notes)"}[board.cues])
            board.cues = 0
        shown = (board.lamp, board.cues)
        late = time.monotonic() - began - board.us / 1e6
        if late > BEHIND:
            began += late - BEHIND
        wait = max(0.0, -late)
        ready, _, _ = select.select(watch, [], [], wait)
        if ready:
            piece = os.read(watch[0], 4096)
            if not piece:
                watch = []
            text += piece
            *lines, text = text.split(b"\n")
            for line in lines:
                _order(board, line.decode(errors="replace").split(), say)


def _order(board: PythonBoard, words: list[str], say: Callable[[str], None]) -> None:
    orders = {
        ("pedal", "1"): lambda: setattr(board, "pedal", True),
        ("pedal", "0"): lambda: setattr(board, "pedal", False),
        ("stop", "1"): lambda: setattr(board, "stop_open", True),
        ("stop", "0"): lambda: setattr(board, "stop_open", False),
        ("reset",): lambda: board.reset(2),
    }
    if not words:
        return
    do = orders.get(tuple(words))
    if do is None:
        say(f"{' '.join(words)!r}: not known here; " + ", ".join(" ".join(w) for w in orders))
    else:
        do()
        say(" ".join(words))
