"""Work that the page asks for: told to its end, whatever becomes of it."""

from __future__ import annotations

import pytest

from handfast.errors import InputError
from handfast.web.tasks import Task


def told(act):
    """What the page hears of a piece of work."""
    heard: list[dict] = []
    task = Task("work", heard.append)
    task.work(act)
    assert not task.going
    assert heard[0] == {"kind": "work", "going": True, "share": 0.0}
    return heard[-1]


def test_a_result_an_error_and_a_fault_all_end_it():
    """In the page's words; nobody is left waiting."""
    assert told(lambda task: {"a": 1}) == {"kind": "work", "going": False, "share": 1.0, "result": {"a": 1}}

    def wrong(task):
        raise InputError("no such thing", next_step="try another")

    def broken(task):
        raise KeyError("x")

    assert "no such thing" in told(wrong)["error"]
    assert "KeyError('x')" in told(broken)["error"]


@pytest.mark.parametrize("steps", [1, 5])
def test_it_ends_when_somebody_asks(steps):
    """At the next step of its progress, with words."""
    done = []

    def act(task):
        for n in range(10):
            if n == steps:
                task.end()
            task.progress(n / 10)
            done.append(n)
        return {}

    assert told(act)["error"] == "ended before it was done"
    assert done == list(range(steps))
