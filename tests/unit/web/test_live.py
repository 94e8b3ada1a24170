"""Who lets a run move from the page: a button that says again and again that it is held down."""

from __future__ import annotations

import pytest

from handfast.web import live
from handfast.web.live import HOLDS, PageRun


@pytest.fixture
def clock(monkeypatch):
    """A clock of our own: its first element is the time, s."""
    now = [100.0]
    monkeypatch.setattr(live.time, "monotonic", lambda: now[0])
    return now


def held():
    """The first run since a change."""
    run = PageRun(None, "nod", lambda shown: None)
    run.held = True
    return run


def test_a_button_that_falls_silent_holds_nothing(clock):
    """A page that hangs says nothing any more: 0.3 s later the arms may not move, and again when it speaks."""
    run = held()
    assert not run.may_move()
    for _ in range(20):
        run.hold(True)
        clock[0] += 0.1
        assert run.may_move()
    clock[0] += HOLDS - 0.1 + 1e-6
    assert not run.may_move()
    run.hold(True)
    assert run.may_move()
    assert HOLDS <= 0.3


def test_let_go_is_at_once_and_a_stop_for_good(clock):
    """No button makes it move again."""
    run = held()
    run.hold(True)
    run.hold(False)
    assert not run.may_move()
    run.hold(True)
    run.halt("STOP was pressed")
    run.hold(True)
    assert not run.may_move()
