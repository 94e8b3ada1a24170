"""Pictures over the time of a routine: torque against what is available, clearance, current, jumps."""

from __future__ import annotations

import numpy as np

from handfast.answers.judging import MOST, limits_of, room_text
from handfast.answers.questions import surge
from handfast.bench.parts import SIDES, Side
from handfast.motion.as_played import Jump
from handfast.report.charts import Panel, fill_sample, legend, stroke_sample, top_of
from handfast.report.gather import KINDS, RoutineView
from handfast.report.svg import COLOURS, DASHES, INK, RULE, SMALL, Picture, brief
from handfast.units import KGF_CM

WIDTH = 720.0
LEAST_JUMP = 5e-5
"""Jumps smaller than this are left out, m: they round to nothing."""

NOTHING = 1e4
"""Where so many times what is needed is available, nothing is needed to speak of."""

MOST_GAP = 200.0
"""Clearances are drawn up to this, mm."""

_KIND_STYLES: dict[str, tuple[str, float, str | None]] = {
    "arm and arm": (INK, 1.9, None),
    "arm and table": (COLOURS["left"], 1.5, "7 3"),
    "arm and boxes": (COLOURS["right"], 1.5, "2 2.5"),
    "within an arm": (RULE, 1.5, "9 3 2 3"),
}


def torque_picture(view: RoutineView, side: Side, name: str) -> Picture:
    """For each joint of one arm: the torque its servo must give and what it could give, over time."""
    f = view.facts
    joints = f.bench.arm(side).joints
    columns = f.bench.columns(side)
    per_row = 3 if len(joints) != 4 else 2
    rows = -(-len(joints) // per_row)
    cell, high = WIDTH / per_row, 128.0
    picture = Picture(
        name, WIDTH, 12 + rows * high + 20, f"Torque of the {side} arm's joints against what is available"
    )
    t = f.motion.t
    enough = limits_of(f.bench, "lift")[1]
    for k, joint in enumerate(joints):
        i = columns.start + k
        needed, available = np.abs(f.torque[:, i]) / KGF_CM, f.available[:, i] / KGF_CM
        x, y = (k % per_row) * cell, 12 + (k // per_row) * high
        panel = Panel(
            picture, x + 52, y + 20, cell - 64, high - 58, (0.0, float(t[-1])), (0.0, top_of(needed, available))
        )
        panel.area(t, np.zeros(len(t)), needed, picture.hatch("level", COLOURS[side], 4.0, 0.6))
        panel.area(t, available, needed, picture.hatch("crossed", INK, 5.0, 0.9))
        panel.frame("kg·cm", time_ticks=3, value_ticks=3)
        panel.curve(t, available, INK, 1.2, "5 3")
        panel.curve(t, needed, COLOURS[side], 1.8)
        ratio = available / np.maximum(needed, 1e-9)
        n = int(np.argmin(ratio))
        if ratio[n] < NOTHING:
            said = f"{ratio[n]:.2f} ×" if ratio[n] < MOST else f"over {MOST:g} ×"
            panel.mark(float(t[n]), float(needed[n]), said)
        else:
            picture.text(panel.x + 6, panel.y + panel.height - 6, "not loaded", SMALL - 0.5, halo=True)
        word = "fails" if ratio[n] < limits_of(f.bench, "lift")[0] else "tight" if ratio[n] < enough else ""
        title = f"{joint.name}, {joint.servo_name}"
        picture.text(x + 52, y + 12, title, SMALL, bold=True, room=cell - 64 - (40 if word else 0))
        if word:
            picture.text(x + cell - 12, y + 12, word.upper(), SMALL, "end", bold=True)
    legend(
        picture, 52, 12 + rows * high + 8, WIDTH - 58,
        [
            (stroke_sample(picture, COLOURS[side], 1.8), "needed"),
            (stroke_sample(picture, INK, 1.2, "5 3"), "available at this speed and voltage"),
            (lambda x, y: picture.dot(x + 14, y, 3.4, "none", INK), "least available / needed"),
        ],
    )  # fmt: skip
    return picture


def clearance_picture(view: RoutineView, name: str) -> Picture:
    """The smallest clearance over time, of arms to each other, to the table, to boxes and to themselves."""
    f = view.facts
    t = f.motion.t
    picture = Picture(name, WIDTH, 252, "Clearance over time")
    gaps = {kind: gap * 1e3 for kind, gap in view.nearest.items()}
    limit, enough = limits_of(f.bench, "clear")
    lowest = min((float(g.min()) for g in gaps.values()), default=0.0)
    top = min(MOST_GAP, max((float(g.max()) for g in gaps.values()), default=MOST_GAP))
    panel = Panel(
        picture, 56, 12, WIDTH - 76, 166, (0.0, float(t[-1])),
        (min(0.0, 1.1 * lowest), max(1.08 * top, 2 * enough)),
    )  # fmt: skip
    panel.frame("mm", time_ticks=8, value_ticks=5)
    answer = next((a for a in view.answers.answers if a.question == "clear"), None)
    when = None if answer is None else answer.finding.when
    entries = []
    for kind in (k for k in KINDS if k in gaps):
        panel.curve(t, np.minimum(gaps[kind], MOST_GAP), *_KIND_STYLES[kind])
        words = f"{kind}: {brief(float(gaps[kind].min()), 1)} mm"
        entries.append((stroke_sample(picture, *_KIND_STYLES[kind]), words))
    # Curves run close to the limits where it matters: these are named below.
    for value, dash, words in ((enough, "6 3 1 3", "enough"), (limit, "1 2", "limit")):
        panel.level(value, "", dash)
        entries.append((stroke_sample(picture, INK, 1.0, dash), f"{words}: {brief(value)} mm"))
    if answer is not None and when is not None:
        panel.mark(
            when,
            float(np.interp(when, t, np.min(list(gaps.values()), axis=0))),
            f"{answer.margin_text} left, dead motion taken off",
        )
    legend(picture, 56, 212, WIDTH - 62, entries)
    return picture


def current_picture(view: RoutineView, name: str) -> Picture:
    """Current of each arm and of both over time, with the surges of starts from rest, supply and fuses."""
    f = view.facts
    t = f.motion.t
    arms = f.arm_currents
    peaks = (arms + surge(f)).sum(axis=1)
    total = arms.sum(axis=1)
    supply = f.bench.supply.limit
    top = top_of(peaks)
    shown = supply <= 1.6 * top
    picture = Picture(name, WIDTH, 236, "Current over time")
    panel = Panel(
        picture, 56, 12, WIDTH - 76, 166, (0.0, float(t[-1])), (0.0, max(top, 1.1 * supply) if shown else top)
    )
    panel.frame("A", time_ticks=8, value_ticks=5)
    panel.area(t, total, peaks, picture.hatch("rising", RULE, 4.0, 0.7))
    panel.curve(t, peaks, RULE, 0.9)
    panel.curve(t, total, INK, 1.8, DASHES["both"])
    for arm, side in enumerate(SIDES):
        panel.curve(t, arms[:, arm], COLOURS[side], 1.5, DASHES[side])
    if shown:
        panel.level(supply, f"supply gives {brief(supply)} A")
    else:
        picture.text(56 + WIDTH - 82, 26, f"supply gives {brief(supply)} A, far above", SMALL, "end", halo=True)
    n = int(np.argmax(peaks))
    panel.mark(float(t[n]), float(peaks[n]), f"peak {peaks[n]:.1f} A")
    entries = [
        (stroke_sample(picture, COLOURS[side], 1.5, DASHES[side]), f"{side} arm, {arms[:, arm].max():.1f} A")
        for arm, side in enumerate(SIDES)
    ]
    entries.append((stroke_sample(picture, INK, 1.8, DASHES["both"]), f"both, {total.max():.1f} A"))
    surges = fill_sample(picture, picture.hatch("rising", RULE, 4.0, 0.7), RULE, 0.9)
    entries.append((surges, f"with starts from rest, {peaks.max():.1f} A"))
    legend(picture, 56, 212, WIDTH - 62, entries)
    return picture


def jump_picture(view: RoutineView, name: str) -> Picture:
    """Every jump of a TCP through the play of a joint: when it happens and how far it goes."""
    f = view.facts
    picture = Picture(name, WIDTH, 166, "Jumps along the motion")
    found = told(view)
    sizes = np.array([jump.size * 1e3 for jump in found])
    panel = Panel(picture, 56, 12, WIDTH - 76, 108, (0.0, f.motion.duration), (0.0, top_of(sizes)))
    panel.frame("mm", time_ticks=8, value_ticks=4)
    for jump in found:
        x, y = float(panel.across(jump.time)), float(panel.up(jump.size * 1e3))
        picture.line([(x, 120.0), (x, y)], COLOURS[jump.side], 1.2, DASHES[jump.side])
        if jump.side == "left":
            picture.dot(x, y, 3.0, COLOURS["left"])
        else:
            picture.shape([np.array([[x - 3.2, y - 3.2], [x + 3.2, y - 3.2], [x + 3.2, y + 3.2], [x - 3.2, y + 3.2]])],
                          "#ffffff", COLOURS["right"], 1.4)  # fmt: skip
    legend(
        picture, 56, 156, WIDTH - 62,
        [
            (lambda x, y: picture.dot(x + 13, y, 3.0, COLOURS["left"]), "left arm"),
            (lambda x, y: picture.box(x + 10, y - 3.2, 6.4, 6.4, "#ffffff", COLOURS["right"], 1.4), "right arm"),
        ],
    )  # fmt: skip
    return picture


def told(view: RoutineView) -> list[Jump]:
    """The jumps that are big enough to speak of."""
    return [jump for jump in view.facts.jumps if jump.size >= LEAST_JUMP]


def room_picture(room: float, name: str) -> Picture:
    """A bar of one answer's room: below 0 it fails, from 1 it holds; drawn from -1 to 3."""
    width, high = 96.0, 14.0
    low, top = -1.0, 3.0
    picture = Picture(name, width, high, f"room {room_text(room)}")

    def at(value: float) -> float:
        return 2.0 + (min(max(value, low), top) - low) / (top - low) * (width - 4.0)

    picture.box(at(low), 3, at(0.0) - at(low), 8, picture.hatch("crossed", INK, 4.0, 0.7), None)
    picture.box(at(0.0), 3, at(1.0) - at(0.0), 8, picture.hatch("rising", RULE, 4.0, 0.7), None)
    picture.box(2, 3, width - 4, 8, "none", RULE, 0.8)
    x = at(room)
    picture.line([(x, 0.5), (x, high - 0.5)], INK, 3.0)
    if room > top:
        picture.shape([np.array([[width, 7], [width - 5, 3], [width - 5, 11]])], INK, None)
    if room < low:
        picture.shape([np.array([[0, 7], [5, 3], [5, 11]])], INK, None)
    return picture
