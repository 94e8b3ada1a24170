"""What happens in the twin, looked at every few milliseconds: poses, forces of pads, knocks, ink."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from handfast.geometry.rigid import Array

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
        self._rows: list[tuple[Array, ...]] = []
        self._pads: list[tuple[Array, Array]] = []
        self._knocks: dict[tuple[str, str], list[float]] = {}
        self._ink: dict[str, list[tuple[float, ...]]] = {name: [] for name in self._tips.values()}

    def look(self, ms: int) -> None:
        """Called after every step."""
        if ms % EVERY:
            return
        twin, d = self._twin, self._twin.data
        t = ms * 1e-3
        state = twin._state
        things = np.array([twin.thing_pose(name) for name in self.things]).reshape(-1, 4, 4)
        self._rows.append(
            (
                np.array([t]), twin.link_angles(), twin.shaft_angles(), twin.passed, state[7].copy(),
                twin.link_speeds(), twin.tool_poses(), twin.gaps(), things, state[5].copy(),
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
        columns = [np.array(c) for c in zip(*self._rows, strict=True)]
        press = np.array([p for p, _ in self._pads])
        used = np.array([u for _, u in self._pads])
        return Seen(
            t=columns[0][:, 0],
            link=columns[1],
            shaft=columns[2],
            passed=columns[3],
            given=columns[4],
            speed=columns[5],
            tcp=columns[6],
            gaps=columns[7],
            things={name: columns[8][:, k] for k, name in enumerate(self.things)},
            press={name: press[:, k] for k, name in enumerate(self.things)},
            used={name: used[:, k] for k, name in enumerate(self.things)},
            amps=columns[9],
            knocks=tuple((t, a, b, force) for (a, b), (t, force) in self._knocks.items()),
            ink={name: np.array(rows).reshape(-1, 5) for name, rows in self._ink.items()},
        )
