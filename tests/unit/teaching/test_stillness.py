"""Where led arms were held still, which way each joint moved last, and how far it sank."""

from __future__ import annotations

import numpy as np
import pytest

from handfast.bench.lines import noise_angles
from handfast.routine.steps import LIKELY, Taught, arrived_text
from handfast.teaching.stillness import filtered, last_motion, still_poses
from support import seedling
from support.recordings import DT, Led

HOME = [0, -15, 75, 60, 0] * 2


def poses(led: Led, side="left"):
    """Still poses of one arm."""
    recording = led.recording()
    return still_poses(recording, seedling.bench(), side, filtered(recording, seedling.bench()))


def test_a_pose_is_where_and_when_the_arm_was_held():
    """Moved for a second, held for two: the pose spans the holding, and its angles are those held."""
    led = Led(HOME).hold(1.0).move({0: 20, 1: 10}).hold(2.0).move({0: 0})
    first, second = poses(led)[:2]
    assert (first.start, first.side) == (0.0, "left")
    # 1 s of rest, 1 s of motion whose last samples hardly move.
    assert second.start == pytest.approx(2.0, abs=0.2)
    assert second.end == pytest.approx(4.0, abs=0.2)
    # The filter reaches two samples into the next motion, whose first ones hardly move.
    assert np.degrees(second.q) == pytest.approx([20, 10, 75, 60, 0], abs=1e-3)


def test_a_slow_departure_does_not_draw_the_pose_along():
    """20° away in 4 s: most of a second passes until the arm has left the spread of a still one."""
    led = Led(HOME).hold(1.0).move({0: 20}).hold(2.0).move({0: 40}, 4.0)
    pose = poses(led)[1]
    assert np.degrees(pose.q[0]) == pytest.approx(20, abs=0.05)
    assert pose.end == pytest.approx(4.0, abs=0.4)


@pytest.mark.parametrize(("still", "found"), [(0.5, 1), (1.2, 2)])
def test_a_short_halt_is_no_pose(still, found):
    """0.8 s of stillness are needed; the resting start is the other one."""
    led = Led(HOME).hold(1.0).move({0: 20}).hold(still).move({0: 40}, 0.4)
    led.move({0: 60}, 0.1)
    assert len(poses(led)) == found


def test_the_other_arm_does_not_matter():
    """Left waves about while right is held: one long pose of the right arm, none of the left in between."""
    led = Led(HOME).hold(1.0).move({5: 30}).hold(0.5).move({0: 30}).move({0: 0}).hold(2.0)
    assert len(poses(led, "right")) == 2
    right = poses(led, "right")[1]
    assert right.end - right.start == pytest.approx(4.5, abs=0.3)
    assert len(poses(led)) == 1 + 1 - 1  # back within the arming distance of where it began: the same pose


def test_a_new_pose_needs_three_degrees_of_motion():
    """2° away is the same pose held again, 4° away is another one."""
    for by, count in ((2.0, 2), (4.0, 3)):
        led = Led(HOME).hold(1.0).move({0: 20}).hold(1.5).move({0: 20 + 10}, 0.5).move({0: 20 + by}, 0.5).hold(1.5)
        assert len(poses(led)) == count, by


def test_the_way_of_the_last_motion_of_every_joint():
    """Up, down, not at all, up and a little back: what counts is the last motion that was clear."""
    led = Led(HOME).hold(1.0).move({0: 20, 1: -30, 3: 80}).move({3: 78}, 0.4).hold(1.5)
    pose = poses(led)[-1]
    # The first motion of the elbow and roll never came.
    assert pose.arrived.tolist() == [1, -1, 0, -1, 0]


def test_a_motion_below_half_a_degree_tells_nothing_against_an_older_clear_one():
    """0.3° back after 20° up: still up."""
    led = Led(HOME).hold(1.0).move({0: 20}).move({0: 19.7}, 0.3).hold(1.5)
    assert poses(led)[-1].arrived[0] == 1


def test_sinking_after_letting_go_is_seen():
    """The shoulder sinks by 0.5° within the pose, nothing else does; the pose is taken after it."""
    led = Led(HOME).hold(1.0).move({1: 40}).hold(2.4, sink={1: 0.5})
    pose = poses(led)[-1]
    # The last of the motion upwards by 55° in a second, which the noise hides, counts too.
    assert np.degrees(pose.sag) == pytest.approx([0, 0.5, 0, 0, 0], abs=0.05)
    # The mean may take in the end of the sinking as long as the noise hides it: 0.2° / sqrt(6) samples.
    assert np.degrees(pose.q[1]) == pytest.approx(40.5, abs=0.08)


def test_noise_and_wild_samples_make_no_motion():
    """2 counts of noise (0.7°, averaged over 8 readings 0.26°) and single samples gone astray."""
    led = Led(HOME, noise=2 / np.sqrt(8)).hold(1.0).move({0: 20, 1: 10}).hold(2.0).move({0: 0}).hold(1.5)
    recording = led.recording()
    for n in range(30, len(recording.t), 37):
        recording.counts[n, n % 10] += 200
    found = still_poses(recording, seedling.bench(), "left", filtered(recording, seedling.bench()))
    assert len(found) == 3
    # Half a second of 0.26° noise, filtered over 5: 25 samples worth about 5, so 0.26°/√25 = 0.05°, five times that.
    assert np.degrees(found[1].q) == pytest.approx([20, 10, 75, 60, 0], abs=0.26)
    assert found[1].arrived[:2].tolist() == [1, 1]
    noise = noise_angles(seedling.bench())[:5]
    assert np.all(found[1].spread >= noise / np.sqrt(5) * 0.99)


def test_nothing_is_found_in_a_recording_shorter_than_a_pose():
    """25 samples of 20 ms are half a second."""
    assert poses(Led(HOME).hold(0.5)) == []


def test_before_any_motion_the_way_is_not_known():
    """A short step of less than two noise widths is none; a longer mean shows one of two."""
    noise = np.full(1, np.radians(0.3))
    still = np.full((50, 1), 0.1)
    assert last_motion(still, noise).tolist() == [0]
    assert last_motion(np.concatenate([still, still[:10] + np.radians(0.4)]), noise).tolist() == [0]
    assert last_motion(np.concatenate([still, still + np.radians(0.6)]), noise).tolist() == [1]
    assert last_motion(np.concatenate([still, still + np.radians(0.25)]), noise).tolist() == [0]
    assert last_motion(np.concatenate([still, still - np.radians(2.0)]), noise).tolist() == [-1]


def test_a_joint_that_stood_still_while_the_others_went_on_is_in_doubt():
    """Led on by the shoulder alone: how the yaw came to its place is known from before, and less surely now."""
    led = Led(HOME).hold(1.0).move({0: 20, 1: 10}).hold(2.0).move({1: 30}).hold(2.0).move({0: 0})
    first, second = poses(led)[1:3]
    assert first.arrived[:2].tolist() == [1.0, 1.0]
    assert second.arrived[:2].tolist() == [LIKELY, 1.0]
    assert arrived_text(second.arrived[:2]) == "+? +"
    assert Taught(pose=(0.0, 0.0, 0.0), arrived="+? - 0").arrivals == (LIKELY, -1.0, 0.0)


def test_samples_are_20_ms_apart():
    """The made-up recordings are as those of the stand-in."""
    assert np.diff(Led(HOME).hold(0.1).recording().t) == pytest.approx(DT)


@pytest.mark.parametrize(("seconds", "samples"), [(1.2, 37), (2.0, 75), (6.0, 120)])
def test_a_pose_is_averaged_over_as_long_as_it_stood(seconds, samples):
    """Over 40 poses of 0.26° noise the mean errs by the noise over the root of the samples in it: all but 0.45 s of
    the stillness, and 2.5 s at most. Every fiftieth sample has gone astray by 200 counts and changes nothing."""
    noise = 2 / np.sqrt(8)
    off = []
    for seed in range(10):
        led = Led(HOME, noise=noise, seed=seed).hold(1.0)
        for k in range(4):
            led.move({0: 20 - 10 * (k % 2)}).hold(seconds)
        recording = led.recording()
        recording.counts[25::50] += 200
        found = still_poses(recording, seedling.bench(), "left", filtered(recording, seedling.bench()))
        off += [p.q - np.radians([20 - 10 * (k % 2), -15, 75, 60, 0]) for k, p in enumerate(found[1:])]
    assert len(off) == 40
    each = noise / np.array([abs(j.wiper_slope) for j in seedling.bench().joints[:5]])
    assert np.std(off, axis=0) == pytest.approx(each / np.sqrt(samples), rel=0.35)
