"""The bench from above and from the side: arms as their bodies, table, boxes, things, and what the TCPs reach."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from itertools import product

import numpy as np

from handfast.bench.parts import SIDES, Thing
from handfast.geometry.rigid import Array, apply, pose, yaw_pose
from handfast.mechanics.kinematics import Places, places
from handfast.mechanics.model import Model
from handfast.mechanics.reach import Cut, Section, longest, section
from handfast.motion.carrying import thing_pose
from handfast.report.charts import fill_sample, legend, round_down
from handfast.report.gather import HEIGHTS, PairView, RoutineView, outwards
from handfast.report.svg import COLOURS, DASHES, INK, NORMAL, PAPER, RULE, SMALL, TINTS, Picture, brief, width_of

WIDTH = 720.0
_STEPS = 45
"""Points of a reach section along an arm's length: the grid is finer than anything that is read off it."""

Z = np.array([0.0, 0.0, 1.0])


@dataclass(frozen=True)
class Moment:
    """What the bench is shown doing: angles (K,), gaps between the pads (2,) m, held things and their poses."""

    q: Array
    gaps: Array
    words: str
    held: tuple[tuple[Thing, Array], ...] = ()


@dataclass(frozen=True)
class Reaches:
    """The reach of both arms, cut level over the table and upright through both bases. Areas are in m²."""

    height: float
    level: tuple[Section, Section]
    upright: tuple[Section, Section]
    across: Array = field(default_factory=lambda: np.array([1.0, 0.0, 0.0]))

    @property
    def shared(self) -> float:
        """Area that both TCPs reach, at `height`."""
        return self.level[0].shared(self.level[1]).area

    @property
    def areas(self) -> tuple[float, float]:
        """Area that each TCP reaches, at `height`."""
        return self.level[0].area, self.level[1].area


def telling(view: PairView) -> Moment:
    """A moment worth showing: the first pass, else the first carry, else the hands at their nearest, else a pose."""
    for kind in ("pass", "carry"):
        for routine in view.routines:
            for arrival in routine.facts.motion.arrivals:
                step = routine.routine.steps[arrival.step]
                # A carry is shown half way, a pass where the hands meet.
                if step.do == kind:
                    return _moment(routine, arrival.step, arrival.sample, f"{routine.routine.name}, step ")
    for routine in view.routines:
        tips = places(view.model.chain, routine.facts.motion.q).X_WT[:, :, :3, 3]
        sample = int(np.argmin(np.linalg.norm(tips[:, 0] - tips[:, 1], axis=1)))
        number = int(routine.facts.motion.step[sample].max())
        return _moment(routine, number, sample, f"{routine.routine.name}, hands at their nearest, step ")
    q = view.model.chain.travel.mean(axis=1)
    for arm in view.arms:
        shown = arm.half or arm.full
        if shown is not None:
            columns = view.bench.columns(arm.side)
            q[columns] = shown.q[columns]
    gaps = np.array([view.bench.arm(side).gripper.opening[1] for side in SIDES])
    return Moment(q, gaps, "both arms half way out")


def _moment(view: RoutineView, number: int, sample: int, words: str) -> Moment:
    m, step = view.facts.motion, view.routine.steps[number]
    held: tuple[tuple[Thing, Array], ...] = ()
    if step.thing is not None and step.do in ("pass", "carry"):
        thing = view.facts.bench.thing(step.thing)
        X_WO = thing_pose(places(view.facts.model.chain, m.q[sample]).X_WT)[0]
        if step.do == "pass":
            yaw = float(np.arctan2(X_WO[1, 0], X_WO[0, 0]))
            X_WO = yaw_pose(X_WO[:3, 3], yaw)
        held = ((thing, pose(X_WO[:3, :3], X_WO[:3, 3] - thing.grip_height * X_WO[:3, 2])),)
    return Moment(m.q[sample], m.gaps[sample], words + view.routine.title(number), held)


def reaches(model: Model) -> Reaches:
    """Sections of both arms' reach on common grids."""
    chains = [model.chain.only(arm) for arm in range(2)]
    radius = max(longest(chain) for chain in chains)
    step = radius / _STEPS
    feet = np.array([chain.bases[0][:3, 3] for chain in chains])
    shafts = np.array([places(c, 0.5 * c.travel.sum(axis=1)).p[0, 0] for c in chains])
    low = np.minimum(feet.min(axis=0), shafts.min(axis=0)) - radius
    high = np.maximum(feet.max(axis=0), shafts.max(axis=0)) + radius

    def grid(origin: Array, across: Array, up: Array, width: float, height: float) -> Cut:
        return Cut(origin, across, up, step, (int(np.ceil(width / step)) + 1, int(np.ceil(height / step)) + 1))

    x, y = np.eye(3)[0], np.eye(3)[1]
    middles = [places(c, 0.5 * c.travel.sum(axis=1)).X_WT[0, 0, 2, 3] for c in chains]
    for height in (*HEIGHTS, *map(float, middles)):
        cut = grid(np.array([low[0], low[1], height]), x, y, high[0] - low[0], high[1] - low[1])
        level = (section(chains[0], cut), section(chains[1], cut))
        if all(np.any(one.reached) for one in level):
            break
    across = outwards(model.bench, "left")
    start = feet[0] - (radius * across)
    width = 2.0 * radius + abs(float((feet[1] - feet[0]) @ across))
    cut = grid(np.array([start[0], start[1], 0.0]), across, Z, width, max(high[2], step))
    return Reaches(height, level, (section(chains[0], cut), section(chains[1], cut)), across)


class _View:
    """A projection of the world onto a picture: mm on the bench to points on paper."""

    def __init__(self, picture: Picture, across: Array, up: Array, low: Array, scale: float, foot: float, left: float):
        self.picture, self.across, self.up = picture, across, up
        self.low, self.scale, self.foot, self.left = low, scale, foot, left
        self.towards = np.cross(across, up)

    def flat(self, uv: Array) -> Array:
        """Points (..., 2) m along across and up, on the picture."""
        out = np.empty_like(np.asarray(uv, dtype=float))
        out[..., 0] = self.left + (uv[..., 0] - self.low[0]) * self.scale
        out[..., 1] = self.foot - (uv[..., 1] - self.low[1]) * self.scale
        return out

    def at(self, p: Array) -> Array:
        """World points (..., 3) on the picture."""
        p = np.asarray(p, dtype=float)
        return self.flat(np.stack([p @ self.across, p @ self.up], axis=-1))

    def solid(self, X: Array, size: tuple[float, ...], fill: str, colour: str = INK, dash: str | None = None) -> Array:
        """A box of full `size` at pose X, as the outline it has from here; returns the outline."""
        half = 0.5 * np.array(size)
        corners = self.at(apply(X, np.array(list(product(*([-h, h] for h in half))))))
        rim = hull(corners)
        self.picture.shape([rim], fill, colour, 1.1, dash)
        return rim

    def rod(self, a: Array, b: Array, radius: float, fill: str) -> None:
        """A capsule: its round outline, exactly."""
        ends = self.at(np.stack([a, b]))
        if np.linalg.norm(ends[1] - ends[0]) < 0.05:
            ends[1, 0] += 0.05
        width = 2.0 * radius * self.scale
        for colour, extra in ((INK, 1.6), (fill, 0.0)):
            self.picture.line(ends, colour, max(width, 1.0) + extra, places=2, cap="round")


def hull(points: Array) -> Array:
    """Convex hull (P, 2) of points in the plane (Andrew's monotone chain, from memory)."""
    unique = np.unique(np.round(points, 9), axis=0)

    def half(order: Array) -> list[Array]:
        rim: list[Array] = []
        for p in order:
            while len(rim) > 1:
                a, b = rim[-1] - rim[-2], p - rim[-2]
                if a[0] * b[1] - a[1] * b[0] > 0.0:
                    break
                rim.pop()
            rim.append(p)
        return rim[:-1]

    if len(unique) < 3:
        return unique
    return np.array(half(unique) + half(unique[::-1]))


def bench_picture(view: PairView, found: Reaches, moment: Moment, name: str = "bench") -> Picture:
    """Both views in one picture: above from above, below from the side, at one scale."""
    bench, model = view.bench, view.model
    at = places(model.chain, moment.q)
    x, y = np.eye(3)[0], np.eye(3)[1]
    plan_low, plan_high = _bounds(view, found.level, x, y, at, moment, table=True)
    side_low, side_high = _bounds(view, found.upright, found.across, Z, at, moment, table=False)
    side_low[1] = -0.02
    margin = 14.0
    wide = max(plan_high[0] - plan_low[0], side_high[0] - side_low[0])
    tall = (plan_high[1] - plan_low[1]) + (side_high[1] - side_low[1])
    # Both views and their captions stay on one sheet of paper.
    scale = float(min((WIDTH - 2 * margin) / wide, 580.0 / tall))
    head, gap, foot = 20.0, 42.0, 62.0
    plan_foot = head + (plan_high[1] - plan_low[1]) * scale + 4
    side_foot = plan_foot + gap + (side_high[1] - side_low[1]) * scale
    picture = Picture(name, WIDTH, side_foot + foot, "The bench from above and from the side: " + moment.words)

    def left_of(low: Array, high: Array) -> float:
        return 0.5 * (WIDTH - float(high[0] - low[0]) * scale)

    plan = _View(picture, x, y, plan_low, scale, plan_foot, left_of(plan_low, plan_high))
    side = _View(picture, found.across, Z, side_low, scale, side_foot, left_of(side_low, side_high))
    picture.text(
        margin, 13, f"From above; reach as it is {found.height * 1e3:.0f} mm over the table", NORMAL, bold=True
    )
    low, high = bench.table_top.low, bench.table_top.high
    X_table = pose(np.eye(3), np.array([(low[0] + high[0]) / 2, (low[1] + high[1]) / 2, -0.005]))
    size = (high[0] - low[0], high[1] - low[1], 0.01)
    plan.solid(X_table, size, "#f5f4ee", RULE)
    corner = plan.at(np.array([low[0], low[1], 0.0]))
    picture.text(float(corner[0]) + 5, float(corner[1]) - 5, "table", SMALL, colour="#5c635c")
    _reach(plan, found.level)
    _boxes(plan, view)
    _arms(plan, view, at, moment)
    _names(plan, view, at)

    picture.text(
        margin,
        plan_foot + gap - 20,
        "From the side; reach as it is in the upright plane through both bases",
        NORMAL,
        bold=True,
    )
    _reach(side, found.upright)
    _boxes(side, view)
    side.solid(X_table, size, "#dedcd2", RULE)
    _arms(side, view, at, moment)
    _names(side, view, at)
    _scale(picture, side, side_foot + 14, margin)
    _axes(picture, WIDTH - 64, plan_foot + gap - 12, ("x", "y"))
    if np.allclose(found.across, x):
        letters = ("x", "z")
    elif np.allclose(np.abs(found.across), y):
        letters = ("y" if found.across[1] > 0 else "-y", "z")
    else:
        letters = ("left to right", "z")
    _axes(picture, WIDTH - 64, side_foot + 36, letters)
    _legend(picture, side_foot + 50, margin, bool(moment.held))
    return picture


def _bounds(
    view: PairView, cuts: tuple[Section, Section], across: Array, up: Array, at: Places, moment: Moment, table: bool
) -> tuple[Array, Array]:
    seen = [np.concatenate([np.concatenate(s.outlines) for s in cuts if s.outlines] or [np.zeros((0, 2))])]
    axes = np.column_stack([across, up])
    bodies = view.model.bodies
    for ends in (bodies.froms, bodies.tos):
        p = (at.R[0][bodies.links] @ ends[..., None])[..., 0] + at.p[0][bodies.links]
        r = bodies.radii[:, None]
        seen += [p @ axes - r, p @ axes + r]
    if table:
        low, high = view.bench.table_top.low, view.bench.table_top.high
        seen.append(np.array([[*low, 0.0], [*high, 0.0]]) @ axes)
    for o in view.bench.obstacles:
        half = 0.5 * np.array(o.size)
        X = yaw_pose(np.array(o.center), o.yaw)
        seen.append(apply(X, np.array(list(product(*([-h, h] for h in half))))) @ axes)
    for thing, X in moment.held:
        half = 0.5 * np.array(thing.size)
        seen.append(apply(X, np.array(list(product(*([-h, h] for h in half))))) @ axes)
    every = np.concatenate(seen)
    return every.min(axis=0) - 0.01, every.max(axis=0) + 0.01


def _reach(v: _View, cuts: tuple[Section, Section]) -> None:
    p = v.picture
    for side, kind, one in zip(SIDES, ("rising", "falling"), cuts, strict=True):
        rims = [v.flat(rim) for rim in one.outlines]
        if rims:
            p.shape(rims, p.hatch(kind, COLOURS[side], 8.0, 0.7), COLOURS[side], 1.3, DASHES[side])
    shared = cuts[0].shared(cuts[1])
    rims = [v.flat(rim) for rim in shared.outlines]
    if rims:
        p.shape(rims, "none", INK, 2.4)


def _boxes(v: _View, view: PairView) -> None:
    for o in sorted(view.bench.obstacles, key=lambda o: float(np.array(o.center) @ v.towards)):
        X = yaw_pose(np.array(o.center), o.yaw)
        rim = v.solid(X, o.size, "#e7e5dc")
        room = float(np.ptp(rim[:, 0])) - 6
        middle = rim.mean(axis=0)
        if room > 24:
            v.picture.text(float(middle[0]), float(middle[1]) + 4, o.name, SMALL, "middle", room=room)


def _arms(v: _View, view: PairView, at: Places, moment: Moment) -> None:
    """All bodies, the farther ones first."""
    bodies, chain = view.model.bodies, view.model.chain
    drawn: list[tuple[float, int, tuple[object, ...]]] = []
    for k in range(len(bodies.links)):
        link = int(bodies.links[k])
        arm = 0 if link < chain.first[1] else 1
        a, b = (at.R[0, link] @ end + at.p[0, link] for end in (bodies.froms[k], bodies.tos[k]))
        if bodies.names[k].endswith(" gripper"):
            gripper = view.bench.arm(SIDES[arm]).gripper
            X = at.X_WT[0, arm]
            length = min(gripper.finger_length, float(np.linalg.norm(X[:3, 3] - a)))
            wrist = X[:3, 3] - length * X[:3, 2]
            drawn.append((float(0.5 * (a + wrist) @ v.towards), arm, ("rod", a, wrist, 0.8 * bodies.radii[k])))
            half = 0.5 * moment.gaps[arm] + 0.003
            for way in (-1.0, 1.0):
                shift = way * half * X[:3, 1]
                tip, root = X[:3, 3] + shift, wrist + 0.5 * shift
                drawn.append((float(0.5 * (tip + root) @ v.towards), arm, ("rod", root, tip, 0.003)))
        else:
            drawn.append((float(0.5 * (a + b) @ v.towards), arm, ("rod", a, b, float(bodies.radii[k]))))
    for thing, X in moment.held:
        drawn.append((float(X[:3, 3] @ v.towards), -1, ("box", X, thing.size, thing.name)))
    for side, arm in zip(SIDES, range(2), strict=True):
        base = np.array(view.bench.arm(side).base)
        first = at.p[0, int(chain.first[arm])]
        foot = pose(np.eye(3), np.array([base[0], base[1], 0.5 * first[2] if first[2] > 0 else base[2]]))
        height = abs(float(first[2])) + 1e-3
        drawn.append((float(foot[:3, 3] @ v.towards) - 1e-3, arm, ("box", foot, (0.05, 0.05, height), "")))
    for _, arm, what in sorted(drawn, key=lambda entry: entry[0]):
        tint = PAPER if arm < 0 else TINTS[SIDES[arm]]
        if what[0] == "rod":
            v.rod(what[1], what[2], what[3], tint)  # type: ignore[arg-type]
        else:
            rim = v.solid(what[1], what[2], tint if arm >= 0 else "#ffffff")  # type: ignore[arg-type]
            if arm < 0:
                v.picture.shape([rim], v.picture.hatch("dots", INK, 5.0, 0.7), INK, 1.4)
    joints = v.at(at.p[0])
    for x, y in joints:
        v.picture.dot(float(x), float(y), 1.6)


def _names(v: _View, view: PairView, at: Places) -> None:
    """The arms' names, beside their bases on the side away from the other arm."""
    middle = 0.5 * (np.array(view.bench.arms.left.base) + np.array(view.bench.arms.right.base))
    for side in SIDES:
        base = np.array(view.bench.arm(side).base)
        away = float((base - middle) @ v.across)
        x, y = v.at(base)
        right = away > 1e-6 or (abs(away) <= 1e-6 and side == "right")
        v.picture.text(
            float(x) + (36 if right else -36), float(y) - 6, f"{side} arm", NORMAL,
            "start" if right else "end", bold=True, halo=True,
        )  # fmt: skip


def _scale(picture: Picture, v: _View, y: float, left: float) -> None:
    length = round_down(180.0 / v.scale)
    width = length * v.scale
    picture.line([(left, y - 4), (left, y), (left + width, y), (left + width, y - 4)], INK, 1.2)
    picture.text(left + width + 6, y + 3, f"{brief(length * 1e3)} mm, both views", SMALL)


def _axes(picture: Picture, x: float, y: float, letters: tuple[str, str]) -> None:
    # Nearer to the middle where its letters need it.
    x = min(x, WIDTH - 30.0 - width_of(letters[0], SMALL))
    picture.line([(x, y - 22), (x, y), (x + 22, y)], INK, 1.0)
    picture.text(x + 26, y + 3, letters[0], SMALL)
    picture.text(x - 3, y - 26, letters[1], SMALL)


def _legend(picture: Picture, y: float, left: float, held: bool) -> None:
    fill = partial(fill_sample, picture)
    entries = [
        (fill(picture.hatch("rising", COLOURS["left"], 8.0, 0.7), COLOURS["left"], 1.3), "left arm reaches"),
        (
            fill(picture.hatch("falling", COLOURS["right"], 8.0, 0.7), COLOURS["right"], 1.3, dash=DASHES["right"]),
            "right arm reaches",
        ),
        (fill("none", INK, 2.4), "both reach"),
    ]
    if held:
        entries.append((fill(picture.hatch("dots", INK, 5.0, 0.7), INK, 1.4), "the thing in hand"))
    legend(picture, left, y, WIDTH - 2 * left, entries)
