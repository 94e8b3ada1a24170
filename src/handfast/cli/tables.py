"""Answers and landings as text for a terminal."""

from __future__ import annotations

import shutil
import textwrap
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from handfast.answers.ask import Answers
    from handfast.desk.measuring import Fitted
    from handfast.desk.work import LandingRow
    from handfast.routine.steps import Routine


def width() -> int:
    """Columns to write into."""
    return max(72, min(120, shutil.get_terminal_size((110, 24)).columns))


def answers_text(answers: Answers, bench: str) -> str:
    """All answers of one routine: a line or two each, and the changes that were tried."""
    from handfast.answers.judging import room_text

    lines = [
        f"{answers.routine} on {bench}, {answers.duration:.1f} s of motion; a run stops at every pose to read and trim",
        "",
    ]
    lines.append(f"  {'':9}{'':8}{'margin':>10}{'room':>8}  where and why")
    for answer in answers.answers:
        head = f"  {answer.question:9}{answer.verdict:8}{answer.margin_text:>10}{room_text(answer.room):>8}  "
        when = "" if answer.finding.when is None else f" at {answer.finding.when:.2f} s"
        said = f"{answer.finding.where}{when}: {answer.finding.why}"
        lines += textwrap.wrap(said, width(), initial_indent=head, subsequent_indent=" " * len(head))
        for change in answer.changes:
            tried = f"- {change.words}: then it {_becomes(change.verdict)} (room {room_text(change.room)})"
            tried += f"; {change.conflict}" if change.conflict else ""
            lines += textwrap.wrap(
                tried, width(), initial_indent=" " * len(head), subsequent_indent=" " * (len(head) + 2)
            )
    for question, why in answers.left_out:
        head = f"  {question:9}"
        lines += textwrap.wrap(why, width(), initial_indent=head, subsequent_indent=" " * len(head))
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


_FIGURES = (
    ("unseen_play_deg", "play °"),
    ("compliance_deg_per_Nm", "give °/N·m"),
    ("limp_friction_kgcm", "limp kg·cm"),
    ("joint_friction_pct", "friction %"),
    ("full_drive_error_deg", "full drive °"),
)


def fitted_text(fitted: Fitted, goal: float) -> str:
    """What a calibration found: a line per joint, then bases, how sure the TCP is, and what to read next."""
    calibration = fitted.calibration
    by = {(v.of, v.key): v for v in fitted.values}
    lines = ["found (± one standard deviation; ? means: mostly the first guess)", ""]
    lines.append(f"  {'':16}" + "".join(f"{title:>18}" for _, title in _FIGURES))
    for name in calibration.unknowns.bench.joint_names:
        cells = []
        for key, _ in _FIGURES:
            value = by.get((name, key))
            said = "" if value is None else f"{value.value:.3g} ±{value.uncertainty:.2g}{'' if value.known else ' ?'}"
            cells.append(f"{said:>18}")
        lines.append(f"  {name:16}" + "".join(cells))
    lines.append("")
    for side in ("left", "right"):
        place, yaw = by[(f"{side} base", "base_mm")], by[(f"{side} base", "base_yaw_deg")]
        at = ", ".join(f"{v:.1f}" for v in place.value)
        sure = "" if place.known and yaw.known else " ?"
        lines.append(
            f"  {side} base at ({at}) mm ±{place.uncertainty:.1f}, turned {yaw.value:.2f}° ±{yaw.uncertainty:.2f}{sure}"
        )
    tremor = next(v for v in fitted.values if v.key == "hand_tremor_deg")
    lines.append(
        f"  a hand that leads a link trembles by {tremor.value:.2f}° ±{tremor.uncertainty:.2f} either way"
        + ("" if tremor.known else " ?")
    )
    lines.append("")
    verdict = ": good enough" if fitted.after <= goal else ""
    lines.append(
        f"  expected error of the TCP: {fitted.before * 1e3:.1f} mm before these readings, "
        f"{fitted.after * 1e3:.1f} mm now (goal {goal * 1e3:.1f} mm{verdict})"
    )
    if len(calibration.readings):
        lines.append(f"  misfit {calibration.misfit:.2f} (about 1 when the stated errors are right)")
    if fitted.wild:
        lines.append("  these do not fit the others: read them again, or mend them, counted by kind in each file")
        lines += [f"  - {said}" for said in fitted.wild]
    if fitted.after > goal or not len(calibration.readings):
        lines.append("  reading next would help most:")
        for advice in fitted.advice:
            lines.append(f"  - {advice.words} (then {advice.after * 1e3:.1f} mm)")
    if not calibration.readings.sweeps:
        lines.append("  no joint was swept yet, so pulse lines and droop are as the class says;")
        lines.append("  handfast calibrate --sweep --port PORT does it, without an instrument")
    return "\n".join(lines)
