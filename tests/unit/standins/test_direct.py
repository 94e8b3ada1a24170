"""A controller in memory: rounded pulses, averaged feedback, whole counts, and the stand-in's own lines."""

from __future__ import annotations

import numpy as np
import pytest

from handfast.errors import FaultError
from handfast.standins.direct import DirectBoard
from handfast.standins.servo_model import ServoArms
from handfast.standins.truth import draw_truth
from support import seedling


def board(seed: int = 1) -> tuple[DirectBoard, ServoArms]:
    """The seedling bench's controller in front of drawn arms at their resting pose."""
    bench = seedling.bench()
    arms = ServoArms(draw_truth(bench, seed), 12, seed, seedling.REST)
    return DirectBoard(bench, arms), arms


def test_a_frame_is_20_ms_and_counts_are_averages_of_whole_counts():
    """Eight readings of whole counts average to eighths."""
    direct, arms = board()
    frame = direct.frame(np.zeros(12))
    assert frame.time == pytest.approx(0.020)
    assert arms.time_us == 20000
    assert frame.counts * 8 == pytest.approx(np.round(frame.counts * 8))
    assert frame.current.shape == (2,)
    assert frame.supply == pytest.approx(6.0, abs=0.05)


def test_limp_arms_show_about_what_the_bench_says():
    """Offsets of ±5°, a bow of 3 % and noise on top of the design's feedback lines: within 12°."""
    from handfast.bench.lines import joint_angles

    direct, arms = board(3)
    angles = joint_angles(seedling.bench(), direct.frame(np.zeros(12)).counts[None])[0]
    assert np.abs(np.degrees(angles - arms.link_angles())).max() < 12.0


def test_pulses_are_sent_in_whole_steps():
    """0.2 µs more is the same pulse at steps of 0.5 µs; the same seed gives the same readings."""
    at = np.full(12, 1500e-6)
    one, other = board(2)[0], board(2)[0]
    for _ in range(5):
        a, b = one.frame(at), other.frame(at + 0.2e-6)
        assert np.array_equal(a.counts, b.counts)


def test_the_lines_of_a_stand_in_are_whole_numbers():
    """One millisecond: millivolts of 12 wipers, of the supply, milliamperes of both arms; nothing without the relay."""
    _, arms = board(4)
    wipers, supply, currents = arms.advance(0, [1500] * 12, relay=True)
    assert len(wipers) == 12
    assert all(isinstance(v, int) and 0 <= v <= 5000 for v in wipers)
    assert 5500 <= supply <= 6000
    assert all(isinstance(v, int) and v >= 0 for v in currents)
    assert arms.advance(1000, [1500] * 12, relay=False) == ([0] * 12, 0, (0, 0))
    assert arms.time_us == 2000


def test_the_truth_file_says_where_the_tips_are(tmp_path):
    """A heading, then a line per call: µs and six mm."""
    bench = seedling.bench()
    path = tmp_path / "deep" / "truth.txt"
    with ServoArms(draw_truth(bench, 1), 12, 1, seedling.REST, path) as arms:
        DirectBoard(bench, arms).frame(np.zeros(12))
        expected = arms.tool_positions().ravel() * 1e3
    heading, line = path.read_text().splitlines()
    assert heading.startswith("# t_us left_x_mm")
    assert [float(x) for x in line.split()] == pytest.approx([20000, *expected], abs=1e-4)


def test_a_truth_file_that_cannot_be_written_is_told(tmp_path):
    """A folder in its place: one message, before anything moves."""
    with pytest.raises(FaultError, match="the true positions cannot be written there"):
        ServoArms(draw_truth(seedling.bench(), 1), 12, 1, seedling.REST, tmp_path)
