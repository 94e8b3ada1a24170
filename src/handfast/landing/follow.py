"""Along a motion: what the feedback does while the target moves, and where the links are in their play.

A proportional servo moves on only while its error gives more drive than load and gear friction ask, so its
feedback stops short of a target on either side, by an amount that each change of direction has to run through
first; the play comes after that. At speed w the error grows by w·full_drive/free_speed (the back voltage of the
motor).

Source: the torque-speed line of a permanent-magnet motor and a play operator in series with a stop operator
(Krasnosel'skii & Pokrovskii, *Systems with Hysteresis*, 1989, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.geometry.rigid import Array
from handfast.mechanics.model import Model

FALL = 0.02
"""Time in which a loaded link crosses its play, s (common practice, no source)."""

ACROSS = 0.35
"""Share of the play, either side of its middle, beyond which a link counts as being on that side."""


@dataclass(frozen=True)
class Followed:
    """feedback (N, K) rad; slack (N, K) rad: link minus feedback through the unseen play, within ± half of it."""

    feedback: Array
    slack: Array


def follow(model: Model, t: Array, q: Array, tau: Array, start: Array | None = None) -> Followed:
    """Follow targets q (N, K) rad at even times t (N,) s, under loads tau (N, K) N·m without the joints' friction.

    start (K,): side of its play, -1 to 1, on which each link begins (0: the middle).
    """
    from handfast.landing.follow_kernels import follow_kernel

    dt = float(t[1] - t[0]) if len(t) > 1 else 0.01
    bench = model.bench
    volts = bench.supply.voltage / model.rated_voltage
    dead_time = np.array([bench.servo_of(joint).dead_time for joint in bench.joints])
    feedback, slack = np.empty_like(q), np.empty_like(q)
    follow_kernel(
        np.ascontiguousarray(q),
        np.ascontiguousarray(tau),
        np.round(dead_time / dt).astype(np.int64),
        np.maximum(model.stall * volts / model.full_drive, 1e-9),
        model.dead_band,
        model.limp_friction,
        model.full_drive / model.free_speed / volts,
        model.free_speed * volts,
        model.unseen_play,
        model.friction,
        np.zeros(q.shape[1]) if start is None else np.asarray(start, dtype=float),
        dt,
        FALL,
        feedback,
        slack,
    )
    return Followed(feedback, slack)


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
