"""What went wrong, in the page's words: no options of the command line, no lines of files that nobody looks at here."""

from __future__ import annotations

import re

from handfast.desk.playing import WouldFailError
from handfast.errors import HandfastError, InputError

FIGURES = {"time_s": "takes", "dwell_s": "then stays", "pace": "pace", "tolerance_mm": "may miss by"}
"""Figures of a step, as the page calls them."""

_STEP = re.compile(r"^.*\.toml(?::\d+)?: step\.(\d+)(?:\.(left|right))?\.(\w+?)(?:\.\d+)?$")
_TYPED = re.compile(r"handfast [a-z]+|(?<![\w-])--[a-z]|on the command line")
_LIMP = re.compile(r"type limp (left|right); then type this again")
_WISH = re.compile(r",? or the wish to [^,;]+")


def in_page(error: HandfastError, edits: bool = False) -> str:
    """An error in words for the page. edits: whether it refuses an edit of a step, whose file need not be named."""
    if not isinstance(error, InputError):
        return "\n".join(line for line in str(error).split("\n") if not _is_typed(line)) or str(error)
    where, what, expected, next_step = error.where, error.what, error.expected, error.next_step
    if isinstance(error, WouldFailError):
        next_step = "“Will it hold?” shows what would help; to play it all the same, tick what fails above the button"
    elif where == "what you typed" and next_step.startswith("type "):
        where, expected, next_step = "", "a number in each field", "mend it, then press Read this"
    elif edits and (step := _STEP.match(where)) is not None:
        number, side, key = step.groups()
        where = f"step {number}, " + (f"{side} arm" if side else FIGURES.get(key, key))
        next_step = "give a value that fits" + (", or none" if key in FIGURES else "")
    if where.startswith("--"):
        where = ""
    next_step = re.sub(
        r"type limp (left|right); then type this again", r"press “\1 arm limp”, then Read this", next_step
    )
    next_step = next_step.replace("and type it again", "and press Read this again")
    next_step = "; ".join(part for part in next_step.split("; ") if not _is_typed(part))
    expected = _WISH.sub("", expected)
    available = [line for line in str(error).split("\n") if line.startswith("  available: ")]
    lines = [f"{where}: {what}" if where else what]
    lines += [f"  expected: {expected}"] if expected and not _is_typed(expected) else []
    lines += available
    lines += [f"  next: {next_step}"] if next_step else []
    return "\n".join(lines)


def _is_typed(text: str) -> bool:
    return _TYPED.search(text.replace("handfast open --arms PORT", "")) is not None
