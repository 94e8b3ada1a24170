"""Corrected commands: the link, not the feedback, comes back to where it was taught."""

from __future__ import annotations

import dataclasses
from functools import cache

import numpy as np
import pytest

from handfast.correction.correct import UNDECIDED, approach_ways, as_corrected, correct, uncorrected
from handfast.landing.flank import holding_torques, taught_offsets
from handfast.landing.predict import land, played_offsets
from handfast.mechanics.dynamics import gravity_torques
from handfast.motion.plan import plan
from handfast.motion.taught_poses import taught_poses
from handfast.routine.steps import Step, Taught
from support import seedling

DEGREE = np.pi / 180.0


@cache
def reaching():
    """Left arm folded, then reached out level, then half folded; led upwards against gravity, held."""
    steps = [seedling.go("left", *pose) for pose in ((0, -15, 75, 60, 0), (20, 60, 25, 10, 15), (-10, 30, 60, 40, -20))]
    steps = [s.with_taught("left", dataclasses.replace(s.left, arrived="- - - - -")) for s in steps]
    routine = seedling.routine_of(*steps)
    return routine, correct(seedling.model(), routine)


def test_a_level_joint_is_asked_higher_by_lead_and_drop():
    """By hand for the shoulder: taught lead b/2 + c·limp upwards, played drop b/2 + c·tau - windup downwards."""
    model = seedling.model()
    routine, correction = reaching()
    taught, command = (np.array(x) for x in (routine.steps[1].left.pose, correction.routine.steps[1].left.command))
    b, c = model.unseen_play[1], model.compliance[1]
    tau = holding_torques(model, np.append(command, seedling.REST[5:]), np.zeros((1, 2)), np.zeros((1, 2, 3)))[0, 1]
    assert tau < -5 * model.friction[1]  # lifting is negative about +y
    lead = -(b / 2 + c * model.limp_friction[1])
    # The shoulder was driven downwards (from -15° to 60°): the windup of its friction bends the other way, and stays so
    # through the trims in four of five cases (0.6 on average).
    drop = b / 2 - c * tau - 0.6 * c * model.friction[1]
    assert command[1] - taught[1] == pytest.approx(lead - drop, abs=1e-6)
    assert np.degrees(command[1] - taught[1]) < -0.9


def test_corrected_links_stand_where_they_were_taught():
    """The predicted miss of every corrected pose is gone: what the fixed point leaves is far below a micrometre."""
    model = seedling.model()
    _, correction = reaching()
    poses = as_corrected(model, taught_poses(model, correction.motion))
    for landing in land(model, poses, "trimmed"):
        assert np.linalg.norm(landing.miss) < 1e-6
        # What is not known about it stays.
        assert landing.sigma > 5e-4


def test_taught_poses_never_change():
    """Neither poses nor how they were held; a second correction gives the same commands."""
    routine, correction = reaching()
    again = correct(seedling.model(), correction.routine).routine
    for a, b, c in zip(routine.steps, correction.routine.steps, again.steps, strict=True):
        assert (a.left.pose, a.left.held, a.left.arrived) == (b.left.pose, b.left.held, b.left.arrived)
        assert b.left.command == pytest.approx(c.left.command, abs=1e-12)
    assert uncorrected(correction.routine) == routine


def test_commands_stay_inside_the_travel_unless_the_pose_itself_does_not():
    """A pose at a stop cannot be commanded beyond it; one taught beyond stays where it was taught."""
    model = seedling.model()
    stop = np.degrees(model.chain.travel[1, 1])
    # A yaw led to its stop from inside leads there by more than the motor's trail makes up: a command beyond it.
    yaw = np.degrees(model.chain.travel[0, 1])
    for at, most in ((yaw, yaw), (yaw + 2.0, yaw + 2.0), (yaw - 0.3, yaw)):
        routine = seedling.routine_of(seedling.go("left", 0, -15, 75, 60, 0), seedling.go("left", at, -15, 75, 60, 0))
        command = correct(model, routine).routine.steps[1].left.command
        assert np.degrees(command[0]) == pytest.approx(most, abs=1e-9)
    for at in (stop, stop + 2.0):
        routine = seedling.routine_of(seedling.go("left", 0, -15, 75, 60, 0), seedling.go("left", 0, at, 20, 10, 0))
        command = correct(model, routine).routine.steps[1].left.command
        assert np.degrees(command[1]) <= at + 1e-9


def test_undecided_joints_come_from_one_side_for_target_and_run_alike():
    """Yaw and roll, which nothing loads: on from the pose before; the run's creeps are the targets' assumption."""
    model = seedling.model()
    routine, correction = reaching()
    motion = plan(model, routine)
    ways = approach_ways(model, taught_poses(model, motion))
    tau = holding_torques(model, motion.q[[a.sample for a in motion.arrivals]], np.zeros((3, 2)), np.zeros((3, 2, 3)))
    assert np.array_equal(ways[:, :5] != 0, np.abs(tau[:, :5]) < UNDECIDED * model.friction[:5])
    assert ways[:, 0].tolist() == [1.0, 1.0, -1.0]  # first; 0° to 20°; 20° to -10°
    assert ways[:, 4].tolist() == [1.0, 1.0, -1.0]
    for n, arrival in enumerate(correction.motion.arrivals):
        assert correction.approach[arrival.sample][:5].tolist() == ways[n, :5].tolist()
    # The target of an unloaded yaw: taught lead against a trail behind that very way.
    b, c = model.unseen_play[0], model.compliance[0]
    lead = -(b / 2 + c * model.limp_friction[0])
    trail = -ways[1, 0] * (b / 2 + c * model.friction[0])
    yaw = correction.routine.steps[1].left.command[0] - routine.steps[1].left.pose[0]
    assert yaw == pytest.approx(lead - trail, abs=2e-5)


@pytest.mark.parametrize(("times", "steered"), [(0.9, True), (1.3, True), (1.55, True), (1.7, False)])
def test_a_joint_is_steered_up_to_one_and_six_tenths_of_its_friction(times, steered):
    """The shoulder, loaded by so many times the friction of its joint: up to 1.6 nobody is sure of its flank."""
    model = seedling.model()
    poses = taught_poses(model, plan(model, seedling.routine_of(seedling.go("left", 0, 40, 40, 20, 0))))
    load = abs(gravity_torques(model.chain, poses.taught)[0, 1])
    friction = model.friction.copy()
    friction[1] = load / times
    ways = approach_ways(dataclasses.replace(model, friction=friction), poses)
    assert (ways[0, 1] != 0) == steered


@pytest.mark.parametrize("seed", range(4))
def test_on_random_routines_creeps_and_targets_agree(seed):
    """Whatever the poses: what the run does at a pose is what its target took for granted."""
    model = seedling.model()
    rng = np.random.default_rng(seed)
    travel = np.degrees(model.chain.travel)
    steps = []
    for _ in range(5):
        side, part = (("left", slice(0, 5)), ("right", slice(5, 10)))[rng.integers(2)]
        low, high = travel[part, 0], travel[part, 1]
        steps.append(seedling.go(side, *(low + rng.uniform(0.2, 0.8, 5) * (high - low))))
    routine = seedling.routine_of(*steps)
    correction = correct(model, routine)
    poses = as_corrected(model, taught_poses(model, correction.motion))
    taught = taught_offsets(model, poses.taught, poses.arrived, poses.held, poses.loads, poses.load_offsets)
    played = played_offsets(model, poses, poses.target)
    for n, arrival in enumerate(correction.motion.arrivals):
        part = model.bench.columns(arrival.side)
        gap = (poses.target + played.mean - poses.taught - taught.mean)[n, part]
        # A joint whose load is as large as its friction may sit on either side of the choice in the last round.
        unsure = (
            np.abs(
                np.abs(holding_torques(model, poses.target, poses.loads, poses.load_offsets)[n, part])
                - model.friction[part]
            )
            < 0.05 * model.friction[part]
        )
        assert np.all((np.abs(gap) < 1e-4) | unsure)


def test_a_stroke_is_corrected_row_by_row_and_softly():
    """Commands for every row, no leap between two of them, first row corrected like a pose at rest."""
    model = seedling.model()
    s = np.linspace(0, 1, 60)
    rows = np.radians(np.column_stack([40 * np.sin(4 * s), 40 + 10 * s, 50 - 10 * s, 30 + 0 * s, 10 * s]))
    taught = Taught(held="held", path=tuple(map(tuple, rows)), times=tuple(4 * s), arrived="+ + - 0 0")
    routine = seedling.routine_of(Step(do="stroke").with_taught("left", taught))
    correction = correct(model, routine)
    commands = np.array(correction.routine.steps[0].left.path_command)
    assert commands.shape == rows.shape
    assert correction.routine.steps[0].left.path == taught.path
    shift = np.degrees(commands - rows)
    assert np.abs(shift).max() > 0.3
    # The play of 0.9° and a lead as large, over a window of some six rows.
    assert np.abs(np.diff(shift, axis=0)).max() < 1.0
    assert uncorrected(correction.routine) == routine
