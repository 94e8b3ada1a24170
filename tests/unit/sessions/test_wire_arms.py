"""Arms at a board: what somebody who lets go stops, also while channels are still being attached."""

from __future__ import annotations

import numpy as np

from handfast.sessions.wire_arms import WireArms
from support import seedling
from support.boards import CENTRE, Lag, channel_limits, powered


class Held:
    """An operator who holds a button down, or does not."""

    def __init__(self):
        self.lets = True

    def may_move(self):
        """While it is held down."""
        return self.lets

    def stops(self):
        """Never."""
        return False


def test_letting_go_while_it_attaches():
    """The ramp ends where it is and it says that it waits; held again, the rest of the way is gone as slowly."""
    operator = Held()
    seen = []
    with powered(Lag()) as (board, _):

        def watch(status):
            seen.append((status.pulse[0], operator.lets, arms.waiting))
            away = sum(not lets for _, lets, _ in seen)
            operator.lets = status.pulse[0] < CENTRE + 500 if away == 0 else away > 60

        arms = WireArms(seedling.bench(), board, {0: channel_limits()}, operator, watch=watch)
        pulses = np.zeros(12)
        pulses[0] = (CENTRE + 2000) / 8e6
        arms.frame(pulses)
        board.sleep(0.2)
        assert board.known().pulse[0] == CENTRE + 2000
    held = [(pulse, waiting) for pulse, lets, waiting in seen if not lets]
    assert len(held) > 50
    assert len({pulse for pulse, _ in held[8:]}) == 1, "it goes on without permission"
    assert all(waiting for _, waiting in held[2:])
    steps = np.diff([pulse for pulse, _, _ in seen if pulse])
    ramp = max(steps[:8])
    assert 0 < steps.max() <= ramp + 1
