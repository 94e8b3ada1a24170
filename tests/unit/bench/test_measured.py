"""Measured values in place of the design's."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from handfast.bench.folder import BenchFolder, read_bench
from handfast.bench.measured import (
    aside_text,
    measured_text,
    next_batch,
    quantities,
    read_measured,
    source_of,
    without_last_batch,
)
from handfast.errors import InputError
from support.benches import lay_down

REST = 'date = 2026-11-25\nsource = "ruler"\n'


def measure(folder: BenchFolder, *entries: tuple[str, str, str]) -> None:
    """Write measured.toml with entries (of, key, value)."""
    folder.measured.write_text(
        "".join(f'[[value]]\nof = "{of}"\nkey = "{key}"\nvalue = {value}\n{REST}' for of, key, value in entries)
    )


def refusal(tmp_path: Path, text: str) -> list[str]:
    """The lines of the message with which a measured.toml is refused."""
    folder = lay_down(tmp_path)
    folder.measured.write_text(text)
    with pytest.raises(InputError) as caught:
        read_bench(folder)
    return str(caught.value).replace(f"{tmp_path}/", "").splitlines()


def entry(of: str = "left elbow", key: str = "unseen_play_deg", value: str = "0.8", more: str = "") -> str:
    """One entry as text."""
    return f'[[value]]\nof = "{of}"\nkey = "{key}"\nvalue = {value}\n{REST}{more}'


def test_measured_values_override_the_design(tmp_path: Path):
    """A joint, a gripper, a base, a wire, the supply and a thing, each in the unit of its key."""
    folder = lay_down(tmp_path)
    measure(
        folder,
        ("left elbow", "unseen_play_deg", "0.83"),
        ("right gripper", "tcp_mm", "[1, 2, 81]"),
        ("right base", "base_mm", "[230, 1, 0]"),
        ("left wire", "length_m", "1.2"),
        ("supply", "voltage_V", "5.9"),
        ("thing plug-pot", "mass_g", "52"),
        ("left yaw", "wiper_table", "[[-90, 270], [90, 760]]"),
    )
    bench = read_bench(folder)
    assert bench.arms.left.joints[2].unseen_play == pytest.approx(math.radians(0.83))
    assert bench.arms.right.gripper.tcp == pytest.approx((0.001, 0.002, 0.081))
    assert bench.arms.right.base == pytest.approx((0.23, 0.001, 0.0))
    assert bench.arms.left.wire.length == 1.2
    assert bench.supply.voltage == 5.9
    assert bench.thing("plug-pot").mass == pytest.approx(0.052)
    assert bench.arms.left.joints[0].wiper_rows == ((-math.pi / 2, 270.0), (math.pi / 2, 760.0))
    assert read_bench(folder, measured=False).supply.voltage == 6.0


@pytest.mark.parametrize(("known", "tells"), [("", True), ("known = true\n", True), ("known = false\n", False)])
def test_a_table_that_the_readings_hardly_moved_counts_as_not_measured(tmp_path: Path, known: str, tells: bool):
    """It is used, as the best that there is, but nobody may rely on it; a table of the design's own counts."""
    folder = lay_down(tmp_path)
    tables = [("wiper_table", "[[-90, 270], [90, 760]]"), ("pulse_table", "[[-90, 600], [90, 2400]]")]
    folder.measured.write_text("".join(entry("left yaw", key, value, known) for key, value in tables))
    yaw, shoulder, *_ = read_bench(folder).arms.left.joints
    assert yaw.wiper_rows == ((-math.pi / 2, 270.0), (math.pi / 2, 760.0))
    assert (yaw.wiper_measured, yaw.pulses_measured) == (tells, tells)
    assert (shoulder.wiper_measured, shoulder.pulses_measured) == (False, False)


def test_later_values_win(tmp_path: Path):
    """So taking the last one out undoes it."""
    folder = lay_down(tmp_path)
    measure(folder, ("supply", "voltage_V", "5.9"), ("supply", "voltage_V", "5.7"))
    assert read_bench(folder).supply.voltage == 5.7
    measure(folder, ("supply", "voltage_V", "5.9"))
    assert read_bench(folder).supply.voltage == 5.9


def test_every_quantity_takes_a_value(tmp_path: Path):
    """Whatever `quantities` lists can be measured (the ambient only where the bench describes it)."""
    keys = {"gripper": "mass_g", "base": "base_yaw_deg", "wire": "length_m"}
    folder = lay_down(tmp_path, ("[supply]", "[ambient]\ntemperature_C = 20\n[supply]"))
    bench = read_bench(folder)
    for of in quantities(bench):
        key = keys.get(of.split()[-1], "mass_g")
        key = {"supply": "limit_A", "ambient": "temperature_C"}.get(of, key)
        measure(folder, (of, key, "1"))
        assert read_bench(folder) != bench, of


def test_what_is_kept_of_an_entry(tmp_path: Path):
    """Uncertainty, date as text, source and batch."""
    path = tmp_path / "measured.toml"
    path.write_text(entry(more='uncertainty = 0.1\nbatch = "b1"\n') + entry())
    first, second = read_measured(path)
    assert (first.of, first.key, first.value, first.uncertainty) == ("left elbow", "unseen_play_deg", 0.8, 0.1)
    assert (first.date, first.source, first.batch, first.index) == ("2026-11-25", "ruler", "b1", 0)
    assert (second.uncertainty, second.batch, second.index) == (None, "", 1)


@pytest.mark.parametrize(
    ("text", "start"),
    [
        ("[[values]]\n", "measured.toml:1: values: unknown key"),
        ("[value]\n", "measured.toml:1: value: is not a list"),
        ("value = [1]\n", "measured.toml:1: value.1: is not a table"),
        (entry() + entry(more="unit = 'mm'\n"), "measured.toml:13: value.2.unit: unknown key"),
        (entry() + '[[value]]\nof = "supply"\n', "measured.toml:7: value.2: key is missing"),
        (entry(more="uncertainty = -1\n"), "measured.toml:7: value.1.uncertainty: -1 does not fit"),
        (entry(more="uncertainty = true\n"), "measured.toml:7: value.1.uncertainty: true does not fit"),
        (entry(more='known = "no"\n'), 'measured.toml:7: value.1.known: "no" does not fit'),
        (entry(value="nan"), "measured.toml:4: value.1.value: nan is not a number to work with"),
        (entry(value="31"), "measured.toml:4: value.1.value: 31 is out of range"),
        (entry(value='"much"'), 'measured.toml:4: value.1.value: "much" does not fit'),
        (entry(of="left elbw"), 'measured.toml:2: value.1.of: the bench has no "left elbw"'),
        (entry(of="elbow"), 'measured.toml:2: value.1.of: the bench has no "elbow"'),
        (entry(of="thing pot"), 'measured.toml:2: value.1.of: the bench has no "thing pot"'),
        (entry(of="ambient"), 'measured.toml:2: value.1.of: the bench has no "ambient"'),
        (entry(key="play"), 'measured.toml:3: value.1.key: "left elbow" has no play'),
        (entry(of="left base", key="joint", value="[]"), 'measured.toml:3: value.1.key: "left base" has no joint'),
    ],
)
def test_an_entry_that_does_not_fit_is_refused(tmp_path: Path, text: str, start: str):
    """File, line, key, and what to do."""
    message = refusal(tmp_path, text)
    assert message[0].startswith(start)
    assert message[-1].startswith("  next: ")


def test_the_nearest_quantity_is_named(tmp_path: Path):
    """And so is the nearest key."""
    assert "(nearest: left elbow)" in "\n".join(refusal(tmp_path, entry(of="left elbw")))
    assert "(nearest: unseen_play_deg)" in "\n".join(refusal(tmp_path, entry(key="unseen_play")))


@pytest.mark.parametrize(
    ("of", "key", "value", "said"),
    [
        ("left elbow", "travel_deg", "[20, -20]", "the travel is empty"),
        ("left elbow", "channel", "0", "channel 0 is already taken by the left yaw"),
        ("left elbow", "servo", '"none"', 'no servo class "none" in stock.toml'),
    ],
)
def test_measured_values_must_leave_a_bench_that_fits(tmp_path: Path, of: str, key: str, value: str, said: str):
    """A value that is fine by itself may clash with the rest of the bench."""
    message = refusal(tmp_path, entry(of=of, key=key, value=value))
    assert message[0] == "measured.toml: with these measured values the bench no longer fits together"
    assert said in message[1]
    assert message[-1] == "  next: take out the entry that does not fit"


def test_a_measured_zero_may_shorten_the_travel(tmp_path: Path):
    """A servo found mounted 10 degrees off gets less far one way; that is no reason to refuse its bench."""
    folder = lay_down(tmp_path)
    measure(folder, ("left roll", "pulse_at_zero_us", "1611"))
    assert read_bench(folder).arms.left.joints[4].pulse_at_zero == pytest.approx(1611e-6)


def test_what_was_set_aside_counts_no_more_until_it_is_measured_anew(tmp_path: Path):
    """The design's figure holds again, other keys stay; a later value counts; taking that batch out brings it back."""
    folder = lay_down(tmp_path)
    measure(folder, ("left elbow", "unseen_play_deg", "0.8"), ("left elbow", "compliance_deg_per_Nm", "2.5"))
    before = folder.measured.read_text()
    design = read_bench(folder, measured=False).arms.left.joints[2]
    batch = next_batch(before, "2026-11-26", "fit")
    assert batch == "2026-11-26 fit 2"
    folder.measured.write_text(
        aside_text(before, [("left elbow", "unseen_play_deg")], "2026-11-26", "another servo", batch)
    )
    joint = read_bench(folder).arms.left.joints[2]
    assert (joint.unseen_play, joint.compliance) == (design.unseen_play, pytest.approx(math.radians(2.5)))
    assert [e.key for e in read_measured(folder.measured)] == ["compliance_deg_per_Nm"]
    assert source_of(folder.measured.read_text(), batch) == "another servo"
    assert next_batch(folder.measured.read_text(), "2026-11-26", "calibrate") == "2026-11-26 calibrate 3"
    more = measured_text(
        folder.measured.read_text(), [("left elbow", "unseen_play_deg", 0.3, None, True)], "2026-11-27", "post", "b"
    )
    assert without_last_batch(without_last_batch(more)[0]) == (before, batch)
    folder.measured.write_text(more)
    assert read_bench(folder).arms.left.joints[2].unseen_play == pytest.approx(math.radians(0.3))


@pytest.mark.parametrize(
    ("more", "says"), [("value = 1\nset_aside = true\n", "together"), ("set_aside = 3\n", "3 does")]
)
def test_what_is_set_aside_has_no_value(tmp_path: Path, more: str, says: str):
    """Both, or something else than true: refused with its place."""
    message = refusal(tmp_path, f'[[value]]\nof = "left elbow"\nkey = "unseen_play_deg"\n{REST}{more}')
    assert says in message[0]
    assert message[-1] == "  next: take one of them out"


def test_values_are_added_and_taken_out_again(tmp_path: Path):
    """A batch at the end, comments kept; without it the text is as it was. Nothing to take out says so."""
    folder = lay_down(tmp_path)
    before = "# by hand\n" + entry() + "\n"
    text = measured_text(before, [("supply", "voltage_V", 5.8, 0.05, True)], "2026-11-26", "meter", "b2")
    folder.measured.write_text(text)
    assert text.startswith("# by hand")
    last = read_measured(folder.measured)[-1]
    assert (last.of, last.value, last.uncertainty, last.date, last.batch) == ("supply", 5.8, 0.05, "2026-11-26", "b2")
    assert read_bench(folder).supply.voltage == 5.8
    left, batch = without_last_batch(text)
    assert batch == "b2"
    folder.measured.write_text(left)
    assert len(read_measured(folder.measured)) == 1
    assert read_bench(folder).supply.voltage == 6.0
    empty, _ = without_last_batch(left)
    folder.measured.write_text(empty)
    assert read_measured(folder.measured) == ()
    assert without_last_batch(empty)[1] == ""
