"""Pictures of what takes two hands, and of what one hand holds: grips over time, carries, and passes."""

from __future__ import annotations

import numpy as np

from handfast.answers.grip_question import Held, held_things
from handfast.answers.judging import limits_of
from handfast.answers.pair_questions import Met, meetings, relation
from handfast.motion.coordinated import Carried
from handfast.motion.passing import PARTS
from handfast.report.charts import Panel, fill_sample, legend, stroke_sample, top_of
from handfast.report.curves import WIDTH
from handfast.report.gather import RoutineView
from handfast.report.svg import COLOURS, FAINT, INK, RULE, SMALL, Picture, brief

MOST_PRESS = 3.0
"""Presses are drawn up to this times what the jaws give."""


def holds(view: RoutineView) -> list[Held]:
    """What the hands hold, where there is anything."""
    return [h for h in held_things(view.facts) if np.all(np.isfinite(h.needed))]


def grip_picture(view: RoutineView, held: list[Held], name: str) -> Picture:
    """Press that each grip needs over time, beside what the jaws give."""
    t = view.facts.motion.t
    given = max(h.given for h in held)
    top = min(top_of(*(h.needed for h in held), np.array([given])), MOST_PRESS * given)
    picture = Picture(name, WIDTH, 222, "Press on each pad over time")
    panel = Panel(picture, 56, 12, WIDTH - 76, 150, (0.0, float(t[-1])), (0.0, top))
    panel.frame("N", time_ticks=8)
    entries = []
    for k, h in enumerate(held):
        colour, dash = COLOURS[h.side], (None, "7 3", "2 2.5")[k % 3]
        # One line for each stretch in which it is held.
        for part in np.split(np.arange(len(h.samples)), np.flatnonzero(np.diff(h.samples) > 1) + 1):
            panel.curve(t[h.samples[part]], np.minimum(h.needed[part], top), colour, 1.6, dash)
        entries.append((stroke_sample(picture, colour, 1.6, dash), f"{h.thing.name}, {h.side} hand: needed"))
    for value in sorted({round(h.given, 3) for h in held}):
        panel.level(value, f"given {brief(value)} N")
    answer = next((a for a in view.answers.answers if a.question == "grip"), None)
    if answer is not None and answer.finding.when is not None:
        n = int(np.argmin(np.abs(t - answer.finding.when)))
        need = max((float(h.needed[h.samples == n][0]) for h in held if np.any(h.samples == n)), default=0.0)
        panel.mark(answer.finding.when, min(need, top), f"least: {answer.margin_text}")
    legend(picture, 56, 198, WIDTH - 62, entries)
    return picture


def carry_picture(view: RoutineView, carries: tuple[Carried, ...], name: str) -> Picture:
    """How far the grips of a carried thing move against each other: expected, and what play, sag and lag do of it."""
    f = view.facts
    t = f.motion.t
    kept = [relation(f, c) for c in carries]
    allowed = [f.routine.tolerance_of(c.step) * 1e3 for c in carries]
    # Steps are named above all lines.
    top = 1.3 * max(top_of(*(k.error * 1e3 for k in kept)), max(allowed))
    picture = Picture(name, WIDTH, 222, "Relative place of two grips over time")
    first, last = float(t[carries[0].first]), float(t[carries[-1].last])
    panel = Panel(picture, 56, 12, WIDTH - 76, 150, (first, max(last, first + 1e-3)), (0.0, top))
    panel.frame("mm", time_ticks=8)
    for c, k in zip(carries, kept, strict=True):
        at = t[c.first : c.last + 1]
        panel.curve(at, k.error * 1e3, INK, 1.8)
        panel.curve(at, k.run * 1e3, COLOURS["left"], 1.4, "7 3")
        panel.curve(at, k.unknown * 1e3, RULE, 1.4, "2 2.5")
        x = float(panel.across(at[0]))
        picture.line([(x, 12), (x, 162)], FAINT, 0.8)
        picture.text(x + 3, 22, f.routine.title(c.step), SMALL - 0.5, halo=True)
    panel.level(min(allowed), f"allowed {brief(min(allowed))} mm")
    legend(
        picture, 56, 198, WIDTH - 62,
        [
            (stroke_sample(picture, INK, 1.8), "expected"),
            (stroke_sample(picture, COLOURS["left"], 1.4, "7 3"), "by play, sag and lag"),
            (stroke_sample(picture, RULE, 1.4, "2 2.5"), "not known"),
        ],
    )  # fmt: skip
    return picture


def meeting_picture(view: RoutineView, met: list[Met], name: str) -> Picture:
    """Room of the hands at each pass, in millimetres: what is left, and what is taken off for what is not known."""
    limit, enough = limits_of(view.facts.bench, "meet")
    high, left = 18.0, 262.0
    rows = [(m, k) for m in met for k in range(3)]
    values = np.array([m.values[k] * 1e3 for m, k in rows])
    whole = values + np.array([m.lost * 1e3 for m, _ in rows])
    low, top = min(0.0, float(values.min()) * 1.1), max(float(whole.max()), enough) * 1.12
    picture = Picture(name, WIDTH, 34 + high * len(rows) + 34, "Room of both hands at each pass")

    def at(value: float) -> float:
        return left + (value - low) / max(top - low, 1e-9) * (WIDTH - left - 20)

    for n, (m, k) in enumerate(rows):
        y = 14 + n * high
        title = f"{view.routine.title(m.step)}, {PARTS[k]}"
        picture.text(left - 8, y + 9.5, title, SMALL - 0.5, "end", room=left - 12)
        fill = COLOURS[m.giver] if values[n] >= 0.0 else picture.hatch("crossed", INK, 4.0, 0.7)
        picture.box(at(min(values[n], 0.0)), y + 1, abs(at(values[n]) - at(0.0)), high - 6, fill, INK, 0.8)
        start = max(values[n], 0.0)
        if whole[n] > start:
            picture.box(at(start), y + 1, at(whole[n]) - at(start), high - 6, picture.hatch("rising", RULE, 4.0, 0.7),
                        RULE, 0.6)  # fmt: skip
        picture.text(at(max(whole[n], 0.0)) + 5, y + 9.5, f"{values[n]:.1f} mm", SMALL - 0.5, halo=True)
    bottom = 14 + high * len(rows)
    for value, dash in ((limit, "1 2"), (enough, "6 3 1 3")):
        if low <= value <= top:
            picture.line([(at(value), 10), (at(value), bottom)], INK, 0.9, dash)
    legend(
        picture, 56, bottom + 24, WIDTH - 62,
        [
            (fill_sample(picture, COLOURS[met[0].giver]), "room left, in the colour of the arm that gives"),
            (fill_sample(picture, picture.hatch("crossed", INK, 4.0, 0.7)), "missing"),
            (fill_sample(picture, picture.hatch("rising", RULE, 4.0, 0.7), RULE), "taken off for what is not known"),
            (
                stroke_sample(picture, INK, 0.9, "6 3 1 3"),
                f"enough {brief(enough)} mm, limit {brief(limit)} mm (dotted)",
            ),
        ],
    )  # fmt: skip
    return picture


def passes(view: RoutineView) -> list[Met]:
    """The passes of a routine, where the question is asked: without measured feedback lines it is not."""
    return meetings(view.facts) if any(a.question == "meet" for a in view.answers.answers) else []


__all__ = ["carry_picture", "grip_picture", "holds", "meeting_picture", "passes"]
