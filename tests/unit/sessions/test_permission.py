"""Who lets a servo on its rig, and arms that readings are taken at, move: the maker, and only while there."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from handfast.board.simulate import in_memory
from handfast.fitting.sweeps import standard_sweep
from handfast.sessions.read_live import TakingReadings
from handfast.sessions.vet_live import OnTheRig, vetting_limits
from handfast.sessions.wire_arms import StoppedByOperator
from support import seedling
from support.boards import Lag, bench_limits
from support.wired import looking


class Maker:
    """Somebody at a rig: presses Enter, and is gone at a board time, s. allowed: permission while it was asked for."""

    def __init__(self, board, device, gone=1e9):
        self.board, self.device, self.gone, self.allowed = board, device, gone, []

    def ask(self, words):
        """What is typed."""
        self.allowed.append(self.board.permission())
        return ""

    def stops(self):
        """Whether the terminal is closed."""
        return self.device.us / 1e6 > self.gone


def short_sweep(ask=""):
    """Two seconds of the standard sweep's first part, asked for or not, and two of its second."""
    sweep = standard_sweep(seedling.bench().stock[0])
    first, second = (dataclasses.replace(part, protractor=np.zeros(len(part.t), bool)) for part in sweep.parts[:2])
    cut = [
        dataclasses.replace(
            part, ask=words, duration=2.0, t=part.t[:1], pulse=np.array([1.5e-3]), load=part.load[:1],
            push=part.push[:1], protractor=part.protractor[:1],
        )
        for part, words in ((first, ask), (second, ""))
    ]  # fmt: skip
    return dataclasses.replace(sweep, parts=tuple(cut))


def rig(gone=1e9):
    """A session before a servo that stands where it will be sent, and who sits at it."""
    bench = seedling.bench()
    board, device = in_memory(Lag(), "test")
    board.load(bench_limits(), {0: vetting_limits(bench.stock[0])})
    maker = Maker(board, device, gone)
    session = OnTheRig(bench, board, 0, maker.ask, maker.stops, lambda text: None)
    board.power_on()
    return board, session, maker


@pytest.mark.parametrize("words", ["", "Clamp the servo."])
def test_a_sweep_begins_at_enter_and_hands_are_safe_while_something_is_asked(words):
    """Whether its first part has words or not; permission is not there before, nor afterwards."""
    board, session, maker = rig()
    with board:
        session.play(short_sweep(words), "A1")
        assert maker.allowed == [False]
        assert session.traces
        assert not board.permission()


def test_a_sweep_whose_maker_is_gone_loses_its_permission():
    """The heartbeat says so by itself, whatever the session is doing."""
    board, session, maker = rig(gone=2.0)
    with board:
        with pytest.raises(StoppedByOperator):
            session.play(short_sweep(), "A1")
        assert maker.allowed == [False]
        assert maker.device.us < 2_100_000
        board.sleep(0.1)
        assert not board.known().permission


def reading(gone, lines):
    """Joints of the left arm that got power in a session `sag left 100`; permission at each look for lines."""
    with looking() as (board, _, wired):
        said, allowed = [], []

        def typed():
            allowed.append(board.permission())
            return lines.pop(0) if lines else []

        session = TakingReadings(wired.bench, board, said.append, lambda reading: None, list)
        session.run(typed, lambda: gone(board, said))
        return [e.where for e in board.events if e.kind == "attached"], allowed, said


def test_an_arm_gets_power_where_its_maker_said_so():
    """All joints of that arm, by Enter; before and afterwards there is no permission."""
    wait = [[] for _ in range(200)]
    attached, allowed, said = reading(
        lambda board, said: any("hands off" in text for text in said), [*wait, ["sag left 100"], *wait[:50], [""]]
    )
    assert attached == [0, 1, 2, 3, 4], said
    assert not any(allowed)


def test_an_arm_gets_no_more_power_when_its_maker_is_gone():
    """Gone with the first joint: the others stay limp."""
    wait = [[] for _ in range(200)]
    attached, _, said = reading(
        lambda board, said: any(board.known().channel), [*wait, ["sag left 100"], *wait[:50], [""]]
    )
    assert len(attached) == 1, said
