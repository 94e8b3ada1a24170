"""The Python board's stored routine: taken within limits, kept over a reset, played from the pedal or by a host."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from handfast.board.host import Denied
from handfast.board.simulate import in_memory
from handfast.board.stored import check_of
from support.boards import CENTRE, Lag, bench_limits, channel_limits

KNOTS = [(1, 12_000, 12_000), (25, 13_000, 11_500), (20, 13_000, 11_500), (30, 11_400, 12_300)]
"""Frames since the knot before, pulses of channels 0 and 2."""


def full(knot):
    """The twelve pulses of a knot."""
    return (knot[1], 0, knot[2], *[0] * 9)


def store(board, knots=KNOTS, **other):
    """Load limits and put a routine on the board."""
    board.load(bench_limits(), {n: channel_limits(slew=100) for n in range(3)})
    crc = check_of([(k[0], full(k)) for k in knots])
    plain = {"knots": len(knots), "mask": 0b101, "crc": crc, "ramp": 200, "hold": 1, "repeats": 1}
    board.ask("store_begin", **{**plain, **other})
    for index, knot in enumerate(knots):
        board.ask("store_knot", index=index, frames=knot[0], pulse=full(knot))
    board.ask("store_commit")


def alone(lag, **options):
    """A board without a host that keeps a routine: (device, run(seconds))."""
    board, device = in_memory(lag, "test")
    store(board, **options)
    device.reset(2)

    def run(seconds):
        for _ in range(round(seconds * 200)):
            device.step()

    return device, run


def relay_and_pulses(lag):
    """The newest millisecond at the pins."""
    _, pulses, relay = lag.log[-1]
    return relay, pulses


def test_the_pedal_starts_it_and_the_knots_are_followed_on_lines():
    """Held for a second; one channel after the other attaches at its pose; slew holds; let go at the end: power off."""
    lag = Lag()
    device, run = alone(lag)
    run(0.5)
    assert not any(relay for _, _, relay in lag.log[-500:])
    device.pedal = True
    run(0.9)
    assert not relay_and_pulses(lag)[0], "it has to be held for a second"
    run(4.5)
    first = {n: next(t for t, p in lag.pulses(n) if p) for n in (0, 2)}
    assert first[0] < first[2] - 190
    assert {p for _, p in lag.pulses(1)} == {0.0}
    for channel, place in ((0, 1), (2, 2)):
        given = np.array([8 * p[channel] for t, p, _ in lag.log if t % 20_000 == 4_000 and p[channel]])
        assert given[0] == pytest.approx(CENTRE, abs=25)
        assert max(abs(b - a) for a, b in itertools.pairwise(given)) <= 100
        assert given[-1] == KNOTS[-1][place]
        # From the knot before the last it takes thirty frames on a straight line.
        left = next(i for i in range(len(given) - 1, 0, -1) if given[i] == KNOTS[2][place])
        assert given[left + 15] == pytest.approx((KNOTS[2][place] + KNOTS[3][place]) / 2, abs=2)
        assert given[left + 29] != KNOTS[3][place]
        assert given[left + 30] == KNOTS[3][place]
    assert relay_and_pulses(lag)[0], "it holds until the pedal is let go"
    device.pedal = False
    run(0.2)
    assert not relay_and_pulses(lag)[0]
    run(2.0)
    assert not relay_and_pulses(lag)[0]


def test_letting_go_in_the_middle_stops_and_nothing_resumes():
    """A ramp within the stop time, then the cut; a new press begins anew; the stop input stops it as well."""
    lag = Lag()
    device, run = alone(lag, knots=[(1, 12_000, 12_000), (200, 14_000, 10_000)])
    run(0.1)
    device.pedal = True
    run(3.5)
    moving = relay_and_pulses(lag)[1][0]
    device.pedal = False
    run(0.62)
    assert not relay_and_pulses(lag)[0]
    assert len({p for t, p in lag.pulses(0) if p > moving}) > 5, "it was a ramp"
    run(1.0)
    assert not relay_and_pulses(lag)[0]
    device.pedal = True
    run(2.5)
    assert relay_and_pulses(lag)[0]
    device.stop_open = True
    run(0.62)
    assert not relay_and_pulses(lag)[0]
    run(2.0)
    assert not relay_and_pulses(lag)[0], "a pedal that is still down is no press"


def test_a_press_starts_and_the_next_press_stops():
    """`hold` 0, many laps; a pedal that was down at the reset does nothing."""
    lag = Lag()
    device, run = alone(lag, knots=[(1, 12_000, 12_000), (20, 12_400, 12_000)], hold=0, repeats=200)
    device.pedal = True
    device.reset(2)
    run(2.5)
    assert not relay_and_pulses(lag)[0]
    device.pedal = False
    run(0.1)
    device.pedal = True
    run(1.2)
    device.pedal = False
    run(6.0)
    above = [8 * p[0] > 12_200 for _, p, _ in lag.log if p[0]]
    assert sum(b and not a for a, b in itertools.pairwise(above)) >= 3, "it repeats"
    device.pedal = True
    run(0.65)
    assert not relay_and_pulses(lag)[0]


def test_what_does_not_fit_is_refused_with_the_excess():
    """Too many knots, outside the travel, too fast, out of order, a check that does not fit."""
    board, _ = in_memory(Lag(), "test")
    with pytest.raises(Denied, match="no limits"):
        board.ask("store_begin", knots=4, mask=1, crc=0, ramp=1, hold=1, repeats=1)
    with pytest.raises(Denied, match="does not fit, by 37"):
        store(board, knots=[KNOTS[0]] * 165)
    with pytest.raises(Denied, match=r"outside travel \(channel or field 0\), by 55"):
        store(board, knots=[(1, 16_055, 12_000)])
    with pytest.raises(Denied, match=r"too fast \(channel or field 2\), by 7"):
        store(board, knots=[KNOTS[0], (10, 12_000, 13_070)])
    with pytest.raises(Denied, match="check failed"):
        store(board, crc=1)
    assert board.ask("store_ask")["valid"] == 0
    with pytest.raises(Denied, match="missing knot"):
        board.ask("store_run")
    store(board)
    told = board.ask("store_ask")
    assert (told["valid"], told["knots"], told["mask"], told["frames"]) == (1, 4, 0b101, 75)
    board.ask("store_erase")
    assert board.ask("store_ask")["valid"] == 0


def test_a_host_runs_it_and_its_permission_ends_it():
    """`store_run` asks for permission; done it is live and holds; without permission it stops."""
    lag = Lag()
    board, _ = in_memory(lag, "test")
    store(board)
    with pytest.raises(Denied, match="no permission"):
        board.ask("store_run")
    board.permission = lambda: True
    board.sleep(0.1)
    board.ask("store_run")
    assert board.wait(lambda: board.known().state == "live", 5.0)
    assert [e.value for e in board.events if e.kind == "routine_done"] == [len(KNOTS)]
    assert board.known().pulse[:3] == (KNOTS[-1][1], 0, KNOTS[-1][2])
    board.power_off()
    board.permission = lambda: True
    board.sleep(0.1)
    board.ask("store_run")
    board.sleep(1.5)
    board.permission = lambda: False
    board.sleep(0.9)
    assert (board.known().state, board.known().cause) == ("stopped", "pedal released")
