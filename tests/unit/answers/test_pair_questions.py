"""The questions about two arms at once, on carries whose errors can be worked by hand."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from handfast.answers.ask import ask, is_asked
from handfast.answers.facts import facts_of
from handfast.answers.pair_questions import as_things_land, meet, relation, together
from handfast.routine.steps import Step, Taught
from support import seedling
from unit.motion.test_carrying import GRIP, held_at, taught_both


def asked(*ends: Step, bench=None):
    """Facts about a tray that is carried from (±103, -40, 40) mm through `ends`."""
    steps = (taught_both(held_at(103, -40, 40)), GRIP, *ends)
    return facts_of(bench or seedling.bench(), seedling.routine_of(*steps))


def test_what_taught_poses_disagree_about_is_charged():
    """Ends taught 8 mm nearer: without play, sag and lag the grips end 8 mm off; followed, by nothing."""
    near = taught_both(held_at(99, 30, 50), do="carry", thing="seed-tray")
    facts = asked(near)
    kept = relation(facts, facts.motion.carries[0])
    assert kept.taught[-1] == pytest.approx(8e-3, abs=1e-5)
    assert kept.taught[0] < 1e-3
    # Play and sag add to it or take some off, but not the half of it.
    assert 5.0 / 12.0 < together(facts).margin < 5.0 / 5.5
    followed = asked(dataclasses.replace(near, keep="taught"))
    assert (
        relation(followed, followed.motion.carries[0]).taught.max() < 3e-4
    )  # the way in joints, not that of the thing
    assert together(followed).margin > together(facts).margin


def test_a_change_that_follows_the_taught_poses_is_offered_and_tried():
    """The answer that fails by disagreement names the change, with the verdict that it would give."""
    answers = ask(asked(taught_both(held_at(99, 30, 50), do="carry", thing="seed-tray")))
    answer = answers.of("together")
    assert answer.verdict == "fails"
    assert any("taught" in c.words and c.room > answer.room for c in answer.changes)


def test_arms_without_play_sag_or_lag_keep_the_relation():
    """Links that stand where their feedback stands, in servos that follow at once: only what is not known is left."""
    bench = seedling.bench()

    def stiff(arm):
        joints = tuple(dataclasses.replace(j, unseen_play=0.0, compliance=0.0, full_drive=1e-9) for j in arm.joints)
        return dataclasses.replace(arm, joints=joints)

    arms = dataclasses.replace(bench.arms, left=stiff(bench.arms.left), right=stiff(bench.arms.right))
    facts = asked(
        taught_both(held_at(103, 30, 50), do="carry", thing="seed-tray"), bench=dataclasses.replace(bench, arms=arms)
    )
    kept = relation(facts, facts.motion.carries[0])
    # Both arms have the same classes of servo: their dead times differ only between joints.
    assert kept.run.max() < 0.6e-3
    assert kept.taught.max() < 1e-4


def test_twist_beyond_the_pads_fails_and_pivoting_pads_would_help():
    """Rigid pads that bear one degree: the grips twist by more; pads on pins are offered and give more room."""
    bench = seedling.bench()
    gripper = dataclasses.replace(bench.arms.left.gripper, twist_limit=np.radians(0.2))
    arms = dataclasses.replace(bench.arms, left=dataclasses.replace(bench.arms.left, gripper=gripper))
    end = taught_both(held_at(103, 40, 40), do="carry", thing="seed-tray")
    facts = asked(end, bench=dataclasses.replace(bench, arms=arms))
    found = together(facts)
    assert found.subject["part"] == "twist"
    assert found.subject["side"] == "left"
    assert found.margin < 1.0


def test_a_carry_s_end_is_judged_by_the_thing():
    """Misses of the two TCPs that cancel move no thing: their mean counts, and what is not known of both."""
    facts = asked(taught_both(held_at(99, 30, 50), do="carry", thing="seed-tray"))
    raw = facts.landings("trimmed")
    ends = [n for n, x in enumerate(raw) if x.step == 2]
    mean = np.mean([raw[n].miss for n in ends], axis=0)
    for n in ends:
        assert as_things_land(facts, raw)[n].miss == pytest.approx(mean)
    assert as_things_land(facts, raw)[0].miss == pytest.approx(raw[0].miss)


def test_a_pass_is_judged_by_feedback_that_was_measured():
    """Tables that the readings hardly moved are guesses: a taught pass is not asked about, and it says how many."""
    bench, routine = seedling.bench(), seedling.routine("pass-pot")

    def with_tables(guesses):
        arms = {}
        for side in ("left", "right"):
            arm = bench.arm(side)
            joints = tuple(
                dataclasses.replace(
                    j,
                    wiper_rows=tuple((a, j.wiper_at_zero + j.wiper_slope * np.degrees(a)) for a in (-2.2, 2.2)),
                    wiper_known=f"{side} {j.name}" not in guesses,
                )
                for j in arm.joints
            )
            arms[side] = dataclasses.replace(arm, joints=joints)
        return facts_of(dataclasses.replace(bench, arms=dataclasses.replace(bench.arms, **arms)), routine)

    guessed = with_tables(("left elbow", "right yaw", "right roll"))
    assert not is_asked("meet", guessed)
    assert "by feedback lines of which 3 are not measured" in meet(guessed).why
    told = with_tables(())
    assert is_asked("meet", told)
    assert "not measured" not in meet(told).why


def test_not_asked_where_nothing_is_carried():
    """A routine without a carry has no answer to it."""
    facts = facts_of(seedling.bench(), seedling.routine_of(seedling.go("left", 0, 0, 60, 60, 0)))
    assert "together" not in {a.question for a in ask(facts, False).answers}
    mirrored = Step(do="carry", keep="mirror").with_taught("left", Taught(pose=held_at(113, -40, 80)[0], held="held"))
    start = taught_both(held_at(103, -40, 60))
    answers = ask(facts_of(seedling.bench(), seedling.routine_of(start, mirrored)), False)
    assert answers.of("together").margin > 1.0
