"""Write a routine from what a recording shows: poses, grips, passes, carries and strokes in order."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from handfast.bench.lines import noise_angles
from handfast.bench.parts import SIDES, Bench, Side
from handfast.errors import InputError
from handfast.geometry.rigid import Array
from handfast.landing.flank import holding_torques
from handfast.mechanics.model import Model
from handfast.records.recording import Event, Recording
from handfast.routine.steps import About, Routine, Step, Taught, arrived_text
from handfast.teaching.stillness import STILL_SPREAD, StillPose, filtered, last_motion, pose_at, still_poses
from handfast.units import counted

FIRST_PACE = 0.5
"""Pace of a routine that has just been taught (common practice: first replay at 25-50 %)."""

STROKE_ROWS = 40
"""A stroke is stored as about this many rows a second at most 200, enough for the motion of a hand."""

FALLS, MAY_FALL = 0.9, 1.6
"""Share of what a joint's limp gears and its own friction stand, beyond which a limp arm would fall if let go: where
somebody measured how hard it turns limp, and where nobody did (common practice, no source)."""

CLEAR_SAG, NO_SAG = 0.5, 0.25
"""Share of the seen play by which telling joints must have sunk to say `let go`, or stayed below to say `held`."""


@dataclass(frozen=True)
class Remark:
    """Something about the recording that the maker should know before the routine is played."""

    time: float
    text: str


def routine_from(recording: Recording, model: Model, name: str) -> tuple[Routine, list[Remark]]:
    """The routine that a recording teaches, and remarks on what was unclear.

    Raises InputError if the recording shows no pose, or an event that fits none.
    """
    bench = model.bench
    q = filtered(recording, bench)
    remarks: list[Remark] = []
    said = any(len(event.words) == 2 and event.words[1] == "pose" for event in recording.events)
    recording = replace(recording, events=standing(recording.events))
    strokes = _strokes(recording)
    poses = [pose for side in SIDES for pose in still_poses(recording, bench, side, q)]
    if said:
        poses = _stored(poses, recording, q, bench, remarks)
    # A stillness that begins inside a stroke is part of it; one that began before it is where it starts from.
    poses = [p for p in poses if not any(s == p.side and a - 0.2 < p.start < b + 0.3 for s, a, b in strokes)]
    if not said:
        poses = _without_resting_start(poses, recording)
    entries: list[tuple[float, Step]] = []
    for group in _at_once(poses):
        entries.append((max(p.start for p in group), _pose_step(group, recording, model, remarks)))
    for side, begin, end in strokes:
        entries.append((end, _stroke_step(recording, q, bench, side, begin, end)))
    for event in recording.events:
        step = _event_step(event, bench, recording)
        if step is not None:
            entries.append((event.time, step))
    entries.sort(key=lambda entry: entry[0])
    steps = _joined([step for _, step in entries], recording)
    if not any(step.do != "wait" for step in steps):
        raise InputError(
            "no pose was held still",
            where=recording.source,
            expected="at least one pose held still for 0.8 s",
            next_step="record again, holding each pose still until the lamp goes dark",
        )
    counts: dict[str, int] = {}
    named = []
    for step in steps:
        counts[step.do] = counts.get(step.do, 0) + 1
        named.append(step if step.name else replace(step, name=f"{step.do} {counts[step.do]}"))
    about = About(name=name, recording=recording.source, pace=FIRST_PACE)
    return Routine(about=about, steps=tuple(named)), remarks


def standing(events: tuple[Event, ...]) -> tuple[Event, ...]:
    """Events that hold: each `undo` takes the last of those before it away, a stroke as a whole; notes stay."""
    kept: list[Event] = []
    for event in events:
        if event.words != ("undo",):
            kept.append(event)
            continue
        last = next((k for k in range(len(kept) - 1, -1, -1) if kept[k].words[0] != "note"), None)
        if last is None:
            continue
        gone = kept.pop(last)
        if gone.words[1:] == ("stroke", "end"):
            begin = (gone.words[0], "stroke", "begin")
            first = next((k for k in range(len(kept) - 1, -1, -1) if kept[k].words == begin), None)
            if first is not None:
                kept.pop(first)
    return tuple(kept)


def _stored(
    poses: list[StillPose], recording: Recording, q: Array, bench: Bench, remarks: list[Remark]
) -> list[StillPose]:
    """The poses that were said to be stored: the stillness around each moment, or the last half second before it."""
    result: list[StillPose] = []
    for event in recording.events:
        if len(event.words) != 2 or event.words[1] != "pose":
            continue
        group = []
        for side in SIDES:
            if event.words[0] not in (side, "both"):
                continue
            here = [p for p in poses if p.side == side and p.start - 0.3 <= event.time <= p.end + 0.3]
            if here:
                pose = here[-1]
            else:
                pose = pose_at(recording, bench, side, q, event.time)
                if pose.spread.max() > STILL_SPREAD / 2.0:
                    remarks.append(Remark(event.time, f"{side} arm: stored while it was not quite still"))
            if not any(p.side == side and p.start == pose.start for p in result):
                group.append(pose)
        if len(group) == 2:
            first = min(p.start for p in group)
            group = [replace(p, start=first) for p in group]
        result += group
    return result


def _strokes(recording: Recording) -> list[tuple[Side, float, float]]:
    """Side, begin and end of every stroke."""
    found: list[tuple[Side, float, float]] = []
    open_: dict[Side, float] = {}
    for event in recording.events:
        if len(event.words) == 3 and event.words[1] == "stroke":
            side: Side = "left" if event.words[0] == "left" else "right"
            if event.words[2] == "begin" and side in open_:
                raise InputError(
                    f"the {side} stroke begins twice",
                    where=f"{recording.source}: event at {event.time * 1e3:g} ms",
                    expected=f'"{side} stroke end" of the one begun at {open_[side] * 1e3:g} ms before it',
                    next_step="mend the events of this recording",
                )
            if event.words[2] == "begin":
                open_[side] = event.time
            elif side in open_:
                found.append((side, open_.pop(side), event.time))
            else:
                raise InputError(
                    f"the {side} stroke ends before it begins",
                    where=f"{recording.source}: event at {event.time * 1e3:g} ms",
                    expected=f'"{side} stroke begin" before it',
                    next_step="mend the events of this recording",
                )
    for side, begin in open_.items():
        raise InputError(
            f"the {side} stroke never ends",
            where=f"{recording.source}: event at {begin * 1e3:g} ms",
            expected=f'"{side} stroke end" after it',
            next_step="mend the events of this recording",
        )
    return found


def _without_resting_start(poses: list[StillPose], recording: Recording) -> list[StillPose]:
    """Poses, less those in which an arm still rests where the recording found it."""
    return [p for p in poses if p.start > recording.t[0] + 0.05 or np.any(p.arrived != 0)]


def _at_once(poses: list[StillPose]) -> list[list[StillPose]]:
    """Poses grouped where both arms are still after both have moved: taught with two hands at once."""
    groups: list[list[StillPose]] = []
    for pose in sorted(poses, key=lambda p: p.start):
        last = groups[-1] if groups else []
        if len(last) == 1 and last[0].side != pose.side and abs(pose.start - last[0].start) < 0.4:
            last.append(pose)
        else:
            groups.append([pose])
    return groups


def _pose_step(group: list[StillPose], recording: Recording, model: Model, remarks: list[Remark]) -> Step:
    step = Step(do="go")
    for pose in group:
        held = _how_held(pose, recording.hands, model)
        unclear = [model.bench.arm(pose.side).joints[i].name for i in range(len(pose.q)) if pose.arrived[i] == 0]
        if unclear:
            remarks.append(
                Remark(
                    pose.start,
                    f"{pose.side} arm: the last motion of {', '.join(unclear)} was too small to show its way; "
                    "bring the arm there with one clear move and store the pose again",
                )
            )
        taught = Taught(
            pose=tuple(float(x) for x in pose.q),
            held=held,
            arrived=arrived_text(pose.arrived),
            at=pose.end - 0.25,
            spread=tuple(float(x) for x in pose.spread),
        )
        step = step.with_taught(pose.side, taught)
    return step


def _how_held(pose: StillPose, habit: str, model: Model) -> str:
    """Held, let go, or unknown: from what the feedback shows, then from what the person said.

    Letting go lets a loaded joint that was led upwards, against its load, sink through the play that the
    feedback sees: such joints tell. Joints led downwards lie on the same side either way and tell nothing, and
    then it hardly matters. Where nothing tells, an arm whose limp gears cannot stand its weight was held, whatever is
    usual.
    """
    columns = model.bench.columns(pose.side)
    q = np.zeros(model.chain.joints)
    q[columns] = pose.q
    tau = holding_torques(model, q, np.zeros((1, 2)), np.zeros((1, 2, 3)))[0, columns]
    known = np.array([joint.limp_friction is not None for joint in model.bench.joints[columns]])
    stands = model.limp_friction[columns] + model.friction[columns]
    if np.any(np.abs(tau) > np.where(known, FALLS, MAY_FALL) * stands):
        habit = "held"
    tells = (np.abs(tau) > model.friction[columns]) & (pose.arrived * tau > 0)
    if not tells.any():
        return habit
    sank = -(pose.sag * np.sign(tau))[tells]
    expected = model.seen_play[columns][tells]
    share = float(sank.sum() / expected.sum())
    if share > CLEAR_SAG:
        return "let go"
    if share < NO_SAG:
        return "held"
    return habit


def _stroke_step(recording: Recording, q: Array, bench: Bench, side: Side, begin: float, end: float) -> Step:
    part = bench.columns(side)
    inside = (recording.t >= begin) & (recording.t <= end)
    t, path = recording.t[inside], q[inside, part]
    if len(t) < 20:
        raise InputError(
            f"the {side} stroke has {counted(len(t), 'sample')}",
            where=f"{recording.source}: event at {begin * 1e3:g} ms",
            expected="at least 20 samples between begin and end",
            next_step="draw it more slowly, or mend the events",
        )
    from scipy.signal import savgol_filter

    window = min(31, (len(t) - 1) // 2 * 2 - 1)
    smooth = savgol_filter(path, window, 2, axis=0, mode="interp")
    rows = min(200, max(12, round((t[-1] - t[0]) * STROKE_ROWS)))
    at = np.linspace(t[0], t[-1], rows)
    points = np.column_stack([np.interp(at, t, smooth[:, j]) for j in range(path.shape[1])])
    before = last_motion(q[recording.t <= begin + 0.3, part], noise_angles(bench)[part])
    taught = Taught(
        held="held",
        at=float(at[0]),
        arrived=arrived_text(before),
        path=tuple(tuple(float(x) for x in row) for row in points),
        times=tuple(float(x - at[0]) for x in at),
    )
    return Step(do="stroke").with_taught(side, taught)


def _event_step(event: Event, bench: Bench, recording: Recording) -> Step | None:
    words = event.words
    things = [thing.name for thing in bench.things]
    named = None
    if len(words) == 3 and (words[0] == "pass" or (words[0] in ("left", "right", "both") and words[1] == "grip")):
        named = words[2]
    elif len(words) == 2 and words[0] == "carry":
        named = words[1]
    if named is not None and named not in things:
        raise InputError(
            f'the bench has no thing "{named}"',
            where=f"{recording.source}: event at {event.time * 1e3:g} ms",
            available=things,
            asked=named,
            next_step="mend the event, or describe the thing in bench.toml",
        )
    if words[0] in ("left", "right", "both"):
        if words[1] == "grip":
            return Step(do="grip", arm=words[0], thing=words[2])
        if words[1] == "release":
            return Step(do="release", arm=words[0])
        if words[1] == "draw":
            return Step(do="draw", arm=words[0], drawing=words[2])
        return None
    if words[0] == "pass":
        return Step(do="pass", giver=words[1], thing=named)
    if words[0] == "carry":
        return Step(do="carry", thing=named)
    if words[0] == "wait":
        return Step(do="wait", arm="both", time=float(words[1]))
    return None


def _at_corner(step: Step, before: list[Step], recording: Recording) -> Step:
    """A draw has the last pose of its arm, the tip on the drawing's corner, as its own; that step stays, too."""
    side: Side = "left" if step.arm == "left" else "right"
    for earlier in reversed(before):
        said = earlier.taught(side)
        if said is not None and said.pose is not None:
            return replace(step, arm=None).with_taught(side, said)
    raise InputError(
        f"the {side} arm has no pose before `{side} draw {step.drawing}`",
        where=recording.source,
        expected="the pen's tip held still on the paper, at the drawing's lower left corner, and then that event",
        next_step="record again, or mend the events",
    )


def _joined(steps: list[Step], recording: Recording) -> list[Step]:
    """An event `pass` or `carry` takes the next pose of both arms as its own, and what they hold as its thing."""
    result: list[Step] = []
    waiting: Step | None = None
    in_hand: dict[str, str] = {}
    for step in steps:
        if step.do == "draw":
            result.append(_at_corner(step, result, recording))
            continue
        if step.do == "grip" and step.thing is not None:
            in_hand.update(dict.fromkeys(step.sides, step.thing))
        if step.do == "release":
            for side in step.sides:
                in_hand.pop(side, None)
        if step.do in ("pass", "carry") and step.thing is None:
            step = replace(step, thing=in_hand.get(step.giver or "left"))
        if step.do == "pass" and step.thing is None:
            raise InputError(
                f"the {step.giver} arm passes nothing",
                where=recording.source,
                expected=f"`{step.giver} grip THING` before `pass {step.giver}`, or `pass {step.giver} THING`",
                next_step="mend the events of this recording",
            )
        if step.do == "pass" and step.thing is not None:
            in_hand.pop(step.giver or "", None)
            in_hand[step.taker] = step.thing
        if step.do in ("pass", "carry") and step.left is None:
            if waiting is not None:
                raise _no_pose_after(waiting, recording)
            waiting = step
            continue
        if waiting is not None and step.do == "go":
            have = {side: step.taught(side) or waiting.taught(side) for side in SIDES}
            waiting = replace(waiting, left=have["left"], right=have["right"])
            if waiting.left is not None and waiting.right is not None:
                result.append(waiting)
                waiting = None
            continue
        result.append(step)
    if waiting is not None:
        raise _no_pose_after(waiting, recording)
    return result


def _no_pose_after(waiting: Step, recording: Recording) -> InputError:
    said = f"{waiting.do} {waiting.giver}" if waiting.giver else waiting.do
    return InputError(
        f"after the event `{said}` there is no pose of both arms",
        where=recording.source,
        expected="both arms held still together after it, before the next event of this kind",
        next_step="record again: say it, then bring both arms there and hold them still",
    )
