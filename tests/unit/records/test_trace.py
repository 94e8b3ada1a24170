"""Sweeps as files: what is read, and what is refused with which words."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from handfast.errors import InputError
from handfast.records.trace import Trace, joined, read_trace, write_trace
from handfast.units import DEGREE

HEAD = "# serial_mark: A07\n# class: standard-metal\n"
COLUMNS = "time_ms,pulse_us,wiper_counts"


def rows(count: int = 600, dt: float = 10.0) -> list[list[float]]:
    """Rows of a servo that follows a pulse of two values, with trembling feedback."""
    rng = np.random.default_rng(1)
    found = []
    for k in range(count):
        pulse = 1400.0 if (k // 100) % 2 else 1600.0
        found.append([k * dt, pulse, round(500 + (pulse - 1500) / 4 + rng.normal())])
    return found


def written(path: Path, table: list[list[float]], columns: str = COLUMNS, head: str = HEAD) -> Path:
    """The rows as a file."""
    lines = [",".join(x if isinstance(x, str) else f"{x:g}" for x in row) for row in table]
    path.write_text(head + columns + "\n" + "\n".join(lines) + "\n")
    return path


def test_columns_are_found_by_name_and_unit(tmp_path: Path) -> None:
    """Any order, seconds, millivolts and amperes: all become SI, the wiper a share of the range."""
    table = [[r[2] * 5000 / 1024, r[0] / 1e3, r[1], 0.25, -2.0] for r in rows()]
    trace = read_trace(written(tmp_path / "a.csv", table, "wiper_mV,time_s,pulse_us,current_A,load_kgcm"))
    assert trace.mark == "A07"
    assert trace.servo == "standard-metal"
    assert trace.t[1] == pytest.approx(0.01)
    assert trace.pulse[0] == pytest.approx(1600e-6)
    assert trace.wiper[:3] == pytest.approx([r[2] / 1024 for r in rows()[:3]], rel=1e-5)  # %g prints six digits
    assert trace.current is not None
    assert trace.current[0] == 0.25
    assert trace.load[0] == pytest.approx(-2.0 * 0.0980665)  # 1 kgf·cm by definition


def test_bits_scale_the_counts(tmp_path: Path) -> None:
    """Counts of a 12-bit input are a quarter of what they would be of a 10-bit one."""
    path = written(tmp_path / "a.csv", rows(), head=HEAD + "# wiper_bits: 12\n")
    assert read_trace(path).wiper[0] == pytest.approx(rows()[0][2] / 4096)


def test_written_is_read_again(tmp_path: Path) -> None:
    """A trace survives its file: counts exactly, blanks as blanks."""
    t = np.arange(600) / 100.0
    horn = np.full(600, np.nan)
    horn[300] = 12.5 * DEGREE
    pulse = np.where(t < 3, 1500e-6, 0.0)
    trace = Trace(
        "B1", "mini-metal", t, pulse, np.round(400 + 9 * np.sin(t)) / 1024, np.full(600, 0.01), np.ones(600, int), horn
    )
    write_trace(tmp_path / "b.csv", trace)
    again = read_trace(tmp_path / "b.csv")
    assert again.t == pytest.approx(trace.t, abs=1e-6)
    assert np.array_equal(again.wiper, trace.wiper)
    assert again.pulse == pytest.approx(trace.pulse)
    assert np.nansum(again.horn) == pytest.approx(12.5 * DEGREE)
    assert (again.push == 1).all()


def test_files_of_one_servo_are_joined(tmp_path: Path) -> None:
    """Time goes on after a pause; a servo of two classes is refused."""
    one = read_trace(written(tmp_path / "a.csv", rows()))
    again = [[t, pulse, wiper + k % 2] for k, (t, pulse, wiper) in enumerate(rows())]
    two = read_trace(written(tmp_path / "b.csv", again))
    both = joined([one, two])
    assert len(both.t) == 1200
    assert (np.diff(both.t) > 0).all()
    other = read_trace(written(tmp_path / "c.csv", rows(), head="# serial_mark: A07\n# class: nine-gram\n"))
    with pytest.raises(InputError, match="nine-gram"):
        joined([one, other])
    copy = read_trace(written(tmp_path / "d.csv", rows()))
    with pytest.raises(InputError, match=r"a\.csv, .*d\.csv: the same recording of servo A07 twice") as error:
        joined([one, two, copy])
    assert "next: take one out" in str(error.value)


def _scaled(column: int, factor: float) -> Callable[[list[list[float]]], list[list[float]]]:
    return lambda table: [[x * factor if k == column else x for k, x in enumerate(row)] for row in table]


BAD: dict[str, tuple[Callable[[list[list[float]]], list[list[float]]], str, str]] = {
    "pulses in ms": (_scaled(1, 1e-3), COLUMNS, "look like milliseconds"),
    "pulses in ticks": (_scaled(1, 16.0), COLUMNS, "ticks or nanoseconds"),
    "seconds as ms": (_scaled(0, 1e-3), COLUMNS, "time_s, time_ms or time_us"),
    "volts as counts": (_scaled(2, 5 / 1024), COLUMNS, "wiper_V"),
    "millivolts as counts": (_scaled(2, 5000 / 1024), COLUMNS, "wiper_bits"),
    "columns swapped": (lambda t: t, "time_ms,wiper_counts,pulse_us", "wiper_counts are swapped"),
    "time backwards": (lambda t: t[::-1], COLUMNS, "backwards"),
    "too few samples": (lambda t: t[:40], COLUMNS, "too few"),
    "too slow": (_scaled(0, 10.0), COLUMNS, "apart"),
    "unknown column": (lambda t: t, "time_ms,pulse_us,wiper_count", "wiper_counts"),
    "no pulse column": (lambda t: t, "time_ms,current_mA,wiper_counts", "no column of pulse"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_files_are_refused(name: str, tmp_path: Path) -> None:
    """Each kind of bad file has one message that names the file and what to mend."""
    spoil, columns, words = BAD[name]
    path = written(tmp_path / "bad.csv", spoil(rows()), columns)
    with pytest.raises(InputError, match=words) as error:
        read_trace(path)
    assert str(path) in str(error.value)
    assert "next:" in str(error.value)


def test_what_lies_outside_the_input_says_why(tmp_path: Path) -> None:
    """Counts below 0 have an offset off, more counts than the input has want more bits, one row was read wrongly."""
    below = [[r[0], r[1], r[2] - 700] for r in rows()]
    with pytest.raises(InputError, match=r"-\d+ lies outside.*\n.*\n.*counts from 0: write what it gave") as error:
        read_trace(written(tmp_path / "a.csv", below))
    assert "bits" not in str(error.value)
    volts = written(tmp_path / "b.csv", below, "time_ms,pulse_us,wiper_mV")
    with pytest.raises(InputError, match="nothing below 0 V"):
        read_trace(volts)
    above = [[r[0], r[1], r[2] + 3000] for r in rows()]
    with pytest.raises(InputError, match="`# wiper_bits: 12` or more"):
        read_trace(written(tmp_path / "c.csv", above))
    one = [list(r) for r in rows()]
    one[30][2] = -40
    with pytest.raises(InputError, match=r":\d+: wiper_counts: -40 lies outside.*\n.*\n.*this row alone is so"):
        read_trace(written(tmp_path / "d.csv", one))


@pytest.mark.parametrize("still", [False, True])
def test_swapped_columns_are_named(tmp_path: Path, still: bool) -> None:
    """Whether or not the feedback trembles, whatever its counts are, and where pulses are stopped."""
    rng = np.random.default_rng(4)
    for low in (350, 120):
        table = [[r[0], r[1], round(low + (r[1] - 1000) / 3 + (0 if still else 2 * rng.normal()))] for r in rows()]
        with pytest.raises(InputError, match="are swapped"):
            read_trace(written(tmp_path / "a.csv", table, "time_ms,wiper_counts,pulse_us"))
    blank = [[r[0], "" if 300 < r[0] < 500 else r[1], r[2]] for r in rows()]
    with pytest.raises(InputError, match=r"there is no number here.*\n.*\n.*are swapped"):
        read_trace(written(tmp_path / "b.csv", blank, "time_ms,wiper_counts,pulse_us"))


def test_swapped_columns_that_look_like_both(tmp_path: Path) -> None:
    """Feedback of a finer input may look like pulses; then it is the trembling that tells."""
    rng = np.random.default_rng(2)
    table = [[r[0], r[1], round(1500 + (r[1] - 1500) / 2 + 6 * rng.normal())] for r in rows()]
    path = written(tmp_path / "a.csv", table, "time_ms,wiper_counts,pulse_us", HEAD + "# wiper_bits: 12\n")
    with pytest.raises(InputError, match="swapped"):
        read_trace(path)


def test_a_mistyped_heading_is_not_passed_over(tmp_path: Path) -> None:
    """`wiper_bit` would quietly leave 10 bits; it is refused, and the right name said."""
    path = written(tmp_path / "a.csv", rows(), head=HEAD + "# wiper_bit: 12\n")
    with pytest.raises(InputError, match="wiper_bits"):
        read_trace(path)


def test_a_bad_cell_is_named(tmp_path: Path) -> None:
    """A word where a number should be: file, line and column."""
    path = written(tmp_path / "a.csv", rows())
    text = path.read_text().splitlines()
    text[20] = "170,x,400"
    path.write_text("\n".join(text))
    with pytest.raises(InputError, match=r"a\.csv:21: pulse_us"):
        read_trace(path)
