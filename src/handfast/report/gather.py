"""All numbers that the page shows, worked out before anything is drawn."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from handfast.answers.ask import Answers, ask
from handfast.answers.facts import Facts, facts_on
from handfast.answers.judging import limits_of
from handfast.bench.measured import Measured
from handfast.bench.parts import SIDES, Bench, Side, Thing
from handfast.correction.correct import as_corrected, correct, uncorrected
from handfast.geometry.rigid import Array, pose
from handfast.landing.predict import Landing, land
from handfast.mechanics.capacity import Capacity, load_for_ever, most_load, top_speed
from handfast.mechanics.inverse import solve
from handfast.mechanics.kinematics import places
from handfast.mechanics.model import Model, model_of
from handfast.mechanics.reach import full_reach
from handfast.motion.plan import Laws, plan
from handfast.motion.taught_poses import taught_poses
from handfast.routine.steps import Routine
from handfast.units import DEGREE

WAYS = ("raw", "trimmed", "corrected")
HEIGHTS = (0.05, 0.08, 0.12, 0.16, 0.2, 0.3)
"""Heights over the table, m, at which the hand is looked for, the first that works."""

LEANS = tuple(angle * DEGREE for angle in (0, 15, 30, 45, 60, 75, 90))
"""How far the fingers may lean outwards from straight down, the first that works."""


@dataclass(frozen=True)
class Pose:
    """A pose of one arm that the first sheet speaks of.

    q (K,) of both arms; way (3,): the level direction in which the arm is held out; distance from the first joint
    and height of the TCP, m; lean of the fingers from straight down, rad.
    """

    q: Array
    way: Array
    distance: float
    height: float
    lean: float


@dataclass(frozen=True)
class ArmView:
    """What one arm can do. Lengths m, loads kg, speeds m/s; None where there is no such pose."""

    side: Side
    joints: int
    reach: float
    full: Pose | None
    half: Pose | None
    load_full: Capacity | None
    load_half: Capacity | None
    ever_full: Capacity | None
    ever_half: Capacity | None
    speeds: dict[str, Capacity | None] = field(default_factory=dict)
    carried: Thing | None = None


@dataclass(frozen=True)
class RoutineView:
    """One routine, asked and predicted. landings[way] in the order of the motion's arrivals."""

    facts: Facts
    answers: Answers
    landings: dict[str, list[Landing]]

    @property
    def routine(self) -> Routine:
        """The routine."""
        return self.facts.routine

    @cached_property
    def poses(self) -> list[int]:
        """One arrival per pose: each taught pose, and of each taught path the row that lands worst corrected."""
        kept: dict[tuple[int, str, bool], int] = {}
        for n, landing in enumerate(self.landings["corrected"]):
            key = (landing.step, landing.side, landing.row is not None)
            if key not in kept or landing.expected > self.landings["corrected"][kept[key]].expected:
                kept[key] = n
        return list(kept.values())

    @cached_property
    def speeds(self) -> Array:
        """Speed (N, 2) m/s of both TCPs."""
        J, qd = self.facts.J, self.facts.motion.qd
        columns = [self.facts.bench.columns(side) for side in SIDES]
        found = [np.linalg.norm(np.einsum("nkr,nk->nr", J[:, c, 3:], qd[:, c]), axis=1) for c in columns]
        return np.column_stack(found)

    @cached_property
    def nearest(self) -> dict[str, Array]:
        """Smallest clearance (N,) m of each kind of pair, as planned; kinds that the bench does not have are absent."""
        bodies, gaps = self.facts.model.bodies, self.facts.gaps
        kinds = np.array([kind_of(bodies.pair_name(k), int(bodies.pairs[k, 0])) for k in range(len(bodies.pairs))])
        return {kind: gaps[:, kinds == kind].min(axis=1) for kind in KINDS if np.any(kinds == kind)}


KINDS = ("arm and arm", "arm and table", "arm and boxes", "within an arm")


def kind_of(name: str, number: int) -> str:
    """Which kind of pair this is."""
    if number == 1:
        return "arm and table"
    if number == 2:
        return "arm and boxes"
    first, _, second = name.partition(" and ")
    return "within an arm" if first.split(" ")[0] == second.split(" ")[0] else "arm and arm"


@dataclass(frozen=True)
class PairView:
    """The bench, its arms, and every routine that the page is about."""

    bench: Bench
    model: Model
    measured: tuple[Measured, ...]
    arms: tuple[ArmView, ArmView]
    routines: tuple[RoutineView, ...]

    @property
    def apart(self) -> float:
        """Distance of the two bases, m."""
        return float(np.linalg.norm(np.subtract(self.bench.arms.right.base, self.bench.arms.left.base)))

    def missing(self, way: str) -> Array:
        """Predicted distance from the taught place, m, of every pose of every routine."""
        return np.array([v.landings[way][n].expected for v in self.routines for n in v.poses])

    @property
    def fastest(self) -> float | None:
        """Highest TCP speed of all routines, m/s."""
        return max((float(v.speeds.max()) for v in self.routines), default=None)

    def narrowest(self, kind: str) -> float | None:
        """Smallest clearance of a kind over all routines, m."""
        return min((float(v.nearest[kind].min()) for v in self.routines if kind in v.nearest), default=None)


def gather(bench: Bench, routines: list[Routine], measured: tuple[Measured, ...] = ()) -> PairView:
    """Everything the page is about."""
    model = model_of(bench)
    left, right = (_arm_view(model, side) for side in SIDES)
    thing = heaviest(bench, min((arm.load_half.amount if arm.load_half else 0.0) for arm in (left, right)))
    left, right = (replace(arm, carried=thing, speeds=_speeds(model, arm, thing)) for arm in (left, right))
    return PairView(bench, model, measured, (left, right), tuple(_routine_view(model, r, measured) for r in routines))


def _routine_view(model: Model, routine: Routine, measured: tuple[Measured, ...]) -> RoutineView:
    laws: Laws = {}
    facts = facts_on(model, routine, measured, laws)
    before = facts.poses
    if facts.corrected:
        before = taught_poses(model, plan(model, uncorrected(routine), known=laws))
    after = as_corrected(model, taught_poses(model, correct(model, routine, laws).motion))
    landings = {
        "raw": land(model, before, "raw", measured),
        "trimmed": land(model, before, "trimmed", measured),
        "corrected": land(model, after, "trimmed", measured),
    }
    return RoutineView(facts, ask(facts), landings)


# -- one arm ---------------------------------------------------------------------------------------------


def facing(bench: Bench, side: Side) -> Array:
    """The level direction (3,) in which an arm's base faces: its x."""
    yaw = bench.arm(side).yaw
    return np.array([np.cos(yaw), np.sin(yaw), 0.0])


def outwards(bench: Bench, side: Side) -> Array:
    """The level direction (3,) from an arm's base to the other one; where it faces if they stand together."""
    own, other = np.array(bench.arm(side).base), np.array(bench.arm("right" if side == "left" else "left").base)
    line = (other - own) * (1.0, 1.0, 0.0)
    length = float(np.linalg.norm(line))
    if length > 1e-6:
        result: Array = line / length
        return result
    return facing(bench, side)


def _farthest(model: Model, side: Side) -> tuple[float, Array, Array]:
    """Full reach of an arm where its base faces, or towards the other base, or anywhere that is clearly longer."""
    arm = SIDES.index(side)
    chain = model.chain.only(arm)
    yaw = model.bench.arm(side).yaw + np.arange(30, 360, 30) * DEGREE
    around = np.column_stack([np.cos(yaw), np.sin(yaw), np.zeros(len(yaw))])
    ways = [facing(model.bench, side), outwards(model.bench, side), *around]
    best: tuple[float, Array, Array] | None = None
    for way in ways:
        distance, q = full_reach(chain, way)
        if best is None or distance > 1.02 * best[0]:
            best = distance, q, way
    assert best is not None
    return best


def _arm_view(model: Model, side: Side) -> ArmView:
    bench, columns = model.bench, model.bench.columns(side)
    distance, q_full, way = _farthest(model, side)
    other = model.chain.travel.mean(axis=1)
    full = half = None
    if distance > 0.0:
        q = other.copy()
        q[columns] = q_full
        arm = SIDES.index(side)
        height = float(places(model.chain, q).X_WT[0, arm, 2, 3])
        full = Pose(q, way, distance, height, 90 * DEGREE)
        half = _half_way(model, side, way, distance / 2.0, other)
    enough = limits_of(bench, "lift")[1]
    return ArmView(
        side=side,
        joints=columns.stop - columns.start,
        reach=distance,
        full=full,
        half=half,
        load_full=most_load(model, side, full.q, enough) if full else None,
        load_half=most_load(model, side, half.q, enough) if half else None,
        ever_full=load_for_ever(model, side, full.q) if full else None,
        ever_half=load_for_ever(model, side, half.q) if half else None,
    )


def heaviest(bench: Bench, most: float) -> Thing | None:
    """The heaviest thing that one arm holds alone, no more than `most` kg and not too wide for either pair of pads."""
    widest = min(bench.arm(side).gripper.opening[1] for side in SIDES)
    alone = [t for t in bench.things if t.grip_span == 0.0 and t.mass <= most and t.grip_width <= widest]
    return max(alone, key=lambda t: t.mass, default=None)


def _speeds(model: Model, arm: ArmView, thing: Thing | None) -> dict[str, Capacity | None]:
    """TCP speeds in three directions from the pose half way out, with a thing in hand."""
    if arm.half is None:
        return {}
    load, enough = (thing.mass if thing else 0.0), limits_of(model.bench, "lift")[1]
    way = arm.half.way
    ways = {"out and in": way, "sideways": np.array([-way[1], way[0], 0.0]), "up and down": np.array([0.0, 0.0, 1.0])}
    return {name: top_speed(model, arm.side, arm.half.q, u, load, enough) for name, u in ways.items()}


def _half_way(model: Model, side: Side, way: Array, distance: float, other: Array) -> Pose | None:
    """A natural working pose: the TCP `distance` out and near the table, the fingers as nearly down as can be."""
    arm, columns = SIDES.index(side), model.bench.columns(side)
    chain = model.chain.only(arm)
    foot = places(chain, 0.5 * (chain.travel[:, 0] + chain.travel[:, 1])).p[0, 0]
    sideways = np.array([-way[1], way[0], 0.0])
    for height in HEIGHTS:
        for lean in LEANS:
            fingers = np.array([0.0, 0.0, -np.cos(lean)]) + np.sin(lean) * way
            R = np.column_stack([np.cross(sideways, fingers), sideways, fingers])
            goal = np.array([foot[0] + distance * way[0], foot[1] + distance * way[1], height])
            found = solve(chain, pose(R, goal))
            if found.short[0] < 1e-5 and found.beyond[0] < -2.0 * DEGREE:
                q = other.copy()
                q[columns] = found.q[0]
                z = places(chain, found.q).X_WT[0, 0, 2, 2]
                return Pose(q, way, distance, height, float(np.arccos(np.clip(-z, -1.0, 1.0))))
    return None
