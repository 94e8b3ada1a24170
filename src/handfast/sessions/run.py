"""Play a routine on arms that answer frame by frame, and note where every pose came to rest.

Three ways: `raw` sends every target as it is; `trimmed` adds, after arrival, what the feedback lacks to the
taught pose; `corrected` trims to the corrected target, cleans the feedback of the supply's sag, and comes to
rest from a known side where nothing else decides a joint's flank.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from handfast.bench.parts import SIDES, Side
from handfast.geometry.rigid import Array
from handfast.mechanics.kinematics import least_turns, places, tool_poses
from handfast.mechanics.model import Model
from handfast.motion.as_played import LOOSEN, RISE_SPEED, SETTLE, STOP_SHORT, setting_out
from handfast.motion.laid_down import DT, Arrival, Motion
from handfast.records.run import Grip, Mode, Rest, Run
from handfast.sessions.jaws import Jaws
from handfast.sessions.powered import Arms, Powered
from handfast.sessions.way_in import way_in
from handfast.units import DEGREE

READ = 0.5
"""Time over which the feedback is averaged at a time, s."""

TRIM_ROUNDS = 16
TRIM_TOLERANCE = 0.05 * DEGREE
"""Feedback as near its target as this, and the error of its mean, is left alone."""

READ_ERROR = 0.03 * DEGREE
"""Feedback at rest is read on until its mean is as good as this, one standard deviation, or `TRIM_ROUNDS` are over."""

BACK = 0.6
"""Share of a servo's dead zone that a trim jumps when it turns back: its shaft does not move in it."""

CREEP_TOLERANCE = 0.12 * DEGREE
MOST_TRIM = 12.0 * DEGREE
"""A command is never trimmed farther than this from its target: beyond it, something else is wrong."""

TOGETHER = ("carry", "pass")
"""Steps at which both arms hold one thing: to move one of them would strain it."""

CRAWL = 7.5 * DEGREE
"""Speed of a joint while a TCP is nudged, rad/s: some 30 mm/s at the TCP, somebody stands beside it."""

SLOWEST = 0.03
"""A routine in which next to nothing moves is trimmed this fast, m/s at a TCP."""

FADE = 0.2
"""Time in which the trim of a stroke's first pose fades while its own commands take over, s."""


OnFrame = Callable[[float, Array, Array, Array, Array, np.ndarray], None]
"""Time s, command (K,), feedback (K,), supply (2,) V, current (2,) A, step (2,)."""


class Nudging(Protocol):
    """A maker who moves TCPs onto their marks, where arms have come to rest."""

    def asks(self, arrival: Arrival) -> bool:
        """Whether this one is to be looked at."""

    def way(self, arrival: Arrival) -> Array | None:
        """How far to move its TCP (3,) m, in the world; None once it is on its mark, or shall stay where it is."""

    def done(self, arrival: Arrival, feedback: Array, moved: Array) -> None:
        """It rests with feedback (joints,) rad, its joints moved last in these ways (joints,)."""


@dataclass(frozen=True)
class Creep:
    """For one arrival: joints (K,) that come to rest from a known side: +1, -1, or 0 for the others."""

    way: Array


class _Read:
    """Feedback at rest, averaged per joint over all frames since it was last moved."""

    def __init__(self, about: Array):
        """about (K,) rad: a place nearby, so that squares stay small."""
        self._about = about
        self.count, self._sum, self._squares = np.zeros((3, len(about)))

    def add(self, frames: Array) -> None:
        """Take in frames (N, K) rad."""
        self.count += len(frames)
        away = frames - self._about
        self._sum += away.sum(axis=0)
        self._squares += (away**2).sum(axis=0)

    def forget(self, joints: np.ndarray) -> None:
        """Begin anew with some joints (K,)."""
        for kept in (self.count, self._sum, self._squares):
            kept[joints] = 0.0

    @property
    def mean(self) -> Array:
        """Mean (K,) rad, where anything was read."""
        return self._about + self._away

    @property
    def _away(self) -> Array:
        result: Array = self._sum / np.maximum(self.count, 1.0)
        return result

    @property
    def error(self) -> Array:
        """Standard error (K,) rad of the mean."""
        n = np.maximum(self.count, 1.0)
        variance = np.maximum(self._squares / n - self._away**2, 0.0)
        result: Array = np.sqrt(variance / n)
        return result


class _Player:
    def __init__(
        self,
        model: Model,
        motion: Motion,
        arms: Arms,
        mode: Mode,
        progress: Callable[[float], None] | None,
        on_frame: OnFrame | None,
        begin: Array | None,
        nudging: Nudging | None = None,
    ):
        self.nudging = nudging
        self.model, self.motion, self.arms, self.mode = model, motion, arms, mode
        self.bench = model.bench
        self.progress, self.on_frame, self.begin = progress, on_frame, begin
        self.wire = Powered(self.bench, arms, clean=mode != "raw")
        self.frame_time = self.wire.frame_time
        self.trim = np.zeros(model.chain.joints)
        self.log: list[tuple[float, Array, Array, Array, Array, np.ndarray]] = []
        self.samples: list[int] = []
        self.rests: list[Rest] = []
        self.moved = np.zeros(model.chain.joints)
        self.jaws = Jaws(self.bench, motion, arms.feels)
        self.grips: list[Grip] = []
        gain = model.stall / model.full_drive
        p = tool_poses(model.chain, motion.q)[:, :, :3, 3]
        speed = np.linalg.norm(np.diff(p, axis=0), axis=-1).max(initial=0.0) / DT
        self.most = max(SLOWEST, float(speed)) * self.frame_time
        """How far a TCP goes in one frame at most, m: no correction is faster than the motion that was announced."""
        self.zone: Array = BACK * np.maximum(2.0 * model.limp_friction / gain, model.dead_band)

    def send(self, q: Array, sample: int, gaps: Array | None = None) -> Array:
        """One frame at commanded angles q (K,) of the motion's sample; returns the feedback's angles (K,)."""
        n = min(sample, len(self.motion.t) - 1)
        for arm in range(2):
            self.arms.holds(arm, float(self.motion.loads[n, arm]), self.motion.load_offsets[n, arm])
        self.wire.gaps = self.jaws.gaps(n) if gaps is None else gaps.copy()
        change = q - self.wire.command
        self.moved = np.where(np.abs(change) > 1e-9, np.sign(change), self.moved)
        feedback = self.wire.send(q)
        row = (self.wire.time, q.copy(), feedback, self.wire.volts, self.wire.current, self.motion.step[n])
        self.log.append(row)
        self.samples.append(n)
        if self.on_frame is not None:
            self.on_frame(*row)
        return feedback

    def hold(self, q: Array, seconds: float, sample: int) -> Array:
        """Stand still; returns the feedback of every frame (frames, K)."""
        count = max(1, round(seconds / self.frame_time))
        return np.array([self.send(q, sample) for _ in range(count)])

    def shift(self, q: Array, seconds: float, sample: int) -> Array:
        """Go to a command nearby, no faster than the motion ever is, and stand still there, as `hold` does."""
        begin = self.wire.command.copy()
        p = tool_poses(self.model.chain, np.stack([begin, q]))[:, :, :3, 3]
        count = math.ceil(float(np.linalg.norm(p[1] - p[0], axis=-1).max()) / self.most)
        for n in range(1, count):
            self.send(begin + n / count * (q - begin), sample)
        return self.hold(q, seconds, sample)

    # -- the run ---------------------------------------------------------------------------------------

    def play(self, creeps: dict[int, Creep]) -> None:
        """From where the arms are, through the whole motion."""
        motion = self.motion
        stops: dict[int, list[Arrival]] = {}
        for arrival in motion.arrivals:
            if not arrival.row:
                stops.setdefault(arrival.sample, []).append(arrival)
        passing = sorted((a for a in motion.arrivals if a.row), key=lambda a: -a.sample)
        self.attach()
        frames = math.ceil(motion.duration / self.frame_time - 1e-9) + 1  # the last one reaches the end
        per_frame = self.frame_time / DT
        order = sorted(stops)
        closings = sorted(enumerate(motion.closings), key=lambda c: c[1].end) if self.jaws.by_feel else []
        strokes = sorted((a.sample for a in passing), reverse=True)
        done = 0
        trim_from, trim_since = self.trim.copy(), 0.0
        for n in range(frames):
            position = min(n * per_frame, len(motion.t) - 1.0)
            k = int(position)
            weight = position - k
            q = (
                motion.q[k]
                if weight < 1e-9
                else (1 - weight) * motion.q[k] + weight * motion.q[min(k + 1, len(motion.q) - 1)]
            )
            next_stop = order[done] if done < len(order) else None
            short = np.zeros(len(q))
            # A stroke ahead is drawn before the arms make for their next stop.
            ahead = next((s for s in strokes if next_stop is None or s < next_stop), -1)
            drawing = position <= ahead
            if next_stop is not None and next_stop in creeps and not drawing:
                short = self._short_of(creeps[next_stop], motion, next_stop, position, max(trim_since, ahead))
            # A corrected stroke's commands hold all that its servos will lack: the trim of the pose before would
            # make it up a second time, so it fades.
            kept = 1.0
            if self.mode == "corrected" and ahead > trim_since:
                kept = max(0.0, 1.0 - (position - trim_since) * DT / FADE)
            while closings and position >= closings[0][1].end - 1e-9:
                self.close(closings.pop(0)[0], q + kept * trim_from + short)
            self.send(q + kept * trim_from + short, k)
            while passing and passing[-1].sample <= k:
                self.note_passing(passing.pop())
            while next_stop is not None and position >= next_stop - 1e-9:
                self.arrive(stops[next_stop], next_stop, creeps.get(next_stop), motion.q[next_stop])
                trim_from, trim_since = self.trim.copy(), position
                done += 1
                next_stop = order[done] if done < len(order) else None
            if self.progress is not None:
                self.progress((n + 1) / frames)

    def _short_of(self, creep: Creep, motion: Motion, stop: int, position: float, since: float) -> Array:
        """Grows from nothing to `STOP_SHORT` against the way of the creep while the stop is approached."""
        begun = setting_out(motion, since, stop, creep.way)
        if begun >= stop:
            return np.zeros_like(creep.way)
        r = min(1.0, max(0.0, (position - begun) / (stop - begun)))
        result: Array = -creep.way * STOP_SHORT * (3 * r**2 - 2 * r**3)
        return result

    def attach(self) -> None:
        """Begin where the arms are, go slowly to the routine's start, and learn what the supply does."""
        self.wire.gaps = self.jaws.gaps(0)
        if self.begin is None:
            self.wire.attach()
        else:
            self.wire.command = self.begin.copy()
        self._go(self.motion.q[0])
        self.wire.hold(self.motion.q[0], 0.3)
        if self.wire.clean:
            self.wire.loosen()
            # Along the motion loads shift standing shafts, too: where it was measured, that is trusted.
            self.wire.learns = not self.wire.fit.measured
        else:
            below = np.clip(self.motion.q[0] - LOOSEN, *self.wire.travel.T)
            self._go(below, judged=False)
            self.wire.hold(below, 0.3)
            self.wire.ramp(self.motion.q[0], RISE_SPEED)
        # Stirred or not, every joint came to its start upwards.
        self.moved = np.ones_like(self.moved)

    def _go(self, goal: Array, judged: bool = True) -> None:
        """Go slowly from where the arms stand, round what is in the way; InputError where no way is free."""
        for q in way_in(self.model, self.wire.command, goal, judged):
            self.wire.ramp(q)

    def close(self, number: int, command: Array) -> None:
        """Stand still and close a pair of jaws by feel. What it is to hold weighs nothing before it is held."""
        closing = self.motion.closings[number]
        sample = max(closing.begin, closing.end - 1)
        arm = SIDES.index(closing.side)

        def show(gaps: Array) -> tuple[float, float, float]:
            self.send(command, sample, gaps)
            return float(self.wire.jaw_angles()[arm]), float(self.wire.current[arm]), float(self.wire.volts[arm])

        time = self.log[-1][0] if self.log else 0.0
        self.grips.append(self.jaws.close(number, show, self.jaws.gaps(sample), self.frame_time, time))

    def note_passing(self, arrival: Arrival) -> None:
        """A point of a stroke goes by; nothing is waited for."""
        part = self.bench.columns(arrival.side)
        q = self.motion.q[arrival.sample]
        time, command, feedback, volts, _, _ = self.log[-1]
        arm = SIDES.index(arrival.side)
        self.rests.append(
            Rest(
                arrival.step, arrival.side, arrival.row, time, q[part], feedback[part], command[part],
                np.zeros(len(q[part])), self.moved[part].copy(), 0, float(volts[arm]),
                float(self.motion.loads[arrival.sample, arm]),
            )
        )  # fmt: skip

    def arrive(self, arrivals: list[Arrival], sample: int, creep: Creep | None, target: Array) -> None:
        """Come to rest, trim if asked to, and note where the feedback rests."""
        sides: list[Side] = [a.side for a in arrivals]
        part = np.zeros(len(target), dtype=bool)
        for side in sides:
            part[self.bench.columns(side)] = True
        way = np.zeros(len(target)) if creep is None else creep.way
        command = target + self.trim - way * STOP_SHORT
        self.shift(command, SETTLE, sample)
        rounds = 0
        read = _Read(target)
        # What was learned at earlier poses is kept for the other joints; each pose finds its own trim.
        if self.mode != "raw":
            if np.any(way):
                command = self._creep(command, target, way, part, sample)
            command, rounds = self._trimmed(command, target, way, part, sample, read)
        if self.mode == "raw" or not np.all(read.count[part]):
            read.add(self.hold(command, READ, sample))
        if self.nudging is not None:
            command, read = self._nudged(arrivals, sample, command, target, way, read)
        self.trim = np.where(part, command - target, self.trim)
        time = self.log[-1][0]
        volts = np.mean([row[3] for row in self.log[-max(1, round(READ / self.frame_time)) :]], axis=0)
        limp = self.wire.limp_counts(read.mean, volts)
        for arrival in arrivals:
            columns = self.bench.columns(arrival.side)
            self.rests.append(
                Rest(
                    arrival.step, arrival.side, arrival.row, time, target[columns], read.mean[columns],
                    command[columns], read.error[columns], self.moved[columns].copy(), rounds,
                    float(self.wire.volts[SIDES.index(arrival.side)]),
                    float(self.motion.loads[arrival.sample, SIDES.index(arrival.side)]),
                    None if limp is None else limp[columns].copy(),
                )
            )  # fmt: skip

    def _trimmed(
        self, command: Array, target: Array, way: Array, part: np.ndarray, sample: int, read: _Read
    ) -> tuple[Array, int]:
        """Shift the command of some joints (part) until their feedback rests at the target; returns it, and in how many
        rounds. read: taken along, and full afterwards. way: joints that may only go on one way."""
        rounds = 0
        pushed, jumped = self.moved.copy(), np.zeros(len(target), dtype=bool)
        while rounds < TRIM_ROUNDS:
            rounds += 1
            read.add(self.hold(command, READ, sample))
            lacking = target - read.mean
            # Gone past the target: this servo's dead zone is smaller than was thought.
            past = jumped & (lacking * pushed < 0) & (np.abs(lacking) > TRIM_TOLERANCE)
            self.zone, jumped = np.where(past, 0.5 * self.zone, self.zone), np.zeros_like(jumped)
            adjust = np.where(part & (np.abs(lacking) > TRIM_TOLERANCE + read.error), lacking, 0.0)
            # Where the side matters, go on in the same way only.
            adjust = np.where((way != 0) & (adjust * way < 0), 0.0, adjust)
            if not np.any(adjust):
                if np.all(read.error[part] < READ_ERROR):
                    break
                continue
            back = (adjust != 0) & (adjust * pushed < 0)
            step = np.clip(0.8 * adjust, -3 * DEGREE, 3 * DEGREE) + np.where(back, np.sign(adjust) * self.zone, 0.0)
            pushed, jumped = np.where(adjust != 0, np.sign(adjust), pushed), back
            command = np.clip(command + step, target - MOST_TRIM, target + MOST_TRIM)
            self.shift(command, 0.25, sample)
            read.forget(adjust != 0)
        return command, rounds

    def _nudged(
        self, arrivals: list[Arrival], sample: int, command: Array, target: Array, way: Array, read: _Read
    ) -> tuple[Array, _Read]:
        """Ask of each arm that has come to rest to be moved onto its mark. Feedback is led there, not the command, and
        joints of undecided flank come home from their known side (way) again, as they will whenever this is played."""
        assert self.nudging is not None
        goal = target.copy()
        for arrival in arrivals:
            step = self.motion.routine.steps[arrival.step]
            said = step.taught(arrival.side)
            if step.do in TOGETHER or arrival.row is not None or said is None or said.pose is None:
                continue
            if not self.nudging.asks(arrival):
                continue
            columns = self.bench.columns(arrival.side)
            part = np.zeros(len(target), dtype=bool)
            part[columns] = True
            while (off := self.nudging.way(arrival)) is not None:
                turn = least_turns(places(self.model.chain, read.mean).J[0, columns, 3:], off)
                before = goal.copy()
                goal[columns] = np.clip(goal[columns] + turn, *self.wire.travel[columns].T)
                own = np.where(part, way, 0.0)
                command = command + (goal - before) - STOP_SHORT * own
                self._slowly(command, sample)
                if np.any(own):
                    command = self._creep(command, goal, own, part, sample)
                read = _Read(goal)
                command, _ = self._trimmed(command, goal, own, part, sample, read)
            if not np.all(read.count):
                read.add(self.hold(command, READ, sample))
            self.nudging.done(arrival, read.mean[columns].copy(), self.moved[columns].copy())
        return command, read

    def _slowly(self, command: Array, sample: int) -> None:
        """Go to a command nearby at a crawl, and come to rest there."""
        begin = self.wire.command.copy()
        count = max(1, round(1.5 * float(np.abs(command - begin).max()) / CRAWL / self.frame_time))
        for n in range(1, count + 1):
            r = n / count
            self.send(begin + (3 * r**2 - 2 * r**3) * (command - begin), sample)
        self.hold(command, SETTLE, sample)

    def _creep(self, command: Array, target: Array, way: Array, part: np.ndarray, sample: int) -> Array:
        """Bring joints of undecided flank home from the known side, in small steps, without passing the target."""
        creeping = part & (way != 0)
        for _ in range(60):
            lacking = (target - self.hold(command, 0.16, sample).mean(axis=0)) * way
            past = creeping & (lacking < -2.0 * CREEP_TOLERANCE)
            if past.any():
                # Too far already: back by more than the play, then on again.
                command = command + np.where(past, way * (lacking - STOP_SHORT), 0.0)
                self.shift(command, 0.4, sample)
                continue
            going = creeping & (lacking > CREEP_TOLERANCE)
            if not going.any():
                break
            command = command + np.where(going, way * np.clip(0.5 * lacking, 0.08 * DEGREE, 0.8 * DEGREE), 0.0)
            self.shift(command, 0.1, sample)
        return command


def play(
    model: Model,
    motion: Motion,
    arms: Arms,
    mode: Mode,
    creeps: dict[int, Creep] | None = None,
    progress: Callable[[float], None] | None = None,
    on_frame: OnFrame | None = None,
    begin: Array | None = None,
    nudging: Nudging | None = None,
) -> Run:
    """Play a motion once and return what was seen.

    on_frame: called with every frame of the motion; begin (K,): the command that attached arms already have, as at
    the end of a run before, else they are attached where they are found; nudging: who moves TCPs onto their marks
    where arms have come to rest. Raises InputError if nothing is free between where they are and the start.
    """
    player = _Player(model, motion, arms, mode, progress, on_frame, begin, nudging)
    player.play(creeps or {})
    t, command, feedback, supply, current, step = (np.array(column) for column in zip(*player.log, strict=True))
    follows = ", ".join(f"{k:.2f}" for k in player.wire.fit.follows)
    return Run(
        routine=motion.routine.name,
        mode=mode,
        board=arms.name,
        started=datetime.datetime.now().astimezone().isoformat(timespec="seconds"),
        t=t,
        command=command,
        feedback=feedback,
        supply=supply,
        current=current,
        step=step,
        sample=np.array(player.samples, dtype=int),
        rests=tuple(player.rests),
        grips=tuple(player.grips),
        notes=(f"feedback follows the supply by: {follows}",),
    )
