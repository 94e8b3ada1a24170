"""The errors handfast raises on purpose.

    HandfastError
    ├── InputError          something the user gave: a file, a key, an option, a reading   (exit status 2)
    └── FaultError          hardware, the link or the disk did not do its part             (exit status 3)

"Cannot reach" and "did not converge" are results with a residual, never exceptions.
"""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches


class HandfastError(Exception):
    """Root of every error that handfast raises on purpose."""

    exit_status = 2


class InputError(HandfastError):
    """What was wrong, where, what was expected, what is available, and what to do next, in one message."""

    exit_status = 2

    def __init__(
        self,
        what: str,
        *,
        where: str = "",
        expected: str = "",
        available: Iterable[str] = (),
        asked: str = "",
        next_step: str = "",
    ):
        self.what, self.where, self.expected, self.next_step = what, where, expected, next_step
        names = sorted(available)
        lines = [f"{where}: {what}" if where else what]
        if expected:
            lines.append(f"  expected: {expected}")
        if names:
            near = get_close_matches(asked, names, n=1, cutoff=0.6)
            hint = f" (nearest: {near[0]})" if near else ""
            lines.append(f"  available: {', '.join(names)}{hint}")
        if next_step:
            lines.append(f"  next: {next_step}")
        super().__init__("\n".join(lines))


class FaultError(HandfastError):
    """Hardware, the link or the disk did not do its part."""

    exit_status = 3
