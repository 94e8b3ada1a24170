"""Ask a bench and a routine all questions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

from handfast.answers.changes import Change, changes
from handfast.answers.facts import Facts
from handfast.answers.judging import MARGINS, MOST, UNITS, Finding, judge, limits_of, shown
from handfast.answers.questions import ASKED_OF, QUESTIONS
from handfast.routine.steps import Step

_NOT_MEASURED = (
    "not asked of a taught pass while {} feedback lines are not measured: the hands may stand a centimetre or two from "
    "where they show, more than any pass has room; handfast calibrate measures them, handfast plan puts a planned "
    "meeting in its place"
)


@dataclass(frozen=True)
class Answer:
    """One question answered."""

    question: str
    verdict: str
    room: float
    finding: Finding
    limit: float
    enough: float
    changes: tuple[Change, ...]

    @property
    def margin(self) -> float:
        """The number that is judged."""
        return self.finding.margin

    @property
    def margin_text(self) -> str:
        """The margin with its unit, rounded so that it does not contradict the verdict."""
        if UNITS[self.question] == "×" and self.margin >= MOST:
            return f"over {MOST:g} ×"
        places = 2 if UNITS[self.question] == "×" else 1
        return f"{shown(self.margin, places, (self.limit, self.enough)):.{places}f} {UNITS[self.question]}"

    def plain(self) -> dict[str, Any]:
        """As plain values, for JSON."""
        return {
            "question": self.question,
            "verdict": self.verdict,
            "room": shown(self.room, 4, (0.0, 1.0)),
            "margin": shown(self.margin, 4, (self.limit, self.enough)),
            "margin_is": MARGINS[self.question],
            "unit": UNITS[self.question],
            "limit": self.limit,
            "enough": self.enough,
            "when_s": None if self.finding.when is None else round(self.finding.when, 3),
            "where": self.finding.where,
            "why": self.finding.why,
            "changes": [
                {
                    "change": c.words,
                    "verdict": c.verdict,
                    "room": shown(c.room, 4, (0.0, 1.0)),
                    "margin": shown(c.margin, 4, (self.limit, self.enough)),
                    "conflict": c.conflict,
                }
                for c in self.changes
            ],
        }


@dataclass(frozen=True)
class Answers:
    """All questions about one routine on one bench.

    left_out: questions that the routine has steps for and the bench no figures, with the reason.
    """

    routine: str
    duration: float
    answers: tuple[Answer, ...]
    left_out: tuple[tuple[str, str], ...] = ()

    @property
    def worst(self) -> Answer:
        """The answer with the least room."""
        return min(self.answers, key=lambda a: a.room)

    @property
    def fails(self) -> bool:
        """Whether some answer fails."""
        return any(a.verdict == "fails" for a in self.answers)

    def of(self, question: str) -> Answer:
        """The answer to one question."""
        return next(a for a in self.answers if a.question == question)

    def plain(self) -> dict[str, Any]:
        """As plain values, for JSON."""
        return {
            "routine": self.routine,
            "duration_s": round(self.duration, 3),
            "worst": self.worst.question,
            "answers": [a.plain() for a in self.answers],
            "left_out": [{"question": question, "why": why} for question, why in self.left_out],
        }


def is_asked(question: str, facts: Facts) -> bool:
    """Whether the routine has steps for a question and the bench the figures to answer it.

    A taught pass is only judged where all feedback lines are measured: else the angles say where the hands stand to
    a centimetre or two, which is more than any pass has room. A planned one is judged as it is planned.
    """
    steps = _steps_of(question, facts)
    if question != "meet":
        return bool(steps)
    planned = all(said is not None and said.held == "planned" for step in steps for said in (step.left, step.right))
    return bool(steps) and (planned or not _guessed_lines(facts))


def _steps_of(question: str, facts: Facts) -> list[Step]:
    return [step for step in facts.routine.steps if step.do in ASKED_OF.get(question, (step.do,))]


def _guessed_lines(facts: Facts) -> int:
    """How many joints have a feedback line that nobody measured."""
    return sum(not joint.wiper_measured for joint in facts.bench.joints)


def ask(facts: Facts, try_changes: bool = True, besides: tuple[str, ...] = ()) -> Answers:
    """All questions that the routine has steps for; changes are tried for those that fail or are tight.

    besides: questions to answer as well as the bench's figures allow.
    """
    found, left_out = [], []
    for question, answer in QUESTIONS.items():
        if question not in besides and not is_asked(question, facts):
            if question == "meet" and _steps_of(question, facts):
                left_out.append((question, _NOT_MEASURED.format(_guessed_lines(facts))))
            continue
        finding = answer(facts)
        verdict = judge(facts.bench, question, finding.margin)
        limit, enough = limits_of(facts.bench, question)
        tried = changes(question, finding, facts) if try_changes and verdict.word != "holds" else ()
        found.append(Answer(question, verdict.word, verdict.room, finding, limit, enough, tried))
    return Answers(facts.routine.name, facts.motion.duration, agreed(found), tuple(left_out))


def agreed(answers: Sequence[Answer]) -> tuple[Answer, ...]:
    """The answers, with changes marked that ask for the opposite of what an answer with less room asks for.

    That is told of bases, which one answer may want nearer and another one farther from each other.
    """
    wanting = sorted((a for a in answers if any(c.bases for c in a.changes)), key=lambda a: a.room)
    if not wanting:
        return tuple(answers)
    worst = wanting[0]
    way = next(c.bases for c in worst.changes if c.bases)
    words = f"but {worst.question}, which has less room, asks for bases {'nearer' if way < 0 else 'farther'}"
    result = []
    for answer in answers:
        marked = tuple(
            replace(c, conflict=words) if answer is not worst and c.bases == -way else c for c in answer.changes
        )
        result.append(replace(answer, changes=marked))
    return tuple(result)
