"""The process that fills in for late heartbeats: how many, never with permission, and when it ends."""

from __future__ import annotations

import contextlib
import os
import threading
import time

import pytest

from handfast.board.codec import Receiver
from handfast.board.stand_by import ENDS, LATE, STRIDE, StandBy, keep


@contextlib.contextmanager
def kept():
    """`keep` in a thread: where it reads what was told, and where what it sends comes out."""
    port, sends = os.pipe()
    told, tells = os.pipe()
    os.set_blocking(port, False)
    thread = threading.Thread(target=keep, args=(sends, told))
    thread.start()
    try:
        yield tells, port
    finally:
        with contextlib.suppress(OSError):
            os.close(tells)
        thread.join(2.0)
        for end in (port, sends, told):
            os.close(end)
    assert not thread.is_alive()


def frames(port):
    """What has come out."""
    try:
        return list(Receiver(to_board=True).feed(os.read(port, 65536)))
    except BlockingIOError:
        return []


def test_a_late_heartbeat_is_filled_in_for_and_not_for_long():
    """Without permission, with the sequence numbers left free and a few more, and then none."""
    with kept() as (tells, port):
        os.write(tells, bytes([250, 1]))
        began, came = time.monotonic(), []
        while time.monotonic() - began < ENDS + 0.6:
            came += [(time.monotonic() - began, frame) for frame in frames(port)]
            time.sleep(0.005)
    assert 3 <= len(came) <= 2 * STRIDE - 1  # fourteen, on a machine that is not busy
    assert {(frame.name, frame["permission"]) for _, frame in came} == {("heartbeat", 0)}
    assert [frame.sequence for _, frame in came] == [(250 + n) & 0xFF for n in range(1, len(came) + 1)]
    assert came[0][0] > LATE - 0.01
    assert came[-1][0] < ENDS + 0.2


def test_nothing_is_filled_in_where_heartbeats_come_or_none_ever_came():
    """Other frames do not make a heartbeat, nor do they make one that ended go on."""
    with kept() as (tells, port):
        os.write(tells, bytes([9, 0]))
        time.sleep(0.3)
        assert frames(port) == []
        for number in range(10):
            os.write(tells, bytes([10 + 8 * number, 1]))
            time.sleep(0.03)
        assert len(frames(port)) <= 2  # a busy machine may have been late itself
        for number in range(round((ENDS + 0.3) / 0.02)):
            os.write(tells, bytes([(100 + 8 * number) & 0xFF, 0]))
            time.sleep(0.02)
        assert frames(port)
        for number in range(10):
            os.write(tells, bytes([(100 + 8 * number) & 0xFF, 0]))
            time.sleep(0.03)
        assert frames(port) == []


@pytest.mark.skipif(os.name != "posix", reason="file descriptors cannot be handed on here")
def test_it_ends_with_the_program():
    """The process itself: it fills in on the descriptor it was handed, and closing its pipe ends it."""
    port, sends = os.pipe()
    stand_by = StandBy(sends)
    os.close(sends)
    assert stand_by.ready(20.0)
    stand_by.tell(0, True)
    first = os.read(port, 64)  # waits until it comes
    stand_by.close()
    rest = os.read(port, 4096)
    assert [frame.name for frame in Receiver(to_board=True).feed(first)] == ["heartbeat"]
    while rest:
        rest = os.read(port, 4096)  # ends only when nobody holds the other end any more
    os.close(port)
