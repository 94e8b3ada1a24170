"""Where two arms meet to pass a thing: how much room the hands have on it, and the meeting with the most room.

The thing is a box, upright when it was gripped, and moves with the giver's hand. The taker comes in along its fingers
with its jaws wide open, closes, and the giver opens and draws back along its own fingers. Three lengths must be left:
between the taker's open pads and the sides of the thing, between the fingers of the two hands, and from the middle of
the taker's pads to the nearest edge of the thing.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from handfast.bench.parts import SIDES, Bench, Side, Thing
from handfast.geometry.rigid import Array, inverse, shift
from handfast.mechanics.clearance import clearances
from handfast.mechanics.grip import needed_press
from handfast.mechanics.inverse import solve
from handfast.mechanics.kinematics import places, tool_poses
from handfast.mechanics.model import Chain, Model
from handfast.motion.gripping import grip_force
from handfast.motion.standing import box_of, held_by, held_upright, put_downs, taught_hands
from handfast.routine.steps import Routine

ABOVE = 0.4
"""Share of a thing's height by which one hand is planned above the other."""

TURNED = np.radians(10.0)
"""A hand may point this far from where it should in a planned meeting."""

LEANS = np.radians(np.arange(15.0, 91.0, 5.0))
"""How far from straight down hands may point in a planned meeting, where that decides how the thing is put down."""

UPRIGHT = 0.3
"""A planned meeting may put a thing down leaning by this share of what tips it over, before arms that cannot point as
they should are counted."""

MOST_LEANS = 8


@dataclass(frozen=True)
class Rooms:
    """What is left at a meeting, m, before any error is taken off, and the directions in which an error counts.

    jaws: between the taker's open pads and the thing, on the tighter side. fingers: between the fingers of both hands.
    edge: from the middle of the taker's pads to the nearest edge of the thing. along (3, 3): unit vectors in the
    world, in the same order.
    """

    jaws: float
    fingers: float
    edge: float
    along: Array

    @property
    def values(self) -> Array:
        """All three."""
        return np.array([self.jaws, self.fingers, self.edge])


PARTS = ("between the open pads", "between the fingers of both hands", "to the edge of the thing")


def rooms(bench: Bench, thing: Thing, giver: Side, X_WT: Array, X_TO: Array) -> Rooms:
    """The rooms of a meeting with tool poses X_WT (2, 4, 4), the thing held by the giver at X_TO (4, 4)."""
    g = SIDES.index(giver)
    taker = SIDES[1 - g]
    mine, other = bench.arm(taker).gripper, bench.arm(giver).gripper
    X_WO = held_by(other, thing, X_WT[g], X_WT[g] @ X_TO)
    X_OT = inverse(X_WO) @ X_WT[1 - g]
    box = box_of(thing)
    across = X_OT[:3, 1]
    width = float(np.abs(across) @ box)
    beside = abs(float(across @ X_OT[:3, 3]))
    jaws = 0.5 * (mine.opening[1] - width) - beside
    # Edge: in the plane of the pads, along the thing's own axes that lie in it most.
    flat = [i for i in range(3) if i != int(np.argmax(np.abs(across)))]
    left = [box[i] / 2.0 - abs(X_OT[i, 3]) for i in flat]
    nearest = flat[int(np.argmin(left))]
    gap, way = _between_fingers(
        (X_WT[g], other.finger_length, other.finger_width, thing.grip_width),
        (X_WT[1 - g], mine.finger_length, mine.finger_width, width),
    )
    along = np.stack([X_WT[1 - g][:3, 1], way, X_WO[:3, nearest]])
    return Rooms(jaws, gap, float(min(left)), along)


def _between_fingers(
    one: tuple[Array, float, float, float], two: tuple[Array, float, float, float]
) -> tuple[float, Array]:
    """Least distance of the fingers of two closed hands, m, and the direction of it. (pose, length, width, gap)."""
    best, way = np.inf, np.array([1.0, 0.0, 0.0])
    s = np.linspace(0.0, 1.0, 16)
    for a, b in product((-0.5, 0.5), repeat=2):
        points = []
        for (X, length, _, gap), sign in ((one, a), (two, b)):
            tip = X[:3, 3] + sign * gap * X[:3, 1]
            points.append(tip - s[:, None] * length * X[:3, 2])
        apart = points[1][None] - points[0][:, None]
        distance = np.linalg.norm(apart, axis=-1)
        n = np.unravel_index(int(np.argmin(distance)), distance.shape)
        left = float(distance[n]) - 0.5 * (one[2] + two[2])
        if left < best:
            best = left
            way = apart[n] / max(float(distance[n]), 1e-9)
    return best, way


def smallest(bench: Bench, thing: Thing, giver: Side, lost: Array) -> float:
    """Least extent, m, of a thing between the two hands that this pair can pass, errors `lost` (3,) m taken off.

    The fingers of both hands stand side by side on it, and the middle of each pair of pads is on it.
    """
    widths = [bench.arm(side).gripper.finger_width for side in SIDES]
    return float(0.5 * sum(widths) + lost[1] + 2.0 * lost[2])


def largest(bench: Bench, giver: Side, lost: Array) -> float:
    """Largest grip width, m, of a thing that the taker's jaws can still be led over, errors taken off."""
    taker = bench.arm(SIDES[1 - SIDES.index(giver)]).gripper
    return float(taker.opening[1] - 2.0 * lost[0])


@dataclass(frozen=True)
class Meeting:
    """A planned meeting: joint angles q (K,), its score (least room, as questions count it), what it hangs on."""

    q: Array
    score: float
    hangs_on: str


def play_error(model: Model, q: Array, along: Array) -> Array:
    """How far the hands may stand off each other along unit vectors (3, 3), (3,) m: half of every play, as roots of
    the sum of squares, both arms (a bound for most pairs; the answer itself uses the predicted landings)."""
    J = places(model.chain, q).J[0, :, 3:]
    lever = J @ along.T
    result: Array = np.sqrt(((lever * (0.5 * model.unseen_play)[:, None]) ** 2).sum(axis=0))
    return result


@dataclass(frozen=True)
class Afterwards:
    """How a thing that is passed is put down later on, by how both hands hold it when they meet.

    after (3, 3): from the taker's hand to the world where it is put down. z (3,): where its axis should point then.
    tips rad: turn from there at which it falls over. hangs: whether it hangs upright from the giver's hand.
    """

    after: Array
    z: Array
    tips: float
    hangs: bool

    def off(self, R_giver: Array, R_taker: Array, X_TO: Array) -> Array:
        """Turn (...,), rad, from how it should be put down, for hands (..., 3, 3), the thing at X_TO in the giver's."""
        met = R_giver @ X_TO[:3, 2]
        if self.hangs:
            met = np.broadcast_to(np.array([0.0, 0.0, 1.0]), met.shape)
        axis = np.einsum("ij,...kj,...k->...i", self.after, R_taker, met)
        result: Array = np.arccos(np.clip(axis @ self.z, -1.0, 1.0))
        return result


def afterwards(model: Model, routine: Routine, number: int) -> Afterwards | None:
    """How the thing of pass `number` is put down later on; None where it is not, or hangs from the taker's hand.

    It should stand upright; where it was taught to lie on a side, it should lie as it was taught.
    """
    bench, routine = model.bench, with_taught_meeting(routine, number)
    step = routine.steps[number]
    hands = taught_hands(model, routine)
    down = next((d for d in put_downs(bench, routine, hands) if d.step > number and d.thing.name == step.thing), None)
    giver: Side = "left" if step.giver == "left" else "right"
    taker: Side = "right" if giver == "left" else "left"

    def hangs(side: Side) -> bool:
        return down is not None and bench.arm(side).gripper.pads_pivot and down.thing.grip_height > 0.0

    if down is None or hangs(taker):
        return None
    X_WT = hands[number, giver]
    X_WO = held_by(bench.arm(giver).gripper, down.thing, X_WT, X_WT @ in_hand(model, routine, number))
    held = hands[number, taker][:3, :3].T @ X_WO[:3, :3]
    z = down.X_WO[:3, 2] if down.laid else np.array([0.0, 0.0, 1.0])
    return Afterwards(down.X_WO[:3, :3] @ held.T, z, down.tips, hangs(giver))


Way = tuple[float, float, float, float]
"""Of a meeting: how far both hands point from straight down, giver and taker, rad; and which way round their jaws are
turned, 1 or -1, or 0 for either."""


def _pointing(sign: float, leans: Array, line: Array) -> Array:
    """Fingers (N, 3) of hands that lean by leans (N,) rad from straight down, along the line or against it (-1)."""
    result: Array = sign * np.sin(leans)[:, None] * line - np.cos(leans)[:, None] * np.array([0.0, 0.0, 1.0])
    return result


def _turned(fingers: Array, jaws: Array) -> Array:
    """Rotations (N, 3, 3) of hands with these fingers (N, 3) and jaws (N, 3)."""
    return np.stack([np.cross(jaws, fingers), jaws, fingers], axis=-1)


def _ways(line: Array, side: Array, X_TO: Array, after: Afterwards | None) -> list[Way]:
    """Which ways to point the hands are tried: those that put the thing down as it should be; else opposed ones."""
    if after is None:
        return [(lean, lean, 0.0, 0.0) for lean in np.radians([90.0, 75.0])]
    found = []
    for turns in product((1.0, -1.0), repeat=2):
        R = [
            _turned(_pointing(sign, LEANS, line), np.tile(turn * side, (len(LEANS), 1)))
            for sign, turn in zip((1.0, -1.0), turns, strict=True)
        ]
        off = after.off(R[0][:, None], R[1][None], X_TO)
        for g, t in enumerate(off.argmin(axis=1)):
            found.append((max(float(off[g, t]), UPRIGHT * after.tips), (LEANS[g], LEANS[t], *turns)))
    # What is upright enough is all alike; the more the hands face each other, the more room they have.
    found.sort(key=lambda one: (one[0], -one[1][0] - one[1][1]))
    return [way for _, way in found[:MOST_LEANS]]


def planned_meeting(
    model: Model, thing: Thing, giver: Side, X_TO: Array, approach: float, limits: dict[str, tuple[float, float]],
    after: Afterwards | None = None,
) -> Meeting | None:  # fmt: skip
    """The meeting with the most room: the hands opposed along the line between the bases, over a grid of places, side
    by side on the thing, or one above the other where its height lets them.

    X_TO: the thing in the giver's hand. limits: of `reach` rad, `clear` m, `meet` m and `grip`, as (limit, enough).
    after: how it is put down later on, which the turn of both hands decides: then they point as that needs. None where
    no place is within reach of both hands, approach and retreat included.
    """
    bench, chain = model.bench, model.chain
    g = SIDES.index(giver)
    bases = np.array([bench.arm(side).base for side in SIDES])
    line = (bases[1 - g] - bases[g]) * np.array([1.0, 1.0, 0.0])
    apart = float(np.linalg.norm(line))
    if apart < 1e-6:
        return None
    line = line / apart
    side = np.array([-line[1], line[0], 0.0])
    middle = 0.5 * (bases[0] + bases[1])
    fingers = 0.5 * sum(bench.arm(s).gripper.finger_width for s in SIDES)
    extent = float(np.abs(X_TO[:3, :3] @ np.diag(box_of(thing)))[2].max())
    gaps = sorted({fingers + 0.004, 0.5 * (fingers + extent), max(fingers + 0.001, extent - 0.006)})
    rise = ABOVE * float(box_of(thing)[2])
    beside = float(np.sqrt(max((fingers + 0.006) ** 2 - rise**2, 0.0)))
    ways = [(gap, 0.0) for gap in gaps] + [(beside, sign * rise) for sign in (1.0, -1.0)]
    watched = ~hands_together(model)
    spots, chosen, apart_by = [], [], []
    pointing = _ways(line, side, X_TO, after)
    grid = product(np.linspace(-0.3, 0.3, 5) * apart, np.linspace(-0.12, 0.12, 5), np.linspace(0.06, 0.3, 7))
    for along, across, height in grid:
        spot = middle * np.array([1.0, 1.0, 0.0]) + along * line + across * side + np.array([0.0, 0.0, height])
        for (gap, up), way in product(ways, pointing):
            spots.append(spot)
            chosen.append(way)
            # From the giver's TCP to the taker's.
            apart_by.append(gap * line + np.array([0.0, 0.0, up]))
    q = np.empty((len(spots), chain.joints))
    stops = np.full(len(spots), np.inf)
    left = np.arange(len(spots))
    for n, (sign, hand) in enumerate(((1.0, g), (-1.0, 1 - g))):
        z = _pointing(sign, np.array(chosen)[left, n], line)
        place = np.array(spots)[left] - sign * 0.5 * np.array(apart_by)[left]
        found, room = _into(chain.only(hand), place, z, side, np.array(chosen)[left, 2 + n], approach)
        q[left, chain.columns(hand)] = found
        stops[left] = np.minimum(stops[left], room)
        # Places out of one hand's reach are not tried with the other.
        left = left[stops[left] >= 0.0]
    best: Meeting | None = None
    if not len(left):
        return None
    X_WT = tool_poses(chain, q[left])
    clear = (
        clearances(chain, model.bodies, q[left])[:, watched].min(axis=1)
        if watched.any()
        else np.full(len(left), np.inf)
    )
    for n, k in enumerate(left):
        room_left = rooms(bench, thing, giver, X_WT[n], X_TO)
        meet = float((room_left.values - play_error(model, q[k], room_left.along)).min())
        scores = {"reach": float(stops[k]), "clear": float(clear[n]), "meet": meet}
        scores["grip"] = _held_after(bench, thing, giver, X_WT[n], X_TO)
        if after is not None:
            off = float(after.off(X_WT[n, g, :3, :3], X_WT[n, 1 - g, :3, :3], X_TO))
            scores["grip"] = min(scores["grip"], after.tips / max(off, 1e-3))
        scored = {name: (v - limits[name][0]) / (limits[name][1] - limits[name][0]) for name, v in scores.items()}
        # More room than enough counts little, so that no question is starved for another that has plenty.
        score = min(scored.values()) + 0.02 * sum(min(v, 3.0) for v in scored.values())
        if best is None or score > best.score:
            best = Meeting(q[k], score, min(scored, key=lambda name: scored[name]))
    return best


def _held_after(bench: Bench, thing: Thing, giver: Side, X_WT: Array, X_TO: Array) -> float:
    """Press that the taker's jaws give over what it takes to hold the thing alone, at rest and however it is turned."""
    g = SIDES.index(giver)
    gripper = bench.arm(SIDES[1 - g]).gripper
    weight = 9.81 * thing.mass
    X_WO = held_by(bench.arm(giver).gripper, thing, X_WT[g], X_WT[g] @ X_TO)
    away = X_WT[1 - g][:3, :3].T @ (X_WO[:3, 3] - X_WT[1 - g][:3, 3])
    twist = 0.0 if gripper.pads_pivot else weight * float(np.hypot(away[0], away[2]))
    pull, tilt = np.array([weight]), np.array([weight * abs(float(away[1]))])
    friction = min(gripper.friction, thing.friction)
    groove = gripper.groove if thing.is_rod else 0.0
    needed = needed_press(
        pull, np.zeros(1), np.array([twist]), tilt, friction, gripper.pad_radius, groove, gripper.pads_pivot
    )
    return grip_force(bench, gripper, thing) / max(float(needed[0]), 1e-9)


def _into(
    chain: Chain, places: Array, fingers: Array, jaws: Array, turns: Array, approach: float
) -> tuple[Array, Array]:
    """Joint angles (N, k) of one hand at places (N, 3), fingers (N, 3), and its room to the stops (N,), rad, the way
    in along the fingers included.

    jaws (3,), turned by half a turn where turns (N,) is -1, and either way round where it is 0. Negative infinity where
    the place or the way to it is out of reach.
    """
    best = np.tile(chain.travel.mean(axis=1), (len(places), 1))
    room = np.full(len(places), -np.inf)
    if not len(places):
        return best, room
    for sign in (1.0, -1.0):
        y = np.broadcast_to(sign * jaws, fingers.shape)
        X = np.tile(np.eye(4), (len(places), 1, 1))
        X[:, :3, :3] = _turned(fingers, y)
        X[:, :3, 3] = places
        at = solve(chain, X)
        before = solve(chain, X @ shift(np.array([0.0, 0.0, -approach])), at.q)
        own = -np.maximum(at.beyond, before.beyond)
        # Fewer joints than coordinates: a hand that cannot point along the line is no hand to pass with.
        better = (np.maximum(at.short, before.short) < 1e-4) & (at.turn < TURNED) & (own > room) & (turns != -sign)
        best[better], room[better] = at.q[better], own[better]
    return best, room


def hands_together(model: Model) -> np.ndarray:
    """Which pairs of bodies (P,) come near on purpose in a pass: the last two bodies of one arm with the other's."""
    bodies = model.bodies
    last: dict[str, list[int]] = {}
    for n, name in enumerate(bodies.names):
        last.setdefault(name.split(" ")[0], []).append(n)
    hands = {n for own in last.values() for n in own[-2:]}
    owner = [name.split(" ")[0] for name in bodies.names]
    return np.array(
        [k == 0 and i in hands and j in hands and owner[i] != owner[j] for k, i, j in bodies.pairs], dtype=bool
    )


def in_hand(model: Model, routine: Routine, number: int) -> Array:
    """The thing of pass `number` in the giver's hand, `X_TO` (4, 4): as it stood where the giver gripped it.

    Where the giver has not gripped it in this routine, it is taken to be upright when it is passed.
    """
    step = routine.steps[number]
    giver = step.giver
    assert giver is not None
    assert step.thing is not None
    poses: list[tuple[float, ...]] = []
    gripped: tuple[float, ...] | None = None
    for earlier in routine.steps[:number]:
        if earlier.do == "grip" and giver in earlier.sides and poses:
            gripped = poses[-1]
        elif earlier.do == "release" and giver in earlier.sides:
            gripped = None
        said = earlier.taught(giver)
        if said is not None and said.pose is not None:
            poses.append(said.pose)
    said = step.taught(giver)
    assert said is not None
    assert said.pose is not None
    q = np.array(gripped if gripped is not None else said.pose)
    arm = 0 if giver == "left" else 1
    return held_upright(tool_poses(model.chain.only(arm), q)[0, 0], model.bench.thing(step.thing))


def with_planned_meeting(
    model: Model, routine: Routine, number: int, limits: dict[str, tuple[float, float]]
) -> tuple[Routine, Meeting] | None:
    """The routine with pass `number` at its planned meeting, what was taught kept beside it; None if out of reach."""
    step = routine.steps[number]
    assert step.thing is not None
    giver: Side = "left" if step.giver == "left" else "right"
    X_TO = in_hand(model, routine, number)
    after = afterwards(model, routine, number)
    meeting = planned_meeting(model, model.bench.thing(step.thing), giver, X_TO, step.approach, limits, after)
    if meeting is None:
        return None
    for side in SIDES:
        said = step.taught(side)
        assert said is not None
        pose_ = tuple(float(x) for x in meeting.q[model.bench.columns(side)])
        kept = said.pose if said.kept is None else said.kept
        planned = replace(
            said, pose=pose_, kept=kept, held="planned", kept_held=said.kept_held or said.held,
            arrived="", kept_arrived=said.kept_arrived or said.arrived, spread=None, command=None, nudge=None,
        )  # fmt: skip
        step = step.with_taught(side, planned)
    steps = list(routine.steps)
    steps[number] = step
    return replace(routine, steps=tuple(steps)), meeting


def with_taught_meeting(routine: Routine, number: int) -> Routine:
    """The routine with pass `number` as it was taught."""
    step = routine.steps[number]
    for side in SIDES:
        said = step.taught(side)
        if said is not None and said.kept is not None:
            back = replace(
                said, pose=said.kept, held=said.kept_held or "unknown", arrived=said.kept_arrived, command=None,
                kept=None, kept_held="", kept_arrived="",
            )  # fmt: skip
            step = step.with_taught(side, back)
    steps = list(routine.steps)
    steps[number] = step
    return replace(routine, steps=tuple(steps))
