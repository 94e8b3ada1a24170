"""A recording of two arms led by hand: time, feedback of every channel, and events; and its file.

The file is CSV. Lines that begin with # say what it is; `# hands:` says how poses were held while they were
stored (held, let go, unknown). Columns: t_ms, one column chN of feedback counts per controller channel, event.
Events: `left grip THING`, `left release`, `left stroke begin`, `left stroke end`, `carry`, `pass left`
(who gives), `note TEXT`; `left` may be `right` or `both`. `left pose` says that a pose was stored there and then,
`undo` takes back the last thing said: a recording with such events teaches these poses and no others.
"""

from __future__ import annotations

import csv
import io
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from handfast.errors import InputError
from handfast.files.atomic import write_text
from handfast.files.document import read_text
from handfast.geometry.rigid import Array
from handfast.units import counted

HEADING = "handfast recording, layout 1"
HANDS = ("held", "let go", "unknown")
_MOST_COUNTS = 70000.0
_LONGEST_WAIT = 3600.0


@dataclass(frozen=True)
class Event:
    """Something said during a recording: when (s), and the words."""

    time: float
    words: tuple[str, ...]

    @property
    def text(self) -> str:
        """The words as written."""
        return " ".join(self.words)


@dataclass(frozen=True)
class Recording:
    """t (N,) s; counts (N, channels) of feedback; events in order; hands: how poses were held."""

    t: Array
    counts: Array
    events: tuple[Event, ...]
    hands: str
    notes: tuple[str, ...]
    source: str


def columns_of(channels: int) -> list[str]:
    """The names of a recording's columns."""
    return ["t_ms", *(f"ch{c}" for c in range(channels)), "event"]


def row_of(time: float, counts: Array, said: str) -> str:
    """One row of the file: time s, counts (channels,), events in words."""
    out = io.StringIO()
    values = [f"{value:.10g}" for value in np.round(counts, 2)]
    csv.writer(out, lineterminator="\n").writerow([f"{time * 1e3:.10g}", *values, said])
    return out.getvalue()


def event_of(said: str, time: float, where: str) -> Event:
    """An event from its words. Raises InputError for words that say none."""
    return _event(said, time, where)


def write_recording(path: Path, recording: Recording) -> None:
    """Write a recording as CSV, whole or not at all."""
    out = io.StringIO()
    out.write(f"# {HEADING}\n")
    for note in recording.notes:
        for line in note.splitlines():
            out.write(f"# {line}\n")
    out.write(f"# hands: {recording.hands}\n")
    channels = recording.counts.shape[1]
    out.write(",".join(columns_of(channels)) + "\n")
    events = sorted(recording.events, key=lambda event: event.time)
    last = len(recording.t) - 1
    for n, (time, row) in enumerate(zip(recording.t, recording.counts, strict=True)):
        said = []
        # What was said after the last sample goes with that one, rather than being lost.
        while events and (n == last or events[0].time <= time + 1e-9):
            said.append(events.pop(0).text.replace(";", ","))
        out.write(row_of(time, row, "; ".join(said)))
    write_text(path, out.getvalue())


def read_recording(path: Path, channels: int) -> Recording:
    """Read a recording for a bench with that many channels. Raises InputError naming the line."""
    lines = read_text(path).splitlines()
    notes, hands, start = [], "unknown", 0
    for number, line in enumerate(lines):
        if not line.startswith("#"):
            start = number
            break
        said = line[1:].strip()
        if said.startswith(HEADING[: HEADING.index(",")]):
            if said != HEADING:
                raise InputError(
                    f'"{said}" cannot be read',
                    where=f"{path}:{number + 1}",
                    expected=f'"{HEADING}"',
                    next_step="use the handfast that wrote it, or record again",
                )
        elif said.startswith("hands:"):
            hands = said[6:].strip()
            if hands not in HANDS:
                raise InputError(
                    f'"{hands}" does not say how the poses were held',
                    where=f"{path}:{number + 1}: hands",
                    expected="held, let go or unknown",
                    next_step="mend this line",
                )
        else:
            notes.append(said)
    else:
        raise _no_samples(path)
    columns = [name.strip() for name in lines[start].split(",")]
    expected = columns_of(channels)
    if columns != expected:
        raise _wrong_columns(path, start + 1, columns, channels)
    times: list[float] = []
    counts: list[list[float]] = []
    events: list[Event] = []
    for number, line in enumerate(lines[start + 1 :], start + 2):
        if not line.strip():
            continue
        where = f"{path}:{number}"
        row = _cells(line, where)
        if len(row) != channels + 2:
            raise InputError(
                counted(len(row), "column"),
                where=where,
                expected=f"{channels + 2}: t_ms, ch0 to ch{channels - 1}, event",
                next_step="mend this row, or cut the file off before it",
            )
        values = [_number(text, where, name) for text, name in zip(row[:-1], expected[:-1], strict=True)]
        if times and values[0] / 1e3 <= times[-1]:
            raise InputError(
                f"time {values[0]:g} ms does not rise",
                where=f"{where}: t_ms",
                expected=f"more than {times[-1] * 1e3:g} ms",
                next_step="put the rows in order of time",
            )
        for channel, value in enumerate(values[1:]):
            if not 0.0 <= value <= _MOST_COUNTS:
                raise InputError(
                    f"{value:g} counts",
                    where=f"{where}: ch{channel}",
                    expected=f"0 to {_MOST_COUNTS:g} counts",
                    next_step="feedback is written in counts of the controller's input, not in volts or degrees",
                )
        times.append(values[0] / 1e3)
        counts.append(values[1:])
        for said in row[-1].split(";"):
            if said.strip():
                events.append(_event(said.strip(), times[-1], where))
    if len(times) < 20:
        raise _no_samples(path)
    t = np.array(times)
    gap = float(np.diff(t).max())
    if gap > 0.5:
        raise InputError(
            f"{gap:.2f} s without a sample after {t[int(np.argmax(np.diff(t)))]:.2f} s",
            where=f"{path}: t_ms",
            expected="samples no more than 0.5 s apart",
            next_step="record again, or cut the file into two recordings",
        )
    return Recording(t, np.array(counts), tuple(events), hands, tuple(notes), str(path))


def _cells(line: str, where: str) -> list[str]:
    """The cells of one row; a row is one line."""
    try:
        return next(csv.reader([line], strict=True))
    except csv.Error as error:
        raise InputError(
            f"not a row of a table ({error})",
            where=where,
            expected="cells with commas between them; an event with a comma stands in double quotes",
            next_step="mend this row, or take it out",
        ) from None


def _no_samples(path: Path) -> InputError:
    return InputError(
        "too few samples", where=str(path), expected="at least 20 rows of samples", next_step="record again"
    )


def _wrong_columns(path: Path, line: int, columns: list[str], channels: int) -> InputError:
    found = sum(1 for name in columns if name.startswith("ch"))
    if found and found != channels:
        what = f"{found} feedback columns, but the bench has {channels} channels"
    else:
        what = f"the columns are {', '.join(columns[:4])} ..."
    return InputError(
        what,
        where=f"{path}:{line}",
        expected=f"t_ms, ch0 to ch{channels - 1}, event, in this order",
        next_step="use a recording of this bench, or mend controller.channels in bench.toml",
    )


def _number(text: str, where: str, name: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputError(
            f"{text.strip()!r} is not a number",
            where=f"{where}: {name}",
            expected="a number",
            next_step="mend this row, or take it out",
        )
    return value


_EVENT_FORMS = (
    "left|right|both grip THING",
    "left|right|both release",
    "left|right stroke begin",
    "left|right stroke end",
    "left|right draw DRAWING.svg",
    "carry [THING]",
    "pass left|right [THING]",
    "left|right|both pose",
    "undo",
    "wait SECONDS",
    "note TEXT",
)


def _event(said: str, time: float, where: str) -> Event:
    words = tuple(said.split())
    side = words[0] in ("left", "right", "both")
    good = (
        (side and len(words) == 3 and words[1] == "grip")
        or (side and len(words) == 2 and words[1] in ("release", "pose"))
        or words == ("undo",)
        or (words[0] in ("left", "right") and len(words) == 3 and words[1] == "stroke" and words[2] in ("begin", "end"))
        or (words[0] in ("left", "right") and len(words) == 3 and words[1] == "draw")
        or (words[0] == "carry" and len(words) <= 2)
        or (words[0] == "pass" and len(words) in (2, 3) and words[1] in ("left", "right"))
        or (words[0] == "wait" and len(words) == 2)
        or words[0] == "note"
    )
    if not good:
        raise InputError(
            f'"{said}" is no event',
            where=f"{where}: event",
            expected="one of: " + "; ".join(_EVENT_FORMS),
            next_step="mend it, or leave the cell empty",
        )
    if words[0] == "wait" and not 0.0 <= _number(words[1], where, "event") <= _LONGEST_WAIT:
        raise InputError(
            f"wait {words[1]}",
            where=f"{where}: event",
            expected=f"0 to {_LONGEST_WAIT:g} seconds",
            next_step="mend it, or leave the cell empty",
        )
    return Event(time, words)
