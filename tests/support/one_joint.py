"""Two arms of one joint each, about level axes, whose torques can be worked by hand.

Each arm is a weightless rod of `LENGTH` with a point mass at its end, standing upright at angle zero and lying along
the world's x at +90 degrees for a joint about +y, at -90 degrees for one about -y. Lying along x, gravity pulls down,
so the torque that lifts is negative about +y and positive about -y.
"""

from __future__ import annotations

from typing import Any, cast

import numpy as np

from handfast.mechanics.model import Bodies, Chain, Model
from handfast.units import STANDARD_GRAVITY

LENGTH, MASS = 0.2, 0.1
WEIGHT = MASS * STANDARD_GRAVITY * LENGTH
"""Torque of a level arm, 0.1 kg · 9.80665 m/s² · 0.2 m = 0.196133 N·m."""


def chain(axis_y: float = -1.0, mass: float = MASS) -> Chain:
    """Both arms alike, joints about ±y."""
    return Chain(
        first=np.array([0, 1, 2]),
        bases=np.tile(np.eye(4), (2, 1, 1)),
        offsets=np.zeros((2, 3)),
        axes=np.tile([0.0, axis_y, 0.0], (2, 1)),
        masses=np.full(2, mass),
        coms=np.tile([0.0, 0.0, LENGTH], (2, 1)),
        inertias=np.zeros((2, 3, 3)),
        tools=np.tile([0.0, 0.0, LENGTH], (2, 1)),
        tool_turns=np.tile(np.eye(3), (2, 1, 1)),
        travel=np.tile([-2 * np.pi, 2 * np.pi], (2, 1)),
        gravity=np.array([0.0, 0.0, -STANDARD_GRAVITY]),
    )


def model(axis_y: float = -1.0, mass: float = MASS, **figures: float) -> Model:
    """A model without a bench; `figures` hold for both joints, the rest is: no spring, no friction, no play."""
    values: dict[str, Any] = {
        "friction": 0.0, "stall": 1.0, "free_speed": 6.0, "rated_voltage": 6.0, "rotor": 0.0, "full_drive": 0.05,
        "unseen_play": 0.0, "seen_play": 0.0, "compliance": 0.0, "dead_band": 0.0, "limp_friction": 0.0,
    }  # fmt: skip
    values.update(figures)
    empty = np.zeros((0, 3))
    bodies = Bodies(
        links=np.zeros(0, dtype=np.int64), froms=empty, tos=empty, radii=np.zeros(0), boxes=np.zeros((0, 4, 4)),
        box_sizes=empty, pairs=np.zeros((0, 3), dtype=np.int64), names=(), box_names=(),
    )  # fmt: skip
    return Model(
        bench=cast(Any, None),
        chain=chain(axis_y, mass),
        bodies=bodies,
        springs=np.zeros((2, 2)),
        **{name: np.full(2, float(value)) for name, value in values.items()},
    )


def level(axis_y: float = -1.0) -> np.ndarray:
    """Both arms lying along the world's x, (1, 2) rad."""
    return np.full((1, 2), np.pi / 2.0 * axis_y)
