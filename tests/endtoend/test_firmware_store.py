"""The real firmware in the AVR simulator: a routine stored on the board, with and without a host."""

from __future__ import annotations

import itertools
import struct
from pathlib import Path
from typing import Any

import pytest

from support import wire
from support.simulated import RELAY, Board, pulses

REASONS = wire.TABLE["reasons"]
STATES = wire.TABLE["states"]
MASK = 0b101
Knot = tuple[int, int, int]  # frames since the knot before, pulses of channels 0 and 2
KNOTS: list[Knot] = [(1, 12_000, 12_000), (25, 13_000, 11_500), (20, 13_000, 11_500), (30, 11_400, 12_300)]


def knot_fields(index: int, knot: Knot) -> dict[str, Any]:
    """Fields of store_knot."""
    return {"index": index, "frames": knot[0], "pulse": [knot[1], 0, knot[2], *[0] * 9]}


def crc_of(knots: list[Knot]) -> int:
    """CRC over the 26 bytes of each knot, by the reference package."""
    return wire.crc(b"".join(struct.pack("<H12H", k[0], k[1], 0, k[2], *[0] * 9) for k in knots))


def begin(board: Board, routine: list[Knot], *, hold: int = 1, repeats: int = 1, **other: Any) -> dict[str, Any]:
    """Announce a routine; the answer."""
    fields = {
        "knots": len(routine),
        "mask": MASK,
        "crc": crc_of(routine),
        "ramp": 200,
        "hold": hold,
        "repeats": repeats,
    }
    return board.ask("store_begin", 100, **(fields | other))


def store(board: Board, knots: list[Knot], **options: int) -> None:
    """Put a routine on the board."""
    assert begin(board, knots, **options)["name"] == "ack"
    for i, knot in enumerate(knots):
        assert board.ask("store_knot", 60, **knot_fields(i, knot))["name"] == "ack"
    assert board.ask("store_commit", 200)["name"] == "ack"
    stored = board.ask("store_ask")
    assert (stored["valid"], stored["knots"], stored["mask"]) == (1, len(knots), MASK)
    assert stored["frames"] == sum(k[0] for k in knots[1:])


def stored_on(path: Path, eeprom: Path, knots: list[Knot], **options: int) -> None:
    """An EEPROM file with a routine."""
    with Board(path, stand_in=None, eeprom=eeprom) as board:
        board.ask("identify", nonce=5, protocol=1)
        board.limits(slew=100)
        store(board, knots, **options)


def test_a_stored_routine_runs_without_a_host(tmp_path: Path) -> None:
    """The pedal is held: each channel attaches softly, then the knots are followed on straight lines in their time.

    Slew and travel limits of the session that stored it hold. Let go after the end: power off.
    """
    eeprom = tmp_path / "eeprom"
    stored_on(tmp_path, eeprom, KNOTS)
    with Board(tmp_path, eeprom=eeprom) as board:
        board.run(500)
        assert board.edges() == []
        board.order("pedal 1")
        board.run(900)
        assert board.edges() == [], "it has to be held for a second"
        board.run(4500)
        given = {i: pulses(board.edges(), i) for i in (0, 2)}
        board.order("pedal 0")
        board.run(100)
        level = {output: now for _, output, now in board.edges()}
        assert not any(level.values())
        assert {output for _, output, _ in board.edges()} == {0, 2, RELAY}
        board.run(1500)
        assert len(pulses(board.edges(), 0)) == len(given[0]), "and it stays so"
    assert given[0][0][0] < given[2][0][0] - 200_000, "one channel after the other"
    for channel, place in ((0, 1), (2, 2)):
        widths = [round(2 * w) / 2 for _, w in given[channel]]
        assert widths[0] == pytest.approx(1500, abs=22)
        assert max(abs(b - a) for a, b in itertools.pairwise(widths)) <= 100 / 8 + 0.5, "slew"
        assert widths[-1] == pytest.approx(KNOTS[-1][place] / 8, abs=0.5)
        # The way from knot to knot takes as many frames as it says, counted back from the last one.
        last = KNOTS[-1][place] / 8
        at = max(i for i, w in enumerate(widths) if abs(w - last) > 0.6) + 1
        for frames, *place_of in reversed(KNOTS):
            assert widths[at] == pytest.approx(place_of[place - 1] / 8, abs=0.5)
            at -= frames
        assert widths[at] == pytest.approx(KNOTS[0][place] / 8, abs=22), "before the first knot: where it was found"


def test_letting_go_of_the_pedal_stops_the_routine(tmp_path: Path) -> None:
    """Pedal released in mid-routine: ramped down and cut within the stop time; pressed anew it begins anew."""
    eeprom = tmp_path / "eeprom"
    stored_on(tmp_path, eeprom, [(1, 12_000, 12_000), (200, 14_000, 10_000)])
    with Board(tmp_path, eeprom=eeprom) as board:
        board.run(100)
        board.order("pedal 1")
        board.run(3000)
        before = len(pulses(board.edges(), 0))
        board.order("pedal 0")
        board.run(620)
        edges = board.edges()
        assert not any({output: now for _, output, now in edges}.values())
        assert len(pulses(edges, 0)) - before > 10, "it was a ramp"
        board.run(1000)
        assert board.edges() == edges
        board.order("pedal 1")
        board.run(2500)
        assert len(board.edges()) > len(edges)
        board.order("stop 1")
        board.run(620)
        assert not any({output: now for _, output, now in board.edges()}.values())
        board.order("stop 0")
        board.order("pedal 0")
        board.run(100)
        board.order("pedal 1")
        board.run(2500)
        assert board.edges()[-1][2] or pulses(board.edges(), 0)[-1][0] > board.now_us - 40_000, "it runs again"
        board.send("stop")  # nobody has identified himself: obeyed all the same
        board.run(620)
        assert not any({output: now for _, output, now in board.edges()}.values())


def test_a_press_starts_and_the_next_press_stops(tmp_path: Path) -> None:
    """`hold` 0: the pedal may be let go while it runs; another press stops it. A pedal down at reset does nothing."""
    eeprom = tmp_path / "eeprom"
    stored_on(tmp_path, eeprom, [(1, 12_000, 12_000), (20, 12_400, 12_000)], hold=0, repeats=200)
    with Board(tmp_path, eeprom=eeprom) as board:
        board.order("pedal 1")
        board.order("reset")
        board.run(2500)
        assert board.edges() == [], "held down since the reset: not a press"
        board.order("pedal 0")
        board.run(100)
        board.order("pedal 1")
        board.run(1200)
        board.order("pedal 0")
        board.run(3500)
        moved = pulses(board.edges(), 0)
        turns = sum(1 for (_, a), (_, b) in itertools.pairwise(moved[-100:]) if a <= 1500.6 < b)
        assert turns >= 2, "it repeats"
        board.order("pedal 1")
        board.run(650)
        assert not any({output: now for _, output, now in board.edges()}.values())


def test_what_does_not_fit_is_refused_with_the_excess(tmp_path: Path) -> None:
    """Too many knots, too far, too fast, without a table, out of order, a wrong check: each with how much."""
    with Board(tmp_path, stand_in=None) as board:
        board.ask("identify", nonce=5, protocol=1)
        assert begin(board, KNOTS)["reason"] == REASONS["no_limits"]
        board.limits(slew=100)
        most = wire.TABLE["limits"]["knots"]
        answer = begin(board, KNOTS, knots=most + 37)
        assert (answer["reason"], answer["excess"]) == (REASONS["does_not_fit"], 37)
        assert begin(board, KNOTS)["name"] == "ack"
        assert board.ask("store_commit", 100)["reason"] == REASONS["missing_knot"]
        answer = board.ask("store_knot", 60, **knot_fields(0, (1, 19_200 + 55, 12_000)))
        assert (answer["reason"], answer["where"], answer["excess"]) == (REASONS["outside_travel"], 0, 55)
        assert board.ask("store_knot", 60, **knot_fields(1, KNOTS[1]))["reason"] == REASONS["missing_knot"]
        assert board.ask("store_knot", 60, **knot_fields(0, KNOTS[0]))["name"] == "ack"
        answer = board.ask("store_knot", 60, **knot_fields(1, (10, 12_000, 13_070)))
        assert (answer["reason"], answer["where"], answer["excess"]) == (REASONS["too_fast"], 2, 7)
        for i, knot in enumerate(KNOTS[1:], 1):
            assert board.ask("store_knot", 60, **knot_fields(i, knot))["name"] == "ack"
        assert board.ask("store_commit", 200)["name"] == "ack"
        assert begin(board, KNOTS, crc=crc_of(KNOTS) ^ 1)["name"] == "ack"
        assert board.ask("store_ask")["valid"] == 0, "what was there is void as soon as another is begun"
        for i, knot in enumerate(KNOTS):
            assert board.ask("store_knot", 60, **knot_fields(i, knot))["name"] == "ack"
        assert board.ask("store_commit", 200)["reason"] == REASONS["check_failed"]
        assert board.ask("store_run")["name"] == "nack"
        channel = {"channel": 2, "travel_low": 4800, "travel_high": 19200, "slew": 100, "park": 0, "follow": 0}
        board.ask("channel", **channel, wiper_low=0, wiper_high=16000, follow_ms=100)
        answer = begin(board, KNOTS)
        assert (answer["reason"], answer["where"]) == (REASONS["no_table"], 2)


def test_a_damaged_store_does_not_run(tmp_path: Path) -> None:
    """One turned bit anywhere in knots, head or limits: the pedal starts nothing. Erased: neither."""
    eeprom = tmp_path / "eeprom"
    stored_on(tmp_path, eeprom, KNOTS)
    whole = eeprom.read_bytes()
    for place in (4096 - 128 * 26 + 30, 3, 100, 0):
        eeprom.write_bytes(bytes(b ^ (0x10 if i == place else 0) for i, b in enumerate(whole)))
        with Board(tmp_path, eeprom=eeprom) as board:
            board.run(50)
            board.order("pedal 1")
            board.run(1500)
            assert board.edges() == [], place


def test_a_host_runs_the_stored_routine(tmp_path: Path) -> None:
    """store_run needs permission, tells when it is done, and ends when the permission goes."""
    with Board(tmp_path) as board:
        board.ask("identify", nonce=5, protocol=1)
        board.limits(slew=100)
        store(board, KNOTS)
        assert board.ask("store_run")["reason"] == REASONS["no_permission"]
        board.heartbeats = 1
        board.run(60)
        assert board.ask("store_run")["name"] == "ack"
        assert board.status()["state"] == STATES["playing"]
        seen = board.run(3500)
        done = [f for f in seen if f["name"] == "event" and f["kind"] == wire.TABLE["events"]["routine_done"]]
        assert [f["value"] for f in done] == [len(KNOTS)]
        status = board.status()
        assert status["state"] == STATES["live"]
        assert [status["pulse"][i] for i in (0, 1, 2)] == [KNOTS[-1][1], 0, KNOTS[-1][2]]
        board.ask("power", on=0)
        assert board.ask("store_run")["name"] == "ack"
        board.run(1500)
        board.heartbeats = 0
        board.run(900)
        assert board.status()["state"] == STATES["stopped"]
        assert board.status()["cause"] == wire.TABLE["causes"]["pedal_released"]


def test_chip_without_power_keeps_a_full_routine(tmp_path: Path) -> None:
    """As many knots as fit are taken, told back after a reset, and one more is too many."""
    eeprom = tmp_path / "eeprom"
    many = [(1 + i % 3, 12_000 + 50 * (i % 2), 12_000) for i in range(wire.TABLE["limits"]["knots"])]
    stored_on(tmp_path, eeprom, many)
    with Board(tmp_path, stand_in=None, eeprom=eeprom) as board:
        board.run(50)
        board.ask("identify", nonce=6, protocol=1)
        stored = board.ask("store_ask")
        assert (stored["valid"], stored["knots"], stored["crc"]) == (1, len(many), crc_of(many))
        assert board.status()["flags"] & 64
