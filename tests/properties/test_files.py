"""What holds for all documents and units."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from handfast.errors import InputError
from handfast.files.document import parse_document
from handfast.units import UNITS

bare = st.text("abcXYZ01_-", min_size=1, max_size=6)
odd = st.text(st.characters(codec="utf-8", exclude_categories=["Cs", "Cc"]), max_size=6)
names = st.one_of(bare, odd)
scalars = st.one_of(
    st.integers(-(10**6), 10**6),
    st.floats(allow_nan=False, allow_infinity=False),
    st.booleans(),
    odd,
    st.sampled_from(["[x]", "a = 1", "# no", '"""', "'''", "two\nlines\n[y]\n", "\\", '"']),
)
values = st.recursive(
    scalars,
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(names, inner, max_size=3)),
    max_leaves=8,
)
tables = st.dictionaries(names, values, max_size=4)


class Writer:
    """Writes a document line by line and notes on which line each key begins."""

    def __init__(self, draw: Any):
        self.draw, self.text, self.lines = draw, "", {}

    def put(self, text: str) -> None:
        """More text."""
        self.text += text

    def note(self, key: tuple[str | int, ...]) -> None:
        """`key` begins here."""
        self.lines.setdefault(key, self.text.count("\n") + 1)

    def filler(self) -> None:
        """Something that means nothing: a comment, an empty line, or not even that."""
        self.put(self.draw(st.sampled_from(["", "\n", "# [a]\n", '  # x = 1 """\n', "\t\n"])))

    def name(self, name: str) -> str:
        """A key as it may stand in a file."""
        if name and name.isascii() and name.replace("-", "a").replace("_", "a").isalnum() and self.draw(st.booleans()):
            return name
        return self.string(name)

    def string(self, text: str) -> str:
        """A text as it may stand in a file: basic, or over several lines where it has some."""
        escaped = text.replace("\\", "\\\\").replace('"', '\\"')
        if "\n" in text and self.draw(st.booleans()):
            return f'"""\n{escaped}"""'
        return '"' + escaped.replace("\n", "\\n") + '"'

    def value(self, value: Any, key: tuple[str | int, ...], within: bool = False) -> None:
        """A value; a list may go over several lines, unless it stands in an inline table."""
        if isinstance(value, bool):
            self.put("true" if value else "false")
        elif isinstance(value, str):
            self.put(self.string(value))
        elif isinstance(value, (int, float)):
            self.put(repr(value))
        elif isinstance(value, list):
            self.put("[")
            for index, entry in enumerate(value):
                if self.draw(st.booleans()):
                    self.put(self.draw(st.sampled_from(["\n", " # ]\n", "\n\n  "])))
                self.note((*key, index))
                self.value(entry, (*key, index), within)
                self.put(", ")
            self.put("]")
        else:
            self.put("{ ")
            for index, (name, entry) in enumerate(value.items()):
                if index:
                    self.put(", ")
                self.note((*key, name))
                self.put(f"{self.name(name)} = ")
                self.value(entry, (*key, name), True)
            self.put(" }")

    def entries(self, table: dict[str, Any], key: tuple[str | int, ...]) -> None:
        """The key = value lines of a table."""
        for name, value in table.items():
            self.filler()
            self.note((*key, name))
            self.put(f"{self.name(name)} = ")
            self.value(value, (*key, name))
            self.put(self.draw(st.sampled_from(["\n", "  # done\n", "\n\n"])))


@given(st.data(), tables, st.dictionaries(names, tables, max_size=3), st.lists(tables, max_size=3))
def test_every_key_of_any_document_has_its_line(data, top, sections, entries):
    """Written at random with comments, quotes and line ends all over: read back whole, each key on its line."""
    writer = Writer(data.draw)
    writer.entries(top, ())
    expected: dict[str, Any] = dict(top)
    for name, table in sections.items():
        if name in expected:
            continue
        expected[name] = table
        writer.filler()
        writer.note((name,))
        writer.put(f"[ {writer.name(name)} ]\n")
        writer.entries(table, (name,))
    if entries and "many" not in expected:
        expected["many"] = entries
        for index, table in enumerate(entries):
            writer.note(("many",))
            writer.note(("many", index))
            writer.put("[[many]] # one more\n")
            writer.entries(table, ("many", index))
    document = parse_document(writer.text, Path("f"))
    assert document.values == expected
    assert document.lines == writer.lines


@given(st.text(st.sampled_from("ab=[]{}\"'#.,\n 01-\\"), max_size=40))
def test_any_text_is_read_or_refused(text):
    """Nothing but InputError comes out of nonsense, and it names the file."""
    message = "f.toml"
    try:
        parse_document(text, Path("f.toml"))
    except InputError as error:
        message = str(error)
    assert message.startswith("f.toml")


@given(st.sampled_from(sorted(UNITS)), st.floats(-1e6, 1e6).filter(lambda x: abs(x) > 1e-9))
def test_units_turn_back(name, value):
    """From a unit to SI and back is the same number to fifteen digits (temperature: of 273)."""
    unit = UNITS[name]
    assert unit.from_si(unit.to_si(value)) == pytest.approx(value, rel=1e-14, abs=1e-12 if unit.shift else 0)
    assert math.isfinite(unit.to_si(value))
