"""A motion as a run plays it: its stops take time, joints come home there, commands are trimmed, and servos follow.

A run stirs every joint before it sets out and waits for the feedback at every taught pose, so what play does depends
on more than the motion alone. Here the motion is stretched to what is really sent, and followed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from handfast.bench.parts import Side
from handfast.geometry.rigid import Array
from handfast.landing.follow import behind, crossings, follow
from handfast.mechanics.dynamics import inverse_dynamics, own_inertias, spring_torques
from handfast.mechanics.kinematics import places
from handfast.mechanics.model import Model
from handfast.motion.laid_down import DT, Motion
from handfast.units import DEGREE

SETTLE = 0.5
"""Rest before the feedback is read at a stop, s."""

STOP_SHORT = 2.5 * DEGREE
"""How far before its target a joint of undecided flank stops, to creep in from there."""

LOOSEN = 2.5 * DEGREE
"""Swing of the joints that are stirred before the first pose, or below which arms come up to their start."""

RISE_SPEED = 4.0 * DEGREE
"""How fast that last motion is, rad/s: braked so gently that what rubs at a joint is enough for a link which nothing
presses to stay behind its shaft (so it is with simulated arms, no source)."""

STIRRED = -1.0
"""Side of its play on which that leaves a link that nothing presses: the last motion goes up, the link trails."""

RATTLE = 0.25
"""A link that goes over again within this time, s, rattles: that is told as one jump."""

_BEFORE, _HOME, _ROUND, _ROUNDS = 1.8, 1.2, 0.4, 3
"""Times, s: before the motion, up to its start and at rest there, to come home from a known side, and of a trim; and
how many trims."""

_EVERY = 25
"""Samples for which a joint is taken to move the same inertia."""

_TURN = 1e-6
"""Smallest turn of a shaft in one step that counts, rad."""


def carried_on(sign: Array) -> Array:
    """Signs (M, K) in which every 0 is replaced by the last value before it that is none."""
    index = np.maximum.accumulate(np.where(sign != 0, np.arange(len(sign))[:, None], 0), axis=0)
    return np.take_along_axis(sign, index, axis=0)


def setting_out(motion: Motion, since: float, stop: int, way: Array) -> float:
    """Sample at which arms set out for a stop, having stood (or closed their jaws) from sample `since` on.

    way (K,): the joints that are to come home from a known side there; their arms are looked at, from the first of
    their joints to the last.
    """
    first, part = min(int(since), stop), np.flatnonzero(way)
    q = motion.q[first : stop + 1, part.min() : part.max() + 1] if len(part) else motion.q[first : stop + 1]
    moved = np.abs(q - q[0]).max(axis=1) > 1e-9
    return float(max(since, first + int(np.argmax(moved)) - 1)) if moved.any() else float(stop)


@dataclass(frozen=True)
class Played:
    """What is foreseen of a run in M steps of `DT`.

    sample (M,): sample of the motion at each step. feedback (M, K) rad. side (M, K): where each link lies in its play,
    -1 to 1; turned (M, K): way in which its shaft turned last, 0 before it did. rests: for each stop (by its sample)
    the step at which the arms have come to rest there. sure (K,): joints whose side at first is known, as their load
    decides it. behind (K,): by how many steps the shafts follow.
    """

    sample: np.ndarray
    feedback: Array
    side: Array
    turned: Array
    rests: dict[int, int]
    sure: np.ndarray
    behind: np.ndarray

    def in_motion(self, sample: int) -> tuple[Array, Array]:
        """Feedback (K,) rad, and where each link lies in its play (K,), when the shafts pass where they are sent at a
        sample: their delay is none of place."""
        at = np.minimum(np.searchsorted(self.sample, sample) + self.behind, len(self.sample) - 1)
        joints = np.arange(self.side.shape[1])
        return np.asarray(self.feedback[at, joints]), np.asarray(self.side[at, joints])


def as_played(model: Model, motion: Motion, ways: Mapping[int, Array] | None = None, trimmed: bool = True) -> Played:
    """Foresee a run. ways: for each stop the joints (K,) that come home from a known side: +1, -1, or 0. Unless it is
    `trimmed`, arms are not stirred before it either, but come to their start upwards.
    """
    ways = {} if ways is None else ways
    K = motion.q.shape[1]
    stops: dict[int, np.ndarray] = {}
    for arrival in motion.arrivals:
        if not arrival.row:
            stops.setdefault(arrival.sample, np.zeros(K, dtype=bool))[model.bench.columns(arrival.side)] = True
    strokes = np.array([a.sample for a in motion.arrivals if a.row], dtype=int)
    first = round(_BEFORE / DT)
    sample = [np.zeros(first, dtype=int)]
    rising = np.zeros((first, K))
    if not trimmed:
        r = np.clip((DT * np.arange(first) - 0.3) / (1.5 * LOOSEN / RISE_SPEED), 0.0, 1.0)
        rising = np.tile(LOOSEN * (3 * r**2 - 2 * r**3 - 1.0)[:, None], (1, K))
    short, trim = [rising], [np.zeros((first, K), dtype=bool)]
    steps, before = first, 0
    rests: dict[int, int] = {}

    def add(samples: np.ndarray, apart: Array, trimmed: np.ndarray | None = None) -> None:
        nonlocal steps
        sample.append(samples)
        short.append(np.broadcast_to(apart, (len(samples), K)))
        mask = np.zeros((len(samples), K), dtype=bool)
        if trimmed is not None:
            mask[0] = trimmed
        trim.append(mask)
        steps += len(samples)

    def stand(at: int, seconds: float, apart: Array, trimmed: np.ndarray | None = None) -> None:
        add(np.full(round(seconds / DT), at), apart, trimmed)

    none = np.zeros(K)
    for stop, part in sorted(stops.items()):
        way = ways.get(stop, none)
        n = np.arange(before, stop)
        begun = setting_out(motion, max(before, int(strokes[strokes < stop].max(initial=0))), stop, way)
        r = np.clip((n - begun) / max(stop - begun, 1e-9), 0.0, 1.0)
        add(n, -STOP_SHORT * way * (3 * r**2 - 2 * r**3)[:, None])
        stand(stop, SETTLE, -STOP_SHORT * way)
        home = 1.0 - np.linspace(0.0, 1.0, round(_HOME / DT))
        if np.any(way):
            add(np.full(len(home), stop), -STOP_SHORT * way * home[:, None])
        for _ in range(_ROUNDS):
            stand(stop, _ROUND, none, part if trimmed else None)
        rests[stop] = steps - 1
        before = stop
    add(np.arange(before, len(motion.t)), none)
    at, off = np.concatenate(sample), np.concatenate(short)

    rows = np.arange(0, len(motion.t), _EVERY)
    inertia = own_inertias(model.chain, motion.q[rows], motion.loads[rows], motion.load_offsets[rows])
    inertia = np.repeat(inertia, _EVERY, axis=0)[: len(motion.t)]
    tau = inverse_dynamics(model.chain, motion.q, motion.qd, motion.qdd, motion.loads, motion.load_offsets)
    load = tau + spring_torques(model.springs, motion.q) - inertia * motion.qdd
    pressed = np.abs(load[0]) > model.friction
    start = np.where(pressed, -np.sign(load[0]), STIRRED)
    followed = follow(model, DT, motion.q[at] + off, load[at], inertia[at], start, np.concatenate(trim))
    half = np.maximum(0.5 * model.unseen_play, 1e-12)
    turns = np.diff(followed.feedback, axis=0, prepend=followed.feedback[:1])
    turned = carried_on(np.where(np.abs(turns) > _TURN, np.sign(turns), 0.0))
    side = np.where(model.unseen_play > 0, followed.slack / half, 0.0)
    steps_behind = np.round(behind(model, inertia.mean(axis=0)) / DT).astype(int)
    return Played(at, followed.feedback, side, turned, rests, pressed, steps_behind)


@dataclass(frozen=True)
class Jump:
    """Along a run a link goes over to the other side of its play, and its TCP jumps.

    time s: of the motion, its stops taking no time. sure: False where it is only likely on which side the link was, as
    it has not moved before.
    """

    time: float
    side: Side
    joint: str
    size: float
    sure: bool = True


def jumps(model: Model, motion: Motion, played: Played) -> list[Jump]:
    """Every time at which a link goes over to the other side of its play, and how far its TCP jumps, m."""
    steps: Array = DT * np.arange(len(played.sample), dtype=float)
    crossed: list[tuple[int, int]] = []
    last: dict[int, float] = {}
    for time, i, n in crossings(steps, played.side, np.full(played.side.shape[1], 2.0)):
        if time - last.get(i, -np.inf) >= RATTLE:
            crossed.append((i, n))
        last[i] = time
    if not crossed:
        return []
    at = played.sample[[n for _, n in crossed]]
    J = places(model.chain, motion.q[at]).J
    names = model.bench.joint_names
    begun = set(np.flatnonzero(played.sure).tolist())
    found = []
    for k, (i, _) in enumerate(crossed):
        size = float(np.linalg.norm(J[k, i, 3:]) * model.unseen_play[i])
        side, _, joint = names[i].partition(" ")
        time = float(motion.t[at[k]])
        found.append(Jump(time, "left" if side == "left" else "right", joint, size, i in begun))
        begun.add(i)
    return found
