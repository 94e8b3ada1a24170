"""What a user does with two arms at once: plan a pass, or go back to the taught one."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from handfast.desk.work import Desk
from handfast.errors import InputError

if TYPE_CHECKING:
    from handfast.answers.ask import Answer
    from handfast.routine.steps import Routine


@dataclass(frozen=True)
class PlannedPass:
    """One pass: its step, and the answer to `meet` before and after; corrected: whether the one after is that of the
    corrected routine, without which it fails. stands: how the thing is put down later on, in words, or nothing."""

    step: str
    before: Answer
    after: Answer
    corrected: bool
    stands: str


def _numbers(path: Path, routine: Routine) -> list[int]:
    found = [n for n, step in enumerate(routine.steps) if step.do == "pass"]
    if not found:
        raise InputError(
            "this routine has no pass",
            where=str(path),
            expected='a step with do = "pass"',
            next_step="name a routine that passes something",
        )
    return found


def plan_passes(desk: Desk, path: Path, routine: Routine) -> list[PlannedPass]:
    """Replace the taught meeting of every pass by the planned one, in the routine's file; taught poses are kept there.

    Raises InputError, with nothing written, where no meeting leaves any room.
    """
    from handfast.answers.ask import ask
    from handfast.answers.facts import facts_of
    from handfast.answers.pair_changes import meeting_limits, too_far
    from handfast.answers.put_down import stands_after
    from handfast.correction.correct import correct
    from handfast.mechanics.model import model_of
    from handfast.motion.passing import with_planned_meeting
    from handfast.routine.file import rewrite_meeting

    model, done, new = model_of(desk.bench), [], routine
    for number in _numbers(path, routine):
        before = ask(facts_of(desk.bench, new, desk.measured), True, ("meet",)).of("meet")
        found = with_planned_meeting(model, new, number, meeting_limits(desk.bench))
        if found is None:
            missing = too_far(desk.bench, new, number)
            by = "" if missing is None else f": the bases stand {1e3 * missing:.0f} mm too far apart"
            raise InputError(
                f"step {routine.title(number)}: both hands reach no common place{by}",
                where=str(path),
                expected="bases near enough to each other for both hands, approach and retreat included",
                next_step=_would_help(before, "let handfast layout move the bases, or shorten approach_mm"),
            )
        new = found[0]
        facts = facts_of(desk.bench, new, desk.measured)
        after, corrected = ask(facts, False, ("meet",)).of("meet"), False
        if after.margin < 0.0:
            # A planned meeting is where both hands have most room if they land there.
            better = correct(model, new)
            facts = facts_of(desk.bench, better.routine, desk.measured, motion=better.motion)
            after, corrected = ask(facts, False, ("meet",)).of("meet"), True
        if after.margin < 0.0:
            raise InputError(
                f"step {routine.title(number)}: the best meeting still lacks {-after.margin:.1f} mm",
                where=str(path),
                expected=after.finding.why,
                next_step=_would_help(before, "choose a thing of another size, or other grippers"),
            )
        done.append(PlannedPass(routine.title(number), before, after, corrected, stands_after(facts, number)))
    for number in _numbers(path, routine):
        rewrite_meeting(path, new, number, desk.bench)
    return done


def _would_help(answer: Answer, otherwise: str) -> str:
    then = {"fails": "still fails", "tight": "is tight", "holds": "holds"}
    tried = [f"{c.words} (then it {then[c.verdict]})" for c in answer.changes]
    return "; or ".join(tried) if tried else otherwise


def taught_passes(desk: Desk, path: Path, routine: Routine) -> int:
    """Put the taught meetings back; returns how many passes had a planned one."""
    from handfast.motion.passing import with_taught_meeting
    from handfast.routine.file import rewrite_meeting

    count = 0
    for number in _numbers(path, routine):
        left = routine.steps[number].left
        if left is None or left.kept is None:
            continue
        rewrite_meeting(path, with_taught_meeting(routine, number), number, desk.bench)
        count += 1
    return count
