"""Curves over time: one panel with its scales, lines in different styles, limits, and a mark where it is worst."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise

import numpy as np

from handfast.geometry.rigid import Array
from handfast.report.svg import FAINT, INK, RULE, SMALL, Picture, brief, fitted, width_of


def ticks(low: float, high: float, count: int = 4) -> list[float]:
    """Round numbers from low to high, about `count` of them, 1, 2 or 5 times a power of ten apart."""
    span = high - low
    if not (span > 0.0 and math.isfinite(span)):
        return [low]
    raw = span / max(count, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    step = next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= raw * (1.0 - 1e-9))
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [step * k for k in range(first, last + 1)]


def round_down(value: float) -> float:
    """The largest 1, 2 or 5 times a power of ten that is not above a positive value."""
    power = 10.0 ** math.floor(math.log10(value))
    return max(m * power for m in (0.5, 1.0, 2.0, 5.0) if m * power <= value * (1.0 + 1e-9))


def kept(values: Array, bins: int) -> np.ndarray:
    """Which points of a curve to draw: its ends, and the lowest and the highest of each of `bins` stretches.

    Peaks are kept, so that no picture shows less than the numbers say. Points on a straight line between
    their neighbours are left out.
    """
    count = len(values)
    index = np.arange(count)
    if count > 2 * bins:
        edges = np.linspace(0, count, bins + 1).astype(int)
        found = {0, count - 1}
        for a, b in pairwise(edges):
            part = values[a:b]
            found.update((int(a + np.argmin(part)), int(a + np.argmax(part))))
        index = np.array(sorted(found))
    shown = values[index]
    slope = np.diff(shown) / np.diff(index)
    bends = np.abs(np.diff(slope)) > 1e-9 * max(float(np.ptp(values)), 1e-12)
    result: np.ndarray = index[np.concatenate([[True], bends, [True]])] if count > 2 else index
    return result


class Panel:
    """A rectangle of a picture with a time scale and a value scale."""

    def __init__(
        self,
        picture: Picture,
        x: float,
        y: float,
        width: float,
        height: float,
        times: tuple[float, float],
        values: tuple[float, float],
    ):
        """The rectangle's upper left corner and size, and what its edges stand for."""
        self.picture, self.x, self.y, self.width, self.height = picture, x, y, width, height
        self.times, self.values = times, values
        self._drawn: list[Array] = []

    def across(self, t: Array | float) -> Array:
        """Place of times."""
        low, high = self.times
        result: Array = self.x + (np.asarray(t, dtype=float) - low) / max(high - low, 1e-9) * self.width
        return result

    def up(self, value: Array | float) -> Array:
        """Place of values, kept inside the panel."""
        low, high = self.values
        share = np.clip((np.asarray(value, dtype=float) - low) / max(high - low, 1e-12), 0.0, 1.0)
        result: Array = self.y + self.height * (1.0 - share)
        return result

    def frame(self, unit: str, name_times: bool = True, time_ticks: int = 5, value_ticks: int = 4) -> None:
        """Scales, their numbers and thin rules."""
        p = self.picture
        marks = ticks(*self.values, value_ticks)
        for k, value in enumerate(marks):
            y = float(self.up(value))
            p.line([(self.x, y), (self.x + self.width, y)], FAINT, 0.6)
            said = brief(value, 3) + (f" {unit}" if k == len(marks) - 1 else "")
            p.text(self.x - 4, y + 3.5, said, SMALL - 0.5, "end")
        for t in ticks(*self.times, time_ticks):
            x = float(self.across(t))
            p.line([(x, self.y + self.height), (x, self.y + self.height + 3)], RULE, 0.8)
            if name_times:
                p.text(x, self.y + self.height + 14, f"{brief(t, 3)} s", SMALL - 0.5, "middle")
        p.box(self.x, self.y, self.width, self.height, colour=RULE, line=0.8)

    def curve(self, t: Array, values: Array, colour: str, width: float = 1.5, dash: str | None = None) -> None:
        """A line over time."""
        keep = kept(values, self._bins)
        line = np.column_stack([self.across(t[keep]), self.up(values[keep])])
        self.picture.line(line, colour, width, dash)
        self._drawn.append(line)

    def area(self, t: Array, low: Array, high: Array, fill: str) -> None:
        """The area between two curves over the same times where high is above low."""
        if not np.any(high > low):
            return
        low = np.minimum(low, high)
        keep = np.unique(np.concatenate([kept(values, self._bins) for values in (low, high)]))
        upper = np.column_stack([self.across(t), self.up(high)])[keep]
        lower = np.column_stack([self.across(t), self.up(low)])[keep]
        if np.ptp(lower[:, 1]) < 0.05:
            lower = lower[[0, -1]]
        self.picture.shape([np.concatenate([upper, lower[::-1]])], fill, None)

    @property
    def _bins(self) -> int:
        return max(20, int(self.width / 2.5))

    def level(self, value: float, said: str, dash: str = "6 3 1 3", at: str = "end") -> None:
        """A limit drawn across, named where least runs through the words: at one end if that is free."""
        low, high = self.values
        if not low <= value <= high:
            return
        y = float(self.up(value))
        line = np.array([[self.x, y], [self.x + self.width, y]])
        self.picture.line(line, INK, 1.0, dash)
        self._drawn.append(line)
        if not said:
            return
        said = fitted(said, self.width - 8, SMALL - 0.5)
        wide = width_of(said, SMALL - 0.5)
        ends = (self.x + self.width - 4 - wide, self.x + 4)
        places = [*(ends if at == "end" else ends[::-1])]
        places += [self.x + share * (self.width - wide) for share in (0.5, 0.25, 0.75)]
        self._say(said, [(x, y + down, 0.0, x > self.x + 4) for x in places for down in (-3.0, 11.5)], wide)

    def mark(self, t: float, value: float, said: str) -> None:
        """A ring at one moment, with words that stay inside the panel, where least runs through them.

        Beside the ring if that is free; else farther off, with a thin line to the ring.
        """
        x, y = float(self.across(t)), float(self.up(value))
        self.picture.dot(x, y, 3.4, "none", INK)
        self._drawn.append(np.array([[x - 3.4, y - 3.4], [x + 3.4, y + 3.4]]))
        right = x > self.x + 0.6 * self.width
        said = fitted(said, max(30.0, (x - self.x if right else self.x + self.width - x) - 8), SMALL - 0.5)
        wide = width_of(said, SMALL - 0.5)
        places = []
        for k, aside in enumerate((6.0, 40.0, 80.0)):
            for down in (-5.0, 13.0, -18.0, 24.0, -30.0, 36.0, -42.0, 48.0, -60.0, -80.0):
                lefts = (x - aside - wide, x + aside) if right else (x + aside, x - aside - wide)
                cost = 0.25 * (abs(down) + 8.0 * k)
                places += [(left, y + down, cost + n, left < x) for n, left in enumerate(lefts)]
        left, base = self._say(said, places, wide)
        near = min(max(x, left), left + wide), min(max(y, base - 9.0), base + 2.0)
        if np.hypot(near[0] - x, near[1] - y) > 12.0:
            self.picture.line([(x, y), near], INK, 0.6)

    def _say(self, said: str, places: list[tuple[float, float, float, bool]], wide: float) -> tuple[float, float]:
        """Words at the place where least runs through them; returns that place.

        places: left ends of baselines, what each costs besides, and whether the words end where their room ends.
        """
        best, least, ends = places[0][:2], np.inf, False
        for x, y, cost, at_end in places:
            box = (x, y - 9.0, x + wide, y + 2.0)
            if self.x <= box[0] and box[2] <= self.x + self.width and self.y <= box[1] <= self.y + self.height - 11.0:
                cost += 100.0 * sum(_strikes(line, box) for line in self._drawn)
                if cost < least:
                    best, least, ends = (x, y), cost, at_end
        x, y = best
        self._drawn.append(np.array([[x, y - 9.0], [x + wide, y + 2.0]]))
        self.picture.text(x + wide if ends else x, y, said, SMALL - 0.5, "end" if ends else "start", halo=True)
        return best


def _strikes(line: Array, box: tuple[float, float, float, float]) -> float:
    """How many units wide a line that runs from left to right lies within a box."""
    x = np.linspace(box[0], box[2], max(2, int(box[2] - box[0])))
    inside = (x >= line[0, 0]) & (x <= line[-1, 0])
    y = np.interp(x[inside], line[:, 0], line[:, 1])
    # Between two places it may leap: what lies between counts too.
    low, high = np.minimum(y[:-1], y[1:]), np.maximum(y[:-1], y[1:])
    return float(np.count_nonzero((high >= box[1]) & (low <= box[3])))


def legend(
    picture: Picture, x: float, y: float, width: float, entries: list[tuple[Callable[[float, float], None], str]]
) -> float:
    """Small samples with words, in as many lines as they need; returns the baseline of the last one.

    Each entry draws its sample, 26 wide, at the place it is given.
    """
    left = x
    for sample, words in entries:
        wide = 32.0 + width_of(words, SMALL) + 16.0
        if left > x and left + wide > x + width + 16.0:
            left, y = x, y + 16.0
        sample(left, y - 4.0)
        picture.text(left + 32.0, y, words, SMALL)
        left += wide
    return y


def stroke_sample(
    picture: Picture, colour: str, width: float, dash: str | None = None
) -> Callable[[float, float], None]:
    """A piece of line for a legend."""
    return lambda x, y: picture.line([(x, y), (x + 26.0, y)], colour, width, dash)


def fill_sample(
    picture: Picture, fill: str, colour: str = INK, line: float = 1.0, hatch: str | None = None, dash: str | None = None
) -> Callable[[float, float], None]:
    """A filled box for a legend."""

    def sample(x: float, y: float) -> None:
        picture.box(x + 2.0, y - 5.0, 22.0, 10.0, fill, colour, line, dash)
        if hatch is not None:
            picture.box(x + 2.0, y - 5.0, 22.0, 10.0, hatch, None)

    return sample


def top_of(*values: Array, least: float = 1e-6) -> float:
    """A little above the highest of some finite curves."""
    highest = max((float(np.max(v[np.isfinite(v)], initial=0.0)) for v in values), default=0.0)
    return 1.12 * max(highest, least)
