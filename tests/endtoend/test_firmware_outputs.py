"""The real firmware in the AVR simulator: its twelve outputs, edge by edge, whatever else goes on."""

from __future__ import annotations

import itertools
import random
from pathlib import Path

import pytest

from support import wire
from support.simulated import CYCLES_PER_US, RELAY, Board, pulses

# An interrupt or a long instruction makes the simulator see a timer's edge a few cycles late: 0.25 us.
EDGE = 0.3


def full_line(board: Board, seconds: float, targets: list[int]) -> bytes:
    """Frames that fill the line to the host's last byte: heartbeats in time, targets, questions, and damaged frames."""
    draw = random.Random(4)
    out = bytearray()
    began = board.status()["board_us"]
    beat = 0.0
    while len(out) < 25_000 * seconds:
        now = len(out) / 25_000
        board.sequence = (board.sequence + 1) & 255
        if now >= beat:
            out += wire.encode("heartbeat", board.sequence, permission=1)
            beat = now + 0.05
        elif draw.random() < 0.5:
            at_us = began + round(1e6 * now) + 400_000
            out += wire.encode("target", board.sequence, at_us=at_us, pulse=targets)
        elif draw.random() < 0.5:
            out += wire.encode("clock_ask", board.sequence, token=draw.getrandbits(32))
        else:
            board.sequence = (board.sequence - 1) & 255
            frame = bytearray(wire.encode("target", board.sequence, at_us=began, pulse=[9999] * 12))
            frame[draw.randrange(len(frame) - 1)] ^= 1 << draw.randrange(8)
            out += frame
    return bytes(out)


def test_pulses_are_exact_while_line_and_converter_are_loaded(tmp_path: Path) -> None:
    """Line full to the last byte both ways, inputs read, arms moving: period and width within 1 us of command."""
    with Board(tmp_path) as board:
        board.open(slew=100)
        board.attach_all()
        board.ask("stream", on=1)
        targets = [8000 + 700 * i for i in range(12)]
        board.heartbeats = None
        flood = full_line(board, 2.0, targets)
        seen = len(board.frames)
        from_us = board.now_us
        board.send_raw(flood)
        board.run(2100)
        loaded = board.frames[seen:]
        board.heartbeats = 1
        counters = board.ask("counters_ask")
        edges = board.edges()
    assert counters["line_errors"] < 0.05 * len(flood), "what the loop cannot keep up with is lost and counted"
    assert counters["late"] == 0
    assert counters["bad_crc"] + counters["bad_framing"] > 50
    commanded = {f["board_us"]: f["pulse"] for f in loaded if f["name"] == "status"}
    assert len(commanded) > 90, "a status per frame"
    assert any(f["name"] == "nack" for f in loaded)
    offset = pulses(edges, 0)[0][0] % 20_000
    compared = 0
    for channel in range(12):
        given = [(start, width) for start, width in pulses(edges, channel) if from_us < start < from_us + 2_000_000]
        assert len(given) in (99, 100, 101)
        for (a, _), (b, _) in itertools.pairwise(given):
            assert b - a == pytest.approx(20_000, abs=1)
        for start, width in given:
            board_us = round((start - offset) / 20_000) * 20_000
            if board_us in commanded:
                assert width == pytest.approx(commanded[board_us][channel] / 8, abs=1)
                compared += 1
        assert given[-1][1] == pytest.approx(targets[channel] / 8, abs=1), "and it came where it was sent"
    assert compared > 1000


def test_no_pulse_is_cut_or_stretched_by_attach_stop_or_detach(tmp_path: Path) -> None:
    """Attach, detach, power off and stops at any place in the frame: every pulse is 400 to 2600 us long.

    Channels stand at both ends of what a travel may be. The relay goes off with the stop, and nothing rises after it.
    """
    draw = random.Random(6)
    with Board(tmp_path, stand_in=None) as board:
        board.ask("identify", nonce=1, protocol=1)
        bench = {"stamp": 1, "stop_category": 0, "stop_time_ms": 600, "stop_pose": 0, "brown_out_mV": 0}
        board.ask("bench", **bench, supply_full_mV=10000, current_full_mA=50000)
        for i in range(3):
            channel = {"channel": i, "travel_low": 3200, "travel_high": 20800, "slew": 8000, "park": 0, "follow": 0}
            board.ask("channel", 4, **channel, wiper_low=0, wiper_high=16368, follow_ms=100)
            table = [3200, 20800] + [0] * 7 if i != 1 else [20800, 3200] + [0] * 7
            board.ask("table", 4, channel=i, points=2, wiper=[1000, 15000] + [0] * 7, pulse=table)
        for i, mV in enumerate((300, 300, 2500)):
            board.order(f"wiper {i} {mV}")
        board.heartbeats = 1
        for turn in range(14):
            board.ask("power", on=1)
            board.until("live")
            for i in range(3):
                assert board.ask("attach", channel=i, pulse=0, ramp=1)["name"] == "ack"
                board.run(240)
            board.run(draw.uniform(0, 20))
            how = turn % 4
            if how == 0:
                board.send("detach", mask=draw.randint(1, 7))
                board.run(60 + draw.uniform(0, 20))
                board.send("power", on=0)
            elif how == 1:
                board.send("stop")
            elif how == 2:
                board.order("stop 1")
                board.run(20)
                board.order("stop 0")
            else:
                board.send("power", on=0)
            board.run(60)
            assert not board.status()["flags"] & 1
            if board.status()["state"] == wire.TABLE["states"]["stopped"]:
                board.ask("clear", cause=board.status()["cause"])
        edges = board.edges()
    widths = [w for i in range(12) for _, w in pulses(edges, i)]
    assert len(widths) > 1000
    assert min(widths) >= 400 - EDGE
    assert max(widths) <= 2600 + EDGE
    assert min(widths) < 401, "the shortest was tried"
    assert max(widths) > 2599, "and the longest"
    relay = 0
    for _, output, level in edges:
        if output == RELAY:
            relay = level
        elif level:
            assert relay, "no pulse begins without the relay"


@pytest.mark.parametrize("phase_us", [100, 900, 9_000, 19_500])
def test_reset_of_the_chip_ends_everything(tmp_path: Path, phase_us: int) -> None:
    """A reset in mid-pulse or between: every pin low within 1 ms, relay off, no pulse until a host attaches again."""
    with Board(tmp_path) as board:
        board.open()
        board.attach_all(channels=range(4))
        start = pulses(board.edges(), 0)[-1][0]
        board.run((20_000 - (board.now_us - start) % 20_000 + phase_us) / 1000)
        board.order("reset")
        at = board.now_us
        board.heartbeats = None
        board.run(400)
        after = [e for e in board.edges() if e[0] > at * CYCLES_PER_US]
        before = [e for e in board.edges() if e[0] <= at * CYCLES_PER_US]
        level = dict.fromkeys(range(13), 0)
        for _, output, now in before:
            level[output] = now
        assert level[RELAY] == 1
        for cycle, output, now in after:
            assert cycle <= (at + 1000) * CYCLES_PER_US, "nothing moves later than 1 ms"
            level[output] = now
        assert not any(level.values())
        assert board.frames[-1]["seen_us"] <= at + 1000, "it waits for a host"
        board.sequence = 0
        assert board.ask("identify", nonce=8, protocol=1)["reset"] in (0, 1, 2)
        assert board.ask("attach", channel=0, pulse=0, ramp=1)["name"] == "nack"
        assert [e for e in board.edges() if e[0] > (at + 1000) * CYCLES_PER_US] == []
