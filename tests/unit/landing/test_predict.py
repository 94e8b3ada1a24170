"""Predicted landings on the seedling bench, each figure worked out again from kinematics and a torque by hand."""

from __future__ import annotations

import dataclasses
from functools import cache

import numpy as np
import pytest

from handfast.bench.measured import Measured
from handfast.files.document import parse_document
from handfast.landing.predict import TRIM_LEFT, land
from handfast.landing.spread import COMPLIANCE_SHARE, FRICTION_SHARE, PLAY_SHARE, PULSE_LINE, spread_of
from handfast.mechanics.dynamics import gravity_torques
from handfast.mechanics.kinematics import places, tool_poses
from handfast.motion.plan import plan
from handfast.motion.taught_poses import taught_poses
from support import seedling

DEGREE = np.pi / 180.0


@cache
def reached_out(held: str = "held", arrived: str = "- - - - -"):
    """One pose of the left arm, reached out level and led upwards (negative about +y) against gravity."""
    model = seedling.model()
    rest = seedling.go("left", 0, -15, 75, 60, 0)
    step = seedling.go("left", 20, 60, 25, 10, 15)
    taught = dataclasses.replace(step.left, held=held, arrived=arrived, spread=None)
    routine = seedling.routine_of(rest, step.with_taught("left", taught))
    return model, taught_poses(model, plan(model, routine))


def test_a_trimmed_landing_is_taught_lead_against_played_flank():
    """Held and led upwards, played loaded: each link goes from +lead to its loaded flank; the TCP follows."""
    model, poses = reached_out()
    landing = land(model, poses, "trimmed")[1]
    tau = gravity_torques(model.chain, poses.taught[1])[0]
    b, c = model.unseen_play, model.compliance
    lead = b / 2 + c * model.limp_friction
    loaded = np.abs(tau) > model.friction
    # The motion from the folded pose moves yaw, shoulder and roll up, elbow and wrist down. Under load the last trim
    # goes on that way in four of five cases, so 0.6 of it is left on average.
    way = np.sign(poses.taught[1] - poses.taught[0]) * np.where(loaded, 0.6, 1.0)
    drop = np.where(loaded, -np.sign(tau), -way) * b / 2 - c * tau - c * model.friction * way
    before = tool_poses(model.chain, poses.taught[1] - lead)[0, 0, :3, 3]
    after = tool_poses(model.chain, poses.taught[1] + drop)[0, 0, :3, 3]
    assert loaded[:5].tolist() == [False, True, True, True, False]
    assert landing.miss == pytest.approx(after - before, abs=1e-12)
    assert landing.taught == pytest.approx(before, abs=1e-12)
    # The hand led the links upwards, gravity lets them down: the TCP rests lower than taught, by the play of
    # three joints of about 0.9° and levers of 300, 200 and 100 mm, and by their sag.
    assert -0.025 < landing.miss[2] < -0.009


def test_a_pose_that_was_let_go_lands_near_where_it_was_taught():
    """Both times gravity has chosen. The yaw, which nothing loads, was led to the right and is driven to the left: the
    hand's lead and the drive's trail are the same side."""
    model, poses = reached_out("let go")
    landing = land(model, poses, "trimmed")[1]
    held = land(*reached_out(), "trimmed")[1]
    assert landing.share[1:4].max() < 0.2 * held.share[1:4].max()
    assert landing.share[0] == pytest.approx(0.0, abs=1e-9)
    other = land(*reached_out("let go", "+ - - - -"), "trimmed")[1]
    # The full play of 0.9° and the windup of two motions at a radius of about 0.27 m.
    assert 0.9 * DEGREE * 0.2 < other.share[0] < 1.2 * DEGREE * 0.3


def test_raw_adds_the_droop_of_every_joint():
    """Sent as it is, the feedback stops short of its target by (load + friction) over the drive's gain where it lifts,
    by half a dead band or less where nothing loads it, and beyond its target where the load helps it along."""
    model, poses = reached_out()
    tau = gravity_torques(model.chain, poses.target[1])[0]
    gain = model.stall * poses.voltage[1] / model.rated_voltage / model.full_drive
    way = poses.moved[1]
    friction = model.limp_friction + model.friction
    need = (way * tau + friction) / gain
    edge = model.dead_band / 2
    inside = np.where(way * tau + friction >= 0, edge, np.minimum(need, -edge))
    stop = way * np.where(need > edge, need, inside)
    # Links that rest on the same side either way, so that droop is all that differs.
    poses = dataclasses.replace(poses, trails=poses.arrives, turned=poses.moved)
    raw, trimmed = land(model, poses, "raw")[1], land(model, poses, "trimmed")[1]
    J = places(model.chain, poses.taught[1]).J[0, :5, 3:]
    # First order in angles of up to 3°: the second order of a 0.3 m arm is 0.3·0.05² < 1 mm.
    lacking = poses.lacking[1]
    assert lacking[[2, 3]] == pytest.approx(stop[[2, 3]], rel=0.07)
    assert np.all(0 < lacking[[0, 4]])
    assert np.all(lacking[[0, 4]] < 1.05 * stop[[0, 4]])
    # The shoulder falls through its dead band with some speed and is caught a little beyond.
    assert 3 * stop[1] < lacking[1] < stop[1] < 0
    assert raw.miss - trimmed.miss == pytest.approx(-(lacking[:5] @ J), abs=1e-3)
    assert raw.sigma > trimmed.sigma


def test_an_unknown_way_of_the_hand_is_told_as_dead_motion():
    """Nobody knows the side on which the hand left the joints: a set, as wide as play and drag allow."""
    model, poses = reached_out("held", "0 0 0 0 0")
    landing = land(model, poses, "trimmed")[1]
    lead = model.unseen_play / 2 + model.compliance * model.limp_friction
    J = places(model.chain, poses.taught[1]).J[0, :5, 3:]
    # The Jacobian is taken where the arm lands, half a degree away.
    assert landing.undecided.along == pytest.approx(2 * np.abs(J * lead[:5, None]).sum(axis=0), rel=0.02, abs=1e-5)
    assert land(*reached_out(), "trimmed")[1].undecided.largest == 0.0


def test_the_worst_case_holds_all_that_is_not_known():
    """It is never nearer than the mean, nor than mean and dead motion of the same sign."""
    for held, arrived in (("held", "- - - - -"), ("unknown", "+ 0 + 0 -"), ("let go", "0 0 0 0 0")):
        for way in ("raw", "trimmed"):
            landing = land(*reached_out(held, arrived), way)[1]
            assert landing.worst >= np.linalg.norm(landing.miss)
            assert landing.worst >= landing.undecided.farthest
            assert landing.expected == pytest.approx(np.sqrt(landing.miss @ landing.miss + landing.sigma**2))


def measured_exactly(model):
    """Entries that say of every joint's play and compliance that nothing about them is unsure."""
    text = "\n".join(
        f'[[value]]\nof = "{name}"\nkey = "{key}"\nvalue = 1.0\nuncertainty = 0.0\ndate = 2026-01-01\nsource = "test"'
        for name in model.bench.joint_names
        for key in ("unseen_play_deg", "compliance_deg_per_Nm")
    )
    document = parse_document(text, seedling.ROOT / "measured.toml")
    entries = []
    for index, raw in enumerate(document.values["value"]):
        known = {"known": True} if "known" in {f.name for f in dataclasses.fields(Measured)} else {}
        entries.append(
            Measured(
                raw["of"], raw["key"], raw["value"], raw["uncertainty"], "2026-01-01", "test", "", index=index,
                document=document, **known,
            )
        )  # fmt: skip
    return tuple(entries)


@pytest.mark.parametrize(("arrived", "chance"), [("- - - - -", 0.02), ("-? -? -? -? -?", 0.28)])
def test_nothing_unknown_leaves_only_what_the_trim_leaves(arrived, chance):
    """With every figure measured exactly the spread is that of the dead band: a quarter of it per joint.

    Besides, a hand may have given way, as one in fifty does; or its way was in doubt: a mean side of 0.44 is the other
    side in 28 of a hundred. A link that stands b away with chance p has the variance p·(1 - p)·b².
    """
    model, poses = reached_out("held", arrived)
    rigid = dataclasses.replace(model, compliance=np.zeros_like(model.compliance))
    poses = dataclasses.replace(poses, steered=np.ones_like(poses.steered))
    landing = land(rigid, poses, "trimmed", measured_exactly(model))[1]
    tau = gravity_torques(model.chain, poses.target[1])[0, :5]
    J = places(model.chain, poses.taught[1]).J[0, :5, 3:]
    left = TRIM_LEFT * model.dead_band[:5]
    gave_way = np.sqrt(chance * (1.0 - chance)) * rigid.unseen_play[:5]
    expected = np.sqrt(((J * np.hypot(left, gave_way)[:, None]) ** 2).sum())
    assert np.abs(tau).max() > 0.1
    # The Jacobian is taken where the arm lands, about a degree away.
    assert landing.sigma == pytest.approx(expected, rel=0.03)


def test_raw_poses_are_as_unsure_as_their_droop():
    """Where pulses were swept, what raw adds to the variance is the droop's: a third of it, or so much as was measured
    (full drive at 2 ± 1.2 degrees: 60 %), and a tenth of a degree for what a sweep leaves."""
    model, poses = reached_out()
    joints = [dataclasses.replace(j, pulse_rows=((-1.0, 1e-3), (1.0, 2e-3))) for j in model.bench.joints[:5]]
    left = dataclasses.replace(model.bench.arms.left, joints=tuple(joints))
    bench = dataclasses.replace(model.bench, arms=dataclasses.replace(model.bench.arms, left=left))
    model = dataclasses.replace(model, bench=bench)
    poses = dataclasses.replace(poses, trails=poses.arrives, turned=poses.moved)
    exactly = measured_exactly(model)
    told = dataclasses.replace(exactly[0], of="left elbow", key="full_drive_error_deg", value=2.0, uncertainty=1.2)
    for entries, elbow in ((exactly, 0.35), ((*exactly, told), 0.6)):
        raw, trimmed = (land(model, poses, way, entries)[1] for way in ("raw", "trimmed"))
        share = np.array([0.35, 0.35, elbow, 0.35, 0.35])
        added = (0.1 * DEGREE) ** 2 + (share * poses.lacking[1, :5]) ** 2
        J = places(model.chain, poses.taught[1]).J[0, :5, 3:]
        # The Jacobian is taken where the arm lands, about a degree away; undecided flanks are none here.
        assert raw.undecided.largest == trimmed.undecided.largest == 0.0
        assert raw.sigma**2 - trimmed.sigma**2 == pytest.approx(float((J**2).sum(axis=1) @ added), rel=0.1)


@pytest.mark.parametrize(("helped_by", "either"), [(0.85, True), (1.2, True), (0.7, False), (1.3, False)])
def test_a_load_about_as_large_as_the_friction_leaves_a_dead_band_undecided(helped_by, either):
    """The shoulder goes down with its load: within a quarter of the friction it may stop before its target or beyond,
    by half a dead band each way, so that its TCP may be anywhere along a whole one."""
    model, poses = reached_out()
    tau = gravity_torques(model.chain, poses.target[1])[0]
    assert poses.moved[1, 1] * tau[1] < 0
    limp = np.full(10, 10.0)  # the other joints are far from it
    limp[1] = abs(tau[1]) / helped_by - model.friction[1]
    tight = dataclasses.replace(model, limp_friction=limp, compliance=np.zeros(10), dead_band=np.full(10, 1.0 * DEGREE))
    landing = land(tight, poses, "raw")[1]
    J = places(model.chain, poses.taught[1]).J[0, 1, 3:]
    wanted = 1.0 * DEGREE * np.abs(J) if either else np.zeros(3)
    # The Jacobian is taken where the arm lands, a degree away.
    assert landing.undecided.along == pytest.approx(wanted, rel=0.05, abs=3e-4)
    assert land(tight, poses, "trimmed")[1].undecided.largest == 0.0


def test_figures_that_nobody_measured_are_taken_as_loosely_as_said():
    """Shares of the defaults, and what a measured entry replaces, in the unit of its key."""
    model = seedling.model()
    spread = spread_of(model)
    assert spread.unseen_play == pytest.approx(PLAY_SHARE * model.unseen_play)
    # Anywhere between a third and one and two thirds of the default: a width of 4/3, by the root of 12.
    assert pytest.approx(4 / 3 / np.sqrt(12), abs=0.01) == PLAY_SHARE
    assert spread.compliance == pytest.approx(COMPLIANCE_SHARE * model.compliance)
    assert spread.limp_friction == pytest.approx(FRICTION_SHARE * model.limp_friction)
    assert spread.pulse_line == pytest.approx(np.full(10, PULSE_LINE))
    # A pulse table counts as swept where it was found in place; one of a servo's rig does not.
    bench = model.bench
    rows = ((-1.0, 1e-3), (1.0, 2e-3))
    joints = tuple(dataclasses.replace(j, pulse_rows=rows, pulses_known=n != 1) for n, j in enumerate(bench.joints[:5]))
    arms = dataclasses.replace(bench.arms, left=dataclasses.replace(bench.arms.left, joints=joints))
    swept = dataclasses.replace(model, bench=dataclasses.replace(bench, arms=arms))
    assert np.degrees(spread_of(swept).pulse_line) == pytest.approx([0.1, 1.5, 0.1, 0.1, 0.1, *[1.5] * 5])
