"""What feedback and links do behind a moving target, against figures worked by hand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from handfast.landing.follow import crossings, follow
from support import seedling

DEGREE = np.pi / 180.0
DT = 0.01


def ramp_and_back(speed: float, seconds: float) -> tuple[np.ndarray, np.ndarray]:
    """Times (N,) s and one triangular target (N,) rad, 0 to speed·seconds and back to 0."""
    t = np.arange(0.0, 2.0 * seconds + DT / 2, DT)
    return t, np.minimum(speed * t, speed * (2.0 * seconds - t))


def targets(one: np.ndarray, joint: int) -> np.ndarray:
    """All ten joints still but one."""
    q = np.zeros((len(one), 10))
    q[:, joint] = one
    return q


def test_the_feedback_trails_by_friction_and_speed():
    """On a long ramp: dead time·w + gear friction/gain (or half the dead band) + w·full drive/free speed."""
    model = seedling.model()
    w = 0.5
    t, one = ramp_and_back(w, 3.0)
    found = follow(model, t, targets(one, 0), np.zeros((len(t), 10)))
    volts = model.bench.supply.voltage / model.rated_voltage[0]
    gain = model.stall[0] * volts / model.full_drive[0]
    dead_time = model.bench.servo_of(model.bench.joints[0]).dead_time
    stands = max(model.limp_friction[0] / gain, model.dead_band[0] / 2.0)
    lag = w * (dead_time + model.full_drive[0] / model.free_speed[0] / volts) + stands
    n = round(2.5 / DT)
    # A sample of 10 ms more or less is w·DT.
    assert one[n] - found.feedback[n, 0] == pytest.approx(lag, abs=1.01 * w * DT)


def test_an_unloaded_link_crosses_its_play_after_the_turn():
    """Towards the end of the way out the link trails by half the play; on the way back it comes to trail on the other
    side once the feedback has turned and run through the play: that is the one crossing."""
    model = seedling.model()
    t, one = ramp_and_back(0.4, 2.0)
    found = follow(model, t, targets(one, 0), np.zeros((len(t), 10)), start=np.ones(10))
    b = model.unseen_play[0]
    assert found.slack[round(1.9 / DT), 0] == pytest.approx(-b / 2)
    assert found.slack[-1, 0] == pytest.approx(b / 2)
    times = [time for time, joint, _ in crossings(t, found.slack, model.unseen_play) if joint == 0]
    turned = np.argmax(found.feedback[:, 0])
    after = turned + np.argmax(found.feedback[turned:, 0] < found.feedback[turned, 0] - 0.85 * b)
    assert len(times) == 2  # the first one at the start, where it had been led to the other side
    assert times[1] == pytest.approx(t[after], abs=1.5 * DT)


def test_a_loaded_link_lies_on_the_far_side_of_its_load_whatever_the_motion():
    """The servo pushes up, the link rests on the low side; when the load changes sign it crosses within 20 ms."""
    model = seedling.model()
    t, one = ramp_and_back(0.4, 1.0)
    load = np.zeros((len(t), 10))
    load[:, 1] = 3.0 * model.friction[1]
    over = len(t) // 2
    load[over:, 1] *= -1.0
    found = follow(model, t, targets(one, 1), load)
    half = model.unseen_play[1] / 2
    assert found.slack[over - 5, 1] == pytest.approx(-half)
    assert found.slack[-1, 1] == pytest.approx(half)
    delay = round(model.bench.servo_of(model.bench.joints[1]).dead_time / DT)
    crossed = [n for _, joint, n in crossings(t, found.slack, model.unseen_play) if joint == 1]
    assert len(crossed) == 1
    assert over + delay <= crossed[0] <= over + delay + 3


def test_a_still_arm_stays_where_it_is():
    """No motion and no load: nothing moves, and no play at all is no crossing."""
    model = dataclasses.replace(seedling.model(), unseen_play=np.zeros(10))
    t = np.arange(0.0, 1.0, DT)
    found = follow(model, t, np.zeros((len(t), 10)), np.zeros((len(t), 10)))
    assert not found.feedback.any()
    assert crossings(t, found.slack, model.unseen_play) == []
