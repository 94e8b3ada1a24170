"""The landing: how far from its taught place each pose of a routine comes to rest, and why."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from handfast.bench.measured import Measured
from handfast.bench.parts import SIDES, Side
from handfast.geometry.rigid import Array
from handfast.landing.dead_motion import (
    AtRest,
    DeadMotion,
    all_at_rest,
    dead_motions,
    farthest_each,
    root_sum_square,
    shares_within,
)
from handfast.landing.flank import (
    Offsets,
    holding_torques,
    lead_of,
    resting_offsets,
    taught_offsets,
)
from handfast.landing.spread import spread_of
from handfast.mechanics.kinematics import places
from handfast.mechanics.model import Model
from handfast.mechanics.supply import at_joints

Way = Literal["raw", "trimmed"]
"""How a pose is played: its target sent as it is, or the feedback trimmed onto the target after arrival."""

ASTRAY = 0.5
"""Half plays, one standard deviation, by which a link that nothing presses rests beside where it is foreseen to, if it
did not come home from a known side (from simulated arms, no source)."""

GAVE_WAY = 0.02
"""Share of hand-led joints that stand on the other side of their play than their last seen motion says: the hand gave
way a little before the pose was stored, and the feedback did not see it (from simulated hands, no source)."""

EITHER = 0.25
"""How near a load that helps a joint along may be to its friction, share of that, for it to stop short of its target or
beyond (from simulated arms, no source)."""

TRIM_LEFT = 0.25
"""Share of the dead band, one standard deviation, at which a trimmed feedback still rests from its target."""


@dataclass(frozen=True)
class Landing:
    """One arm's landing at one taught pose.

    miss (3,) m: mean of played minus taught place in world axes. sigma m: root mean square of what is not
    known about it. undecided: the set that undecided flanks span, taught and played together. worst m: every joint
    at the worst end of what is known about it, undecided flanks and two standard deviations of the rest, and
    one joint at which the hand gave way. within m: 95 % of drawn landings stay inside. dead: how far the TCP can be
    pushed once it rests there. share (joints,) m: what each joint adds to the mean miss.
    """

    side: Side
    step: int
    row: int | None
    taught: Array
    miss: Array
    sigma: float
    undecided: DeadMotion
    worst: float
    within: float
    dead: AtRest
    share: Array

    @property
    def expected(self) -> float:
        """Predicted distance from the taught place, m: mean and spread together."""
        return float(np.sqrt(self.miss @ self.miss + self.sigma**2))


@dataclass(frozen=True)
class Poses:
    """Taught poses of one routine for both arms at once, as (N, K) arrays in joint order.

    Each row is one arm's taught pose together with where the other arm stands at that time. target: feedback
    angles to come to rest at. arrived, held: see `taught_offsets`. moved: way of the last planned motion; turned: way
    in which the shaft turned last, once trimmed, -1 to 1: nearer to 0 the less sure it is. trails, -1 to 1: way of the
    motion behind which each link rests in its play, once trimmed; arrives: the same where nothing is trimmed, and
    lacking (N, K) rad: how far the feedback then rests short of its target. steered: whether a joint comes home from a
    known side.
    """

    side: tuple[Side, ...]
    step: tuple[int, ...]
    row: tuple[int | None, ...]
    taught: Array
    target: Array
    arrived: Array
    held: np.ndarray
    spread: Array
    moved: Array
    turned: Array
    trails: Array
    arrives: Array
    lacking: Array
    steered: np.ndarray
    loads: Array
    load_offsets: Array
    voltage: Array
    # Along a stroke the arms do not rest: (N,) whether the pose is passed in motion, and that motion. flank: side on
    # which the torque presses each link then; passes, -1 to 1: where in its play it is foreseen to be, and short (N, K)
    # rad: what its feedback lacks there, both with the trims that are kept; without any: in arrives and lacking.
    moving: np.ndarray
    qd: Array
    tau: Array
    flank: Array
    passes: Array
    short: Array


def played_offsets(model: Model, poses: Poses, at: Array, way: Way = "trimmed") -> Offsets:
    """Link minus feedback when the poses are played with feedback at `at` (N, K)."""
    last, trails = (poses.moved, poses.arrives) if way == "raw" else (poses.turned, poses.trails)
    rest = resting_offsets(model, at, last, poses.loads, poses.load_offsets, trails)
    b = model.unseen_play
    moving = poses.moving[:, None]
    return Offsets(
        np.where(moving, poses.flank * b / 2.0 - model.compliance * poses.tau, rest.mean),
        np.where(moving, np.where(poses.flank == 0, b / 2.0, 0.0), rest.half),
        np.where(moving, poses.flank, rest.flank),
    )


def land(model: Model, poses: Poses, way: Way, measured: tuple[Measured, ...] = ()) -> list[Landing]:
    """Predicted landings of taught poses, played `raw` or `trimmed`."""
    spread = spread_of(model, measured)
    taught = taught_offsets(model, poses.taught, poses.arrived, poses.held, poses.loads, poses.load_offsets)
    at = poses.target
    tau = holding_torques(model, at, poses.loads, poses.load_offsets)
    # In motion there is no time to trim.
    moving = poses.moving[:, None]
    error = poses.lacking if way == "raw" else np.where(moving, poses.short, 0.0)
    feedback = at - error
    played = played_offsets(model, poses, feedback, way)
    # Where a torque turns round, a link is still on its way through its play.
    passes = -poses.arrives if way == "raw" else poses.passes
    under_way = passes * model.unseen_play / 2.0 - model.compliance * poses.tau
    played = replace(
        played,
        mean=np.where(moving, under_way, played.mean),
        flank=np.where(moving, passes, played.flank),
    )
    link_taught = poses.taught + taught.mean
    link_played = feedback + played.mean
    here, there = places(model.chain, link_taught), places(model.chain, link_played)

    # Standard deviation of each joint's link error, played minus taught.
    loose = np.abs(tau) <= model.friction
    flank_gap = 0.5 * (played.flank - taught.flank)
    is_held = poses.held == 1
    windup = np.where(is_held, model.limp_friction, np.abs(tau))
    lead = lead_of(model)
    # Two leads: from one side to the other.
    gave = np.where(is_held & (poses.arrived != 0), 2.0 * lead, 0.0)
    # The mean side a, of ±1, means the other side in (1 - a)/2 of all cases.
    other = np.maximum(0.5 * (1.0 - np.abs(poses.arrived)), GAVE_WAY)
    variance = (
        (flank_gap * spread.unseen_play) ** 2
        + (spread.compliance * np.where(is_held, np.abs(tau) + model.limp_friction, 0.2 * windup)) ** 2
        + np.where(is_held, model.compliance * spread.limp_friction, 0.0) ** 2
        + other * (1.0 - other) * gave**2
        + (np.where(np.isnan(poses.spread), 0.0, poses.spread)) ** 2
        + (TRIM_LEFT * model.dead_band) ** 2
        + np.where(loose & ~poses.steered & ~poses.moving[:, None], 0.5 * ASTRAY * model.unseen_play, 0.0) ** 2
    )
    if way == "raw":
        variance = variance + spread.pulse_line**2 + (spread.droop_share * error) ** 2
    else:
        # Wound up by what rubs at the joint, one way or the other.
        unsure = (model.compliance * model.friction) ** 2 * (1.0 - poses.turned**2)
        variance = variance + np.where(moving, 0.0, unsure)
    half = taught.half + played.half
    if way == "raw":
        # A load that just about overcomes the friction may let its joint down through the dead band, or not.
        rubs = model.limp_friction + model.friction
        either = np.abs(poses.moved * tau + rubs) < EITHER * rubs
        half = half + np.where(either & ~moving, model.dead_band / 2.0, 0.0)
    pressed = ~loose
    slack = (model.unseen_play, model.seen_play, model.dead_band)

    landings: dict[int, Landing] = {}
    for arm, side in enumerate(SIDES):
        n = np.flatnonzero([said == side for said in poses.side])
        if not len(n):
            continue
        part = model.chain.columns(arm)
        J = there.J[n, part, 3:]
        was = here.X_WT[n, arm, :3, 3]
        miss = there.X_WT[n, arm, :3, 3] - was
        free, deviation = half[n, part], np.sqrt(variance[n, part])
        sigma = np.hypot(root_sum_square(J, deviation), root_sum_square(J, free / np.sqrt(3.0)))
        undecided = dead_motions(J, free)
        worst = farthest_each(J * (free + 2.0 * deviation + _given_way(J, gave[n, part]))[..., None], miss)
        within = shares_within(J, free, deviation, miss)
        dead = all_at_rest(J, pressed[n, part], *(w[part] for w in slack))
        share = np.linalg.norm(J * (link_played - link_taught)[n, part, None], axis=2)
        for k, i in enumerate(n):
            landings[int(i)] = Landing(
                side=side,
                step=poses.step[i],
                row=poses.row[i],
                taught=was[k],
                miss=miss[k],
                sigma=float(sigma[k]),
                undecided=undecided[k],
                worst=float(worst[k]),
                within=float(within[k]),
                dead=dead[k],
                share=share[k],
            )
    return [landings[i] for i in range(len(poses.side))]


def _given_way(J: Array, gave: Array) -> Array:
    """What is added (N, K) rad for the one joint of each pose whose giving way would move the TCP most."""
    result = np.zeros_like(gave)
    rows, most = np.arange(len(gave)), np.argmax(np.linalg.norm(J, axis=2) * gave, axis=1)
    result[rows, most] = gave[rows, most]
    return result


__all__ = ["DeadMotion", "Landing", "Poses", "Way", "at_joints", "land", "played_offsets"]
