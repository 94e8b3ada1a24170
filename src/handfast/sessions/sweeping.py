"""The powered readings that need no instrument: what the supply does to feedback, and every joint swept in turn.

Each joint is stepped over its travel, up and down, while the others stand; it is read at rest after each step. It goes
only as far as all bodies stay clear of each other, where the bench's figures put them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from handfast.bench.lines import pulse_of
from handfast.errors import InputError
from handfast.geometry.rigid import Array
from handfast.landing.flank import holding_torques
from handfast.mechanics.clearance import clearances
from handfast.mechanics.model import Model
from handfast.motion.as_played import LOOSEN
from handfast.records.readings import Follow, Readings, Sweep
from handfast.sessions.powered import Powered
from handfast.sessions.way_in import STANDS, way_in
from handfast.units import DEGREE

SPEED = 0.8
"""Highest speed of a joint that is swept, rad/s."""

STEPS = 16
"""Steps on the way up, and on the way down."""

REST, READ = 0.5, 25
"""Rest before a step is read, s, and frames that are read."""

ENDS = 0.06
"""Share of the travel, at either end, that is left alone."""

MARGIN = 0.010
"""Smallest gap between bodies while joints are swept, m: bodies of one arm are near each other anyway (common practice,
no source)."""

LEAST = 25.0 * DEGREE
"""A joint that has less room is not swept."""

STIRRED = (0.0, -0.12, 0.12, -0.06, 0.06, 0.0)
"""Poses at which joints are stirred, as shares of their travel beside the one in the middle."""

LEAST_DROOP = 0.01 * DEGREE
"""A joint whose droop shows less than this from everywhere is one that gravity does not load."""

RUN_UP = 3.0 * DEGREE
"""How far below its reach a joint begins, so that it comes to its first step upwards."""


@dataclass(frozen=True)
class Plan:
    """Where the arms stand (K,) rad while one is swept, how far each joint goes (K, 2) rad, the joints swept, and
    where they are stirred before that (N, K) rad."""

    at: Array
    reach: Array
    joints: tuple[int, ...]
    stirred: Array

    @property
    def skipped(self) -> tuple[int, ...]:
        """Joints without the room for it."""
        return tuple(i for i in range(len(self.at)) if i not in self.joints)


def plan_sweeps(model: Model) -> Plan:
    """Where to stand so that every joint has room, and the joint whose droop shows least shows the most of it.

    Raises InputError if no place is clear.
    """
    middle = model.chain.travel.mean(axis=1)
    stands = [share * middle for share in STANDS]
    reaches = [np.array([clear_reach(model, at, joint) for joint in range(len(at))]) for at in stands]
    shown = np.array([droop_shown(model, at, reach) for at, reach in zip(stands, reaches, strict=True)])
    loaded = shown.max(axis=0) > LEAST_DROOP
    room = np.array([float(np.min(np.ptp(reach, axis=1) / np.ptp(model.chain.travel, axis=1))) for reach in reaches])
    worth = shown[:, loaded].min(axis=1) if loaded.any() else room
    best = int(np.argmax(np.where(room >= 0.5 * room.max(), worth, -1.0)))
    at, reach = stands[best], reaches[best]
    joints = tuple(int(i) for i in np.flatnonzero(np.ptp(reach, axis=1) >= LEAST))
    if not joints:
        raise InputError(
            "no joint has the room to be swept",
            where="the arms' bodies and the bench's boxes",
            expected=f"gaps of at least {MARGIN * 1e3:.0f} mm with both arms half folded",
            next_step="handfast check says what is near; move the bases apart, or take a box out of bench.toml",
        )
    return Plan(at, reach, joints, np.stack([_clear_stir(model, at, share) for share in STIRRED]))


def _clear_stir(model: Model, at: Array, share: float) -> Array:
    """A pose (K,) beside `at`, by a share of each joint's travel, or less of it where bodies would come too near."""
    low, high = model.chain.travel.T
    swings = LOOSEN * np.concatenate([np.eye(len(at)), -np.eye(len(at)), np.zeros((1, len(at)))])
    for part in (1.0, 0.5, 0.25):
        q = np.clip(at + part * share * (high - low), low + LOOSEN, high - LOOSEN)
        if not len(model.bodies.pairs) or clearances(model.chain, model.bodies, q + swings).min() >= MARGIN:
            break
    else:
        q = np.clip(at, low + LOOSEN, high - LOOSEN)
    return np.asarray(q)


def clear_reach(model: Model, at: Array, joint: int) -> Array:
    """How far (2,) rad a joint can go both ways from `at` (K,) while all bodies keep `MARGIN`; nowhere: at[joint]."""
    low, high = model.chain.travel[joint]
    ends = ENDS * (high - low)
    ways = np.linspace(low + ends, high - ends, 241)
    q = np.tile(at, (len(ways), 1))
    q[:, joint] = ways
    if not len(model.bodies.pairs):
        return ways[[0, -1]]
    clear = clearances(model.chain, model.bodies, q).min(axis=1) >= MARGIN
    here = int(np.argmin(np.abs(ways - at[joint])))
    if not clear[here]:
        return np.full(2, at[joint])
    bad = np.flatnonzero(~clear)
    first = int(bad[bad < here].max(initial=-1)) + 1
    last = int(bad[bad > here].min(initial=len(ways))) - 1
    reach = ways[[first, last]]
    if first > 0:
        reach[0] = min(reach[0] + RUN_UP, reach[1])
    return reach


def droop_shown(model: Model, at: Array, reach: Array) -> Array:
    """How much of each joint's droop (K,) rad no pulse line could stand in for, over its reach (K, 2), from `at` (K,).

    Standard deviation of what its load of gravity adds to the droop beside a straight line.
    """
    shown = np.zeros(len(at))
    for joint in range(len(at)):
        ways = np.linspace(reach[joint, 0], reach[joint, 1], 40)
        q = np.tile(at, (len(ways), 1))
        q[:, joint] = ways
        tau = holding_torques(model, q, np.zeros((1, 2)), np.zeros((1, 2, 3)))[:, joint]
        line = np.column_stack([np.ones(len(ways)), ways])
        left = tau - line @ np.linalg.lstsq(line, tau, rcond=None)[0]
        shown[joint] = float(left.std()) * model.full_drive[joint] / model.stall[joint]
    return shown


def fastest(model: Model, plan: Plan) -> float:
    """Highest speed of a TCP that the sweeps ask for, m/s: the longest arm, stretched, at `SPEED`."""
    chain = model.chain
    arms = range(len(chain.first) - 1)
    reaches = [
        np.linalg.norm(chain.offsets[chain.columns(arm)][1:], axis=1).sum() + np.linalg.norm(chain.tools[arm])
        for arm in arms
    ]
    return float(SPEED * max(reaches))


def follow_readings(wire: Powered, poses: Array) -> tuple[Follow, ...]:
    """What the supply does to each joint's feedback: joints are stirred a little at several poses (N, K).

    Wide motions would shift the loads of the others, and with them their shafts.
    """
    for pose in poses:
        wire.ramp(pose)
        wire.hold(wire.command, 0.5)
        wire.loosen()
    told = zip(wire.bench.joint_names, wire.fit.follows, wire.fit.errors, strict=True)
    leads = round(wire.fit.leads, 4)
    return tuple(Follow(joint=n, share=float(k), error=max(float(e), 1e-3), leads=leads) for n, k, e in told)


def sweep(wire: Powered, joint: int, reach: Array, steps: int = STEPS) -> Sweep:
    """Step one powered joint over reach (2,) rad, up and down, and read it at rest after each step."""
    part = wire.bench.joints[joint]
    servo, pulse_step = wire.bench.servo_of(part), wire.bench.controller.pulse_step
    start = wire.command.copy()
    rising = np.linspace(reach[0], reach[1], steps)
    targets = np.concatenate([rising, rising[::-1][1:]])
    ways = np.concatenate([np.ones(steps), -np.ones(steps - 1)])
    counts, pulses, supply = [], [], []
    # The other joints stand where the feedback shows them, not where they were sent.
    shown = wire.hold(start, REST).mean(axis=0)
    goal = start.copy()
    goal[joint] = targets[0] - RUN_UP
    wire.ramp(np.clip(goal, wire.travel[:, 0], wire.travel[:, 1]), SPEED)
    for target in targets:
        goal[joint] = target
        wire.ramp(goal, SPEED)
        wire.hold(goal, REST)
        seen = []
        for _ in range(READ):
            wire.send(goal)
            seen.append(wire.clean_counts()[part.channel])
        counts.append(float(np.mean(seen)))
        sent = pulse_of(part, servo, np.array(target))
        pulses.append(float(np.round(sent / pulse_step) * pulse_step))
        supply.append(float(wire.volts.mean()))
    wire.ramp(start, SPEED)
    return Sweep(
        joint=wire.bench.joint_names[joint],
        pulses=tuple(pulses),
        counts=tuple(counts),
        ways=" ".join("+" if way > 0 else "-" for way in ways),
        at=tuple(float(v) for v in shown),
        supply=float(np.mean(supply)),
    )


def take_sweeps(
    wire: Powered, model: Model, plan: Plan, told: Callable[[Readings, str], None] = lambda *_: None
) -> Readings:
    """Attach, read what the supply does, and sweep the plan's joints. told: called with what there is so far, and
    what was done. Raises InputError if the arms cannot get from where they are to where they begin."""
    names = wire.bench.joint_names
    wire.attach()
    for q in way_in(model, wire.command, plan.stirred[0]):
        wire.ramp(q)
    found = Readings(follows=follow_readings(wire, plan.stirred))
    told(found, "what the supply does to the feedback")
    wire.ramp(plan.at)
    # A joint that goes far shifts the loads of others, and their standing shafts with them.
    wire.learns = False
    for number, joint in enumerate(plan.joints):
        found = found + Readings(sweeps=(sweep(wire, joint, plan.reach[joint]),))
        told(found, f"{names[joint]} ({number + 1} of {len(plan.joints)})")
    return found
