"""How things stand where they are put down: part of the question `grip`.

Asked of the places as they were taught; how far from there the hands land is for `miss` to say.
"""

from __future__ import annotations

import numpy as np

from handfast.answers.facts import Facts
from handfast.answers.judging import MOST, Finding, limits_of
from handfast.bench.parts import SIDES, Side
from handfast.geometry.rigid import Array
from handfast.mechanics.kinematics import tool_poses
from handfast.motion.standing import HANDED, LOW, PutDown, lowest, put_downs, taught_hands
from handfast.units import DEGREE

STRAIGHT = 3.0 * DEGREE
"""What leans less than this is called upright, rad."""


def set_down(facts: Facts) -> list[PutDown]:
    """Every place where a thing is put down, the hands being where they were taught, or where a carry ends."""
    m = facts.motion
    hands = taught_hands(facts.model, facts.routine)
    for x in facts.landings("trimmed"):
        if (x.step, x.side) in hands:
            # The last row of a path is the last one here, too.
            hands[x.step, x.side][:3, 3] = x.taught
    for number, step in enumerate(facts.routine.steps):
        last = np.flatnonzero((m.step == number).all(axis=1))
        if step.do == "carry" and len(last):
            X_WT = tool_poses(facts.model.chain, m.q[last[-1]])[0]
            for arm, side in enumerate(SIDES):
                hands.setdefault((number, side), X_WT[arm])
    return put_downs(facts.bench, facts.routine, hands)


def inside(down: PutDown) -> float:
    """How far, m, its lowest corner is put into what it stands on: the table, or where its foot was taken from."""
    return max(0.0, min(0.0, lowest(down.box, down.taken)) - down.foot)


def above(down: PutDown) -> float:
    """How far, m, its lowest corner hangs above the table, or above the height at which it was taken."""
    return max(0.0, down.foot - max(0.0, min(lowest(down.box, down.taken), down.foot)))


def stance(facts: Facts, down: PutDown) -> str:
    """How a thing stands where it is put down, in words."""
    name, lean = down.thing.name, down.lean / DEGREE
    if down.laid:
        said = f"{name} is put down lying, turned {lean:.0f}° from how it was taken"
    elif down.lean > STRAIGHT:
        said = f"{name} leans {lean:.0f}° where it is put down and falls over from {down.tips / DEGREE:.0f}° on"
    else:
        said = f"{name} is put down upright"
    guessed = sum(not joint.wiper_measured for joint in facts.bench.joints)
    sure = f" (by feedback lines of which {guessed} are not measured)" if guessed else ""
    if inside(down) > LOW:
        return f"{said}, its lowest corner {inside(down) * 1e3:.0f} mm inside what it stood on{sure}"
    if above(down) > LOW:
        return f"{said}, its lowest corner {above(down) * 1e3:.0f} mm higher than where it stood{sure}"
    return said


def _margin(facts: Facts, down: PutDown) -> float:
    """The turn at which it falls over to its lean; what is allowed to what its foot is too low or too high."""
    limit, enough = limits_of(facts.bench, "grip")
    found = down.tips / max(down.off, 1e-3)
    if down.laid:
        found = min(found, 0.5 * (limit + enough))  # it may be meant so
    # What nobody measured says to a centimetre or two where a foot is.
    if all(joint.wiper_measured for joint in facts.bench.joints):
        if inside(down) > LOW:
            found = min(found, facts.routine.tolerance_of(down.step) / inside(down))
        if above(down) > LOW:
            found = min(found, HANDED / above(down))
    return float(min(found, MOST))


def put_down(facts: Facts, downs: list[PutDown]) -> Finding | None:
    """The put-down with the least margin."""
    if not downs:
        return None
    margins = [_margin(facts, down) for down in downs]
    worst = int(np.argmin(margins))
    down = downs[worst]
    arm = SIDES.index(down.sides[0])
    samples = np.flatnonzero(facts.motion.step[:, arm] == down.step)
    return Finding(
        margins[worst],
        float(facts.motion.t[samples[0]]) if len(samples) else None,
        f"{' and '.join(down.sides)} arm{'s' if len(down.sides) > 1 else ''}, step {facts.routine.title(down.step)}",
        stance(facts, down),
        {"side": down.sides[0], "step": down.step, "thing": down.thing.name, "put_down": down},
    )


def besides(facts: Facts, downs: list[PutDown]) -> str:
    """Every put-down in words, to be added to another finding."""
    return "".join(f"; step {facts.routine.title(down.step)}: {stance(facts, down)}" for down in downs)


def stands_after(facts: Facts, number: int) -> str:
    """How the thing of pass `number` stands where it is put down next, in words; empty where it is not."""
    name = facts.routine.steps[number].thing
    return next(
        (
            f"step {facts.routine.title(d.step)}: {stance(facts, d)}"
            for d in set_down(facts)
            if d.step > number and d.thing.name == name
        ),
        "",
    )


def last_pose(facts: Facts, down: PutDown) -> tuple[int, Side, Array] | None:
    """Step, arm and angles of the taught pose at which one hand puts a thing down."""
    if len(down.sides) > 1:
        return None
    side = down.sides[0]
    for number in range(down.step, -1, -1):
        said = facts.routine.steps[number].taught(side)
        if said is not None:
            return None if said.pose is None else (number, side, np.array(said.pose))
    return None
