"""Keys that let arms move, by a clock of our own."""

from __future__ import annotations

import pytest

from handfast.sessions.operator import Keys


class Clock:
    """Seconds, and a pedal."""

    def __init__(self):
        self.now, self.pedal = 50.0, False

    def keys(self, held, **more):
        """Keys that nobody listens to."""
        return Keys(held, lambda: self.pedal, lambda: self.now, **more)


@pytest.mark.parametrize("presses", [1, 3])
def test_a_press_buys_seven_tenths_of_a_second(presses):
    """Counted from the last one; more of them at once buy no more."""
    clock = Clock()
    keys = clock.keys(held=True)
    assert not keys.may_move()
    for _ in range(presses):
        keys.press(" ")
    clock.now += 0.69
    assert keys.may_move()
    clock.now += 0.02
    assert not keys.may_move()


def test_the_pedal_holds_as_long_as_it_is_down():
    """And not a moment longer."""
    clock = Clock()
    keys = clock.keys(held=True)
    clock.pedal = True
    clock.now += 100.0
    assert keys.may_move()
    clock.pedal = False
    assert not keys.may_move()


@pytest.mark.parametrize("letter", ["q", "Q", "\x1b"])
@pytest.mark.parametrize("held", [True, False])
def test_stopped_for_good(letter, held):
    """Neither keys nor the pedal make it move again."""
    clock = Clock()
    keys = clock.keys(held)
    keys.press(" ")
    keys.press(letter)
    assert keys.stops()
    keys.press(" ")
    clock.pedal = True
    assert not keys.may_move()


def test_one_press_starts_what_need_not_be_held():
    """Nothing moves before it, and it goes on after it."""
    clock = Clock()
    keys = clock.keys(held=False)
    assert not keys.may_move()
    keys.press(" ")
    clock.now += 100.0
    assert keys.may_move()
