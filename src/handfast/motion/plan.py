"""From a routine to motion: every sample of both arms, what they hold, and when each pose is reached."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field

import numpy as np

from handfast.bench.parts import SIDES, Gripper, Side
from handfast.geometry.rigid import Array, inverse, shift
from handfast.mechanics.inverse import solve
from handfast.mechanics.kinematics import tool_poses
from handfast.mechanics.model import Model
from handfast.mechanics.supply import arm_currents, electric_figures, servo_currents, voltages
from handfast.motion.carrying import interpolation_error
from handfast.motion.coordinated import (
    LAG_SHARE,
    Carried,
    Together,
    feedback_of,
    groups,
    lag_along,
    lag_cap,
    link_of,
    planned_error,
    work_out,
)
from handfast.motion.drawing import with_drawings
from handfast.motion.gripping import closing_gap
from handfast.motion.laid_down import DT, Arrival, Closing, Motion, Shortfall, Timing
from handfast.motion.passing import in_hand
from handfast.motion.timing import (
    BLEND,
    EFFORT,
    Demand,
    Path,
    PathTime,
    TimeLaw,
    demand_of,
    fastest,
    line_path,
    sampled,
    spline_path,
    unhurried,
)
from handfast.routine.steps import Routine, Step, Taught

SETTLE = 0.5
"""Rest before and after the hands change in a pass, s (common practice, no source)."""

REACHED = 1e-4
"""A place met this nearly, m, counts as reached: the general solver shares what is lacking in turn with the place."""

_STATIONS = 101
_MANY_STATIONS = 201


@dataclass
class _Track:
    """One arm's motion while it is being laid down."""

    side: Side
    q: Array
    gap: float
    thing: str | None = None
    load: float = 0.0
    load_offset: Array = field(default_factory=lambda: np.zeros(3))
    rows: list[tuple[Array, Array, Array]] = field(default_factory=list)
    extras: list[tuple[Array, Array, Array, np.ndarray]] = field(default_factory=list)
    count: int = 0

    def add(self, q: Array, qd: Array, qdd: Array, gap: Array, load: Array, step: int) -> None:
        """Lay down the samples that follow."""
        n = len(q)
        self.rows.append((q, qd, qdd))
        self.extras.append((gap, load, np.tile(self.load_offset, (n, 1)), np.full(n, step)))
        self.count += n
        self.q, self.gap, self.load = q[-1].copy(), float(gap[-1]), float(load[-1])

    def hold(self, samples: int, step: int) -> None:
        """Stand still."""
        if samples <= 0:
            return
        q = np.tile(self.q, (samples, 1))
        zero = np.zeros_like(q)
        self.add(q, zero, zero, np.full(samples, self.gap), np.full(samples, self.load), step)


Laws = dict[bytes, TimeLaw]
"""Time laws that were found before, by all that they depend on: plans that differ in little share most of them."""


def plan(model: Model, routine: Routine, effort: float = EFFORT, known: Laws | None = None) -> Motion:
    """The motion of a routine, as fast as `effort` of the torque-speed line allows times the maker's pace.

    `known`: laws of earlier plans, to take from and to add to. What cannot be reached or held is in the result
    (`shortfalls`, timings that are not possible); the motion then still runs through the nearest poses, so that
    every question can be asked of it.
    """
    return _Planner(model, with_drawings(model, routine), effort, {} if known is None else known).run()


class _Planner:
    def __init__(self, model: Model, routine: Routine, effort: float, known: Laws):
        self.model, self.routine, self.effort, self.known = model, routine, effort, known
        self.bench = model.bench
        self.electric = electric_figures(model)
        self.arrivals: list[Arrival] = []
        self.timings: list[Timing] = []
        self.shortfalls: list[Shortfall] = []
        self.over: dict[str, int] = {}
        self.groups = groups(routine)
        self.worked: dict[int, Together] = {}
        self.carries: list[Carried] = []
        self.closings: list[Closing] = []
        self.closed = 0
        self.tracks = {
            side: _Track(side, self._first_pose(side), self.bench.arm(side).gripper.opening[1]) for side in SIDES
        }

    # -- the whole -------------------------------------------------------------------------------------

    def run(self) -> Motion:
        for track in self.tracks.values():
            track.hold(1, 0)
        for number, step in enumerate(self.routine.steps):
            self._begin(step, number)
            getattr(self, f"_do_{step.do}")(step, number)
            if step.dwell > 0:
                for side in step.sides:
                    self.tracks[side].hold(_samples(step.dwell), number)
            self._meet(step.sides, number)
            self.over[step.name] = max(self.tracks[side].count for side in step.sides)
        self._meet(SIDES, len(self.routine.steps) - 1)
        parts = [[np.concatenate(c) for c in zip(*self.tracks[side].rows, strict=True)] for side in SIDES]
        more = [[np.concatenate(c) for c in zip(*self.tracks[side].extras, strict=True)] for side in SIDES]
        q, qd, qdd = (np.concatenate([parts[0][i], parts[1][i]], axis=1) for i in range(3))
        N = len(q)
        return Motion(
            routine=self.routine,
            t=DT * np.arange(N, dtype=np.float64),
            q=q,
            qd=qd,
            qdd=qdd,
            gaps=np.column_stack([more[0][0], more[1][0]]),
            loads=np.column_stack([more[0][1], more[1][1]]),
            load_offsets=np.stack([more[0][2], more[1][2]], axis=1),
            step=np.column_stack([more[0][3], more[1][3]]),
            arrivals=tuple(self.arrivals),
            timings=tuple(self.timings),
            shortfalls=tuple(self.shortfalls),
            carries=tuple(self.carries),
            closings=tuple(self.closings),
        )

    def _first_pose(self, side: Side) -> Array:
        """Where an arm stands before the routine: its first taught pose, else the middle of its travel."""
        for step in self.routine.steps:
            taught = step.taught(side)
            if taught is not None:
                if taught.path is not None:
                    return np.array((taught.path_command or taught.path)[0])
                return np.array(taught.target)
        return np.array([0.5 * (j.travel[0] + j.travel[1]) for j in self.bench.arm(side).joints])

    def _begin(self, step: Step, number: int) -> None:
        """Wait for the arms that take part, and for the step that must be over first."""
        self._meet(step.sides, number)
        if step.after is not None:
            for side in step.sides:
                track = self.tracks[side]
                track.hold(self.over[step.after] - track.count, max(number - 1, 0))

    def _meet(self, sides: tuple[Side, ...], number: int) -> None:
        latest = max(self.tracks[side].count for side in sides)
        for side in sides:
            self.tracks[side].hold(latest - self.tracks[side].count, number)

    # -- the steps -------------------------------------------------------------------------------------

    def _do_go(self, step: Step, number: int) -> None:
        goals = {side: self._closing(side, number, np.array(_taught(step, side).target)) for side in step.sides}
        self._go(step, number, goals, "way")
        for side in step.sides:
            self._arrive(number, side)

    def _closing(self, side: Side, number: int, target: Array) -> Array:
        """The target of a pose: where a carry's grips close, with the fingers turned as the carry needs them."""
        for k, group in enumerate(self.groups):
            if group.gripped and group.closing.get(side) == number:
                together = self._together_of(k)
                part = self.bench.columns(side)
                return np.asarray(together.closing[part] - together.off[part])
        return target

    def _do_wait(self, step: Step, number: int) -> None:
        for side in step.sides:
            self.tracks[side].hold(_samples(step.time or 0.0), number)

    def _do_grip(self, step: Step, number: int) -> None:
        """Hands that hold one thing bear it in equal parts: the one that has it already stands while another closes."""
        assert step.thing is not None
        have = [s for s in SIDES if s not in step.sides and self.tracks[s].thing == step.thing]
        if have:
            self._meet(SIDES, number)
        share = 1.0 / (len(step.sides) + len(have))
        for side in step.sides:
            self._close(side, step.thing, number, share)
        for side in have:
            self._meet((*step.sides, side), number)
            self.tracks[side].load = share * self.bench.thing(step.thing).mass

    def _do_release(self, step: Step, number: int) -> None:
        """What one hand lets go, the other bears alone, before the jaws open."""
        for side in step.sides:
            name = self.tracks[side].thing
            keeps = [s for s in SIDES if s not in step.sides and name is not None and self.tracks[s].thing == name]
            if name is not None and keeps:
                self._meet(SIDES, number)
                self.tracks[keeps[0]].load = self.bench.thing(name).mass
            self._open(side, step.gap, number)
            if keeps:
                self._meet(SIDES, number)

    def _do_stroke(self, step: Step, number: int) -> None:
        """A taught path, played at the taught speed times the pace, slower where the arms cannot follow."""
        for side in step.sides:
            taught = _taught(step, side)
            points = np.array(taught.path_command or taught.path)
            if np.abs(points[0] - self.tracks[side].q).max() > 1e-9:
                self._go(step, number, {side: points[0]}, "to the start")
        taught_time = 0.0
        paths = {}
        for side in step.sides:
            taught = _taught(step, side)
            assert taught.times is not None
            times = np.array(taught.times)
            taught_time = max(taught_time, times[-1] - times[0])
            where = (times - times[0]) / (times[-1] - times[0])
            paths[side] = spline_path(np.array(taught.path_command or taught.path), _MANY_STATIONS, where)
        start = self.tracks[step.sides[0]].count
        pace = step.pace * self.routine.about.pace
        law = self._move(step, number, paths, "stroke", cap=pace / taught_time, hurry=False)
        for side in step.sides:
            taught = _taught(step, side)
            assert taught.times is not None
            times = np.array(taught.times)
            where = (times - times[0]) / (times[-1] - times[0])
            rows = np.searchsorted(law.s, where - 1e-9).clip(0, len(law.s) - 1)
            self.arrivals += [Arrival(number, side, start + int(k), row) for row, k in enumerate(rows)]

    def _do_draw(self, step: Step, number: int) -> None:
        """The lines of a drawing, lifted in between: like a stroke, at the speed that the step allows."""
        for side in step.sides:
            missed = _taught(step, side).missed
            if missed is not None:
                self._note(Shortfall(number, side, "drawing", *missed))
        self._do_stroke(step, number)

    def _do_pass(self, step: Step, number: int) -> None:
        """Present, settle, enter open, close, both hold, giver opens, both draw back along their fingers."""
        assert step.giver is not None
        assert step.thing is not None
        giver: Side = "left" if step.giver == "left" else "right"
        taker: Side = "right" if giver == "left" else "left"
        meeting = {side: np.array(_taught(step, side).target) for side in SIDES}
        before = self._drawn_back(taker, meeting[taker], step.approach, number, "approach")
        self._open(taker, None, number, quick=True)
        self._go(step, number, {giver: meeting[giver], taker: before[-1]}, "present")
        self._rest(SETTLE, number)
        self._along(step, number, taker, before[::-1], "enter")
        self._arrive(number, giver)
        self._arrive(number, taker)
        self._close(taker, step.thing, number, 0.5, self._handed(step, number, giver, taker))
        self.tracks[giver].load = self.tracks[taker].load
        self._meet(SIDES, number)
        self._rest(SETTLE, number)
        thing = self.bench.thing(step.thing)
        self.tracks[taker].load = thing.mass
        self._open(giver, None, number)
        self._meet(SIDES, number)
        self._along(
            step,
            number,
            giver,
            self._drawn_back(giver, meeting[giver], step.approach, number, "retreat"),
            "retreat",
        )

    def _handed(self, step: Step, number: int, giver: Side, taker: Side) -> Array:
        """Where the middle of a thing is in the taker's hand (3,), m, as it hangs in the giver's at the meeting."""
        X_WT = [
            tool_poses(self.model.chain.only(SIDES.index(side)), np.array(_taught(step, side).pose))[0, 0]
            for side in (giver, taker)
        ]
        X_TO = inverse(X_WT[1]) @ X_WT[0] @ in_hand(self.model, self.routine, number)
        return np.asarray(X_TO[:3, 3])

    def _do_carry(self, step: Step, number: int) -> None:
        """Both arms keep their places on the thing while it follows its path."""
        k = next(k for k, group in enumerate(self.groups) if number in group.carries)
        together, group = self._together_of(k), self.groups[k]
        index = group.carries.index(number)
        leg = together.legs[index]
        if index == 0:
            self.closed = self.tracks["left"].count - 1
        for arm, side in enumerate(SIDES):
            self._note(Shortfall(number, side, "carry", leg.short[arm], leg.beyond[arm]))
        loads = np.array([self.tracks[s].load for s in SIDES])
        offsets = np.array([self.tracks[s].load_offset for s in SIDES])
        start = np.concatenate([self.tracks[s].q for s in SIDES])
        q = feedback_of(self.model, leg.q, leg.q[0] - start, leg.off, loads, offsets)
        paths = {side: spline_path(q[:, self.bench.columns(side)], _MANY_STATIONS) for side in SIDES}
        path = self._together(paths)
        allowed = LAG_SHARE * self.routine.tolerance_of(number)
        cap = lag_cap(self.model, path.q, path.slope, allowed, lag_along(self.model, path.q, loads, offsets))
        first = self.tracks["left"].count
        law = self._move(step, number, paths, "carry", cap=cap)
        last = self.tracks["left"].count - 1
        self.carries.append(
            Carried(
                step=number,
                closed=self.closed,
                first=first,
                last=last,
                keep=step.keep,
                error=self._kept_to(together, index, law.s),
                twist=leg.twist,
                turned=together.turned,
                joint_error=interpolation_error(self.model.chain, leg.q[0], leg.q[-1]),
                disagree=(float(leg.disagree[0]), float(leg.disagree[1]), float(leg.disagree[2])),
                judged=group.gripped and step.keep in ("pose", "taught"),
            )
        )
        for side in SIDES:
            if step.taught(side) is not None:
                self._arrive(number, side)

    def _kept_to(self, together: Together, index: int, s: Array) -> float:
        """Largest change of the links' relative position along a leg at path coordinates s, from what it shall be."""
        leg = together.legs[index]
        points = spline_path(leg.q, _MANY_STATIONS).at(s)[0]
        return planned_error(self.model, points, s, leg.keep)

    def _together_of(self, k: int) -> Together:
        """Group number k of the carries, worked out when it is first needed."""
        if k not in self.worked:
            group, bench = self.groups[k], self.bench
            first = self.routine.steps[group.carries[0]]
            mass = bench.thing(first.thing).mass if first.thing is not None and group.gripped else 0.0
            loads, offsets = np.full(2, mass / 2.0), np.zeros((2, 3))
            if group.closing:
                pairs = [
                    link_of(self.model, _taught(self.routine.steps[group.closing[s]], s), s, 0.0 * loads, offsets)
                    for s in SIDES
                ]
                start, off = (np.concatenate([pair[i] for pair in pairs]) for i in range(2))
            else:
                start = np.concatenate([self.tracks[s].q for s in SIDES])
                off = np.zeros_like(start)
            self.worked[k] = work_out(self.model, self.routine, group, start, off, loads, offsets)
        return self.worked[k]

    # -- parts of steps --------------------------------------------------------------------------------

    def _arrive(self, number: int, side: Side) -> None:
        self.arrivals.append(Arrival(number, side, self.tracks[side].count - 1))

    def _rest(self, seconds: float, number: int) -> None:
        for side in SIDES:
            self.tracks[side].hold(_samples(seconds), number)

    def _go(self, step: Step, number: int, goals: dict[Side, Array], part: str) -> None:
        moving = {s: g for s, g in goals.items() if np.abs(g - self.tracks[s].q).max() > 1e-9}
        if moving:
            paths = {s: line_path(self.tracks[s].q, g, _STATIONS) for s, g in moving.items()}
            self._move(step, number, paths, part)

    def _along(self, step: Step, number: int, side: Side, points: Array, part: str) -> None:
        """Follow joint points that lie along a straight line of the TCP; the other arm stands by."""
        if len(points) > 1 and np.abs(points[-1] - points[0]).max() > 1e-9:
            points = np.concatenate([self.tracks[side].q[None], points[1:]])
            self._move(step, number, {side: spline_path(points, _STATIONS)}, part)
        self._meet(SIDES, number)

    def _drawn_back(self, side: Side, q: Array, distance: float, number: int, part: str) -> Array:
        """Joint points from q straight back along the fingers by `distance` m."""
        arm = SIDES.index(side)
        one = self.model.chain.only(arm)
        X_WT = tool_poses(one, q)[0, 0]
        points, near = [q], q
        worst = Shortfall(number, side, part, 0.0, -1.0)
        for back in np.linspace(0.0, distance, 9)[1:]:
            solution = solve(one, X_WT @ shift(np.array([0.0, 0.0, -back])), near)
            near = solution.q[0]
            points.append(near)
            worst = Shortfall(
                number, side, part, max(worst.short, solution.short[0]), max(worst.beyond, solution.beyond[0])
            )
        self._note(worst)
        return np.array(points)

    def _note(self, shortfall: Shortfall) -> None:
        if shortfall.short > REACHED or shortfall.beyond > 1e-9:
            self.shortfalls.append(shortfall)

    def _move(
        self,
        step: Step,
        number: int,
        paths: dict[Side, Path],
        part: str,
        cap: Array | float = np.inf,
        hurry: bool = True,
    ) -> PathTime:
        """Lay down one synchronised motion of one or both arms along paths of one path coordinate."""
        sides: tuple[Side, ...] = tuple(s for s in SIDES if s in paths)
        together = self._together(paths)
        loads = np.array([self.tracks[s].load for s in SIDES])
        offsets = np.array([self.tracks[s].load_offset for s in SIDES])
        demand = demand_of(self.model, together, loads, offsets)
        shortest = self._law(together, demand, sides, 1.0, np.inf)
        law = self._law(together, demand, sides, self.effort, cap) if shortest.possible else shortest
        if not law.possible:
            law = self._law(together, demand, sides, 1.0, cap)
        possible = law.possible
        if not possible:
            law = unhurried(together, 4.0 * max(0.5, float(np.abs(np.diff(together.q, axis=0)).sum(axis=0).max())))
        pace = step.pace * self.routine.about.pace if hurry else 1.0
        stretch = 1.0 / pace
        if step.time is not None and step.do != "wait":
            stretch = max(step.time - DT - BLEND, 1e-3) / law.duration if law.duration > 0 else 1.0
        timed = sampled(law, DT, stretch)
        self.timings.append(
            Timing(
                number,
                sides,
                part,
                self.tracks[sides[0]].count * DT,
                law.duration * stretch,
                shortest.duration if shortest.possible else float("inf"),
                possible,
            )
        )
        q, d, bend = together.at(timed.s)
        qd = d * timed.sd[:, None]
        qdd = d * timed.sdd[:, None] + bend * timed.sd[:, None] ** 2
        for side in sides:
            part_ = self.bench.columns(side)
            track = self.tracks[side]
            n = len(timed.t)
            track.add(q[:, part_], qd[:, part_], qdd[:, part_], np.full(n, track.gap), np.full(n, track.load), number)
        return timed

    def _together(self, paths: dict[Side, Path]) -> Path:
        """Paths of some arms as one path of all joints; an arm without one stands still."""
        still = {side: self.tracks[side].q.copy() for side in SIDES if side not in paths}

        def at(s: Array) -> tuple[Array, Array, Array]:
            parts = []
            for side in SIDES:
                if side in paths:
                    parts.append(paths[side].at(s))
                else:
                    q = np.tile(still[side], (len(s), 1))
                    parts.append((q, np.zeros_like(q), np.zeros_like(q)))
            q, d, bend = (np.concatenate([parts[0][i], parts[1][i]], axis=1) for i in range(3))
            return q, d, bend

        return Path(at, max(path.stations for path in paths.values()))

    def _law(self, path: Path, demand: Demand, sides: tuple[Side, ...], effort: float, cap: Array | float) -> TimeLaw:
        """The fastest law at the voltage that the servos get while they follow it: a short fixed point."""
        figures = hashlib.blake2b(repr((sides, effort)).encode(), digest_size=16)
        parts = (np.asarray(cap, dtype=float), demand.a, demand.b, demand.c, demand.rub, path.slope)
        for array in (*parts, self.electric):
            figures.update(array.tobytes())
        key = figures.digest()
        if key not in self.known:
            self.known[key] = self._found_law(path, demand, sides, effort, cap)
        return self.known[key]

    def _found_law(
        self, path: Path, demand: Demand, sides: tuple[Side, ...], effort: float, cap: Array | float
    ) -> TimeLaw:
        model = self.model
        part = slice(None) if len(sides) == 2 else self.bench.columns(sides[0])
        voltage = np.full(model.chain.joints, self.bench.supply.voltage)
        law = TimeLaw(np.zeros(1), np.zeros(1), False)
        for _ in range(3):
            k = voltage / model.rated_voltage
            law = fastest(path, demand, effort * k * model.stall, k * model.free_speed, cap, part)
            if not law.possible:
                return law
            u = np.gradient(law.x, path.ds) / 2.0
            tau = demand.a * u[:, None] + demand.b * law.x[:, None] + demand.c
            currents = arm_currents(model, servo_currents(model, tau, path.slope * np.sqrt(law.x)[:, None]))
            lowest = voltages(self.bench, currents).min(axis=0)
            new = np.concatenate([np.full(len(self.bench.arm(s).joints), lowest[i]) for i, s in enumerate(SIDES)])
            done = bool(np.abs(new - voltage).max() < 0.02 * self.bench.supply.voltage)
            voltage = np.maximum(new, 0.3 * self.bench.supply.voltage)
            if done:
                break
        return law

    # -- jaws ------------------------------------------------------------------------------------------

    def _close(self, side: Side, thing_name: str, number: int, share: float, place: Array | None = None) -> None:
        """Close on a thing whose middle is at `place` (3,) m in the tool's axes, else below where it is gripped."""
        track = self.tracks[side]
        thing = self.bench.thing(thing_name)
        gripper = self.bench.arm(side).gripper
        n = _samples(_jaw_time(self.bench.servo_of(gripper).no_load_speed, gripper, abs(track.gap - thing.grip_width)))
        X_WT = tool_poses(self.model.chain.only(SIDES.index(side)), track.q)[0, 0]
        R_LT = self.model.chain.tool_turns[SIDES.index(side)]
        if place is None:
            place = X_WT[:3, :3].T @ np.array([0.0, 0.0, -thing.grip_height])
        track.load_offset, track.thing = R_LT @ place, thing_name
        goal = closing_gap(self.bench, gripper, thing)
        self.closings.append(
            Closing(number, side, thing_name, track.count, track.count + n - 1, track.gap, goal, thing.grip_width)
        )
        gap = np.linspace(track.gap, goal, n)
        load = np.linspace(track.load, share * thing.mass, n)
        q = np.tile(track.q, (n, 1))
        track.add(q, np.zeros_like(q), np.zeros_like(q), gap, load, number)

    def _open(self, side: Side, gap: float | None, number: int, quick: bool = False) -> None:
        track = self.tracks[side]
        gripper = self.bench.arm(side).gripper
        goal = gripper.opening[1] if gap is None else gap
        if quick and abs(track.gap - goal) < 1e-9:
            return
        n = _samples(_jaw_time(self.bench.servo_of(gripper).no_load_speed, gripper, abs(track.gap - goal)))
        gaps = np.linspace(track.gap, goal, n)
        load = np.linspace(track.load, 0.0, n)
        track.thing = None
        q = np.tile(track.q, (n, 1))
        track.add(q, np.zeros_like(q), np.zeros_like(q), gaps, load, number)


def _taught(step: Step, side: Side) -> Taught:
    taught = step.taught(side)
    assert taught is not None
    return taught


def _samples(seconds: float) -> int:
    return max(0, round(seconds / DT))


def _jaw_time(speed: float, gripper: Gripper, gap: float) -> float:
    """Time to change the gap, at half the free speed of the servo, and 0.2 s to build up or lose force."""
    per_gap = abs(gripper.angle_open - gripper.angle_shut) / (gripper.opening[1] - gripper.opening[0])
    return gap * per_gap / (0.5 * speed) + 0.2


__all__ = ["DT", "Arrival", "Closing", "Laws", "Motion", "Shortfall", "Timing", "plan"]
