"""A TOML file together with where each of its keys stands, so that a message can name file, line and key."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from handfast.errors import InputError

Key = tuple[str | int, ...]

_HEADER = re.compile(r"^\s*(\[\[?)\s*(.+?)\s*\]\]?\s*(?:#.*)?$")
_ENTRY = re.compile(r"""^\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*=""")
_PART = re.compile(r"""[A-Za-z0-9_-]+|"[^"]*"|'[^']*'""")
_LINE = re.compile(r"\(?at line (\d+), column \d+\)?")


@dataclass(frozen=True)
class Document:
    """A parsed file: its values, and the line on which each key stands."""

    path: Path
    values: dict[str, Any]
    lines: dict[Key, int]

    def place(self, key: Key) -> str:
        """'file:line: key' of `key`, or of the nearest table around it that has a line of its own."""
        name = ".".join(str(part + 1) if isinstance(part, int) else part for part in key)
        for length in range(len(key), 0, -1):
            line = self.lines.get(key[:length])
            if line is not None:
                return f"{self.path}:{line}: {name}"
        return f"{self.path}: {name}" if name else str(self.path)


def read_document(path: Path) -> Document:
    """Read a TOML file; refuse duplicate keys, NaN and infinities, and say where they stand."""
    return parse_document(read_text(path), path)


def read_text(path: Path) -> str:
    """The text of a file that a person wrote."""
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise InputError(
            "no such file", where=str(path), next_step="check the name, or the folder you are in"
        ) from None
    except IsADirectoryError:
        raise InputError("is a folder", where=str(path), expected="a file") from None
    except UnicodeDecodeError as error:
        raise InputError(
            f"not a text file (byte {error.start} is not UTF-8)",
            where=str(path),
            expected="UTF-8 text",
            next_step="save it again as UTF-8 text",
        ) from None
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=str(path)) from None


def parse_document(text: str, path: Path) -> Document:
    """`text` as a `Document` that calls itself `path`."""
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _syntax_error(error, text, path) from None
    document = Document(path, values, _key_lines(text))
    for key, value in _leaves(values):
        if isinstance(value, float) and not math.isfinite(value):
            raise InputError(
                f"{value} is not a number to work with",
                where=document.place(key),
                expected="a finite number",
                next_step="write a number, or take the key out so that its default holds",
            )
    return document


def _syntax_error(error: tomllib.TOMLDecodeError, text: str, path: Path) -> InputError:
    found = _LINE.search(str(error))
    line = int(found.group(1)) if found else len(text.splitlines())
    what = _LINE.sub("", str(error)).strip() or "not valid TOML"
    if "Cannot overwrite" in what:
        what = "this key or table is given twice"
    elif "Cannot declare" in what:
        what = "this table is given twice"
    shown = text.splitlines()[line - 1].strip() if 0 < line <= len(text.splitlines()) else ""
    entry = _ENTRY.match(shown)
    key = f" {entry.group(1)}" if entry else ""
    return InputError(
        f"{what[0].lower()}{what[1:]}" + (f", at `{shown[:80]}`" if shown else ""),
        where=f"{path}:{line}:{key}" if key else f"{path}:{line}",
        expected="TOML: `key = value` lines under [table] headings, each key once",
        next_step="mend this line",
    )


def _leaves(value: Any, key: Key = ()) -> Iterator[tuple[Key, Any]]:
    if isinstance(value, dict):
        for name, entry in value.items():
            yield from _leaves(entry, (*key, name))
    elif isinstance(value, list):
        for index, entry in enumerate(value):
            yield from _leaves(entry, (*key, index))
    else:
        yield key, value


def _key_lines(text: str) -> dict[Key, int]:
    """Line of every table heading and every `key =`. Text inside multi-line values is passed over."""
    lines: dict[Key, int] = {}
    counts: dict[Key, int] = {}
    table: Key = ()
    closing = ""  # what ends the multi-line value we are in
    depth = 0
    for number, line in enumerate(text.splitlines(), 1):
        if closing:
            if closing in line:
                closing = ""
            continue
        if depth > 0:
            depth += _open_brackets(line)
            continue
        header = _HEADER.match(line)
        if header:
            table = _table_key(_parts(header.group(2)), header.group(1) == "[[", counts)
            lines.setdefault(table, number)
            continue
        entry = _ENTRY.match(line)
        if entry:
            key = (*table, *_parts(entry.group(1)))
            lines.setdefault(key, number)
            value = line[entry.end() :]
            for quotes in ('"""', "'''"):
                if value.count(quotes) == 1:
                    closing = quotes
            if not closing:
                depth = max(0, _open_brackets(value))
    return lines


def _parts(dotted: str) -> Key:
    return tuple(part.strip("\"'") for part in _PART.findall(dotted))


def _table_key(parts: Key, array: bool, counts: dict[Key, int]) -> Key:
    """The key of a table heading, with the number of the entry behind each array of tables on the way."""
    key: Key = ()
    for index, part in enumerate(parts):
        key = (*key, part)
        last = index == len(parts) - 1
        if array and last:
            counts[key] = counts.get(key, -1) + 1
        if key in counts:
            key = (*key, counts[key])
    return key


def _open_brackets(text: str) -> int:
    """How many brackets stay open at the end of a line, strings and comments passed over."""
    bare = re.sub(r"\"(?:[^\"\\]|\\.)*\"|'[^']*'", "", text).split("#")[0]
    return sum(bare.count(c) for c in "[{") - sum(bare.count(c) for c in "]}")
