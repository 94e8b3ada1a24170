"""The Python board and the real firmware do the same, as docs/protocol.md says: what one of them did, both must do."""

from __future__ import annotations

import numpy as np
import pytest

from handfast.board.host import BoardStopped, Denied
from handfast.board.stored import check_of
from handfast.sessions.wire_arms import WireArms
from support import seedling, wire
from support.either import BOTH, bench_limits, channel_limits, connected, live
from support.simulated import wiper_of

both = pytest.mark.parametrize("which", BOTH)
RAMP = 20


class Lets:
    """An operator who lets go at some times: spans of board time after `begun`, s."""

    def __init__(self, device, *spans):
        self.device, self.spans, self.begun = device, spans, device.us

    def may_move(self):
        """Not in one of the spans."""
        return not any(a <= (self.device.us - self.begun) / 1e6 < b for a, b in self.spans)

    def stops(self):
        """Never."""
        return False


def seen(board, channel=0):
    """Every pulse of a channel so far, µs/8."""
    return np.array([s.pulse[channel] for s in board.frames if s.pulse[channel]])


@both
def test_permission_that_goes_ends_an_attach_ramp_where_it_is(which):
    """The channel is attached there, within 0.1 s; with permission back nothing moves."""
    with live(which) as (board, _):
        board.ask("attach", channel=0, pulse=15_000, ramp=RAMP)
        board.sleep(0.6)
        board.permission = lambda: False
        board.sleep(0.15)
        rest = board.known().pulse[0]
        assert 12_100 < rest < 13_000
        assert board.known().channel[0] == 2
        assert "permission_lost" in [e.kind for e in board.events]
        board.permission = lambda: True
        board.sleep(0.5)
        assert board.known().pulse[0] == rest


@both
@pytest.mark.parametrize("spans", [[(0.5, 0.9)], [(0.5, 0.56), (0.9, 1.5)]], ids=["once", "twice"])
def test_a_joint_whose_attach_ramp_was_broken_off_goes_on_at_that_speed(which, spans):
    """What the host asks for lies far away, as open jaws do: no frame brings it nearer by more than the ramp."""
    with live(which) as (board, device):
        arms = WireArms(seedling.bench(), board, {0: channel_limits()}, Lets(device, *spans))
        pulses = np.zeros(12)
        pulses[0] = 12_700 / 8e6
        for _ in range(5):
            arms.frame(pulses)
        assert board.known().pulse[0] == 12_700
        ramp = round(15.0 * 14_400 / np.degrees(np.ptp(seedling.bench().joints[0].travel)) * 0.02)
        assert 0 < np.abs(np.diff(seen(board))).max() <= ramp + 1


@both
@pytest.mark.parametrize("gap", [0.06, 0.2, 0.6])
def test_a_joint_that_was_held_up_in_its_motion_never_jumps(which, gap):
    """Let go and pressed again in mid-motion, shortly or for long: it never goes faster than it was asked to."""
    with live(which) as (board, device):
        operator = Lets(device)
        arms = WireArms(seedling.bench(), board, {0: channel_limits()}, operator)
        step, pulse, pulses = 60, 12_000, np.zeros(12)
        pulses[0] = pulse / 8e6
        arms.frame(pulses)
        board.frames.clear()
        operator.spans, operator.begun = ((0.6, 0.6 + gap),), device.us
        for _ in range(50):
            pulse += step
            pulses[0] = pulse / 8e6
            arms.frame(pulses)
        for _ in range(10):
            arms.frame(pulses)
        given = seen(board)
        assert given[-1] == pulse
        assert np.abs(np.diff(given)).max() <= step + 1
        assert np.diff(given).min() >= 0


def entered(board):
    """States that were entered, with the board time of each, ms, and its cause."""
    return [(e.where, e.at / 1e3, e.value) for e in board.events if e.kind == "state_changed"]


@both
@pytest.mark.parametrize("low", [3000, 0])
def test_a_supply_that_falls_out_is_cut_at_once(which, low):
    """Three frames below the limit, whatever the stop category: without supply nothing can be slowed down."""
    with live(which, f"sag=1500 low={low}") as (board, device):
        board.ask("attach", channel=0, pulse=12_000, ramp=RAMP)
        assert device.us < 1_400_000
        board.wait(lambda: board.known().state == "stopped", 3.0)
        status = board.known()
        assert (status.cause, status.relay, status.channel[0]) == ("brown out", False, 0)
        assert [state for state, _, _ in entered(board)][-1] == 5
        assert 4 not in [state for state, _, _ in entered(board)], "it did not try to slow down"
        assert 1500 <= entered(board)[-1][1] <= 1600


@both
def test_a_supply_that_falls_out_in_the_middle_of_a_stop_cuts_it_short(which):
    """With the cause that the stop began with."""
    with live(which, "sag=1500", bench=bench_limits(stop_time_ms=2000)) as (board, device):
        board.ask("attach", channel=0, pulse=12_000, ramp=RAMP)
        board.wait(lambda: device.us > 1_400_000, 2.0)
        board.stop()
        board.wait(lambda: board.known().state == "stopped", 3.0)
        assert board.known().cause == "host stop"
        assert entered(board)[-2][0] == 4
        assert 1500 <= entered(board)[-1][1] <= 1600


@both
def test_a_steady_but_low_supply_never_gets_live(which):
    """3 V from the first moment on, as steady as can be: stopped when its patience is over."""
    with connected(which, "sag=0 low=3000") as (board, _):
        board.load(bench_limits(), {0: channel_limits()})
        with pytest.raises(BoardStopped) as found:
            board.power_on()
        assert found.value.cause == "brown out"
        assert 3 not in [state for state, _, _ in entered(board)]


@both
@pytest.mark.parametrize("noise", [0, 2])
def test_a_stuck_servo_is_noticed_through_the_noise_of_its_wiper(which, noise):
    """Its pulse comes back a little, and then stands: as far as ever, or nearer by noise alone, is not following."""
    with live(which, f"stuck=0 noise={noise}", channel=channel_limits(follow_ms=1000)) as (board, _):
        board.ask("attach", channel=0, pulse=0, ramp=RAMP)
        board.wait(lambda: board.known().channel[0] == 2, 1.0)
        start = board.now_us()
        board.target(start + 60_000, (15_000, *[0] * 11))
        board.target(start + 400_000, (14_200, *[0] * 11))
        assert board.wait(lambda: board.known().state in ("stopping", "stopped"), 3.0)
        assert board.known().cause == "does not follow"
        # A second after the pulse stood; noise of one count may put it off now and then.
        assert 1_300_000 < board.known().at - start < 2_000_000


@both
def test_what_is_felt_for_becomes_limp_without_permission(which):
    """Event `felt` says 0; it is not attached."""
    with live(which, channel=channel_limits(wipers=(), pulses=(), follow=0)) as (board, _):
        board.ask("feel", channel=0, pulse=12_000, every=10, pulses=8, allowed=160)
        board.sleep(0.5)
        board.permission = lambda: False
        board.sleep(0.2)
        assert [e.value for e in board.events if e.kind == "felt"] == [0]
        assert board.known().channel[0] == 0


def stop_at_speed(board, goal):
    """Pulses of channel 0, which is led as fast as its slew limit lets it and then stopped by the host."""
    board.ask("attach", channel=0, pulse=12_000, ramp=RAMP)
    assert board.wait(lambda: board.known().channel[0] == 2, 1.0)
    board.target(board.now_us() + 60_000, (goal, *[0] * 11))
    board.sleep(0.3)
    board.frames.clear()
    board.sleep(0.08)
    board.stop()
    board.wait(lambda: board.known().state == "stopped", 4.0)
    return seen(board)


@both
def test_a_stop_slows_down_evenly_at_the_slew_limit_too(which):
    """From 100 a frame to nothing in half of the stop time, 15 frames: never by more at once than a fair part."""
    with live(which, channel=channel_limits(slew=100)) as (board, _):
        steps = np.diff(stop_at_speed(board, 19_000))
        assert steps[0] == 100
        assert steps[-1] == 0
        falls = -np.diff(steps)
        # A fifteenth of the speed, rounded up, and once more for a frame that had begun.
        assert falls.max() <= 2 * 7 + 1
        assert falls.min() >= -1


@both
def test_a_line_that_is_too_steep_is_followed_to_its_end(which):
    """As fast as slew allows, though the target's time has passed."""
    with live(which, channel=channel_limits(slew=100)) as (board, _):
        board.ask("attach", channel=0, pulse=12_000, ramp=RAMP)
        assert board.wait(lambda: board.known().channel[0] == 2, 1.0)
        board.target(board.now_us() + 60_000, (14_000, *[0] * 11))
        board.sleep(0.6)
        assert board.known().pulse[0] == 14_000
        assert np.diff(seen(board)).max() == 100


@both
@pytest.mark.parametrize("park", [9_000, 17_000])
def test_a_stop_that_heads_for_its_park_pose_goes_there_evenly(which, park):
    """In the stop time, not as fast as slew allows; it is there before it is cut."""
    limits = channel_limits(slew=400, park=park)
    with live(which, bench=bench_limits(stop_pose=1, stop_time_ms=1000), channel=limits) as (board, _):
        board.ask("attach", channel=0, pulse=12_000, ramp=RAMP)
        assert board.wait(lambda: board.known().channel[0] == 2, 1.0)
        board.frames.clear()
        board.stop()
        board.wait(lambda: board.known().state == "stopped", 4.0)
        given = seen(board)
        assert given[-1] == park
        steps = np.abs(np.diff(given))
        # 50 frames, less the last few.
        even = abs(park - given[0]) / 46
        assert steps.max() <= 1.2 * even
        assert (steps > 0.5 * even).sum() >= 40


@both
def test_nothing_is_attached_without_permission(which):
    """Refused with its reason; no pulse."""
    with live(which) as (board, _):
        board.permission = lambda: False
        board.sleep(0.1)
        with pytest.raises(Denied, match="no permission"):
            board.ask("attach", channel=0, pulse=0, ramp=RAMP)
        with pytest.raises(Denied, match="no permission"):
            board.ask("feel", channel=0, pulse=12_000, every=10, pulses=8, allowed=160)
        assert board.known().channel[0] == 0


@both
@pytest.mark.parametrize(
    ("start_us", "table_us", "reason"),
    [(605, 595, None), (592, 585, None), (585, 585, "outside travel"), (666, 700, None), (660, 700, "outside window")],
)
def test_a_servo_past_its_travel_or_its_table_is_not_attached(which, start_us, table_us, reason):
    """The travel ends at 600 µs: up to 12.5 µs past it a servo is brought back, further it is refused.

    So it is more than 15 counts past the end of its table: 36.6 µs here.
    """
    table = channel_limits(wipers=(wiper_of(table_us), wiper_of(1500)), pulses=(8 * table_us, 12_000))
    with live(which, f"start={start_us}", channel=table) as (board, _):
        if reason is None:
            board.ask("attach", channel=0, pulse=0, ramp=RAMP)
            assert board.wait(lambda: board.known().channel[0] == 2, 1.0)
            # One count is 19.5 of the pulse's eighths.
            assert board.known().pulse[0] == pytest.approx(8 * max(start_us, 600), abs=22)
        else:
            with pytest.raises(Denied, match=reason):
                board.ask("attach", channel=0, pulse=0, ramp=RAMP)


class Lossy:
    """A link that loses the first `ack` of each of some requests."""

    def __init__(self, link, *what):
        self.link, self.name, self.lost = link, link.name, {wire.BY_NAME[w]["type"] for w in what}
        self.write, self.close = link.write, link.close

    def read(self, timeout):
        """Whole frames, without those."""
        kept = []
        for part in self.link.read(timeout).split(b"\0"):
            said = wire.decode(part) if part else {"name": ""}
            if said["name"] == "ack" and said["what"] in self.lost:
                self.lost.remove(said["what"])
            else:
                kept.append(part)
        return b"\0".join(kept)


@both
def test_a_request_that_was_done_is_not_taken_for_refused_when_its_answer_is_lost(which):
    """Asked again, the board refuses; what it shows tells that it is so. A refusal for another reason stays one."""
    with connected(which) as (board, _):
        board.load(bench_limits(), dict.fromkeys(range(3), channel_limits(slew=100)))
        lossy = board.link = Lossy(
            board.link, "power", "attach", "store_begin", "store_knot", "store_commit", "clear", "feel"
        )
        knots = [(1, (12_000, *[0] * 11)), (20, (12_500, *[0] * 11))]
        ask = {"mask": 1, "ramp": 40, "hold": 1, "repeats": 1, "crc": check_of(knots), "knots": len(knots)}
        board.ask("store_begin", **ask)
        for index, (frames, pulse) in enumerate(knots):
            board.ask("store_knot", index=index, frames=frames, pulse=pulse)
        board.ask("store_commit", 4.0)
        assert board.ask("store_ask")["valid"] == 1
        board.permission = lambda: True
        board.power_on()
        board.ask("attach", channel=0, pulse=0, ramp=RAMP)
        assert board.wait(lambda: board.known().channel[0] == 2, 1.0)
        board.ask("feel", channel=1, pulse=12_000, every=10, pulses=8, allowed=160)
        assert board.wait(lambda: board.known().channel[1] == 2, 3.0)
        board.stop()
        board.clear()
        assert board.known().state == "ready"
        assert not lossy.lost
        lossy.lost = {wire.BY_NAME["store_knot"]["type"]}
        with pytest.raises(Denied, match="missing knot"):
            board.ask("store_knot", index=5, frames=1, pulse=knots[0][1])
        with pytest.raises(Denied, match="state"):
            board.ask("attach", channel=0, pulse=0, ramp=RAMP)


@both
def test_a_step_that_is_too_steep_is_shared_out_below_the_slew_limit(which):
    """A frame that asks for ten times as much takes as many frames, each a tenth below what the board would allow."""
    with live(which, channel=channel_limits(slew=100)) as (board, device):
        arms = WireArms(seedling.bench(), board, {0: channel_limits(slew=100)}, Lets(device))
        pulses = np.zeros(12)
        for pulse in (12_000, 13_000):
            pulses[0] = pulse / 8e6
            arms.frame(pulses)
        for _ in range(5):
            arms.frame(pulses)
        given = seen(board)
        assert given[-1] == 13_000
        assert 88 <= np.diff(given).max() <= 91
