"""Along a motion: what the feedback does while the target moves, and where the links are in their play.

Each servo drives in proportion to its error, outside its dead band, on the torque-speed line of its motor, against its
load, the inertia that it moves and the friction of gears and joint. Behind the motor comes the play that the feedback
sees, behind the shaft the play that it does not see. A link that its load, or its own inertia, presses lies on the
far side from the push; one that nothing presses is left where it is until the shaft takes it along. So a driven link
trails, unless it is braked harder than its joint's friction brakes it: then it runs ahead to the leading side.

Source: the torque-speed line of a permanent-magnet motor and play operators in series (Krasnosel'skii & Pokrovskii,
*Systems with Hysteresis*, 1989, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.geometry.rigid import Array
from handfast.mechanics.model import Model

FALL = 0.02
"""Time in which a loaded link crosses its play, s (as the simulated arms have it, no source)."""

MEMORY = 0.015
"""Time over which a torque must last to press a link across, s (as the simulated arms have it, no source)."""

DAMPED = 0.8
"""Share of critical damping that a servo's electronics give with the inertia it moves (the middle of
what simulated arms have, no source)."""

ACROSS = 0.35
"""Share of the play, either side of its middle, beyond which a link counts as being on that side."""

_PART = 2e-3
"""Time step of the servos' own motion, s."""


@dataclass(frozen=True)
class Followed:
    """feedback (M, K) rad; slack (M, K) rad: link minus feedback through the unseen play, within ± half of it."""

    feedback: Array
    slack: Array


def follow(
    model: Model,
    dt: float,
    target: Array,
    load: Array,
    inertia: Array,
    start: Array | None = None,
    trim: np.ndarray | None = None,
    joints: slice = slice(None),
) -> Followed:
    """Follow targets (M, K) rad at samples dt s apart; those of some `joints` only, if they are named.

    load (M, K) N·m: torque to the links without friction and without what each joint's own acceleration takes;
    inertia (M, K) kg·m²: of what each joint moves, its rotor left out. start (K,): side of its play, -1 to 1, on which
    each link begins (0: the middle). trim (M, K): samples at which the command takes up what the feedback lacks.
    """
    from handfast.landing.follow_kernels import follow_kernel

    bench = model.bench
    volts = bench.supply.voltage / model.rated_voltage
    dead_time = np.array([bench.servo_of(joint).dead_time for joint in bench.joints])[joints]
    moved = model.rotor[joints] + inertia.mean(axis=0)
    servo = np.array([row[joints] for row in (
        model.stall * volts, model.full_drive, model.free_speed * volts, model.dead_band,
        model.limp_friction, model.friction, model.rotor, model.seen_play, model.unseen_play,
    )])  # fmt: skip
    servo = np.insert(servo, 3, _damping(model, moved, joints), axis=0)
    feedback, slack = np.empty_like(target), np.empty_like(target)
    follow_kernel(
        np.ascontiguousarray(target),
        np.zeros(target.shape, dtype=bool) if trim is None else np.ascontiguousarray(trim, dtype=bool),
        np.ascontiguousarray(load),
        np.ascontiguousarray(inertia),
        np.round(dead_time / dt).astype(np.int64),
        np.ascontiguousarray(servo),
        np.zeros(target.shape[1]) if start is None else np.asarray(start, dtype=float),
        dt,
        max(1, round(dt / _PART)),
        FALL,
        MEMORY,
        feedback,
        slack,
    )
    return Followed(feedback, slack)


def _damping(model: Model, moved: Array, joints: slice = slice(None)) -> Array:
    """Share of the speed, s, that the electronics take off the error, for inertia `moved` kg·m² with the rotor."""
    full, stall, free = model.full_drive[joints], model.stall[joints], model.free_speed[joints]
    return np.asarray(np.maximum(2.0 * DAMPED * np.sqrt(moved * full / stall) - full / free, 0.0))


def behind(model: Model, inertia: Array) -> Array:
    """By how long (K,) s servos that move inertia (K,) kg·m² follow a target that moves on: their dead time, what the
    electronics damp, and what the drive must give against the motor's own voltage. The rotor is left out of inertia."""
    bench = model.bench
    dead_time = np.array([bench.servo_of(joint).dead_time for joint in bench.joints])
    free_speed = model.free_speed * bench.supply.voltage / model.rated_voltage
    lag: Array = dead_time + _damping(model, model.rotor + inertia) + model.full_drive / free_speed
    return lag


def crossings(t: Array, slack: Array, play: Array, unknown: Array | None = None) -> list[tuple[float, int, int]]:
    """Times, joints and samples at which a link goes over from one side of its play (K,) to the other.

    unknown (K,): joints whose side at first nobody knows: the first that they come to counts, too.
    """
    found = []
    side = np.where(slack > ACROSS * play, 1, np.where(slack < -ACROSS * play, -1, 0))
    for i in range(slack.shape[1]):
        decided = np.nonzero(side[:, i])[0]
        over = np.nonzero(np.diff(side[decided, i]))[0]
        found += [(float(t[n]), i, int(n)) for n in decided[over + 1]]
        if unknown is not None and unknown[i] and len(decided):
            found.append((float(t[decided[0]]), i, int(decided[0])))
    return sorted(found)
