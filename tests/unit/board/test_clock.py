"""The board's clock from the host: offset and drift from exchanges with uneven delays."""

from __future__ import annotations

import numpy as np
import pytest

from handfast.board.clock import BoardClock


@pytest.mark.parametrize("drift", [0.0, 0.005, -0.005])
def test_offset_and_drift_are_found(drift):
    """A resonator off by 0.5 %, an hour into its time, delays of 1-4 ms each way with some of 30 ms: within 2 ms."""
    rng = np.random.default_rng(2)
    clock = BoardClock()

    def board(host):
        return 1e6 * (3600.0 + (1.0 + drift) * host)

    for k in range(40):
        asked = float(k)
        there, back = rng.uniform(1e-3, 4e-3, 2) + (rng.random(2) < 0.2) * 30e-3
        heard = board(asked + there)
        clock.tell(asked, round(heard), round(heard) + 200, asked + there + 2e-4 + back)
    assert clock.drift == pytest.approx(drift, abs=1e-4)
    for host in (39.0, 41.0):
        # Half of the least asymmetry of the delays can never be told from an offset: 1.5 ms.
        assert clock.board_us(host) == pytest.approx(board(host), abs=2000)
    assert clock.uncertain < 4e-3


def test_time_does_not_wrap():
    """32 bits of microseconds wrap after 71.6 minutes; ours go on, and a late one is not taken for a new turn."""
    clock = BoardClock()
    assert clock.unwrapped(2**32 - 10_000) == 2**32 - 10_000
    assert clock.unwrapped(10_000) == 2**32 + 10_000
    assert clock.unwrapped(2**32 - 5_000) == 2**32 - 5_000
    assert clock.unwrapped(30_000) == 2**32 + 30_000
