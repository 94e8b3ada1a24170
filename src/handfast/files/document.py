"""A TOML file together with where each of its keys stands, so that a message can name file, line and key."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

from handfast.errors import InputError

Key = tuple[str | int, ...]

_ENTRY = re.compile(r"""^\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*=""")
_TOKEN = re.compile(
    r'''"""(?:\\.|[^\\])*?"{3,5}|"(?:\\.|[^"\\])*"|#[^\n]*|[\[\]{}=,\n]|[ \t\r]+|[^\s\[\]{}=,#"\']+'''
    r"|'''.*?'{3,5}|'[^']*'",
    re.DOTALL,
)
_LINE = re.compile(r"\(?at line (\d+), column \d+\)?")


@dataclass(frozen=True, eq=False)
class Document:
    """A parsed file: its values, and its text, which says on which line each key stands."""

    path: Path
    values: dict[str, Any]
    text: str = ""

    @cached_property
    def lines(self) -> dict[Key, int]:
        """The line on which each key stands; found when it is first asked for, which as a rule is never."""
        return _Walk(self.text).lines

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
        return path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise InputError(
            "no such file",
            where=str(path),
            expected="a file",
            next_step="check the name, or the folder you are in",
        ) from None
    except IsADirectoryError:
        raise InputError("is a folder", where=str(path), expected="a file", next_step="name a file inside it") from None
    except UnicodeDecodeError as error:
        raise InputError(
            f"not a text file (byte {error.start} is not UTF-8)",
            where=str(path),
            expected="UTF-8 text",
            next_step="save it again as UTF-8 text",
        ) from None
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=str(path)) from None


@lru_cache(maxsize=32)
def loaded(text: str) -> dict[str, Any]:
    """The values of a TOML text; the same ones for the same text, so that nobody changes them."""
    return tomllib.loads(text)


@lru_cache(maxsize=32)
def parse_document(text: str, path: Path) -> Document:
    """`text` as a `Document` that calls itself `path`; the same one for the same text, so that nobody changes it."""
    try:
        values = loaded(text)
    except RecursionError:
        raise InputError(
            "lists or tables are nested too deeply",
            where=str(path),
            expected="a few levels",
            next_step="flatten it",
        ) from None
    except ValueError as error:
        raise _syntax_error(error, text, path) from None
    document = Document(path, values, text)
    for key, value in _leaves(values):
        if isinstance(value, float) and not math.isfinite(value):
            raise InputError(
                f"{value} is not a number to work with",
                where=document.place(key),
                expected="a finite number",
                next_step="write a number, or take the key out so that its default holds",
            )
    return document


def _syntax_error(error: ValueError, text: str, path: Path) -> InputError:
    found = _LINE.search(str(error))
    rows = text.split("\n")
    line = int(found.group(1)) if found else len(text.rstrip().split("\n"))
    what = _LINE.sub("", str(error)).strip() or "not valid TOML"
    if "Cannot overwrite" in what:
        what = "this key or table is given twice"
    elif "Cannot declare" in what:
        what = "this table is given twice"
    shown = rows[line - 1].strip() if 0 < line <= len(rows) else ""
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


class _Walk:
    """One pass over a valid document that notes on which line each heading, key and list entry begins."""

    def __init__(self, text: str):
        self.lines: dict[Key, int] = {}
        self.counts: dict[Key, int] = {}  # entries so far behind each array of tables
        self.tokens: list[tuple[str, int]] = []
        line = 1
        for found in _TOKEN.finditer(text):
            token = found.group()
            if not token.startswith("#") and token.strip(" \t\r"):
                self.tokens.append((token, line))
            line += token.count("\n")
        self.at = 0
        table: Key = ()
        while self.at < len(self.tokens):
            token, line = self.tokens[self.at]
            if token == "\n":
                self.at += 1
            elif token == "[":
                table = self._heading()
                self._note(table, line)
            else:
                self._entry(table)

    def _next(self) -> str:
        self.at += 1
        return self.tokens[self.at - 1][0]

    def _sees(self, *wanted: str) -> bool:
        return self.at < len(self.tokens) and self.tokens[self.at][0] in wanted

    def _skip(self, *wanted: str) -> None:
        while self._sees(*wanted):
            self.at += 1

    def _note(self, key: Key, line: int) -> None:
        """The line of a key, and of every table around it that has not been named before."""
        for length in range(1, len(key) + 1):
            self.lines.setdefault(key[:length], line)

    def _parts(self, end: str) -> Key:
        """A dotted key up to `end`, which is passed."""
        parts: list[str] = []
        while (token := self._next()) != end:
            if token[0] in "\"'":
                parts.append(str(tomllib.loads(f"x = {token}")["x"]))
            else:
                parts += [part for part in token.split(".") if part]
        return tuple(parts)

    def _heading(self) -> Key:
        """The key of a table heading, with the number of the entry behind each array of tables on the way."""
        self.at += 1
        array = self._sees("[")
        self._skip("[")
        parts = self._parts("]")
        self._skip("]")
        key: Key = ()
        for index, part in enumerate(parts):
            key = (*key, part)
            if array and index == len(parts) - 1:
                self.counts[key] = self.counts.get(key, -1) + 1
            if key in self.counts:
                key = (*key, self.counts[key])
        return key

    def _entry(self, table: Key) -> None:
        """A `key = value`."""
        line = self.tokens[self.at][1]
        key = (*table, *self._parts("="))
        self._note(key, line)
        self._value(key)

    def _value(self, key: Key) -> None:
        opening = self._next()
        if opening == "[":
            index = 0
            self._skip("\n")
            while not self._sees("]"):
                self.lines[(*key, index)] = self.tokens[self.at][1]
                self._value((*key, index))
                self._skip("\n", ",")
                index += 1
            self.at += 1
        elif opening == "{":
            self._skip("\n")
            while not self._sees("}"):
                self._entry(key)
                self._skip("\n", ",")
            self.at += 1
        else:
            # A plain value; a date and a time with a space between them are two tokens.
            while self.at < len(self.tokens) and not self._sees("\n", ",", "]", "}"):
                self.at += 1
