"""Recordings as files: what is read, what is refused and where, and that writing keeps all of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from handfast.errors import InputError
from handfast.records.recording import Event, Recording, read_recording, write_recording

ROWS = "".join(f"{20 * n},{500 + n},{300 - n},\n" for n in range(25))
FILE = f"# handfast recording, layout 1\n# a note\n# hands: held\nt_ms,ch0,ch1,event\n{ROWS}"


def read(tmp_path: Path, text: str, channels: int = 2) -> Recording:
    """The recording that `text` is."""
    path = tmp_path / "a.csv"
    path.write_text(text, encoding="utf-8")
    return read_recording(path, channels)


def with_event(said: str, row: int = 3) -> str:
    """The plain file with something said in one row."""
    lines = FILE.splitlines()
    lines[4 + row] += said
    return "\n".join(lines) + "\n"


def test_a_recording_is_read(tmp_path):
    """Times in s, counts as they are, notes without the heading, how poses were held."""
    found = read(tmp_path, FILE)
    assert found.t[:3] == pytest.approx([0.0, 0.02, 0.04])
    assert found.counts[2].tolist() == [502.0, 298.0]
    assert (found.notes, found.hands, found.events) == (("a note",), "held", ())
    assert found.source == str(tmp_path / "a.csv")


def test_without_a_word_nobody_knows_how_poses_were_held(tmp_path):
    """A bare table will do; blank lines are passed over."""
    found = read(tmp_path, f"t_ms,ch0,ch1,event\n{ROWS}\n\n")
    assert (found.hands, found.notes, len(found.t)) == ("unknown", (), 25)


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ("left grip pot", [("left", "grip", "pot")]),
        ("both release; carry", [("both", "release"), ("carry",)]),
        (" pass right pot ; note mind the edge", [("pass", "right", "pot"), ("note", "mind", "the", "edge")]),
        ('"note a, b"', [("note", "a,", "b")]),
        ("wait 1.5", [("wait", "1.5")]),
        ("right stroke begin", [("right", "stroke", "begin")]),
    ],
)
def test_events_are_read_with_the_time_of_their_row(tmp_path, said, words):
    """Several in a row, separated by semicolons; a comma stands in quotes."""
    found = read(tmp_path, with_event(said))
    assert [event.words for event in found.events] == words
    assert all(event.time == pytest.approx(0.06) for event in found.events)


REFUSED = [
    ("", "a.csv: too few samples"),
    ("# hands: held\n", "a.csv: too few samples"),
    (FILE.replace("held", "tight"), 'a.csv:3: hands: "tight" does not say how the poses were held'),
    (FILE.replace("layout 1", "layout 2"), 'a.csv:1: "handfast recording, layout 2" cannot be read'),
    (FILE.replace("ch0,ch1,", "ch0,"), "a.csv:4: 1 feedback columns, but the bench has 2 channels"),
    (FILE.replace("t_ms", "time"), "a.csv:4: the columns are time, ch0, ch1, event ..."),
    (FILE.replace("40,502,298,", "40,502,298"), "a.csv:7: 3 columns"),
    (FILE.replace("40,502,298,", "40,502,298,,"), "a.csv:7: 5 columns"),
    (FILE.replace("40,502,298,", "40,502,oops,"), "a.csv:7: ch1: 'oops' is not a number"),
    (FILE.replace("40,502,298,", "40,nan,298,"), "a.csv:7: ch0: 'nan' is not a number"),
    (FILE.replace("40,502,298,", "40,inf,298,"), "a.csv:7: ch0: 'inf' is not a number"),
    (FILE.replace("40,502,298,", "40,502,,"), "a.csv:7: ch1: '' is not a number"),
    (FILE.replace("40,502,298,", "20,502,298,"), "a.csv:7: t_ms: time 20 ms does not rise"),
    (FILE.replace("40,502,298,", "40,-1,298,"), "a.csv:7: ch0: -1 counts"),
    (FILE.replace("40,502,298,", "40,1e6,298,"), "a.csv:7: ch0: 1e+06 counts"),
    (FILE.replace("480,524,276,", "1080,524,276,"), "a.csv: t_ms: 0.62 s without a sample after 0.46 s"),
    (FILE[: FILE.index("380,")], "a.csv: too few samples"),
    (with_event("jump"), 'a.csv:8: event: "jump" is no event'),
    (with_event("left grip"), 'a.csv:8: event: "left grip" is no event'),
    (with_event("both stroke begin"), 'a.csv:8: event: "both stroke begin" is no event'),
    (with_event("pass both"), 'a.csv:8: event: "pass both" is no event'),
    (with_event("wait soon"), "a.csv:8: event: 'soon' is not a number"),
    (with_event("wait -1"), "a.csv:8: event: wait -1"),
    (with_event("wait 1e9"), "a.csv:8: event: wait 1e9"),
    (with_event('"note a'), "a.csv:8: not a row of a table (unexpected end of data)"),
]


@pytest.mark.parametrize(("text", "message"), REFUSED, ids=[m for _, m in REFUSED])
def test_a_bad_recording_is_refused_where_it_is_bad(tmp_path, text, message):
    """File, line and column, what stands there, what was expected, and what to do next."""
    with pytest.raises(InputError) as caught:
        read(tmp_path, text)
    said = str(caught.value)
    assert said.startswith(f"{tmp_path}/{message}\n  expected: ")
    assert "\n  next: " in said


def test_events_that_are_none_show_the_forms_there_are(tmp_path):
    """What may be said stands in the message."""
    with pytest.raises(InputError, match=r"expected: one of: left\|right\|both grip THING; .*wait SECONDS"):
        read(tmp_path, with_event("halt"))


def test_writing_keeps_times_counts_events_and_notes(tmp_path):
    """Late times keep fractions of a millisecond, and what was said after the last sample is not lost."""
    t = 100000.0 + np.arange(30) * 0.0025
    counts = np.random.default_rng(1).uniform(0, 1023, (30, 3)).round(2)
    events = (
        Event(100000.001, ("left", "grip", "pot")), Event(100000.001, ("note", "soft,", "hard", "x")),
        Event(200000.0, ("right", "release")),
    )  # fmt: skip
    path = tmp_path / "b.csv"
    write_recording(path, Recording(t, counts, events, "let go", ("one", "two\nthree"), ""))
    found = read_recording(path, 3)
    assert found.t == pytest.approx(t, abs=1e-9)
    assert found.counts.tolist() == counts.tolist()
    assert [e.words for e in found.events] == [e.words for e in events]
    assert found.events[-1].time == pytest.approx(t[-1])
    assert (found.hands, found.notes) == ("let go", ("one", "two", "three"))
    write_recording(tmp_path / "c.csv", found)
    assert (tmp_path / "c.csv").read_text() == path.read_text()


def test_a_semicolon_inside_a_note_does_not_make_two_events(tmp_path):
    """It is written as a comma."""
    path = tmp_path / "d.csv"
    t = np.arange(20) * 0.02
    write_recording(path, Recording(t, np.zeros((20, 1)), (Event(0.1, ("note", "a;", "b")),), "held", (), ""))
    assert [e.words for e in read_recording(path, 1).events] == [("note", "a,", "b")]
