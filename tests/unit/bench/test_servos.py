"""A fitted servo's own tables come along with its serial mark."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from handfast.bench.folder import BenchFolder, read_bench
from handfast.bench.lines import angle_of, counts_of, pulse_of
from handfast.bench.new import new_bench
from handfast.bench.servos import ServoRecord, Vetting, read_record, record_path
from handfast.errors import InputError
from handfast.fitting.keep import record_text
from handfast.units import DEGREE


def fitted(tmp_path: Path, vetting: Vetting, mark: str = "A07", name: str = "standard-metal") -> BenchFolder:
    """A seedling bench whose left elbow is servo A07, with that vetting."""
    folder = new_bench(tmp_path / "b")
    text = folder.file.read_text()
    head, tail = text.split('name = "elbow"', 1)
    folder.file.write_text(f'{head}name = "elbow"\nserial_mark = "{mark}"{tail}')
    folder.servos.mkdir(parents=True)
    (folder.servos / "A07.toml").write_text(record_text(ServoRecord(mark="A07", servo_name=name, vettings=(vetting,))))
    return folder


def bent(angles_from: str = "protractor") -> Vetting:
    """Feedback 0.3 to 0.7 of the range over ±90°, bent in the middle; 11 µs per degree instead of 11.1."""
    a = (-90 * DEGREE, 0.0, 90 * DEGREE)
    pulses = tuple((x, 1500e-6 + x / DEGREE * 11.0e-6) for x in a) if angles_from == "protractor" else None
    feedback = ((a[0], 0.30), (a[1], 0.52), (a[2], 0.70))
    return Vetting(date="2026-01-02", verdict="accept", angles_from=angles_from, feedback=feedback, pulses=pulses)


def test_tables_come_along(tmp_path: Path) -> None:
    """The elbow's zero is at 1000 µs: by this servo's table 45.45° below its middle (500 µs / 11 µs per degree)."""
    bench = read_bench(fitted(tmp_path, bent()))
    joint = bench.arms.left.joints[2]
    servo = bench.servo_of(joint)
    assert pulse_of(joint, servo, np.array([0.0]))[0] == pytest.approx(1000e-6)
    assert pulse_of(joint, servo, np.array([45.0 * DEGREE]))[0] == pytest.approx(1495e-6)
    # Joint angle 45.45° is the servo's middle, where the feedback stands at 0.52 of 1024.
    assert counts_of(joint, np.array([500 / 11 * DEGREE]))[0] == pytest.approx(0.52 * 1024)
    assert angle_of(joint, np.array([0.52 * 1024]))[0] == pytest.approx(500 / 11 * DEGREE)


def test_a_rig_does_not_tell_how_a_servo_sits_on_its_joint(tmp_path: Path) -> None:
    """Tables from the rig are used, but neither zero nor pulses count as measured until they are, in place."""
    folder = fitted(tmp_path, bent())
    joint = read_bench(folder).arms.left.joints[2]
    assert joint.wiper_rows is not None
    assert joint.pulse_rows is not None
    assert not joint.wiper_measured
    assert not joint.pulses_measured
    folder.measured.write_text(
        '[[value]]\nof = "left elbow"\nkey = "wiper_table"\nvalue = [[-90, 270], [90, 760]]\n'
        'date = 2026-01-03\nsource = "test"\n'
    )
    joint = read_bench(folder).arms.left.joints[2]
    assert joint.wiper_measured
    assert not joint.pulses_measured


def test_without_a_protractor_only_the_feedback_comes_along(tmp_path: Path) -> None:
    """Angles that stand for pulses say nothing new about pulses: the design's line stays."""
    bench = read_bench(fitted(tmp_path, bent("pulse")))
    joint = bench.arms.left.joints[2]
    assert joint.pulse_rows is None
    # 1500 µs is joint angle 45° on the class's line of 11.11 µs per degree.
    assert counts_of(joint, np.array([45.0 * DEGREE]))[0] == pytest.approx(0.52 * 1024)


def test_beyond_its_ends_a_table_goes_on(tmp_path: Path) -> None:
    """Ten degrees beyond the last reading the feedback goes on by the last slope, 0.18/90° of the range."""
    joint = read_bench(fitted(tmp_path, bent("pulse"))).arms.left.joints[2]
    assert counts_of(joint, np.array([145.0 * DEGREE]))[0] == pytest.approx((0.70 + 0.18 / 9) * 1024)


def test_measured_still_wins(tmp_path: Path) -> None:
    """A line measured in place is not hidden by the table from the bench vice."""
    folder = fitted(tmp_path, bent())
    folder.measured.write_text(
        '[[value]]\nof = "left elbow"\nkey = "wiper_at_zero_counts"\nvalue = 300\ndate = 2026-01-03\nsource = "test"\n'
    )
    joint = read_bench(folder).arms.left.joints[2]
    assert joint.wiper_rows is None
    assert joint.wiper_at_zero == 300
    assert joint.pulse_rows is not None


def test_a_servo_of_another_class_is_refused(tmp_path: Path) -> None:
    """A mark vetted as another class is a mistake in one of the two places; the message names both."""
    folder = fitted(tmp_path, bent(), name="mini-metal")
    with pytest.raises(InputError, match="vetted as mini-metal, but is fitted as standard-metal"):
        read_bench(folder)


def test_a_mark_that_was_never_vetted_changes_nothing(tmp_path: Path) -> None:
    """A serial mark alone is no measurement."""
    folder = fitted(tmp_path, bent(), mark="Z99")
    assert read_bench(folder).arms.left.joints[2].wiper_rows is None


def test_file_of_a_servo_is_read_again(tmp_path: Path) -> None:
    """A record survives its file, six digits long."""
    record = ServoRecord(mark="A07", servo_name="standard-metal", vettings=(bent(), replace(bent(), verdict="watch")))
    (tmp_path / "A07.toml").write_text(record_text(record))
    again = read_record(tmp_path / "A07.toml")
    assert again.last is not None
    assert again.last.verdict == "watch"
    assert np.array(again.last.feedback) == pytest.approx(np.array(bent().feedback), abs=1e-5)


def test_marks_that_are_no_file_names_are_refused(tmp_path: Path) -> None:
    """A mark must not lead out of the folder."""
    with pytest.raises(InputError, match="serial mark"):
        record_path(tmp_path, "../x")
