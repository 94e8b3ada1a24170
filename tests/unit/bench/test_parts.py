"""What the parts of a bench work out from their figures."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import pytest

from handfast.bench.folder import read_stock
from handfast.bench.parts import Bench, Wire
from handfast.files.document import Document
from handfast.files.fields import read_table, specs_of, table_of
from support.benches import PLAIN_BENCH, plain_bench


def test_figures_of_a_servo_class():
    """Worked by hand from the sheet: 9 g class, 6 V, 1.8 kgf·cm, 0.10 s/60°, 0.8 A, dead band 10 µs, 20 ms."""
    servo = next(s for s in read_stock(PLAIN_BENCH / "stock.toml") if s.name == "nine-gram")
    torque, speed = 1.8 * 0.0980665, (math.pi / 3) / 0.10
    assert servo.winding_resistance == pytest.approx(6.0 / 0.8)
    assert servo.reflected_inertia == pytest.approx(0.020 * torque / speed)
    assert servo.pulse_slope == pytest.approx(2000e-6 / math.pi)  # 500 to 2500 µs over 180 degrees
    assert servo.dead_band_angle == pytest.approx(math.radians(10 * 180 / 2000))


def test_a_lead_has_two_wires_and_connectors():
    """18 AWG, 0.8 m: 2 x 0.8 x 20.948 mΩ (wire table, rounded to five digits) and 10 mΩ of connectors."""
    wire = Wire(gauge=18, length=0.8, connectors=0.01, fuse=7.5)
    assert wire.resistance == pytest.approx(1.6 * 0.020948 + 0.01, rel=1e-4)


def test_play_of_a_joint_or_of_its_servo(tmp_path: Path):
    """A joint's own figure wins over that of its servo class."""
    bench = plain_bench(tmp_path)
    shoulder = bench.arms.left.joints[1]
    assert bench.seen_play_of(shoulder) == pytest.approx(math.radians(0.4))  # class high-torque
    own = dataclasses.replace(shoulder, seen_play=0.02)
    assert bench.seen_play_of(own) == 0.02


def test_a_bench_is_written_as_it_was_read(tmp_path: Path):
    """`table_of` and `read_table` are each other's inverse, to six written digits."""
    bench = plain_bench(tmp_path)
    written = table_of(bench)
    again = read_table(Bench, written, Document(Path("again"), written), (), stock=bench.stock)
    assert table_of(again) == written
    assert again.joint_names == bench.joint_names
    assert [j.offset for j in again.joints] == [pytest.approx(j.offset, rel=1e-5) for j in bench.joints]


def parts_of(cls: type) -> list[type]:
    """A class and all classes of the tables in it."""
    found = [cls]
    for _, spec, _ in specs_of(cls).values():
        if spec.of is not None:
            found += parts_of(spec.of)
    return found


@pytest.mark.parametrize("cls", sorted(set(parts_of(Bench)), key=lambda c: c.__name__), ids=lambda c: c.__name__)
def test_every_field_says_why_and_fits_its_own_range(cls: type):
    """Each number of the bench has a reason, and a default that it would accept itself."""
    for item in dataclasses.fields(cls):
        spec = item.metadata["spec"]
        if spec is None:
            continue
        assert spec.why, f"{cls.__name__}.{item.name}"
        if spec.kind in ("number", "whole", "vector") and isinstance(item.default, (int, float, tuple)):
            values = item.default if isinstance(item.default, tuple) else (item.default,)
            for value in values:
                shown = spec.unit.from_si(value)
                assert spec.low - 1e-9 <= shown <= spec.high + 1e-9, f"{cls.__name__}.{item.name} = {shown}"
