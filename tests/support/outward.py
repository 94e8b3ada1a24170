"""What arms reach with fingers leaning outwards, asked point by point: the rival of the tables of reach."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from handfast.geometry.rigid import Array, pose, yaw_pose
from handfast.layout.shared_reach import reaches
from handfast.mechanics.model import Chain


def directly(chains: tuple[Chain, Chain], at: Array, points: Array, lean: float) -> np.ndarray:
    """Which of both arms (2, N) reach points (N, 3) m with fingers leaning outwards, bases at (2, 3): closed forms,
    point by point."""
    found = np.zeros((2, len(points)), dtype=bool)
    for arm in range(2):
        height = float(chains[arm].bases[0, 2, 3])
        base = yaw_pose(np.array([at[arm, 0], at[arm, 1], height]), float(at[arm, 2]))
        way = points[:, :2] - at[arm, :2]
        out = way / np.maximum(np.linalg.norm(way, axis=1), 1e-12)[:, None]
        z = np.column_stack([np.sin(lean) * out, np.full(len(points), -np.cos(lean))])
        side = np.column_stack([-out[:, 1], out[:, 0], np.zeros(len(points))])
        X = pose(np.stack([np.cross(side, z), side, z], axis=-1), points)
        found[arm] = reaches(replace(chains[arm], bases=base[None]), X)
    return found
