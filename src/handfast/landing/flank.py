"""On which side of its slack a joint rests (its flank), how far the link stands from the feedback there.

A servo holds its feedback, not its link. The link stands at feedback + offset, where

    offset = s·b/2 - c·tau.

b is the play that the feedback does not see (full width), c the compliance, tau the torque that the servo
passes to the link. The servo pushes the link, so the link lies on the side away from the push: s = -sign(tau).
Sign check: a level arm that gravity pulls down needs a lifting (positive) torque; its link hangs below the
feedback, so offset < 0.

While |tau| stays below what the joint's own friction can hold, nothing decides the flank and it keeps the
side on which the last motion left it: a driven joint trails (s = -direction), a joint led by hand leads
(s = +direction).

Source: play as hysteresis after Krasnosel'skii & Pokrovskii, *Systems with Hysteresis* (1989), from memory;
the rest is the statics of a spring and a gap in series.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.geometry.rigid import Array
from handfast.mechanics.dynamics import inverse_dynamics, spring_torques
from handfast.mechanics.kinematics import places
from handfast.mechanics.model import Model

HELD = {"held": 1, "let go": 0, "unknown": -1, "planned": 2}
"""How a taught pose was held while it was stored, as `taught_offsets` takes it."""


@dataclass(frozen=True)
class Offsets:
    """Where links stand against their feedback at N places.

    mean (N, K) rad: link minus feedback. half (N, K) rad: half the width of what is undecided about it.
    flank (N, K): +1, -1, or 0 where undecided.
    """

    mean: Array
    half: Array
    flank: Array


def holding_torques(model: Model, q: Array, loads: Array, load_offsets: Array) -> Array:
    """Torque (N, K) that each servo passes to its link to hold it still, friction left out."""
    q = np.atleast_2d(q)
    zero = np.zeros_like(q)
    tau = inverse_dynamics(model.chain, q, zero, zero, loads, load_offsets)
    result: Array = tau + spring_torques(model.springs, q)
    return result


def lead_of(model: Model) -> Array:
    """By how much (K,) rad hand-led links lead their feedback: half the play and the windup of the limp gears.

    A hand that trembles drags the shaft as far as it goes forward, and then holds the link in the middle on average:
    its tremor (either way) is lost.
    """
    reach = model.unseen_play / 2.0 + model.compliance * model.limp_friction
    result: Array = np.maximum(reach - model.hand_tremor, 0.0)
    return result


def taught_offsets(
    model: Model, q: Array, arrived: Array, held: np.ndarray, loads: Array, load_offsets: Array
) -> Offsets:
    """Link minus feedback at taught poses, while the arms are led by hand and their servos are limp.

    q (N, K) rad; arrived (N, K): +1, -1, or 0 where the way of the last motion is not known; held (N, K):
    1 held by the hand while stored, 0 let go before, -1 unknown, 2 not taught but planned: the link is to be there.

    Held: the hand drives the link, which drags the servo behind it through the play and the compliance, so the
    link leads by b/2 + c·limp friction, and the hand carries the weight. Let go: a loaded joint has sagged
    onto gravity's flank; an unloaded one stays where the hand left it, its windup relaxed to what the joint's
    own friction holds.
    """
    b, c = model.unseen_play, model.compliance
    tau = holding_torques(model, q, loads, load_offsets)
    lead = lead_of(model)
    held_mean, held_half = arrived * lead, np.where(arrived == 0, lead, 0.0)

    loaded = np.abs(tau) > model.friction
    rest = b / 2.0 + c * np.minimum(model.limp_friction, model.friction)
    free_mean = np.where(loaded, -np.sign(tau) * b / 2.0 - c * tau, arrived * rest)
    free_half = np.where(loaded | (arrived != 0), 0.0, rest)
    free_flank = np.where(loaded, -np.sign(tau), arrived)

    unknown_mean = 0.5 * (held_mean + free_mean)
    unknown_half = 0.5 * np.abs(held_mean - free_mean) + np.maximum(held_half, free_half)
    is_held, is_free, is_planned = held == 1, held == 0, held == 2
    return Offsets(
        mean=np.where(is_planned, 0.0, np.where(is_held, held_mean, np.where(is_free, free_mean, unknown_mean))),
        half=np.where(is_planned, 0.0, np.where(is_held, held_half, np.where(is_free, free_half, unknown_half))),
        flank=np.where(is_held, arrived, np.where(is_free, free_flank, np.where(arrived == free_flank, arrived, 0.0))),
    )


def resting_offsets(
    model: Model, q: Array, last_motion: Array, loads: Array, load_offsets: Array, trails: Array | None = None
) -> Offsets:
    """Link minus feedback where the servos hold the arms still after a driven motion.

    last_motion (N, K): +1, -1 the way of the joint's last driven motion, 0 before the first one. A joint whose
    load exceeds its own friction lies on gravity's flank; the others trail their last motion, or the one of `trails`
    (-1 to 1), if that is given.
    """
    trails = last_motion if trails is None else trails
    b, c = model.unseen_play, model.compliance
    tau = holding_torques(model, q, loads, load_offsets)
    loaded = np.abs(tau) > model.friction
    # The windup of the joint's friction stays when the drive stops. Unloaded, the link was dragged by the servo
    # and trails by half the play and that windup.
    windup = c * model.friction * last_motion
    trail = b / 2.0 + c * model.friction
    flank = np.where(loaded, -np.sign(tau), -trails)
    mean = flank * b / 2.0 - c * tau - windup
    half = np.where(loaded | (trails != 0), 0.0, trail)
    return Offsets(mean, half, flank)


def pushed_offsets(model: Model, q: Array, arm: int, force: Array) -> Offsets:
    """Link minus feedback where the servos hold still and the TCP of one arm is pushed with force (N, 3) N.

    The push takes J^T f off what each servo has to give, and the links move its way: their windup is that of the
    joints' friction against it.
    """
    b, c = model.unseen_play, model.compliance
    q = np.atleast_2d(q)
    part = model.chain.columns(arm)
    J = places(model.chain, q).J[:, part, 3:]
    pushed = np.zeros_like(q)
    pushed[:, part] = np.einsum("nkr,nr->nk", J, force)
    tau = holding_torques(model, q, np.zeros((1, 2)), np.zeros((1, 2, 3))) - pushed
    loaded = np.abs(tau) > model.friction
    flank = np.where(loaded, -np.sign(tau), 0.0)
    mean = flank * b / 2.0 - c * (tau + model.friction * np.sign(pushed))
    return Offsets(mean, np.where(loaded, 0.0, b / 2.0), flank)


def moving_offsets(model: Model, q: Array, qd: Array, tau: Array, start: Array | None = None) -> Offsets:
    """Link minus feedback along a driven motion of N samples, with the memory that play has.

    tau (N, K): torque passed to the links, inertia and the joints' friction included. start (K,): flank before
    the first sample (0: unknown). The flank follows -sign(tau) while |tau| exceeds half the joint's friction
    (below that, friction and inertia nearly balance), else it keeps its value.
    """
    decided = np.abs(tau) > 0.5 * np.maximum(model.friction, 1e-9)
    flank = np.where(decided, -np.sign(tau), np.nan)
    first = np.zeros(q.shape[1]) if start is None else start
    flank = np.concatenate([first[None], flank])
    # Carry the last decided value forward.
    index = np.where(np.isnan(flank), 0, np.arange(len(flank))[:, None])
    index = np.maximum.accumulate(index, axis=0)
    flank = np.take_along_axis(flank, index, axis=0)[1:]
    b = model.unseen_play
    return Offsets(flank * b / 2.0 - model.compliance * tau, np.where(flank == 0, b / 2.0, 0.0), flank)


def led_flank(path: Array, play: Array) -> Array:
    """Side (N, K) from -1 to 1 on which a hand-led link stands along a recorded feedback path (N, K).

    The hand leads the link; the feedback follows it as a play operator of half-width `play`/2, so the link is
    found by the inverse: it leads by half the play once the feedback moves, and in between its place is only
    known to lie inside. The sign is carried forward from the last clear motion of the feedback, 0 before it.
    """
    side = np.zeros_like(path)
    anchor = path[0].copy()
    last = np.zeros(path.shape[1])
    threshold = np.maximum(0.25 * play, 1e-6)
    for n in range(len(path)):
        step = path[n] - anchor
        clear = np.abs(step) > threshold
        last = np.where(clear, np.sign(step), last)
        anchor = np.where(clear, path[n], anchor)
        side[n] = last
    return side


def rest_error(
    tau: Array, direction: Array, stall: Array, full_drive: Array, friction: Array, dead_band: Array
) -> Array:
    """Where a proportional servo comes to rest: target minus feedback (…, K), rad.

    tau: load it holds N·m; direction: way of the last motion (±1, 0 unknown: the middle of what is possible);
    stall N·m at the voltage it gets, full_drive rad: error that gets the full voltage; friction N·m of its gears (and
    of the joint, where the load leaves it out); dead_band rad, full width. Moving on, drive falls with the error, and
    it stops as soon as drive no longer exceeds load and friction; inside the dead band there is no drive at all.
    """
    gain = stall / full_drive

    def stop(d: Array | float) -> Array:
        load = d * tau
        need = (load + friction) / gain  # error, along the motion, at which drive just balances
        edge = dead_band / 2.0
        result: Array = np.where(need > edge, need, np.where(load + friction >= 0.0, edge, np.minimum(need, -edge)))
        return d * result

    forward, backward = stop(1.0), stop(-1.0)
    result: Array = np.where(direction > 0, forward, np.where(direction < 0, backward, 0.5 * (forward + backward)))
    return result
