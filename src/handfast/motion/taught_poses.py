"""The taught poses of a routine as its motion meets them: what the landing needs to know of each."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from handfast.bench.parts import Side
from handfast.geometry.rigid import Array
from handfast.landing.flank import HELD, holding_torques, led_flank, moving_offsets
from handfast.landing.predict import Poses
from handfast.mechanics.dynamics import transmitted_torques
from handfast.mechanics.model import Model
from handfast.mechanics.supply import arm_currents, at_joints, servo_currents, voltages
from handfast.motion.as_played import as_played, carried_on
from handfast.motion.laid_down import Motion
from handfast.routine.steps import Taught

TURNS_SO = 0.6
"""How far the last turn of a trimmed shaft under load is as foreseen, on average: in four of five cases it is (from
simulated arms, no source)."""


def taught_poses(model: Model, motion: Motion) -> Poses:
    """Every taught pose and every row of every taught path, in the order in which they are reached.

    The arm that a pose does not belong to stands where the motion has it at that time.
    """
    N, K = len(motion.arrivals), model.chain.joints
    samples = np.array([a.sample for a in motion.arrivals], dtype=int)
    taught = motion.q[samples].copy() if N else np.zeros((0, K))
    target = taught.copy()
    arrived, spread = np.zeros((N, K)), np.zeros((N, K))
    held = np.full((N, K), 1)
    moving = np.zeros(N, dtype=bool)
    leads: dict[tuple[int, Side], Array] = {}
    for n, arrival in enumerate(motion.arrivals):
        columns = model.bench.columns(arrival.side)
        said = motion.routine.steps[arrival.step].taught(arrival.side)
        assert said is not None
        held[n, columns] = HELD[said.held]
        if arrival.row is None:
            taught[n, columns] = said.pose
            if said.arrivals is not None:
                arrived[n, columns] = said.arrivals
            spread[n, columns] = said.spread if said.spread is not None else 0.0
        else:
            assert said.path is not None
            taught[n, columns] = said.path[arrival.row]
            target[n, columns] = (said.path_command or said.path)[arrival.row]
            stroke = (arrival.step, arrival.side)
            if motion.routine.steps[arrival.step].do == "draw":
                # Its path is planned for the links; what is not known of it is where its corner was taught.
                held[n, columns] = HELD["planned"]
                spread[n, columns] = said.unsure[arrival.row] if said.unsure is not None else 0.0
            else:
                if stroke not in leads:
                    leads[stroke] = _stroke_lead(model, said, columns)
                arrived[n, columns] = leads[stroke][arrival.row]
            moving[n] = arrival.row > 0
    tau = transmitted_torques(model, motion.q, motion.qd, motion.qdd, motion.loads, motion.load_offsets)
    flank = moving_offsets(model, motion.q, motion.qd, tau).flank
    motor = tau + model.rotor * motion.qdd
    volts = at_joints(model.bench, voltages(model.bench, arm_currents(model, servo_currents(model, motor, motion.qd))))
    moved = last_ways(motion.qd)[samples] if N else np.zeros((0, K))
    # Runs come to their start upwards.
    moved = np.where(moved == 0, 1.0, moved)
    arrives, trails, turned, lacking = moved.copy(), moved.copy(), moved.copy(), np.zeros((N, K))
    passes, short = np.zeros((N, K)), np.zeros((N, K))
    if N:
        # Servos that hold loads get less than the supply's voltage, and lack the more.
        held_up = volts[samples].mean(axis=0) / model.bench.supply.voltage
        powered = replace(model, stall=model.stall * held_up)
        loads, offsets = motion.loads[samples], np.ascontiguousarray(motion.load_offsets[samples])
        holding = holding_torques(model, target, loads, offsets)
        sure = np.where(np.abs(holding) > model.friction, TURNS_SO, 1.0)
        trimmed, raw = as_played(model, motion), as_played(powered, motion, trimmed=False)
        for n, arrival in enumerate(motion.arrivals):
            if not arrival.row:
                end = trimmed.rests[arrival.sample]
                trails[n] = -trimmed.side[end]
                turned[n] = sure[n] * np.where(trimmed.turned[end] == 0, 1.0, trimmed.turned[end])
                end = raw.rests[arrival.sample]
                arrives[n], lacking[n] = -raw.side[end], motion.q[arrival.sample] - raw.feedback[end]
            else:
                feedback, side = raw.in_motion(arrival.sample)
                arrives[n], lacking[n] = -side, motion.q[arrival.sample] - feedback
                # A corrected stroke is sent without the trims of the pose before it.
                if not motion.routine.corrected:
                    feedback, side = trimmed.in_motion(arrival.sample)
                passes[n], short[n] = side, motion.q[arrival.sample] - feedback
    return Poses(
        side=tuple(a.side for a in motion.arrivals),
        step=tuple(a.step for a in motion.arrivals),
        row=tuple(a.row for a in motion.arrivals),
        taught=taught,
        target=target,
        arrived=arrived,
        held=held,
        spread=spread,
        moved=moved,
        turned=turned,
        trails=trails,
        arrives=arrives,
        lacking=lacking,
        steered=np.zeros((N, K), dtype=bool),
        loads=motion.loads[samples],
        load_offsets=np.ascontiguousarray(motion.load_offsets[samples]),
        voltage=volts[samples],
        moving=moving,
        qd=motion.qd[samples],
        tau=tau[samples],
        flank=flank[samples],
        passes=passes,
        short=short,
    )


def last_ways(qd: Array) -> Array:
    """For each sample, the way (+1, -1; 0 before the first motion) in which each joint last moved."""
    return carried_on(np.where(np.abs(qd) > 1e-6, np.sign(qd), 0.0))


def _stroke_lead(model: Model, said: Taught, columns: slice) -> Array:
    """Side on which the hand led each joint at every row of a stroke; before its first turn, as it arrived."""
    assert said.path is not None
    side = led_flank(np.array(said.path), model.unseen_play[columns])
    first = np.zeros(side.shape[1]) if said.arrivals is None else np.array(said.arrivals, dtype=float)
    return np.where(side == 0, first, side)
