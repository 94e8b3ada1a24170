"""A routine as commands that a board can play by itself: nothing is read, nothing is trimmed on the way.

What a host finds at every stop, by reading the feedback, can be taken over from a run that was played before: the
commands at which its arms came to rest. Without one, the arms land as untrimmed ones do.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from handfast.bench.parts import Side
from handfast.errors import InputError
from handfast.geometry.rigid import Array
from handfast.mechanics.model import Model
from handfast.motion.as_played import SETTLE, STOP_SHORT, setting_out
from handfast.motion.laid_down import DT, Arrival, Motion
from handfast.records.run import Run
from handfast.sessions.jaws import Jaws
from handfast.sessions.run import FADE, Creep
from handfast.units import DEGREE

COME_HOME = 0.4
"""Time in which the last piece of the way to a stop is gone, s."""
REST = 0.3
"""Rest at a stop, s."""
SAME = 0.1 * DEGREE
"""A stop's target that differs by more than this from the run's is another one."""

Trims = Mapping[tuple[int, Side], Array]


def trims_of(model: Model, motion: Motion, run: Run) -> Trims:
    """By (step, side): what the run added to the targets of that arm at its stops, (joints,) rad.

    Raises InputError if the run did not stop where this motion stops: the routine has changed since.
    """
    rests = {(r.step, r.side): r for r in run.rests if not r.row}
    found = {}
    for arrival in motion.arrivals:
        if arrival.row:
            continue
        key = (arrival.step, arrival.side)
        rest = rests.get(key)
        target = motion.q[arrival.sample][model.bench.columns(arrival.side)]
        if rest is None or len(rest.target) != len(target) or np.abs(rest.target - target).max() > SAME:
            raise InputError(
                f"the run did not stop where the {arrival.side} arm stops in step {arrival.step + 1}",
                where=f"run of {run.started}",
                expected="a run of this routine as it is now, by the same way",
                next_step=f"play it once more: handfast run {run.routine}",
            )
        found[key] = rest.command - target
    return found


def frames(
    model: Model,
    motion: Motion,
    creeps: Mapping[int, Creep],
    trims: Trims,
    frame_time: float,
    closed: Mapping[int, float] | None = None,
) -> tuple[Array, Array]:
    """Commands frame by frame: joint angles (N, K) rad and gaps between the pads (N, 2) m.

    Arms stop short of a stop from which they have to come home on a known side, as a host's session does. closed: gaps
    m that a run before found its jaws to hold with, by number of the motion's closing; the others close as planned.
    """
    bench = model.bench
    stops: dict[int, list[Arrival]] = {}
    for arrival in motion.arrivals:
        if not arrival.row:
            stops.setdefault(arrival.sample, []).append(arrival)
    strokes = sorted(a.sample for a in motion.arrivals if a.row)
    order = sorted(stops)
    jaws = Jaws(bench, motion, False, dict(closed or {}))
    q: list[Array] = []
    gaps: list[Array] = []

    def add(command: Array, sample: int, seconds: float = 0.0) -> None:
        for _ in range(max(1, round(seconds / frame_time))):
            q.append(command)
            gaps.append(jaws.gaps(sample))

    trim = np.zeros(motion.q.shape[1])
    since, done = 0.0, 0
    for n in range(math.ceil(motion.duration / frame_time - 1e-9) + 1):
        position = min(n * frame_time / DT, len(motion.t) - 1.0)
        k = int(position)
        after = min(k + 1, len(motion.q) - 1)
        planned = motion.q[k] + (position - k) * (motion.q[after] - motion.q[k])
        stop = order[done] if done < len(order) else None
        ahead = max((s for s in strokes if stop is None or s < stop), default=-1)
        way = creeps[stop].way if stop is not None and stop in creeps else np.zeros(len(planned))
        short = np.zeros(len(planned))
        if stop is not None and position > ahead:
            begun = setting_out(motion, max(since, float(ahead)), stop, way)
            share = min(1.0, max(0.0, (position - begun) / (stop - begun))) if begun < stop else 0.0
            short = -way * STOP_SHORT * (3 * share**2 - 2 * share**3)
        # The commands of a corrected stroke hold all that its servos will lack.
        kept = max(0.0, 1.0 - (position - since) * DT / FADE) if creeps and ahead > since else 1.0
        add(planned + kept * trim + short, k)
        while stop is not None and position >= stop - 1e-9:
            target = motion.q[stop]
            found = trim.copy()
            for arrival in stops[stop]:
                columns = bench.columns(arrival.side)
                if trims:
                    found[columns] = trims[arrival.step, arrival.side]
            begin, end = target + trim - way * STOP_SHORT, target + found
            add(begin, stop, SETTLE)
            steps = max(1, round(COME_HOME / frame_time))
            for i in range(1, steps + 1):
                r = i / steps
                add(begin + (3 * r**2 - 2 * r**3) * (end - begin), stop)
            add(end, stop, REST)
            trim, since = found, position
            done += 1
            stop = order[done] if done < len(order) else None
            way = creeps[stop].way if stop is not None and stop in creeps else np.zeros(len(planned))
    return np.array(q), np.array(gaps)
