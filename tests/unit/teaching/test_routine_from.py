"""From recordings whose every sample is known to the steps they teach."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from handfast.errors import InputError
from handfast.teaching.routine_from import FIRST_PACE, routine_from
from support import seedling
from support.recordings import Led

HOME = [0, -15, 75, 60, 0] * 2


def taught(led: Led, hands: str = "unknown"):
    """The routine and the remarks."""
    return routine_from(led.recording(hands), seedling.model(), "r")


def shown(led: Led, hands: str = "unknown") -> list[str]:
    """The steps in words."""
    words = []
    for step in taught(led, hands)[0].steps:
        sides = "".join(side[0] for side in step.sides)
        words.append(" ".join(x for x in (step.do, sides, step.thing or "", step.giver or "") if x))
    return words


def start() -> Led:
    """At rest for a second, both arms folded."""
    return Led(HOME).hold(1.0)


def test_poses_become_steps_in_order():
    """The resting start is no pose; each arm's pose is a step of its own, both at once one of both arms."""
    led = start().move({0: 20}).hold(1.5).move({5: 20}).hold(1.5).move({0: 40, 5: 40}).hold(1.5)
    assert shown(led) == ["go l", "go r", "go lr"]
    routine, _ = taught(led)
    assert [s.name for s in routine.steps] == ["go 1", "go 2", "go 3"]
    assert np.degrees(routine.steps[0].left.pose) == pytest.approx([20, -15, 75, 60, 0], abs=1e-3)
    assert np.degrees(routine.steps[2].right.pose)[0] == pytest.approx(40, abs=1e-3)
    assert routine.steps[0].left.arrived == "+ 0 0 0 0"
    assert (routine.about.pace, routine.about.recording, routine.name) == (FIRST_PACE, "led.csv", "r")


def test_a_pose_says_when_it_was_stored():
    """A quarter of a second before its end, which lies within the stillness."""
    led = start().move({0: 20}).hold(2.0).move({0: 40}).hold(1.0)
    at = taught(led)[0].steps[0].left.at
    assert 2.5 < at < 4.0


def test_joints_whose_way_is_not_known_are_remarked():
    """Named, with what to do about it."""
    _, remarks = taught(start().move({0: 20}).hold(1.5))
    assert len(remarks) == 1
    assert "left arm: the last motion of shoulder, elbow, wrist, roll was too small" in remarks[0].text
    assert 1.5 < remarks[0].time < 2.5


def test_every_event():
    """Grips, releases, waits and notes become steps where they were said; a note becomes none."""
    led = start().move({0: 20}).hold(1.0).say("left grip plug-pot").hold(0.5)
    led.move({0: 40}).hold(1.0).say("left release").hold(0.2).say("wait 1.5").say("note grip it well").hold(0.3)
    led.say("both grip seed-tray").hold(0.5).say("both release").hold(0.3)
    assert shown(led) == [
        "go l", "grip l plug-pot", "go l", "release l", "wait lr", "grip lr seed-tray", "release lr"
    ]  # fmt: skip
    wait = taught(led)[0].steps[4]
    assert wait.time == 1.5


def test_a_pass_takes_the_next_pose_of_both_arms_and_what_is_in_hand():
    """The thing is what the giver holds; the meeting pose is the step's own."""
    led = start().say("right grip plug-pot").hold(0.5).say("pass right").move({0: 30, 5: 30}).hold(1.5)
    assert shown(led) == ["grip r plug-pot", "pass lr plug-pot right"]
    step = taught(led)[0].steps[1]
    assert np.degrees(step.left.pose)[0] == pytest.approx(30, abs=1e-3)
    assert np.degrees(step.right.pose)[0] == pytest.approx(30, abs=1e-3)


def test_what_was_passed_is_in_the_takers_hand():
    """Passed on to left, and back."""
    led = start().say("right grip plug-pot").hold(0.3).say("pass right").move({0: 30, 5: 30}).hold(1.5)
    led.move({0: 10, 5: 10}).hold(1.5).say("pass left").move({0: 30, 5: 30}).hold(1.5)
    assert shown(led) == ["grip r plug-pot", "pass lr plug-pot right", "go lr", "pass lr plug-pot left"]


def test_what_was_released_cannot_be_passed():
    """Nothing is in hand any more."""
    led = start().say("right grip plug-pot").hold(0.3).say("right release").hold(0.3).say("pass right")
    led.move({0: 30, 5: 30}).hold(1.5)
    with pytest.raises(InputError, match=r"the right arm passes nothing\n.*right grip THING"):
        taught(led)


def test_a_pass_may_wait_for_one_arm_after_the_other():
    """The two arms come to rest at different times: both poses belong to it."""
    led = start().say("pass left plug-pot").hold(0.2).move({0: 30}).hold(1.5).move({5: 30}).hold(1.5)
    assert shown(led) == ["pass lr plug-pot left"]
    step = taught(led)[0].steps[0]
    assert [np.degrees(t.pose)[0] for t in (step.left, step.right)] == pytest.approx([30, 30], abs=1e-3)


def test_a_carry_takes_its_thing_from_the_hand_or_needs_none():
    """With both hands on a tray, and with empty hands."""
    led = start().say("both grip seed-tray").hold(0.3).say("carry").move({0: 30, 5: 30}).hold(1.5)
    assert shown(led) == ["grip lr seed-tray", "carry lr seed-tray"]
    assert shown(start().say("carry").hold(0.3).move({0: 30, 5: 30}).hold(1.5)) == ["carry lr"]
    assert shown(start().say("carry seed-tray").hold(0.3).move({0: 30, 5: 30}).hold(1.5)) == ["carry lr seed-tray"]


def test_a_stroke_is_the_path_between_its_events():
    """Its rows follow the hand, its times begin at zero; no pose is found inside it."""
    led = start().move({0: 20, 1: 10}).hold(1.2).say("left stroke begin").move({0: 50}, 2.0).move({0: 30}, 2.0)
    led.hold(1.0).say("left stroke end").hold(0.5).move({0: 0}).hold(1.2)
    # The stillness before it is the pose it starts from, the one at its end is part of it.
    assert shown(led) == ["go l", "stroke l", "go l"]
    step = taught(led)[0].steps[1].left
    path, times = np.degrees(step.path), np.array(step.times)
    assert times[0] == 0.0
    assert times[-1] == pytest.approx(5.0, abs=0.1)
    assert np.all(np.diff(times) > 0)
    assert len(path) == 200
    assert path[0, 0] == pytest.approx(20, abs=0.1)
    # A smoothed turn of a hand is cut by a fraction of a degree.
    assert path[:, 0].max() == pytest.approx(50, abs=0.5)
    assert path[-1, 0] == pytest.approx(30, abs=0.5)
    assert step.arrivals[:2] == (1, 1)
    assert step.held == "held"


def test_things_of_the_bench_only():
    """A thing that the bench does not have is refused with those it has."""
    led = start().say("left grip plugpot").hold(0.5)
    with pytest.raises(InputError) as caught:
        taught(led)
    assert str(caught.value).startswith('led.csv: event at 1000 ms: the bench has no thing "plugpot"')
    assert "(nearest: plug-pot)" in str(caught.value)


WRONG = [
    (lambda led: led.say("left stroke end").hold(0.5), "the left stroke ends before it begins"),
    (lambda led: led.say("left stroke begin").move({0: 30}, 2.0), "the left stroke never ends"),
    (
        lambda led: led.say("left stroke begin").hold(0.2).say("left stroke begin").move({0: 30}),
        "the left stroke begins twice",
    ),
    (lambda led: led.say("left stroke begin").hold(0.2).say("left stroke end"), "the left stroke has 11 samples"),
    (
        lambda led: led.say("pass left plug-pot").hold(0.3),
        "after the event `pass left` there is no pose of both arms",
    ),
    (
        lambda led: led.say("carry").hold(0.3).say("pass left plug-pot").move({0: 30, 5: 30}).hold(1.5),
        "after the event `carry` there is no pose of both arms",
    ),
    (lambda led: led.say("pass left").move({0: 30, 5: 30}).hold(1.5), "the left arm passes nothing"),
    (lambda led: led.move({0: 30}, 3.0), "no pose was held still"),
]


@pytest.mark.parametrize(("perform", "message"), WRONG, ids=[m for _, m in WRONG])
def test_recordings_that_teach_nothing_sound(perform, message):
    """One message: what, where in the recording, what was expected, what to do."""
    led = start()
    perform(led)
    with pytest.raises(InputError) as caught:
        taught(led)
    said = str(caught.value)
    assert message in said.splitlines()[0]
    assert said.startswith("led.csv")
    assert "\n  expected: " in said
    assert "\n  next: " in said


# -- how a pose was held -------------------------------------------------------------------------------------------

OUT = {1: 70.0, 2: 30.0, 3: 10.0}
"""Left shoulder, elbow and wrist reached out: gravity loads all three, and holding them takes negative torques."""
UP = {1: 60.0, 2: 20.0, 3: 0.0}
"""The same, led upwards (negative about +y) at the last."""


@pytest.mark.parametrize(
    ("last", "sink", "habit", "held"),
    [
        (UP, {1: 0.4, 2: 0.4, 3: 0.4}, "unknown", "let go"),
        (UP, {1: 0.4, 2: 0.4, 3: 0.4}, "held", "let go"),  # what the feedback shows wins
        (UP, {}, "unknown", "held"),
        (UP, {}, "let go", "held"),
        (UP, {1: 0.22, 2: 0.22, 3: 0.22}, "unknown", "unknown"),  # two fifths of the seen play: not clear
        (UP, {1: 0.22, 2: 0.22, 3: 0.22}, "let go", "let go"),
        ({1: 75.0, 2: 35.0, 3: 15.0}, {}, "unknown", "unknown"),  # led downwards nothing tells
        ({1: 75.0, 2: 35.0, 3: 15.0}, {}, "held", "held"),
    ],
)
def test_how_a_pose_was_held(last, sink, habit, held):
    """Joints that were led against their load sink through the seen play (0.5°) when the hand lets go."""
    led = start().move(OUT).move(last).hold(2.4, sink=sink)
    assert taught(led, habit)[0].steps[0].left.held == held


@pytest.mark.parametrize(
    ("share", "sink", "held"),
    [(1.0, {}, "let go"), (0.1, {}, "held"), (0.1, {1: 0.4, 2: 0.4, 3: 0.4}, "let go")],
)
def test_what_would_have_fallen_was_held(share, sink, held):
    """Where nothing tells: gears of a tenth of the friction do not stand a shoulder led out, so a hand that lets go as
    a rule held it. The bench's own gears may. What the feedback shows wins over both."""
    last = UP if sink else {1: 40.0, 2: 35.0, 3: 15.0}
    led = start().move(OUT if sink else {1: 30.0, 2: 30.0, 3: 10.0}).move(last).hold(2.4, sink=sink)
    model = seedling.model()
    easy = dataclasses.replace(model, limp_friction=share * model.limp_friction)
    routine, _ = routine_from(led.recording("let go"), easy, "r")
    assert routine.steps[0].left.held == held
