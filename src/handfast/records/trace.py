"""The answer of one servo to pulses while it is vetted, and its file.

The file is CSV with a heading of `# key: value` lines; columns are found by name, in any order, and the ending
of a name says its unit. docs/vetting.md describes it for whoever writes one.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path

import numpy as np

from handfast.errors import InputError
from handfast.files.atomic import write_text
from handfast.files.document import read_text
from handfast.geometry.rigid import Array
from handfast.units import DEGREE, KGF_CM, counted

HEADING = "handfast vetting, layout 1"
COUNTS = 1024.0
"""Feedback is judged in 1/1024 of its range, the step of a 10-bit input."""

_KEYS = ("serial_mark", "class", "wiper_bits", "reference_V", "supply_V", "averaged", "invented", "date", "note")

# What each column may be called, and the factor to SI. wiper_counts is scaled by the bits afterwards.
_COLUMNS: dict[str, dict[str, float]] = {
    "time": {"time_s": 1.0, "time_ms": 1e-3, "time_us": 1e-6},
    "pulse": {"pulse_us": 1e-6},
    "wiper": {"wiper_counts": 1.0, "wiper_mV": 1e-3, "wiper_V": 1.0},
    "current": {"current_mA": 1e-3, "current_A": 1.0},
    "load": {"load_kgcm": KGF_CM, "load_Nm": 1.0},
    "push": {"push": 1.0},
    "horn": {"horn_deg": DEGREE},
    "supply": {"supply_V": 1.0, "supply_mV": 1e-3},
    "part": {"part": 1.0},
}
_NEEDED = ("time", "pulse", "wiper")
_FEWEST_ROWS = 500
_SLOWEST, _FASTEST = 0.026, 1e-4  # s between samples: 40 Hz with a margin, 10 kHz


@dataclass(frozen=True)
class Trace:
    """One servo under test. All arrays (N,), time rising.

    t s; pulse s, 0 where there is none; wiper as a share of the input's range; current A (None: not measured);
    load N·m on the shaft, positive the way a longer pulse turns it; push -1, 0, 1 by hand; horn rad by a
    protractor or pointer, NaN where not read; supply V. `step`: smallest change of the wiper that the input can
    show, as a share; `reference` V of its full range; `averaged` readings per sample.
    """

    mark: str
    servo: str
    t: Array
    pulse: Array
    wiper: Array
    load: Array
    push: np.ndarray
    horn: Array
    current: Array | None = None
    supply: Array | None = None
    bits: int = 10
    reference: float = 5.0
    averaged: int = 1
    invented: bool = False
    date: str = ""
    sources: tuple[str, ...] = field(default=())

    @property
    def step(self) -> float:
        """Smallest change that the input can show, as a share of its range."""
        return 2.0**-self.bits


def write_trace(path: Path, trace: Trace, notes: Sequence[str] = ()) -> None:
    """Write a trace as CSV, whole or not at all."""
    out = io.StringIO()
    out.write(f"# {HEADING}\n")
    for note in notes:
        out.write(f"# note: {note}\n")
    out.write(f"# serial_mark: {trace.mark}\n# class: {trace.servo}\n")
    out.write(f"# wiper_bits: {trace.bits}\n# reference_V: {trace.reference:g}\n# averaged: {trace.averaged}\n")
    if trace.date:
        out.write(f"# date: {trace.date}\n")
    if trace.invented:
        out.write("# invented: true\n")
    names = ["time_ms", "pulse_us", "wiper_counts"]
    columns = [trace.t * 1e3, trace.pulse * 1e6, trace.wiper * 2.0**trace.bits]
    if trace.current is not None:
        names.append("current_mA")
        columns.append(trace.current * 1e3)
    if trace.supply is not None:
        names.append("supply_V")
        columns.append(trace.supply)
    names += ["load_kgcm", "push", "horn_deg"]
    columns += [trace.load / KGF_CM, trace.push.astype(float), trace.horn / DEGREE]
    out.write(",".join(names) + "\n")
    for row in zip(*columns, strict=True):
        out.write(",".join("" if x != x else f"{x:.6g}" if abs(x) < 1e5 else f"{x:.2f}" for x in row) + "\n")
    write_text(path, out.getvalue())


def read_trace(path: Path, servo: str = "", mark: str = "") -> Trace:
    """Read a trace. `servo` and `mark` stand in where the file does not say its class and serial mark.

    Raises InputError naming file, line and column: unknown columns, wrong units, swapped columns, time that does
    not rise, too few or too slow samples.
    """
    lines = read_text(path).lstrip("\ufeff").splitlines()
    keys, start = _heading(path, lines)
    found, delimiter = _columns(path, lines, start)
    data, numbers = _rows(path, lines, start, found, delimiter)
    t = data["time"]
    _check_time(path, t, numbers, found["time"][0])
    keep = np.concatenate([[True], np.diff(t) > 0.0])
    data = {name: values[keep] for name, values in data.items()}
    numbers = numbers[keep]
    bits = _whole(path, keys, "wiper_bits", 10, 6, 24)
    reference = _number(path, keys, "reference_V", 5.0, 0.5, 30.0)
    _check_swapped(path, data["pulse"], data["wiper"], found["wiper"][0], bits)
    _check_pulse(path, data, numbers)
    wiper = _wiper(path, data["wiper"], numbers, found["wiper"][0], bits, reference)
    count = len(data["time"])
    blank = np.full(count, np.nan)
    current = data.get("current")
    if current is not None:
        current = _filled(current)
    supply = data.get("supply")
    stated = _number(path, keys, "supply_V", math.nan, 1.0, 60.0)
    if supply is not None:
        supply = _filled(supply)
    elif math.isfinite(stated):
        supply = np.full(count, stated)
    push = np.nan_to_num(data.get("push", blank))
    bad = np.nonzero(~np.isin(push, (-1.0, 0.0, 1.0)))[0]
    if len(bad):
        raise InputError(
            f"{push[bad[0]]:g} is no push",
            where=f"{path}:{numbers[bad[0]]}: push",
            expected="-1, 0 or 1: which way a hand pushes",
            next_step="a torque that is known belongs into load_kgcm",
        )
    counted = found["wiper"][0] == "wiper_counts"
    return Trace(
        mark=keys.get("serial_mark", "") or mark or path.stem,
        servo=keys.get("class", "") or servo,
        t=data["time"],
        pulse=np.nan_to_num(data["pulse"]),
        wiper=wiper,
        load=np.nan_to_num(data.get("load", blank)),
        push=push.astype(int),
        horn=data.get("horn", blank),
        current=current,
        supply=supply,
        bits=bits if counted else 16,
        reference=reference,
        averaged=_whole(path, keys, "averaged", 1, 1, 4096),
        invented=keys.get("invented", "").lower() == "true",
        date=keys.get("date", ""),
        sources=(str(path),),
    )


def _heading(path: Path, lines: list[str]) -> tuple[dict[str, str], int]:
    """The `# key: value` lines, and the index of the line with the columns' names."""
    keys: dict[str, str] = {}
    for number, line in enumerate(lines):
        if not line.startswith("#"):
            if line.strip():
                return keys, number
            continue
        name, colon, value = line[1:].partition(":")
        name = name.strip()
        if not colon or not re.fullmatch(r"[A-Za-z_]+", name):
            continue
        if name in _KEYS:
            keys[name] = value.strip()
        elif get_close_matches(name, _KEYS, n=1, cutoff=0.75):
            raise InputError(
                f'unknown key "{name}"',
                where=f"{path}:{number + 1}",
                available=_KEYS,
                asked=name,
                next_step="mend the name, or begin the line with `# note:`",
            )
    raise InputError(
        "there are no samples",
        where=str(path),
        expected="a line with the names of the columns, then a line per sample",
        next_step="docs/vetting.md describes the file",
    )


def _columns(path: Path, lines: list[str], start: int) -> tuple[dict[str, tuple[str, int]], str]:
    """Which column holds what: {"time": (name in the file, index), ...}, and what parts the cells."""
    header = lines[start]
    delimiter = max((",", ";", "\t"), key=header.count)
    names = [name.strip().strip('"') for name in header.split(delimiter)]
    known = [name for group in _COLUMNS.values() for name in group]
    found: dict[str, tuple[str, int]] = {}
    for index, name in enumerate(names):
        role = next((role for role, group in _COLUMNS.items() if name in group), None)
        if role is None:
            raise InputError(
                f'unknown column "{name}"',
                where=f"{path}:{start + 1}",
                available=known,
                asked=name,
                next_step="name each column with its unit as here, or take it out",
            )
        if role in found:
            raise InputError(
                f"{found[role][0]} and {name} say the same thing",
                where=f"{path}:{start + 1}",
                expected=f"one column of {role}",
                next_step="take one out",
            )
        found[role] = (name, index)
    for role in _NEEDED:
        if role not in found:
            raise InputError(
                f"no column of {role}",
                where=f"{path}:{start + 1}",
                expected="one of " + ", ".join(_COLUMNS[role]),
                available=names,
                next_step="add it, or mend its name",
            )
    return found, delimiter


def _rows(
    path: Path, lines: list[str], start: int, found: dict[str, tuple[str, int]], delimiter: str
) -> tuple[dict[str, Array], np.ndarray]:
    """All numbers in SI (wiper as written), blanks as NaN, and the line number of each row."""
    wanted = {role: index for role, (_, index) in found.items() if role != "part"}
    cells: dict[str, list[float]] = {role: [] for role in wanted}
    numbers: list[int] = []
    width = len(lines[start].split(delimiter))
    for number in range(start + 1, len(lines)):
        line = lines[number]
        if not line.strip() or line.startswith("#"):
            continue
        row = line.split(delimiter)
        if len(row) != width:
            raise InputError(
                counted(len(row), "cell"),
                where=f"{path}:{number + 1}",
                expected=f"{width}, one for each column",
                next_step="mend this row, or cut the file off before it",
            )
        for role, index in wanted.items():
            text = row[index].strip()
            try:
                value = float(text) if text else math.nan
                sound = value == value or not text or text.lower() == "nan"
            except ValueError:
                sound, value = False, math.nan
            if not sound or math.isinf(value) or (value != value and role in ("time", "wiper")):
                raise InputError(
                    f"{text!r} is not a number" if text else "there is no number here",
                    where=f"{path}:{number + 1}: {found[role][0]}",
                    expected="a number with a decimal point",
                    next_step="mend this cell, or take the row out"
                    + (
                        ""
                        if text or role != "wiper"
                        else "; if pulses are stopped here, pulse_us and wiper are swapped"
                    ),
                )
            cells[role].append(value)
        numbers.append(number + 1)
    if len(numbers) < _FEWEST_ROWS:
        raise InputError(
            f"{counted(len(numbers), 'sample is', 'samples are')} too few",
            where=str(path),
            expected=f"at least {_FEWEST_ROWS}, at 50 Hz or faster",
            next_step="record the whole sweep: handfast vet --plan CLASS prints it",
        )
    # The wiper stays as written until its unit has been checked.
    factors = {role: 1.0 if role == "wiper" else _COLUMNS[role][found[role][0]] for role in wanted}
    return {role: np.array(cells[role]) * factors[role] for role in wanted}, np.array(numbers)


def _check_time(path: Path, t: Array, numbers: np.ndarray, name: str) -> None:
    fall = np.nonzero(np.diff(t) < 0.0)[0]
    if len(fall):
        raise InputError(
            "time runs backwards",
            where=f"{path}:{numbers[fall[0] + 1]}: {name}",
            expected="rows in order of time",
            next_step="put the rows in order; if this column is no time, mend its name",
        )
    steps = np.diff(t)
    middle = float(np.median(steps[steps > 0.0])) if (steps > 0.0).any() else 0.0
    if not _FASTEST <= middle <= _SLOWEST:
        what = f"samples are {middle * 1e3:.3g} ms apart" if middle else "time stands still"
        raise InputError(
            what,
            where=f"{path}: {name}",
            expected="1 to 20 ms between samples (50 to 1000 Hz)",
            next_step="if the time is in another unit, name the column time_s, time_ms or time_us accordingly",
        )


def _check_pulse(path: Path, data: dict[str, Array], numbers: np.ndarray) -> None:
    pulse = np.nan_to_num(data["pulse"]) * 1e6
    bad = np.nonzero((pulse != 0.0) & ((pulse < 300.0) | (pulse > 3500.0)))[0]
    if not len(bad):
        return
    value = pulse[bad[0]]
    if len(bad) > 0.5 * np.count_nonzero(pulse) and np.abs(pulse).max() < 10.0:
        guess = "these look like milliseconds: multiply them by 1000"
    elif value > 3500.0:
        guess = "these look like timer ticks or nanoseconds: turn them into microseconds"
    else:
        guess = "if this column is not the pulse width, the columns are swapped: mend their names"
    raise InputError(
        f"{value:g} µs is no pulse of a servo",
        where=f"{path}:{numbers[bad[0]]}: pulse_us",
        expected="300 to 3500 µs; 0 or nothing where pulses are stopped",
        next_step=guess,
    )


def _wiper(path: Path, raw: Array, numbers: np.ndarray, name: str, bits: int, reference: float) -> Array:
    """The wiper as a share of the range."""
    low, high = float(raw.min()), float(raw.max())
    full = {"wiper_counts": 2.0**bits - 1.0, "wiper_mV": reference * 1e3, "wiper_V": reference}[name]
    volts = "these look like volts: name the column wiper_V"
    if name == "wiper_V" and high > 3.0 * reference:
        guess = "these look like millivolts or counts: name the column wiper_mV or wiper_counts"
    elif name != "wiper_V" and 0.0 < high <= 6.0 and low > -1.0 and float(np.ptp(raw)) > 0.05:
        raise InputError(f"the feedback never passes {high:g}", where=f"{path}: {name}", next_step=volts)
    elif name == "wiper_counts":
        needed = max(bits + 1, math.ceil(math.log2(high + 1.0))) if high > 0.0 else bits
        guess = f"say how many bits the input has (`# wiper_bits: {needed}` or more), or name the column wiper_mV"
    else:
        guess = "say the input's reference (`# reference_V: 3.3`)"
    spare = 1.02 if name != "wiper_counts" else 1.0 + 0.6 / full
    if low < -0.02 * full or high > full * spare:
        outside = int(np.count_nonzero((raw < -0.02 * full) | (raw > full * spare)))
        if low < -0.02 * full and name == "wiper_counts":
            guess = "an input counts from 0: write what it gave, with no offset taken off and no sign"
        elif low < -0.02 * full:
            guess = "an input shows nothing below 0 V: see to the ground of the feedback, or take no offset off"
        if outside < 0.01 * len(raw):
            rows = "this row alone is" if outside == 1 else f"{outside} of {len(raw)} rows are"
            guess = f"{rows} so: take out what was read wrongly. Else: {guess}"
        at = int(np.argmin(raw)) if low < -0.02 * full else int(np.argmax(raw))
        raise InputError(
            f"{raw[at]:g} lies outside the input's range",
            where=f"{path}:{numbers[at]}: {name}",
            expected=f"0 to {full:g}",
            next_step=guess,
        )
    scale = 2.0**bits if name == "wiper_counts" else full
    return np.asarray(raw / scale)


def _check_swapped(path: Path, pulse: Array, wiper: Array, name: str, bits: int) -> None:
    """A pulse is set and stands still; feedback trembles. The other way round the names are wrong.

    pulse s, wiper as written in its column `name`. Counts too large for the input that could be pulses in µs tell it,
    too, beside pulses that could be counts.
    """

    def trembles(x: Array) -> float:
        change = np.diff(np.nan_to_num(x))
        turned = np.sign(change[1:]) * np.sign(change[:-1]) < 0
        return float(np.mean(turned))

    seen = np.nan_to_num(pulse) * 1e6
    could_be_pulses = np.all((wiper == 0.0) | ((wiper >= 300.0) & (wiper <= 3500.0)))
    too_large = name == "wiper_counts" and bool(wiper.max() > 2.0**bits)
    could_be_counts = bool(seen.min() >= 0.0 and 0.0 < seen.max() < 2.0**bits)
    if too_large and could_be_pulses and could_be_counts and trembles(wiper) <= trembles(pulse):
        raise InputError(
            f"the feedback ({wiper[wiper > 0.0].min():g} to {wiper.max():g}) could be pulses in µs, "
            f"and the pulses ({seen.min():g} to {seen.max():g}) counts of the feedback",
            where=str(path),
            expected="pulses of 300 to 3500 µs that stand still or move steadily, and feedback that follows them",
            next_step=f"the columns pulse_us and {name} are swapped: exchange their names",
        )
    if trembles(pulse) > 0.15 and trembles(wiper) < 0.05:
        raise InputError(
            "the pulses tremble from sample to sample and the feedback does not",
            where=str(path),
            expected="pulses that stand still or move steadily, and feedback that follows them",
            next_step="the columns pulse_us and wiper_... are swapped: exchange their names",
        )


def _filled(x: Array) -> Array:
    """Blanks replaced by the last number before them (the first number, at the start)."""
    good = np.nonzero(np.isfinite(x))[0]
    if not len(good):
        return np.zeros_like(x)
    last = good[np.maximum(0, np.searchsorted(good, np.arange(len(x)), side="right") - 1)]
    return np.asarray(x[last])


def _number(path: Path, keys: dict[str, str], name: str, default: float, low: float, high: float) -> float:
    text = keys.get(name, "")
    if not text:
        return default
    try:
        value = float(text.split()[0])
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise InputError(
            f"{text!r} does not fit",
            where=f"{path}: # {name}",
            expected=f"a number from {low:g} to {high:g}",
            next_step="mend this line of the heading",
        )
    return value


def _whole(path: Path, keys: dict[str, str], name: str, default: int, low: int, high: int) -> int:
    value = _number(path, keys, name, default, low, high)
    if value != int(value):
        raise InputError(f"{value:g} is not a whole number", where=f"{path}: # {name}", expected="a whole number")
    return int(value)


def _same(one: Trace, other: Trace) -> bool:
    """Whether two traces are one recording: a wiper trembles, and never twice in the same way."""
    return all(
        np.array_equal(getattr(one, name), getattr(other, name)) for name in ("t", "pulse", "wiper", "load", "push")
    )


def joined(traces: Sequence[Trace]) -> Trace:
    """Traces of one servo as one, one after another with a pause of a second."""
    first = traces[0]
    if len(traces) == 1:
        return first
    for other in traces[1:]:
        if other.servo != first.servo:
            raise InputError(
                f"servo {first.mark} is a {first.servo} in one file and a {other.servo} in another",
                where=", ".join((*first.sources, *other.sources)),
                expected="one class for one serial mark",
                next_step="mend the heading of one file",
            )
        if (other.bits, other.reference, other.averaged) != (first.bits, first.reference, first.averaged):
            raise InputError(
                f"the files of servo {first.mark} were taken with different feedback inputs",
                where=", ".join((*first.sources, *other.sources)),
                expected="the same wiper_bits, reference_V and averaged in all files of a servo",
                next_step="vet them one by one, under different serial marks",
            )
    for number, trace in enumerate(traces):
        for other in traces[:number]:
            if _same(trace, other):
                raise InputError(
                    f"the same recording of servo {first.mark} twice: it would count double",
                    where=", ".join((*other.sources, *trace.sources)),
                    expected="recordings of their own where several files have one serial mark",
                    next_step="take one out",
                )
    starts = [0.0]
    for trace in traces[:-1]:
        starts.append(starts[-1] + float(trace.t[-1] - trace.t[0]) + 1.0)

    def each(name: str) -> Array | None:
        parts = [getattr(trace, name) for trace in traces]
        return None if any(part is None for part in parts) else np.concatenate(parts)

    return Trace(
        mark=first.mark,
        servo=first.servo,
        t=np.concatenate([trace.t - trace.t[0] + start for trace, start in zip(traces, starts, strict=True)]),
        pulse=np.concatenate([trace.pulse for trace in traces]),
        wiper=np.concatenate([trace.wiper for trace in traces]),
        load=np.concatenate([trace.load for trace in traces]),
        push=np.concatenate([trace.push for trace in traces]),
        horn=np.concatenate([trace.horn for trace in traces]),
        current=each("current"),
        supply=each("supply"),
        bits=first.bits,
        reference=first.reference,
        averaged=first.averaged,
        invented=any(trace.invented for trace in traces),
        date=traces[-1].date,
        sources=tuple(source for trace in traces for source in trace.sources),
    )
