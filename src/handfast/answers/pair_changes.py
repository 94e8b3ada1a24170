"""Changes for the questions about two arms at once, each tried by asking again."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from handfast.answers.facts import Facts, facts_of
from handfast.answers.judging import Finding, limits_of
from handfast.answers.pair_questions import meet
from handfast.answers.put_down import last_pose
from handfast.bench.parts import SIDES, Bench, Side
from handfast.geometry.rigid import Array, inverse, shift
from handfast.mechanics.inverse import solve
from handfast.mechanics.kinematics import tool_poses
from handfast.mechanics.model import chain_of, model_of
from handfast.motion.coordinated import groups
from handfast.motion.passing import with_planned_meeting
from handfast.motion.standing import PutDown, level, lowest
from handfast.routine.steps import Routine, Step
from handfast.units import DEGREE

BY = (0.04, 0.08, 0.16, 0.24, 0.32, 0.4)
"""How much nearer bases are tried, m."""
SLIMMER = 2.0 / 3.0
"""Narrower fingers, as a share of what they are, that are tried along with other changes."""
LEAST_FINGER = 0.003
"""Fingers narrower than this bend, m (common practice, no source)."""


@dataclass(frozen=True)
class Trial:
    """A change before it is tried: words, and the facts as they would be; None where it cannot be made.

    bases: -1 if it brings the bases nearer to each other, 1 if farther, 0 if it leaves them.
    """

    words: str
    make: Callable[[], Facts | None]
    bases: int = 0


def asked_again(facts: Facts, bench: Bench, routine: Routine) -> Facts:
    """Another bench or routine, planned anew as far as it differs."""
    return facts_of(bench, routine, facts.measured, facts.laws)


def with_gripper(bench: Bench, side: str, **changed: object) -> Bench:
    """The bench with another gripper on one arm."""
    arm = bench.arm(side)
    gripper = dataclasses.replace(arm.gripper, **changed)  # type: ignore[arg-type]
    arms = dataclasses.replace(bench.arms, **{side: dataclasses.replace(arm, gripper=gripper)})
    return dataclasses.replace(bench, arms=arms)


def meeting_limits(bench: Bench) -> dict[str, tuple[float, float]]:
    """Limit and enough of the questions that a planned meeting looks at, in SI units."""
    units = {"reach": DEGREE, "clear": 1e-3, "meet": 1e-3, "grip": 1.0}
    found = {}
    for name, unit in units.items():
        limit, enough = limits_of(bench, name)
        found[name] = (limit * unit, enough * unit)
    return found


def meet_trials(facts: Facts, finding: Finding) -> Iterator[Trial]:
    """The meeting planned anew, alone and with narrower fingers, less play, wider jaws, or bases that stand nearer."""
    number = finding.subject.get("step")
    if not isinstance(number, int):
        return

    def planned(bench: Bench) -> Facts | None:
        found = with_planned_meeting(model_of(bench), facts.routine, number, meeting_limits(bench))
        return None if found is None else asked_again(facts, bench, found[0])

    def everywhere(**changed: float | tuple[float, ...]) -> Bench:
        bench = facts.bench
        for side in SIDES:
            bench = with_gripper(bench, side, **changed)
        return bench

    bench, step = facts.bench, facts.routine.steps[number]
    assert step.thing is not None
    thing = bench.thing(step.thing)
    grippers = [bench.arm(side).gripper for side in SIDES]
    yield Trial("the meeting planned: handfast plan", lambda: planned(bench))
    yield Trial("half the play in every joint, the meeting planned", lambda: planned(_tight(bench)))
    # What a small thing is short of: fingers that are narrower by that, or a larger thing.
    lacking = finding.subject.get("too_small")
    if isinstance(lacking, float):
        slim = np.floor((min(g.finger_width for g in grippers) - lacking) * 1e3 - 1.0) / 1e3
        if slim >= LEAST_FINGER:
            yield Trial(
                f"fingers {slim * 1e3:.0f} mm wide on both hands, the meeting planned",
                lambda: planned(everywhere(finger_width=slim)),
            )
        for slimmer, tighter in ((1.0, False), (SLIMMER, False), (SLIMMER, True)):
            for more in (0.002, 0.006, 0.012, 0.02):
                wide = np.ceil((max(thing.size[0], thing.size[2]) + slimmer * lacking + more) * 1e3) / 1e3
                made = _with_thing(bench, step.thing, size=(wide, thing.size[1], wide), grip_height=0.0)
                made = _slim(_tight(made) if tighter else made, slimmer)
                found = planned(made)
                if found is not None and _room(found) >= 0.0:
                    also = "" if slimmer == 1.0 else f", fingers {_slimmest(bench, slimmer) * 1e3:.0f} mm wide"
                    also += ", half the play in every joint" if tighter else ""
                    yield Trial(
                        f"a {thing.name} {wide * 1e3:.0f} mm wide and tall{also}, the meeting planned",
                        lambda found=found: found,  # type: ignore[misc]
                    )
                    break
    narrow = 0.5 * min(g.finger_width for g in grippers)
    yield Trial(
        f"fingers {narrow * 1e3:.0f} mm wide on both hands, the meeting planned",
        lambda: planned(everywhere(finger_width=narrow)),
    )
    wide = max(g.opening[1] for g in grippers) + 0.015
    yield Trial(
        f"jaws that open {wide * 1e3:.0f} mm on both hands, the meeting planned",
        lambda: planned(everywhere(opening=(min(g.opening[0] for g in grippers), wide))),
    )
    yield from _moved_bases(facts, planned)


def too_far(bench: Bench, routine: Routine, number: int) -> float | None:
    """By how much, m, the bases stand too far apart for pass `number` to be planned at all; None if that is not why."""
    apart = float(np.linalg.norm(np.subtract(bench.arms.right.base, bench.arms.left.base)))

    def reaches(by: float) -> bool:
        nearer = _nearer(bench, by)
        if nearer is None:
            return False
        return with_planned_meeting(model_of(nearer), routine, number, meeting_limits(nearer)) is not None

    tried = next((by for by in np.arange(0.05, apart - 0.1, 0.05) if reaches(float(by))), None)
    if tried is None:
        return None
    low, high = float(tried) - 0.05, float(tried)
    for _ in range(5):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if reaches(middle) else (middle, high)
    return high


def _moved_bases(facts: Facts, planned: Callable[[Bench], Facts | None]) -> Iterator[Trial]:
    """Bases nearer to each other, both or one alone, by as little as lets the hands meet."""
    for which, words in (("both", "both bases"), ("left", "the left base"), ("right", "the right base")):
        for slimmer, by in product((1.0, SLIMMER), BY):
            nearer = _nearer(facts.bench, by, which)
            found = None if nearer is None else planned(_slim(nearer, slimmer))
            if found is not None and _room(found) >= 0.0:
                also = "" if slimmer == 1.0 else f", and fingers {_slimmest(facts.bench, slimmer) * 1e3:.0f} mm wide"
                yield Trial(
                    f"{words} {by * 1e3:.0f} mm nearer{also}, the meeting planned",
                    lambda found=found: found,  # type: ignore[misc]
                    -1,
                )
                break


def _slimmest(bench: Bench, share: float) -> float:
    """Width of the narrower fingers, m, made narrower to a share, in whole mm."""
    return float(np.floor(1e3 * share * min(bench.arm(side).gripper.finger_width for side in SIDES)) / 1e3)


def _slim(bench: Bench, share: float) -> Bench:
    """The bench with narrower fingers on both hands; as it is for a share of 1."""
    if share == 1.0:
        return bench
    width = _slimmest(bench, share)
    for side in SIDES:
        bench = with_gripper(bench, side, finger_width=width)
    return bench


def _room(facts: Facts) -> float:
    """Millimetres left at the tightest pass."""
    return meet(facts).margin


def _with_thing(bench: Bench, name: str, **changed: object) -> Bench:
    things = tuple(
        replace(thing, **changed) if thing.name == name else thing  # type: ignore[arg-type]
        for thing in bench.things
    )
    return dataclasses.replace(bench, things=things)


def _tight(bench: Bench) -> Bench:
    arms = {}
    for side in SIDES:
        arm = bench.arm(side)
        joints = tuple(dataclasses.replace(j, unseen_play=j.unseen_play / 2) for j in arm.joints)
        arms[side] = dataclasses.replace(arm, joints=joints)
    return dataclasses.replace(bench, arms=dataclasses.replace(bench.arms, **arms))


def _nearer(bench: Bench, by: float, which: str = "both") -> Bench | None:
    """The bases nearer to each other by `by` m in all; None if they would stand in each other.

    which: the one that is moved, or both by half.
    """
    bases = [np.array(bench.arm(side).base) for side in SIDES]
    line = bases[1] - bases[0]
    apart = float(np.linalg.norm(line))
    if apart - by < 0.08:
        return None
    share = {"both": (0.5, 0.5), "left": (1.0, 0.0), "right": (0.0, 1.0)}[which]
    step = by * line / apart
    arms = dataclasses.replace(
        bench.arms,
        left=dataclasses.replace(bench.arms.left, base=tuple(bases[0] + share[0] * step)),
        right=dataclasses.replace(bench.arms.right, base=tuple(bases[1] - share[1] * step)),
    )
    return dataclasses.replace(bench, arms=arms)


def together_trials(facts: Facts, finding: Finding) -> Iterator[Trial]:
    """Follow what was taught, pads that pivot, or a path nearer to the table."""
    number, side = finding.subject.get("step"), finding.subject.get("side")
    if not isinstance(number, int) or not isinstance(side, str):
        return
    group = next((g for g in groups(facts.routine) if number in g.carries), None)
    if group is None:
        return
    if finding.subject.get("part") == "twist":
        if not facts.bench.arm(side).gripper.pads_pivot:
            pivoting = with_gripper(facts.bench, side, pads_pivot=True)
            yield Trial(
                f"pads that turn on pins in the {side} gripper", lambda: asked_again(facts, pivoting, facts.routine)
            )
        yield Trial("carried 15 mm nearer to the table", lambda: _lower(facts, group.carries[:-1], 0.015))
        return
    if all(facts.routine.steps[n].keep == "pose" and facts.routine.steps[n].left is not None for n in group.carries):

        def follow() -> Facts:
            steps = list(facts.routine.steps)
            for n in group.carries:
                steps[n] = replace(steps[n], keep="taught")
            return asked_again(facts, facts.bench, replace(facts.routine, steps=tuple(steps)))

        yield Trial('follow the relation of the taught poses: keep = "taught" in its carries', follow)


def put_down_trials(facts: Facts, down: PutDown) -> Iterator[Trial]:
    """The hand led to where the thing stands as it was taken, and the meeting planned of the pass before."""
    last, name = last_pose(facts, down), down.thing.name
    if last is not None:
        # What is laid down may be meant to lie: it keeps its turn.
        how = "with its foot where it stood" if down.laid else "upright, its foot where it stood"
        yield Trial(
            f"step {facts.routine.title(last[0])} of the {last[1]} arm taught again: {name} {how}",
            lambda: _stood(facts, down, *last),
        )
    passes = [n for n, step in enumerate(facts.routine.steps[: down.step]) if step.do == "pass" and step.thing == name]
    if passes:

        def planned() -> Facts | None:
            found = with_planned_meeting(facts.model, facts.routine, passes[-1], meeting_limits(facts.bench))
            return None if found is None else asked_again(facts, facts.bench, found[0])

        yield Trial("the meeting of the pass planned: handfast plan", planned)


def _stood(facts: Facts, down: PutDown, number: int, side: Side, q: Array) -> Facts | None:
    """The last pose before a thing is put down, so that it stands; None where the hand cannot reach that."""
    chain = facts.model.chain.only(SIDES.index(side))
    X_WT = tool_poses(chain, q)[0, 0]
    stands = down.X_WO if down.laid else level(down.X_WO)
    taken = lowest(down.box, down.taken)
    foot = float(np.clip(down.foot, min(0.0, taken), max(0.0, taken)))
    stands = shift(np.array([0.0, 0.0, foot - lowest(down.box, stands)])) @ stands
    found = solve(chain, stands @ inverse(down.X_WO) @ X_WT, q)
    if found.short[0] > 1e-3 or found.beyond[0] > 0.0:
        return None
    said = facts.routine.steps[number].taught(side)
    assert said is not None
    steps = list(facts.routine.steps)
    pose = tuple(float(x) for x in found.q[0])
    steps[number] = steps[number].with_taught(side, replace(said, pose=pose, command=None))
    return asked_again(facts, facts.bench, replace(facts.routine, steps=tuple(steps)))


def _lower(facts: Facts, numbers: tuple[int, ...], by: float) -> Facts | None:
    """The taught ends of these carries lower by `by` m; None where one cannot be reached."""
    chain = chain_of(facts.bench)
    steps: list[Step] = list(facts.routine.steps)
    for number in numbers:
        for arm, side in enumerate(SIDES):
            taught = steps[number].taught(side)
            if taught is None or taught.pose is None:
                return None
            one = chain.only(arm)
            X_WT = shift(np.array([0.0, 0.0, -by])) @ tool_poses(one, np.array(taught.pose))[0, 0]
            found = solve(one, X_WT, np.array(taught.pose))
            if found.short[0] > 1e-4:
                return None
            pose = tuple(float(x) for x in found.q[0])
            steps[number] = steps[number].with_taught(side, replace(taught, pose=pose, command=None))
    return asked_again(facts, facts.bench, replace(facts.routine, steps=tuple(steps))) if numbers else None
