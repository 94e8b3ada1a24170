"""Readings from the page: at limp arms, where what is typed goes to the session at the board, or by sweeping joints."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from handfast.desk.work import Desk
from handfast.errors import HandfastError
from handfast.web.tasks import SEED, own_fault
from handfast.web.words import in_page

SAYS = 40
"""Lines that the page shows of what was said."""

DONE = "press It is there, or done"
"""The button in the page that stands for Enter, in words."""

LONGEST = 120
"""Letters of a line that a page may send."""


@dataclass
class PageReading:
    """One session. tell: gets what the page shows, from the thread that reads. port: of the board with the arms.

    sweeps: whether the board sweeps its powered joints by itself. Then this is its operator: it lets them move until it
    is ended.
    """

    desk: Desk
    tell: Callable[[dict[str, Any]], None]
    port: str | None = None
    sweeps: bool = False
    going: bool = True
    told: dict[str, Any] = field(default_factory=dict)
    _end: threading.Event = field(default_factory=threading.Event)
    _lines: list[str] = field(default_factory=list)
    _said: list[str] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def end(self) -> None:
        """End the session; what was read stays."""
        self._end.set()

    def may_move(self) -> bool:
        """Whether the arms may move now."""
        return not self._end.is_set()

    def stops(self) -> bool:
        """Whether it was ended."""
        return self._end.is_set()

    def line(self, text: str) -> None:
        """A line as it would be typed at the board."""
        with self._lock:
            self._lines.append(" ".join(text.split())[:LONGEST])

    def read(self) -> None:
        """From the beginning to the end; whatever happens is told."""
        from handfast.desk.board import Simulated, opened
        from handfast.desk.measuring import read_at_board, sweep_at_board

        path: Path | None
        self._tell()
        try:
            with opened(self.desk, self.port, Simulated(seed=SEED)) as found:
                if self.sweeps:
                    path = sweep_at_board(self.desk, found, self, self._say)
                else:
                    path = read_at_board(self.desk, found, self._typed, self._end.is_set, self._say, DONE, in_page)
            words = f"kept in readings/{path.name}" if path else "no reading was taken"
        except HandfastError as error:
            words = in_page(error)
        except Exception as error:  # whatever it is, the arms are limp, and nobody waits for it for ever
            words = own_fault(error)
        self.going = False
        self._tell(ended=f"{words}; the servo power is off, arms may sink")

    def _typed(self) -> list[str]:
        with self._lock:
            lines, self._lines = self._lines, []
        return lines

    def _say(self, text: str) -> None:
        self._said = [*self._said, "; ".join(line.strip() for line in text.splitlines())][-SAYS:]
        self._tell()

    def _tell(self, **more: Any) -> None:
        self.told = {"going": self.going, "sweeps": self.sweeps, "said": list(self._said), **more}
        self.tell(self.told)
