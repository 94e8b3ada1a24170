"""Edits of a routine's file: steps moved, doubled and taken out as blocks of text, comments and all."""

from __future__ import annotations

from pathlib import Path

from handfast.errors import InputError
from handfast.files.document import parse_document


def _blocks(text: str, path: Path) -> tuple[str, list[str]]:
    """The text before the first step, and each step's own text: comments right above a step belong to it."""
    document = parse_document(text, path)
    lines = text.splitlines(keepends=True)
    if lines and not lines[-1].endswith("\n"):
        lines[-1] += "\n"
    starts = []
    for number in range(len(document.values.get("step", []))):
        at = document.lines[("step", number)] - 1
        if not lines[at].lstrip().startswith("[["):
            raise InputError(
                "its steps are not written as [[step]] tables",
                where=document.place(("step", number)),
                expected="one [[step]] table for each step",
                next_step="write them so, or move the step in your editor",
            )
        while at > 0 and lines[at - 1].lstrip().startswith("#"):
            at -= 1
        starts.append(at)
    ends = [*starts[1:], len(lines)]
    head = "".join(lines[: starts[0]]) if starts else text
    return head, ["".join(lines[a:b]).rstrip("\n") + "\n" for a, b in zip(starts, ends, strict=True)]


def _joined(head: str, blocks: list[str]) -> str:
    return head + "\n".join(blocks)


def _known(blocks: list[str], number: int, path: Path) -> None:
    if not 0 <= number < len(blocks):
        raise InputError(
            f"there is no step {number + 1}",
            where=str(path),
            expected=f"1 to {len(blocks)}",
            next_step="read the routine again: it may have been changed meanwhile",
        )


def moved_step(text: str, path: Path, number: int, to: int) -> str:
    """The text with step `number` (from 0) in place `to`."""
    head, blocks = _blocks(text, path)
    _known(blocks, number, path)
    _known(blocks, to, path)
    blocks.insert(to, blocks.pop(number))
    return _joined(head, blocks)


def doubled_step(text: str, path: Path, number: int) -> str:
    """The text with step `number` once more after itself."""
    head, blocks = _blocks(text, path)
    _known(blocks, number, path)
    blocks.insert(number + 1, blocks[number])
    return _joined(head, blocks)


def dropped_step(text: str, path: Path, number: int) -> str:
    """The text without step `number`."""
    head, blocks = _blocks(text, path)
    _known(blocks, number, path)
    del blocks[number]
    return _joined(head, blocks)


def added_step(text: str, path: Path, after: int, block: str) -> str:
    """The text with `block`, a whole [[step]] table, after step `after`; -1 puts it first."""
    head, blocks = _blocks(text, path)
    if after >= 0:
        _known(blocks, after, path)
    blocks.insert(after + 1, block.rstrip("\n") + "\n")
    return _joined(head, blocks)
