"""Holding torques twice over: as the fast answers reckon them from statics, and as the twin's gears passed them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from handfast.bench.parts import SIDES, Bench, Vector
from handfast.geometry.rigid import Array
from handfast.landing.predict import Landing, Poses
from handfast.mechanics.dynamics import gravity_torques, spring_torques
from handfast.mechanics.kinematics import places
from handfast.mechanics.model import Model
from handfast.records.run import Run
from handfast.rehearsal.outcome import Landed
from handfast.rehearsal.watch import Seen
from handfast.standins.truth import Truth

WITHIN = 0.10
"""Share of the larger torque by which the two may differ."""

BEFORE = 0.1
"""The twin's torque is the mean over this long before the moment of rest, s."""


HELD = 0.05
"""Force of each pad from which a hand holds something, N."""


STANDS = 0.005
"""A thing whose lowest point is this near the height on which it stands in the end stands there, m."""


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
        stands = any(_stands(seen, name, bench.thing(name).size, int(looks[-1])) for name in held)
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


@dataclass(frozen=True)
class Place:
    """Where one pose came to rest off its taught place, m (3,): as predicted, and on the twin.

    allowed: by how much the two may differ, m: `APART` where every joint's side of its play is decided, else what the
    prediction leaves open; touch: what outside the arm bears on it there through what it holds, in words; told: how far
    off its target the TCP may rest with a feedback that is as near as the run brought it, to half a step of the
    converter where no noise makes means of many readings finer, m; slid: whether nothing was trimmed, and the run
    brought it elsewhere than was foreseen.
    """

    step: int
    side: str
    fast: Array
    twin: Array
    decided: bool
    allowed: float
    touch: str
    told: float
    slid: bool = False

    @property
    def apart(self) -> float:
        """Distance between the two, m."""
        return float(np.linalg.norm(self.twin - self.fast))

    @property
    def why(self) -> str:
        """Why the two differ by more than they may; nothing where they do not."""
        if self.apart <= self.allowed:
            return ""
        if self.touch:
            return self.touch
        if self.slid and self.apart <= self.allowed + self.told:
            return (
                f"its servos stopped {self.told * 1e3:.1f} mm from where they were foreseen to, as its feedback tells"
            )
        if self.apart <= self.allowed + self.told:
            return f"its feedback tells it to {self.told * 1e3:.1f} mm: what the trim left, and a converter's half step"
        return "no cause found"

    def plain(self) -> dict[str, Any]:
        """As plain values, for JSON."""
        return {
            "step": self.step + 1,
            "arm": self.side,
            "fast_mm": [round(float(v) * 1e3, 3) for v in self.fast],
            "twin_mm": [round(float(v) * 1e3, 3) for v in self.twin],
            "apart_mm": round(self.apart * 1e3, 3),
            "decided": self.decided,
            "allowed_mm": round(self.allowed * 1e3, 3),
            "why": self.why,
        }


def beside(
    bench: Bench,
    truth: Truth,
    model: Model,
    poses: Poses,
    landings: Sequence[Landing],
    landed: Sequence[Landed],
    run: Run,
    seen: Seen,
) -> list[Place]:
    """Predicted and rehearsed landing of every pose that came to rest."""
    said = {(x.step, x.side): x for x in landings if not x.row}
    lacking = {(poses.step[n], poses.side[n]): row for n, row in enumerate(poses.lacking) if not poses.row[n]}
    found = []
    for x in landed:
        fast = said.get((x.step, x.side))
        if x.row or fast is None:
            continue
        rest = next(r for r in run.rests if (r.step, r.side, r.row) == (x.step, x.side, x.row))
        when = rest.time
        look = int(np.searchsorted(seen.t, when).clip(0, len(seen.t) - 1))
        arm = SIDES.index(x.side)
        held = [n for n, p in seen.press.items() if p[look, 2 * arm : 2 * arm + 2].min() >= HELD]
        touch = ""
        if any(seen.press[name][look].min() >= HELD for name in held):
            touch = "both hands hold it there, and each is drawn by the other"
        elif any(
            len(ink := seen.ink.get(name, np.zeros((0, 1)))) and abs(ink[:, 0] - when).min() < NEAR for name in held
        ):
            touch = "its tip presses on the paper there"
        elif any(_stands(seen, name, bench.thing(name).size, look) for name in held):
            touch = "what the hand holds stands on something there"
        decided = fast.undecided.farthest < DECIDED
        allowed = APART if decided else fast.undecided.farthest + 2.0 * fast.sigma + APART
        J = places(model.chain.only(arm), rest.feedback).J[0, :, 3:]
        coarse = (
            truth.wiper_noise[bench.columns(x.side)] < 0.5 * bench.controller.reference / 2**bench.controller.wiper_bits
        )
        steps = np.where(coarse, 0.5, 0.0) / np.abs([joint.wiper_slope for joint in bench.arm(x.side).joints])
        lacks = rest.target - rest.feedback
        if run.mode == "raw":
            lacks = lacks - lacking[x.step, x.side][bench.columns(x.side)]
        off = steps + np.abs(lacks)
        slid = run.mode == "raw" and bool(np.any(np.abs(lacks) > 2.0 * steps))
        told = float(np.linalg.norm(np.linalg.norm(J, axis=1) * off))
        found.append(Place(x.step, x.side, fast.miss, x.miss, decided, allowed, touch, told, slid))
    return found


APART = 1e-3
"""A predicted landing and a rehearsed one may differ by this where all is decided, m (common practice, no source)."""

NEAR = 0.5
"""A tip that marks the paper this near a moment presses on it then, s."""

DECIDED = 1e-4
"""A landing is decided where play leaves its place open by less than this, m."""


def _stands(seen: Seen, name: str, size: Vector, n: int) -> bool:
    """Whether a thing's lowest point is as low at look n as in the end, where no hand has it any more."""
    X = seen.things[name][[n, -1]]
    lowest = X[:, 2, 3] - 0.5 * np.abs(X[:, 2, :3]) @ np.array(size)
    return bool(seen.press[name][-1].max() <= 0.0 and abs(lowest[0] - lowest[1]) < STANDS)


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


__all__ = ["BEFORE", "WITHIN", "Holding", "Place", "beside", "fast_torques", "holding_text", "holdings"]
