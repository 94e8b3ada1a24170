"""Ink against the lines that it should follow: how far off, how much of it, and where that comes from.

The part that a shift, a turn and a scale explain is found by fitting them to nearest places in turn (iterated closest
points, Besl & McKay, IEEE Trans. PAMI 14(2), 1992, with the scale of Umeyama, IEEE Trans. PAMI 13(4), 1991; both from
memory). What is left is shape: play, wandering, corners.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.errors import InputError
from handfast.geometry.rigid import Array

STEP = 1e-4
"""Distance between places taken along the lines, m."""
NEAR = 3e-3
"""A place of the lines counts as drawn if there is ink this near, once the ink as a whole is in place, m."""
FAR = 0.04
"""Ink further than this from every line belongs to something else, m."""


@dataclass(frozen=True)
class LineScore:
    """All in m. rms and worst: distance of the ink from the lines, as it lies. share: of the lines that is drawn.

    offset (2,), turn rad and scale: what moves the lines onto the ink. shape: root mean square of what is left.
    """

    rms: float
    worst: float
    share: float
    offset: Array
    turn: float
    scale: float
    shape: float
    count: int


def score_lines(ink: Array, lines: list[Array]) -> LineScore:
    """Ink places (N, 2) m against lines, each (M, 2) m. Raises InputError if no ink is near any line."""
    from scipy.spatial import cKDTree

    wanted = np.concatenate([_finely(line) for line in lines])
    tree = cKDTree(wanted)
    off, _ = tree.query(ink)
    ink = ink[off < FAR]
    if len(ink) < 20:
        raise InputError(
            "no ink near the drawing",
            expected=f"ink within {FAR * 1e3:g} mm of it",
            next_step="see whether it is the right drawing, and whether it began at the cross",
        )
    off, _ = tree.query(ink)
    scale, turn, shift = _fitted(wanted, ink)
    R = _turned(turn)
    middle = wanted.mean(axis=0)
    placed = scale * (wanted - middle) @ R.T + middle + shift
    left, _ = cKDTree(placed).query(ink)
    reach, _ = cKDTree(ink).query(placed)
    return LineScore(
        rms=float(np.sqrt((off**2).mean())),
        worst=float(off.max()),
        share=float((reach < NEAR).mean()),
        offset=shift,
        turn=turn,
        scale=scale,
        shape=float(np.sqrt((left**2).mean())),
        count=len(ink),
    )


def _turned(angle: float) -> Array:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, -s], [s, c]])


def _finely(line: Array) -> Array:
    """Places along a line, `STEP` apart."""
    steps = np.linalg.norm(np.diff(line, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    at = np.linspace(0.0, along[-1], max(2, round(along[-1] / STEP) + 1))
    return np.column_stack([np.interp(at, along, line[:, i]) for i in range(2)])


def _fitted(wanted: Array, ink: Array) -> tuple[float, float, Array]:
    """Scale, turn rad and shift (2,) of the lines, about their middle, that bring them nearest to the ink."""
    from scipy.spatial import cKDTree

    middle = wanted.mean(axis=0)
    about = wanted - middle
    scale, turn, shift = 1.0, 0.0, np.zeros(2)
    for _ in range(60):
        placed = scale * about @ _turned(turn).T + middle + shift
        _, k = cKDTree(placed).query(ink)
        a, b = about[k], ink - middle
        a0, b0 = a.mean(axis=0), b.mean(axis=0)
        A, B = a - a0, b - b0
        dot, cross = float((A * B).sum()), float((A[:, 0] * B[:, 1] - A[:, 1] * B[:, 0]).sum())
        size = float((A**2).sum())
        new_turn = float(np.arctan2(cross, dot))
        # A single straight line has no scale of its own where its ends are not drawn: keep it within reason.
        new_scale = float(np.clip(np.hypot(dot, cross) / max(size, 1e-12), 0.8, 1.25))
        new_shift = b0 - new_scale * _turned(new_turn) @ a0
        moved = abs(new_turn - turn) + abs(new_scale - scale) + float(np.abs(new_shift - shift).max()) * 10.0
        scale, turn, shift = new_scale, new_turn, np.asarray(new_shift)
        if moved < 1e-7:
            break
    return scale, turn, shift
