"""Changes for the questions about two arms at once, each tried by asking again."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from handfast.answers.facts import Facts, facts_of
from handfast.answers.judging import Finding, limits_of
from handfast.bench.parts import SIDES, Bench
from handfast.geometry.rigid import shift
from handfast.mechanics.inverse import solve
from handfast.mechanics.kinematics import tool_poses
from handfast.mechanics.model import chain_of, model_of
from handfast.motion.coordinated import groups
from handfast.motion.passing import with_planned_meeting
from handfast.routine.steps import Routine, Step
from handfast.units import DEGREE


@dataclass(frozen=True)
class Trial:
    """A change before it is tried: words, and the facts as they would be; None where it cannot be made."""

    words: str
    make: Callable[[], Facts | None]


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
    units = {"reach": DEGREE, "clear": 1e-3, "meet": 1e-3}
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

    grippers = [facts.bench.arm(side).gripper for side in SIDES]
    narrow = 0.5 * min(g.finger_width for g in grippers)
    wide = max(g.opening[1] for g in grippers) + 0.015
    yield Trial("the meeting planned: handfast plan", lambda: planned(facts.bench))
    yield Trial(
        f"fingers {narrow * 1e3:.0f} mm wide on both hands, the meeting planned",
        lambda: planned(everywhere(finger_width=narrow)),
    )
    yield Trial("half the play in every joint, the meeting planned", lambda: planned(_tight(facts.bench)))
    yield Trial(
        f"jaws that open {wide * 1e3:.0f} mm on both hands, the meeting planned",
        lambda: planned(everywhere(opening=(min(g.opening[0] for g in grippers), wide))),
    )
    for by in (0.04, 0.08, 0.16):
        nearer = _nearer(facts.bench, by)
        if nearer is not None:
            yield Trial(
                f"both bases {by * 1e3:.0f} mm nearer, the meeting planned",
                lambda bench=nearer: planned(bench),  # type: ignore[misc]
            )


def _tight(bench: Bench) -> Bench:
    arms = {}
    for side in SIDES:
        arm = bench.arm(side)
        joints = tuple(dataclasses.replace(j, unseen_play=j.unseen_play / 2) for j in arm.joints)
        arms[side] = dataclasses.replace(arm, joints=joints)
    return dataclasses.replace(bench, arms=dataclasses.replace(bench.arms, **arms))


def _nearer(bench: Bench, by: float) -> Bench | None:
    """Both bases nearer to each other by `by` m in all; None if they would stand in each other."""
    bases = [np.array(bench.arm(side).base) for side in SIDES]
    line = bases[1] - bases[0]
    apart = float(np.linalg.norm(line))
    if apart - by < 0.08:
        return None
    step = 0.5 * by * line / apart
    arms = dataclasses.replace(
        bench.arms,
        left=dataclasses.replace(bench.arms.left, base=tuple(bases[0] + step)),
        right=dataclasses.replace(bench.arms.right, base=tuple(bases[1] - step)),
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
