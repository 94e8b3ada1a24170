"""What came of a rehearsal: what was gripped, slipped, tilted, knocked, dropped, drawn, and where poses landed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from handfast.bench.parts import SIDES, Bench, Side
from handfast.geometry.rigid import Array, inverse, rotation_vector
from handfast.motion.drawing import tip_path
from handfast.records.run import Mode, Run
from handfast.rehearsal.mjcf import tab_of
from handfast.rehearsal.scene import Hold, Placed, Scene, is_rod
from handfast.rehearsal.taught import TaughtLinks
from handfast.rehearsal.watch import Seen
from handfast.routine.steps import Routine
from handfast.units import DEGREE

# Limits of what counts as spoiled (common practice, no source).
TOUCH = 0.05  # N, a pad that presses less does not hold
LOST = 0.12  # s without both pads: dropped
SLIPPED = 0.005  # m moved in the hand
TILTED = 15.0 * DEGREE
KNOCK = 2.0  # N
FAR = 0.015  # m beside its place
FALLEN = 25.0 * DEGREE
BEHIND = 14.0 * DEGREE  # more than a trim may ask for
BEHIND_FOR = 0.5  # s
DRAWN = 0.9  # share of a line
INK_NEAR = 0.003  # m


@dataclass(frozen=True)
class Event:
    """Something that spoils a routine. kind: one word; part: the joint, grip or pair that it was; when s.

    step: which one it is of, from 0, where it is of one alone.
    """

    kind: str
    part: str
    when: float
    words: str
    step: int | None = None

    def plain(self) -> dict[str, Any]:
        """As plain values."""
        return {"kind": self.kind, "part": self.part, "when_s": round(self.when, 2), "what": self.words}


@dataclass(frozen=True)
class Grip:
    """How one hand held one thing. press and crush N; slip m and tilt rad in the hand; used: share of friction.

    All that while it was held; lost: when no pad touched it any more, s, or None. Where the hand got no hold of it,
    aside m: how far beside it the TCP was when the jaws closed, and wide m: by how much they stayed wider than it.
    """

    thing: str
    side: Side
    start: float
    end: float
    gripped: bool
    press: float
    crush: float
    slip: float
    tilt: float
    used: float
    lost: float | None = None
    aside: float = 0.0
    wide: float = 0.0

    def plain(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "thing": self.thing, "arm": self.side, "from_s": round(self.start, 2), "to_s": round(self.end, 2),
            "gripped": self.gripped, "press_N": round(self.press, 3), "largest_press_N": round(self.crush, 3),
            "slip_mm": round(self.slip * 1e3, 2), "tilt_deg": round(self.tilt / DEGREE, 2),
            "friction_used": round(self.used, 3), "lost_s": None if self.lost is None else round(self.lost, 2),
        } | ({} if self.gripped else {
            "beside_mm": round(self.aside * 1e3, 2), "wider_mm": round(self.wide * 1e3, 2),
        })  # fmt: skip


@dataclass(frozen=True)
class Landed:
    """Where a pose came to rest: true TCP minus taught TCP (3,) m, and the taught place."""

    step: int
    side: Side
    row: int | None
    taught: Array
    miss: Array
    links: Array  # link angles (joints,) there
    feedback: Array

    @property
    def distance(self) -> float:
        """How far off, m."""
        return float(np.linalg.norm(self.miss))


@dataclass(frozen=True)
class Line:
    """What a pen drew: share of the taught line, root mean square distance from it, its largest, m; points (N, 2)."""

    thing: str
    side: Side
    step: int
    share: float
    error: float
    worst: float
    points: Array
    taught: Array

    def plain(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "pen": self.thing, "arm": self.side, "step": self.step + 1, "share_drawn": round(self.share, 3),
            "error_mm": round(self.error * 1e3, 3), "worst_mm": round(self.worst * 1e3, 3),
            "points": len(self.points),
        }  # fmt: skip


@dataclass(frozen=True)
class Stands:
    """Where a thing stands at the end: beside its place, m, and leaning, rad."""

    thing: str
    beside: float
    lean: float
    at: Array


@dataclass(frozen=True)
class Outcome:
    """One rehearsal."""

    routine: str
    way: Mode
    duration: float
    grips: tuple[Grip, ...]
    stands: tuple[Stands, ...]
    lines: tuple[Line, ...]
    landed: tuple[Landed, ...]
    together: float | None
    events: tuple[Event, ...]

    @property
    def works(self) -> bool:
        """Whether nothing spoiled it."""
        return not self.events

    def plain(self) -> dict[str, Any]:
        """As plain values."""
        return {
            "routine": self.routine,
            "way": self.way,
            "works": self.works,
            "duration_s": round(self.duration, 2),
            "events": [e.plain() for e in self.events],
            "grips": [g.plain() for g in self.grips],
            "things": [
                {"thing": s.thing, "beside_mm": round(s.beside * 1e3, 2), "lean_deg": round(s.lean / DEGREE, 2),
                 "at_mm": [round(float(x) * 1e3, 2) for x in s.at]}
                for s in self.stands
            ],
            "lines": [line.plain() for line in self.lines],
            "together_mm": None if self.together is None else round(self.together * 1e3, 3),
            "landings": [
                {"step": x.step + 1, "arm": x.side, "row": x.row, "miss_mm": [round(float(v) * 1e3, 3) for v in x.miss],
                 "distance_mm": round(x.distance * 1e3, 3)}
                for x in self.landed
                if not x.row
            ],
        }  # fmt: skip


def outcome_of(
    bench: Bench,
    routine: Routine,
    scene: Scene,
    taught: TaughtLinks,
    run: Run,
    seen: Seen,
    loads: list[tuple[float, float, float]],
) -> Outcome:
    """Judge a run on the twin by what was seen in it. loads: rows of time and what each hand was meant to hold."""
    events: list[Event] = []
    spans = _spans(np.array(loads), scene)
    grips = []
    for hold, span in spans:
        if span is None:
            continue
        grip = _grip(hold, span, seen, next(p for p in scene.things if p.thing.name == hold.thing))
        grips.append(grip)
        events += _grip_events(bench, routine, hold, grip, scene.holds)
    stands = _stands(scene, seen)
    for s in stands:
        if s.lean > FALLEN:
            events.append(Event("fallen", s.thing, float(seen.t[-1]), f"{s.thing} lies on its side at the end"))
        elif s.beside > FAR:
            events.append(
                Event("misplaced", s.thing, float(seen.t[-1]),
                      f"{s.thing} stands {s.beside * 1e3:.0f} mm beside its place at the end")
            )  # fmt: skip
    for when, one, other, force in seen.knocks:
        if force > KNOCK:
            events.append(Event("knock", f"{one} and {other}", when, f"{one} knocks against {other}, {force:.0f} N"))
    events += _behind(bench, routine, run)
    lines = _lines(bench, routine, scene, taught, run, seen)
    for line in lines:
        if line.share < DRAWN:
            events.append(
                Event("line broken", f"{line.side} hand with {line.thing}", float(seen.t[-1]),
                      f"the pen draws {100 * line.share:.0f} % of the line of step {routine.title(line.step)}",
                      line.step)
            )  # fmt: skip
    together = _together(spans, seen)
    return Outcome(
        routine=routine.name,
        way=run.mode,
        duration=float(seen.t[-1]),
        grips=tuple(grips),
        stands=tuple(stands),
        lines=tuple(lines),
        landed=tuple(_landed(taught, run, seen, bench)),
        together=together,
        events=tuple(sorted(events, key=lambda e: e.when)),
    )


def _spans(loads: Array, scene: Scene) -> list[tuple[Hold, tuple[float, float] | None]]:
    """When each hold lasts: from the moment the jaws should have closed to the moment they begin to open."""
    found: list[tuple[Hold, tuple[float, float] | None]] = []
    for arm, side in enumerate(SIDES):
        load = loads[:, 1 + arm]
        on = np.flatnonzero(load > 1e-9)
        parts = np.split(on, np.flatnonzero(np.diff(on) > 1) + 1) if len(on) else []
        holds = [h for h in scene.holds if h.side == side]
        for k, hold in enumerate(holds):
            if k >= len(parts):
                found.append((hold, None))
                continue
            part = parts[k]
            # Two hands have a share of one half each; the jaws themselves move while the load changes.
            full = load[part].max() * 0.999
            firm = part[load[part] >= (0.5 * full if any(_follows(hold, h) for h in scene.holds) else full)]
            kept = part[load[part] >= (0.5 * full if any(_follows(h, hold) for h in scene.holds) else full)]
            start, end = firm[0], kept[-1]
            found.append((hold, (float(loads[start, 0]), float(loads[end, 0]))))
    return found


def _follows(one: Hold, other: Hold) -> bool:
    """Whether one hand closes on what the other one holds already, in a pass or to hold it with it."""
    same = one.thing == other.thing and one.side != other.side
    return same and other.begins < one.begins and (other.ends is None or one.begins <= other.ends)


def _grip(hold: Hold, span: tuple[float, float], seen: Seen, placed: Placed) -> Grip:
    arm = SIDES.index(hold.side)
    inside = (seen.t >= span[0] + 0.15) & (seen.t <= span[1])
    press = seen.press[hold.thing][:, 2 * arm : 2 * arm + 2]
    both = press.min(axis=1)
    if not inside.any():
        return Grip(hold.thing, hold.side, *span, False, 0.0, 0.0, 0.0, 0.0, 0.0)
    n = np.flatnonzero(inside)
    gripped = bool(both[n[: max(1, min(len(n), 60))]].max() > TOUCH)
    rel = inverse(seen.tcp[:, arm]) @ seen.things[hold.thing]
    if not gripped:
        aside = beside_of(placed, inverse(rel[n[0]])[:3, 3])
        wide = float(seen.gaps[n[0], arm]) - placed.thing.grip_width
        return Grip(hold.thing, hold.side, *span, False, 0.0, float(press[n].max()), 0.0, 0.0, 0.0, None, aside, wide)
    lost = _lost(seen, n, press)
    if lost is not None:
        n = n[seen.t[n] <= lost]
    # From where it lay once the grip had settled: a thing finds its place between the pads while they close.
    first = n[min(len(n) - 1, 45)]
    later = n[n >= first]
    kept = later[both[later] > TOUCH]
    slip = tilt = used = 0.0
    if len(kept):
        # The place on the thing that lay between the pads, not its middle, which a twist would move.
        held = inverse(rel[first])[:3, 3]
        away = rel[kept, :3, :3] @ held + rel[kept, :3, 3]
        slip = float(np.linalg.norm(away, axis=1).max())
        turn = np.einsum("ji,njk->nik", rel[first, :3, :3], rel[kept, :3, :3])
        tilt = float(np.linalg.norm(rotation_vector(turn), axis=-1).max())
        share = seen.used[hold.thing][kept, arm]
        used = float(np.percentile(share, 99)) if len(share) else 0.0
    held_at = n[both[n] > TOUCH]
    return Grip(
        hold.thing, hold.side, *span, True,
        float(np.median(both[held_at])), float(press[n].max()), slip, tilt, used, lost,
    )  # fmt: skip


def _lost(seen: Seen, looks: np.ndarray, press: Array) -> float | None:
    """When a thing has left a hand, s: no pad (N, 2) has touched it for `LOST`."""
    away = 0
    for n in looks:
        away = away + 1 if press[n].max() <= 0.0 else 0
        if away * (seen.t[1] - seen.t[0]) > LOST:
            return float(seen.t[n])
    return None


def beside_of(placed: Placed, tcp: Array) -> float:
    """How far a TCP (3,), m, in the thing's axes is beside what can be gripped of it: the thing, or its nearer tab."""
    middle, half = np.zeros(3), 0.5 * np.array(placed.thing.size)
    if placed.span > 0.0:
        middle, half = tab_of(placed, -1.0 if tcp[0] < 0.0 else 1.0)
    return float(np.linalg.norm(np.maximum(np.abs(tcp - middle) - half, 0.0)))


def _missed(routine: Routine, hold: Hold, grip: Grip) -> str:
    """Why a hand got no hold of a thing: which, by how much, and what next."""
    jaws, step = f"the {hold.side} jaws", routine.title(hold.begins)
    if grip.aside > 0.0:
        return (
            f"{jaws} close {grip.aside * 1e3:.0f} mm beside {hold.thing} in step {step}; see how far off that pose "
            "lands (below, and miss in handfast check), or teach it again"
        )
    if grip.wide > 0.0:
        return (
            f"{jaws} close around {hold.thing} in step {step} and stay {grip.wide * 1e3:.1f} mm wider than it: they "
            "press on nothing; see that grip_width_mm, and the gripper's opening_mm and angles, are what they are"
        )
    return (
        f"{jaws} close past {hold.thing} in step {step}, {-grip.wide * 1e3:.1f} mm narrower than it, and only their "
        "edges can have met it; teach that pose with the pads well on it"
    )


def _grip_events(bench: Bench, routine: Routine, hold: Hold, grip: Grip, holds: tuple[Hold, ...]) -> list[Event]:
    part = f"{hold.side} grip of {hold.thing}"
    if not grip.gripped:
        return [Event("missed", part, grip.start, _missed(routine, hold, grip))]
    events = []
    if grip.lost is not None:
        events.append(Event("dropped", part, grip.lost, f"{hold.thing} leaves the {hold.side} hand"))
    if grip.slip > SLIPPED:
        events.append(
            Event("slipped", part, grip.end, f"{hold.thing} slips by {grip.slip * 1e3:.1f} mm in the {hold.side} hand")
        )
    # Two hands that hold one thing turn it by their paths; whether their pads bear that twist is another question.
    alone = not any(h.thing == hold.thing and h.side != hold.side and h.begins == hold.begins for h in holds)
    # On pads that pivot a thing hangs as it likes; what comes of that shows where it is set down.
    if grip.tilt > TILTED and alone and not bench.arm(hold.side).gripper.pads_pivot:
        events.append(
            Event("tilted", part, grip.end, f"{hold.thing} tilts by {grip.tilt / DEGREE:.0f}° in the {hold.side} hand")
        )
    crush = bench.thing(hold.thing).crush_force
    if grip.crush > crush:
        events.append(
            Event("crushed", part, grip.start, f"a pad presses {hold.thing} with {grip.crush:.0f} N; "
                  f"{crush:.0f} N damage it")
        )  # fmt: skip
    return events


def _stands(scene: Scene, seen: Seen) -> list[Stands]:
    found = []
    for placed in scene.things:
        name = placed.thing.name
        holds = [h for h in scene.holds if h.thing == name]
        if any(h.ends is None for h in holds):
            continue  # it is meant to be in a hand at the end
        down = [h for h in holds if h.X_WO is not None]
        if not down:
            continue
        last = max(down, key=lambda h: -1 if h.ends is None else h.ends)
        assert last.X_WO is not None
        X = seen.things[name][-1]
        beside = float(np.linalg.norm(X[:2, 3] - last.X_WO[:2, 3]))
        up = float(np.clip(X[:3, 2] @ last.X_WO[:3, 2], -1.0, 1.0))
        found.append(Stands(name, beside, float(np.arccos(up)), X[:3, 3]))
    return found


def _behind(bench: Bench, routine: Routine, run: Run) -> list[Event]:
    """Joints whose feedback stays far from what they are asked for."""
    events = []
    gap = np.abs(run.command - run.feedback) > BEHIND
    dt = float(np.median(np.diff(run.t)))
    need = max(1, round(BEHIND_FOR / dt))
    for i, name in enumerate(bench.joint_names):
        count = 0
        for n in range(len(run.t)):
            count = count + 1 if gap[n, i] else 0
            if count == need:
                arm = 0 if name.startswith("left") else 1
                off = abs(run.command[n, i] - run.feedback[n, i]) / DEGREE
                step = int(run.step[n, arm])
                events.append(
                    Event("cannot follow", name, float(run.t[n]),
                          f"{name} stays {off:.0f}° behind what it is asked for, step {routine.title(step)}", step)
                )  # fmt: skip
                break
    return events


def _landed(taught: TaughtLinks, run: Run, seen: Seen, bench: Bench) -> list[Landed]:
    found = []
    for rest in run.rests:
        key = (rest.step, rest.side)
        if key not in taught.tools:
            continue
        arm = SIDES.index(rest.side)
        n = min(int(np.searchsorted(seen.t, rest.time - 1e-9)), len(seen.t) - 1)
        goal = taught.tools[key][rest.row or 0, :3, 3]
        found.append(
            Landed(
                rest.step, rest.side, rest.row, goal, seen.tcp[n, arm, :3, 3] - goal,
                seen.link[n, bench.columns(rest.side)], rest.feedback,
            )
        )  # fmt: skip
    return found


def _lines(bench: Bench, routine: Routine, scene: Scene, taught: TaughtLinks, run: Run, seen: Seen) -> list[Line]:
    found = []
    for number, step in enumerate(routine.steps):
        if step.do not in ("stroke", "draw"):
            continue
        for side in step.sides:
            hold = next(
                (h for h in scene.holds
                 if h.side == side and h.begins < number and (h.ends is None or h.ends > number)), None
            )  # fmt: skip
            if hold is None or not is_rod(bench.thing(hold.thing)) or (number, side) not in taught.tools:
                continue
            half = 0.5 * bench.thing(hold.thing).size[2]
            tools = taught.tools[number, side]
            if step.do == "draw":
                tools = tools[tip_path(step)[2]]
            goal = ((tools @ hold.X_TO) @ np.array([0.0, 0.0, -half, 1.0]))[:, :2]
            during = run.t[run.step[:, SIDES.index(side)] == number]
            ink = seen.ink[hold.thing]
            if len(during):
                ink = ink[(ink[:, 0] >= during[0]) & (ink[:, 0] <= during[-1])]
            found.append(_line(hold, number, goal, ink[:, 1:3]))
    return found


def _line(hold: Hold, number: int, goal: Array, ink: Array) -> Line:
    fine = np.column_stack([np.interp(np.linspace(0, len(goal) - 1, 600), np.arange(len(goal)), c) for c in goal.T])
    if not len(ink):
        return Line(hold.thing, hold.side, number, 0.0, float("inf"), float("inf"), ink, goal)
    apart = np.linalg.norm(ink[:, None] - fine[None], axis=2)
    # The line as a whole may lie beside its place; how it is drawn is another matter than where.
    middle = (ink - fine[apart.argmin(axis=1)]).mean(axis=0)
    share = float((np.linalg.norm((ink - middle)[:, None] - fine[None], axis=2).min(axis=0) < INK_NEAR).mean())
    near = apart.min(axis=1)
    return Line(hold.thing, hold.side, number, share, float(np.sqrt((near**2).mean())), float(near.max()), ink, goal)


def _together(spans: list[tuple[Hold, tuple[float, float] | None]], seen: Seen) -> float | None:
    """Largest change of the distance between two hands while they hold one thing, m."""
    worst = None
    for hold, span in spans:
        for other, more in spans:
            if hold.side != "left" or other.side != "right" or hold.thing != other.thing or hold.begins != other.begins:
                continue
            if span is None or more is None:
                continue
            # While all four pads are on it: a hand that has lost it, or never had it, keeps no distance.
            held = seen.press[hold.thing].min(axis=1) > TOUCH
            inside = held & (seen.t >= max(span[0], more[0]) + 0.3) & (seen.t <= min(span[1], more[1]))
            if inside.any():
                apart = np.linalg.norm(seen.tcp[inside, 0, :3, 3] - seen.tcp[inside, 1, :3, 3], axis=1)
                worst = max(worst or 0.0, float(np.abs(apart - apart[0]).max()))
    return worst
