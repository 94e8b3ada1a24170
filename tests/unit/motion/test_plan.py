"""From steps to samples: order, sync, what is held, when poses are reached."""

from __future__ import annotations

import dataclasses
from functools import cache

import numpy as np
import pytest

from handfast.answers.facts import facts_of
from handfast.answers.questions import lift
from handfast.mechanics.kinematics import tool_poses
from handfast.motion.gripping import closing_gap, tightest
from handfast.motion.plan import DT, plan
from handfast.motion.taught_poses import last_ways, taught_poses
from handfast.motion.timing import EFFORT, excess
from handfast.routine.steps import Step, Taught
from support import seedling

HOME = (0, -15, 75, 60, 0)
AWAY = (30, 20, 40, 20, 30)


@cache
def planned(name: str):
    """A routine of the seedling bench, planned."""
    return plan(seedling.model(), seedling.routine(name))


def both(*pose: float) -> Step:
    """Both arms to one pose."""
    one = seedling.go("left", *pose)
    return one.with_taught("right", one.left)


@pytest.mark.parametrize("name", ["pass-pot", "carry-tray", "write-label"])
def test_samples_belong_together(name):
    """Times 10 ms apart; speeds are the differences of places; no leap anywhere, and rest at the end."""
    m = planned(name)
    N = len(m.t)
    assert m.t == pytest.approx(DT * np.arange(N))
    for array, width in ((m.q, 10), (m.qd, 10), (m.qdd, 10), (m.gaps, 2), (m.loads, 2), (m.step, 2)):
        assert array.shape == (N, width)
    assert m.load_offsets.shape == (N, 2, 3)
    assert np.all(m.qd[-1] == 0)
    # Trapezoid rule over 10 ms: a jerk of 60 rad/s² in 60 ms errs by 1000·DT³/12.
    assert np.diff(m.q, axis=0) == pytest.approx(0.5 * (m.qd[1:] + m.qd[:-1]) * DT, abs=2e-4)
    assert np.all(np.diff(m.step, axis=0) >= 0)


def test_arms_run_side_by_side_and_meet_where_a_step_needs_both():
    """Left moves while right has not begun; a step of both begins for both at once, and ends for both at once."""
    m = plan(
        seedling.model(),
        seedling.routine_of(
            both(*HOME), seedling.go("left", *AWAY), seedling.go("right", *AWAY), both(*HOME)
        ),
    )  # fmt: skip
    begins = {(step, side): int(np.argmax(m.step[:, a] == step)) for step in (1, 2, 3) for a, side in enumerate("lr")}
    assert begins[1, "l"] == pytest.approx(begins[2, "r"], abs=2)
    assert begins[3, "l"] == pytest.approx(begins[3, "r"], abs=1)
    moving = np.abs(m.qd) > 1e-9
    together = m.step[:, 0] == 3
    assert np.array_equal(moving[together][:, :5].any(axis=1), moving[together][:, 5:].any(axis=1))


def test_a_step_may_wait_for_another():
    """`after` holds the right arm back until the left one's named step is over."""
    first = dataclasses.replace(seedling.go("left", *AWAY), name="clear")
    second = seedling.go("right", *AWAY, after="clear")
    m = plan(seedling.model(), seedling.routine_of(both(*HOME), first, second))
    left_done = m.arrivals[2].sample
    right_begins = int(np.argmax(np.abs(m.qd[:, 5:]).max(axis=1) > 1e-9))
    assert right_begins >= left_done


@pytest.mark.parametrize("time", [0.8, 2.0])
def test_a_step_takes_the_time_it_is_given(time):
    """To the sample, the blending included."""
    m = plan(seedling.model(), seedling.routine_of(seedling.go("left", *HOME), seedling.go("left", *AWAY, time=time)))
    samples = m.arrivals[1].sample - m.arrivals[0].sample
    assert samples * DT == pytest.approx(time, abs=DT)


def test_pace_slows_motion_and_dwell_rests():
    """Half the pace: twice the law's time; a dwell of half a second is 50 samples at the end."""
    quick = plan(seedling.model(), seedling.routine_of(seedling.go("left", *HOME), seedling.go("left", *AWAY)))
    slow = plan(
        seedling.model(),
        seedling.routine_of(seedling.go("left", *HOME), seedling.go("left", *AWAY, pace=0.5, dwell=0.5)),
    )
    assert slow.timings[0].planned == pytest.approx(2 * quick.timings[0].planned)
    assert np.all(slow.qd[-50:] == 0)
    assert len(slow.t) - 1 - slow.arrivals[-1].sample == 50


def test_effort_is_kept():
    """At full pace every torque stays within two thirds of the line and a little for the blending."""
    model = seedling.model()
    m = plan(model, seedling.routine_of(both(*HOME), both(60, 50, 20, -10, 90), both(-40, 10, 60, 50, -60)))
    from handfast.mechanics.dynamics import inverse_dynamics

    tau = inverse_dynamics(model.chain, m.q, m.qd, m.qdd) + model.rotor * m.qdd + model.friction * np.sign(m.qd)
    # At the unloaded voltage the line lies a few per cent above the one that was planned with.
    over = excess(tau, m.qd, EFFORT * model.stall, model.free_speed)
    assert over.max() < 0.05
    assert over.max() > -0.2  # and it is used


def test_jaws_and_loads_follow_the_steps():
    """Wide open at first, shut on the pot while it is held; the load comes with the grip and goes with the release."""
    model = seedling.model()
    grip, release = Step(do="grip", arm="left", thing="plug-pot"), Step(do="release", arm="left", gap=0.03)
    m = plan(model, seedling.routine_of(seedling.go("left", *HOME), grip, seedling.go("left", *AWAY), release))
    assert m.gaps[0].tolist() == pytest.approx([0.056, 0.056])
    carrying = m.step[:, 0] == 2
    # Pressed with half of the servo's stall torque: 2 of the 4 degrees that full drive takes; then half of its dead
    # band of 10 µs of 2000 for 180 degrees, 0.45, and half of 0.8 degrees of play. 2.85 degrees of 80 for 56 mm.
    assert m.gaps[carrying, 0] == pytest.approx(0.036 - 2.85 * 0.056 / 80)
    (closing,) = m.closings
    assert (closing.side, closing.thing) == ("left", "plug-pot")
    assert (closing.wide, closing.width) == pytest.approx((0.056, 0.036))
    assert np.all(np.diff(m.gaps[closing.begin : closing.end + 1, 0]) < 0)
    assert m.gaps[closing.end, 0] == closing.gap
    assert m.loads[carrying, 0] == pytest.approx(0.045)
    assert np.all(m.loads[:, 1] == 0)
    assert m.gaps[-1, 0] == pytest.approx(0.030)
    assert m.loads[-1, 0] == 0.0


@pytest.mark.parametrize("turned", [1.0, -1.0])
def test_jaws_press_on_things_as_thin_as_paper(turned):
    """Pads that meet 10° before the end of their servo's travel: it may be asked past shut, 56/80 mm for each degree,
    and is, by the 2.85° that it takes to press what has no width. Built the other way round, it is the same."""
    bench = seedling.bench()
    gripper = bench.arms.left.gripper
    gripper = dataclasses.replace(
        gripper, angle_shut=turned * gripper.angle_shut, angle_open=turned * gripper.angle_open
    )
    assert (np.degrees(gripper.angle_shut) * turned, *np.degrees(gripper.travel)) == pytest.approx((-40, -50, 50))
    assert tightest(gripper) == pytest.approx(-10 * 0.056 / 80)
    paper = dataclasses.replace(bench.thing("label"), grip_width=0.0, crush_force=1000.0)
    assert closing_gap(bench, gripper, paper) == pytest.approx(-2.85 * 0.056 / 80)


def test_a_law_reckons_with_the_voltage_that_is_left():
    """A supply of 0.1 Ω, which sags by more than a volt: planned to two thirds of what servos can give at the voltage
    that they then get, so that lift is 1.5, blending aside. At the voltage before they draw any it would be 1.3."""
    bench = seedling.bench()
    weak = dataclasses.replace(bench, supply=dataclasses.replace(bench.supply, resistance=0.1))
    routine = seedling.routine_of(both(*HOME), both(60, 50, 20, -10, 90), both(-40, 10, 60, 50, -60))
    facts = facts_of(weak, routine)
    assert facts.volts.min() < 5.0
    assert lift(facts).margin >= 1.5 * 0.98


def test_a_thing_gripped_above_its_middle_hangs_below_the_tcp():
    """The tray's grip is 10 mm above its middle: its mass hangs 10 mm below the TCP, however the hand is turned."""
    model = seedling.model()
    grip = Step(do="grip", arm="left", thing="seed-tray")
    m = plan(model, seedling.routine_of(seedling.go("left", 20, 40, 60, 60, 30), grip))
    R_LT = model.chain.tool_turns[0]
    X_WT = tool_poses(model.chain, m.q[-1])[0, 0]
    hanging = X_WT[:3, :3] @ R_LT.T @ m.load_offsets[-1, 0]
    assert hanging == pytest.approx([0, 0, -0.010], abs=1e-9)


def test_a_pass_presents_enters_closes_and_draws_back():
    """Both poses are reached at once; the taker holds the whole mass before the giver opens; the giver then leaves."""
    m = planned("pass-pot")
    number = next(i for i, s in enumerate(m.routine.steps) if s.do == "pass")
    step = m.routine.steps[number]
    giver, taker = (0, 1) if step.giver == "left" else (1, 0)
    reached = [a for a in m.arrivals if a.step == number]
    assert {a.side for a in reached} == {"left", "right"}
    inside = m.step[:, taker] == number
    full = np.argmax((m.loads[:, taker] >= 0.045 - 1e-9) & inside)
    opened = np.argmax((m.gaps[:, giver] > 0.0401) & (np.arange(len(m.t)) > full))
    assert 0 < full <= opened
    assert m.loads[-1, giver] == 0.0
    # Drawn back by 40 mm along the fingers.
    at = tool_poses(m_model().chain, m.q[[max(a.sample for a in reached), int(np.flatnonzero(inside)[-1])]])[:, giver]
    back = (at[1, :3, 3] - at[0, :3, 3]) @ at[0, :3, 2]
    assert back == pytest.approx(-step.approach, abs=1e-3)


def test_a_thing_that_is_passed_hangs_in_one_place():
    """Closed at the meeting, both hands say the same of where the pot's middle is, and the taker is far from it."""
    m, model = planned("pass-pot"), m_model()
    (closing,) = (c for c in m.closings if c.side == "left")
    X_WT = tool_poses(model.chain, m.q[closing.end])[0]
    middle = [
        X_WT[arm, :3, 3] + X_WT[arm, :3, :3] @ model.chain.tool_turns[arm].T @ m.load_offsets[closing.end, arm]
        for arm in (0, 1)
    ]
    assert middle[0] == pytest.approx(middle[1], abs=1e-6)
    # One hand grips above the other, whose fingers are 18 mm wide: not as if it had been taken 11 mm above its middle.
    assert np.linalg.norm(middle[0] - (X_WT[0, :3, 3] - [0.0, 0.0, 0.011])) > 0.018
    assert np.array_equal(m.load_offsets[-1, 0], m.load_offsets[closing.end, 0])


def test_hands_that_hold_one_thing_share_its_load():
    """The tray weighs 110 g: all of it on the hand that has it alone, half on each of two, whoever took it first."""
    grips = [Step(do="grip", arm=side, thing="seed-tray") for side in ("left", "right")]
    lets_go = Step(do="release", arm="left")
    m = plan(m_model(), seedling.routine_of(both(*HOME), *grips, both(*AWAY), lets_go, seedling.go("right", *HOME)))
    one, two = m.closings
    assert m.loads[one.end] == pytest.approx([0.110, 0.0])
    assert m.loads[two.begin, 0] == pytest.approx(0.110)
    carried = m.step[:, 0] == 3
    assert m.loads[carried] == pytest.approx(np.full((carried.sum(), 2), 0.055))
    let_go = np.flatnonzero(m.step[:, 0] == 4)
    assert m.loads[let_go[1:], 1] == pytest.approx(0.110)
    assert m.loads[-1] == pytest.approx([0.0, 0.110])
    # At once, it is shared from the first.
    m = plan(m_model(), seedling.routine_of(both(*HOME), Step(do="grip", arm="both", thing="seed-tray"), both(*AWAY)))
    assert m.loads[-1] == pytest.approx([0.055, 0.055])
    assert m.loads.max() <= 0.055 + 1e-12


def m_model():
    """The seedling bench for computing."""
    return seedling.model()


def test_a_carry_keeps_the_distance_of_both_grips():
    """Along the whole way the two TCPs stay as far apart as they were when they closed."""
    model = seedling.model()
    m = planned("carry-tray")
    for number, step in enumerate(m.routine.steps):
        if step.do != "carry":
            continue
        inside = (m.step[:, 0] == number) & (np.abs(m.qd).max(axis=1) > 1e-9)
        tips = tool_poses(model.chain, m.q[inside])[:, :, :3, 3]
        apart = np.linalg.norm(tips[:, 1] - tips[:, 0], axis=1)
        # A spline through 41 solved places leaves the straight way by far less than a tenth of a millimetre.
        assert np.ptp(apart) < 1e-4


def test_strokes_are_played_at_the_taught_speed_times_the_pace():
    """A slow stroke takes its taught time over the pace; each row is reached in order."""
    s = np.linspace(0, 1, 40)
    rows = np.radians(np.column_stack([20 * s, -15 + 5 * s, 75 - 5 * s, 60 + 0 * s, 0 * s]))
    taught = Taught(held="held", path=tuple(map(tuple, rows)), times=tuple(4.0 * s))
    for pace in (1.0, 0.5):
        stroke = Step(do="stroke").with_taught("left", taught)
        m = plan(seedling.model(), seedling.routine_of(stroke, pace=pace))
        assert m.timings[-1].planned == pytest.approx(4.0 / pace, rel=0.1)
        samples = [a.sample for a in m.arrivals]
        assert samples == sorted(samples)
        assert [a.row for a in m.arrivals] == list(range(40))
        for arrival in m.arrivals:
            # A sample is up to 10 ms late: 20°/4 s·1.5·10 ms.
            assert np.degrees(m.q[arrival.sample, :5] - rows[arrival.row]) == pytest.approx(np.zeros(5), abs=0.1)


def test_known_laws_change_nothing():
    """A plan that takes its time laws from an earlier one is the same, and finds none of them anew."""
    model, known = seedling.model(), {}
    first = plan(model, seedling.routine("pass-pot"), known=known)
    count = len(known)
    second = plan(model, seedling.routine("pass-pot"), known=known)
    assert len(known) == count > 0
    assert np.array_equal(first.q, second.q)
    about = dataclasses.replace(seedling.routine("pass-pot").about, pace=0.3)
    slower = dataclasses.replace(seedling.routine("pass-pot"), about=about)
    fresh, shared = plan(model, slower), plan(model, slower, known=known)
    assert len(known) == count
    assert np.array_equal(fresh.q, shared.q)


def test_a_weaker_bench_does_not_take_a_stronger_ones_laws():
    """Stall torque is part of what a law is known by."""
    model, known = seedling.model(), {}
    routine = seedling.routine_of(both(*HOME), both(*AWAY))
    plan(model, routine, known=known)
    weak = dataclasses.replace(model, stall=0.8 * model.stall)
    assert plan(weak, routine, known=known).duration == pytest.approx(plan(weak, routine).duration)
    assert plan(weak, routine).duration > plan(model, routine).duration


def test_the_way_of_the_last_motion():
    """Kept while a joint stands; none before it first moved."""
    qd = np.array([[0, 0], [1, 0], [0, 0], [-1, 1e-9], [0, 0]], dtype=float)
    assert last_ways(qd).tolist() == [[0, 0], [1, 0], [1, 0], [-1, 0], [-1, 0]]


def test_taught_poses_are_what_the_landing_needs():
    """Taught angles of the own arm, the other arm where it stands, how it was held and reached, loads of that time."""
    m = planned("carry-tray")
    poses = taught_poses(seedling.model(), m)
    for n, arrival in enumerate(m.arrivals):
        part = seedling.model().bench.columns(arrival.side)
        other = slice(5, 10) if arrival.side == "left" else slice(0, 5)
        said = m.routine.steps[arrival.step].taught(arrival.side)
        assert poses.taught[n, part] == pytest.approx(said.pose)
        assert poses.taught[n, other] == pytest.approx(m.q[arrival.sample, other])
        assert poses.arrived[n, part].tolist() == list(said.arrivals)
        assert poses.held[n, part.start] == {"held": 1, "let go": 0, "unknown": -1}[said.held]
        assert poses.loads[n] == pytest.approx(m.loads[arrival.sample])
    assert not poses.moving.any()
