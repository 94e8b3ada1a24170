"""Corrected feedback targets: taught flank minus played flank, sag and all, at poses and along strokes.

    target = taught feedback + (link - feedback when taught) - (link - feedback when played)

so that the link, not the feedback, comes back to where it was. The played offset depends on where the arm
stands, so the target is found by a short fixed point. The taught poses themselves are never changed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from handfast.bench.parts import Side
from handfast.geometry.rigid import Array
from handfast.landing.flank import holding_torques, rest_error, taught_offsets
from handfast.landing.predict import Poses, played_offsets
from handfast.mechanics.kinematics import least_turns, places
from handfast.mechanics.model import Model
from handfast.motion.drawing import with_drawings, without_drawings
from handfast.motion.plan import Laws, Motion, plan
from handfast.motion.taught_poses import taught_poses
from handfast.routine.steps import Routine, Taught

UNDECIDED = 1.6
"""A joint counts as undecided while its load is below this many times its own friction: the two are only
roughly known, and coming home from a known side costs nothing but a second."""

_SAME = 1e-6


@dataclass(frozen=True)
class Correction:
    """A corrected routine, its motion, and the joints that must come to rest from a known side.

    approach: for each arrival (by its sample in `motion`) the way (K,) of the last motion: +1, -1, 0 if free.
    """

    routine: Routine
    motion: Motion
    approach: dict[int, Array]


def uncorrected(routine: Routine) -> Routine:
    """The routine without any correction: every command taken out."""
    steps = []
    for step in without_drawings(routine).steps:
        for side in step.sides:
            taught = step.taught(side)
            if taught is not None:
                step = step.with_taught(side, replace(taught, command=None, path_command=None))
        steps.append(step)
    return replace(routine, steps=tuple(steps))


def correct(model: Model, routine: Routine, known: Laws | None = None) -> Correction:
    """The routine with its commands written anew for this bench. `known`: time laws of earlier plans."""
    plain, known = with_drawings(model, uncorrected(routine)), {} if known is None else known
    motion = plan(model, plain, known=known)
    poses = taught_poses(model, motion)
    taught = taught_offsets(model, poses.taught, poses.arrived, poses.held, poses.loads, poses.load_offsets)
    ways, poses = approach_ways(model, poses), as_corrected(model, poses)
    target = poses.taught.copy()
    for _ in range(4):
        played = played_offsets(model, poses, target)
        target = poses.taught + taught.mean - played.mean
    target = target + _nudged(model, plain, motion, target)
    # Along a stroke nothing is trimmed, so what the servo will lack under its load goes into the command.
    stall = model.stall * poses.voltage / model.rated_voltage
    lacking = rest_error(poses.tau, np.sign(poses.qd), stall, model.full_drive, model.limp_friction, model.dead_band)
    target = target + np.where(poses.moving[:, None], lacking, 0.0)
    low, high = model.chain.travel[:, 0], model.chain.travel[:, 1]
    target = np.clip(target, np.minimum(low, poses.taught), np.maximum(high, poses.taught))
    corrected = _with_targets(model, plain, motion, target)
    moved = plan(model, corrected, known=known)
    return Correction(corrected, moved, approaches(moved, ways, model))


def _nudged(model: Model, routine: Routine, motion: Motion, target: Array) -> Array:
    """Turns (N, K) of the targets that move TCPs by what nudges showed and no figure explains: least turns, J⁺."""
    turn = np.zeros_like(target)
    J = places(model.chain, target).J if len(target) else np.zeros((0, 0, 6))
    for n, arrival in enumerate(motion.arrivals):
        said = routine.steps[arrival.step].taught(arrival.side)
        if said is None or said.nudge is None or arrival.row is not None:
            continue
        columns = model.bench.columns(arrival.side)
        turn[n, columns] = least_turns(J[n, columns, 3:], np.array(said.nudge))
    return turn


def approach_ways(model: Model, poses: Poses) -> Array:
    """Joints (N, K) whose flank nothing decides at a pose, with the way in which they are to come home.

    It depends on the taught poses alone, so that a target and the playing of it come from the same side: on from
    the taught pose before, and upwards at the first one.
    """
    tau = holding_torques(model, poses.taught, poses.loads, poses.load_offsets)
    undecided = np.abs(tau) < UNDECIDED * model.friction
    way = np.zeros_like(poses.taught)
    before: dict[Side, Array] = {}
    for n, side in enumerate(poses.side):
        columns = model.bench.columns(side)
        now = poses.taught[n, columns]
        way[n, columns] = np.where(now < before.get(side, now) - _SAME, -1.0, 1.0)
        before[side] = now
    return np.where(undecided & ~poses.moving[:, None], way, 0.0)


def as_corrected(model: Model, poses: Poses) -> Poses:
    """Poses as a corrected run comes to rest at them: joints of undecided flank from their known side."""
    ways = approach_ways(model, poses)
    steered = ways != 0
    return replace(
        poses,
        moved=np.where(steered, ways, poses.moved),
        turned=np.where(steered, ways, poses.turned),
        trails=np.where(steered, ways, poses.trails),
        steered=steered,
    )


def approaches(motion: Motion, ways: Array, model: Model) -> dict[int, Array]:
    """Joints (K,) that come home from a known side at each stop (by its sample): ways (N, K) of its arrivals."""
    found: dict[int, Array] = {}
    for n, arrival in enumerate(motion.arrivals):
        if arrival.row:
            continue
        columns = model.bench.columns(arrival.side)
        way = found.setdefault(arrival.sample, np.zeros(model.chain.joints))
        way[columns] = ways[n, columns]
    return found


def _with_targets(model: Model, routine: Routine, motion: Motion, target: Array) -> Routine:
    steps = list(routine.steps)
    rows: dict[tuple[int, str], dict[int, Array]] = {}
    for n, arrival in enumerate(motion.arrivals):
        columns = model.bench.columns(arrival.side)
        step = steps[arrival.step]
        said = step.taught(arrival.side)
        assert said is not None
        if arrival.row is None:
            command = tuple(float(x) for x in target[n, columns])
            steps[arrival.step] = step.with_taught(arrival.side, replace(said, command=command))
        else:
            rows.setdefault((arrival.step, arrival.side), {})[arrival.row] = target[n, columns]
    for (number, side), found in rows.items():
        said = steps[number].taught(side)
        assert said is not None
        steps[number] = steps[number].with_taught(side, _with_path(said, found))
    return replace(routine, steps=tuple(steps))


def _with_path(said: Taught, found: dict[int, Array]) -> Taught:
    """A stroke whose commands step softly from flank to flank, so that no jump is asked of the arm."""
    assert said.path is not None
    path = np.array(said.path)
    shift = np.array([found[row] - path[row] for row in range(len(path))])
    weights = np.exp(-0.5 * (np.arange(-6, 7) / 1.5) ** 2)
    padded = np.pad(shift, ((6, 6), (0, 0)), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 13, axis=0)
    soft = windows @ (weights / weights.sum())
    return replace(said, path_command=tuple(tuple(float(x) for x in row) for row in path + soft))
