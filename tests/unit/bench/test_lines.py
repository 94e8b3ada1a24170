"""Pulses and counts as angles, by lines and by measured tables."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from handfast.bench.lines import (
    FrameLines,
    angle_of,
    counts_of,
    joint_angles,
    joint_pulses,
    noise_angles,
    pulse_of,
    pulse_per_angle,
)
from support.benches import plain_bench

US = 1e-6
DEG = np.radians(1.0)


def test_a_line_of_pulses(tmp_path: Path):
    """1500 µs at zero, 11.1 µs per degree; clipped to what the servo takes."""
    bench = plain_bench(tmp_path)
    yaw = bench.arms.left.joints[0]
    servo = bench.servo_of(yaw)
    assert pulse_of(yaw, servo, np.array([0.0, 45 * DEG, 90 * DEG])) / US == pytest.approx([1500, 1999.5, 2499])
    assert pulse_of(yaw, servo, np.array([-2.0, 2.0])) / US == pytest.approx([500, 2500])
    assert pulse_per_angle(yaw, servo) == pytest.approx(11.1 * US / DEG)
    shoulder = bench.arms.left.joints[1]  # no slope of its own: 2000 µs over 180 degrees
    assert pulse_per_angle(shoulder, bench.servo_of(shoulder)) == pytest.approx(2000 * US / np.pi)


def test_a_table_of_pulses(tmp_path: Path):
    """Between its rows straight, beyond them no further."""
    bench = plain_bench(tmp_path)
    joint = dataclasses.replace(
        bench.arms.left.joints[0], pulse_rows=((-60 * DEG, 900 * US), (0.0, 1480 * US), (60 * DEG, 2100 * US))
    )
    servo = bench.servo_of(joint)
    assert pulse_of(joint, servo, np.array([-30 * DEG, 30 * DEG])) / US == pytest.approx([1190, 1790])
    assert pulse_of(joint, servo, np.array([-90 * DEG, 90 * DEG])) / US == pytest.approx([900, 2100])
    assert pulse_per_angle(joint, servo) == pytest.approx(1200 * US / (120 * DEG))


@pytest.mark.parametrize(
    "rows", [None, ((-90 * DEG, 270.0), (0.0, 520.0), (90 * DEG, 760.0)), ((-1.0, 800.0), (1.0, 200.0))]
)
def test_feedback_there_and_back(tmp_path: Path, rows):
    """A line, a table that rises and one that falls: counts of angles of counts."""
    joint = dataclasses.replace(plain_bench(tmp_path).arms.left.joints[0], wiper_rows=rows)
    angles = np.linspace(-0.9, 0.9, 7)
    assert angle_of(joint, counts_of(joint, angles)) == pytest.approx(angles, abs=1e-12)
    if rows is not None:
        assert counts_of(joint, np.array([rows[0][0]])) == pytest.approx([rows[0][1]])


@pytest.mark.parametrize("falls", [1.0, -1.0])
def test_feedback_past_the_ends_of_its_table(tmp_path: Path, falls: float):
    """It goes on straight, as an arm led past its travel does: one count per degree more, three at the other end."""
    rows = ((-30 * DEG, 500 - falls * 30.0), (0.0, 500.0), (40 * DEG, 500 + falls * 120.0))
    bench = plain_bench(tmp_path)
    yaw = dataclasses.replace(bench.arms.left.joints[0], wiper_rows=rows)
    past = np.array([-45.0, -30.0, 40.0, 55.0]) * DEG
    shown = 500 + falls * np.array([-45.0, -30.0, 120.0, 165.0])
    assert counts_of(yaw, past) == pytest.approx(shown)
    assert angle_of(yaw, shown) == pytest.approx(past)
    left = dataclasses.replace(bench.arms.left, joints=(yaw, *bench.arms.left.joints[1:]))
    frames = FrameLines(dataclasses.replace(bench, arms=dataclasses.replace(bench.arms, left=left)))
    counts = np.full(12, 512.0)
    for angle, count in zip(past, shown, strict=True):
        counts[yaw.channel] = count
        assert frames.angles(counts, np.ones(10))[0] == pytest.approx(angle)


def test_all_joints_at_once(tmp_path: Path):
    """Each from its own channel; grippers by the gap between their pads; 0 on channels without a servo."""
    bench = plain_bench(tmp_path, ("channels = 12", "channels = 16"))
    counts = np.full((2, 16), 512.0)
    counts[1, 6] += 2.7 * 10  # the right yaw, ten degrees on
    q = joint_angles(bench, counts)
    assert q.shape == (2, 10)
    assert (q[1] - q[0]) / DEG == pytest.approx([0, 0, 0, 0, 0, 10, 0, 0, 0, 0], abs=1e-9)
    pulses = joint_pulses(bench, np.zeros((1, 10)), np.array([[0.0, 0.056]]))
    assert pulses[0, 1] / US == pytest.approx(1250)
    assert pulses[0, 5] / US == pytest.approx(1500 - 40 * 2000 / 180)  # shut at -40 degrees
    assert pulses[0, 11] / US == pytest.approx(1500 + 40 * 2000 / 180)
    assert pulses[0, 12:] == pytest.approx(np.zeros(4))


def test_noise_of_an_averaged_reading(tmp_path: Path):
    """Two counts at 2.7 counts per degree, eight readings averaged."""
    assert noise_angles(plain_bench(tmp_path))[0] / DEG == pytest.approx(2 / 2.7 / np.sqrt(8))
