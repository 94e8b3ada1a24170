"""The host's end of the link: what it believes of the board's time."""

from __future__ import annotations

import dataclasses

import pytest

from handfast.board.host import HostBoard
from handfast.board.links import wall_time
from handfast.board.simulate import in_memory
from support.boards import Lag


class Silent:
    """A line with nothing on it, in real time."""

    name = "silent"

    def write(self, data):
        """Lost."""

    def read(self, timeout):
        """Nothing."""
        return b""

    def close(self):
        """Nothing to end."""


@pytest.mark.parametrize(("ahead_us", "told"), [(10_000_000, 1_080_000), (60_000, 1_060_000), (-5_000_000, 1_020_000)])
def test_the_time_is_held_between_what_the_newest_status_allows(ahead_us, told):
    """The clock is ahead of the status by so much: no more than 60 ms after that frame's end are believed, nor less."""
    with in_memory(Lag(), "test")[0] as other:
        status = dataclasses.replace(other.known(), at=1_000_000, relay=False)
    board = HostBoard(Silent())
    board.status = status
    now = wall_time()
    board.clock.tell(now, 1_000_000 + ahead_us, 1_000_000 + ahead_us, now)
    # Real time goes on meanwhile.
    assert board.now_us() == pytest.approx(told, abs=15_000)
    assert 1_020_000 <= board.now_us() <= 1_080_000
