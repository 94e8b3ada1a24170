"""The search for base positions and yaws with the best worst room over all poses of the routines.

The places of the hands stay where they are in the world; only the bases move. Each arm by itself decides how near its
joints come to their stops, so each is searched alone over the table, every branch and every yaw; then the best places
of both are paired, with the bodies kept apart, and the best pairs are moved about in ever smaller steps.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from itertools import product

import numpy as np

from handfast.answers.judging import limits_of
from handfast.bench.parts import SIDES, Bench, Side
from handfast.geometry.rigid import Array, inverse, pose, yaw_pose
from handfast.mechanics.clearance import clearances
from handfast.mechanics.inverse import arrangement_of, solve
from handfast.mechanics.kinematics import tool_poses
from handfast.mechanics.model import Chain, Model, model_of
from handfast.routine.steps import Routine
from handfast.units import DEGREE

ROWS_OF_STROKE = 12
"""So many rows of a taught path are looked at."""

FINEST = 1e-3
"""The search ends where a step is smaller than this, m."""

TOUCHING = 5e-3
"""Hands that hold one thing are as near as they were taught; such pairs count only where they come nearer still, m."""


@dataclass(frozen=True)
class Task:
    """What the hands are to reach: tool poses of each arm (N, 4, 4), and which of them happen at once.

    together (M, 2): indices of one pose of each arm; least (M, pairs) m: clearance that is as good as enough there,
    because the hands are that near to each other on purpose.
    """

    poses: tuple[Array, Array]
    near: tuple[Array, Array]
    together: np.ndarray


@dataclass(frozen=True)
class Placement:
    """Both bases: x, y m and yaw rad each (2, 3); its rooms by question, and the least of them."""

    at: Array
    reach: float
    clear: float

    @property
    def room(self) -> float:
        """The worst of both."""
        return min(self.reach, self.clear)


def task_of(model: Model, routines: list[Routine]) -> Task:
    """The poses of routines, where they are on the bench as it stands."""
    chain = model.chain
    angles: tuple[list[Array], list[Array]] = ([], [])
    together = []
    for routine in routines:
        for step in routine.steps:
            index: list[int | None] = [None, None]
            for arm, side in enumerate(SIDES):
                said = step.taught(side)
                if said is None:
                    continue
                if said.pose is not None:
                    index[arm] = len(angles[arm])
                    angles[arm].append(np.array(said.pose))
                elif said.path is not None:
                    rows = np.array(said.path)
                    angles[arm].extend(rows[np.linspace(0, len(rows) - 1, ROWS_OF_STROKE).astype(int)])
            if index[0] is not None and index[1] is not None:
                together.append((index[0], index[1]))
    found = []
    for arm in range(2):
        q = np.array(angles[arm]).reshape(-1, chain.only(arm).joints)
        found.append((tool_poses(chain.only(arm), q)[:, 0] if len(q) else np.empty((0, 4, 4)), q))
    return Task((found[0][0], found[1][0]), (found[0][1], found[1][1]), np.array(together, dtype=int).reshape(-1, 2))


def task_of_thing(model: Model) -> Task:
    """Without a routine: both hands reach down to the middle of the table and around it, and meet above it."""
    bases = [np.array(model.bench.arm(side).base) for side in SIDES]
    middle = 0.5 * (bases[0] + bases[1])
    poses = []
    for arm in range(2):
        line = (middle - bases[arm]) * np.array([1.0, 1.0, 0.0])
        line = line / max(float(np.linalg.norm(line)), 1e-9)
        side = np.array([-line[1], line[0], 0.0])
        own = []
        for along, across, lean in product((-0.09, -0.05), (-0.05, 0.0, 0.05), (20.0,)):
            z = np.sin(lean * DEGREE) * line - np.array([0.0, 0.0, np.cos(lean * DEGREE)])
            R = np.column_stack([np.cross(side, z), side, z])
            own.append(pose(R, middle + along * line + across * side + np.array([0.0, 0.0, 0.05])))
        R = np.column_stack([np.cross(side, line), side, line])
        own.append(pose(R, middle - 0.01 * line + np.array([0.0, 0.0, 0.15])))
        poses.append(np.array(own))
    near = tuple(np.tile(model.chain.only(a).travel.mean(axis=1), (len(poses[a]), 1)) for a in range(2))
    return Task((poses[0], poses[1]), (near[0], near[1]), np.empty((0, 2), dtype=int))


class Search:
    """A bench and its task, ready to judge placements."""

    def __init__(self, bench: Bench, routines: list[Routine], fixed: tuple[Side, ...] = ()):
        self.bench, self.model, self.fixed = bench, model_of(bench), fixed
        self.task = task_of(self.model, routines) if routines else task_of_thing(self.model)
        self.limits = {name: limits_of(bench, name) for name in ("reach", "clear")}
        self.heights = [bench.arm(side).base[2] for side in SIDES]
        self.start = np.array([(*bench.arm(side).base[:2], bench.arm(side).yaw) for side in SIDES])
        margins = [bench.arm(side).joints[0].capsule_radius for side in SIDES]
        top = bench.table_top
        self.low = np.array([[top.low[0] + m, top.low[1] + m] for m in margins])
        self.high = np.array([[top.high[0] - m, top.high[1] - m] for m in margins])
        self._least = self._as_taught()
        left = len(bench.arms.left.joints) + 1
        kind, a, b = self.model.bodies.pairs.T
        self._own = (kind == 0) & ((a < left) == (b < left))

    # -- judging ---------------------------------------------------------------------------------------------

    def angles(self, arm: int, place: Array) -> tuple[Array, float]:
        """Joint angles (N, k) of one arm's poses from a base at `place` (x, y, yaw), and its reach room."""
        X = self.task.poses[arm]
        if not len(X):
            return np.empty((0, self.model.chain.only(arm).joints)), np.inf
        # A base that is moved is the same as places that are moved the other way: the arm's own figures stay.
        chain = self.model.chain.only(arm)
        here = yaw_pose(np.array([place[0], place[1], self.heights[arm]]), float(place[2]))
        near = self.task.near[arm] if arrangement_of(chain) is None else None
        found = solve(chain, chain.bases[0] @ inverse(here) @ X, near)
        length = self.model.reach[arm]
        # Out of reach counts as its angle at the arm, as the question does.
        margin = np.where(found.short > 1e-4, -found.short / length, -found.beyond)
        return found.q, self.room("reach", float(margin.min()) / DEGREE)

    def room(self, question: str, margin: float) -> float:
        """A margin in the question's unit on its scale."""
        limit, enough = self.limits[question]
        return (margin - limit) / (enough - limit)

    def _as_taught(self) -> Array:
        """Clearances (M + others, pairs) of the poses as they were taught: what is nearer on purpose stays allowed."""
        q = self._both([self.task.near[0], self.task.near[1]])
        return (
            clearances(self.model.chain, self.model.bodies, q)
            if len(q)
            else np.empty((0, len(self.model.bodies.pairs)))
        )

    def _both(self, q: list[Array]) -> Array:
        """Joint angles (L, K) of moments to keep clear: poses that happen at once, and each other pose by itself."""
        chain = self.model.chain
        pairs = self.task.together
        rows = np.empty((len(pairs), chain.joints))
        for arm in range(2):
            rows[:, chain.columns(arm)] = q[arm][pairs[:, arm]] if len(pairs) else np.empty((0, q[arm].shape[1]))
        return rows

    def judged(self, at: Array) -> Placement:
        """The rooms of a placement (2, 3)."""
        solved = [self.angles(arm, at[arm]) for arm in range(2)]
        reach = min(solved[0][1], solved[1][1])
        return Placement(at, reach, self.clear(at, [solved[0][0], solved[1][0]]))

    def clear(self, at: Array, q: list[Array]) -> float:
        """Clear room of a placement whose poses are reached with angles q."""
        chain = self.model.chain
        bases = [yaw_pose(np.array([*at[a][:2], self.heights[a]]), float(at[a][2])) for a in range(2)]
        moved = chain.moved(np.array(bases))
        rows = self._both(q)
        resting = chain.travel.mean(axis=1)[None]
        ground = 1e3 * float(_between_bases(self.bench, at))
        if not len(rows):
            return self.room("clear", min(ground, 1e3 * float(self._bases_only(moved, resting))))
        gaps = clearances(moved, self.model.bodies, rows)
        # What the taught poses hold nearer than enough is as it shall be: only what gets nearer still counts.
        allowed = self._least < self.limits["clear"][1] * 1e-3
        gaps = np.where(allowed & (gaps >= self._least - TOUCHING), np.inf, gaps)
        # Links of one arm are no nearer for where it stands than its own fold makes them: enough is enough.
        gaps = np.where(self._own & (gaps >= self.limits["clear"][1] * 1e-3), np.inf, gaps)
        return self.room("clear", min(ground, 1e3 * float(gaps.min())))

    def _bases_only(self, chain: Chain, q: Array) -> float:
        gaps = clearances(chain, self.model.bodies, q)[0]
        bodies = self.model.bodies
        firsts = {0, len(self.bench.arms.left.joints) + 1}
        chosen = [
            k
            for k, (kind, a, b) in enumerate(bodies.pairs)
            if a in firsts and (kind == 2 or (kind == 0 and b in firsts))
        ]
        return float(gaps[chosen].min()) if chosen else np.inf

    # -- searching -------------------------------------------------------------------------------------------

    def alone(self, arm: int, step: float, yaws: int, most: int) -> list[tuple[float, Array, Array]]:
        """The best places of one arm over the table on a grid, best first: room, place, angles. With its own start."""
        found = [(self.angles(arm, self.start[arm])[1], self.start[arm])]
        if SIDES[arm] not in self.fixed and len(self.task.poses[arm]):
            xs, ys = (np.arange(self.low[arm, i], self.high[arm, i] + 1e-9, step) for i in range(2))
            reach = 1.05 * (
                self.model.reach[arm] + float(np.linalg.norm(self.model.chain.only(arm).offsets[:2].sum(axis=0)))
            )
            p = self.task.poses[arm][:, :2, 3]
            for x, y in product(xs, ys):
                away = np.hypot(*(p - [x, y]).T)
                if away.max() > reach:
                    continue
                toward = np.arctan2(*(p.mean(axis=0) - [x, y])[::-1])
                for turn in np.linspace(-0.6 * np.pi, 0.6 * np.pi, yaws):
                    place = np.array([x, y, toward + turn])
                    found.append((self.angles(arm, place)[1], place))
        found.sort(key=lambda entry: -entry[0])
        kept = found[:most]
        if not any(np.array_equal(place, self.start[arm]) for _, place in kept):
            kept.append((self.angles(arm, self.start[arm])[1], self.start[arm]))
        return [(room, place, self.angles(arm, place)[0]) for room, place in kept]

    def run(self, most: int = 5) -> list[Placement]:
        """Ranked placements, best first, apart from each other; the start is never better than the first."""
        quick = all(arrangement_of(self.model.chain.only(a)) is not None for a in range(2))
        step, yaws, keep = (0.03, 7, 40) if quick else (0.09, 6, 16)
        sides = [self.alone(arm, step, yaws, keep) for arm in range(2)]
        pairs: list[Placement] = []
        for (room0, place0, q0), (room1, place1, q1) in product(*sides):
            if min(room0, room1) < -50 and len(pairs) > 200:
                continue
            at = np.array([place0, place1])
            pairs.append(Placement(at, min(room0, room1), self.clear(at, [q0, q1])))
        start = self.judged(self.start)
        ranked = sorted(pairs, key=lambda p: -p.room)
        seeds = [start, *_apart(ranked, 0.05)[: most + 1]]
        better = [self.turned_back(self.refined(seed)) for seed in seeds]
        better.sort(key=lambda p: -p.room)
        return _apart(better, 0.02)[:most]

    def refined(self, placement: Placement) -> Placement:
        """Moved about in ever smaller steps, one base at a time, while that gives more room (a pattern search)."""
        best, size = placement, 0.02
        free = [arm for arm in range(2) if SIDES[arm] not in self.fixed]
        ways = [np.array(w) for w in product((-1.0, 0.0, 1.0), repeat=3) if sum(map(abs, w)) in (1, 2)]
        while size > FINEST:
            gained = False
            for arm, way in product(free, ways):
                at = best.at.copy()
                at[arm] += way * np.array([size, size, size * 5.0])
                at[arm, :2] = np.clip(at[arm, :2], self.low[arm], self.high[arm])
                tried = self.judged(at)
                if tried.room > best.room + 1e-6:
                    best, gained = tried, True
            if not gained:
                size /= 2.0
        return best

    def turned_back(self, placement: Placement) -> Placement:
        """The same with each yaw as near to how the arm stands as costs nothing."""
        best = placement
        for arm, share in product(range(2), (0.0, 0.25, 0.5, 0.75)):
            at = best.at.copy()
            away = (placement.at[arm, 2] - self.start[arm, 2] + np.pi) % (2.0 * np.pi) - np.pi
            at[arm, 2] = self.start[arm, 2] + share * away
            if abs(share * away) >= abs((best.at[arm, 2] - self.start[arm, 2] + np.pi) % (2.0 * np.pi) - np.pi):
                continue
            tried = self.judged(at)
            if tried.room >= placement.room - 1e-9:
                best = tried
        return best


def _between_bases(bench: Bench, at: Array) -> float:
    """Distance of both base columns, m."""
    radii = [bench.arm(side).joints[0].capsule_radius for side in SIDES]
    return float(np.linalg.norm(at[1, :2] - at[0, :2])) - sum(radii)


def _apart(ranked: list[Placement], distance: float) -> list[Placement]:
    """Those whose bases stand more than `distance` m from those of all better ones."""
    kept: list[Placement] = []
    for one in ranked:
        if all(np.abs((one.at - other.at)[:, :2]).max() > distance for other in kept):
            kept.append(one)
    return kept


def moved_bench(bench: Bench, at: Array) -> Bench:
    """The bench with its bases at `at` (2, 3), yaws within half a turn."""
    arms = {}
    for arm, side in enumerate(SIDES):
        own = bench.arm(side)
        yaw = float((at[arm, 2] + np.pi) % (2.0 * np.pi) - np.pi)
        arms[side] = dataclasses.replace(own, base=(float(at[arm, 0]), float(at[arm, 1]), own.base[2]), yaw=yaw)
    return dataclasses.replace(bench, arms=dataclasses.replace(bench.arms, **arms))
