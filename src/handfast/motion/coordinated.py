"""Carries that belong together, from the grip that closes to the release that ends them, as motion of both arms.

The path of the thing is planned for where the links stand, not for what the feedback shows. For a routine without
corrections the two are taken as the same; a corrected one says at each taught pose how far they are apart there, and
in between that follows gravity.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.bench.parts import SIDES, Side
from handfast.geometry.rigid import Array, pose
from handfast.landing.flank import HELD, Offsets, resting_offsets, taught_offsets
from handfast.landing.follow import behind
from handfast.mechanics.dynamics import own_inertias
from handfast.mechanics.kinematics import places, tool_poses
from handfast.mechanics.model import Chain, Model
from handfast.motion.carrying import (
    apart,
    chosen_fingers,
    follow,
    mirrored,
    moved_thing,
    on_thing,
    places_on,
    straight,
    thing_pose,
    twists,
)
from handfast.routine.steps import Routine, Step, Taught

POINTS = 61
"""Places along one carry at which the joint angles are solved; a spline joins them."""

LAG_SHARE = 0.3
"""Share of the tolerance that unequal lag may take up: a carry is slowed until it does not take more."""

LAG_SPREAD = 0.008
"""Standard deviation of a servo's lag about that of its class, s (common practice, no source)."""


@dataclass(frozen=True)
class Carried:
    """One carry as planned. Samples `first` to `last` of the motion; the grips closed at sample `closed`.

    error m: largest change of the relative position since the grips closed, as planned. twist (2,) rad: largest at
    each grip. turned (2,) rad: how far the fingers close from the taught direction. joint_error m: how far plain
    joint interpolation between the same poses would have strayed. disagree (3,) m: by how much
    the relative position at the taught end differs from the one at which the grips closed, in the thing's axes.
    judged: whether a thing is held, so that its grips can twist.
    """

    step: int
    closed: int
    first: int
    last: int
    keep: str
    error: float
    twist: tuple[float, float]
    turned: tuple[float, float]
    joint_error: float
    disagree: tuple[float, float, float]
    judged: bool


@dataclass(frozen=True)
class Group:
    """Carries that follow one another with the same grips, the `go` of each arm that led there, and whether both
    have gripped a thing by then."""

    carries: tuple[int, ...]
    closing: dict[Side, int]
    gripped: bool


def groups(routine: Routine) -> tuple[Group, ...]:
    """The carries of a routine that share their grips."""
    found: list[Group] = []
    carries: list[int] = []
    at: dict[Side, int] = {}
    held: dict[Side, int] = {}

    def close() -> None:
        if carries:
            closing = {side: number for side, number in at.items() if routine.steps[number].do == "go"}
            found.append(Group(tuple(carries), closing if len(closing) == 2 else {}, len(held) == 2))
        carries.clear()

    for number, step in enumerate(routine.steps):
        match step.do:
            case "carry":
                carries.append(number)
            case "grip":
                for side in step.sides:
                    held[side] = number
            case "go" | "stroke" | "draw" | "pass" | "release":
                close()
                for side in step.sides:
                    held.pop(side, None)
                    if step.do == "release":
                        at.pop(side, None)
                    else:
                        at[side] = number
    close()
    return tuple(found)


@dataclass(frozen=True)
class Leg:
    """One carry of a group: link angles q at POINTS places, the thing's poses there, and what was missed.

    off (K,): link minus feedback at its end. short m and beyond rad (2,): what an arm cannot reach.
    """

    step: int
    q: Array
    X_WO: Array
    off: Array
    short: tuple[float, float]
    beyond: tuple[float, float]
    twist: tuple[float, float]
    disagree: Array
    keep: str


@dataclass(frozen=True)
class Together:
    """A group worked out: link angles at which the grips close (K,), offsets there, legs, and how far turned."""

    closing: Array
    off: Array
    legs: tuple[Leg, ...]
    turned: tuple[float, float]


def leads(model: Model, taught: Taught, side: Side, loads: Array, offsets: Array) -> Array:
    """Link minus feedback (k,) at a taught pose of one arm, while it was led."""
    return led_offsets(model, taught, side, loads, offsets).mean[0, model.bench.columns(side)]


def led_offsets(model: Model, taught: Taught, side: Side, loads: Array, offsets: Array) -> Offsets:
    """Link minus feedback (1, K) at a taught pose of one arm; that arm's columns count. loads (2,), offsets (2, 3)."""
    columns = model.bench.columns(side)
    K = model.chain.joints
    q, arrived, held = np.zeros((1, K)), np.zeros((1, K)), np.full((1, K), 1)
    assert taught.pose is not None
    q[0, columns] = taught.pose
    if taught.arrivals is not None:
        arrived[0, columns] = taught.arrivals
    held[0, columns] = HELD[taught.held]
    return taught_offsets(model, q, arrived, held, loads[None], offsets[None])


def link_of(model: Model, taught: Taught, side: Side, loads: Array, offsets: Array) -> tuple[Array, Array]:
    """Link angles (k,) that a taught pose stands for, and link minus feedback as it is played there."""
    pose_ = np.array(taught.pose)
    if taught.command is None:
        return pose_, np.zeros_like(pose_)
    link = pose_ + leads(model, taught, side, loads, offsets)
    return link, link - np.array(taught.command)


def work_out(
    model: Model, routine: Routine, group: Group, start: Array, off: Array, loads: Array, offsets: Array
) -> Together:
    """All legs of a group, from link angles `start` (K,) with link minus feedback `off` (K,) there."""
    chain, bench = model.chain, model.bench
    steps = [routine.steps[n] for n in group.carries]
    columns = [bench.columns(side) for side in SIDES]
    X_WT = tool_poses(chain, start)[0]
    X_WO = thing_pose(X_WT)
    p_OT = places_on(X_WO, X_WT)
    closed = p_OT[1] - p_OT[0]
    paths: list[tuple[Array, Array]] = []  # the thing's path and where the grips are on it
    ends: list[tuple[Array, Array] | None] = []
    disagree = []
    for step in steps:
        taught_end = _taught_end(model, step, loads, offsets)
        ends.append(taught_end)
        if taught_end is None:
            path = _path_of_thing(step, X_WO)
            grips = np.tile(p_OT, (POINTS, 1, 1))
            disagree.append(np.zeros(3))
        else:
            X_end = tool_poses(chain, taught_end[0])[0]
            X_WO_end = thing_pose(X_end)
            path = straight(np.stack([X_WO, X_WO_end]), POINTS)
            p_end = places_on(X_WO_end, X_end)
            disagree.append((p_end[1] - p_end[0]) - closed)
            if step.keep != "taught":
                p_end = p_OT
            s = np.linspace(0.0, 1.0, POINTS)[:, None, None]
            grips = p_OT + s * (p_end - p_OT)
        paths.append((path, grips))
        X_WO, p_OT = path[-1], grips[-1]
    closing, turned = start.copy(), [0.0, 0.0]
    if group.closing and group.gripped and all(step.keep in ("pose", "taught") for step in steps):
        whole = np.concatenate([path[:: POINTS // 10] for path, _ in paths])
        for arm, side in enumerate(SIDES):
            gripper = bench.arm(side).gripper
            grips = np.concatenate([g[:: POINTS // 10, arm] for _, g in paths])
            held = chosen_fingers(
                chain.only(arm), whole, grips, start[columns[arm]], 0.5 * gripper.twist_limit, gripper.pads_pivot
            )
            closing[columns[arm]], turned[arm] = held.q, held.turned
    legs: list[Leg] = []
    now = closing
    R_OT = np.swapaxes(paths[0][0][0, :3, :3], 0, 1) @ tool_poses(chain, closing)[0, :, :3, :3]
    for number, step, (path, grips), end, differs in zip(group.carries, steps, paths, ends, disagree, strict=True):
        wanted = on_thing(path, R_OT, grips)
        if step.keep == "mirror":
            wanted, path = _mirror(model, step, now, loads, offsets)
        elif step.keep == "distance" and end is not None:
            wanted = _turning(chain, wanted, now, end[0])
        legs.append(_leg(model, number, step, wanted, path, now, end, off if not legs else legs[-1].off, differs))
        now = legs[-1].q[-1]
    return Together(closing, off, tuple(legs), (turned[0], turned[1]))


def _leg(
    model: Model,
    number: int,
    step: Step,
    wanted: Array,
    path: Array,
    now: Array,
    end: tuple[Array, Array] | None,
    off: Array,
    differs: Array,
) -> Leg:
    chain, bench = model.chain, model.bench
    q = np.empty((len(wanted), chain.joints))
    short, beyond, twist = [], [], []
    for arm, side in enumerate(SIDES):
        part = bench.columns(side)
        found = follow(chain.only(arm), wanted[:, arm], now[part])
        q[:, part] = found.q
        q[0, part] = now[part]
        short.append(float(found.short.max()))
        beyond.append(float(found.beyond.max()))
    X_WT = tool_poses(chain, q)
    for arm, side in enumerate(SIDES):
        twist.append(float(twists(path, X_WT[:, arm], bench.arm(side).gripper.pads_pivot).max()))
    return Leg(
        number,
        q,
        path,
        off if end is None else end[1],
        (short[0], short[1]),
        (beyond[0], beyond[1]),
        (twist[0], twist[1]),
        differs,
        step.keep,
    )


def _taught_end(model: Model, step: Step, loads: Array, offsets: Array) -> tuple[Array, Array] | None:
    """Link angles (K,) of both arms at the taught end, and link minus feedback there; None where a path is given."""
    if step.left is None or step.right is None:
        return None
    both = zip((step.left, step.right), SIDES, strict=True)
    pairs = [link_of(model, taught, side, loads, offsets) for taught, side in both]
    return np.concatenate([p[0] for p in pairs]), np.concatenate([p[1] for p in pairs])


def _path_of_thing(step: Step, X_WO: Array) -> Array:
    about = None if step.swing_about is None else np.array(step.swing_about)
    return moved_thing(X_WO, POINTS, step.raised, np.array(step.shift or (0.0, 0.0)), step.tilt, step.swing, about)


def _turning(chain: Chain, wanted: Array, now: Array, end: Array) -> Array:
    """Places kept, each tool turning from where it is to its own taught end."""
    X0, X1 = tool_poses(chain, now)[0], tool_poses(chain, end)[0]
    turned = np.stack([straight(np.stack([X0[a], X1[a]]), len(wanted)) for a in range(2)], axis=1)
    return pose(turned[..., :3, :3], wanted[..., :3, 3])


def _mirror(model: Model, step: Step, now: Array, loads: Array, offsets: Array) -> tuple[Array, Array]:
    """One arm goes straight to its taught pose, the other moves as its mirror image across the plane between them."""
    lead = step.leader
    arm = SIDES.index(lead)
    taught = step.taught(lead)
    assert taught is not None
    X_now = tool_poses(model.chain, now)[0]
    end = now.copy()
    end[model.bench.columns(lead)] = link_of(model, taught, lead, loads, offsets)[0]
    X_end = tool_poses(model.chain, end)[0]
    normal = (X_now[1, :3, 3] - X_now[0, :3, 3]) * np.array([1.0, 1.0, 0.0])
    size = float(np.linalg.norm(normal))
    normal = normal / size if size > 1e-6 else np.array([1.0, 0.0, 0.0])
    path = straight(np.stack([X_now[arm], X_end[arm]]), POINTS)
    wanted = np.empty((POINTS, 2, 4, 4))
    wanted[:, arm], wanted[:, 1 - arm] = path, mirrored(path, X_now[1 - arm], normal)
    return wanted, thing_pose(wanted)


def feedback_of(model: Model, q: Array, off0: Array, off1: Array, loads: Array, offsets: Array) -> Array:
    """Feedback targets (M, K) for links at q (M, K), link minus feedback being off0 and off1 (K,) at the ends.

    In between, links rest on their flanks and sag as gravity has it; a change of flank is spread over its
    neighbourhood, so that no jump is asked of the arm. Without corrections (both ends zero) the links are the targets.
    """
    if not np.any(off0) and not np.any(off1):
        return q
    way = np.tile(np.sign(np.where(np.abs(q[-1] - q[0]) > 1e-6, q[-1] - q[0], 0.0)), (len(q), 1))
    rest = resting_offsets(model, q, way, np.tile(loads, (len(q), 1)), np.tile(offsets, (len(q), 1, 1))).mean
    weights = np.exp(-0.5 * (np.arange(-6, 7) / 2.5) ** 2)
    padded = np.pad(rest, ((6, 6), (0, 0)), mode="edge")
    soft = np.lib.stride_tricks.sliding_window_view(padded, 13, axis=0) @ (weights / weights.sum())
    s = np.linspace(0.0, 1.0, len(q))[:, None]
    left_over = (1.0 - s) * (off0 - soft[0]) + s * (off1 - soft[-1])
    result: Array = q - (soft + left_over)
    return result


def lag_along(model: Model, q: Array, loads: Array, offsets: Array) -> Array:
    """By how long (K,) s servos follow their targets along a path q (M, K), with loads (2,) kg at offsets (2, 3) m."""
    few = q[:: max(1, len(q) // 10)]
    return behind(model, own_inertias(model.chain, few, loads, offsets).mean(axis=0))


def lag_cap(model: Model, q: Array, slope: Array, allowed: float, lag: Array) -> Array:
    """Largest path speed (M,) at which unequal lag spoils the relative place by no more than `allowed` m.

    q, slope (M, K): a path and its derivative. lag (K,) s, see `lag_along`: one that all joints share only delays the
    motion; what differs from the mean, and what is not known about it, moves the grips against each other.
    """
    J = places(model.chain, q).J[:, :, 3:]
    ways = np.ones(model.chain.joints)
    ways[model.bench.columns("left")] = -1.0
    per_joint = J * (slope * ways)[:, :, None]
    known = np.linalg.norm(np.einsum("mkr,k->mr", per_joint, lag - lag.mean()), axis=1)
    unknown = LAG_SPREAD * np.sqrt((per_joint**2).sum(axis=(1, 2)))
    result: Array = allowed / np.maximum(np.hypot(known, unknown), 1e-9)
    return result


def planned_error(model: Model, q: Array, s: Array, keep: str) -> float:
    """Largest change, m, of the TCPs' relative position along links' angles q (N, K) at path coordinates s (N,).

    In the axes of what they hold. Where the relation of the taught poses is kept, that relation blends from the first
    to the last sample; mirrors are held to their own plan, so their relation is not judged.
    """
    X_WT = tool_poses(model.chain, q)
    d = apart(thing_pose(X_WT), X_WT)
    kept = d[:1]
    if keep == "taught":
        kept = d[0] + s[:, None] * (d[-1] - d[0])
    return 0.0 if keep == "mirror" else float(np.linalg.norm(d - kept, axis=1).max())
