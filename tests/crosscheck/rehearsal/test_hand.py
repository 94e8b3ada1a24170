"""A hand that leads the twin's limp arms by the gripper: where it brings them, and where play leaves the feedback."""

from __future__ import annotations

import numpy as np
import pytest

from handfast.rehearsal.scene import Scene
from handfast.rehearsal.twin import Twin
from handfast.standins.hand import Hands, Lead
from handfast.standins.truth import draw_truth
from support import seedling


@pytest.fixture(scope="module")
def led():
    """Drawn arms whose left TCP was led away and back to one place, then held."""
    bench = seedling.bench()
    hands_of = seedling.example("seedling_hands")
    truth = draw_truth(bench, 6)
    twin = Twin(bench, truth, Scene(), 1, seedling.REST, watched=False)
    hands = Hands(bench, truth, twin, np.random.default_rng(1), lets_go=False, scatter=0.0)
    goal = hands_of.left(-80, -40, 100, lean=40)
    hands.do([Lead(hands_of.left(-90, -10, 120, lean=45)), Lead(goal)])
    return twin, truth, hands, goal["left"]


def test_the_hand_brings_the_tcp_where_it_wants_it(led):
    """A hand of 1500 N/m against limp gears: 0.15 N·m of friction at 0.2 m are 0.75 N, 0.5 mm; weight the same.

    Its own turn scatters by 0.01 rad, which moves no TCP. 2.5 mm hold all of it.
    """
    twin, _, _, goal = led
    assert np.linalg.norm(twin.tool_positions()[0] - goal[:3, 3]) < 2.5e-3


def test_the_link_leads_its_feedback(led):
    """Where a joint was last led one way, link and shaft stand apart by between a half and a whole of the dead zone.

    A hand that drives a limp joint takes up half the play and winds the spring by the gears' friction (statics of a
    gap and a spring); tremor and homing may let it back towards the middle, never beyond the full lead.
    """
    twin, truth, _, _ = led
    K = truth.joints
    apart = np.abs(twin.link_angles() - twin.shaft_angles())[:5]
    friction = truth.gear_friction[:K] + truth.joint_friction[:K]
    most = (truth.unseen_play[:K] / 2 + truth.compliance[:K] * friction)[:5]
    assert np.all(apart < 1.02 * most + 1e-4)
    assert np.median(apart / most) > 0.5


def test_a_recording_comes_out(led):
    """What the wire showed: a sample every 20 ms, counts that move with the arm, and the moment of each pose."""
    _, _, hands, _ = led
    recording = hands.recording(())
    assert len(recording.t) == len(hands.counts)
    assert np.ptp(np.array(hands.counts)[:, 0]) > 10.0
    assert len(hands.stored) == 2
