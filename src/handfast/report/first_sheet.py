"""The first sheet: what this pair can and cannot do, in plain words and numbers, for showing others."""

from __future__ import annotations

import numpy as np

from handfast.answers.ask import Answers
from handfast.answers.judging import limits_of
from handfast.bench.parts import Bench, Thing
from handfast.mechanics.capacity import Capacity
from handfast.report.bench_picture import Reaches
from handfast.report.gather import WAYS, ArmView, PairView, RoutineView
from handfast.report.svg import element, prose
from handfast.units import DEGREE, counted

LEAF = (
    '<svg viewBox="0 0 52 52" width="52" height="52" role="img"><title>a seedling with two leaves</title>'
    '<path d="M26 49C26 38 26 32 26 24" fill="none" stroke="#3d5c45" stroke-width="2.2" stroke-linecap="round"/>'
    '<path d="M26 26C15 27 7 20 5 8C17 8 25 14 26 26Z" fill="#dfe8dc" stroke="#3d5c45" stroke-width="1.8"/>'
    '<path d="M26 24C27 13 35 6 47 5C47 17 38 24 26 24Z" fill="none" stroke="#3d5c45" stroke-width="1.8"/>'
    '<path d="M10 12L25 25M42 9L27 23M16 49H36" fill="none" stroke="#3d5c45" stroke-width="1.2"/></svg>'
)

MOST_ROUTINES = 4
"""Routines that get a line each in the lists; of more, only their names are given."""


def grams(mass: float) -> str:
    """A mass as a maker says it; loads are told no finer than they are worth."""
    return f"{mass * 1e3:.0f} g" if mass < 10.0 else f"{mass:.1f} kg"


def row(*cells: str, head: bool = False, numbers: bool = False) -> str:
    """A table row; the first cell names it."""
    first, *rest = cells
    kind = "th" if head else "td"
    start = element("th", first, scope="col" if head else "row")
    more = {"class_": "n"} if numbers else {}
    return element("tr", start, *(element(kind, c or " ", scope="col" if head else None, **more) for c in rest))


def word(verdict: str) -> str:
    """A verdict, set so that it can be told apart without colour."""
    return element("span", prose(verdict), class_=f"word {verdict}")


def _load(brief_: Capacity | None, ever: Capacity | None) -> str:
    if brief_ is None or ever is None:
        return "not in this pose"
    joint = f'<span class="quiet">({prose(brief_.joint)})</span>'
    return f"{grams(brief_.amount)} {joint}, for ever {grams(ever.amount)}"


def _speeds(arm: ArmView) -> str:
    said = []
    for name, capacity in arm.speeds.items():
        how = "not from this pose" if capacity is None else f"{capacity.amount * 1e3:.0f} mm/s"
        said.append(f'{how} <span class="quiet">{name}</span>')
    return ", ".join(said) or "not in this pose"


def arms_table(view: PairView, found: Reaches) -> str:
    """What each arm can do."""
    enough = limits_of(view.bench, "lift")[1]
    left, right = view.arms

    def half(said: str) -> str:
        poses = [arm.half for arm in view.arms if arm.half is not None]
        if not poses:
            return said
        pose = poses[0]
        lean = pose.lean / DEGREE
        hand = "fingers straight down" if lean < 3 else f"fingers {lean:.0f}° from straight down"
        return f'{said} <span class="quiet">(TCP {pose.height * 1e3:.0f} mm over the table, {hand})</span>'

    carried = f"{left.carried.name} ({grams(left.carried.mass)}) in hand" if left.carried else "nothing in hand"
    pads = [view.bench.arm(arm.side).gripper.opening for arm in view.arms]
    body = [
        row("joints", f"{left.joints} and a gripper", f"{right.joints} and a gripper"),
        row("reach, level from the first joint", _reach(left), _reach(right)),
        row(f"table it reaches, at {found.height * 1e3:.0f} mm over it", *(f"{a * 1e4:.0f} cm²" for a in found.areas)),
        row(half("holds half way out"), *(_load(arm.load_half, arm.ever_half) for arm in view.arms)),
        row("holds stretched out level", *(_load(arm.load_full, arm.ever_full) for arm in view.arms)),
        row(prose(f"TCP speed it sustains half way out, {carried}"), *(_speeds(arm) for arm in view.arms)),
        row("gap between the pads", *(f"{low * 1e3:.0f} to {high * 1e3:.0f} mm" for low, high in pads)),
    ]
    return element(
        "table",
        element(
            "caption",
            f"Each arm with {enough:g} times the torque it needs available, as the question <i>lift</i> calls enough "
            "(the joint that sets the bound in brackets; for ever: what its servos carry without growing too hot)",
        ),
        element("thead", row("what it can", "left arm", "right arm", head=True)),
        element("tbody", *body),
        class_="whole",
    )


def _reach(arm: ArmView) -> str:
    return f"{arm.reach * 1e3:.0f} mm" if arm.reach > 0 else "not level with its second joint"


def _reaching(left: ArmView, right: ArmView) -> str:
    if left.reach > 0 and right.reach > 0:
        return f"They reach {_reach(left)} and {_reach(right)}"
    able = [arm for arm in (left, right) if arm.reach > 0]
    return f"Only the {able[0].side} one reaches out level, {_reach(able[0])}; they" if able else "They"


def landing_table(view: PairView) -> str:
    """How far the pair lands from where it was taught, in three ways."""
    words = {
        "raw": "taught angles sent as they are",
        "trimmed": "then trimmed until the feedback shows the taught angles, as anyone can",
        "corrected": "commands corrected for which side of its slack each joint rests on",
    }
    body = []
    for way in WAYS:
        misses = view.missing(way) * 1e3
        body.append(
            element(
                "tr",
                element("th", way, scope="row"),
                element("td", words[way]),
                element("td", f"{np.median(misses):.1f} mm", class_="n"),
                element("td", f"{misses.max():.1f} mm", class_="n"),
            )
        )
    count = len(view.missing("raw"))
    return element(
        "table",
        element("caption", f"How far it lands from where it was taught, predicted for {counted(count, 'taught pose')}"),
        element(
            "thead",
            element(
                "tr",
                element("th", "way", scope="col"),
                element("th", "what is sent", scope="col"),
                element("th", "middle", scope="col", class_="n"),
                element("th", "worst", scope="col", class_="n"),
            ),
        ),
        element("tbody", *body),
        class_="whole",
    )


def does(view: RoutineView) -> str:
    """What a routine does, in a few words."""
    said: list[str] = []
    for step in view.routine.steps:
        match step.do:
            case "pass":
                said.append(f"passes {step.thing or 'a thing'} from {step.giver} to {step.taker}")
            case "carry":
                said.append(f"carries {step.thing or 'something'} with both arms")
            case "draw":
                said.append(f"draws {step.drawing} ({' and '.join(step.sides)})")
            case "stroke":
                said.append(f"follows a taught path ({' and '.join(step.sides)})")
    told = list(dict.fromkeys(said))
    if not told:
        grips = list(dict.fromkeys(s.thing for s in view.routine.steps if s.do == "grip" and s.thing))
        goes = any(step.do == "go" for step in view.routine.steps)
        told = [f"handles {', '.join(grips)}"] if grips else ["moves" if goes else "stands still"]
    return "; ".join(told)


def change_first(answers: Answers) -> str:
    """What to change first: the best change that was tried for the worst answer."""
    worst = answers.worst
    if worst.verdict == "holds":
        return "nothing; every answer holds"
    if not worst.changes:
        return f"no change that was tried gives {worst.question} more room"
    best = worst.changes[0]
    then = {"fails": "better, but it still fails", "tight": "then it is tight", "holds": "then it holds"}[best.verdict]
    return f"{best.words}: {then}"


def routines_table(view: PairView) -> str:
    """Each routine in one line."""
    body = []
    for k, one in enumerate(view.routines):
        worst = one.answers.worst
        body.append(
            element(
                "tr",
                element("th", element("a", prose(one.routine.name), href=f"#routine-{k + 1}"), scope="row"),
                element("td", prose(does(one))),
                element("td", f"{one.answers.duration:.1f} s", class_="n"),
                element("td", f"{prose(worst.question)} {word(worst.verdict)} {prose(worst.margin_text)}", class_="s"),
                element("td", prose(change_first(one.answers))),
            )
        )
    return element(
        "table",
        element("caption", "Its routines"),
        element(
            "thead",
            element(
                "tr",
                *(
                    element("th", name, scope="col", class_="n" if name == "lasts" else None)
                    for name in ("routine", "does", "lasts", "worst answer", "change first")
                ),
            ),
        ),
        element("tbody", *body),
        class_="whole",
    )


def fits(view: PairView, thing: Thing) -> tuple[bool, str]:
    """Whether this pair can hold a thing, and how, in words to which the names of such things are added."""
    widest = min(view.bench.arm(arm.side).gripper.opening[1] for arm in view.arms)
    if thing.grip_width > widest:
        return False, f"grip what is wider than the {widest * 1e3:.0f} mm to which the pads open"
    share, hold = (0.5, "hold with both arms") if thing.grip_span > 0.0 else (1.0, "hold")
    full = min((arm.load_full.amount if arm.load_full else 0.0) for arm in view.arms)
    half = min((arm.load_half.amount if arm.load_half else 0.0) for arm in view.arms)
    if share * thing.mass <= full:
        return True, f"{hold}, up to full reach"
    if share * thing.mass <= half:
        return True, f"{hold}, half way out but not stretched out"
    return False, f"{hold} half way out, too heavy"


def _things(view: PairView) -> tuple[list[str], list[str]]:
    """What can be held and what cannot, things that are alike in one line."""
    alike: dict[tuple[bool, str], list[str]] = {}
    for thing in view.bench.things:
        alike.setdefault(fits(view, thing), []).append(f"{thing.name} {grams(thing.mass)}")
    lines = [(good, f"{how}: {', '.join(names)}") for (good, how), names in alike.items()]
    return [said for good, said in lines if good], [said for good, said in lines if not good]


def can_and_cannot(view: PairView, found: Reaches) -> tuple[list[str], list[str]]:
    """Two lists in plain words, each line with its number."""
    can, cannot = [], []
    if found.shared > 0.0:
        can.append(
            f"meet: both TCPs reach {found.shared * 1e4:.0f} cm² at {found.height * 1e3:.0f} mm over the table, the "
            f"bases {view.apart * 1e3:.0f} mm apart"
        )
    else:
        cannot.append(f"meet: no place is shared at {found.height * 1e3:.0f} mm over the table")
    held, not_held = _things(view)
    can, cannot = can + held, cannot + not_held
    failing, playing = [], []
    for one in view.routines:
        worst = one.answers.worst
        if worst.verdict == "fails":
            which = [a.question for a in one.answers.answers if a.verdict == "fails"]
            said = f"{worst.question} fails"
            if which[1:]:
                said = f"{', '.join(which[:-1])} and {which[-1]} fail, worst {worst.question}"
            bound = f"limit\N{NO-BREAK SPACE}{worst.limit:g}"
            failing.append(f"play {one.routine.name} as it stands: {said} ({worst.margin_text}, {bound})")
        else:
            how = "is tight" if worst.verdict == "tight" else "holds"
            playing.append(f"play {one.routine.name}; worst, {worst.question} {how} ({worst.margin_text})")
    names = [one.routine.name for one in view.routines if not one.answers.fails]
    can += _few(playing, f"play {_many(names)}; their answers stand below")
    names = [one.routine.name for one in view.routines if one.answers.fails]
    cannot += _few(failing, f"play {_many(names)} as they stand; why stands below")
    full = [arm.load_full.amount for arm in view.arms if arm.load_full]
    if full:
        cannot.append(f"hold more than {grams(min(full))} stretched out, at the lift this bench calls enough")
    if len(view.missing("corrected")):
        middle = float(np.median(view.missing("corrected")))
        cannot.append(f"land nearer than about {middle * 1e3:.1f} mm to where it was taught, as far as is known today")
    cannot.append("notice a touch, a slip or a hand in the way: the wires tell angles, nothing else")
    return can, cannot


def _few(lines: list[str], instead: str) -> list[str]:
    """A few lines as they are, one line instead of many."""
    return lines if len(lines) <= MOST_ROUTINES else [instead]


def _many(names: list[str]) -> str:
    """Some of many names, and how many there are."""
    return f"{len(names)} routines ({', '.join(names[:MOST_ROUTINES])}{', ...' if names[MOST_ROUTINES:] else ''})"


def _known(view: PairView) -> str:
    bench: Bench = view.bench
    said = []
    if bench.about.invented:
        said.append("The figures of this bench are invented for a demonstration.")
    if view.measured:
        of = sorted({entry.of for entry in view.measured})
        said.append(
            f"{counted(len(view.measured), 'measured value stands', 'measured values stand')} in for the design's, "
            f"for {', '.join(of[:6])}" + (" and others." if len(of) > 6 else ".")
        )
    else:
        said.append(
            "Nothing has been measured on this bench yet: play, compliance and friction are common practice for "
            "printed servo arms, so what is not known is wide."
        )
    return " ".join(said)


def first_sheet(view: PairView, found: Reaches) -> str:
    """The whole sheet."""
    left, right = view.arms
    joints = (
        f"two arms of {left.joints} joints"
        if left.joints == right.joints
        else f"a left arm of {left.joints} joints and a right arm of {right.joints}"
    )
    can, cannot = can_and_cannot(view, found)
    lead = (
        f"{joints[0].upper()}{joints[1:]}, their bases {view.apart * 1e3:.0f} mm apart, "
        f"on {view.bench.supply.voltage:g} V. "
        f"{_reaching(left, right)} and share {found.shared * 1e4:.0f} cm² of table."
    )
    parts = [
        element(
            "div",
            LEAF,
            element(
                "div",
                element("p", prose(f"{view.bench.about.name}"), class_="kicker"),
                element("h1", "What this pair can and cannot do"),
                element("p", prose(lead), class_="lead"),
                element("p", prose(_known(view)), class_="quiet"),
            ),
            class_="tag",
        ),
        element(
            "div",
            element("div", element("h2", "It can"), _list(can, "can")),
            element("div", element("h2", "It cannot"), _list(cannot, "cannot")),
            class_="two",
        ),
    ]
    if view.routines:
        parts += [routines_table(view), landing_table(view) if len(view.missing("raw")) else ""]
    else:
        parts.append(element("p", "It has no routine yet. Teach one: handfast teach --recording FILE."))
    parts.append(arms_table(view, found))
    return element("section", *parts, id="pair", class_="sheet")


def _list(items: list[str], kind: str) -> str:
    if not items:
        return element("p", "nothing that was asked", class_="quiet")
    return element("ul", *(element("li", prose(item)) for item in items), class_=kind)
