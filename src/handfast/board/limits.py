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

    def pose_at(self, wiper: int) -> tuple[int, int]:
        """Pulse that belongs to a wiper reading by the table, within the travel, and by how much it lay outside."""
        pulse = _line(wiper, self.wipers, self.pulses)
        held = min(max(pulse, self.travel_low), self.travel_high)
        return held, abs(pulse - held)

    def wiper_at(self, pulse: int) -> int:
        """Wiper reading that belongs to a pulse by the table."""
        if self.pulses[0] > self.pulses[-1]:
            wiper = _line(pulse, self.pulses[::-1], self.wipers[::-1])
        else:
            wiper = _line(pulse, self.pulses, self.wipers)
        return min(max(wiper, 0), 16368)


def _line(x: int, xs: tuple[int, ...], ys: tuple[int, ...]) -> int:
    """Straight pieces between points, the end ones going on; whole numbers, rounded to nearest."""
    k = 1
    while k < len(xs) - 1 and x > xs[k]:
        k += 1
    return ys[k - 1] + round((ys[k] - ys[k - 1]) * (x - xs[k - 1]) / (xs[k] - xs[k - 1]))
