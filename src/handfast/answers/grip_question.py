"""The question `grip`: do the jaws hold, against weight, motion, twist, tilt, and a pen's drag on paper?

And does what they let go stand there?
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.answers.facts import Facts
from handfast.answers.judging import MOST, Finding
from handfast.answers.pair_questions import pulls
from handfast.answers.put_down import besides, put_down, set_down
from handfast.bench.parts import SIDES, Gripper, Thing
from handfast.geometry.rigid import Array
from handfast.mechanics.grip import PAPER_STIFFNESS, PEN_FRICTION, PEN_PRESSED, needed_press
from handfast.mechanics.kinematics import tool_poses
from handfast.motion.drawing import held_thing, tip_drop, tip_path
from handfast.motion.gripping import grip_force
from handfast.motion.plan import DT
from handfast.units import DEGREE

STEADY = 5
"""Samples over which accelerations are averaged: servos do not follow faster changes (common practice, no source)."""

TURNS = 0.5 * DEGREE
"""Turns in the pads below this are not told, rad."""


@dataclass(frozen=True)
class Held:
    """What one arm has to hold over time: which thing, samples (n,), press N needed and given, and by what.

    pull, twist, tilt (n,): parts of what is needed, N and N·m; strain (n,) N: how the other hand pulls at it,
    which never asks for more than is given: beyond that the hands slide on the thing, and `together` judges that.
    """

    side: str
    thing: Thing
    samples: np.ndarray
    needed: Array
    given: float
    pull: Array
    twist: Array
    tilt: Array
    pen: Array
    strain: Array


def held_things(facts: Facts) -> list[Held]:
    """Every stretch of the motion in which a hand holds something, as the fast model has it."""
    m, bench, routine = facts.motion, facts.bench, facts.motion.routine
    X_WT = tool_poses(facts.model.chain, m.q)
    both = _strain(facts)
    found = []
    for arm, side in enumerate(SIDES):
        names: list[str | None] = []
        for number in range(len(routine.steps)):
            names.append(held_thing(routine, number + 1, side) or held_thing(routine, number, side))
        holding = np.array([names[int(s)] or "" for s in m.step[:, arm]])
        for name in sorted(set(holding) - {""}):
            thing, gripper = bench.thing(name), bench.arm(side).gripper
            on = np.flatnonzero((holding == name) & (m.loads[:, arm] > 0.4 * thing.mass))
            if not len(on):
                continue
            R = X_WT[:, arm, :3, :3]
            R_TL = facts.model.chain.tool_turns[arm].T
            share = m.loads[:, arm] / max(thing.mass, 1e-9)
            com = m.load_offsets[:, arm] @ R_TL.T  # in the axes of the tool
            # A thing that both hands hold lies between them: its weight bends neither grip.
            com = np.where((share > 0.6)[:, None], com, 0.0)
            pulling = m.loads[:, arm, None] * (_acceleration(X_WT[:, arm, :3, 3]) - facts.model.chain.gravity)
            about = np.cross(np.einsum("nij,nj->ni", R, com), pulling)
            if gripper.pads_pivot:
                # It swings on its pins until it hangs: its own weight twists nothing.
                axis = R[:, :, 1]
                about = about - (about * axis).sum(axis=1)[:, None] * axis
            force, pen = _pen(facts, arm, thing, R)
            pulling = pulling - force
            drop = np.array([0.0, 0.0, -tip_drop(bench, name)])
            lever = np.einsum("nij,jk,k->ni", R, _start_turn(facts, arm, R), drop)
            about = about - np.cross(lever, force)
            strain = both * (share < 0.6)[:, None] * (-1.0) ** arm
            f, t = np.einsum("nji,nj->ni", R, pulling)[on], np.einsum("nji,nj->ni", R, about)[on]
            strained = f + np.einsum("nji,nj->ni", R, strain)[on]
            twist, tilt = np.abs(t[:, 1]), np.hypot(t[:, 0], t[:, 2])
            given = grip_force(bench, gripper, thing)
            needed = _needed(gripper, thing, f, twist, tilt)
            needed = np.maximum(needed, np.minimum(_needed(gripper, thing, strained, twist, tilt), given))
            if not gripper.opening[0] <= thing.grip_width <= gripper.opening[1]:
                needed = np.full_like(needed, np.inf)
            pull, drawn = np.hypot(f[:, 0], f[:, 2]), np.linalg.norm(strain[on], axis=1)
            found.append(Held(side, thing, on, needed, given, pull, twist, tilt, pen[on], drawn))
    return found


def _needed(gripper: Gripper, thing: Thing, f: Array, twist: Array, tilt: Array) -> Array:
    """Press (n,) N that forces f (n, 3) N in the axes of the tool need, with twist and tilt (n,) N·m."""
    # A groove closes about a rod; other things lie across it as on a flat pad.
    groove = gripper.groove if thing.is_rod else 0.0
    return needed_press(
        np.hypot(f[:, 0], f[:, 2]), np.abs(f[:, 1]), twist, tilt, min(gripper.friction, thing.friction),
        gripper.pad_radius, groove, gripper.pads_pivot,
    )  # fmt: skip


def _strain(facts: Facts) -> Array:
    """Force (N, 3), N, by which two hands pull at each other through what both hold, from a carry to the next."""
    m = facts.motion
    force = np.zeros((len(m.t), 3))
    carries = [c for c in m.carries if c.judged]
    for n, c in enumerate(carries):
        force[c.first : c.last + 1] = pulls(facts, c)
        last = carries[n + 1].first if n + 1 < len(carries) else len(m.t)
        force[c.last + 1 : last] = force[c.last]
    return force


def _acceleration(at: Array) -> Array:
    """Second derivative (N, 3) of places in time, averaged over a few samples."""
    if len(at) < 2 * STEADY + 1:
        return np.zeros_like(at)
    a = np.gradient(np.gradient(at, DT, axis=0), DT, axis=0)
    weights = np.ones(STEADY) / STEADY
    return np.column_stack([np.convolve(a[:, i], weights, mode="same") for i in range(3)])


def _start_turn(facts: Facts, arm: int, R: Array) -> Array:
    """World to tool (3, 3) when a pen stood upright: where its first line begins; without one, at the first sample."""
    for n, step in enumerate(facts.motion.routine.steps):
        if step.do in ("stroke", "draw") and SIDES[arm] in step.sides:
            first = [a.sample for a in facts.motion.arrivals if a.step == n and a.side == SIDES[arm]]
            if first:
                return np.asarray(R[first[0]].T)
    return np.asarray(R[0].T)


def _pen(facts: Facts, arm: int, thing: Thing, R: Array) -> tuple[Array, Array]:
    """Force (N, 3) of the paper on a pen's tip, N, and its press alone (N,): only where a pen is on paper and moves."""
    m, routine = facts.motion, facts.motion.routine
    force, press = np.zeros((len(m.t), 3)), np.zeros(len(m.t))
    if not thing.is_rod:
        return force, press
    landings = facts.landings("trimmed")
    p = tool_poses(facts.model.chain, m.q)[:, arm, :3, 3]
    v = np.gradient(p, DT, axis=0)[:, :2] if len(p) > 1 else np.zeros((len(p), 2))
    speed = np.linalg.norm(v, axis=1)
    for number, step in enumerate(routine.steps):
        if step.do not in ("stroke", "draw") or SIDES[arm] not in step.sides:
            continue
        rows = [x for x in landings if x.step == number and x.side == SIDES[arm]]
        samples = [a.sample for a in m.arrivals if a.step == number and a.side == SIDES[arm]]
        if len(samples) < 2:
            continue
        # Where the hand comes down lower than it was taught, it presses harder; half of what is not known counts.
        low = np.array([max(0.0, -float(x.miss[2])) + 0.5 * x.sigma for x in rows])
        down = tip_path(step)[2] if step.do == "draw" else np.ones(len(rows), dtype=bool)
        low = np.where(down[: len(low)], low + PEN_PRESSED, 0.0)
        inside = np.arange(samples[0], samples[-1] + 1)
        pressed = PAPER_STIFFNESS * np.interp(inside, samples, low)
        press[inside] = pressed
        force[inside, 2] = pressed
        way = v[inside] / np.maximum(speed[inside], 1e-3)[:, None]
        force[inside, :2] = -PEN_FRICTION * pressed[:, None] * way
    return force, press


def _slides(facts: Facts, one: Held, k: int) -> str:
    """What of two hands on one thing is not in the margin, in words."""
    if one.strain[k] <= 0.01:
        return ""
    if one.needed[k] >= one.given * (1.0 - 1e-9):
        return "; beyond that the hands slide on it, which together judges"
    arm = SIDES.index(one.side)
    turned = max((c.twist[arm] for c in facts.motion.carries if c.judged), default=0.0)
    if turned <= TURNS:
        return ""
    return (
        f"; the friction that its path uses up by turning it {turned / DEGREE:.1f}° in the pads is left out, together "
        "judges that turn"
    )


def grip(facts: Facts) -> Finding:
    """Press that the jaws give over the press that holding needs, at its worst.

    Where a thing is put down: the lean at which it falls over, to its lean there.
    """
    found = held_things(facts)
    if not found:
        return Finding(MOST, None, "nothing is held", "no hand holds anything")
    m = facts.motion
    curve = np.full(len(m.t), 10.0)
    worst: Finding | None = None
    for one in found:
        ratio = one.given / np.maximum(one.needed, 1e-9)
        curve[one.samples] = np.minimum(curve[one.samples], ratio)
        k = int(np.argmin(ratio))
        if worst is not None and ratio[k] >= worst.margin:
            continue
        n = int(one.samples[k])
        arm = SIDES.index(one.side)
        gripper = facts.bench.arm(one.side).gripper
        parts = [f"{one.pull[k]:.2f} N along the pads"]
        if one.twist[k] > 1e-4:
            parts.append(f"{one.twist[k] * 1e3:.1f} mN·m of twist")
        if one.tilt[k] > 1e-4:
            parts.append(f"{one.tilt[k] * 1e3:.1f} mN·m of tilt")
        if one.strain[k] > 0.01:
            parts.append(f"{one.strain[k]:.2f} N by which the hands pull at each other")
        by = f"; it presses the paper with {one.pen[k]:.1f} N" if one.pen[k] > 0.0 else ""
        asked = f"needs {one.needed[k]:.1f} N on each pad"
        low, high = gripper.opening
        if not low <= one.thing.grip_width <= high:
            asked = f"is {1e3 * one.thing.grip_width:.0f} mm wide, the jaws take {1e3 * low:.0f} to {1e3 * high:.0f} mm"
        elif np.isinf(one.needed[k]):
            asked = "cannot be held by pads that turn freely"
        worst = Finding(
            float(min(ratio[k], MOST)),
            float(m.t[n]),
            facts.place(n, one.side),
            f"{one.thing.name} {asked} ({', '.join(parts)}{by}); the jaws give {one.given:.1f} N at friction "
            f"{min(gripper.friction, one.thing.friction):g}{_slides(facts, one, k)}",
            {"side": one.side, "step": int(m.step[n, arm]), "thing": one.thing.name},
        )
    assert worst is not None
    downs = set_down(facts)
    down = put_down(facts, downs)
    if down is not None and down.margin < worst.margin:
        worst, downs = down, [one for one in downs if one is not down.subject["put_down"]]
    why = worst.why + besides(facts, downs)
    return Finding(worst.margin, worst.when, worst.where, why, worst.subject, (m.t, curve))
