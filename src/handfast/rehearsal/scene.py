"""What stands around the arms in a rehearsal: things where the hands found them, supports, paper, and helping hands.

A bench says what its things are, not where. They stand where the routine was taught to take them: the grip, as the
hand led it there, fits the thing's own grip place. What then hangs well above the table and is not carried up from
it is handed over by a person, who holds it until the jaws have closed. Where a thing is taken or set down above the
table top, a support stands under it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from handfast.bench.parts import SIDES, Bench, Side, Thing
from handfast.geometry.rigid import Array, inverse, pose
from handfast.mechanics.grip import PEN_PRESSED
from handfast.motion.carrying import thing_pose
from handfast.motion.drawing import tip_path
from handfast.motion.standing import HANDED, LOW
from handfast.routine.steps import Routine, Step

UNFIT = 0.006
"""Hands taught this far from fitting on one thing show that the bench's figures are off, m."""


@dataclass(frozen=True)
class Placed:
    """A thing at the start. X_WO (4, 4); handed: held by a person until `handed_to` has closed its jaws on it."""

    thing: Thing
    X_WO: Array
    handed_to: Side | None
    span: float = 0.0  # distance of the two tabs by which two hands grip it, 0 if it is one solid block
    tabs_across: bool = False  # whether the tabs stand across its x, for jaws that open along it


@dataclass(frozen=True)
class Hold:
    """A thing is meant to be in these hands from the grip of step `begins` to the release in step `ends` (or on).

    X_TO: pose of the thing in each hand as taught. X_WO: where it is meant to be when it is let go, or None.
    """

    thing: str
    side: Side
    begins: int
    ends: int | None
    X_TO: Array
    X_WO: Array | None


@dataclass(frozen=True)
class Scene:
    """Everything but the arms. supports: boxes (centre (3,), half size (3,)) m; paper: height of the pad, or None."""

    things: tuple[Placed, ...] = ()
    supports: tuple[tuple[Array, Array], ...] = ()
    paper: float | None = None
    holds: tuple[Hold, ...] = field(default=())
    notes: tuple[str, ...] = ()


def is_rod(thing: Thing) -> bool:
    """Whether a thing is a slim rod along its z: a pen."""
    return thing.is_rod


def foot(thing: Thing, X_WO: Array) -> float:
    """Height of the lowest corner of a thing, m."""
    half = 0.5 * np.array(thing.size)
    return float(X_WO[2, 3] - np.abs(X_WO[2, :3]) @ half)


def _at_grip(thing: Thing, X_WT: Array) -> Array:
    """Pose of an upright thing between the pads of a hand at X_WT: its sides of the gripped width face the pads."""
    y = X_WT[:2, 1]
    turn = np.arctan2(y[1], y[0]) if np.linalg.norm(y) > 0.2 else 0.0
    # The jaws close along the thing's x or y, whichever is as wide as it is gripped.
    along_x = abs(thing.size[0] - thing.grip_width) < abs(thing.size[1] - thing.grip_width)
    turn -= 0.0 if along_x else np.pi / 2.0
    c, s = np.cos(turn), np.sin(turn)
    R = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
    return pose(R, X_WT[:3, 3] - np.array([0.0, 0.0, thing.grip_height]))


def _between(thing: Thing, X_WT: dict[Side, Array]) -> Array:
    """Pose of a thing between two hands: level, its x from the left hand to the right."""
    X = thing_pose(np.array([X_WT[side] for side in SIDES]))
    x = X[:2, 0] / max(float(np.linalg.norm(X[:2, 0])), 1e-9)
    R = np.array([[x[0], -x[1], 0.0], [x[1], x[0], 0.0], [0.0, 0.0, 1.0]])
    return pose(R, X[:3, 3] - np.array([0.0, 0.0, thing.grip_height]))


def _on_its_tip(thing: Thing, X_WS: Array) -> Array:
    """X_TO of a rod that stands upright on its tip when the hand is at X_WS, gripped at its grip place."""
    return np.asarray(inverse(X_WS) @ _at_grip(thing, X_WS))


def _unfit(thing: Thing, step: Step, X_WT: dict[Side, Array], title: str) -> list[str]:
    """Two hands that were taught to hold one thing, where the bench's figures say that they do not fit on it."""
    if len(X_WT) < 2 or thing.grip_span <= 0.0:
        return []
    apart = float(np.linalg.norm(X_WT["left"][:3, 3] - X_WT["right"][:3, 3]))
    steep = abs(float(X_WT["left"][2, 3] - X_WT["right"][2, 3]))
    off = max(abs(apart - thing.grip_span), steep)
    if off < UNFIT:
        return []
    return [
        f"step {title}: by the bench's figures the hands were taught {off * 1e3:.0f} mm away from fitting on "
        f"{thing.name} ({apart * 1e3:.0f} mm apart, one {steep * 1e3:.0f} mm higher; its grip_span_mm is "
        f"{thing.grip_span * 1e3:.0f}); {NOT_KNOWN}"
    ]


NOT_KNOWN = "its lengths, bases or joint zeros are not known well enough: calibrate first"


def _raised(thing: Thing, X_WO: Array, sides: tuple[Side, ...], title: str) -> tuple[Array, list[str]]:
    """A thing that by the bench's figures was taken out of the table, stood upon it, and what is to be said of that."""
    low = -foot(thing, X_WO)
    if low <= 0.0:
        return X_WO, []
    X_WO = X_WO.copy()
    X_WO[2, 3] += low
    if low < UNFIT:
        return X_WO, []
    hands = "both hands were" if len(sides) > 1 else f"the {sides[0]} hand was"
    return X_WO, [
        f"step {title}: by the bench's figures {hands} taught {low * 1e3:.0f} mm too low, the foot of {thing.name} "
        f"inside the table; here it stands on the table and is gripped {low * 1e3:.0f} mm below its grip place; "
        f"{NOT_KNOWN}"
    ]


def _beside(thing: Thing, X_TO: Array) -> float:
    """How far a TCP lies outside a thing, m; X_TO the thing in the hand."""
    at = np.abs(inverse(X_TO)[:3, 3]) - 0.5 * np.array(thing.size)
    return float(np.linalg.norm(np.maximum(at, 0.0)))


@dataclass
class _Hand:
    at: Array
    thing: str | None = None
    begins: int = 0
    X_TO: Array = field(default_factory=lambda: np.eye(4))
    placed: bool = False


def scene_of(bench: Bench, routine: Routine, taught: dict[tuple[int, Side], Array]) -> Scene:
    """The scene in which a routine was taught.

    taught: where hands led the TCPs (N, 4, 4), one pose, or the poses of a stroke, by step and side.
    """
    hands: dict[Side, _Hand] = {}
    for side in SIDES:
        first = min((step for step, s in taught if s == side), default=None)
        if first is not None:
            hands[side] = _Hand(taught[first, side][0])
    things: dict[str, Placed] = {}
    holds: list[Hold] = []
    notes: list[str] = []
    paper: float | None = None

    def let_go(side: Side, number: int | None, X_WO: Array | None = None) -> None:
        hand = hands[side]
        assert hand.thing is not None
        where = None if number is None else hand.at @ hand.X_TO if X_WO is None else X_WO
        alone = all(other is hand or other.thing != hand.thing for other in hands.values())
        if where is not None and number is not None and alone and foot(bench.thing(hand.thing), where) < -UNFIT:
            low = -foot(bench.thing(hand.thing), where)
            notes.append(
                f"step {routine.title(number)}: by the bench's figures {hand.thing} was taught to be put down with its "
                f"lowest corner {low * 1e3:.0f} mm inside the table; {NOT_KNOWN}, or teach the pose before it higher"
            )
        holds.append(Hold(hand.thing, side, hand.begins, number, hand.X_TO, where))
        hand.thing = None

    for number, step in enumerate(routine.steps):
        for side in SIDES:
            if (number, side) in taught and step.do != "pass":
                hands[side].at = taught[number, side][-1]
        if step.do == "grip" and step.thing is not None:
            thing = bench.thing(step.thing)
            sides: tuple[Side, ...] = tuple(s for s in step.sides if s in hands)
            if not sides:
                notes.append(f"step {routine.title(number)}: no pose is taught for the arm that grips; left out")
                continue
            if thing.name in things:
                X_WO = _resting(things[thing.name], holds)
            else:
                X_WO = (
                    _between(thing, {s: hands[s].at for s in sides})
                    if len(sides) == 2
                    else _at_grip(thing, hands[sides[0]].at)
                )
                handed = None
                stroke = _next_stroke(routine, number, sides[0], taught) if len(sides) == 1 else None
                if is_rod(thing) and stroke is not None:
                    X_WO = hands[sides[0]].at @ _on_its_tip(thing, stroke[0])
                    handed = sides[0]
                elif foot(thing, X_WO) > HANDED:
                    handed = sides[0]
                if handed is None:
                    X_WO, said = _raised(thing, X_WO, sides, routine.title(number))
                    notes += said
                else:
                    notes.append(f"a person hands {thing.name} to the {handed} arm")
                span = thing.grip_span if len(sides) == 2 else 0.0
                across = abs(float(hands[sides[0]].at[:3, 1] @ X_WO[:3, 0])) > 0.7
                things[thing.name] = Placed(thing, X_WO, handed, span, across)
                notes += _unfit(thing, step, {s: hands[s].at for s in sides}, routine.title(number))
            for side in sides:
                hands[side].thing, hands[side].begins = thing.name, number
                hands[side].X_TO = inverse(hands[side].at) @ X_WO
        elif step.do in ("stroke", "draw"):
            for side in step.sides:
                hand = hands[side]
                if hand.thing is not None and is_rod(bench.thing(hand.thing)):
                    thing = bench.thing(hand.thing)
                    tools = taught[number, side]
                    if step.do == "draw":
                        tools = tools[tip_path(step)[2]]
                    tip = (tools @ hand.X_TO) @ np.array([0.0, 0.0, -0.5 * thing.size[2], 1.0])
                    # The hand drew the whole line: the pad reaches up to where the tip was mostly led.
                    paper = max(0.0, float(np.percentile(tip[:, 2], 75.0)) + PEN_PRESSED)
                    lies = f"lies {paper * 1e3:.1f} mm above the table" if paper >= 5e-5 else "lies on the table itself"
                    notes.append(f"the pad on which {side} writes {lies}")
        elif step.do == "pass" and step.giver is not None:
            giver: Side = "left" if step.giver == "left" else "right"
            taker: Side = "right" if giver == "left" else "left"
            for side in SIDES:
                hands[side].at = taught[number, side][0]
            name = hands[giver].thing
            if name is not None:
                X_WO = hands[giver].at @ hands[giver].X_TO
                hands[taker].thing, hands[taker].begins = name, number
                hands[taker].X_TO = inverse(hands[taker].at) @ X_WO
                beside = _beside(bench.thing(name), hands[taker].X_TO)
                if beside > UNFIT:
                    notes.append(
                        f"step {routine.title(number)}: by the bench's figures the {taker} hand was taught "
                        f"{beside * 1e3:.0f} mm beside {name}; {NOT_KNOWN}"
                    )
                let_go(giver, number)
        elif step.do == "release":
            held = {side: hands[side].thing for side in step.sides if side in hands}
            X_WO = None
            if len(held) == 2 and held["left"] is not None and held["left"] == held["right"]:
                X_WO = _between(bench.thing(held["left"]), {side: hands[side].at for side in SIDES})
            for side in step.sides:
                if side in hands and hands[side].thing is not None:
                    let_go(side, number, X_WO)
    for side, hand in hands.items():
        if hand.thing is not None:
            let_go(side, None)
    return Scene(tuple(things.values()), _supports(things, holds), paper, tuple(holds), tuple(notes))


def _resting(placed: Placed, holds: list[Hold]) -> Array:
    """Where a thing was last set down, else where it stood."""
    done = [h.X_WO for h in holds if h.thing == placed.thing.name and h.X_WO is not None]
    return done[-1] if done else placed.X_WO


def _next_stroke(routine: Routine, number: int, side: Side, taught: dict[tuple[int, Side], Array]) -> Array | None:
    for later in range(number + 1, len(routine.steps)):
        step = routine.steps[later]
        if step.do == "release" and side in step.sides:
            return None
        if step.do in ("stroke", "draw") and (later, side) in taught:
            return taught[later, side]
    return None


def _supports(things: dict[str, Placed], holds: list[Hold]) -> tuple[tuple[Array, Array], ...]:
    """Boxes under things that are taken from, or set down at, a height above the table."""
    boxes = []
    for placed in things.values():
        size = np.array(placed.thing.size)
        spots = [] if placed.handed_to is not None else [placed.X_WO]
        set_down = [h.X_WO for h in holds if h.thing == placed.thing.name and h.X_WO is not None]
        last = [h for h in holds if h.thing == placed.thing.name and h.X_WO is not None]
        # A pass lets go in mid-air: only what no other hand then holds is set down.
        taken = {h.begins for h in holds if h.thing == placed.thing.name}
        spots += [X for X, h in zip(set_down, last, strict=True) if h.ends not in taken]
        known: list[Array] = []
        for X in spots:
            assert X is not None
            if any(np.linalg.norm(X[:3, 3] - other[:3, 3]) < 1e-6 for other in known):
                continue
            known.append(X)
            height = foot(placed.thing, X)
            if LOW < height <= HANDED:
                half = np.array([0.35 * size[0], 0.35 * size[1], 0.5 * height])
                boxes.append((np.array([X[0, 3], X[1, 3], 0.5 * height]), half))
    return tuple(boxes)
