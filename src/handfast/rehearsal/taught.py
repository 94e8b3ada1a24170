"""Where the hands really were when a routine was taught, on the very arms of the twin.

A recording shows feedback. A hand drives the link, which drags the limp servo behind it through play and
springiness; let go, the arm sags until its gears hold it, which the twin itself works out. On other arms of the same
design the same places are taught again: their feedback shows other angles.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from handfast.bench.lines import angle_of, counts_of
from handfast.bench.parts import SIDES, Bench, Side
from handfast.geometry.rigid import Array
from handfast.mechanics.inverse import solve
from handfast.mechanics.kinematics import tool_poses
from handfast.motion.drawing import held_thing, tip_drop, tip_path, traced, without_drawings
from handfast.rehearsal.scene import Scene
from handfast.rehearsal.twin import Twin
from handfast.routine.steps import Routine, Step, Taught
from handfast.standins.truth import Truth
from handfast.units import DEGREE

LET_GO_MS = 700
"""Time in which an arm that was let go comes to rest, ms."""

CLEAR_TURN = 0.15 * DEGREE
"""A turn of the feedback that shows which way a hand is leading, rad."""

SMOOTH_ROWS = 5


@dataclass(frozen=True)
class TaughtLinks:
    """Link angles (rows, joints) of each taught pose or path, by step and side, and the poses X_WT (rows, 4, 4).

    Of a drawing these are its whole path, as it follows from where its corner was taught; corners: X_WT (4, 4) there.
    """

    links: dict[tuple[int, Side], Array]
    tools: dict[tuple[int, Side], Array]
    corners: dict[tuple[int, Side], Array] = field(default_factory=dict)


def _lead(truth: Truth, columns: slice) -> Array:
    """How far a hand-led link leads its shaft, rad: half the play and the windup of the limp gears."""
    return np.asarray(truth.unseen_play[columns] / 2.0 + truth.compliance[columns] * truth.gear_friction[columns])


def shown(bench: Bench, truth: Truth, columns: slice, shaft: Array) -> Array:
    """What a board reads of some limp joints at shaft angles (..., joints), rad, by the lines of the bench.

    Potentiometers are bent and offset; they follow the supply, which limp servos load with their idle current; and a
    converter counts whole steps that were passed, half a step too little on average.
    """
    span, phase = truth.bow_span[columns], truth.bow_phase[columns]
    wave = np.sin(2.0 * np.pi * shaft / span + phase)
    angle = shaft - truth.offset[columns] + truth.bow[columns] * wave
    arm = next(n for n, side in enumerate(SIDES) if bench.columns(side) == columns)
    joints = bench.arm(SIDES[arm]).joints
    follows = truth.follows_supply[columns] * (_limp_supply(bench, truth)[arm] / truth.supply_voltage - 1.0)
    counts = np.stack([counts_of(joint, angle[..., k]) for k, joint in enumerate(joints)], axis=-1)
    counts = counts * (1.0 + follows) - 0.5
    return np.stack([angle_of(joint, counts[..., k]) for k, joint in enumerate(joints)], axis=-1)


def _limp_supply(bench: Bench, truth: Truth) -> Array:
    """Voltage (2,) V at the servos of each arm while all of them are limp."""
    K = truth.joints
    first = [bench.columns(side).start for side in SIDES]
    owner = np.array([int(i >= first[1]) for i in range(K)] + [0, 1])
    idle = np.array([truth.idle_current[owner == arm].sum() for arm in range(2)])
    return np.asarray(truth.supply_voltage - truth.supply_resistance * idle.sum() - truth.lead_resistance * idle)


def shaft_for(bench: Bench, truth: Truth, columns: slice, reading: Array) -> Array:
    """Shaft angles at which a board reads `reading`: the inverse of `shown`, by repetition."""
    shaft = reading + truth.offset[columns]
    for _ in range(30):
        shaft = shaft + (reading - shown(bench, truth, columns, shaft))
    return np.asarray(shaft)


def _ways(path: Array, first: Array) -> Array:
    """Way (rows, joints) in which a hand leads along a feedback path, softly changed at turning points."""
    way = np.zeros_like(path)
    last, anchor = first.copy(), path[0].copy()
    for n in range(len(path)):
        turned = path[n] - anchor
        clear = np.abs(turned) > CLEAR_TURN
        last = np.where(clear, np.sign(turned), last)
        anchor = np.where(clear | (np.sign(turned) == last), path[n], anchor)
        way[n] = last
    padded = np.pad(way, ((SMOOTH_ROWS, SMOOTH_ROWS), (0, 0)), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * SMOOTH_ROWS + 1, axis=0)
    return np.asarray(windows.mean(axis=2))


def taught_here(bench: Bench, truth: Truth, routine: Routine) -> TaughtLinks:
    """Where links were while a routine was taught, if its recording was taken on these very arms."""
    limp = _Limp(bench, truth)
    links: dict[tuple[int, Side], Array] = {}
    corners: dict[tuple[int, Side], Array] = {}
    for number, step, side, said in _said(without_drawings(routine)):
        columns = bench.columns(side)
        arrived = _arrived(said, columns)
        if said.path is not None:
            shaft = shaft_for(bench, truth, columns, np.array(said.path))
            links[number, side] = shaft + _ways(shaft, arrived) * _lead(truth, columns)
            continue
        shaft = shaft_for(bench, truth, columns, np.array(said.pose))
        link = shaft + arrived * _lead(truth, columns)
        if said.held == "let go":
            link = link + limp.sag(side, link, shaft, arrived, _mass(bench, routine, number, side))
        links[number, side] = link[None]
        if step.do == "draw":
            corners[number, side], links[number, side] = _drawing(bench, truth, routine, number, side, link)
    return TaughtLinks(links, _tools(bench, truth, links), corners)


def _drawing(bench: Bench, truth: Truth, routine: Routine, number: int, side: Side, link: Array) -> tuple[Array, Array]:
    """Where the TCP was at a drawing's corner, and the links' path (rows, joints) that draws it from there."""
    one = truth.chain.only(SIDES.index(side))
    _, points, _ = tip_path(routine.steps[number])
    path, _, _ = traced(one, link, points, tip_drop(bench, held_thing(routine, number, side)))
    return tool_poses(one, link)[0, 0], path


def taught_again(bench: Bench, truth: Truth, routine: Routine, places: TaughtLinks) -> tuple[Routine, TaughtLinks]:
    """The routine as it would have been taught on other arms: TCPs led to the same places, other angles read."""
    limp = _Limp(bench, truth)
    steps = list(without_drawings(routine).steps)
    corners: dict[tuple[int, Side], Array] = {}
    links: dict[tuple[int, Side], Array] = {}
    for number, step, side, said in _said(without_drawings(routine)):
        columns, arm = bench.columns(side), SIDES.index(side)
        one = truth.chain.only(arm)
        near = places.links[number, side][0]
        rows = []
        drawn = step.do == "draw"
        for X_WT in places.corners[number, side][None] if drawn else places.tools[number, side]:
            near = solve(one, X_WT, near).q[0]
            near = np.clip(near, one.travel[:, 0], one.travel[:, 1])
            rows.append(near)
        link = np.array(rows)
        arrived, lead = _arrived(said, columns), _lead(truth, columns)
        if said.path is not None:
            shaft = np.empty_like(link)
            at = link[0] - arrived * lead
            for n in range(len(link)):
                at = np.clip(at, link[n] - lead, link[n] + lead)
                shaft[n] = at
            reading = shown(bench, truth, columns, shaft)
            said = replace(said, path=tuple(tuple(float(x) for x in row) for row in reading), path_command=None)
        else:
            shaft = link[0] - arrived * lead
            if said.held == "let go":
                mass = _mass(bench, routine, number, side)
                moved = limp.sag(side, link[0], shaft, arrived, mass, keep_shaft=False)
                link, shaft = (link[0] + moved)[None], limp.shaft
            said = replace(said, pose=tuple(float(x) for x in shown(bench, truth, columns, shaft)), command=None)
        links[number, side] = link
        if drawn:
            corners[number, side], links[number, side] = _drawing(bench, truth, routine, number, side, link[0])
        steps[number] = steps[number].with_taught(side, said)
    return replace(routine, steps=tuple(steps)), TaughtLinks(links, _tools(bench, truth, links), corners)


def _said(routine: Routine) -> list[tuple[int, Step, Side, Taught]]:
    found: list[tuple[int, Step, Side, Taught]] = []
    for number, step in enumerate(routine.steps):
        for side in step.sides:
            said = step.taught(side)
            if said is not None and (said.pose is not None or said.path is not None):
                found.append((number, step, side, said))
    return found


def _arrived(said: Taught, columns: slice) -> Array:
    signs = said.arrivals
    return np.zeros(columns.stop - columns.start) if signs is None else np.sign(np.array(signs, dtype=float))


def _mass(bench: Bench, routine: Routine, number: int, side: Side) -> float:
    """What the hand of an arm holds while step `number` is taught, kg."""
    mass = 0.0
    for step in routine.steps[:number]:
        if step.do == "grip" and side in step.sides and step.thing is not None:
            mass = bench.thing(step.thing).mass / len(step.sides)
        elif step.do == "release" and side in step.sides:
            mass = 0.0
        elif step.do == "pass" and step.thing is not None:
            mass = 0.0 if step.giver == side else bench.thing(step.thing).mass
    return mass


def _tools(bench: Bench, truth: Truth, links: dict[tuple[int, Side], Array]) -> dict[tuple[int, Side], Array]:
    return {
        (number, side): tool_poses(truth.chain.only(SIDES.index(side)), q)[:, 0] for (number, side), q in links.items()
    }


class _Limp:
    """Limp arms that are let go: a twin without things."""

    def __init__(self, bench: Bench, truth: Truth):
        self._bench, self._truth = bench, truth
        self._twin: Twin | None = None
        self.shaft = np.zeros(0)

    def sag(self, side: Side, link: Array, shaft: Array, arrived: Array, mass: float, keep_shaft: bool = True) -> Array:
        """How far links (joints,) move against their shafts when the hand lets go, rad.

        keep_shaft: the shafts stand where the feedback was read after letting go; else the whole motion counts
        and `shaft` says where they came to rest.
        """
        truth, columns = self._truth, self._bench.columns(side)
        if self._twin is None:
            self._twin = Twin(self._bench, truth, Scene(), 0, np.zeros(truth.joints), watched=False)
        twin = self._twin
        q, s, m = (np.zeros(truth.joints) for _ in range(3))
        q[columns], s[columns] = link, shaft
        m[columns] = shaft - arrived * truth.seen_play[columns] / 2.0
        twin.set_joints(q, s, m)
        twin.push_tcp(SIDES.index(side), mass * truth.chain.gravity)
        twin.run(np.zeros((LET_GO_MS, self._bench.controller.channels)))
        twin.push_tcp(SIDES.index(side), np.zeros(3))
        after, self.shaft = twin.link_angles()[columns], twin.shaft_angles()[columns]
        if keep_shaft:
            return np.asarray((after - self.shaft) - (link - shaft))
        return np.asarray(after - link)
