"""Changes that might turn an answer, each tried by asking again."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from handfast.answers.facts import Facts, facts_of
from handfast.answers.judging import Finding, judge
from handfast.answers.pair_changes import Trial, meet_trials, put_down_trials, together_trials
from handfast.answers.questions import QUESTIONS
from handfast.bench.parts import SIDES, Arm, Bench, Joint, Spring
from handfast.correction.correct import correct
from handfast.geometry.rigid import shift
from handfast.mechanics.inverse import solve
from handfast.mechanics.kinematics import tool_poses
from handfast.mechanics.model import chain_of
from handfast.motion.drawing import with_drawings
from handfast.motion.standing import PutDown
from handfast.routine.steps import Routine, Taught
from handfast.units import DEGREE, KGF_CM

MOST_CHANGES = 3


@dataclass(frozen=True)
class Change:
    """One change, in words, the answer it would give, and the bench and the routine as it would make them.

    bases: -1 if it brings the bases nearer to each other, 1 if farther, 0 if it leaves them; conflict: which answer
    asks for the opposite, in words, empty if none does.
    """

    words: str
    verdict: str
    room: float
    margin: float
    bench: Bench = dataclasses.field(repr=False, compare=False)
    routine: Routine = dataclasses.field(repr=False, compare=False)
    bases: int = 0
    conflict: str = ""


def changes(question: str, finding: Finding, facts: Facts) -> tuple[Change, ...]:
    """Up to three changes that give more room, best first, each tried by planning and asking again."""
    now = judge(facts.bench, question, finding.margin)
    found = []
    for trial in _trials(question, finding, facts):
        made = trial.make()
        if made is None:
            continue
        answer = QUESTIONS[question](made)
        verdict = judge(made.bench, question, answer.margin)
        if verdict.room > now.room + 0.02:
            room, margin = verdict.room, answer.margin
            found.append(Change(trial.words, verdict.word, room, margin, made.bench, made.routine, trial.bases))
    found.sort(key=lambda change: -change.room)
    return tuple(found[:MOST_CHANGES])


def _trials(question: str, finding: Finding, facts: Facts) -> Iterator[Trial]:
    joint = finding.subject.get("joint")
    step = finding.subject.get("step")
    side = finding.subject.get("side")
    match question:
        case "reach":
            if isinstance(step, int) and isinstance(side, str):
                yield from _nudges(facts, step, side)
            yield from _bases(facts)
        case "lift":
            if isinstance(joint, int):
                yield from _stronger(facts, joint)
                yield _spring(facts, joint)
            yield _slower(facts, 0.6)
        case "pace":
            yield _slower(facts, 0.7)
            if isinstance(step, int):
                yield _untimed(facts, step)
        case "clear":
            if isinstance(step, int) and isinstance(side, str):
                yield from _nudges(facts, step, side)
            yield from _bases(facts)
        case "meet":
            yield from meet_trials(facts, finding)
            yield Trial("correct the routine: handfast correct", lambda: _corrected(facts))
        case "together":
            yield from together_trials(facts, finding)
            yield Trial("correct the routine: handfast correct", lambda: _corrected(facts))
            yield _slower(facts, 0.6)
        case "grip":
            down = finding.subject.get("put_down")
            if isinstance(down, PutDown):
                yield from put_down_trials(facts, down)
                return
            yield from grip_trials(facts, finding)
            yield _slower(facts, 0.6)
        case "miss":
            yield Trial("correct the routine: handfast correct", lambda: _corrected(facts))
            if isinstance(joint, int):
                yield _tighter(facts, joint)
                yield _spring(facts, joint)
        case "power":
            yield _slower(facts, 0.6)
            yield Trial(
                "a supply for 1.5 times the current",
                lambda: _as_planned(facts, _supply(facts.bench, 1.5), facts.routine),
            )
            if isinstance(side, str):
                yield Trial(
                    f"the next larger fuse on the {side} arm, if its wire allows",
                    lambda: _as_planned(facts, _fuse(facts.bench, side), facts.routine),
                )
        case "heat":
            if isinstance(joint, int):
                yield from _stronger(facts, joint)
                yield _spring(facts, joint)
            if isinstance(side, str) and "gripper" in finding.subject:
                yield from _stronger_gripper(facts, side)
            yield _pause(facts)


def grip_trials(facts: Facts, finding: Finding) -> Iterator[Trial]:
    """Other pads, a groove, a stronger gripper servo, or another place to grip the thing."""
    side, name = finding.subject.get("side"), finding.subject.get("thing")
    if not isinstance(side, str) or not isinstance(name, str):
        return
    bench = facts.bench
    arm, thing = bench.arm(side), bench.thing(name)
    gripper = arm.gripper

    def pads(**more: object) -> Callable[[], Facts]:
        changed = dataclasses.replace(arm, gripper=dataclasses.replace(gripper, **more))  # type: ignore[arg-type]
        return lambda: _as_planned(facts, _with_arm(bench, side, changed), facts.routine)

    def other(**more: object) -> Callable[[], Facts]:
        new = dataclasses.replace(thing, **more)  # type: ignore[arg-type]
        things = tuple(new if t.name == name else t for t in bench.things)
        return lambda: _planned(facts, dataclasses.replace(bench, things=things), facts.routine)

    if thing.is_rod and gripper.groove == 0.0:
        yield Trial(f"a V-groove of 90° in the {side} pads", pads(groove=np.pi / 2, pads_pivot=False))
    if gripper.pads_pivot:
        yield Trial(f"{side} pads that do not pivot", pads(pads_pivot=False))
    yield Trial(
        f"{side} pads half as large again ({1.5e3 * gripper.pad_radius:.0f} mm)",
        pads(pad_radius=1.5 * gripper.pad_radius, finger_width=max(gripper.finger_width, 3.0 * gripper.pad_radius)),
    )
    if min(gripper.friction, thing.friction) < 0.8:
        words = f"softer rubber on the {side} pads, and a sleeve of it on {name} (friction 0.8)"
        yield Trial(words, _both(facts, side, name, 0.8))
    if thing.is_rod:
        nearer = thing.grip_height - 0.25 * thing.size[2]
        yield Trial(f"{name} gripped {250 * thing.size[2]:.0f} mm nearer to its tip", other(grip_height=nearer))
    elif abs(thing.grip_height) > 1e-4:
        yield Trial(f"{name} gripped at its middle", other(grip_height=0.0))
    yield from _stronger_gripper(facts, side)


def _stronger_gripper(facts: Facts, side: str) -> Iterator[Trial]:
    """The cheapest stronger servo of the stock that turns far enough and bears the supply."""
    bench = facts.bench
    arm = bench.arm(side)
    now = bench.servo_of(arm.gripper)
    better = [
        s
        for s in bench.stock
        if s.stall_torque > 1.15 * now.stall_torque
        and s.rated_voltage <= bench.supply.voltage
        and s.travel >= np.ptp(arm.gripper.travel)
    ]
    if better:
        servo = min(better, key=lambda s: s.price)
        changed = dataclasses.replace(arm, gripper=dataclasses.replace(arm.gripper, servo_name=servo.name))
        yield Trial(
            f"{servo.name} in the {side} gripper (price {servo.price:g})",
            lambda: _as_planned(facts, _with_arm(bench, side, changed), facts.routine),
        )


def _both(facts: Facts, side: str, name: str, friction: float) -> Callable[[], Facts]:
    """Pads and thing both of that friction."""
    bench = facts.bench
    arm = bench.arm(side)
    changed = _with_arm(
        bench, side, dataclasses.replace(arm, gripper=dataclasses.replace(arm.gripper, friction=friction))
    )
    things = tuple(
        dataclasses.replace(t, friction=max(t.friction, friction)) if t.name == name else t for t in bench.things
    )
    return lambda: _as_planned(facts, dataclasses.replace(changed, things=things), facts.routine)


def _planned(facts: Facts, bench: Bench, routine: Routine) -> Facts:
    """Another bench or routine, planned anew as far as it differs."""
    return facts_of(bench, routine, facts.measured, facts.laws)


def _as_planned(facts: Facts, bench: Bench, routine: Routine) -> Facts:
    """Another bench or routine that moves as before."""
    return facts_of(
        bench, routine, facts.measured, facts.laws, replace(facts.motion, routine=with_drawings(facts.model, routine))
    )


# -- benches that differ in one thing --------------------------------------------------------------------


def _with_arm(bench: Bench, side: str, arm: Arm) -> Bench:
    return dataclasses.replace(bench, arms=dataclasses.replace(bench.arms, **{side: arm}))


def _with_joint(bench: Bench, number: int, change: Callable[[Joint], Joint]) -> Bench:
    name = bench.joint_names[number]
    side, _, short = name.partition(" ")
    arm = bench.arm(side)
    joints = tuple(change(j) if j.name == short else j for j in arm.joints)
    return _with_arm(bench, side, dataclasses.replace(arm, joints=joints))


def _stronger(facts: Facts, number: int) -> Iterator[Trial]:
    """The two cheapest stronger servos of the stock that turn as far and bear the supply."""
    bench, joint = facts.bench, facts.bench.joints[number]
    now = bench.servo_of(joint)
    better = [
        s
        for s in bench.stock
        if s.stall_torque > 1.15 * now.stall_torque
        and s.rated_voltage <= bench.supply.voltage
        and s.travel >= joint.travel[1] - joint.travel[0] - 1e-9
    ]
    for servo in sorted(better, key=lambda s: s.price)[:2]:
        # A heavier servo weighs on the link before it.
        def make(name: str = servo.name, extra: float = servo.mass - now.mass) -> Facts:
            changed = _with_joint(bench, number, lambda j: dataclasses.replace(j, servo_name=name))
            if number not in (0, len(bench.arms.left.joints)) and extra > 0:
                changed = _with_joint(changed, number - 1, lambda j: dataclasses.replace(j, mass=j.mass + extra))
            return _planned(facts, changed, facts.routine)

        yield Trial(f"{servo.name} at {bench.joint_names[number]} (price {servo.price:g})", make)


def _tighter(facts: Facts, number: int) -> Trial:
    name = facts.bench.joint_names[number]
    return Trial(
        f"{name} horn and joint tightened to half their play",
        lambda: _as_planned(
            facts,
            _with_joint(facts.bench, number, lambda j: dataclasses.replace(j, unseen_play=j.unseen_play / 2)),
            facts.routine,
        ),
    )


def _spring(facts: Facts, number: int) -> Trial:
    """A counter-spring that takes the mean load of a joint (at most 60 % of it over its swing)."""
    q, tau = facts.motion.q[:, number], facts.torque[:, number]
    mean, middle, span = float(tau.mean()), float(q.mean()), float(np.ptp(q)) + 60 * DEGREE
    pull = 0.6 * mean
    rate = abs(pull) / span
    rest = middle + pull / rate if rate > 1e-9 else middle
    name = facts.bench.joint_names[number]

    def make() -> Facts | None:
        if rate < 1e-6 or facts.bench.joints[number].spring is not None:
            return None
        spring = Spring(rate=rate, rest=rest)
        sprung = _with_joint(facts.bench, number, lambda j: dataclasses.replace(j, spring=spring))
        return _planned(facts, sprung, facts.routine)

    words = f"a spring at {name} that pulls {abs(pull) / KGF_CM:.1f} kg·cm at {middle / DEGREE:.0f}°"
    return Trial(words, make)


def _supply(bench: Bench, share: float) -> Bench:
    return dataclasses.replace(bench, supply=dataclasses.replace(bench.supply, limit=share * bench.supply.limit))


def _fuse(bench: Bench, side: str) -> Bench:
    arm = bench.arm(side)
    return _with_arm(
        bench, side, dataclasses.replace(arm, wire=dataclasses.replace(arm.wire, fuse=arm.wire.fuse * 1.5))
    )


def _bases(facts: Facts) -> Iterator[Trial]:
    """The arms' bases 20 mm nearer or farther, the taught places kept."""
    for by in (-0.02, 0.02):

        def make(by: float = by) -> Facts | None:
            moved = moved_bases(facts, by)
            return None if moved is None else _planned(facts, *moved)

        words = f"both bases {abs(by) * 1e3:.0f} mm {'nearer' if by < 0 else 'farther'}, poses taught again"
        yield Trial(words, make, -1 if by < 0 else 1)


def moved_bases(facts: Facts, by: float) -> tuple[Bench, Routine] | None:
    """Bench with the bases `by` m farther apart along the line between them, and the same places re-solved."""
    bench = facts.bench
    left, right = np.array(bench.arms.left.base), np.array(bench.arms.right.base)
    line = right - left
    distance = float(np.linalg.norm(line))
    if distance < 1e-6:
        return None
    step = 0.5 * by * line / distance
    arms = dataclasses.replace(
        bench.arms,
        left=dataclasses.replace(bench.arms.left, base=tuple(left - step)),
        right=dataclasses.replace(bench.arms.right, base=tuple(right + step)),
    )
    moved = dataclasses.replace(bench, arms=arms)
    old, new = chain_of(bench), chain_of(moved)

    def again(side: str, angles: tuple[float, ...]) -> tuple[float, ...] | None:
        arm = SIDES.index(side)
        X_WT = tool_poses(old.only(arm), np.array(angles))[0]
        found = solve(new.only(arm), X_WT, np.array(angles))
        if found.short[0] > 1e-4:
            return None
        return tuple(float(x) for x in found.q[0])

    routine = _resolved(facts.routine, again)
    return None if routine is None else (moved, routine)


# -- routines that differ in one thing -------------------------------------------------------------------


def _corrected(facts: Facts) -> Facts:
    correction = correct(facts.model, facts.routine, facts.laws)
    return facts_of(facts.bench, correction.routine, facts.measured, facts.laws, correction.motion)


def _slower(facts: Facts, share: float) -> Trial:
    about = facts.routine.about
    pace = max(0.02, about.pace * share)
    return Trial(
        f"slower: pace {pace:.2f} instead of {about.pace:.2f}",
        lambda: _planned(facts, facts.bench, replace(facts.routine, about=replace(about, pace=pace))),
    )


def _untimed(facts: Facts, number: int) -> Trial:
    steps = list(facts.routine.steps)
    steps[number] = replace(steps[number], time=None)
    return Trial(
        f"no fixed time for step {facts.routine.title(number)}",
        lambda: (
            _planned(facts, facts.bench, replace(facts.routine, steps=tuple(steps)))
            if facts.routine.steps[number].time
            else None
        ),
    )


def _pause(facts: Facts) -> Trial:
    about = facts.routine.about
    pause = max(10.0, 2.0 * facts.motion.duration)
    return Trial(
        f"a pause of {pause:.0f} s before it is repeated",
        lambda: _as_planned(facts, facts.bench, replace(facts.routine, about=replace(about, rest=about.rest + pause))),
    )


def _nudges(facts: Facts, number: int, side: str) -> Iterator[Trial]:
    """The pose of one step 10 mm up, or 10 mm nearer to its base."""
    arm = SIDES.index(side)
    chain = chain_of(facts.bench).only(arm)
    taught = facts.routine.steps[number].taught(side)
    if taught is None or taught.pose is None:
        return
    X_WT = tool_poses(chain, np.array(taught.pose))[0, 0]
    inwards = chain.bases[0][:3, 3] - X_WT[:3, 3]
    inwards[2] = 0.0
    inwards /= max(float(np.linalg.norm(inwards)), 1e-9)
    for words, by in (("10 mm higher", np.array([0, 0, 0.01])), ("10 mm nearer to its base", 0.01 * inwards)):

        def make(by: np.ndarray = by) -> Facts | None:
            assert taught is not None
            assert taught.pose is not None
            found = solve(chain, shift(by) @ X_WT, np.array(taught.pose))
            if found.short[0] > 1e-4:
                return None
            nudged = replace(taught, pose=tuple(float(x) for x in found.q[0]), command=None)
            steps = list(facts.routine.steps)
            steps[number] = steps[number].with_taught(side, nudged)
            return _planned(facts, facts.bench, replace(facts.routine, steps=tuple(steps)))

        yield Trial(f"step {facts.routine.title(number)} of the {side} arm {words}", make)


def _resolved(routine: Routine, again: Callable[[str, tuple[float, ...]], tuple[float, ...] | None]) -> Routine | None:
    """The routine with every taught angle set solved again; None if one cannot be."""
    steps = []
    for step in routine.steps:
        for side in SIDES:
            taught = step.taught(side)
            if taught is None:
                continue
            found = _taught_again(taught, side, again)
            if found is None:
                return None
            step = step.with_taught(side, found)
        steps.append(step)
    return replace(routine, steps=tuple(steps))


def _taught_again(
    taught: Taught, side: str, again: Callable[[str, tuple[float, ...]], tuple[float, ...] | None]
) -> Taught | None:
    pose = None if taught.pose is None else again(side, taught.pose)
    if taught.pose is not None and pose is None:
        return None
    path = None
    if taught.path is not None:
        rows = [again(side, row) for row in taught.path]
        if any(row is None for row in rows):
            return None
        path = tuple(row for row in rows if row is not None)
    return replace(taught, pose=pose, path=path, command=None, path_command=None)
