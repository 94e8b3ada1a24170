"""Each question on routines whose worst moment can be worked by hand."""

from __future__ import annotations

import dataclasses
import re
from functools import cache

import numpy as np
import pytest

from handfast.answers.ask import Answer, Answers, agreed, ask
from handfast.answers.changes import Change, _stronger, _trials
from handfast.answers.facts import facts_of, facts_on
from handfast.answers.judging import ASKS, LIMITS, MARGINS, UNITS, Finding, judge, limits_of, room_text, shown
from handfast.answers.questions import (
    ASKED_OF,
    QUESTIONS,
    clear,
    heat,
    lift,
    miss,
    most_dead_motion,
    pace,
    pair_dead_motion,
    power,
    reach,
    surge,
    time_to_warm,
)
from handfast.bench.folder import QUESTIONS as KNOWN
from handfast.bench.parts import Question
from handfast.cli.tables import answers_text
from handfast.correction.correct import correct
from handfast.mechanics.dynamics import gravity_torques
from handfast.motion.drawing import tip_path, without_drawings
from handfast.routine.steps import Step
from handfast.units import KGF_CM
from support import seedling

HOME = (0, -15, 75, 60, 0)


@cache
def still(*pose: float, seconds: float = 2.0):
    """The left arm stands at a pose for a while; the right one in the middle of its travel."""
    steps = (seedling.go("left", *pose), seedling.go("right", *HOME), Step(do="wait", arm="both", time=seconds))
    return facts_of(seedling.bench(), seedling.routine_of(*steps))


def on(bench_changes: dict, facts):
    """The same facts on a bench with other parts, planned anew."""
    return facts_of(dataclasses.replace(facts.bench, **bench_changes), facts.routine)


# -- verdicts ------------------------------------------------------------------------------------------------------


def test_a_figure_never_contradicts_its_verdict():
    """Rounded, but not onto the edge that it lies below: 0.998 of room is tight and shows as 0.99."""
    assert [room_text(room) for room in (0.998, 1.0, 0.994, -0.001, 0.0, -0.004, 1.238)] == [
        "0.99", "1.00", "0.99", "-0.01", "0.00", "-0.01", "1.24",
    ]  # fmt: skip
    assert shown(9.97, 1, (0.0, 10.0)) == 9.9
    assert shown(-0.02, 1, (0.0, 10.0)) == -0.1
    assert shown(1.1999, 2, (1.0, 1.2)) == 1.19
    assert shown(1.234, 2, (1.0, 1.2)) == 1.23
    tight = Answer("lift", "tight", 0.9999, Finding(1.49996, None, "", ""), 1.0, 1.5, ())
    assert tight.margin_text == "1.49 ×"
    plain = tight.plain()
    assert plain["margin"] < 1.5
    assert Answer("lift", "tight", 0.999999, Finding(1.49996, None, "", ""), 1.0, 1.5, ()).plain()["room"] < 1.0


@pytest.mark.parametrize(
    ("margin", "word", "room"),
    [(0.99, "fails", -0.02), (1.0, "tight", 0.0), (1.25, "tight", 0.5), (1.5, "holds", 1.0), (3.0, "holds", 4.0)],
)
def test_room_is_measured_between_limit_and_enough(margin, word, room):
    """lift: 1 is the limit, 1.5 is enough."""
    found = judge(seedling.bench(), "lift", margin)
    assert (found.word, found.room) == (word, pytest.approx(room))


def test_a_bench_may_set_its_own_limits():
    """With limit 2 and enough 4, a margin of 3 is half way."""
    bench = dataclasses.replace(seedling.bench(), questions=(Question(name="lift", limit=2.0, enough=4.0),))
    assert limits_of(bench, "lift") == (2.0, 4.0)
    assert limits_of(bench, "heat") == LIMITS["heat"]
    assert judge(bench, "lift", 3.0).room == pytest.approx(0.5)


def test_every_question_is_described():
    """What it asks, what its margin is, its unit and limits; and a bench may set limits for it."""
    assert set(QUESTIONS) == set(LIMITS) == set(UNITS) == set(ASKS) == set(MARGINS)
    assert set(QUESTIONS) <= set(KNOWN)


# -- reach ---------------------------------------------------------------------------------------------------------


def test_reach_is_degrees_to_the_nearest_stop():
    """The left wrist's stop is at 98°; at 95° there are 3° left, and it says where."""
    found = reach(still(0, -15, 75, 95, 0))
    assert found.margin == pytest.approx(3.0, abs=1e-6)
    assert "left wrist at 95.0°, its stop at 98°" in found.why
    assert found.subject["joint"] == 3


def test_a_pose_past_a_stop_fails_by_as_much():
    """Taught at 100° of 98: -2°."""
    assert reach(still(0, -15, 75, 100, 0)).margin == pytest.approx(-2.0, abs=1e-6)


def test_what_a_step_needs_and_an_arm_cannot_do_counts():
    """A pass that draws back by half a metre: no arm reaches so far behind itself; told in mm, with step and arm."""
    routine = seedling.routine("pass-pot")
    steps = tuple(dataclasses.replace(s, approach=0.5) if s.do == "pass" else s for s in routine.steps)
    found = reach(facts_of(seedling.bench(), dataclasses.replace(routine, steps=steps)))
    assert found.margin < 0
    assert "mm too far" in found.why or "past a stop" in found.why
    number = next(i for i, s in enumerate(steps) if s.do == "pass")
    assert found.subject["step"] == number
    assert "(pass 1)" in found.where


# -- lift ----------------------------------------------------------------------------------------------------------


def test_lift_is_torque_available_over_torque_needed():
    """Standing still, reached out: gravity against the stall torque at the voltage that is left."""
    facts = still(0, 80, 20, 10, 0)
    found = lift(facts)
    n = len(facts.motion.t) - 10
    tau = np.abs(gravity_torques(facts.model.chain, facts.motion.q[n])[0])
    stall = facts.model.stall * np.repeat(facts.volts[n], 5) / facts.model.rated_voltage
    standing = np.min(stall / np.maximum(tau, 1e-9))
    # The way there asks for a little more than standing there.
    assert found.margin <= standing + 1e-9
    assert found.margin > 0.6 * standing
    ratio = facts.available[n] / np.maximum(np.abs(facts.torque[n]), 1e-9)
    assert ratio.min() == pytest.approx(standing, rel=1e-9)
    worst = int(np.argmin(np.abs(facts.motion.t - found.when)))
    needed = abs(facts.torque[worst, found.subject["joint"]]) / KGF_CM
    assert f"needs {needed:.2f} kg·cm" in found.why


def test_a_load_in_the_hand_lowers_lift():
    """Twice the pot: less margin, by the pot's lever and mass."""
    grip = Step(do="grip", arm="left", thing="plug-pot")
    routine = seedling.routine_of(seedling.go("left", 0, 80, 20, 10, 0), grip, Step(do="wait", arm="left", time=1.0))
    bench = seedling.bench()
    heavy = tuple(dataclasses.replace(t, mass=4 * t.mass) if t.name == "plug-pot" else t for t in bench.things)
    light = lift(facts_of(bench, routine)).margin
    assert lift(facts_of(dataclasses.replace(bench, things=heavy), routine)).margin < 0.8 * light


# -- pace ----------------------------------------------------------------------------------------------------------


def test_pace_is_time_taken_over_the_shortest():
    """The first replay at full pace uses two thirds of the line; asked to take longer, the ratio grows with it."""
    moves = (seedling.go("left", *HOME), seedling.go("left", 30, 20, 40, 20, 0))
    full = facts_of(seedling.bench(), seedling.routine_of(*moves))
    timing = full.motion.timings[-1]
    assert pace(full).margin == pytest.approx(timing.planned / timing.shortest)
    assert 1.05 < pace(full).margin < 1.6
    slow = (moves[0], dataclasses.replace(moves[1], time=2.0))
    found = facts_of(seedling.bench(), seedling.routine_of(*slow))
    # 2 s less the blend and one sample.
    assert pace(found).margin == pytest.approx((2.0 - 0.06 - 0.01) / timing.shortest, rel=1e-6)


def test_a_time_that_is_too_short_fails():
    """Half the shortest time: the margin says so, and how long it would take."""
    moves = (seedling.go("left", *HOME), seedling.go("left", 60, 60, 20, 20, 90))
    free = facts_of(seedling.bench(), seedling.routine_of(*moves))
    shortest = free.motion.timings[-1].shortest
    hasty = (moves[0], dataclasses.replace(moves[1], time=0.5 * shortest + 0.07))
    found = pace(facts_of(seedling.bench(), seedling.routine_of(*hasty)))
    assert found.margin == pytest.approx(0.5, rel=1e-6)
    assert f"{shortest:.2f} s is the shortest that would work" in found.why


def test_a_weak_servo_makes_no_timing_possible():
    """A shoulder that cannot hold its arm: pace 0, lift below 1."""
    bench = seedling.bench()
    stock = tuple(
        dataclasses.replace(s, stall_torque=0.1 * s.stall_torque) if s.name == "high-torque" else s for s in bench.stock
    )
    moves = (seedling.go("left", *HOME), seedling.go("left", 0, 85, 10, 10, 0))
    facts = facts_of(dataclasses.replace(bench, stock=stock), seedling.routine_of(*moves))
    assert pace(facts).margin == 0.0
    assert "no timing is possible" in pace(facts).why
    assert lift(facts).margin < 1.0


def test_nothing_moves():
    """A routine that only waits cannot fail to keep up."""
    facts = facts_of(seedling.bench(), seedling.routine_of(Step(do="wait", arm="both", time=1.0)))
    assert pace(facts).margin == 99.0
    assert miss(facts).margin == 99.0


# -- clear ---------------------------------------------------------------------------------------------------------


def test_clear_is_the_distance_less_what_may_be_dead_motion():
    """Every sample, every pair, without a shortcut."""
    for name in ("pass-pot", "carry-tray", "write-label"):
        facts = facts_of(seedling.bench(), seedling.routine(name))
        every = range(0, len(facts.motion.t), 200)
        taken = np.concatenate(
            [pair_dead_motion(facts.model, facts.motion.q[i : i + 200], facts.link_torque[i : i + 200]) for i in every]
        )
        beside = facts.aside
        more = pair_dead_motion(facts.model, beside.q, facts.link_torque[beside.sample])
        least = min((facts.gaps - taken).min(), (beside.gaps - more).min())
        assert clear(facts).margin == pytest.approx(least * 1e3, abs=1e-9)
        assert np.all(taken <= most_dead_motion(facts.model, facts.link_torque) + 1e-12)


def test_stirring_before_the_start_counts_too():
    """A straight arm that leans to just above the table at its start, stirred by 2.5 degrees: its fingertips go down by
    323 mm x sin 2.5 degrees for the shoulder, and by 120 mm x sin 2.5 degrees for the wrist, which swings with it.
    """
    facts = still(0, 97.0, 0, 0, 0)
    model = facts.model
    names = [model.bodies.pair_name(k) for k in range(len(model.bodies.pairs))]
    k = names.index("left gripper and the table")
    planned, stirred = facts.gaps[:, k].min(), facts.aside.gaps[:, k].min()
    assert 0.0 < planned
    assert planned - stirred == pytest.approx((0.323 + 0.120) * np.sin(np.radians(2.5)), abs=2.5e-3)
    found = clear(facts)
    assert "left gripper and the table" in found.why
    assert "stirred before the start" in found.why
    assert found.when == 0.0


def test_joints_that_stop_short_of_a_pose_count_too():
    """A corrected run comes home from 2.5 degrees beside its targets; an uncorrected one does not."""
    model = seedling.model()
    plain = seedling.routine("pass-pot")
    correction = correct(model, plain)
    beside = facts_on(model, correction.routine, motion=correction.motion).aside
    short = [n for n, words in enumerate(beside.words) if "stop short" in words]
    assert short
    assert not any("stop short" in words for words in facts_on(model, plain).aside.words)
    for n in short:
        way = correction.approach[int(beside.sample[n])]
        away = beside.q[n] - correction.motion.q[beside.sample[n]]
        assert away == pytest.approx(-np.radians(2.5) * way)
        assert np.any(way)


def test_dead_motion_of_a_gripper_over_the_table_by_hand():
    """A straight arm leaning at 90°: shoulder, elbow and wrist at 323, 218 and 120 mm from the fingertips, half of
    0.9°, 0.9° and 1.0° of play each; yaw and roll do not matter for height, but their levers count as well."""
    facts = still(0, 90, 0, 0, 0)
    n = len(facts.motion.t) - 5
    model = facts.model
    taken = pair_dead_motion(model, facts.motion.q[n : n + 1], np.zeros((1, 10)))[0]
    names = [model.bodies.pair_name(k) for k in range(len(model.bodies.pairs))]
    k = names.index("left gripper and the table")
    tip = 0.065  # the body ends one radius before the fingertips
    levers = [0.105 + 0.098 + 0.040 + tip] * 2 + [0.098 + 0.040 + tip, 0.040 + tip, 0.0]
    half = np.radians([0.9, 0.9, 0.9, 1.0, 1.0]) / 2
    assert taken[k] == pytest.approx(float(np.array(levers) @ half), rel=1e-6)
    # Without any play, 0.4 N·m on the shoulder and 0.1 N·m the other way on the wrist still bend what is printed.
    tight = dataclasses.replace(
        model, unseen_play=np.zeros(10), compliance=np.radians([0.0, 2.0, 0.0, 4.0, 0.0, *[0.0] * 5])
    )
    passed = np.array([[0.0, 0.4, 0.0, -0.1, 0.0, *[0.0] * 5]])
    taken = pair_dead_motion(tight, facts.motion.q[n : n + 1], passed)[0]
    bent = np.radians(2.0) * 0.4 * levers[1] + np.radians(4.0) * 0.1 * levers[3]
    assert taken[k] == pytest.approx(bent, rel=1e-6)


def test_within_one_arm_only_the_joints_between_two_links_part_them():
    """Upper arm against gripper: elbow, wrist and roll count, shoulder and yaw turn both."""
    facts = still(0, 90, 0, 0, 0)
    n = len(facts.motion.t) - 5
    model = facts.model
    names = [model.bodies.pair_name(k) for k in range(len(model.bodies.pairs))]
    k = names.index("left shoulder link and left gripper")
    taken = pair_dead_motion(model, facts.motion.q[n : n + 1], np.zeros((1, 10)))[0, k]
    half = np.radians([0.9, 1.0, 1.0]) / 2
    assert taken == pytest.approx(float(np.array([0.098 + 0.040 + 0.065, 0.040 + 0.065, 0.0]) @ half), rel=1e-6)


# -- miss ----------------------------------------------------------------------------------------------------------


def test_miss_is_tolerance_over_predicted_miss():
    """The worst pose of all, its own tolerance, in the way it will be played."""
    facts = facts_of(seedling.bench(), seedling.routine("pass-pot"))
    found = miss(facts)
    ratios = [facts.routine.tolerance_of(x.step) / x.expected for x in facts.landings("trimmed")]
    assert found.margin == pytest.approx(min(ratios))
    assert "when trimmed" in found.why
    assert re.search(r"\(of which \w+ \d+\.\d mm, \w+ \d+\.\d mm; ", found.why), "every figure has its unit"
    assert found.subject["side"] == facts.landings("trimmed")[int(np.argmin(ratios))].side


def test_a_wider_tolerance_widens_miss():
    """Twice the tolerance, twice the margin."""
    routine = seedling.routine("pass-pot")
    about = dataclasses.replace(routine.about, tolerance=2 * routine.about.tolerance)
    wide = facts_of(seedling.bench(), dataclasses.replace(routine, about=about))
    assert miss(wide).margin == pytest.approx(2 * miss(facts_of(seedling.bench(), routine)).margin)


# -- power ---------------------------------------------------------------------------------------------------------


def test_power_is_the_supply_against_the_peak_of_both_arms():
    """Currents of all joints and grippers and the surge of starting, at the worst sample."""
    facts = facts_of(seedling.bench(), seedling.routine("carry-tray"))
    total = (facts.arm_currents + surge(facts)).sum(axis=1).max()
    supply = facts.bench.supply.limit / total
    mean = max(np.convolve(facts.arm_currents[:, a], np.ones(100) / 100, mode="same").max() for a in (0, 1))
    fuse = 0.75 * facts.bench.arms.left.wire.fuse / mean
    assert power(facts).margin == pytest.approx(min(supply, fuse))


def test_a_small_fuse_is_the_weakest_part():
    """With a fuse of 2 A on the right arm, that is what is told."""
    bench = seedling.bench()
    right = bench.arms.right
    arms = dataclasses.replace(
        bench.arms, right=dataclasses.replace(right, wire=dataclasses.replace(right.wire, fuse=2.0))
    )
    found = power(facts_of(dataclasses.replace(bench, arms=arms), seedling.routine("carry-tray")))
    assert (found.subject["part"], found.subject["side"]) == ("fuse", "right")
    assert "2.0 A fuse" in found.why


@pytest.mark.parametrize("volts", [6.0, 7.4])
def test_starting_from_rest_draws_stall_current_for_its_drive(volts):
    """A move of the yaw alone: at its first sample the servo sees the target run ahead by its dead time.

    Rated for 6 V, a servo that stands draws so much more at 7.4 V, as its winding has it: 2.5 A become 3.08 A.
    """
    moves = (seedling.go("left", *HOME), seedling.go("left", 60, -15, 75, 60, 0))
    bench = seedling.bench()
    bench = dataclasses.replace(bench, supply=dataclasses.replace(bench.supply, voltage=volts))
    facts = facts_of(bench, seedling.routine_of(*moves))
    extra = surge(facts)
    starts = np.flatnonzero(extra[:, 0] > 0)
    assert len(starts) == 1
    n = int(starts[0])
    model, servo = facts.model, facts.bench.servo_of(facts.bench.joints[0])
    ahead = abs(facts.motion.q[n + round(servo.dead_time / 0.01), 0] - facts.motion.q[n, 0])
    drive = max(
        volts / 6.0 * (ahead + model.dead_band[0] / 2) / model.full_drive[0],
        (abs(facts.torque[n, 0]) + model.limp_friction[0]) / model.stall[0],
    )
    assert extra[n, 0] == pytest.approx(drive * servo.stall_current - facts.currents[n, 0], rel=1e-9)
    hard = dataclasses.replace(facts, model=dataclasses.replace(model, full_drive=1e-6 * model.full_drive))
    assert surge(hard)[n, 0] == pytest.approx(2.5 * volts / 6.0 - facts.currents[n, 0])


# -- heat ----------------------------------------------------------------------------------------------------------


def test_heat_of_holding_still_for_ever():
    """Loss is current squared times winding resistance; without a pause the case comes to loss times 12 K/W."""
    facts = still(0, 80, 20, 10, 0, seconds=60.0)
    about = dataclasses.replace(facts.routine.about, rest=0.0)
    facts = facts_of(facts.bench, dataclasses.replace(facts.routine, about=about))
    found = heat(facts)
    i = found.subject["joint"]
    servo = facts.bench.servo_of(facts.bench.joints[i])
    mean_loss = float((facts.currents[:, i] ** 2).mean()) * servo.winding_resistance
    hot = facts.bench.ambient_temperature + mean_loss * servo.thermal_resistance
    # A minute against a time constant of 300 s: the level swings about its mean by a few per cent of its rise.
    rise = mean_loss * servo.thermal_resistance
    assert servo.limit_temperature - found.margin == pytest.approx(hot, abs=0.03 * rise + 0.01)


def test_a_pause_cools():
    """The same routine with as long a pause warms about half as much."""
    facts = still(0, 80, 20, 10, 0, seconds=60.0)
    about = dataclasses.replace(facts.routine.about, rest=facts.motion.duration)
    paused = facts_of(facts.bench, dataclasses.replace(facts.routine, about=about))
    none = facts_of(facts.bench, dataclasses.replace(facts.routine, about=dataclasses.replace(about, rest=0.0)))
    servo = facts.bench.servo_of(facts.bench.joints[1])
    room = servo.limit_temperature - facts.bench.ambient_temperature
    assert (room - heat(paused).margin) == pytest.approx(0.5 * (room - heat(none).margin), rel=0.15)


def test_heat_says_one_thing():
    """The temperature is judged, with the pauses; another share that it may carry for ever is not put beside it."""
    found = heat(facts_of(seedling.bench(), seedling.routine("write-label")))
    assert re.fullmatch(
        r"reaches \d+ °C of 65 °C, repeated without end with pauses of [\d.]+ s; "
        r"while it plays it carries \d+ % of its stall torque on average",
        found.why,
    )


def test_the_time_until_it_is_too_warm():
    """A steady loss, cut into cycles: rise·(1 - exp(-t/time)) passes what is allowed; with pauses later, or never."""
    loss, resistance, time, dt = np.full(100, 2.0), 10.0, 300.0, 0.1
    # 20 K at last; 15 K after time·ln 4, told in whole cycles of 10 s.
    after = time_to_warm(loss, resistance, time, 0.0, 15.0, dt)
    assert after == pytest.approx(time * np.log(4.0), abs=10.0)
    assert time_to_warm(loss, resistance, time, 0.0, 20.5, dt) is None
    assert time_to_warm(loss, resistance, time, 10.0, 15.0, dt) is None
    assert time_to_warm(loss, resistance, time, 2.0, 15.0, dt) > after
    assert time_to_warm(loss, resistance, time, 0.0, 0.1, dt) == pytest.approx(10.0)


@pytest.mark.parametrize(("pause", "says"), [
    (0.0, "; more than (\\d+) minutes of it would be too much; "),
    (30.0, "; without the pauses more than (\\d+) minutes of it would be too much; "),
])  # fmt: skip
def test_too_much_of_it_is_told_in_time(pause, says):
    """A limit between what it reaches with its pauses and without them."""
    bench, routine = seedling.bench(), seedling.routine("write-label")
    ways = [dataclasses.replace(routine, about=dataclasses.replace(routine.about, rest=rest)) for rest in (0.0, 30.0)]
    hot = [heat(facts_of(bench, way)) for way in ways]
    limit = 273.15 + 65.0 - 0.5 * (hot[0].margin + hot[1].margin)
    stock = tuple(dataclasses.replace(servo, limit_temperature=limit) for servo in bench.stock)
    found = heat(facts_of(dataclasses.replace(bench, stock=stock), ways[0 if pause == 0.0 else 1]))
    assert (found.margin < 0.0) == (pause == 0.0)
    assert re.search(says, found.why), found.why


# -- changes -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["pass-pot", "carry-tray"])
def test_changes_are_real_and_the_best_come_first(name):
    """At most three, each with more room than now, the best first; questions that hold get none."""
    answers = ask(facts_of(seedling.bench(), seedling.routine(name)))
    for answer in answers.answers:
        assert len(answer.changes) <= 3
        rooms = [c.room for c in answer.changes]
        assert rooms == sorted(rooms, reverse=True)
        assert all(room > answer.room for room in rooms)
        if answer.verdict == "holds":
            assert answer.changes == ()
    assert answers.of("miss").changes[0].words.startswith("correct the routine")


def test_changes_that_pull_both_ways_are_marked():
    """Nearer for the one, farther for the other: the one with less room stands, the other says what it is against."""
    bench, routine = seedling.bench(), seedling.routine("write-label")

    def change(bases):
        return Change(f"bases {bases}", "tight", 0.9, 4.0, bench, routine, bases)

    def answer(question, room, *bases):
        return Answer(question, "tight", room, Finding(1.0, None, "", ""), 0.0, 5.0, tuple(change(b) for b in bases))

    rows = [answer("reach", 0.7, 1, 0), answer("clear", 0.3, 0, -1), answer("meet", 0.8, -1), answer("lift", 0.1, 0)]
    found = {a.question: [c.conflict for c in a.changes] for a in agreed(rows)}
    assert found == {
        "reach": ["but clear, which has less room, asks for bases nearer", ""],
        "clear": ["", ""],
        "meet": [""],
        "lift": [""],
    }
    assert agreed(rows)[0].plain()["changes"][0]["conflict"].startswith("but clear")
    answers = Answers("r", 1.0, agreed(rows))
    assert "asks for bases nearer" in " ".join(answers_text(answers, "b").split())
    assert all(c.conflict == "" for a in agreed(rows[:1]) for c in a.changes)


def test_trials_of_bases_say_their_way():
    """Nearer is -1, farther 1, and all else leaves them."""
    facts = facts_of(seedling.bench(), seedling.routine("pass-pot"))
    for question in ("reach", "clear"):
        for trial in _trials(question, QUESTIONS[question](facts), facts):
            way = 0 if "bases" not in trial.words else -1 if "nearer" in trial.words else 1
            assert trial.bases == way, trial.words


def test_a_change_gives_what_asking_again_gives():
    """A supply for 1.5 times the current: the same answer as on a bench that has it."""
    bench = seedling.bench()
    weak = dataclasses.replace(bench, supply=dataclasses.replace(bench.supply, limit=5.0))
    routine = seedling.routine("carry-tray")
    answer = ask(facts_of(weak, routine)).of("power")
    assert answer.verdict != "holds"
    change = next(c for c in answer.changes if c.words.startswith("a supply"))
    strong = dataclasses.replace(bench, supply=dataclasses.replace(bench.supply, limit=7.5))
    assert change.margin == pytest.approx(power(facts_of(strong, routine)).margin)
    slower = next(c for c in answer.changes if c.words.startswith("slower"))
    about = dataclasses.replace(routine.about, pace=0.6 * routine.about.pace)
    assert slower.margin == pytest.approx(power(facts_of(weak, dataclasses.replace(routine, about=about))).margin)


def test_a_stronger_servo_must_turn_as_far():
    """The wide roll turns 260°: no servo of 180° is offered for it, however strong."""
    facts = still(*HOME)
    offered = {i: [t.words.split(" at ")[0] for t in _stronger(facts, i)] for i in (3, 4)}
    # The wrist turns 178°: of the stronger ones with 180° the two cheapest.
    assert offered == {3: ["standard-plastic", "standard-metal"], 4: []}
    assert "high-torque-7V" not in [t.words.split(" at ")[0] for t in _stronger(facts, 1)]


def test_plain_values_for_a_machine():
    """What --json prints: every answer with its verdict, margin, unit, limits, place and changes."""
    answers = ask(facts_of(seedling.bench(), seedling.routine("pass-pot")), try_changes=False)
    plain = answers.plain()
    # What is asked of carries alone is left out, and so is a taught pass on a bench whose feedback nobody measured.
    assert [a["question"] for a in plain["answers"]] == [q for q in QUESTIONS if q not in ASKED_OF or q == "grip"]
    # Of the pass that is said, with why; of carries, which it has none of, nothing.
    ((question, why),) = answers.left_out
    assert (question, plain["left_out"]) == ("meet", [{"question": "meet", "why": why}])
    assert why.startswith("not asked of a taught pass while 10 feedback lines are not measured")
    assert ask(facts_of(seedling.bench(), seedling.routine("carry-tray")), False).left_out == ()
    assert plain["worst"] == answers.worst.question
    first = plain["answers"][0]
    assert set(first) == {
        "question", "verdict", "room", "margin", "margin_is", "unit", "limit", "enough", "when_s", "where", "why",
        "changes",
    }  # fmt: skip
    assert answers.fails == any(a["verdict"] == "fails" for a in plain["answers"])


def test_a_corrected_drawing_is_judged_as_it_is_drawn():
    """What a drawing sends stands in no file, so it is corrected anew: its lines land within a millimetre on arms that
    are as the bench says, also where joints turn round; uncorrected ones do not."""
    bench, model = seedling.bench(), seedling.model()
    plain = seedling.routine("write-label")
    stored = without_drawings(correct(model, plain).routine)
    number = next(n for n, step in enumerate(plain.steps) if step.do == "draw")
    assert stored.steps[number].left.path_command is None
    assert stored.corrected
    assert not plain.corrected
    off = {}
    for name, routine in (("corrected", stored), ("as it is", plain)):
        facts = facts_of(bench, routine)
        down = tip_path(facts.motion.routine.steps[number])[2]
        rows = [x for x in facts.landings("trimmed") if x.step == number and x.row and down[x.row]]
        assert len(rows) > 50
        off[name] = np.array([np.linalg.norm(x.miss) for x in rows]) * 1e3
    assert off["corrected"].max() < 1.5
    assert np.sqrt((off["corrected"] ** 2).mean()) < 0.5
    assert np.median(off["as it is"]) > 2.0
