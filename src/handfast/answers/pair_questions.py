"""The questions about two arms at once.

meet       at each pass: do both grippers fit on the thing              mm of room left
together   in each carry: does the relative pose stay within tolerance   tolerance / error
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from handfast.answers.facts import Facts
from handfast.answers.judging import MOST, Finding
from handfast.bench.parts import SIDES, Side, Thing
from handfast.geometry.rigid import Array
from handfast.landing.flank import moving_offsets
from handfast.landing.predict import Landing
from handfast.landing.spread import spread_of
from handfast.mechanics.kinematics import places, tool_poses
from handfast.motion.carrying import apart, thing_pose
from handfast.motion.coordinated import LAG_SPREAD, Carried, lag_along
from handfast.motion.passing import PARTS, in_hand, largest, rooms, smallest
from handfast.units import DEGREE

KEPT = ("pose", "distance")
"""Ways to carry that keep the relation at which the grips closed."""


@dataclass(frozen=True)
class Relation:
    """How one carry will keep the relative place, at its samples (M,): expected error m, and its parts' sizes.

    run (M,) m: by play, sag and lag of the links against the plan; taught (M,) m: by what the taught poses disagree
    about; unknown (M,) m: one standard deviation. apart (M, 3) m: mean of what is expected, from the left to the right
    hand, in world axes.
    """

    error: Array
    run: Array
    taught: Array
    unknown: Array
    apart: Array


def relation(facts: Facts, carried: Carried) -> Relation:
    """The relative place of the two TCPs along a carry as it will be run, against where the grips closed.

    Links stand off their feedback by flank and sag; the feedback lags the targets and lacks what the load asks for,
    as far as that has changed since the arms last came to rest and were trimmed. Where the kept relation differs
    from that of the taught poses, those are believed: both arms did hold the thing there.
    """
    m, model = facts.motion, facts.model
    rows = np.concatenate([[carried.closed], np.arange(carried.first, carried.last + 1)])
    tau = facts.link_torque
    off = moving_offsets(model, m.q, m.qd, tau)
    gain = model.full_drive / (model.stall * facts.bench.supply.voltage / model.rated_voltage)
    lag = lag_along(model, m.q[rows], m.loads[carried.first], m.load_offsets[carried.first])
    behind = m.qd[rows] * (lag - lag.mean()) + (facts.torque[rows] - facts.torque[carried.first - 1]) * gain
    behind[0] = 0.0
    q = m.q[rows]
    links = q + off.mean[rows] - behind
    place = places(model.chain, links)
    planned = places(model.chain, q).X_WT
    d, d0 = apart(thing_pose(place.X_WT), place.X_WT), apart(thing_pose(planned), planned)
    run = (d - d0) - (d[0] - d0[0])
    way = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(q, axis=0), axis=1))])
    share = way[:, None] / max(float(way[-1]), 1e-12)
    earlier = [c.disagree for c in m.carries if c.last < carried.first and c.closed == carried.closed]
    before = np.array(earlier[-1]) if earlier else np.zeros(3)
    disagree = before + share * (np.array(carried.disagree) - before)
    disagree[0] = 0.0
    changed = np.zeros_like(run)
    if carried.keep in (*KEPT, "taught"):
        changed = d0 - d0[0]
        if carried.keep != "distance":
            changed = changed - disagree
    spread = spread_of(model, facts.measured)
    flipped = 0.5 * np.abs(off.flank[rows] - off.flank[carried.closed])
    sigma = np.sqrt(
        (flipped * spread.unseen_play) ** 2
        + (spread.compliance * (tau[rows] - tau[carried.closed])) ** 2
        + (off.half[rows] ** 2 + off.half[carried.closed] ** 2) / 3.0
        + (LAG_SPREAD * m.qd[rows]) ** 2
        + (spread.droop_share * behind) ** 2
    )
    unknown = np.sqrt(((place.J[:, :, 3:] * sigma[:, :, None]) ** 2).sum(axis=(1, 2)))
    error = np.sqrt(((run + changed) ** 2).sum(axis=1) + unknown**2)
    parts = (np.linalg.norm(run, axis=1), np.linalg.norm(changed, axis=1), unknown)
    away = np.einsum("mij,mj->mi", thing_pose(planned)[:, :3, :3], run + changed)
    return Relation(error[1:], parts[0][1:], parts[1][1:], parts[2][1:], away[1:])


def pulls(facts: Facts, carried: Carried) -> Array:
    """Force (M, 3), N, by which two hands pull at each other through what they hold, at the samples of a carry.

    The hands would stand as far apart as `relation` says; the thing holds them together, and all joints give: gears by
    their compliance, servos by their proportional drive, which nothing trims while both hands hold. What is not known
    is added along the same line, by the stiffest direction. No joint's servo pushes more than its stall torque. Play
    that gives way first is not taken off: a bound.
    """
    m, model = facts.motion, facts.model
    kept = relation(facts, carried)
    drive = model.full_drive / (model.stall * facts.bench.supply.voltage / model.rated_voltage)
    J = places(model.chain, m.q[carried.first : carried.last + 1]).J[:, :, 3:]
    give = np.einsum("mki,k,mkj->mij", J, model.compliance + drive, J)
    force = np.linalg.solve(give, kept.apart[..., None])[..., 0]
    size = np.linalg.norm(force, axis=1)
    more = np.hypot(size, kept.unknown / np.linalg.eigvalsh(give)[:, 0])
    force = force / np.maximum(size, 1e-9)[:, None] * more[:, None]
    torque = np.abs(np.einsum("mki,mi->mk", J, force)) / (
        model.stall * facts.bench.supply.voltage / model.rated_voltage
    )
    result: Array = force / np.maximum(torque.max(axis=1), 1.0)[:, None]
    return result


def together(facts: Facts) -> Finding:
    """Tolerance over the error of the relative pose, the worst of all carries: place, and twist at each grip."""
    m = facts.motion
    if not m.carries:
        return Finding(MOST, None, "no carry", "nothing is carried")
    found: list[Finding] = []
    times, curve = [], []
    for c in m.carries:
        title = facts.routine.title(c.step)
        allowed = facts.routine.tolerance_of(c.step)
        kept = relation(facts, c)
        n = int(np.argmax(kept.error))
        times.append(m.t[c.first : c.last + 1])
        curve.append(kept.error * 1e3)
        subject: dict[str, object] = {"step": c.step, "side": "left", "closed": c.closed}
        disagree = (
            f", {kept.taught[n] * 1e3:.1f} mm by what the taught poses disagree about" if kept.taught[n] > 5e-4 else ""
        )
        found.append(
            Finding(
                float(min(allowed / max(kept.error[n], 1e-6), MOST)),
                float(m.t[c.first + n]),
                f"both arms, step {title}",
                f"the grips move {kept.error[n] * 1e3:.1f} mm against each other ({kept.run[n] * 1e3:.1f} mm by play, "
                f"sag and lag{disagree}; {kept.unknown[n] * 1e3:.1f} mm not known), {allowed * 1e3:.1f} mm are "
                f"allowed; planned to {c.error * 1e3:.2f} mm, joint by joint it would stray "
                f"{c.joint_error * 1e3:.1f} mm",
                {**subject, "part": "place"},
            )
        )
        if not c.judged:
            continue
        for arm, side in enumerate(SIDES):
            gripper = facts.bench.arm(side).gripper
            limit = gripper.twist_limit
            turned = (
                f"; its fingers close {c.turned[arm] / DEGREE:.0f}° from the taught direction"
                if c.turned[arm] > 0.5 * DEGREE
                else ""
            )
            found.append(
                Finding(
                    float(min(limit / max(c.twist[arm], 1e-6), MOST)),
                    float(m.t[c.last]),
                    f"{side} grip, step {title}",
                    f"it twists {c.twist[arm] / DEGREE:.1f}° on the thing, its pads give {limit / DEGREE:.1f}°{turned}",
                    {**subject, "side": side, "part": "twist"},
                )
            )
    worst = min(found, key=lambda f: f.margin)
    return replace(worst, curve=(np.concatenate(times), np.concatenate(curve)))


@dataclass(frozen=True)
class Met:
    """The hands at one pass, as predicted to land: room left (3,) m of `PARTS`, what was taken off for what is not
    known, `lost` m, of it; at which sample, of which thing, given by whom."""

    step: int
    sample: int
    thing: Thing
    giver: Side
    values: Array
    lost: float


def meetings(facts: Facts) -> list[Met]:
    """Every pass of the motion, the hands where they are predicted to land; what is not known of both is taken off
    twice (two standard deviations along a line)."""
    m, landings = facts.motion, facts.landings("trimmed")
    found = []
    for number, step in enumerate(facts.routine.steps):
        if step.do != "pass":
            continue
        assert step.thing is not None
        thing = facts.bench.thing(step.thing)
        giver: Side = "left" if step.giver == "left" else "right"
        both = [x for side in SIDES for x in landings if x.step == number and x.side == side]
        sample = next(a.sample for a in m.arrivals if a.step == number)
        X_WT = tool_poses(facts.model.chain, m.q[sample])[0]
        X_WT[:, :3, 3] = [x.taught + x.miss for x in both]
        left = rooms(facts.bench, thing, giver, X_WT, in_hand(facts.model, facts.routine, number))
        lost = 2.0 * float(np.hypot(both[0].sigma, both[1].sigma)) / np.sqrt(3.0)
        found.append(Met(number, sample, thing, giver, left.values - lost, lost))
    return found


def meet(facts: Facts) -> Finding:
    """Millimetres left at the tightest pass, for the hands on the thing, errors of both arms taken off."""
    bench, m = facts.bench, facts.motion
    found: list[Finding] = []
    for met in meetings(facts):
        number, thing, lost = met.step, met.thing, met.lost
        n = int(np.argmin(met.values))
        margin = float(met.values[n])
        low = smallest(bench, thing, met.giver, np.full(3, lost))
        high = largest(bench, met.giver, np.full(3, lost))
        short = max((s.short for s in m.shortfalls if s.step == number), default=0.0)
        why = (
            f"{1e3 * margin:.1f} mm {PARTS[n]}" if margin >= 0 else f"{-1e3 * margin:.1f} mm are missing {PARTS[n]}"
        ) + f", {lost * 1e3:.1f} mm taken off for what is not known of both arms"
        if short > 1e-4:
            margin = min(margin, -short)
            why = f"{short * 1e3:.1f} mm are missing for both hands to reach their way in and out"
        extent = max(thing.size[0], thing.size[2]) if thing.grip_width == thing.size[1] else max(thing.size)
        if extent < low:
            why += f"; the thing is {1e3 * (low - extent):.1f} mm too small for this pair"
        elif thing.grip_width > high:
            why += f"; the thing is {1e3 * (thing.grip_width - high):.1f} mm too wide for this pair"
        why += (
            f"; this pair passes things from {low * 1e3:.0f} mm, where two fingers and two pads need their place, to "
            f"{high * 1e3:.0f} mm across the pads, which the taker's jaws bound"
        )
        guessed = sum(not joint.wiper_measured for joint in bench.joints)
        if guessed:
            why += (
                f"; all of it by feedback lines of which {guessed} are not measured, so the hands may stand a "
                "centimetre or two from where this says: handfast calibrate"
            )
        taker = facts.routine.steps[number].taker
        subject: dict[str, object] = {"step": number, "side": taker}
        if extent < low:
            subject["too_small"] = float(low - extent)
        where = f"{taker} arm takes, step {facts.routine.title(number)}"
        found.append(Finding(margin * 1e3, float(m.t[met.sample]), where, why, subject))
    if not found:
        return Finding(MOST, None, "no pass", "nothing is passed")
    return min(found, key=lambda f: f.margin)


def as_things_land(facts: Facts, landings: list[Landing]) -> list[Landing]:
    """Landings where a carry ends judged by the thing that both arms hold.

    Both TCPs are fixed to one thing there: what they share of their misses is where the thing lands; what they do not
    share is how they pull at it, and that is for `together` to judge.
    """
    kept = {c.step for c in facts.motion.carries if c.judged}
    result = list(landings)
    for n, one in enumerate(landings):
        if one.step not in kept:
            continue
        both = [x for x in landings if x.step == one.step]
        miss = np.mean([x.miss for x in both], axis=0)
        sigma = float(np.sqrt(sum(x.sigma**2 for x in both)) / len(both))
        result[n] = replace(one, miss=miss, sigma=sigma)
    return result
