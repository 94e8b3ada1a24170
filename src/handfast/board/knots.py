"""A routine for the board's own memory: pulses frame by frame, thinned to few knots, and sent."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.board.codec import wire
from handfast.board.host import HostBoard
from handfast.board.stored import check_of
from handfast.errors import InputError
from handfast.geometry.rigid import Array

WRITING = 4.0
"""How long a board may take to write what it was sent, s."""


@dataclass(frozen=True)
class Thinned:
    """Knots: frames since the one before (the first says 1) and pulses (M, channels) in µs/8; 0 where none.

    off: by how much the lines between them leave what was planned, at most, in each channel's own `scale`.
    """

    frames: tuple[int, ...]
    pulses: np.ndarray
    off: float

    @property
    def knots(self) -> list[tuple[int, tuple[int, ...]]]:
        """As they are kept."""
        return [(n, tuple(int(p) for p in row)) for n, row in zip(self.frames, self.pulses, strict=True)]


def thinned(pulses: np.ndarray, scale: Array, within: float) -> Thinned:
    """The fewest knots, taken from the frames themselves, whose straight lines stay `within` of all frames.

    pulses (N, channels) µs/8, one row a frame; scale (channels,): what one eighth of a microsecond is worth, in the
    unit of `within` (say rad). Frames at which pulses stand still on both sides cost no more than their two ends.
    """
    y = pulses * scale
    count = len(y)
    fewest = np.full(count, count + 1)
    fewest[0] = 1
    came_from = np.zeros(count, dtype=int)
    longest = int(wire().kinds["store_knot"].fields[1].high)
    for i in range(count - 1):
        if fewest[i] + 1 <= fewest[count - 1]:
            _reach(y, within, i, min(count, i + longest + 1), fewest, came_from)
    at = [count - 1]
    while at[-1]:
        at.append(int(came_from[at[-1]]))
    chosen = np.array(at[::-1])
    lines = np.column_stack([np.interp(np.arange(count), chosen, y[chosen, c]) for c in range(y.shape[1])])
    frames = (1, *(int(n) for n in np.diff(chosen)))
    return Thinned(frames, pulses[chosen], float(np.abs(lines - y).max()))


def _reach(y: Array, within: float, i: int, end: int, fewest: np.ndarray, came_from: np.ndarray) -> None:
    """Note at every frame before `end` that a line from frame i reaches whether this takes fewer knots."""
    low, high = np.full((1, y.shape[1]), -np.inf), np.full((1, y.shape[1]), np.inf)
    start, ahead = i + 1, 32
    while start < end:
        k = np.arange(start, min(end, start + ahead))
        far = (k - i)[:, None]
        way = (y[k] - y[i]) / far
        # Slopes that keep all frames before each one, and that one too.
        lows = np.maximum.accumulate(np.vstack([low, (y[k] - within - y[i]) / far]))
        highs = np.minimum.accumulate(np.vstack([high, (y[k] + within - y[i]) / far]))
        ok = np.all((way >= lows[:-1] - 1e-15) & (way <= highs[:-1] + 1e-15), axis=1)
        none = np.any(lows[1:] > highs[1:], axis=1)
        last = int(np.argmax(none)) if none.any() else len(k) - 1
        better = k[: last + 1][ok[: last + 1] & (fewest[i] + 1 < fewest[k[: last + 1]])]
        fewest[better], came_from[better] = fewest[i] + 1, i
        if none.any():
            return
        low, high, start, ahead = lows[-1:], highs[-1:], start + len(k), 2 * ahead


def fitting(pulses: np.ndarray, scale: Array, within: float) -> Thinned:
    """`thinned`, refused with the excess if a board has no room for it: InputError with what would fit."""
    most = wire().limits["knots"]
    found = thinned(pulses, scale, within)
    if len(found.frames) <= most:
        return found
    wider = within
    for _ in range(8):
        wider *= 1.5
        if len(thinned(pulses, scale, wider).frames) <= most:
            break
    degrees = 180.0 / np.pi
    raise InputError(
        f"does not fit: {len(found.frames)} knots at lines within {within * degrees:.2g}°, {len(found.frames) - most} "
        "too many",
        expected=f"at most {most} knots in the board's memory",
        next_step=f"--within {wider * degrees:.2g} fits; or shorten the routine",
    )


def store(board: HostBoard, thin: Thinned, ramp: int, hold: bool, repeats: int) -> None:
    """Send knots to a board with limits loaded, and have them written. Raises Denied with the excess."""
    knots = thin.knots
    mask = sum(1 << n for n in range(thin.pulses.shape[1]) if thin.pulses[0, n])
    board.ask(
        "store_begin", WRITING, knots=len(knots), mask=mask, crc=check_of(knots), ramp=ramp, hold=int(hold),
        repeats=repeats,
    )  # fmt: skip
    for index, (frames, pulses) in enumerate(knots):
        board.ask("store_knot", WRITING, index=index, frames=frames, pulse=pulses)
    board.ask("store_commit", WRITING)
