"""A `Chain` and its `Bodies` as a model of MuJoCo: an outside reference.

Contacts are switched off, since only dynamics and distances are asked for.
"""

from __future__ import annotations

import mujoco
import numpy as np

from handfast.geometry.rigid import Array
from handfast.mechanics.model import Bodies, Chain


def _words(numbers) -> str:
    return " ".join(repr(float(x)) for x in np.ravel(numbers))


def _frame(X: Array) -> str:
    """A pose as attributes. A rotation goes in as its x and y axes."""
    return f'pos="{_words(X[:3, 3])}" xyaxes="{_words(X[:3, :2].T)}"'


def _inertial(mass: float, com, inertia) -> str:
    I = np.asarray(inertia)
    six = (I[0, 0], I[1, 1], I[2, 2], I[0, 1], I[0, 2], I[1, 2])
    return f'<inertial mass="{float(mass)!r}" pos="{_words(com)}" fullinertia="{_words(six)}"/>'


def with_load(chain: Chain, loads, load_offsets) -> Chain:
    """The chain whose last links have swallowed point masses `loads` (arms,) at `load_offsets` from the TCP."""
    masses, coms, inertias = chain.masses.copy(), chain.coms.copy(), chain.inertias.copy()
    for arm in range(chain.arms):
        last = chain.columns(arm).stop - 1
        points = ((masses[last], coms[last]), (loads[arm], chain.tools[arm] + load_offsets[arm]))
        total = sum(m for m, _ in points)
        com = sum(m * c for m, c in points) / total
        for m, c in points:
            d = c - com
            inertias[last] += m * (d @ d * np.eye(3) - np.outer(d, d))
        masses[last], coms[last] = total, com
    return Chain(**{**chain.__dict__, "masses": masses, "coms": coms, "inertias": inertias})


def model_of(chain: Chain, bodies: Bodies | None = None) -> mujoco.MjModel:
    """The arms side by side; geoms 'capsule k', 'box k' and 'table' stand for the bodies."""
    geoms: dict[int, str] = {}
    if bodies is not None:
        for k, link in enumerate(bodies.links):
            ends, size = _words([bodies.froms[k], bodies.tos[k]]), _words(bodies.radii[k])
            geoms[int(link)] = geoms.get(int(link), "") + (
                f'<geom name="capsule {k}" type="capsule" fromto="{ends}" size="{size}" mass="0"/>'
            )
        geoms[-1] = geoms.get(-1, "") + '<geom name="table" type="plane" size="1 1 0.1"/>'
        for k, (X, half) in enumerate(zip(bodies.boxes, bodies.box_sizes, strict=True)):
            geoms[-1] += f'<geom name="box {k}" type="box" size="{_words(half)}" {_frame(X)}/>'
    text = geoms.get(-1, "")
    for arm in range(chain.arms):
        part = chain.columns(arm)
        text += f"<body {_frame(chain.bases[arm])}>"
        for i in range(part.start, part.stop):
            text += (
                f'<body pos="{_words(chain.offsets[i])}">'
                f'<joint name="joint {i}" type="hinge" axis="{_words(chain.axes[i])}"/>'
                + _inertial(chain.masses[i], chain.coms[i], chain.inertias[i])
                + geoms.get(i, "")
            )
        text += "</body>" * (part.stop - part.start + 1)
    return mujoco.MjModel.from_xml_string(
        f'<mujoco><compiler angle="radian" autolimits="true"/>'
        f'<option gravity="{_words(chain.gravity)}"><flag contact="disable"/></option>'
        f"<worldbody>{text}</worldbody></mujoco>"
    )
