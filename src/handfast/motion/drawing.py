"""A drawing as a path of the joints: lowered, drawn and lifted, as slowly as corners and bends ask for.

The taught pose of a step `draw` is where the pen's tip stands on the paper at the drawing's lower left corner. The
paper lies level. The path is planned for where the links shall be; what is sent without a correction is what follows
from the feedback alone.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np

from handfast.bench.parts import SIDES, Bench, Side
from handfast.geometry.rigid import Array
from handfast.landing.flank import Offsets
from handfast.mechanics.inverse import POSITION_TOLERANCE, solve
from handfast.mechanics.kinematics import places, tool_poses
from handfast.mechanics.model import Chain, Model
from handfast.motion.coordinated import led_offsets
from handfast.routine.steps import Routine, Step, Taught

CORNER = np.radians(20.0)
"""A bend that is sharper than this is a corner: the pen stops in it."""
ACCELERATION = 0.15
"""Of the tip along its line, and across it in bends, m/s² (common practice, no source)."""
ABOVE = 0.06
"""Speed of a lifted pen, m/s."""
ROW = 0.04
"""Time between two rows of the path, s."""
MOST_ROWS = 600
STATION = 5e-4
"""Length of line between two places at which speed is reckoned, m."""

DESIGN_ZERO, MEASURED_ZERO = np.radians(2.9), np.radians(0.25)
"""Standard deviation of a joint's zero, by design and measured (common practice, no source)."""
DESIGN_LINE, MEASURED_LINE = 0.017, 0.004
"""Standard deviation of the slope of a joint's feedback line, share (common practice, no source)."""


def with_drawings(model: Model, routine: Routine) -> Routine:
    """The routine with a path for every step `draw`: `path` for the links, `path_command` to be sent uncorrected."""
    if not any(step.do == "draw" for step in routine.steps):
        return routine
    steps = list(routine.steps)
    for number, step in enumerate(routine.steps):
        if step.do != "draw":
            continue
        for side in step.sides:
            said = step.taught(side)
            assert said is not None
            if said.path is None:
                steps[number] = steps[number].with_taught(side, _drawn(model, routine, number, step, side, said))
    return replace(routine, steps=tuple(steps))


def without_drawings(routine: Routine) -> Routine:
    """The routine as its file has it: without the paths of its drawings."""
    steps = []
    for step in routine.steps:
        for side in step.sides if step.do == "draw" else ():
            said = step.taught(side)
            if said is not None:
                step = step.with_taught(
                    side, replace(said, path=None, times=None, path_command=None, unsure=None, missed=None)
                )
        steps.append(step)
    return replace(routine, steps=tuple(steps))


def _drawn(model: Model, routine: Routine, number: int, step: Step, side: Side, said: Taught) -> Taught:
    chain = model.chain.only(SIDES.index(side))
    read = np.array(said.pose)
    offsets = _offsets(model, routine, number, side, said)
    columns = model.bench.columns(side)
    thing = held_thing(routine, number, side)
    times, points, _ = tip_path(step)
    if said.nudge is not None:
        # What a score of the drawing showed, and no figure of the bench explains.
        points = points + np.array(said.nudge)
    drop = tip_drop(model.bench, thing)
    link, short, beyond = traced(chain, read + offsets.mean[0, columns], points, drop)
    sent, _, _ = traced(chain, read, points, drop)
    spread = np.zeros(len(read)) if said.spread is None else np.array(said.spread)
    unsure = np.hypot(spread, offsets.half[0, columns] / np.sqrt(3.0))
    unsure = np.hypot(unsure, _away(model, chain, columns, read, link))
    return replace(
        said,
        path=tuple(tuple(float(x) for x in row) for row in link),
        path_command=tuple(tuple(float(x) for x in row) for row in sent),
        times=tuple(float(t) for t in times),
        unsure=tuple(tuple(float(x) for x in row) for row in unsure),
        missed=(short, beyond),
    )


def _away(model: Model, chain: Chain, columns: slice, origin: Array, path: Array) -> Array:
    """Standard deviation (N, k) rad of what the bench's lines say falsely about the way from the corner to a path.

    At the corner itself a wrong zero does no harm, because it was taught with it. Away from there it turns the rest of
    the drawing: what it moves the TCP by there, less what it moved it by at the corner, as a turn of that joint.
    """
    joints = model.bench.joints[columns]
    measured = np.array([joint.wiper_measured for joint in joints])
    zero = np.where(measured, MEASURED_ZERO, DESIGN_ZERO)
    share = np.where(measured, MEASURED_LINE, DESIGN_LINE)
    J0, J = places(chain, origin[None]).J[0, :, 3:], places(chain, path).J[:, :, 3:]
    size = np.maximum(np.linalg.norm(J, axis=2), 1e-3)
    turned = np.linalg.norm(J - J0, axis=2) / size * zero
    return np.asarray(np.hypot(turned, share * np.abs(path - origin)))


def held_thing(routine: Routine, number: int, side: Side) -> str | None:
    """What an arm holds in step `number`."""
    held: str | None = None
    for step in routine.steps[:number]:
        if step.do == "grip" and side in step.sides:
            held = step.thing
        elif step.do == "release" and side in step.sides:
            held = None
        elif step.do == "pass":
            held = None if step.giver == side else step.thing if step.taker == side else held
    return held


def tip_drop(bench: Bench, thing: str | None) -> float:
    """How far a pen's tip stands below the TCP while the pen is upright, m; 0 where no thing is held."""
    if thing is None:
        return 0.0
    pen = bench.thing(thing)
    return float(pen.grip_height + 0.5 * pen.size[2])


def _offsets(model: Model, routine: Routine, number: int, side: Side, said: Taught) -> Offsets:
    """Link minus feedback while the arm was led to the drawing's corner, with what it holds."""
    loads, offsets = np.zeros(2), np.zeros((2, 3))
    name = held_thing(routine, number, side)
    if name is not None:
        thing, arm = model.bench.thing(name), SIDES.index(side)
        loads[arm] = thing.mass
        R = tool_poses(model.chain.only(arm), np.array(said.pose))[0, 0, :3, :3]
        offsets[arm] = model.chain.tool_turns[arm] @ R.T @ np.array([0.0, 0.0, -thing.grip_height])
    return led_offsets(model, said, side, loads, offsets)


def traced(chain: Chain, origin: Array, points: Array, drop: float) -> tuple[Array, float, float]:
    """Joint angles (N, k) that bring the tip to `points` (N, 3) m from where it stands at `origin` (k,).

    drop: how far the tip is below the TCP at `origin`. The hand keeps its turn as far as its joints allow; where they
    do not, the tip is kept all the same. Also how far it is missed at most, m, and by how much a stop is passed, rad.
    """
    X = tool_poses(chain, origin)[0, 0]
    p_TS = X[:3, :3].T @ np.array([0.0, 0.0, -drop])
    tip = X[:3, 3] + X[:3, :3] @ p_TS + points
    wanted = np.tile(X, (len(points), 1, 1))
    q = np.tile(origin, (len(points), 1))
    turn = np.tile(X[:3, :3], (len(points), 1, 1))
    solution = None
    for _ in range(6):
        wanted[:, :3, 3] = tip - turn @ p_TS
        solution = solve(chain, wanted, q)
        q = solution.q
        turn = tool_poses(chain, q)[:, 0, :3, :3]
        if drop == 0.0:
            break
    assert solution is not None
    off = np.linalg.norm(tool_poses(chain, q)[:, 0, :3, 3] + turn @ p_TS - tip, axis=1).max()
    short = float(max(solution.short.max(), off if off > 1e-5 else 0.0))
    return q, short if short > POSITION_TOLERANCE else 0.0, float(solution.beyond.max())


def placed_lines(step: Step) -> list[Array]:
    """The drawing's lines (M, 2) m as they lie on the paper, from its corner: turned about it."""
    c, s = np.cos(step.turn), np.sin(step.turn)
    return [np.array(line) @ np.array([[c, s], [-s, c]]) for line in step.lines]


def tip_path(step: Step) -> tuple[Array, Array, np.ndarray]:
    """Times (N,) s, tip places (N, 3) m from the drawing's corner, and (N,) whether the pen is down.

    Each line begins and ends lifted by the step's lift; the pen rests at corners.
    """
    up = np.array([0.0, 0.0, step.lift])
    legs: list[tuple[Array, float, bool]] = []
    last: Array | None = None
    for line in placed_lines(step):
        flat = np.column_stack([line, np.zeros(len(line))])
        if last is not None:
            legs.append((np.array([last + up, flat[0] + up]), ABOVE, False))
        legs.append((np.array([flat[0] + up, flat[0]]), ABOVE, False))
        legs += [(piece, step.speed, True) for piece in _pieces(flat)]
        legs.append((np.array([flat[-1], flat[-1] + up]), ABOVE, False))
        last = flat[-1]
    whole = sum(float(_time_law(points, speed)[0][-1]) for points, speed, _ in legs)
    row = max(ROW, whole / MOST_ROWS)
    times, places, down = [np.zeros(1)], [legs[0][0][:1]], [np.zeros(1, dtype=bool)]
    now = 0.0
    for points, speed, drawing in legs:
        t, at = _time_law(points, speed)
        if t[-1] <= 0.0:
            continue
        n = max(2, int(np.ceil(t[-1] / row)))
        grid = np.linspace(0.0, t[-1], n + 1)[1:]
        places.append(np.column_stack([np.interp(grid, t, at[:, i]) for i in range(3)]))
        times.append(now + grid)
        down.append(np.full(n, drawing))
        now += float(t[-1])
    return np.concatenate(times), np.concatenate(places), np.concatenate(down)


def _pieces(line: Array) -> list[Array]:
    """A line cut at its corners."""
    ways = np.diff(line, axis=0)
    ways = ways / np.linalg.norm(ways, axis=1)[:, None]
    bend = np.arccos(np.clip((ways[:-1] * ways[1:]).sum(axis=1), -1.0, 1.0))
    cuts = [0, *(np.flatnonzero(bend > CORNER) + 1), len(line) - 1]
    return [line[a : b + 1] for a, b in pairwise(cuts) if b > a]


def _time_law(points: Array, speed: float) -> tuple[Array, Array]:
    """Times and places of fine stations along a piece that begins and ends at rest."""
    steps = np.linalg.norm(np.diff(points, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    if along[-1] <= 0.0:
        return np.zeros(1), points[:1]
    n = max(8, int(np.ceil(along[-1] / STATION)))
    s = np.linspace(0.0, along[-1], n + 1)
    at = np.column_stack([np.interp(s, along, points[:, i]) for i in range(3)])
    ds = s[1]
    # Speed in bends: no more than so much acceleration across the line. The bend is taken over a few stations.
    most = np.full(n + 1, speed)
    if n >= 8:
        m = min(4, n // 4)
        a, b = at[m:-m] - at[: -2 * m], at[2 * m :] - at[m:-m]
        size = np.maximum(np.linalg.norm(a, axis=1) * np.linalg.norm(b, axis=1), 1e-18)
        turn = np.arccos(np.clip((a * b).sum(axis=1) / size, -1.0, 1.0))
        most[m:-m] = np.minimum(speed, np.sqrt(ACCELERATION / np.maximum(turn / (m * ds), 1e-9)))
    most[[0, -1]] = 0.0
    v2 = most**2
    for i in range(1, n + 1):
        v2[i] = min(v2[i], v2[i - 1] + 2.0 * ACCELERATION * ds)
    for i in range(n - 1, -1, -1):
        v2[i] = min(v2[i], v2[i + 1] + 2.0 * ACCELERATION * ds)
    v = np.sqrt(v2)
    t = np.concatenate([[0.0], np.cumsum(2.0 * ds / np.maximum(v[1:] + v[:-1], 1e-9))])
    # Evenly accelerated between stations: places in time, finely.
    fine = np.linspace(0.0, t[-1], 4 * n + 1)
    k = np.clip(np.searchsorted(t, fine, side="right") - 1, 0, n - 1)
    a = (v2[k + 1] - v2[k]) / (2.0 * ds)
    since = fine - t[k]
    where = np.minimum(s[k] + v[k] * since + 0.5 * a * since**2, s[k + 1])
    return fine, np.column_stack([np.interp(where, along, points[:, j]) for j in range(3)])
