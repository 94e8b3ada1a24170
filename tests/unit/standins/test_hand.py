"""Hands at a stand-in: they see true places, hold or let go, and what comes out is what the wire shows."""

from __future__ import annotations

import numpy as np
import pytest

from handfast.bench.lines import joint_angles
from handfast.errors import InputError
from handfast.mechanics.kinematics import tool_poses
from handfast.standins.hand import Draw, Hands, Lead, Say, Take, tool_pose
from handfast.standins.servo_model import ServoArms
from handfast.standins.truth import draw_truth
from support import seedling


def hands(seed: int = 2, lets_go: bool = False, **more) -> Hands:
    """Hands at drawn arms in their resting pose."""
    bench = seedling.bench()
    truth = draw_truth(bench, seed)
    arms = ServoArms(truth, 12, seed, seedling.REST)
    return Hands(bench, truth, arms, np.random.default_rng(seed), lets_go, **more)


def goal(side: str, x: float, y: float, z: float, lean: float = 20.0):
    """A goal as the examples make them."""
    return seedling.example("seedling_hands").goal(side, x, y, z, lean)


def test_a_tool_pose_points_the_fingers():
    """Lean 0: straight down; 90 towards +x: level along x, jaws opening along y; right-handed."""
    down, level = tool_pose((1, 2, 3), 0, 0), tool_pose((0, 0, 0), 90, 0)
    assert down[:3, 2] == pytest.approx([0, 0, -1], abs=1e-12)
    assert level[:3, 2] == pytest.approx([1, 0, 0], abs=1e-12)
    assert level[:3, 1] == pytest.approx([0, 1, 0], abs=1e-12)
    assert down[:3, 3] == pytest.approx([0.001, 0.002, 0.003])
    assert np.linalg.det(tool_pose((0, 0, 0), 33, 44, 55)[:3, :3]) == pytest.approx(1.0)


def test_a_hand_brings_the_tip_where_it_is_wanted_by_eye():
    """Within its own scatter of 1 mm a component (five times that), though no figure of the arm is known."""
    led = hands(scatter=1e-3)
    led.do([Lead(goal("left", -110, -60, 80))])
    _, tips = led.stored[0]
    assert np.abs(tips[0] - np.array([-0.110, -0.060, 0.080])).max() < 5e-3
    assert len(led.stored) == 1


def test_without_scatter_the_tip_is_there_to_the_tremor():
    """0.15 mm of tremor at a quarter of a metre's lever."""
    led = hands(scatter=0.0)
    led.do([Lead(goal("left", -110, -60, 80))])
    # A turn of the hand of 0.01 rad about the TCP does not move it; tremor of five joints adds up to about 0.5 mm.
    assert np.abs(led.stored[0][1][0] - np.array([-0.110, -0.060, 0.080])).max() < 1e-3


def test_the_recording_shows_feedback_events_and_the_habit():
    """50 samples a second, events in order with their times, and how poses were held as far as the person says."""
    led = hands(lets_go=True)
    led.do([Lead(goal("left", -110, -60, 80), event="note here"), Say("left grip plug-pot"), Say("wait 1")])
    recording = led.recording(("a note",))
    assert np.diff(recording.t) == pytest.approx(0.02)
    assert [e.text for e in recording.events] == ["note here", "left grip plug-pot", "wait 1"]
    assert np.all(np.diff([e.time for e in recording.events]) > 0)
    assert recording.hands == "let go"
    shown = joint_angles(seedling.bench(), recording.counts)
    assert np.degrees(np.ptp(shown[:, 5:], axis=0)).max() < 3.0  # the right arm rests: noise alone
    assert np.degrees(np.ptp(shown[:, 1])) > 10.0


def test_hands_hold_what_would_fall_and_let_go_of_what_stays():
    """A person who lets go does so only where the gears hold the arm."""
    led = hands(seed=3, lets_go=True)
    led.do([Lead(goal("left", -110, -60, 80)), Lead(goal("left", 40, -20, 150, 80))])
    for side, held in led._held.items():
        if not held:
            assert led._stays(side)
    never = hands(seed=3, lets_go=False)
    never.do([Lead(goal("left", -110, -60, 80))])
    assert never._held == {"left": True, "right": True}


def test_a_drawn_line_is_followed_to_a_fraction_of_a_millimetre():
    """The tip's true way against the line, wandering included."""
    led = hands(scatter=0.0)
    start = np.array([-0.112, -0.012, 0.062])
    line = start + np.linspace(0, 1, 40)[:, None] * np.array([0.04, 0.02, 0.0])
    led.do([Lead(goal("left", -112, -12, 62))])
    away = []
    original = led.arms.run

    def run(*given):
        out = original(*given)
        tip = led.arms.tool_positions()[0]
        away.append(np.linalg.norm(line - tip, axis=1).min())
        return out

    led.arms.run = run
    led.do([Draw("left", line, 4.0)])
    # 4 s of wandering by 0.02 mm a sample: 0.02·√200 = 0.3 mm, three times that, and the tremor.
    assert max(away) < 1.5e-3
    assert [e.text for e in led.events] == ["left stroke begin", "left stroke end"]


def test_a_thing_in_the_hand_weighs_on_the_arm():
    """The stand-in is told its mass, and that it is gone."""
    led = hands()
    led.do([Take("left", "plug-pot"), Take("right", "seed-tray", 0.5)])
    assert led.arms._loads[:, 0] == pytest.approx([0.045, 0.055])
    led.do([Take("left", None)])
    assert led.arms._loads[0, 0] == 0.0


def test_a_place_out_of_reach_is_refused_in_words():
    """How far off, and what to do."""
    with pytest.raises(InputError, match=r"the left hand cannot lead the TCP to .* mm too far"):
        hands().do([Lead(goal("left", 400, 0, 80))])


def test_a_hand_that_meets_a_stop_tips_the_fingers():
    """A goal just past a joint's stop is reached at the same place, with the fingers tipped by a few degrees."""
    led = hands(37)
    bearing = np.degrees(np.arctan2(-82.0, -70.0 + 226.0))
    near = seedling.REST[led.bench.columns("left")]
    found = None
    # Ever further from straight down, until a stop is in the way.
    for lean in np.arange(58.0, 75.0, 0.5):
        X = tool_pose((-70.0, -82.0, 42.0), lean, bearing)
        if led.angles_for("left", X, near) is None:
            found = led._solve("left", X, near)
            break
    assert found is not None
    q = seedling.REST.copy()
    q[led.bench.columns("left")] = found
    there = tool_poses(led.truth.chain, q)[0, 0]
    assert there[:3, 3] == pytest.approx(X[:3, 3], abs=1e-4)
    assert 0.5 < np.degrees(np.arccos(np.clip(there[:3, 2] @ X[:3, 2], -1, 1))) < 9.5
