"""A serial port: a pseudo-terminal that another program has."""

from __future__ import annotations

import contextlib
import fcntl
import os
import pty
import threading
import time

import pytest

from handfast.board.links import LETS_GO, SerialLink
from handfast.errors import InputError


@contextlib.contextmanager
def port_in_use():
    """A pseudo-terminal locked as by another program: its name, and what lets go of it."""
    ours, theirs = pty.openpty()
    name = os.ttyname(theirs)
    other = os.open(name, os.O_RDWR | os.O_NOCTTY)
    fcntl.flock(other, fcntl.LOCK_EX)
    try:
        yield name, lambda: fcntl.flock(other, fcntl.LOCK_UN)
    finally:
        for end in (ours, theirs, other):
            os.close(end)


def test_a_port_that_is_just_being_let_go_of():
    """Whoever was killed lets go a moment later: the port is opened then."""
    with port_in_use() as (name, let_go):
        waiting = threading.Timer(0.4 * LETS_GO, let_go)
        waiting.start()
        began = time.monotonic()
        with contextlib.closing(SerialLink(name)) as link:
            assert link.name == name
        assert time.monotonic() - began > 0.2 * LETS_GO
        waiting.join()


def test_a_port_that_stays_in_use():
    """One message: what, where, what was expected, what to do next."""
    with port_in_use() as (name, _), pytest.raises(InputError, match="in use by another program") as found:
        SerialLink(name)
    assert name in str(found.value)
    assert "close what uses it" in str(found.value)


def test_a_port_that_is_not_there():
    """It is said at once."""
    began = time.monotonic()
    with pytest.raises(InputError, match="cannot be opened"):
        SerialLink("/dev/no-such-port")
    assert time.monotonic() - began < LETS_GO
