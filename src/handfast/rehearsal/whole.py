"""Whole-motion figures twice over: as the fast answers reckon them along the plan, and as the twin showed them.

Root mean square and largest torque of every joint, mean current of every arm, and when the arms come nearest to
something. Each frame of a run belongs to a sample of the plan, so that rests count in both for as long as they lasted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from handfast.bench.parts import SIDES, Bench
from handfast.geometry.rigid import Array
from handfast.mechanics.clearance import clearances
from handfast.mechanics.dynamics import gravity_torques, spring_torques
from handfast.mechanics.model import Model
from handfast.records.run import Run
from handfast.rehearsal.beside import HELD, NEAR, WITHIN
from handfast.rehearsal.watch import Seen
from handfast.units import counted

PEAKS_WITHIN = 0.25
"""Share of the larger by which largest torques may differ: a few samples of an impact make them."""

PEAK_TIME = 0.020
"""Largest torques are means over this long, s."""

WHEN_WITHIN = 0.1
"""Times of the nearest approach may differ by this, s."""

AS_NEAR = 1e-3
"""Bodies that are this much farther apart than at their nearest are as near, m."""

AFTER = 0.3
"""Contact stirs an arm this long before and after it is seen, s."""

LAG = 0.15
"""After a frame is sent, the arms are where it asks within this time, s (dead time, lag, and some)."""


@dataclass(frozen=True)
class Figure:
    """One figure: what it is of, in which unit, both values, the share or size by which they may differ, and why they
    do where they differ by more."""

    what: str
    unit: str
    fast: float
    twin: float
    off: float
    allowed: float
    why: str

    def plain(self) -> dict[str, Any]:
        """As plain values, for JSON."""
        return {
            "what": self.what, "unit": self.unit, "fast": round(self.fast, 4), "twin": round(self.twin, 4),
            "differ": round(self.off, 4), "allowed": self.allowed, "why": self.why,
        }  # fmt: skip


def whole_figures(
    bench: Bench, model: Model, run: Run, seen: Seen, t: Array, planned: Array, torque: Array, currents: Array,
    gaps: Array, loads: Array, handed: Mapping[str, float],
) -> tuple[Figure, ...]:  # fmt: skip
    """All figures, from what the fast answers have at the plan's samples t (N,) s: planned (N, K) rad, torque (N, K)
    N·m passed to the links, currents (N, S) A by servo, gaps (N, P) m, loads (N, 2) kg; handed:
    until when a person held each thing."""
    assert run.sample is not None
    on = (seen.t >= run.t[0]) & (seen.t <= run.t[-1])
    frame = np.searchsorted(run.t, seen.t[on]).clip(0, len(run.t) - 1)
    sample = run.sample[frame]
    dt = float(np.median(np.diff(seen.t)))
    touching, holding = _touching(bench, seen, handed)
    # A load that is planned and not in the hand, or in it and not planned, is on its way from or to somewhere.
    apart = touching[on] | (holding[on] != (loads[sample] > 0.0))
    free = ~_widened(apart, round(AFTER / dt))
    goes = np.concatenate([[False], np.diff(run.sample) != 0])[frame]
    going = _widened(goes[:, None], round(LAG / dt))[:, 0]
    found = _torques(bench, model, seen, on, free, going, torque[sample], planned[sample])
    found += _currents(bench, model, seen, on, free, currents[sample])
    nearest = _nearest(model, run, seen, on, gaps, t)
    return tuple(found if nearest is None else [*found, nearest])


def _touching(bench: Bench, seen: Seen, handed: Mapping[str, float]) -> tuple[np.ndarray, np.ndarray]:
    """Looks (N, 2) at which something outside an arm bears on it through what it holds, and at which it holds it."""
    found, holding = np.zeros((len(seen.t), 2), dtype=bool), np.zeros((len(seen.t), 2), dtype=bool)
    for name, press in seen.press.items():
        held = np.column_stack([press[:, 2 * arm : 2 * arm + 2].min(axis=1) >= HELD for arm in range(2)])
        outside = held.all(axis=1)
        ink = seen.ink.get(name)
        if ink is not None and len(ink):
            k = np.searchsorted(ink[:, 0], seen.t).clip(1, len(ink) - 1) if len(ink) > 1 else np.zeros(len(seen.t), int)
            near = np.minimum(np.abs(ink[k, 0] - seen.t), np.abs(ink[np.maximum(k - 1, 0), 0] - seen.t))
            outside |= near < NEAR
        X = seen.things[name]
        half = 0.5 * np.array(bench.thing(name).size)
        lowest = X[:, 2, 3] - np.abs(X[:, 2, :3]) @ half
        # What hangs from a hand alone moves with it; what stands somewhere is as low as where it stood or will stand.
        stands = (np.abs(lowest - lowest[0]) < STANDS_WITHIN) | (np.abs(lowest - lowest[-1]) < STANDS_WITHIN)
        outside |= seen.t <= handed.get(name, -1.0)
        found |= held & (outside | stands)[:, None]
        holding |= held
    return found, holding


def _widened(mask: np.ndarray, looks: int) -> np.ndarray:
    """Looks (N, n) at which, or within so many looks of which, a mask is true."""
    from scipy.ndimage import maximum_filter1d

    result: np.ndarray = maximum_filter1d(mask.astype(np.uint8), 2 * looks + 1, axis=0, mode="constant") > 0
    return result


STANDS_WITHIN = 2e-3
"""A held thing whose lowest point is this near to where it stood before or after may still stand there, m."""


def _torques(
    bench: Bench, model: Model, seen: Seen, on: np.ndarray, free: np.ndarray, going: np.ndarray, fast: Array,
    planned: Array,
) -> list[Figure]:  # fmt: skip
    twin, dt = seen.passed[on], float(np.median(np.diff(seen.t)))
    weights = np.ones(max(1, round(PEAK_TIME / dt)))
    weights /= len(weights)
    statics = [gravity_torques(model.chain, q) + spring_torques(model.springs, q) for q in (planned, seen.link[on])]
    found = []
    for i, name in enumerate(bench.joint_names):
        arm = 0 if name.startswith("left") else 1
        use = free[:, arm]
        if not use.any():
            continue
        f, w = fast[use, i], twin[use, i]
        friction = float(model.friction[i])
        rms = _rms(f), _rms(w)
        off, why = abs(rms[1] - rms[0]) / max(*rms, 1e-9), ""
        # What standing elsewhere than planned changes, by droop, play and sag.
        elsewhere = _rms(statics[1][use, i] - statics[0][use, i])
        borne = friction + WITHIN * max(*rms, friction)
        if off > WITHIN:
            apart = abs(rms[1] - rms[0])
            if apart <= borne:
                why = f"friction of the joint may bear {friction:.3f} N·m of it at rest"
            elif apart <= borne + elsewhere:
                why = f"the arm stands beside the plan, and friction may bear {friction:.3f} N·m"
            else:
                why = "no cause found"
        found.append(Figure(f"{name}, torque, root mean square", "N·m", *rms, off, WITHIN, why))
        use = use & going
        if not use.any():
            continue
        peak = tuple(float(np.abs(np.convolve(x[:, i], weights, mode="same")[use]).max()) for x in (fast, twin))
        off, why = abs(peak[1] - peak[0]) / max(*peak, 1e-9), ""
        if off > PEAKS_WITHIN:
            elsewhere = float(np.abs(statics[1][use, i] - statics[0][use, i]).max())
            sides = np.sign(fast[use, i])
            changes = int(np.count_nonzero(np.diff(sides[sides != 0]) != 0))
            if abs(peak[1] - peak[0]) <= borne:
                why = f"friction of the joint may bear {friction:.3f} N·m of it"
            elif abs(peak[1] - peak[0]) <= borne + elsewhere:
                why = f"the arm stands beside the plan, and friction may bear {friction:.3f} N·m"
            elif changes and peak[1] > peak[0]:
                why = f"its load changes sides {counted(changes, 'time')}, and its gears knock across their play"
            elif peak[1] > peak[0] and peak[0] < friction:
                why = f"less than its friction of {friction:.3f} N·m loads it: it rattles in its play"
            else:
                why = "no cause found"
        found.append(Figure(f"{name}, torque, largest over 20 ms", "N·m", peak[0], peak[1], off, PEAKS_WITHIN, why))
    return found


def _rms(x: Array) -> float:
    return float(np.sqrt((x**2).mean()))


def _currents(bench: Bench, model: Model, seen: Seen, on: np.ndarray, free: np.ndarray, fast: Array) -> list[Figure]:
    K = len(bench.joint_names)
    twin = seen.amps[on]
    found = []
    for arm, side in enumerate(SIDES):
        part = np.r_[np.arange(K)[bench.columns(side)], K + arm]
        use = free[:, arm]
        if not use.any():
            continue
        mean = float(fast[use][:, part].sum(axis=1).mean()), float(twin[use][:, part].sum(axis=1).mean())
        off = abs(mean[1] - mean[0]) / max(*mean, 1e-9)
        why = ""
        if off > WITHIN:
            own = part[:-1]
            # A servo that stands may have any drive that its gears' friction holds.
            stall = np.array([bench.servo_of(joint).stall_current for joint in bench.arm(side).joints])
            stuck = float((model.limp_friction[own] / model.stall[own] * stall).sum())
            most = int(part[np.argmax(np.abs((twin - fast)[use][:, part].mean(axis=0)))])
            name = bench.joint_names[most] if most < K else f"{side} gripper"
            why = (
                f"servos at rest may draw up to {stuck:.2f} A against the friction of their own gears; most of it at "
                f"the {name}"
                if abs(mean[1] - mean[0]) <= stuck
                else f"most of it at the {name}; no cause found"
            )
        found.append(Figure(f"{side} arm, mean current", "A", *mean, off, WITHIN, why))
    return found


def _nearest(model: Model, run: Run, seen: Seen, on: np.ndarray, gaps: Array, t: Array) -> Figure | None:
    """When the nearest pair of bodies is nearest, on the run's clock."""
    assert run.sample is not None
    least = gaps.min(axis=1) if gaps.size else np.array([np.inf])
    n = int(np.argmin(least))
    if not np.isfinite(least[n]):
        return None
    pair = int(np.argmin(gaps[n]))
    frame = int(np.argmax(run.sample >= n))
    when = float(run.t[frame])
    own = clearances(model.chain, model.bodies, seen.link[on])[:, pair]
    times = seen.t[on]
    k = int(np.argmin(own))
    off = abs(float(times[k]) - when)
    why = ""
    if off > WHEN_WITHIN:
        about = own[(times >= when - WHEN_WITHIN) & (times <= when + WHEN_WITHIN + LAG)]
        here = float(about.min()) if len(about) else np.inf
        why = (
            f"at both times they are as near, {here * 1e3:.1f} and {own[k] * 1e3:.1f} mm"
            if here - own[k] <= AS_NEAR
            else "no cause found"
        )
    what = f"{model.bodies.pair_name(pair)} nearest ({least[n] * 1e3:.1f} and {own[k] * 1e3:.1f} mm)"
    return Figure(what, "s", when, float(times[k]), off, WHEN_WITHIN, why)


def whole_text(found: Sequence[Figure]) -> list[str]:
    """Lines of a table: fast and twin side by side; torques and currents that agree are counted, not listed."""
    if not found:
        return []
    agree = [f for f in found if not f.why]
    lines = [
        f"  whole motion, outside contact, fast answer beside the twin: {len(agree)} of {len(found)} figures agree "
        f"(torque and current within {100 * WITHIN:.0f} %, largest torques {100 * PEAKS_WITHIN:.0f} %, times "
        f"{WHEN_WITHIN:g} s)"
    ]
    for f in found:
        if f.why or f.unit != "N·m":
            note = f"  {f.why}" if f.why else ""
            lines.append(f"    {f.what:46} {f.fast:7.3f} {f.twin:7.3f} {f.unit}{note}")
    return lines


__all__ = ["Figure", "whole_figures", "whole_text"]
