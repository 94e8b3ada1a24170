"""The Python board: the behaviour that docs/protocol.md promises, seen at its pins and over its wire."""

from __future__ import annotations

import numpy as np
import pytest

from handfast.board.host import BoardStopped, Denied
from handfast.board.simulate import in_memory
from support.boards import CENTRE, Lag, attach, bench_limits, channel_limits, powered


def test_nothing_before_a_host_and_power():
    """After reset: no pulses, relay off; a host makes it ready, still without pulses; limits come before power."""
    lag = Lag()
    board, _ = in_memory(lag, "test")
    board.sleep(0.5)
    assert board.known().state == "ready"
    with pytest.raises(Denied, match="no limits"):
        board.ask("power", on=1)
    assert not any(relay or pulses.any() for _, pulses, relay in lag.log)


def test_power_gives_no_pulses_and_attach_starts_where_the_servo_stands():
    """The first pulse is the measured pose within the noise of the converter (1 count is 20 eighths here)."""
    lag = Lag(start=2700.0)
    with powered(lag) as (board, _):
        assert not any(pulses.any() for _, pulses, _ in lag.log)
        attach(board, 1)
        first = next(p for _, p in lag.pulses(1) if p)
        assert first * 8 == pytest.approx(CENTRE + 400, abs=25)
        assert [e.where for e in board.events if e.kind == "attached"] == [1]
        assert {p for _, p in lag.pulses(0)} == {0.0}


@pytest.mark.parametrize(("past", "reason"), [(60, None), (130, "outside travel"), (2000, "outside window")])
def test_a_servo_found_past_its_travel_is_not_attached(past, reason):
    """A little past it is brought back within 2 degrees; further out a first pulse would be a jump, and is refused."""
    # 16000 eighths are the end of travel and table, 4500 mV here; two eighths per mV.
    with powered(Lag(start=4500.0 + past / 2)) as (board, _):
        if reason is None:
            attach(board, 0)
            assert board.known().pulse[0] == 16_000
        else:
            with pytest.raises(Denied, match=reason):
                board.ask("attach", channel=0, pulse=0, ramp=40)


def test_targets_are_joined_by_lines_in_board_time():
    """Halfway between two targets the pulse is halfway; the second channel is left where it was."""
    lag = Lag()
    with powered(lag) as (board, _):
        attach(board, 0, 1)
        start = board.now_us()
        board.target(start + 200_000, (CENTRE + 1600, *[0] * 11))
        board.target(start + 600_000, (CENTRE - 1600, *[0] * 11))
        board.sleep(0.8)
        seen = {s.at: s.pulse for s in board.frames}
        assert seen[start + 400_000][0] == pytest.approx(CENTRE, abs=30)
        assert seen[start + 700_000][0] == pytest.approx(CENTRE - 1600, abs=2)
        assert len({p for _, p in lag.pulses(1) if p}) == 1
        steps = np.diff([s.pulse[0] for s in board.frames if s.at >= start])
        assert np.abs(steps).max() <= 800
        assert [e.kind for e in board.events][-1] == "queue_empty"


def test_slew_and_travel_hold_whatever_is_asked():
    """A line that is too steep is followed as fast as allowed; a target outside the travel is refused whole."""
    lag = Lag()
    with powered(lag, channel=channel_limits(slew=50)) as (board, _):
        attach(board, 0)
        board.target(board.now_us() + 40_000, (CENTRE + 3000, *[0] * 11))
        board.sleep(0.5)
        steps = np.diff([s.pulse[0] for s in board.frames if s.pulse[0]])
        assert steps.max() == 50
        board.target(board.now_us() + 40_000, (17_000, *[0] * 11))
        board.sleep(0.1)
        assert list(board.refusals()) == [("target", "outside travel", 0, 1000)]


@pytest.mark.parametrize(("when_us", "reason"), [(-30_000, "too late"), (4_500_000, "too early")])
def test_targets_out_of_time_are_refused(when_us, reason):
    """With the excess in ms; nothing moves."""
    with powered(Lag()) as (board, _):
        attach(board, 0)
        board.target(board.now_us() + when_us, (CENTRE + 500, *[0] * 11))
        board.sleep(0.2)
        ((what, why, _, excess),) = board.refusals()
        assert (what, why) == ("target", reason)
        assert excess == pytest.approx(abs(when_us if when_us < 0 else when_us - 4_000_000) / 1000, abs=30)


def test_without_permission_nothing_moves():
    """No attach, no target; and permission taken away in mid-motion brings the outputs to rest within 0.1 s."""
    with powered(Lag(), permission=False) as (board, _), pytest.raises(Denied, match="no permission"):
        board.ask("attach", channel=0, pulse=0, ramp=40)
    with powered(Lag()) as (board, _):
        attach(board, 0)
        board.target(board.now_us() + 1_000_000, (CENTRE + 3000, *[0] * 11))
        board.sleep(0.4)
        board.permission = lambda: False
        board.sleep(0.25)
        rest = board.known().pulse[0]
        assert CENTRE + 800 < rest < CENTRE + 2200
        board.permission = lambda: True
        board.sleep(0.5)
        assert board.known().pulse[0] == rest
        assert "permission_lost" in [e.kind for e in board.events]


def test_an_attach_ramp_ends_where_permission_goes():
    """As in the firmware: it is attached there, and nothing more moves; what is felt for goes limp."""
    with powered(Lag()) as (board, _):
        board.ask("attach", channel=0, pulse=CENTRE + 3000, ramp=20)
        board.sleep(0.6)
        board.permission = lambda: False
        board.sleep(0.3)
        now = board.known()
        assert now.channel[0] == 2
        assert CENTRE < now.pulse[0] < CENTRE + 1500
        board.permission = lambda: True
        board.sleep(0.5)
        assert board.known().pulse[0] == now.pulse[0]
        assert [e.kind for e in board.events][-1] == "permission_lost"
        board.ask("feel", channel=1, pulse=CENTRE, every=10, pulses=8, allowed=160)
        board.sleep(0.1)
        board.permission = lambda: False
        board.sleep(0.3)
        assert board.known().channel[1] == 0
        assert ("felt", 1, 0) in [(e.kind, e.where, e.value) for e in board.events]


def stop_under_way(board, device, lag, cause):
    """Bring about a stop in mid-motion; returns the board time of the cause, µs."""
    attach(board, 0)
    board.target(board.now_us() + 2_000_000, (CENTRE + 3500, *[0] * 11))
    board.sleep(0.5)
    begun = device.us
    if cause == "host stop":
        board.stop()
    elif cause == "hardware stop":
        device.stop_open = True
    elif cause == "line break":
        device.line_break()
    elif cause == "wiper open":
        lag.open.add(0)
    elif cause == "does not follow":
        lag.held.add(0)
    elif cause == "brown out":
        lag.sag = 3000
    else:
        board.identity = None  # no more heartbeats
    board.wait(lambda: board.known().state == "stopped", 3.0)
    return begun


@pytest.mark.parametrize(
    "cause", ["host stop", "hardware stop", "line break", "link lost", "wiper open", "does not follow"]
)
def test_category_1_ramps_down_then_cuts(cause):
    """Outputs slow down evenly, and are cut within the stop time after the cause was noticed; nothing resumes."""
    lag = Lag()
    with powered(lag) as (board, device):
        begun = stop_under_way(board, device, lag, cause)
        status = board.known()
        assert (status.state, status.cause, status.relay) == ("stopped", cause, False)
        noticed = next(e.at for e in board.events if e.kind == "state_changed" and e.value and e.at >= begun)
        late = {"link lost": 260, "wiper open": 200, "does not follow": 1500}.get(cause, 30)
        assert noticed - begun <= late * 1000
        off = max(t for t, _, relay in lag.log if relay) * 1.0 - noticed
        assert 300_000 <= off <= 600_000
        steps = np.abs(np.diff([s.pulse[0] for s in board.frames if s.at > noticed - 20_000 and s.pulse[0]]))
        # Evenly slower up to rounding, never faster.
        assert np.all(np.diff(steps) <= 1)
        assert steps[-1] == 0
        board.sleep(1.0)
        assert board.known().state == "stopped"
        with pytest.raises(Denied, match="state"):
            board.ask("power", on=1)


def test_category_0_cuts_at_once():
    """The relay is off 10 ms after the hardware input, and 20 ms after a stop frame."""
    for cause, late in (("hardware stop", 10), ("host stop", 20)):
        lag = Lag()
        with powered(lag, bench=bench_limits(stop_category=0)) as (board, device):
            begun = stop_under_way(board, device, lag, cause)
            assert max(t for t, _, relay in lag.log if relay) - begun <= late * 1000


def test_a_failing_supply_cuts_whatever_the_category():
    """Three frames below the limit."""
    lag = Lag()
    with powered(lag) as (board, device):
        begun = stop_under_way(board, device, lag, "brown out")
        assert board.known().cause == "brown out"
        assert max(t for t, _, relay in lag.log if relay) - begun <= 100_000


def test_clearing_needs_the_cause_and_a_closed_stop_input():
    """Then everything starts again from ready."""
    lag = Lag()
    with powered(lag) as (board, device):
        stop_under_way(board, device, lag, "hardware stop")
        with pytest.raises(Denied, match="stop input"):
            board.ask("clear", cause=4)
        device.stop_open = False
        with pytest.raises(Denied, match="range"):
            board.ask("clear", cause=1)
        board.ask("clear", cause=4)
        board.sleep(0.1)
        assert board.known().state == "ready"


def test_feedback_is_unknown_without_power():
    """The flag says so, because wipers are fed from the servo supply."""
    with powered(Lag()) as (board, _):
        assert board.known().known
        board.power_off()
        board.sleep(0.1)
        assert not board.known().known
        assert board.known().wiper == (0,) * 12


@pytest.mark.parametrize(("guess", "still"), [(CENTRE, True), (CENTRE + 2500, False)])
def test_feeling_for_a_servo_without_a_table(guess, still):
    """A right guess attaches it; a wrong one leaves it limp after a little motion, and says how far it moved."""
    lag = Lag(speed=4.0)
    with powered(lag, channel=channel_limits(wipers=(), pulses=(), follow=0)) as (board, _):
        with pytest.raises(Denied, match="no table"):
            board.ask("attach", channel=0, pulse=0, ramp=10)
        board.ask("feel", channel=0, pulse=guess, every=10, pulses=5, allowed=160)
        board.wait(lambda: any(e.kind == "felt" for e in board.events), 3.0)
        assert [e.value for e in board.events if e.kind == "felt"] == [int(still)]
        board.sleep(0.1)
        assert board.known().channel[0] == (2 if still else 0)
        if not still:
            (moved,) = [e.value for e in board.events if e.kind == "wiper_moved"]
            assert 160 < moved < 1600


def test_a_second_host_is_refused_while_there_is_power():
    """Identify is answered `busy`; without heartbeats the board stops by itself, and then takes the new one."""
    from handfast.board.host import HostBoard
    from handfast.board.links import MemoryLink

    lag = Lag()
    with powered(lag) as (board, device):
        attach(board, 0)
        other = HostBoard(MemoryLink(device, "second"))
        other.connect()
        assert other.known().state in ("stopping", "stopped")
        assert not device.relay
        other.clear()
        assert other.known().state == "ready"
        board.identity = board.status = None


def test_a_reset_in_mid_run_forgets_everything():
    """No pulse, relay off, waiting; the host sees that it is no longer live."""
    lag = Lag()
    with powered(lag) as (board, device):
        attach(board, 0)
        device.reset(4)
        count = len(lag.log)
        board.sleep(0.3)
        # A pulse that was given before may still count for 50 ms as the last complete one.
        assert not any(relay for _, _, relay in lag.log[count:])
        assert not any(pulses.any() for _, pulses, _ in lag.log[count + 50 :])
        with pytest.raises(Exception, match="fallen silent"):
            board.next_status(0.3)
        board.connect()
        with pytest.raises(BoardStopped, match="not live"):
            board.check_live()
