"""The sheets of one routine, and the pose store."""

from __future__ import annotations

import numpy as np

from handfast.answers.ask import Answer
from handfast.answers.changes import Change
from handfast.answers.judging import ASKS, MARGINS, MOST, room_text
from handfast.bench.parts import SIDES
from handfast.motion.passing import PARTS
from handfast.report.curves import (
    NOTHING,
    clearance_picture,
    current_picture,
    jump_picture,
    room_picture,
    told,
    torque_picture,
)
from handfast.report.first_sheet import change_first, does, word
from handfast.report.gather import WAYS, PairView, RoutineView
from handfast.report.landing_pictures import arrow_picture, bar_pictures, pose_name, width_picture
from handfast.report.pair_pictures import carry_picture, grip_picture, holds, meeting_picture, passes
from handfast.report.sheet import sheet_pictures
from handfast.report.svg import Picture, brief, element, prose
from handfast.routine.steps import Taught, arrived_text
from handfast.units import DEGREE, counted

MOST_JUMPS = 10
MOST_LINES = 12
MOST_WIDTHS = 16
MOST_SHOWN = 60
"""Rows of a table on the page; what is left off is said."""


class Plates:
    """Numbers the pictures of a page in order."""

    def __init__(self) -> None:
        """Begins with plate 1."""
        self.count = 0

    def figure(self, picture: Picture, says: str, note: str = "") -> str:
        """A picture with its number, its words and its numbers."""
        self.count += 1
        caption = f"<b>Plate {self.count}. {prose(says)}</b>" + (f" {prose(note)}" if note else "")
        return element("figure", picture.markup(), element("figcaption", caption))


def answers_table(view: RoutineView, name: str) -> str:
    """All questions with verdict, margin, room, where, why, and the changes that were tried."""
    body = []
    for answer in view.answers.answers:
        body.append(
            element(
                "tr",
                element(
                    "th",
                    prose(answer.question),
                    element("div", prose(ASKS.get(answer.question, "")), class_="quiet"),
                    scope="row",
                ),
                element("td", word(answer.verdict)),
                element(
                    "td",
                    f"<b>{prose(answer.margin_text)}</b>",
                    element(
                        "div",
                        prose(f"{MARGINS.get(answer.question, '')}; limit {answer.limit:g}, enough {answer.enough:g}"),
                        class_="quiet",
                    ),
                ),
                element(
                    "td",
                    room_picture(answer.room, f"{name}-room-{answer.question}").markup(),
                    element("div", f"room {room_text(answer.room)}", class_="quiet"),
                ),
                element("td", _why(answer)),
            )
        )
    heads = ("question", "verdict", "margin", "room", "when, where, why, and what would change it")
    return element(
        "table",
        element("caption", "Room: below 0 fails (crossed), 0 to 1 tight (hatched), from 1 holds; drawn from -1 to 3"),
        element("thead", element("tr", *(element("th", head, scope="col") for head in heads))),
        element("tbody", *body),
        class_="answers",
    )


def _conflict(change: Change) -> str:
    return f"; {change.conflict}" if change.conflict else ""


def _why(answer: Answer) -> str:
    when = "" if answer.finding.when is None else f" at {answer.finding.when:.2f} s"
    said = prose(f"{answer.finding.where}{when}: {answer.finding.why}")
    if answer.verdict == "holds":
        return said
    if not answer.changes:
        return said + element("div", "No change that was tried gives more room.", class_="quiet")
    then = {"fails": "still fails", "tight": "is tight", "holds": "holds"}
    return said + element(
        "ul",
        *(
            element("li", prose(f"{c.words}: then it {then[c.verdict]} (room {room_text(c.room)}){_conflict(c)}"))
            for c in answer.changes
        ),
    )


def routine_sheet(pair: PairView, number: int, plates: Plates) -> str:
    """Everything about one routine."""
    view = pair.routines[number]
    name = f"r{number + 1}"
    worst = view.answers.worst
    parts = [
        element("p", f"routine {number + 1} of {len(pair.routines)}", class_="kicker"),
        element("h2", prose(view.routine.name)),
        element(
            "p",
            prose(
                f"{does(view)[0].upper()}{does(view)[1:]}. "
                f"{_count(len(view.routine.steps), 'step')}, {view.answers.duration:.1f} s, "
                f"TCPs up to {float(view.speeds.max()) * 1e3:.0f} mm/s. "
            )
            + f"Worst answer: {prose(worst.question)} {word(worst.verdict)} ({prose(worst.margin_text)}). "
            + prose(f"Change first: {change_first(view.answers)}."),
            class_="lead",
        ),
    ]
    if view.routine.about.note:
        parts.append(element("p", prose(view.routine.about.note)))
    parts += [*_shortfalls(view)]
    parts.append(element("h3", "Sheet"))
    for k, picture in enumerate(sheet_pictures(view, f"{name}-sheet")):
        parts.append(
            plates.figure(
                picture,
                "Steps from top to bottom, as high as they last." if k == 0 else "The sheet, carried over.",
                "" if k else "A pass or a carry spans both columns; a move of both arms is tied across.",
            )
        )
    parts += [element("h3", "Answers"), answers_table(view, name), element("h3", "Torque")]
    parts += [_torque(view, side, name, plates) for side in SIDES]
    parts += [element("h3", "Clearance and current"), _clearance(view, name, plates), _current(view, name, plates)]
    parts += _hands(view, name, plates)
    parts += [element("h3", "Landing"), *_landing(view, pair, name, plates)]
    parts += [element("h3", "Dead motion"), dead_motion_table(view, name)]
    parts += [element("h3", "Jumps"), *_jumps(view, name, plates)]
    return element("section", *parts, id=f"routine-{number + 1}", class_="sheet")


def _count(number: int, what: str) -> str:
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def _shortfalls(view: RoutineView) -> list[str]:
    """Places that cannot be reached: said before the pictures, which then show the nearest poses."""
    found = [s for s in view.facts.motion.shortfalls if s.short > 1e-5 or s.beyond > 1e-9]
    stuck = [t for t in view.facts.motion.timings if not t.possible]
    if not found and not stuck:
        return []
    lines = [
        f"step {view.routine.title(s.step)}, {s.side} arm, {s.part}: "
        + (f"{s.short * 1e3:.1f} mm out of reach" if s.short > 1e-5 else f"{s.beyond / DEGREE:.1f}° past a stop")
        for s in found
    ] + [
        f"step {view.routine.title(t.step)}, {t.part}: no timing is possible, a joint cannot hold its load"
        for t in stuck
    ]
    if len(lines) > MOST_LINES:
        lines = [*lines[: MOST_LINES - 1], f"and {len(lines) - MOST_LINES + 1} more like these"]
    return [
        element(
            "div",
            element("p", "<b>Not all of it can be done.</b> The pictures below show the nearest that can."),
            element("ul", *(element("li", prose(line)) for line in lines)),
            class_="press",
        )
    ]


def _torque(view: RoutineView, side: str, name: str, plates: Plates) -> str:
    f = view.facts
    columns = f.bench.columns(side)
    ratio = f.available[:, columns] / np.maximum(np.abs(f.torque[:, columns]), 1e-9)
    n, i = np.unravel_index(int(np.argmin(ratio)), ratio.shape)
    joint = f.bench.arm(side).joints[int(i)].name
    return plates.figure(
        torque_picture(view, "left" if side == "left" else "right", f"{name}-torque-{side}"),
        f"Torque of the {side} arm's joints against what is available.",
        (
            f"Least: {joint}, {_times(ratio[n, i])} what is needed at {f.motion.t[n]:.2f} s. "
            if ratio[n, i] < NOTHING
            else "No joint of it is loaded. "
        )
        + "Where more is needed than available the picture is crossed.",
    )


def _times(ratio: float) -> str:
    return f"{ratio:.2f} times" if ratio < MOST else f"over {MOST:g} times"


def _clearance(view: RoutineView, name: str, plates: Plates) -> str:
    if not view.nearest:
        return element("p", "No pair of bodies is watched.", class_="quiet")
    kind = min(view.nearest, key=lambda k: float(view.nearest[k].min()))
    gap = view.nearest[kind]
    n = int(np.argmin(gap))
    return plates.figure(
        clearance_picture(view, f"{name}-clear"),
        "Smallest clearance, as planned.",
        f"Least of all: {kind}, {gap[n] * 1e3:.1f} mm at {view.facts.motion.t[n]:.2f} s. Dead motion and sag are taken "
        "off where the question is answered, not in the curves.",
    )


def _current(view: RoutineView, name: str, plates: Plates) -> str:
    f = view.facts
    lowest = f.volts.min(axis=0)
    return plates.figure(
        current_picture(view, f"{name}-current"),
        "Current, as drawn from the supply.",
        f"The servos get no less than {lowest[0]:.2f} V (left) and {lowest[1]:.2f} V (right) of "
        f"{f.bench.supply.voltage:g} V. Fuses: {f.bench.arms.left.wire.fuse:g} A left, "
        f"{f.bench.arms.right.wire.fuse:g} A right.",
    )


def _hands(view: RoutineView, name: str, plates: Plates) -> list[str]:
    """What hands hold, carry together and pass, where the routine has any of it."""
    parts = []
    held, met, carries = holds(view), passes(view), view.facts.motion.carries
    if held:
        least = min(held, key=lambda h: float((h.given / np.maximum(h.needed, 1e-9)).min()))
        parts.append(
            plates.figure(
                grip_picture(view, held, f"{name}-grip"),
                "Press that each grip needs, and what the jaws give.",
                f"Least room: {least.thing.name} in the {least.side} hand needs up to {least.needed.max():.1f} N on "
                f"each pad of {least.given:.1f} N. Jaws close until their feedback and current show that press.",
            )
        )
    if met:
        tight = min(met, key=lambda m: float(m.values.min()))
        parts.append(
            plates.figure(
                meeting_picture(view, met, f"{name}-meet"),
                "Room of both hands at each pass.",
                f"Least: {tight.values.min() * 1e3:.1f} mm {PARTS[int(np.argmin(tight.values))]}, "
                f"{tight.lost * 1e3:.1f} mm taken off for what is not known of both arms.",
            )
        )
    if carries:
        straying = max(c.joint_error for c in carries) * 1e3
        parts.append(
            plates.figure(
                carry_picture(view, carries, f"{name}-together"),
                "How far the grips on a carried thing move against each other.",
                f"Interpolated joint by joint between the same poses they would stray {straying:.1f} mm.",
            )
        )
    return [element("h3", "Hands"), *parts] if parts else []


def _landing(view: RoutineView, pair: PairView, name: str, plates: Plates) -> list[str]:
    if not view.poses:
        return [element("p", "This routine has no taught pose.", class_="quiet")]
    parts = []
    said = []
    for way in WAYS:
        misses = np.array([view.landings[way][n].expected for n in view.poses]) * 1e3
        said.append(f"{way} {np.median(misses):.1f} mm in the middle, {misses.max():.1f} mm at worst")
    for k, picture in enumerate(bar_pictures(view, f"{name}-bars")):
        parts.append(
            plates.figure(
                picture,
                "Predicted distance from the taught place." if k == 0 else "The same, further poses.",
                ("; ".join(said) + ".") if k == 0 else "",
            )
        )
    picture, factor = arrow_picture(view, pair, f"{name}-arrows")
    parts.append(
        plates.figure(
            picture,
            f"Where the poses land, from above; arrows {brief(factor)} times as long as they are.",
            "The arrow is what is expected, the dotted ring what is not known about it.",
        )
    )
    return parts


def dead_motion_table(view: RoutineView, name: str) -> str:
    """How far the TCP can be pushed at each pose before a servo answers, and where nothing decides where it rests."""
    if not view.poses:
        return element("p", "This routine has no taught pose.", class_="quiet")
    landings = view.landings["trimmed"]
    rows = [n for n in view.poses if landings[n].dead.both.largest > 5e-5]
    if not rows:
        return element("p", "In every pose its load presses each joint onto one side of its slack: nothing is loose.")
    most = max(landings[n].dead.both.largest for n in rows) * 1e3
    body = []
    widest = sorted(rows, key=lambda n: -landings[n].dead.both.largest)[:MOST_WIDTHS]
    for k, n in enumerate(sorted(widest)):
        trimmed, corrected = landings[n], view.landings["corrected"][n]
        numbers = [*trimmed.dead.both.along, trimmed.dead.both.largest]
        parts = [trimmed.dead.unseen.largest, trimmed.dead.band.largest]
        open_sides = [trimmed.undecided.largest, corrected.undecided.largest]
        body.append(
            element(
                "tr",
                element("th", prose(pose_name(view.routine, trimmed.step, trimmed.side, trimmed.row)), scope="row"),
                *(element("td", f"{x * 1e3:.1f}", class_="n") for x in numbers),
                element("td", width_picture(numbers[-1] * 1e3, most, f"{name}-dead-{k}").markup()),
                *(element("td", f"{x * 1e3:.1f}", class_="n") for x in parts + open_sides),
            )
        )
    left = len(rows) - len(body)
    heads = ("pose", "x", "y", "z", "largest", "drawn", "not seen", "in dead band", "may rest", "corrected")
    return element(
        "table",
        element(
            "caption",
            "Dead motion: full width in mm over which the TCP can be pushed at rest before a servo answers, through "
            "play that the feedback does not see and within the dead band; and the width over which it may come to "
            "rest because nothing decides a joint's side, trimmed and corrected",
        ),
        element(
            "thead",
            element(
                "tr",
                *(element("th", h, scope="col", class_="n" if i not in (0, 5) else None) for i, h in enumerate(heads)),
            ),
        ),
        element("tbody", *body),
    ) + (element("p", f"{left} more poses have smaller widths.", class_="quiet") if left > 0 else "")


def _jumps(view: RoutineView, name: str, plates: Plates) -> list[str]:
    found = told(view)
    if not found:
        return [element("p", "No link goes over to the other side of its play where it would show: no TCP jumps.")]
    largest = sorted(found, key=lambda j: -j.size)[:MOST_JUMPS]
    worst = largest[0]
    parts = [
        plates.figure(
            jump_picture(view, f"{name}-jumps"),
            f"{_count(len(found), 'jump')} of a TCP where a link goes over to the other side of its play.",
            f"Largest: {worst.side} {worst.joint}, {worst.size * 1e3:.1f} mm at {worst.time:.2f} s. Stops take no time "
            "here, though links go over at them, too. Before its first motion it is only likely on which side an "
            "unloaded link stands: there it jumps, or is there already (or none).",
        )
    ]
    body = [
        element(
            "tr",
            element("td", f"{j.time:.2f} s", class_="n"),
            element("td", f"{j.side} arm"),
            element("td", prose(j.joint)),
            element("td", f"{j.size * 1e3:.1f} mm" + ("" if j.sure else ", or none"), class_="n"),
        )
        for j in sorted(largest, key=lambda j: j.time)
    ]
    heads = (("time", "n"), ("arm", None), ("joint", None), ("size", "n"))
    parts.append(
        element(
            "table",
            element(
                "caption",
                "In order of time" if len(found) <= MOST_JUMPS else f"The {MOST_JUMPS} largest, in order of time",
            ),
            element("thead", element("tr", *(element("th", h, scope="col", class_=c) for h, c in heads))),
            element("tbody", *body),
            class_="narrow",
        )
    )
    return parts


def pose_store(pair: PairView) -> str:
    """How each taught pose was stored: held or let go, and which joints' last direction is known."""
    parts = [
        element("h2", "Pose store"),
        element(
            "p",
            "How a pose was stored decides what its feedback means: while a hand holds the arm, the hand leads each "
            "link through its slack; once let go, weight does. + and - say which way a joint last moved; where it is 0 "
            "that is not known, with ? it is in doubt, and a clear last move when teaching again would tell.",
        ),
    ]
    for view in pair.routines:
        stored = [
            (number, side, taught)
            for number, step in enumerate(view.routine.steps)
            for side in SIDES
            if (taught := step.taught(side)) is not None
        ]
        if not stored:
            continue
        body = [
            element(
                "tr",
                element("th", prose(view.routine.title(number)), scope="row"),
                element("td", side),
                element("td", prose(taught.held)),
                element("td", prose(_directions(taught)), class_="s"),
                element("td", prose(_angles(taught))),
                element("td", _spread(taught), class_="n"),
            )
            for number, side, taught in stored[:MOST_SHOWN]
        ]
        count = {h: sum(t.held == h for _, _, t in stored) for h in ("held", "let go", "unknown")}
        said = ", ".join(f"{n} {h}" for h, n in count.items() if n)
        heads = ("step", "arm", "stored", "last moved", "taught angles, °", "known to, °")
        sets = (None, None, None, None, None, "n")
        parts.append(
            element(
                "table",
                element("caption", prose(f"{view.routine.name}: {said}")),
                element(
                    "thead",
                    element("tr", *(element("th", h, scope="col", class_=c) for h, c in zip(heads, sets, strict=True))),
                ),
                element("tbody", *body),
            )
        )
        if len(stored) > MOST_SHOWN:
            parts.append(element("p", f"{len(stored) - MOST_SHOWN} more are not shown.", class_="quiet"))
    return element("section", *parts, id="poses", class_="sheet")


def _directions(taught: Taught) -> str:
    if taught.arrivals is None:
        return "not known"
    known = sum(a != 0 for a in taught.arrivals)
    return f"{arrived_text(taught.arrivals)}  ({known} of {len(taught.arrivals)})"


def _angles(taught: Taught) -> str:
    if taught.path is not None:
        seconds = "" if taught.times is None else f" over {taught.times[-1] - taught.times[0]:.1f} s"
        return f"a path of {counted(len(taught.path), 'row')}{seconds}"
    return "  ".join(f"{angle / DEGREE:.1f}" for angle in taught.pose or ())


def _spread(taught: Taught) -> str:
    if taught.spread is None:
        return "not known"
    return f"{max(taught.spread) / DEGREE:.2f}"
