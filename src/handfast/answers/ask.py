"""Ask a bench and a routine all questions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from handfast.answers.changes import Change, changes
from handfast.answers.facts import Facts
from handfast.answers.judging import MARGINS, UNITS, Finding, judge, limits_of
from handfast.answers.questions import ASKED_OF, QUESTIONS


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
        """The margin with its unit."""
        return (
            f"{self.margin:.2f} {UNITS[self.question]}"
            if UNITS[self.question] == "×"
            else (f"{self.margin:.1f} {UNITS[self.question]}")
        )

    def plain(self) -> dict[str, Any]:
        """As plain values, for JSON."""
        return {
            "question": self.question,
            "verdict": self.verdict,
            "room": round(self.room, 4),
            "margin": round(self.margin, 4),
            "margin_is": MARGINS[self.question],
            "unit": UNITS[self.question],
            "limit": self.limit,
            "enough": self.enough,
            "when_s": None if self.finding.when is None else round(self.finding.when, 3),
            "where": self.finding.where,
            "why": self.finding.why,
            "changes": [
                {"change": c.words, "verdict": c.verdict, "room": round(c.room, 4), "margin": round(c.margin, 4)}
                for c in self.changes
            ],
        }


@dataclass(frozen=True)
class Answers:
    """All questions about one routine on one bench."""

    routine: str
    duration: float
    answers: tuple[Answer, ...]

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
        }


def is_asked(question: str, facts: Facts) -> bool:
    """Whether the routine has steps for a question and the bench the figures to answer it.

    A taught pass is only judged where all feedback lines are measured: else the angles say where the hands stand to
    a centimetre or two, which is more than any pass has room. A planned one is judged as it is planned.
    """
    steps = [step for step in facts.routine.steps if step.do in ASKED_OF.get(question, (step.do,))]
    if question != "meet":
        return bool(steps)
    planned = all(said is not None and said.held == "planned" for step in steps for said in (step.left, step.right))
    return bool(steps) and (planned or all(joint.wiper_measured for joint in facts.bench.joints))


def ask(facts: Facts, try_changes: bool = True, besides: tuple[str, ...] = ()) -> Answers:
    """All questions that the routine has steps for; changes are tried for those that fail or are tight.

    besides: questions to answer as well as the bench's figures allow.
    """
    found = []
    for question, answer in QUESTIONS.items():
        if question not in besides and not is_asked(question, facts):
            continue
        finding = answer(facts)
        verdict = judge(facts.bench, question, finding.margin)
        limit, enough = limits_of(facts.bench, question)
        tried = changes(question, finding, facts) if try_changes and verdict.word != "holds" else ()
        found.append(Answer(question, verdict.word, verdict.room, finding, limit, enough, tried))
    return Answers(facts.routine.name, facts.motion.duration, tuple(found))
