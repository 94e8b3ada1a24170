"""How sure a chance is that was found by trying."""

from __future__ import annotations

import math

_Z = 1.959963984540054
"""Standard normal deviate that leaves 2.5 % above it."""


def wilson(worked: int, tried: int, z: float = _Z) -> tuple[float, float]:
    """Wilson's score interval of a share, 95 % unless `z` says otherwise.

    Source: Wilson, J. American Statistical Association 22 (1927), from memory.
    """
    p = worked / tried
    middle = p + z * z / (2 * tried)
    half = z * math.sqrt(p * (1 - p) / tried + z * z / (4 * tried * tried))
    scale = 1 + z * z / tried
    low = 0.0 if worked == 0 else (middle - half) / scale
    high = 1.0 if worked == tried else (middle + half) / scale
    return low, high
