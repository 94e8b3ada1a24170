"""Seedling routines on the twin: they work as taught, and fail in the stated way when something is broken on purpose.

The routines are taught on arms that are as the bench says. Those played raw take a tenth of the time of a corrected
run; where a pose must be met to pass a pot, the corrected one is played.
"""

from __future__ import annotations

import os
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from handfast.bench.parts import Bench, Gripper, Joint, Side
from handfast.desk.rehearsing import Rehearsed, draws, rehearse
from handfast.mechanics.model import model_of
from handfast.routine.steps import Routine
from support import rehearsing, seedling

SOAK = os.environ.get("HANDFAST_SOAK") == "1"


def with_arm(bench: Bench, side: Side, **changes: object) -> Bench:
    """The bench with something of one arm changed."""
    arm = replace(bench.arm(side), **changes)  # type: ignore[arg-type]
    arms = replace(bench.arms, left=arm) if side == "left" else replace(bench.arms, right=arm)
    return replace(bench, arms=arms)


def with_gripper(bench: Bench, side: Side, **changes: object) -> Bench:
    """The bench with something of one gripper changed."""
    gripper: Gripper = replace(bench.arm(side).gripper, **changes)  # type: ignore[arg-type]
    return with_arm(bench, side, gripper=gripper)


def with_thing(bench: Bench, name: str, **changes: object) -> Bench:
    """The bench with one thing changed."""
    things = tuple(replace(t, **changes) if t.name == name else t for t in bench.things)  # type: ignore[arg-type]
    return replace(bench, things=things)


def until(routine: Routine, steps: int) -> Routine:
    """The first steps of a routine."""
    return replace(routine, steps=routine.steps[:steps])


@cache
def passed() -> Rehearsed:
    """`pass-pot`, corrected, on the twin."""
    return rehearse(seedling.bench(), rehearsing.taught("pass-pot"))


@cache
def carried() -> Rehearsed:
    """`carry-tray`, raw, on the twin."""
    return rehearse(seedling.bench(), rehearsing.taught("carry-tray"), "raw")


@cache
def written() -> Rehearsed:
    """`write-label`, corrected, on the twin."""
    return rehearse(seedling.bench(), rehearsing.taught("write-label"))


def test_the_pot_is_passed():
    """It works: both hands grip it, none drops or tilts it, it ends upright and within the routine's 5 mm of its place.

    Jaws that closed by feel press as hard as they were to: half of the stall torque, over the lever, within 30 %.
    """
    outcome = passed().outcome
    assert outcome.works, outcome.events
    assert {g.side for g in outcome.grips} == {"left", "right"}
    assert all(g.gripped for g in outcome.grips)
    bench = seedling.bench()
    servo = bench.servo_of(bench.arm("left").gripper)
    wanted = 0.5 * servo.stall_torque * bench.supply.voltage / servo.rated_voltage / bench.arm("left").gripper.lever
    for g in outcome.grips:
        assert g.press == pytest.approx(wanted, rel=0.3)
    (pot,) = outcome.stands
    assert pot.beside < 0.005
    assert outcome.duration > 30.0


def test_poses_land_where_the_correction_says():
    """Corrected, on arms that are as the bench says: the middle pose rests within 2.5 mm of where the hand was.

    2.5 mm: the routine is read from a noisy recording, and flanks near balance are decided by friction.
    """
    misses = [x.distance for x in passed().outcome.landed if not x.row]
    assert float(np.median(misses)) < 2.5e-3
    assert len(misses) == 11


def test_holding_torques_agree_with_statics():
    """Two independent reckonings, statics of the bench and the twin's gears, within 10 % or with a cause that is named.

    Asked of joints that hold more than their own friction: 10 % of nothing is nothing, and what a pot that is set down
    a little askew pushes on a roll is not known to statics.
    """
    found = passed().holdings
    assert [h.joint for h in found] == list(seedling.bench().joint_names)
    assert max(abs(h.fast) for h in found) > 0.2
    holding = [h for h in found if abs(h.fast) > h.friction]
    assert len(holding) == 6
    for h in holding:
        assert not h.empty, h
        assert h.why != "no cause found", h


def test_landings_agree_with_the_fast_answer():
    """Predicted and rehearsed landing: within 1 mm where all is decided, else in the predicted set, or with a cause.

    Away from table and other hand the prediction has to hold by itself: at most the poses where the pot is set down
    may need their cause.
    """
    places = [*passed().places, *carried().places]
    assert len(places) == 11 + 12
    assert sum(p.decided for p in places) > 12
    for p in places:
        assert p.why != "no cause found", p
    free = [p for p in passed().places if not p.touch]
    assert len(free) >= 9
    assert np.mean([p.apart <= p.allowed for p in free]) >= 0.8
    assert float(np.median([p.apart for p in free])) < 7e-4


def test_whole_motions_agree_with_the_fast_answers():
    """Torques and currents along whole motions, and when the arms come nearest: alike, or with a cause that is named.

    Root mean square torque within 10 %, largest within 25 %, mean current within 10 %, time within 0.1 s: where the
    load is well above a joint's own friction, three in four agree without one.
    """
    friction = dict(zip(seedling.bench().joint_names, model_of(seedling.bench()).friction, strict=True))
    heavy = []
    for done in (passed(), carried(), written()):
        assert len(done.figures) >= 15
        for f in done.figures:
            assert f.why != "no cause found", (done.run.routine, f)
            assert (f.off <= f.allowed) == (not f.why), f
            joint = f.what.split(",")[0]
            if f.unit == "N·m" and f.fast > 4.0 * friction[joint]:
                heavy.append(f.off <= f.allowed)
    assert len(heavy) >= 20
    assert np.mean(heavy) >= 0.75


def test_the_tray_is_carried():
    """Both hands keep it and its grips stay 206 mm apart to 2 mm, which the tray itself sees to."""
    outcome = carried().outcome
    assert outcome.works, outcome.events
    assert outcome.together is not None
    assert outcome.together < 0.002
    lift = carried().seen.things["seed-tray"][:, 2, 3]
    assert lift.max() - lift[0] > 0.015


def test_slippery_pads_drop_the_pot():
    """Friction of 0.06 instead of 0.65: 45 g need 0.44 N, two pads at 2 N hold 0.25 N. It stays or falls."""
    bench = with_gripper(seedling.bench(), "right", friction=0.06)
    done = rehearse(bench, until(rehearsing.taught("pass-pot"), 4), "raw")
    events = {(e.kind, e.part) for e in done.outcome.events}
    assert events & {("slipped", "right grip of plug-pot"), ("dropped", "right grip of plug-pot")}
    assert all("plug-pot" in part for _, part in events)


def test_a_heavy_tray_slips_or_stays():
    """1.5 kg instead of 110 g: 15 N ask for 7 N per pad at a friction of 0.5; the grippers have less than 5."""
    bench = with_thing(seedling.bench(), "seed-tray", mass=1.5)
    done = rehearse(bench, until(rehearsing.taught("carry-tray"), 4), "raw")
    kinds = {e.kind for e in done.outcome.events}
    assert kinds & {"slipped", "dropped", "cannot follow"}
    assert all(g.used > 0.95 for g in done.outcome.grips if g.gripped) or "cannot follow" in kinds


def test_a_weak_servo_cannot_follow():
    """A shoulder with 4 % of its torque sags under its own arm; the joint is named."""
    bench = seedling.bench()
    joints: list[Joint] = list(bench.arms.right.joints)
    servo = replace(bench.servo_of(joints[1]), name="tired", stall_torque=0.04 * bench.servo_of(joints[1]).stall_torque)
    joints[1] = replace(joints[1], servo_name="tired")
    weak = replace(with_arm(bench, "right", joints=tuple(joints)), stock=(*bench.stock, servo))
    done = rehearse(weak, until(rehearsing.taught("pass-pot"), 2), "raw")
    assert ("cannot follow", "right shoulder") in {(e.kind, e.part) for e in done.outcome.events}


def test_bases_too_far_apart_miss_the_pass():
    """The left base 100 mm farther out: the left jaws close beside the pot, and the note says by how much."""
    bench = seedling.bench()
    x, y, z = bench.arms.left.base
    far = with_arm(bench, "left", base=(x - 0.1, y, z))
    done = rehearse(far, rehearsing.taught("pass-pot"), "raw")
    assert "missed" in {e.kind for e in done.outcome.events if e.part == "left grip of plug-pot"}
    assert any("the left hand was taught" in note and "beside plug-pot" in note for note in done.scene.notes)


def test_draws_repeat_and_have_an_interval():
    """The same seeds give the same numbers, whatever the number of processes; the interval holds the chance."""
    bench, routine = seedling.bench(), until(rehearsing.taught("pass-pot"), 4)
    count = 20 if SOAK else 2
    one = draws(bench, routine, "raw", count, seed=7, jobs=1)
    two = draws(bench, routine, "raw", count, seed=7, jobs=2)
    assert one == two
    assert one.interval[0] <= one.chance <= one.interval[1]
    assert one.joint in bench.joint_names
    assert len({r.misses for r in one.results}) == count  # other seeds are other arms
    assert one.plain()["draws"] == count


def test_the_tray_corrected():
    """With corrected commands, as a maker plays it in the end."""
    assert rehearse(seedling.bench(), rehearsing.taught("carry-tray")).outcome.works


def test_the_label_is_written():
    """Corrected, the pen in grooved pads: it works, the pen stays put, and 90 % of the taught line is drawn."""
    outcome = written().outcome
    assert outcome.works, outcome.events
    (line,) = outcome.lines
    assert line.share >= 0.9
    (grip,) = outcome.grips
    assert np.degrees(grip.tilt) < 6.0


@pytest.mark.parametrize("how", ["narrow flat pads", "held at its end"])
def test_a_pen_held_badly_turns_away(how):
    """Between flat pads of 2 mm, or gripped 50 mm above its middle in a groove, its tip's drag turns it.

    The line is broken; a joint may be pushed off its target by a pen that jams. Between wide flat pads it slides up
    until it hardly presses, and writes.
    """
    bench = seedling.bench()
    if how == "narrow flat pads":
        bench = with_gripper(bench, "left", groove=0.0, pad_radius=0.002)
    else:
        bench = with_thing(bench, "pen", grip_height=0.05)
    outcome = rehearse(bench, rehearsing.taught("write-label")).outcome
    (grip,) = outcome.grips
    assert np.degrees(grip.tilt) > 5.0
    kinds = {event.kind for event in outcome.events}
    assert "line broken" in kinds
    assert all("pen" in event.part or event.kind == "cannot follow" for event in outcome.events), outcome.events
