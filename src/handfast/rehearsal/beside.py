"""Holding torques twice over: as the fast answers reckon them from statics, and as the twin's gears passed them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from handfast.bench.parts import SIDES, Bench
from handfast.geometry.rigid import Array
from handfast.mechanics.dynamics import gravity_torques, spring_torques
from handfast.mechanics.model import Model
from handfast.records.run import Run
from handfast.rehearsal.watch import Seen

WITHIN = 0.10
"""Share of the larger torque by which the two may differ."""

BEFORE = 0.1
"""The twin's torque is the mean over this long before the moment of rest, s."""


HELD = 0.05
"""Force of each pad from which a hand holds something, N."""


STANDS = 0.005
"""A thing this near the height at which it stands in the end stands there, m."""


@dataclass(frozen=True)
class Holding:
    """Torque that one joint passes to its link at rest, N·m, at the pose where it is largest: fast, and on the twin.

    friction: what the joint itself may bear at rest, N·m; empty: the hand should hold something there and does not;
    stood: torque of what it holds, if that stands on something there, else 0, N·m.
    """

    joint: str
    step: int
    fast: float
    twin: float
    friction: float
    empty: bool
    stood: float

    @property
    def off(self) -> float:
        """Size of the difference as a share of the larger one."""
        larger = max(abs(self.fast), abs(self.twin))
        return abs(self.twin - self.fast) / larger if larger > 0.0 else 0.0

    @property
    def why(self) -> str:
        """Why the two differ by more than `WITHIN`; nothing where they do not."""
        if self.off <= WITHIN:
            return ""
        if self.empty:
            return "the hand holds nothing there, and should"
        apart = abs(self.twin - self.fast)
        borne = self.friction + WITHIN * max(abs(self.fast), self.friction)
        if apart <= borne:
            return f"friction of the joint may bear {self.friction:.3f} of it at rest"
        if apart <= borne + self.stood:
            return "what the hand holds stands on something there"
        if self.stood > 0.0 and abs(self.twin) < abs(self.fast):
            return "what the hand holds stands on something there, and the arm leans on it"
        return "no cause found"

    def plain(self, title: str) -> dict[str, Any]:
        """As plain values, for JSON."""
        return {
            "joint": self.joint,
            "step": title,
            "fast_Nm": round(self.fast, 5),
            "twin_Nm": round(self.twin, 5),
            "differ_percent": round(100 * self.off, 1),
            "why": self.why,
        }


def holdings(bench: Bench, model: Model, run: Run, seen: Seen) -> tuple[Holding, ...]:
    """For each joint that rests anywhere, the rest at which the fast torque is largest."""
    found: dict[int, Holding] = {}
    for rest in run.rests:
        columns = np.arange(len(bench.joint_names))[bench.columns(rest.side)]
        q = np.zeros((1, len(bench.joint_names)))
        q[0, columns] = rest.target
        loads = np.zeros((1, 2))
        loads[0, SIDES.index(rest.side)] = rest.load
        fast = fast_torques(model, q, loads)[0]
        load = np.abs(fast - fast_torques(model, q, np.zeros((1, 2)))[0])
        inside = (seen.t > rest.time - BEFORE) & (seen.t <= rest.time + 1e-9)
        if not inside.any():
            continue
        twin = seen.passed[inside].mean(axis=0)
        arm = SIDES.index(rest.side)
        looks = np.flatnonzero(inside)
        held = [n for n, p in seen.press.items() if p[looks, 2 * arm : 2 * arm + 2].min(axis=1).max() >= HELD]
        empty = rest.load > 0.0 and not held
        stands = any(_stands(seen, name, int(looks[-1])) for name in held)
        for i in columns:
            if i not in found or abs(fast[i]) > abs(found[i].fast):
                found[int(i)] = Holding(
                    bench.joint_names[i],
                    rest.step,
                    float(fast[i]),
                    float(twin[i]),
                    float(model.friction[i]),
                    empty,
                    float(load[i]) if stands else 0.0,
                )
    return tuple(found[i] for i in sorted(found))


def _stands(seen: Seen, name: str, n: int) -> bool:
    """Whether a thing is as high at look n as in the end, where no hand has it any more."""
    z = seen.things[name][:, 2, 3]
    return bool(seen.press[name][-1].max() <= 0.0 and abs(z[n] - z[-1]) < STANDS)


def fast_torques(model: Model, q: Array, loads: Array) -> Array:
    """Torques (N, K) N·m that gears pass to links at rest: against gravity, loads and counter-springs."""
    return gravity_torques(model.chain, q, loads) + spring_torques(model.springs, q)


def holding_text(found: Sequence[Holding], titles: Sequence[str]) -> list[str]:
    """Lines of a table: fast and twin side by side."""
    if not found:
        return []
    lines = ["  holding torque of each joint where it is largest, N·m: fast answer, twin"]
    for h in found:
        note = f"  differ by {100 * h.off:.0f} %: {h.why}" if h.why else ""
        lines.append(f"    {h.joint:18} step {titles[h.step]:24} {h.fast:+8.4f} {h.twin:+8.4f}{note}")
    return lines


__all__ = ["BEFORE", "WITHIN", "Holding", "fast_torques", "holding_text", "holdings"]
