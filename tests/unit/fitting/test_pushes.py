"""A powered arm pushed to and fro: what it shows of play and give, at a stand-in whose true figures nobody was told."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from handfast.bench.lines import counts_of
from handfast.errors import InputError
from handfast.files.document import parse_document
from handfast.fitting.calibrate import calibrate
from handfast.fitting.pushing import MOST_PUSH, PUSHED, hardest_push, pushing_lines, pushing_poses
from handfast.landing.flank import pushed_offsets
from handfast.mechanics.dynamics import gravity_torques
from handfast.mechanics.kinematics import places
from handfast.records.readings import Push, Readings, checked
from handfast.sessions.measure import Errors, MakerAtStandIn
from handfast.standins.servo_model import ServoArms
from handfast.standins.truth import draw_truth
from support import seedling

SEED = 47


def test_a_push_turns_a_link_over_and_bends_it_by_hand():
    """The yaw bears no weight. At a lever r the push f gives it the torque r·f; the link goes to that side of its play,
    and bends by compliance times what the joint's own friction leaves of it."""
    model = seedling.model()
    q = seedling.REST.copy()
    part = model.chain.columns(0)
    side = places(model.chain, q).J[0, 0, 3:]
    lever = np.linalg.norm(side)
    force = 2.0 * side / lever
    rest = pushed_offsets(model, np.array([q, q]), 0, np.array([force, -force]))
    half, c = model.unseen_play[0] / 2, model.compliance[0]
    bend = c * (2.0 * lever - model.friction[0])
    assert rest.mean[:, 0] == pytest.approx([half + bend, -half - bend])
    assert rest.flank[:, 0].tolist() == [1.0, -1.0]
    assert not rest.half[:, 0].any()
    # The other arm is not pushed: its loaded joints lie where gravity has them.
    tau = gravity_torques(model.chain, q)[0]
    loaded = np.abs(tau[5:]) > model.friction[5:]
    assert rest.flank[0, 5:][loaded] == pytest.approx(-np.sign(tau[5:][loaded]))
    # Too weak a push decides nothing.
    weak = pushed_offsets(model, q, 0, 0.4 * model.friction[0] / lever * side[None] / lever)
    assert weak.half[0, 0] == pytest.approx(half)
    assert weak.flank[0, 0] == 0.0
    assert part.start == 0


def test_lines_of_push_spare_the_last_level_joint_once():
    """One line that the wrist feels fully, one through its axis, one sideways; at right angles to each other."""
    model = seedling.model()
    part = model.chain.columns(0)
    J = places(model.chain, seedling.REST).J[0, part, 3:]
    felt, through, side = pushing_lines(J, np.abs(model.chain.axes[part, 2]) < 0.5)
    wrist = J[3]
    assert felt @ wrist == pytest.approx(np.linalg.norm(wrist))
    assert through @ wrist == pytest.approx(0.0, abs=1e-12)
    assert abs(side @ J[0]) == pytest.approx(np.linalg.norm(J[0]))
    assert np.array([felt, through, side]) @ np.array([felt, through, side]).T == pytest.approx(np.eye(3), abs=1e-9)


def test_no_push_asks_more_of_a_joint_than_it_holds_well():
    """At every pose and line of the programme: load and push together within the share of the stall torque."""
    model = seedling.model()
    for arm, side in enumerate(("left", "right")):
        part = model.chain.columns(arm)
        for pose in pushing_poses(model, side):
            q = seedling.REST.copy()
            q[part] = pose
            J = places(model.chain, q).J[0, part, 3:]
            tau = gravity_torques(model.chain, q)[0, part]
            for along in pushing_lines(J, np.abs(model.chain.axes[part, 2]) < 0.5):
                force = hardest_push(model, q, along, arm)
                assert 0.0 < force <= MOST_PUSH
                assert np.all(np.abs(tau) + np.abs(J @ along) * force <= PUSHED * model.stall[part] * (1 + 1e-9))


def test_pushes_tell_give_from_play():
    """At arms that nobody measured: beside gauges and pulls, pushes take a third and more off the doubt about the
    give of the yaws, and what they say is true within that doubt."""
    bench = seedling.bench()
    truth = draw_truth(bench, SEED)
    arms = ServoArms(truth, bench.controller.channels, SEED, seedling.REST)
    maker = MakerAtStandIn(bench, truth, arms, np.random.default_rng(SEED), Errors())
    gauges = []
    for i, joint in enumerate(bench.joints):
        low, high = joint.travel
        for share in (0.2, 0.5, 0.8):
            gauges += [maker.gauge(i, low + share * (high - low), way) for way in (1, -1)]
        goal = arms.link_angles()
        goal[i] = seedling.REST[i]
        maker.hands.lead_joints(goal, 1.0)
    plain = Readings(gauges=tuple(gauges), pulls=tuple(maker.pull(i) for i in range(10)))
    pushes = maker.pushes(seedling.model())
    before, after = calibrate(bench, plain), calibrate(bench, dataclasses.replace(plain, pushes=pushes))
    yaws = [0, 5]
    index = [after.index(bench.joint_names[i], "compliance") for i in yaws]
    fitted = after.unknowns.figures(after.x)
    for k, i in zip(index, yaws, strict=True):
        assert after.sigma(k) < 0.65 * before.sigma(k)
        assert abs(np.log(fitted[1][i] / truth.compliance[i])) < 2.5 * after.sigma(k)
    off = [np.abs(c.unknowns.figures(c.x)[0] - truth.unseen_play[:10])[yaws].max() for c in (before, after)]
    assert off[1] < max(off[0], 0.2 * np.pi / 180.0)
    assert after.misfit < 1.6


def test_a_push_of_another_bench_is_refused():
    """Too few counts under the second push: the message names the table and the key."""
    bench = seedling.bench()
    q = [512.0] * bench.controller.channels
    for joint, angle in zip(bench.joints, seedling.REST, strict=True):
        q[joint.channel] = float(counts_of(joint, angle))
    push = Push(
        arm="left", force=(0.0, 2.0, 0.0), off=1e-3, error=3e-4, counts=tuple(q), back=tuple(q[:-1]), supply=6.0
    )
    document = parse_document("[[push]]\n", seedling.ROOT / "readings.toml")
    with pytest.raises(InputError, match="11 values") as refused:
        checked(Readings(pushes=(push,)), bench, document)
    assert "12" in str(refused.value.expected)
    none = dataclasses.replace(push, force=(0.0, 0.0, 0.0), back=tuple(q))
    with pytest.raises(InputError, match="no push") as refused:
        checked(Readings(pushes=(none,)), bench, document)
    assert "0.05 N" in str(refused.value.expected)
