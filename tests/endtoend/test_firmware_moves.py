"""The real firmware in the AVR simulator: it attaches softly, follows targets, and keeps still until it is told."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from support.simulated import Board, pulses, wiper_of


def test_nothing_moves_until_a_host_attaches(tmp_path: Path) -> None:
    """After reset there are no pulses and no relay, through identify, limits and power, until the first attach."""
    with Board(tmp_path) as board:
        board.run(500)
        assert board.frames == [], "nobody has identified itself"
        board.open()
        quiet = board.edges()
        assert [output for _, output, _ in quiet] == [12], "the relay, once"
        board.attach_all(channels=range(1))
        assert len(pulses(board.edges(), 0)) > 5


def test_soft_attach_begins_at_the_measured_pose(tmp_path: Path) -> None:
    """The first pulse is the measured pose, within 2 degrees (22 us of 2000 us over 180 degrees), then a slow ramp."""
    with Board(tmp_path, stand_in=None) as board:
        board.open()
        for _ in range(2):
            board.order("wiper 3 1700")  # by hand, while it is limp: 1100 us
            board.run(60)
        board.attach_all(pulse=8800 + 4 * 100, channels=range(3, 4))
        widths = [width for _, width in pulses(board.edges(), 3)]
        assert widths[0] == pytest.approx(1100, abs=22)
        steps = [b - a for a, b in itertools.pairwise(widths)]
        assert max(abs(step) for step in steps) <= 100 / 8 + 1, "the ramp that was asked for, 12.5 us per frame"
        assert widths[-1] == pytest.approx(1150, abs=1)


def test_targets_are_joined_by_lines_in_board_time(tmp_path: Path) -> None:
    """Pulses stand on the straight lines between targets, half a step (0.25 us) and rounding allowed."""
    with Board(tmp_path) as board:
        board.open()
        board.attach_all(pulse=12000, channels=range(2))
        began = board.status()["board_us"]
        knots = [(began + 200_000, 12000), (began + 700_000, 14000), (began + 800_000, 13600)]
        for at_us, pulse in knots:
            board.send("target", at_us=at_us, pulse=[pulse, 0, *[0] * 10])
        board.run(1000)
        moved = pulses(board.edges(), 0)
        offset = moved[-1][0] - board.status()["board_us"]  # board time begins a little after the simulator's
        offset = offset % 20_000
        for start, width in moved:
            at = start - offset
            if not knots[0][0] <= at <= knots[2][0]:
                continue
            (a, p), (b, q) = (knots[0], knots[1]) if at <= knots[1][0] else (knots[1], knots[2])
            assert width == pytest.approx((p + (q - p) * (at - a) / (b - a)) / 8, abs=0.7)
        assert {round(w) for _, w in pulses(board.edges(), 1)[-20:]} == {1500}, "no target: it stays"
        assert board.status()["wiper"][0] == pytest.approx(wiper_of(1700), abs=48)


def test_attaching_one_channel_while_another_moves_does_not_pull_it_back(tmp_path: Path) -> None:
    """Targets that came while a channel was still ramping have no word about it: it stays where its ramp ended."""
    with Board(tmp_path) as board:
        board.open()
        board.attach_all(pulse=12_000, channels=range(1))
        assert board.ask("attach", channel=1, pulse=13_000, ramp=50)["name"] == "ack"
        now = board.status()["board_us"]
        for k in range(1, 5):
            board.send("target", at_us=now + k * 500_000, pulse=[12_000 + 200 * k, *[0] * 11])
        board.run(2600)
        assert board.status()["pulse"][:2] == [12_800, 13_000]
        widths = [width for _, width in pulses(board.edges(), 1)]
        assert all(b - a > -0.6 for a, b in itertools.pairwise(widths)), "it only ever went up"
