"""A TOML file and where its keys stand."""

from __future__ import annotations

from pathlib import Path

import pytest

from handfast.errors import InputError
from handfast.files.document import parse_document, read_document

FILE = Path("bench.toml")


def refusal(text: str) -> str:
    """The message with which `text` is refused."""
    with pytest.raises(InputError) as caught:
        parse_document(text, FILE)
    return str(caught.value)


def line_of(text: str, *key: str | int) -> int:
    """The line that `place` names for a key."""
    return int(parse_document(text, FILE).place(key).split(":")[1])


NESTED = """\
# a comment with [brackets] and = signs
title = "a # is no comment"   # this one is

[arms.left]
base_mm = [1, 2, 3]

[[arms.left.joint]]
name = "yaw"
pulse_table = [
  [0, 1000],   # [not a heading]

  [90, 2000],
]

[[arms.left.joint]]
name = "elbow"
spring = { rate = 1, rest = [0,
  2] }

[arms.left.gripper]
note = \"\"\"
[arms.fake]
name = "not a key"
\"\"\"
wire.gauge_awg = 18

[thing."odd . name"]
mass_g = 1
"""


@pytest.mark.parametrize(
    ("key", "line"),
    [
        (("title",), 2),
        (("arms", "left"), 4),
        (("arms", "left", "base_mm"), 5),
        (("arms", "left", "joint", 0), 7),
        (("arms", "left", "joint", 0, "name"), 8),
        (("arms", "left", "joint", 0, "pulse_table"), 9),
        (("arms", "left", "joint", 0, "pulse_table", 1), 12),
        (("arms", "left", "joint", 0, "pulse_table", 1, 1), 12),
        (("arms", "left", "joint", 1, "name"), 16),
        (("arms", "left", "joint", 1, "spring", "rate"), 17),
        (("arms", "left", "joint", 1, "spring", "rest", 1), 18),
        (("arms", "left", "gripper"), 20),
        (("arms", "left", "gripper", "wire", "gauge_awg"), 25),
        (("thing", "odd . name", "mass_g"), 28),
    ],
)
def test_every_key_has_its_line(key, line: int):
    """Headings, arrays of tables, multi-line lists, inline tables, dotted and quoted keys; no fake headings."""
    assert line_of(NESTED, *key) == line


def test_a_key_that_is_not_there_is_placed_at_the_table_around_it():
    """A missing key of the second joint is placed at that joint's heading, counted from one."""
    place = parse_document(NESTED, FILE).place(("arms", "left", "joint", 1, "axis"))
    assert place == "bench.toml:15: arms.left.joint.2.axis"


def test_a_key_of_nowhere_names_the_file():
    """Nothing around it has a line."""
    document = parse_document("a = 1\n", FILE)
    assert document.place(("b", "c")) == "bench.toml: b.c"
    assert document.place(()) == "bench.toml"


def test_a_quote_in_a_comment_opens_nothing():
    """Three quotes in a comment do not swallow the lines after it."""
    assert line_of('a = 1 # """\nb = 2\n', "b") == 2


def test_a_heading_inside_a_literal_text_is_text():
    """Text between three single quotes may hold anything, even quotes before its end."""
    assert line_of("a = '''\n[b]\nc = ''d''''\ne = 1\n", "e") == 4


def test_tables_inside_an_array_of_tables_belong_to_its_last_entry():
    """[a.b] after the second [[a]] is a's second b."""
    text = "[[a]]\n[a.b]\nc = 1\n[[a]]\n[a.b]\nc = 2\n"
    assert (line_of(text, "a", 0, "b", "c"), line_of(text, "a", 1, "b", "c")) == (3, 6)


@pytest.mark.parametrize("value", ["nan", "+inf", "-inf", "1e999"])
def test_nan_and_infinity_are_refused_with_their_line(value: str):
    """In a list over several lines, the line is that of the number itself."""
    message = refusal(f"[arms.left]\nbase_mm = [\n  0,\n  {value},\n  0,\n]\n")
    assert message.startswith("bench.toml:4: arms.left.base_mm.2: ")
    assert "is not a number to work with" in message
    assert "expected: a finite number" in message
    assert "next: " in message


@pytest.mark.parametrize(
    ("text", "start", "said"),
    [
        ("a = 1\nb = 2\na = 3\n", "bench.toml:3: a: ", "given twice"),
        ("[t]\nx = 1\n[s]\n[t]\ny = 1\n", "bench.toml:4: ", "given twice"),
        ("a.b = 1\na.b = 2\n", "bench.toml:2: a.b: ", "given twice"),
        ("[[a]]\n[a]\n", "bench.toml:2: ", "given twice"),
        ("a = 1\na.b = 2\n", "bench.toml:2: a.b: ", "given twice"),
        ("a = 1\nb = [1,\n2\n", "bench.toml:3: ", "unclosed array"),
        ('a = "x\n', "bench.toml:1: a: ", "illegal character"),
        ("a = 1 2\n", "bench.toml:1: a: ", "expected newline"),
        ("just words\n", "bench.toml:1: ", "just words"),
        ("a = \n", "bench.toml:1: a: ", "invalid value"),
        ("a = 01\n", "bench.toml:1: a: ", "expected newline"),
        ("a = " + "9" * 5000 + "\n", "bench.toml:1: a: ", "digits"),
    ],
)
def test_what_is_not_toml_is_refused_with_line_and_key(text: str, start: str, said: str):
    """Duplicates and broken lines name file, line and, where there is one, the key; then what to do."""
    message = refusal(text)
    assert message.startswith(start)
    assert said in message
    assert "expected: TOML" in message
    assert message.endswith("next: mend this line")


def test_lists_without_end_are_refused():
    """Thousands of brackets end in a message, not in a traceback."""
    message = refusal("a = " + "[" * 5000 + "]" * 5000)
    assert message.startswith("bench.toml: lists or tables are nested too deeply")


def test_a_line_separator_in_a_text_does_not_shift_the_line():
    """Only a newline ends a line of TOML, whatever else Unicode calls a line's end."""
    assert refusal('a = "\u2028\u2028"\nb = \n').startswith("bench.toml:2: b: ")


def test_files_that_cannot_be_read(tmp_path: Path):
    """A missing file, a folder, and a picture each get a message that says so."""
    with pytest.raises(InputError, match="no such file"):
        read_document(tmp_path / "none.toml")
    with pytest.raises(InputError, match="is a folder"):
        read_document(tmp_path)
    (tmp_path / "picture.toml").write_bytes(b"\x89PNG\xff")
    with pytest.raises(InputError, match="byte 0 is not UTF-8"):
        read_document(tmp_path / "picture.toml")


def test_a_byte_order_mark_and_foreign_line_ends_are_no_matter(tmp_path: Path):
    """Some editors put a mark in front, and end lines with carriage return and newline."""
    path = tmp_path / "a.toml"
    path.write_bytes(b"\xef\xbb\xbfa = 1\r\nb = [\r\n  1,\r\n  2]\r\n")
    document = read_document(path)
    assert document.values == {"a": 1, "b": [1, 2]}
    assert document.lines[("b", 1)] == 4
