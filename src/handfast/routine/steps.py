"""The steps of a routine, frozen and in SI units, each field with the way it is written and why.

An arm's steps follow one another; the two arms run side by side. A step of both arms begins when both are
ready and ends for both at the same time.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace

from handfast.bench.parts import SIDES, Rows, Side, Vector
from handfast.files.fields import choice, derived, matrix, number, table, tables, text, vector, whole

HOLDS = ("held", "let go", "unknown", "planned")
KEEPS = ("pose", "taught", "distance", "mirror")
KINDS = ("go", "grip", "release", "wait", "stroke", "draw", "pass", "carry")


LIKELY = 0.44
"""Mean side, of ±1, of a joint whose feedback stood still while a hand led its arm on: 28 % of them have gone over to
the other side of their play unseen (from simulated hands, no source)."""

_SIGNS = {"+": 1.0, "-": -1.0, "0": 0.0, "+?": LIKELY, "-?": -LIKELY}


def signs(text_: str) -> list[str]:
    """The signs of `arrived` one by one; whatever is none, as it stands there."""
    return re.findall(r"[+-]\?|\S", text_)


def arrivals_of(text_: str) -> tuple[float, ...]:
    """The signs of `arrived`: +1, -1 or 0, and `LIKELY` of them where they are in doubt."""
    return tuple(_SIGNS[token] for token in signs(text_))


def arrived_text(ways: Iterable[float]) -> str:
    """Ways of all joints as `arrived` has them."""
    return " ".join("0" if w == 0 else ("+" if w > 0 else "-") + ("" if abs(w) == 1 else "?") for w in ways)


@dataclass(frozen=True, kw_only=True)
class Taught:
    """What was taught to one arm in a step: the feedback's angles, never changed afterwards."""

    pose: Vector | None = vector("pose_deg", None, "taught angles as the feedback showed them", None, -720, 720)
    held: str = choice("held", "unknown", HOLDS, "how the pose was held while it was stored")
    arrived: str = text("arrived", "", "way each joint last moved by hand: + -, 0 if it cannot be told, ? in doubt")
    at: float | None = number("at_s", None, 0, 1e6, "time in the recording at which it was stored")
    spread: Vector | None = vector("spread_deg", None, "standard deviation of the taught angles", None, 0, 90)
    kept: Vector | None = vector("taught_deg", None, "taught angles that a planned pose stands in for", None, -720, 720)
    kept_held: str = text("taught_held", "", "how that pose was held")
    kept_arrived: str = text("taught_arrived", "", "way each joint last moved to that pose")
    nudge: Vector | None = vector("nudge_mm", None, "way to the mark that the bench's figures do not explain", 3)
    command: Vector | None = vector("command_deg", None, "corrected feedback target", None, -720, 720)
    path: Rows | None = matrix("path_deg", "a taught path, one row of angles per sample", -720, 720)
    times: Vector | None = vector("path_s", None, "time of each row of the path", None, 0, 36000)
    path_command: Rows | None = matrix("path_command_deg", "corrected feedback targets of the path", -720, 720)
    # Of a drawing, while it is in memory: standard deviation of where its path is (rows, joints) rad; how far the path
    # misses, m, and passes a stop, rad.
    unsure: Rows | None = derived(None)
    missed: tuple[float, float] | None = derived(None)

    @property
    def arrivals(self) -> tuple[float, ...] | None:
        """The signs of `arrived`, one per joint: +1, -1 or 0, and `LIKELY` of them where they are in doubt."""
        return arrivals_of(self.arrived) if self.arrived else None

    @property
    def target(self) -> Vector | None:
        """The feedback angles to come to rest at: corrected where there is a correction."""
        return self.pose if self.command is None else self.command


@dataclass(frozen=True, kw_only=True)
class Step:
    """One entry of a routine."""

    do: str = choice("do", ..., KINDS, "what to do")
    name: str = text("name", "", "what you call this step")
    arm: str | None = choice("arm", None, ("left", "right", "both"), "which arm, where no pose says it")
    left: Taught | None = table("left", Taught, "what was taught to the left arm", optional=True)
    right: Taught | None = table("right", Taught, "what was taught to the right arm", optional=True)
    thing: str | None = text("thing", None, "the thing that is gripped, passed or carried")
    gap: float | None = number("gap_mm", None, 0, 2000, "gap between the pads after a release (widest if left out)")
    time: float | None = number("time_s", None, 0, 3600, "time the step shall take (as short as is sound if left out)")
    dwell: float = number("dwell_s", 0, 0, 3600, "rest at its end")
    pace: float = number("pace", 1, 0.02, 1, "share of the sound speed at which it is played")
    tolerance: float | None = number("tolerance_mm", None, 0.01, 500, "how far from the taught place it may land")
    giver: str | None = choice("giver", None, SIDES, "in a pass: the arm that gives")
    approach: float = number("approach_mm", 40, 0, 500, "in a pass: straight way along the fingers, in and out")
    keep: str = choice("keep", "pose", KEEPS, "in a carry: what the arms keep of each other")
    raised: float = number("raise_mm", 0, -2000, 2000, "in a carry without taught poses: how far it goes up")
    shift: Vector | None = vector("shift_mm", None, "in a carry without taught poses: how far along x and y", 2)
    tilt: float = number("tilt_deg", 0, -90, 90, "in a carry without taught poses: how far the right grip is tilted up")
    swing: float = number("swing_deg", 0, -360, 360, "in a carry without taught poses: turn about the vertical")
    swing_about: Vector | None = vector("swing_about_mm", None, "x and y of that vertical (its middle if left out)", 2)
    drawing: str | None = text("drawing", None, "in a draw: the SVG file, in the bench's folder drawings/")
    width: float | None = number(
        "width_mm", None, 0.5, 2000, "in a draw: width of the ink (as in the file if left out)"
    )
    turn: float = number("turn_deg", 0, -360, 360, "in a draw: turn of the drawing on the paper")
    lift: float = number("lift_mm", 8, 0.5, 200, "in a draw: how far the pen is lifted between lines")
    speed: float = number("speed_mm_per_s", 25, 0.5, 500, "in a draw: speed of the pen on the paper, at most")
    after: str | None = text("after", None, "name of an earlier step that must be over first")

    def taught(self, side: str) -> Taught | None:
        """What was taught to one arm."""
        return self.left if side == "left" else self.right

    def with_taught(self, side: str, taught: Taught) -> Step:
        """The step with another `Taught` for one arm."""
        return replace(self, left=taught) if side == "left" else replace(self, right=taught)

    @property
    def sides(self) -> tuple[Side, ...]:
        """The arms that take part."""
        if self.do in ("pass", "carry"):
            return SIDES
        named = tuple(side for side in SIDES if self.taught(side) is not None)
        if named or self.arm is None:
            return named or SIDES
        return SIDES if self.arm == "both" else (self.arm,)  # type: ignore[return-value]

    # The lines of a drawing (x, y) m from its lower left corner, read with the routine.
    lines: tuple[tuple[tuple[float, float], ...], ...] = derived(())

    @property
    def moves_thing(self) -> bool:
        """In a carry: whether the path of the thing itself is given."""
        return bool(self.raised or self.tilt or self.swing or (self.shift is not None and any(self.shift)))

    @property
    def leader(self) -> Side:
        """In a carry that mirrors: the arm that leads."""
        if self.arm in SIDES:
            return "left" if self.arm == "left" else "right"
        return "left" if self.left is not None else "right"

    @property
    def taker(self) -> str:
        """In a pass: the arm that takes."""
        return "right" if self.giver == "left" else "left"


@dataclass(frozen=True, kw_only=True)
class About:
    """What holds for the whole routine."""

    name: str = text("name", ..., "what you call this routine")
    layout: int = whole("layout", 1, 1, 1, "version of this file's layout")
    pace: float = number("pace", 1, 0.02, 1, "share of the sound speed at which it is played")
    tolerance: float = number("tolerance_mm", 5, 0.01, 500, "how far from a taught place it may land")
    rest: float = number("rest_s", 2, 0, 36000, "pause before it is repeated, for the warming of the servos")
    recording: str = text("recording", "", "the recording it was taught from")
    note: str = text("note", "", "anything worth knowing")


@dataclass(frozen=True, kw_only=True)
class Routine:
    """An ordered list of steps for both arms."""

    about: About = table("routine", About, "what holds for the whole routine")
    steps: tuple[Step, ...] = tables("step", Step, "its steps, in order")

    @property
    def name(self) -> str:
        """What it is called."""
        return self.about.name

    @property
    def corrected(self) -> bool:
        """Whether it has corrected commands. What a drawing sends is worked out for each plan, and tells nothing."""
        return any(
            taught.command is not None or (taught.path_command is not None and step.do != "draw")
            for step in self.steps
            for taught in (step.left, step.right)
            if taught is not None
        )

    def title(self, number: int) -> str:
        """A step in words: '3 (go above the pot)'."""
        step = self.steps[number]
        named = step.name if step.name.startswith(step.do) else f"{step.do} {step.name}".strip()
        return f"{number + 1} ({named})"

    def tolerance_of(self, number: int) -> float:
        """How far from its taught place step `number` may land, m."""
        tolerance = self.steps[number].tolerance
        return self.about.tolerance if tolerance is None else tolerance
