"""What happens in the twin, looked at every few milliseconds: poses, forces of pads, knocks, ink."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from handfast.geometry.rigid import Array
from handfast.rehearsal.gear_kernels import AMPS, GIVEN, PASSED, SHAFT

if TYPE_CHECKING:
    from handfast.rehearsal.twin import Twin

EVERY = 10
"""Milliseconds between two looks."""


@dataclass(frozen=True)
class Seen:
    """N looks. Lengths m, forces N, angles rad, time s.

    t (N,); link, shaft, passed (N, K); tcp (N, 2, 4, 4); gaps (N, 2); things: name to poses (N, 4, 4); press:
    thing to (N, 4) pad forces (left +, left -, right +, right -); used: thing to (N, 2) share of the friction of
    each hand that is used up; amps (N, S); volts (N,); knocks: (time, one, other, force); ink: thing to rows of
    (t, x, y, z, force) where its tip touches the paper; crush: thing to the largest force on it.
    """

    t: Array
    link: Array
    shaft: Array
    passed: Array
    given: Array
    speed: Array
    tcp: Array
    gaps: Array
    things: dict[str, Array]
    press: dict[str, Array]
    used: dict[str, Array]
    amps: Array
    knocks: tuple[tuple[float, str, str, float], ...]
    ink: dict[str, Array]


def _poses(p: Array, R: Array) -> Array:
    """Poses (N, n, 4, 4) from places (N, n, 3) and rotations (N, n, 9)."""
    X = np.zeros((*p.shape[:2], 4, 4))
    X[..., :3, :3], X[..., :3, 3] = R.reshape(*p.shape[:2], 3, 3), p
    X[..., 3, 3] = 1.0
    return X


class Watch:
    """Looks at a twin while it runs."""

    def __init__(self, twin: Twin, geoms: dict[str, list[str]]):
        self._twin = twin
        m = twin.model
        self._names = [m.geom(i).name for i in range(m.ngeom)]
        self._pad = np.full(m.ngeom, -1)
        for k, name in enumerate(f"{side} pad {sign}" for side in ("left", "right") for sign in "+-"):
            self._pad[m.geom(name).id] = k
        self._thing = np.full(m.ngeom, -1)
        self.things = list(geoms)
        for k, parts in enumerate(geoms.values()):
            for part in parts:
                self._thing[m.geom(part).id] = k
        self._arm = np.array([int(m.geom_conaffinity[i]) == 0 and self._pad[i] < 0 for i in range(m.ngeom)])
        self._tips = {m.geom(f"{name} tip").id: name for name in geoms if f"{name} tip" in self._names}
        self._bodies = list(twin.bodies.values())
        K = twin.truth.joints
        self._at, self._at_speed = twin._where[0], twin._where[1, :K]
        self._rows: list[tuple[Any, ...]] = []
        self._pads: list[tuple[Array, Array]] = []
        self._knocks: dict[tuple[str, str], list[float]] = {}
        self._ink: dict[str, list[tuple[float, ...]]] = {name: [] for name in self._tips.values()}

    def look(self) -> None:
        """Called every `EVERY` milliseconds."""
        twin, d = self._twin, self._twin.data
        t = twin.time_us * 1e-6
        state, tcp, bodies = twin._state, twin._tcp, self._bodies
        self._rows.append(
            (
                t, d.qpos[self._at], d.qvel[self._at_speed], state.copy(),
                d.site_xpos[tcp], d.site_xmat[tcp], d.xpos[bodies], d.xmat[bodies],
            )
        )  # fmt: skip
        n = d.ncon
        press = np.zeros((len(self.things), 4))
        used = np.zeros((len(self.things), 2))
        if n:
            contact = d.contact
            geom, address, dim = contact.geom, contact.efc_address, contact.dim
            mu, force = contact.friction[:, 0], d.efc_force
            for k in range(n):
                a, b, at = int(geom[k, 0]), int(geom[k, 1]), int(address[k])
                if at < 0:
                    continue
                normal = float(force[at])
                if normal <= 0.0:
                    continue
                pad = max(self._pad[a], self._pad[b])
                thing = max(self._thing[a], self._thing[b])
                if pad >= 0 and thing >= 0:
                    press[thing, pad] += normal
                    if dim[k] > 1:
                        # How near each point of contact is to sliding, weighed by what it carries.
                        side = math.hypot(force[at + 1], force[at + 2])
                        used[thing, pad // 2] += side / max(float(mu[k]), 1e-9)
                elif a in self._tips or b in self._tips:
                    name = self._tips[a if a in self._tips else b]
                    self._ink[name].append((t, *contact.pos[k], normal))
                elif self._arm[a] or self._arm[b]:
                    pair = (self._names[a], self._names[b])
                    knock = self._knocks.setdefault(pair, [t, 0.0])
                    knock[1] = max(knock[1], normal)
            total = press.reshape(-1, 2, 2).sum(axis=2)
            used = np.where(total > 1e-6, used / np.maximum(total, 1e-6), 0.0)
        self._pads.append((press, used))

    def seen(self) -> Seen:
        """Everything so far."""
        t, q, v, state, tips, turns, places, leans = (np.array(c) for c in zip(*self._rows, strict=True))
        K = self._twin.truth.joints
        tcp = _poses(tips, turns)
        things = _poses(places, leans)
        gaps = q[:, K:].reshape(len(t), 2, 2).sum(axis=2)
        press = np.array([p for p, _ in self._pads])
        used = np.array([u for _, u in self._pads])
        return Seen(
            t=t,
            link=q[:, :K],
            shaft=state[:, SHAFT, :K],
            passed=state[:, PASSED, :K],
            given=state[:, GIVEN],
            speed=v,
            tcp=tcp,
            gaps=gaps,
            things={name: things[:, k] for k, name in enumerate(self.things)},
            press={name: press[:, k] for k, name in enumerate(self.things)},
            used={name: used[:, k] for k, name in enumerate(self.things)},
            amps=state[:, AMPS],
            knocks=tuple((t, a, b, force) for (a, b), (t, force) in self._knocks.items()),
            ink={name: np.array(rows).reshape(-1, 5) for name, rows in self._ink.items()},
        )
