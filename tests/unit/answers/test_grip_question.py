"""The question grip on the seedling routines: what it finds, and which changes turn it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from handfast.answers.ask import ask
from handfast.answers.facts import facts_of
from handfast.answers.grip_question import grip, held_things
from handfast.answers.pair_questions import pulls, relation
from handfast.correction.correct import correct
from handfast.mechanics.kinematics import tool_poses
from handfast.mechanics.model import model_of
from support import seedling


def with_gripper(bench, side, **changes):
    """The bench with something of one gripper changed."""
    arm = bench.arm(side)
    arm = replace(arm, gripper=replace(arm.gripper, **changes))
    return replace(bench, arms=replace(bench.arms, **{side: arm}))


def with_thing(bench, name, **changes):
    """The bench with one thing changed."""
    return replace(bench, things=tuple(replace(t, **changes) if t.name == name else t for t in bench.things))


def test_a_pot_at_rest_needs_its_weight_over_twice_the_friction():
    """In the middle sample: m g / 2µ = 0.34 N for 45 g at 0.65, a little more where it hangs askew; 4 times at most."""
    facts = facts_of(seedling.bench(), seedling.routine("pass-pot"), ())
    held = held_things(facts)
    assert {(h.side, h.thing.name) for h in held} == {("left", "plug-pot"), ("right", "plug-pot")}
    for h in held:
        least = h.thing.mass * 9.81 / (2 * 0.65)
        assert 0.9 * least < np.median(h.needed) < 1.8 * least
        assert h.needed.max() < 4 * least


def test_the_pen_needs_a_groove():
    """write-label, corrected: held in the shipped groove; between flat pads it fails, and the groove is proposed."""
    bench = seedling.bench()
    routine = correct(model_of(bench), seedling.routine("write-label")).routine
    assert ask(facts_of(bench, routine, ()), False).of("grip").verdict in ("holds", "tight")
    flat = with_gripper(bench, "left", groove=0.0)
    answer = ask(facts_of(flat, routine, ())).of("grip")
    assert answer.verdict == "fails"
    assert "pen" in answer.finding.why
    assert answer.changes[0].words == "a V-groove of 90° in the left pads"
    assert answer.changes[0].verdict != "fails"


def test_gripped_further_from_its_tip_is_worse():
    """Every mm of lever is charged; pads that pivot cannot hold a pen that writes."""
    bench = seedling.bench()
    routine = correct(model_of(bench), seedling.routine("write-label")).routine
    margins = [grip(facts_of(with_thing(bench, "pen", grip_height=h), routine, ())).margin for h in (-0.03, 0.0, 0.03)]
    assert margins[0] > margins[1] > margins[2]
    loose = with_gripper(bench, "left", pads_pivot=True)
    found = grip(facts_of(loose, routine, ()))
    assert found.margin < 0.1
    assert "pads that turn freely" in found.why


def test_a_heavy_thing_and_a_slippery_one():
    """Ten times the weight, or a tenth of the friction, needs about ten times the press (a heavy one moves slower)."""
    bench, routine = seedling.bench(), seedling.routine("pass-pot")
    plain = grip(facts_of(bench, routine, ())).margin
    heavy = grip(facts_of(with_thing(bench, "plug-pot", mass=0.45), routine, ())).margin
    slippery = grip(facts_of(with_thing(bench, "plug-pot", friction=0.065), routine, ())).margin
    assert plain / 11 < heavy < plain / 6
    assert plain / 11 < slippery < plain / 6


def test_a_thing_that_is_put_down_askew_is_told_with_what_helps():
    """Taught, the pot comes down upright, and that is said. Its last hand turned by 45 degrees at the wrist: it falls
    over, the answer fails at that release, and teaching that pose again with the pot upright turns it."""
    bench, routine = seedling.bench(), seedling.routine("pass-pot")
    assert "step 10 (release 1): plug-pot is put down upright" in grip(facts_of(bench, routine, ())).why
    number = 8
    said = routine.steps[number].left
    turned = replace(said, pose=tuple(np.add(said.pose, np.radians([0, 0, 0, -45, 0]))), command=None)
    steps = list(routine.steps)
    steps[number] = steps[number].with_taught("left", turned)
    answer = ask(facts_of(bench, replace(routine, steps=tuple(steps)), ())).of("grip")
    assert answer.verdict == "fails"
    assert answer.margin == pytest.approx(np.degrees(np.arctan2(18, 24)) / 45, rel=0.05)
    assert "step 10 (release 1)" in answer.finding.where
    assert "leans 4" in answer.finding.why
    assert "falls over from 37°" in answer.finding.why
    best = answer.changes[0]
    assert best.words.startswith("step 9 (go 7) of the left arm taught again: plug-pot upright")
    assert best.verdict != "fails"


def test_what_was_passed_is_held_where_the_taker_holds_it():
    """The taker holds the pot 20 mm below where the giver did, as fingers 18 mm wide have to: its middle hangs beside
    the taker's pads, and twists."""
    bench, routine = seedling.bench(), seedling.routine("pass-pot")
    facts = facts_of(bench, routine, ())
    taken = next(h for h in held_things(facts) if h.side == "left")
    sample = next(a.sample for a in facts.motion.arrivals if a.step == 5)
    X_WT = tool_poses(facts.model.chain, facts.motion.q[sample])[0]
    middle = X_WT[1, :3, 3] - [0.0, 0.0, bench.thing("plug-pot").grip_height]
    away = X_WT[0, :3, :3].T @ (middle - X_WT[0, :3, 3])
    lever = float(np.hypot(away[0], away[2]))
    assert lever > 0.005
    alone = facts.motion.step[taken.samples, 0] == 6
    assert taken.twist[alone].max() == pytest.approx(0.045 * 9.81 * lever, rel=0.5)


def test_two_hands_pull_at_each_other_by_what_they_would_stand_apart():
    """Joints that give by the force's torque over the chain bring the hands as far as they would stand apart, or more.

    What is not known is added; no servo pushes more than its stall torque. The pull counts in what the tray needs, to
    no more than the pads hold: then they slide. One hand alone is not pulled at.
    """
    facts = facts_of(seedling.bench(), seedling.routine("carry-tray"), ())
    model, (first, *_) = facts.model, facts.motion.carries
    force, kept = pulls(facts, first), relation(facts, first)
    drive = model.full_drive / (model.stall * facts.bench.supply.voltage / model.rated_voltage)
    for n in (len(force) // 2, len(force) - 1):
        q = facts.motion.q[first.first + n]
        # The torque of a force between the hands, by moving each joint a little.
        step = 1e-6 * np.eye(len(q))
        p = tool_poses(model.chain, np.array([q, *(q + step)]))[:, :, :3, 3]
        away = (p[:, 1] - p[:, 0]) - (p[0, 1] - p[0, 0])
        torque = (away[1:] / 1e-6) @ force[n]
        assert np.all(np.abs(torque) <= model.stall * facts.bench.supply.voltage / model.rated_voltage + 1e-9)
        scale = 1e-3
        moved = tool_poses(model.chain, q + scale * (model.compliance + drive) * torque)[0, :, :3, 3]
        apart = ((moved[1] - moved[0]) - (p[0, 1] - p[0, 0])) / scale
        assert apart @ kept.apart[n] / np.linalg.norm(kept.apart[n]) > 0.99 * np.linalg.norm(kept.apart[n])
    held = held_things(facts)
    assert all(h.strain.max() > 0.1 for h in held)
    assert all(h.needed.max() <= h.given + 1e-9 for h in held)
    assert "by which the hands pull at each other" in grip(facts).why
    alone = held_things(facts_of(seedling.bench(), seedling.routine("pass-pot"), ()))
    assert all(h.strain.max() == 0.0 for h in alone)


def test_nothing_held_is_not_asked():
    """A routine without grip or pass has no such answer; asked all the same, it says that nothing is held."""
    routine = seedling.routine_of(seedling.go("left", 0, -20, 80, 60, 0))
    facts = facts_of(seedling.bench(), routine, ())
    assert "grip" not in {a.question for a in ask(facts, False).answers}
    assert grip(facts).why == "no hand holds anything"
    assert np.isfinite(grip(facts).margin)
