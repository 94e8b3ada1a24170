"""What is foreseen of a run: its stops, the sides on which links rest, and the jumps on the way."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from handfast.correction.correct import approach_ways, approaches
from handfast.motion.as_played import STOP_SHORT, as_played, jumps, setting_out
from handfast.motion.laid_down import DT
from handfast.motion.plan import plan
from handfast.motion.taught_poses import taught_poses
from support import seedling

DEGREE = np.pi / 180.0


def swing(pace: float = 0.2):
    """The left shoulder swings its stretched arm over the top."""
    model = seedling.model()
    steps = [seedling.go("left", 0, a, 0, 0, 0) for a in (-40, 40)]
    return model, plan(model, seedling.routine_of(*steps, pace=pace))


def test_every_sample_is_played_and_stops_take_time():
    """In order, none left out; at both poses the arm stands for its reading and its trims, some 2 s in all."""
    model, motion = swing()
    played = as_played(model, motion)
    assert np.array_equal(np.unique(played.sample), np.arange(len(motion.t)))
    assert np.all(np.diff(played.sample) >= 0)
    stops = [a.sample for a in motion.arrivals]
    assert sorted(played.rests) == sorted(stops)
    for stop in stops:
        assert np.count_nonzero(played.sample == stop) * DT > 1.5
        assert played.sample[played.rests[stop]] == stop


def test_a_jump_is_told_where_a_load_changes_sides():
    """Over the top its load changes sign, and the TCP jumps through the play."""
    model, motion = swing()
    found = [j for j in jumps(model, motion, as_played(model, motion)) if j.joint == "shoulder"]
    assert len(found) == 1
    assert found[0].side == "left"
    # Play of 0.9° at a lever of 105 + 98 + 40 + 80 = 323 mm.
    assert found[0].size == pytest.approx(0.323 * 0.9 * DEGREE, rel=1e-3)
    at = motion.q[np.argmin(np.abs(motion.t - found[0].time)), 1] / DEGREE
    # Friction and inertia shift the change a little from the very top: 2 % of 17 kg·cm over 0.6 kg·cm per degree.
    assert abs(at) < 25
    assert found[0].sure


def test_a_link_without_play_never_jumps():
    """Nothing to go over."""
    model, motion = swing()
    tight = dataclasses.replace(model, unseen_play=np.zeros(10))
    assert jumps(tight, motion, as_played(tight, motion)) == []


def test_joints_that_come_home_from_a_known_side_trail_on_it():
    """The yaw, which nothing loads, is brought home upwards, then downwards: its link rests below, then above."""
    model = seedling.model()
    steps = [seedling.go("left", yaw, 30, 60, 40, 0) for yaw in (-20, 15, -10, 25)]
    motion = plan(model, seedling.routine_of(*steps))
    for way in (1.0, -1.0):
        ways = {a.sample: way * np.eye(10)[0] for a in motion.arrivals}
        played = as_played(model, motion, ways)
        for end in played.rests.values():
            assert played.side[end, 0] == pytest.approx(-way, abs=0.2)


def test_before_its_first_motion_a_link_is_where_stirring_left_it():
    """The roll of the wrist is never moved: it trails the last swing, upwards; a jump of it would not be sure."""
    model, motion = swing()
    poses = taught_poses(model, motion)
    assert poses.trails[:, 4].tolist() == [1.0, 1.0]
    # Untrimmed, they are not stirred, but come to their start upwards all the same, and stop half a dead band short.
    assert poses.arrives[:, 4].tolist() == [1.0, 1.0]
    assert poses.moved[0, 4] == 1.0
    friction = (model.limp_friction + model.friction)[4] * model.full_drive[4] / model.stall[4]
    short = max(friction * model.rated_voltage[4] / model.bench.supply.voltage, model.dead_band[4] / 2)
    assert poses.lacking[0, 4] == pytest.approx(short, rel=0.05)
    assert not as_played(model, motion).sure[4]


def test_ways_are_those_that_a_correction_asks_for():
    """`approaches` gathers what the arrivals at one stop ask for, and leaves the other arm alone."""
    model = seedling.model()
    steps = [seedling.go("left", 10, 30, 60, 40, 0), seedling.go("left", -5, 30, 60, 40, 0)]
    motion = plan(model, seedling.routine_of(*steps, seedling.go("right", 5, 30, 60, 40, 0)))
    asked = approach_ways(model, taught_poses(model, motion))
    ways = approaches(motion, asked, model)
    assert sorted(ways) == sorted({a.sample for a in motion.arrivals})
    for arrival, row in zip(motion.arrivals, asked, strict=True):
        part = model.bench.columns(arrival.side)
        assert row[part.start] != 0
        assert ways[arrival.sample][part] == pytest.approx(row[part])
    alone = ways[motion.arrivals[1].sample]
    assert not alone[5:].any()


def test_setting_out_is_the_last_sample_at_rest():
    """An arm that stands for a while before its next stop sets out where it begins to move."""
    model, motion = swing()
    first, second = (a.sample for a in motion.arrivals)
    begun = setting_out(motion, first, second, np.eye(10)[1])
    assert first <= begun < second
    assert np.abs(motion.q[int(begun)] - motion.q[first]).max() < 1e-9
    assert np.abs(motion.q[int(begun) + 2] - motion.q[first]).max() > 1e-9
    assert setting_out(motion, second, second, np.eye(10)[1]) == second
    assert STOP_SHORT > model.unseen_play.max()
