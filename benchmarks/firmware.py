"""How fast the real firmware runs in the AVR simulator, as times real time, with the line full both ways."""

from __future__ import annotations

import resource
import tempfile
from pathlib import Path

from ratios import Row
from support import wire
from support.simulated import PLAIN, Board, build

SECONDS = 3.0


def computed() -> float:
    """Seconds that the simulator and its stand-in have computed, so that waiting for a busy machine is not counted."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def full_rate(stand_in: str | None) -> float:
    """Simulated seconds per second: 12 channels powered, wipers streamed, 25 000 bytes a second to the board.

    Simulator and stand-in take turns, so their seconds add up; start and attaching are counted as well.
    """
    build()
    before = computed()
    with tempfile.TemporaryDirectory() as folder, Board(Path(folder), stand_in=stand_in) as board:
        board.open()
        board.attach_all()
        board.ask("stream", on=1)
        board.heartbeats = None
        flood = bytearray()
        while len(flood) < 25_000 * SECONDS:
            board.sequence = (board.sequence + 1) & 255
            if board.sequence % 50 == 0:
                flood += wire.encode("heartbeat", board.sequence, permission=1)
            else:
                flood += wire.encode("clock_ask", board.sequence, token=0x01010101 * board.sequence)
        half = len(flood) // 2
        for part in (flood[:half], flood[half:]):
            board.send_raw(bytes(part))
            board.run(500 * SECONDS)
        simulated = board.now_us / 1e6
    return simulated / (computed() - before)


ROWS = [
    Row("firmware in the simulator, no stand-in, line full: times real time", 3, 5, lambda: full_rate(None)),
    Row("firmware in the simulator, plain stand-in, line full: times real time", 1, 3, lambda: full_rate(PLAIN)),
]
