"""The board's clock as seen from the host: offset and drift, from questions and answers.

A question sent at host time a, answered at b, was heard and answered at board times h and t: the board's clock then
stood at (h + t)/2 when the host's stood at (a + b)/2, uncertain by half of (b - a) - (t - h) (the usual exchange of
time stamps, as in RFC 5905, section 8). A ceramic resonator is off by up to 0.5 %.
"""

from __future__ import annotations

from collections import deque

DRIFT = 0.005
"""Largest drift believed: 0.5 %."""
KEPT = 60
WRAP = 2**32


class BoardClock:
    """Board time in µs (never wrapping) for a host time in s. `tell` it exchanges; it fits offset and drift."""

    def __init__(self) -> None:
        self._points: deque[tuple[float, float, float]] = deque(maxlen=KEPT)
        self._origin = 0.0
        self._offset, self.drift = 0.0, 0.0
        self._last: int | None = None
        self._turns = 0
        self.uncertain = float("inf")

    def unwrapped(self, board_us: int) -> int:
        """A 32-bit board time as one that never wraps; near the last one that was seen."""
        if self._last is None:
            self._last = board_us
            return board_us
        step = (board_us - self._last + WRAP // 2) % WRAP - WRAP // 2
        full = self._last + step
        self._last = max(self._last, full)
        return full

    def tell(self, asked: float, heard_us: int, told_us: int, answered: float) -> None:
        """One exchange: host times s, board times µs (unwrapped)."""
        middle, board = 0.5 * (asked + answered), 0.5e-6 * (heard_us + told_us)
        doubt = 0.5 * max((answered - asked) - 1e-6 * (told_us - heard_us), 0.0)
        self._points.append((middle, board, doubt))
        self._fit()

    def _fit(self) -> None:
        best = min(doubt for _, _, doubt in self._points)
        # Exchanges that took much longer than the best one say little.
        good = [(m, b, d) for m, b, d in self._points if d <= 2.0 * best + 5e-4]
        self.uncertain = best
        weights = [1.0 / (d + 1e-4) ** 2 for _, _, d in good]
        total = sum(weights)
        m0 = sum(w * m for w, (m, _, _) in zip(weights, good, strict=True)) / total
        o0 = sum(w * (b - m) for w, (m, b, _) in zip(weights, good, strict=True)) / total
        sxx = sum(w * (m - m0) ** 2 for w, (m, _, _) in zip(weights, good, strict=True))
        sxy = sum(w * (m - m0) * (b - m - o0) for w, (m, b, _) in zip(weights, good, strict=True))
        # A drift is believed as far as the span of time shows it.
        self.drift = min(max(sxy / (sxx + 1.0 / DRIFT**2), -1.5 * DRIFT), 1.5 * DRIFT)
        self._origin, self._offset = m0, o0

    @property
    def known(self) -> bool:
        """Whether anything has been told."""
        return bool(self._points)

    def board_us(self, host: float) -> int:
        """Board time, µs, at a host time, s."""
        return round(1e6 * (host + self._offset + self.drift * (host - self._origin)))
