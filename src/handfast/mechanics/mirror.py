"""A pose of one arm as the other arm takes it, reflected in the upright plane midway between the bases."""

from __future__ import annotations

import numpy as np

from handfast.geometry.rigid import Array, pose
from handfast.mechanics.model import Chain


def mirror_plane(chain: Chain) -> tuple[Array, Array]:
    """A point (3,) of the plane midway between the two bases, and its unit normal (3,), level."""
    left, right = chain.bases[0][:3, 3], chain.bases[1][:3, 3]
    normal = right - left
    normal[2] = 0.0
    length = float(np.linalg.norm(normal))
    # Two bases in one place have no line between them; the left base's own x is as good as any.
    normal = normal / length if length > 1e-9 else chain.bases[0][:3, 0].copy()
    return 0.5 * (left + right), normal


def mirrored(chain: Chain, X_WT: Array) -> tuple[Array, Array]:
    """The tool pose (4, 4) reflected in the plane between the bases, either way round.

    A reflection turns a right-handed frame into a left-handed one. Fingers (z) and the line of the jaws (y) are
    reflected as they are; x = y × z makes the frame right-handed again. With two like jaws, y and -y grip alike:
    both are given.
    """
    point, normal = mirror_plane(chain)
    flip = np.eye(3) - 2.0 * np.outer(normal, normal)
    z, p = flip @ X_WT[:3, 2], point + flip @ (X_WT[:3, 3] - point)
    one, other = (pose(np.column_stack([np.cross(y, z), y, z]), p) for y in (-(flip @ X_WT[:3, 1]), flip @ X_WT[:3, 1]))
    return one, other
