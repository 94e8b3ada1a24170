"""The person at the keys: what lets arms move, what stops them, and what happens when nobody is left at the keys."""

from __future__ import annotations

import os
import sys
import time

import pytest

from handfast.sessions.operator import BUYS, Always, InputEnded, Keys


class Clock:
    """Time that a test sets."""

    now = 0.0

    def __call__(self):
        """Now."""
        return self.now


def test_the_end_of_the_input_ends_what_needs_letters():
    """Not while a letter still lets it move, nor while the pedal is down; where the pedal is enough, never."""
    clock, down = Clock(), [False]
    keys = Keys(True, lambda: down[0], clock, letters_buy=3.0)
    keys.press("x")
    keys.end()
    assert not keys.ended()
    assert not keys.stops()
    assert keys.typed() == "x"
    assert keys.ended()
    assert not keys.stops()
    clock.now, down[0] = 4.0, True
    assert not keys.stops()
    down[0] = False
    with pytest.raises(InputEnded, match=r"the input has ended.*\n  next: "):
        keys.stops()
    pedal = Keys(True, lambda: False, clock)
    pedal.end()
    assert not pedal.stops()


def test_a_press_of_q_stops_a_board_in_memory_too():
    """Nobody can be hurt there, but somebody may have had enough."""
    keys = Keys(True, lambda: False, Clock(), letters_buy=BUYS)
    operator = Always(keys.quits)
    assert operator.may_move()
    assert not operator.stops()
    keys.press("q")
    assert operator.stops()
    assert not Always().stops()


@pytest.mark.parametrize("gone", [False, True])
def test_a_pipe_that_ends_is_seen_to_end(monkeypatch, gone):
    """What was in it is there first; an input that is closed from the start has ended."""
    out, into = os.pipe()
    os.write(into, b"xy")
    os.close(into)
    with os.fdopen(out) as pipe:
        monkeypatch.setattr(sys, "stdin", None if gone else pipe)
        with Keys(True, lambda: False, letters_buy=3.0) as keys:
            typed, end = "", time.monotonic() + 10.0
            while not keys.ended() and time.monotonic() < end:
                typed += keys.typed()
                time.sleep(0.01)
            assert keys.ended()
        assert typed == ("" if gone else "xy")
