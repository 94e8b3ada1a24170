"""Answers and landings as text for a terminal."""

from __future__ import annotations

import shutil
import textwrap
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from handfast.answers.ask import Answers
    from handfast.desk.work import LandingRow
    from handfast.routine.steps import Routine


def width() -> int:
    """Columns to write into."""
    return max(72, min(120, shutil.get_terminal_size((110, 24)).columns))


def answers_text(answers: Answers, bench: str) -> str:
    """All answers of one routine: a line or two each, and the changes that were tried."""
    lines = [f"{answers.routine} on {bench}, {answers.duration:.1f} s", ""]
    lines.append(f"  {'':9}{'':8}{'margin':>10}{'room':>8}  where and why")
    for answer in answers.answers:
        head = f"  {answer.question:9}{answer.verdict:8}{answer.margin_text:>10}{answer.room:8.2f}  "
        when = "" if answer.finding.when is None else f" at {answer.finding.when:.2f} s"
        said = f"{answer.finding.where}{when}: {answer.finding.why}"
        lines += textwrap.wrap(said, width(), initial_indent=head, subsequent_indent=" " * len(head))
        for change in answer.changes:
            tried = f"- {change.words}: then it {_becomes(change.verdict)} (room {change.room:.2f})"
            lines += textwrap.wrap(
                tried, width(), initial_indent=" " * len(head), subsequent_indent=" " * (len(head) + 2)
            )
    worst = answers.worst
    lines += ["", f"  worst: {worst.question} {worst.verdict}. room: below 0 fails, 0 to 1 tight, from 1 holds."]
    return "\n".join(lines)


def _becomes(verdict: str) -> str:
    return {"fails": "still fails", "tight": "is tight", "holds": "holds"}[verdict]


def landings_text(routine: Routine, rows: list[LandingRow]) -> str:
    """Predicted landings, one line per pose; a path shows its worst row."""
    lines = ["predicted distance from the taught place, mm (what is not known about it in brackets)", ""]
    lines.append(f"  {'step':28}{'arm':7}{'raw':>14}{'trimmed':>14}{'corrected':>14}")
    for row in _worst_rows(rows):
        cells = "".join(
            f"{f'{x.expected * 1e3:.1f} ({x.sigma * 1e3:.1f})':>14}" for x in (row.raw, row.trimmed, row.corrected)
        )
        lines.append(f"  {routine.title(row.raw.step):28.28}{row.raw.side:7}{cells}")
    return "\n".join(lines)


def _worst_rows(rows: list[LandingRow]) -> list[LandingRow]:
    kept: dict[tuple[int, str, bool], LandingRow] = {}
    for row in rows:
        key = (row.raw.step, row.raw.side, row.raw.row is not None)
        if key not in kept or row.corrected.expected > kept[key].corrected.expected:
            kept[key] = row
    return list(kept.values())
