"""Boards for tests: the Python board in memory before a plain stand-in whose every answer is known."""

from __future__ import annotations

import contextlib

import numpy as np

from handfast.board.host import HostBoard
from handfast.board.limits import BenchLimits, ChannelLimits
from handfast.board.simulate import in_memory

CENTRE = 12_000
"""1500 µs in eighths."""


class Lag:
    """Twelve servos that go to their pulse at up to `speed` mV per ms; 1 mV per eighth of a µs, 2500 mV at 1500 µs.

    `held`: channels that a hand holds; `open`: channels whose wiper lies near ground; `wanders`: those whose wiper
    shows anything; `sag`: mV missing from 6000.
    """

    def __init__(self, start=2500.0, speed=20.0):
        self.at = np.full(12, float(start))
        self.speed, self.held, self.open, self.wanders, self.sag = speed, set(), set(), set(), 0
        self.log = []
        self._rng = np.random.default_rng(3)

    def run(self, t_us, pulses_us, relay):
        """Rows of wiper mV, supply mV, currents mA."""
        out = np.zeros((len(pulses_us), 15), dtype=int)
        for n, pulses in enumerate(pulses_us):
            self.log.append((t_us + 1000 * n, pulses.copy(), relay))
            if not relay:
                continue
            goal = np.clip(2500.0 + (pulses * 8 - CENTRE) * 0.5, 0, 5000)
            step = np.clip(goal - self.at, -self.speed, self.speed)
            moving = pulses > 0
            for c in self.held:
                moving[c] = False
            self.at = np.where(moving, self.at + step, self.at)
            out[n, :12] = np.rint(self.at)
            for c in self.open:
                out[n, c] = 20
            for c in self.wanders:
                out[n, c] = self._rng.integers(0, 5000)
            out[n, 12] = 6000 - self.sag
            out[n, 13:] = 100
        return out

    def close(self):
        """Nothing to end."""

    def pulses(self, channel):
        """Times in ms and pulses in µs of one channel, where they changed."""
        found = []
        for t, pulses, _ in self.log:
            if not found or found[-1][1] != pulses[channel]:
                found.append((t // 1000, float(pulses[channel])))
        return found


def bench_limits(**more):
    """Limits of a bench, category 1 within 0.6 s."""
    plain = {
        "stamp": 7, "stop_category": 1, "stop_time_ms": 600, "stop_pose": 0, "brown_out_mV": 4200,
        "supply_full_mV": 10_000, "current_full_mA": 50_000,
    }  # fmt: skip
    return BenchLimits(**{**plain, **more})


def channel_limits(**more):
    """Travel 1000 to 2000 µs, 100 µs per frame, a table that is the stand-in's own line (16·1024/5000 per mV)."""
    pulses = tuple(range(8000, 16001, 1000))
    wipers = tuple(round((2500 + (p - CENTRE) * 0.5) * 1024 / 5000 * 16) for p in pulses)
    plain = {
        "travel_low": 8000, "travel_high": 16000, "slew": 800, "park": 0, "wiper_low": 400, "wiper_high": 16000,
        "follow": 2000, "follow_ms": 400, "wipers": wipers, "pulses": pulses,
    }  # fmt: skip
    return ChannelLimits(**{**plain, **more})


@contextlib.contextmanager
def powered(stand_in, permission=True, bench=None, channel=None):
    """A live board in memory with channels 0 to 2 in use; yields the host's end and the device."""
    board, device = in_memory(stand_in, "test")
    with board:
        board.load(bench or bench_limits(), {n: channel or channel_limits() for n in range(3)})
        board.permission = lambda: permission
        board.power_on()
        board.sleep(0.1)
        yield board, device


def attach(board: HostBoard, *channels: int) -> None:
    """Attach channels where they are."""
    for channel in channels:
        board.ask("attach", channel=channel, pulse=0, ramp=40)
        assert board.wait(lambda c=channel: board.known().channel[c] == 2, 2.0)
