"""What feedback and links do behind a moving target, against figures worked by hand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from handfast.landing.follow import DAMPED, FALL, MEMORY, crossings, follow
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


NONE = np.zeros(10)


def level(like: np.ndarray, value: float) -> np.ndarray:
    """The same (N, 10) figures all along."""
    return np.full((len(like), 10), value)


def test_the_feedback_trails_by_friction_and_speed():
    """On a long ramp: dead time·w, and the error whose drive overcomes friction, counter-voltage and damping:
    full drive·(friction/stall + w/free speed) + damping·w."""
    model = seedling.model()
    w, rotor = 0.5, model.rotor[0]
    t, one = ramp_and_back(w, 3.0)
    found = follow(model, DT, targets(one, 0), level(t, 0.0), level(t, 0.0))
    volts = model.bench.supply.voltage / model.rated_voltage[0]
    dead_time = model.bench.servo_of(model.bench.joints[0]).dead_time
    damping = 2 * DAMPED * np.sqrt(rotor * model.full_drive[0] / model.stall[0])
    damping = max(damping - model.full_drive[0] / model.free_speed[0], 0.0)
    friction = model.limp_friction[0] + model.friction[0]
    need = model.full_drive[0] * (friction / model.stall[0] / volts + w / model.free_speed[0] / volts) + damping * w
    lag = w * dead_time + max(need, model.dead_band[0] / 2.0)
    n = round(2.5 / DT)
    # A sample of 10 ms more or less is w·DT.
    assert one[n] - found.feedback[n, 0] == pytest.approx(lag, abs=1.01 * w * DT)


def test_an_unloaded_link_crosses_its_play_after_the_turn():
    """Towards the end of the way out the link trails by half the play; on the way back it comes to trail on the other
    side once the feedback has turned and run through the play: that is the one crossing."""
    model = seedling.model()
    t, one = ramp_and_back(0.4, 2.0)
    found = follow(model, DT, targets(one, 0), level(t, 0.0), level(t, 0.0), start=np.ones(10))
    b = model.unseen_play[0]
    assert found.slack[round(1.9 / DT), 0] == pytest.approx(-b / 2)
    assert found.slack[-1, 0] == pytest.approx(b / 2)
    times = [time for time, joint, _ in crossings(t, found.slack, model.unseen_play) if joint == 0]
    turned = np.argmax(found.feedback[:, 0])
    after = turned + np.argmax(found.feedback[turned:, 0] < found.feedback[turned, 0] - 0.85 * b)
    assert len(times) == 2  # the first one at the start, where it had been led to the other side
    assert times[1] == pytest.approx(t[after], abs=1.5 * DT)


def test_a_loaded_link_lies_on_the_far_side_of_its_load_whatever_the_motion():
    """The servo pushes up, the link rests on the low side; when the load changes sign it crosses within 20 ms, and
    what it takes to be felt."""
    model = seedling.model()
    t, one = ramp_and_back(0.4, 1.0)
    load = level(t, 0.0)
    load[:, 1] = 3.0 * model.friction[1]
    over = len(t) // 2
    load[over:, 1] *= -1.0
    start = NONE.copy()
    start[1] = -1.0
    found = follow(model, DT, targets(one, 1), load, level(t, 0.0), start)
    half = model.unseen_play[1] / 2
    assert found.slack[over - 5, 1] == pytest.approx(-half)
    assert found.slack[-1, 1] == pytest.approx(half)
    crossed = [n for _, joint, n in crossings(t, found.slack, model.unseen_play) if joint == 1]
    assert len(crossed) == 1
    delay = round(model.bench.servo_of(model.bench.joints[1]).dead_time / DT)
    assert over <= crossed[0] <= over + delay + round((FALL + 2 * MEMORY) / DT) + 1


def test_a_link_that_is_braked_harder_than_by_its_friction_runs_ahead():
    """A heavy link on a joint of hardly any friction goes over to the leading side where a fast motion stops; with
    the bench's friction and next to no inertia it goes on trailing."""
    model = seedling.model()
    t = np.arange(0.0, 2.0, DT)
    one = np.minimum(3.0 * t, 2.0)
    volts = model.bench.supply.voltage
    assert 3.0 < 0.9 * model.free_speed[0] * volts / model.rated_voltage[0]
    easy = dataclasses.replace(model, friction=0.02 * model.friction)
    ahead = follow(easy, DT, targets(one, 0), level(t, 0.0), level(t, 5e-3))
    behind = follow(model, DT, targets(one, 0), level(t, 0.0), level(t, 1e-6))
    moving = round(0.4 / DT)
    half = model.unseen_play[0] / 2
    assert [f.slack[moving, 0] < -0.5 * half for f in (ahead, behind)] == [True, True]
    assert ahead.slack[-1, 0] == pytest.approx(half, rel=0.05)
    assert behind.slack[-1, 0] == pytest.approx(-half, rel=0.05)


def test_a_trim_takes_up_what_the_feedback_lacks():
    """A step to 10 degrees stops short by what friction holds; trimmed some times, the feedback is there."""
    model = seedling.model()
    t = np.arange(0.0, 4.0, DT)
    one = np.minimum(0.5 * t, 10.0 * DEGREE)
    trim = np.zeros((len(t), 10), dtype=bool)
    trim[[150, 200, 250, 300]] = True
    plain = follow(model, DT, targets(one, 0), level(t, 0.0), level(t, 1e-3))
    trimmed = follow(model, DT, targets(one, 0), level(t, 0.0), level(t, 1e-3), trim=trim)
    assert 10.0 * DEGREE - plain.feedback[-1, 0] > 0.2 * DEGREE
    assert trimmed.feedback[-1, 0] == pytest.approx(10.0 * DEGREE, abs=0.03 * DEGREE)


def test_a_still_arm_stays_where_it_is():
    """No motion and no load: nothing moves, and no play at all is no crossing."""
    model = dataclasses.replace(seedling.model(), unseen_play=np.zeros(10))
    t = np.arange(0.0, 1.0, DT)
    found = follow(model, DT, level(t, 0.0), level(t, 0.0), level(t, 1e-3))
    assert not found.feedback.any()
    assert crossings(t, found.slack, model.unseen_play) == []
