"""The real firmware in the AVR simulator: how it stops, for every cause, and that it stays stopped."""

from __future__ import annotations

import itertools
import os
import random
from pathlib import Path

import pytest

from support import wire
from support.simulated import CYCLES_PER_US, PLAIN, RELAY, Board, pulses, wiper_of

CAUSES = wire.TABLE["causes"]
FRAME_US = 20_000
SOAK = bool(os.environ.get("HANDFAST_SOAK"))


def moving(board: Board, *, step: int = 160, frames: int = 50, channels: int = 3) -> None:
    """Send targets that move some channels up and down, `step` us/8 per frame."""
    now = board.status()["board_us"] + 60_000
    for k in range(frames // 10):
        pulse = 12_000 + (step * 10 if k % 2 == 0 else 0)
        board.send("target", at_us=now + (k + 1) * 200_000, pulse=[pulse] * channels + [0] * (12 - channels))


def powered(board: Board, category: int, channels: int = 3, stop_time_ms: int = 600) -> None:
    """A board with attached channels at 1500 us."""
    board.open(category=category, stop_time_ms=stop_time_ms)
    board.attach_all(pulse=12_000, channels=range(channels))


def make_stop(board: Board, cause: str) -> float:
    """Bring a stop about; the time in us from which its time counts."""
    if cause == "host_stop":
        for _ in range(3):
            board.send("stop")
        board.run(2)
        return board.sent_us
    if cause == "hardware_stop":
        board.order("stop 1")
    elif cause == "line_break":
        board.order("break 1")
    elif cause == "link_lost":
        board.heartbeats = None
        return board.next_beat_us - 50_000 + 1000
    return board.now_us


def stays_stopped(board: Board, cause: str) -> None:
    """Whatever a host says, and with the cause gone, there is no edge until it has cleared the very cause."""
    board.order("stop 0")
    board.order("break 0")
    board.heartbeats = 1
    edges = len(board.edges())
    board.run(300)
    status = board.status()
    assert status["state"] == wire.TABLE["states"]["stopped"]
    assert status["cause"] == CAUSES[cause]
    for name, fields in (
        ("power", {"on": 1}),
        ("attach", {"channel": 0, "pulse": 0, "ramp": 1}),
        ("target", {"at_us": status["board_us"] + 100_000, "pulse": [12_000] + [0] * 11}),
        ("clear", {"cause": CAUSES[cause] % 12 + 1}),
        ("store_run", {}),
    ):
        assert board.ask(name, **fields)["name"] == "nack", name
    assert len(board.edges()) == edges
    assert board.ask("clear", cause=CAUSES[cause])["name"] == "ack"
    board.run(200)
    assert len(board.edges()) == edges, "cleared is not yet moving"


def last_edges(board: Board) -> tuple[float, float]:
    """When the last output fell and when the relay fell, us."""
    edges = board.edges()
    level = {output: now for _, output, now in edges}
    assert not any(level.values()), "everything is low"
    off = [cycle for cycle, output, now in edges if output == RELAY and not now][-1]
    low = [cycle for cycle, output, now in edges if output != RELAY and not now][-1]
    return low / CYCLES_PER_US, off / CYCLES_PER_US


@pytest.mark.parametrize(
    ("cause", "within_ms"), [("hardware_stop", 10), ("host_stop", 20), ("line_break", 20), ("link_lost", 250)]
)
def test_category_0_cuts_in_time(tmp_path: Path, cause: str, within_ms: float) -> None:
    """Outputs low and relay off within 10 ms of the input, 20 ms of a stop frame's end, 250 ms of the last heartbeat.

    At several places in the frame, mid-pulse too, while the arms move.
    """
    draw = random.Random(cause)
    with Board(tmp_path) as board:
        powered(board, 0)
        for turn in range(40 if SOAK else 4):
            if turn:
                board.ask("power", on=1)
                board.until("live")
                board.attach_all(pulse=12_000, channels=range(2))
            moving(board, channels=2)
            board.run(150)
            edge = pulses(board.edges(), 0)[-1][0]
            phase_us = [500, 2_000, 19_000][turn] if turn < 3 else draw.uniform(0, FRAME_US)
            board.run(((edge + phase_us - board.now_us) % FRAME_US) / 1000)
            since = make_stop(board, cause)
            board.run(within_ms + 30)
            low, off = last_edges(board)
            assert low - since <= within_ms * 1000
            assert off - since <= within_ms * 1000
            assert off - since > -1000, "the first of three stop frames may do it"
            stays_stopped(board, cause)


@pytest.mark.parametrize("cause", ["hardware_stop", "host_stop", "link_lost"])
@pytest.mark.parametrize("phase_us", range(100, FRAME_US, 700) if SOAK else [600, 15_000])
def test_category_1_ramps_down_then_cuts(tmp_path: Path, cause: str, phase_us: float) -> None:
    """The ramp begins in the next 20 ms frame and ends, cut, within the bench's stop time (0.4 s here)."""
    stop_us = 400_000
    with Board(tmp_path) as board:
        powered(board, 1, channels=2, stop_time_ms=400)
        now = board.status()["board_us"]
        board.send("target", at_us=now + 1_000_000, pulse=[12_000 + 5_000] * 2 + [0] * 10)  # 100 us/8 per frame
        board.run(300)
        edge = pulses(board.edges(), 0)[-1][0]
        board.run(((edge + phase_us - board.now_us) % FRAME_US) / 1000)
        since = make_stop(board, cause)
        # A hardware input counts after 3 equal looks, 1 ms apart; a lost link after 200 ms.
        noticed = since + {"hardware_stop": 4_500, "host_stop": 500, "link_lost": 203_000}[cause]
        board.run(700)
        low, off = last_edges(board)
        assert max(low, off) <= noticed + stop_us
        assert off > noticed + stop_us / 2, "it held before it was cut"
        stays_stopped(board, cause)
        moved = pulses(board.edges(), 0)
    after = [i for i, (start, _) in enumerate(moved) if start > noticed]
    steps = [round(2 * (moved[i][1] - moved[i - 1][1])) / 2 for i in range(after[0] - 3, len(moved))]
    before, ramp = steps[:3], steps[3:]
    speed = sum(before) / 3
    assert speed == pytest.approx(13, abs=0.6), "5000 us/8 in a little less than a second"
    assert ramp[0] < speed - 0.3 or ramp[1] < speed - 0.9, "slower from the next frame on; the first may round up"
    assert all(b <= a + 0.6 for a, b in itertools.pairwise(ramp)), "slower and slower"
    assert ramp[-1] == 0
    # Evenly from full speed to nothing in half the stop time: 10 frames, 5 of them at full speed. A stop that is
    # noticed a little earlier than said above has its first frame before those that are counted here.
    assert sum(ramp) == pytest.approx(speed * 5, abs=1.5 * speed)


def test_heartbeat_and_stop_survive_noise_on_the_line(tmp_path: Path) -> None:
    """A stop frame between damaged ones still stops; an old stop frame stops too, and is counted as old."""
    with Board(tmp_path) as board:
        powered(board, 0, channels=1)
        old = board.sequence - 5
        board.send_raw(b"\x05\x01\x02" + bytes([7, 7, 0]) + wire.encode("stop", old))
        board.run(25)
        assert board.status()["cause"] == CAUSES["host_stop"]
        counters = board.ask("counters_ask")
        assert counters["old_sequence"] == 1
        assert counters["bad_framing"] + counters["bad_crc"] == 1


def test_frames_that_come_twice_or_late_are_refused(tmp_path: Path) -> None:
    """Duplicates and old sequence numbers are counted and not acted on; 127 steps ahead is still newer."""
    with Board(tmp_path) as board:
        board.ask("identify", nonce=3, protocol=1)
        frame = wire.encode("lamp", board.sequence + 1, level=9)
        board.send_raw(frame + frame + wire.encode("lamp", board.sequence - 3, level=1))
        answers = [f for f in board.run(30) if f["name"] in ("ack", "nack")]
        assert [(f["name"], f["of"]) for f in answers] == [("ack", board.sequence + 1)]
        board.sequence += 1
        assert board.ask("counters_ask")["old_sequence"] == 2
        board.sequence += 126
        assert board.ask("lamp", level=1)["name"] == "ack"
        board.sequence += 127
        board.send("lamp", level=2)
        assert [f for f in board.run(30) if f["name"] == "ack"] == []


def test_another_session_only_without_power(tmp_path: Path) -> None:
    """With the relay on a second host is told to wait; identify comes twice: the second is refused."""
    with Board(tmp_path) as board:
        board.open()
        board.send_raw(wire.encode("identify", 77, nonce=1234, protocol=1))
        answer = next(f for f in board.run(30) if f["name"] == "nack")
        assert answer["reason"] == wire.TABLE["reasons"]["busy"]
        assert board.status()["state"] == wire.TABLE["states"]["live"]


def test_brown_out_and_reset_in_mid_run_give_no_jump(tmp_path: Path) -> None:
    """The supply sags: stopped. The chip resets, and a new session attaches within 2 degrees of the measured pose.

    The plain stand-in's servos travel 180 degrees over 2000 us: 2 degrees are 22 us. Where the arms are found is no
    pulse whose compare value ends in 00: after a reset the simulator does not see that one change.
    """
    with Board(tmp_path, stand_in=f"{PLAIN} sag=1960 back=2600") as board:
        powered(board, 1, channels=2)
        moving(board, channels=2)
        board.run(max(0.0, (1_960_000 - board.now_us) / 1000 + 900))
        status = board.status()
        assert status["state"] == wire.TABLE["states"]["stopped"]
        assert status["cause"] == CAUSES["brown_out"]
        _, off = last_edges(board)
        assert off <= 1_960_000 + 80_000, "three frames to notice, then cut at once"
        stays_stopped(board, "brown_out")
        board.order("reset")
        board.heartbeats = None
        board.run(50)
        board.sequence = 0
        before = len(pulses(board.edges(), 0))
        board.open()
        stands = board.status()["wiper"][0]
        board.attach_all(channels=range(1))
        first = pulses(board.edges(), 0)[before][1]
    assert stands == pytest.approx(wiper_of(first), abs=16 * 22 * 2 / 5000 * 1024)


def test_a_servo_that_does_not_follow_stops_all(tmp_path: Path) -> None:
    """A stuck servo, commanded away: stopped with its cause within follow_ms and a few frames of the excess."""
    with Board(tmp_path, stand_in=f"{PLAIN} stuck=1") as board:
        powered(board, 0, channels=2)
        assert board.status()["state"] == wire.TABLE["states"]["live"]
        moving(board, channels=2, step=400)
        board.run(1500)
        status = board.status()
        assert status["cause"] == CAUSES["does_not_follow"]
        last_edges(board)


def test_an_open_wiper_stops_all(tmp_path: Path) -> None:
    """A wiper that falls out of its window for 100 ms: stopped; a shorter spike does nothing."""
    with Board(tmp_path, stand_in=None) as board:
        powered(board, 0, channels=1)
        board.order("wiper 0 4990")
        board.run(60)
        board.order("wiper 0 2500")
        board.run(200)
        assert board.status()["state"] == wire.TABLE["states"]["live"]
        board.order("wiper 0 0")
        board.run(200)
        assert board.status()["cause"] == CAUSES["wiper_open"]


def test_letting_go_of_the_permission_holds_and_resumes_only_by_new_targets(tmp_path: Path) -> None:
    """Heartbeats without permission: slowed down within 0.1 s, held with power; permission back: still nothing."""
    with Board(tmp_path) as board:
        powered(board, 1, channels=1)
        now = board.status()["board_us"]
        board.send("target", at_us=now + 2_000_000, pulse=[18_000] + [0] * 11)
        board.run(400)
        board.heartbeats = 0
        board.next_beat_us = 0
        board.run(170)
        held = board.status()
        board.run(500)
        still = board.status()
        assert held["pulse"][0] == still["pulse"][0]
        assert 12_000 < held["pulse"][0] < 18_000
        assert held["state"] == wire.TABLE["states"]["live"]
        assert board.ask("target", at_us=still["board_us"] + 300_000, pulse=[18_000] + [0] * 11)["name"] == "nack"
        board.heartbeats = 1
        board.run(500)
        assert board.status()["pulse"][0] == held["pulse"][0], "it never resumes by itself"
        now = board.status()["board_us"]
        board.send("target", at_us=now + 500_000, pulse=[18_000] + [0] * 11)
        board.run(700)
        assert board.status()["pulse"][0] == 18_000


def test_a_servo_without_a_table_is_felt_for(tmp_path: Path) -> None:
    """Sparse pulses at a wrong guess end at unexpected motion; at the right place they end attached."""
    events = wire.names("events")
    with Board(tmp_path) as board:
        board.open(tables=False)
        assert board.ask("attach", channel=4, pulse=0, ramp=1)["reason"] == wire.TABLE["reasons"]["no_table"]
        three_degrees = round(16 * 3 / 180 * 4000 / 5000 * 1024)
        board.ask("feel", channel=4, pulse=9_000, every=10, pulses=8, allowed=three_degrees)
        assert board.ask("feel", channel=5, pulse=12_000, every=10, pulses=8, allowed=160)["name"] == "nack"
        seen = board.run(2000)
        felt = [(events[f["kind"]], f["value"]) for f in seen if f["name"] == "event"]
        assert ("felt", 0) in felt
        assert dict(felt)["wiper_moved"] > three_degrees
        given = pulses(board.edges(), 4)
        assert 1 <= len(given) <= 3, "it stopped at once"
        assert board.status()["channel"][4] == 0
        board.ask("feel", channel=5, pulse=12_000, every=5, pulses=6, allowed=three_degrees)
        seen = board.run(1200)
        assert ("felt", 1) in [(events[f["kind"]], f["value"]) for f in seen if f["name"] == "event"]
        assert board.status()["channel"][5] == 2
        sparse = pulses(board.edges(), 5)[:6]
        for (a, _), (b, _) in itertools.pairwise(sparse):
            assert b - a == pytest.approx(5 * FRAME_US, abs=1)
