"""What a host loads onto a board before anything moves: limits of the bench, of each channel, and wiper tables."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True)
class BenchLimits:
    """As in the wire's `bench` message, whole numbers in its units."""

    stamp: int
    stop_category: int
    stop_time_ms: int
    stop_pose: int
    brown_out_mV: int  # noqa: N815
    supply_full_mV: int  # noqa: N815
    current_full_mA: int  # noqa: N815


@dataclass(frozen=True)
class ChannelLimits:
    """As in the wire's `channel` and `table` messages. Pulses in µs/8, wipers in counts/16."""

    travel_low: int
    travel_high: int
    slew: int
    park: int
    wiper_low: int
    wiper_high: int
    follow: int
    follow_ms: int
    wipers: tuple[int, ...] = field(default=())
    pulses: tuple[int, ...] = field(default=())

    def pulse_at(self, wiper: int) -> int:
        """Pulse that belongs to a wiper reading by the table, within the travel."""
        pulse = _line(wiper, self.wipers, self.pulses)
        return min(max(pulse, self.travel_low), self.travel_high)

    def wiper_at(self, pulse: int) -> int:
        """Wiper reading that belongs to a pulse by the table."""
        if self.pulses[0] > self.pulses[-1]:
            return _line(pulse, self.pulses[::-1], self.wipers[::-1])
        return _line(pulse, self.pulses, self.wipers)


def _line(x: int, xs: tuple[int, ...], ys: tuple[int, ...]) -> int:
    """Straight pieces between points, held at both ends; whole numbers, rounded to nearest."""
    if x <= xs[0]:
        return ys[0]
    for x0, x1, y0, y1 in zip(xs, xs[1:], ys, ys[1:], strict=False):
        if x <= x1:
            return y0 + round((y1 - y0) * (x - x0) / (x1 - x0))
    return ys[-1]
