"""What a probe says about wiring, on stand-ins with one thing wrong; and the first power-up of single servos."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from handfast.board.loading import limits_of
from handfast.board.simulate import in_memory
from handfast.sessions.operator import Always
from handfast.sessions.power_up import PowerUp
from handfast.sessions.probe import look, look_at, parts, swapped, wiggle
from support import seedling
from support.wired import Wired, looking

DEGREE = np.pi / 180.0


@pytest.mark.parametrize(
    ("wrong", "where", "says"),
    [
        ({"open": (3,)}, "left wrist (channel 3)", "wanders by itself at rest: its wiper wire is open"),
        ({"dead": (8,)}, "right elbow (channel 8)", "lies at ground: the wiper wire is open or shorted"),
        ({"ground": "right"}, "right arm", "wander together: its ground is missing or thin"),
        ({"sag": 700}, "supply", "sags to 5."),
        ({"off": -1200}, "supply", "4.80 V where the bench says 6 V"),
    ],
)
def test_one_thing_wrong_is_named_alone(wrong, where, says):
    """The place and the likely cause; nothing else is suspected."""
    if "open" in wrong or "ground" in wrong or "dead" in wrong:
        # Wandering wipers never get steady: the wire says so before there is anything to look at.
        wired = Wired()
        limits, channels = limits_of(wired.bench)
        board, _ = in_memory(wired, "test")
        with board:
            board.load(limits, channels)
            board.power_on()
            wired.wrong = wrong
            board.sleep(0.2)
            seen = look_at(board, wired.bench, channels)
    else:
        with looking(**wrong) as (board, channels, wired):
            seen = look_at(board, wired.bench, channels)
    assert [f.where for f in seen.findings] == [where]
    assert says in seen.findings[0].text


def test_nothing_wrong_is_nothing_said():
    """Angles are read off the bench's lines; an arm that sinks slowly is not taken for noise."""
    with looking() as (board, channels, wired):
        wired.at[:] = 0.0
        wired.move = lambda ms, at: at.__setitem__(1, 2e-5 * (ms % 20000))
        seen = look_at(board, wired.bench, channels)
        assert seen.findings == ()
        # One count of the converter is 0.37 degrees of these servos; its floor takes half of one away.
        assert all(abs(w.angle) < 0.6 * DEGREE for w in seen.wipers if w.channel != 1)


def test_wipers_that_all_read_the_same_tell_nothing():
    """A converter with nothing plugged in: that is said, and not that all is well."""
    with looking() as (board, channels, wired):
        board.sleep(1.0)
        frames = [dataclasses.replace(s, wiper=(8192,) * len(s.wiper)) for s in list(board.frames)[-50:]]
        (finding,) = look(wired.bench, channels, frames).findings
        assert finding.where == "all wipers"
        assert "read the same, 512.0 counts, and none of them moves: nothing can be told" in finding.text
        trembling = [dataclasses.replace(s, wiper=(8192 + 8 * (k % 2),) * 12) for k, s in enumerate(frames)]
        assert look(wired.bench, channels, trembling).findings == ()


def test_swapped_channels_show_when_joints_are_wiggled():
    """Each of the two moves the other's wiper; a third that nobody moves is said to be unmoved."""
    with looking(crossed=[(0, 2)]) as (board, _, wired):
        named = {name: part for _, name, part in parts(wired.bench)}
        found = []
        for name in ("left yaw", "left elbow", "left roll"):
            start = board.known().at // 1000
            c = named[name].channel
            if name != "left roll":
                wired.move = lambda ms, at, s=start, c=c: at.__setitem__(c, 0.3 * np.clip((ms - s - 200) / 500, 0, 1))
            else:
                wired.move = lambda ms, at: None
            found.append(wiggle(board, wired.bench, named[name], name, 3.0, lambda: False))
        assert [w.moved for w in found] == [2, 0, None]
        findings = swapped(wired.bench, found)
        assert [f.where.split(" (")[0] for f in findings] == ["left yaw", "left elbow", "left roll"]
        assert "these two are swapped" in findings[0].text
        assert "no wiper moved" in findings[2].text


def powered_up(name, table=True, **wrong):
    """First power for one servo, without a hand; what was found, its part, and the pulses it got, µs/8 (0: none).

    table: whether the board has one for it; if not it is felt for.
    """
    with looking(table=table, **wrong) as (board, channels, wired):
        named = {name: part for _, name, part in parts(wired.bench)}
        session = PowerUp(wired.bench, board, channels, Always(), lambda text: None, lambda: False)
        found = session.one(name, named[name], by_hand=False)
        board.sleep(0.1)
        assert board.known().channel == (0,) * 12, "limp afterwards"
        return found, named[name], np.array([s.pulse[named[name].channel] for s in board.frames])


def test_the_travel_is_found_gently():
    """From end to end of the bench's travel less 3 degrees; the servo ends limp."""
    found, part, _ = powered_up("left elbow")
    assert found.trouble == ""
    low, high = np.array(part.travel) / DEGREE
    assert np.array(found.travel) / DEGREE == pytest.approx([low + 3, high - 3], abs=2.0)


def test_something_in_the_way_ends_the_search():
    """A stop at 40 degrees: the travel ends there; it is pressed no further than the 7 degrees that tell it.

    They are waited for at 12 degrees per second for 15 frames.
    """
    found, part, given = powered_up("left elbow", stops={2: 40 * DEGREE})
    assert found.travel[1] / DEGREE == pytest.approx(40.0, abs=1.0)
    bench = seedling.bench()
    asked = (given[given > 0] / 8e6 - part.pulse_at_zero) / (part.pulse_slope or bench.servo_of(part).pulse_slope)
    assert 40.0 + 7.0 < asked.max() / DEGREE < 40.0 + 7.0 + 12.0 * 0.3 + 2.0


@pytest.mark.parametrize("off", [0.0, 4.0, 10.0, -8.0, 20.0])
def test_a_servo_without_a_table_is_felt_for_and_then_led_from_there(off):
    """Its pulse line is off by so many degrees: it goes there in a few kicks, and no pulse jumps afterwards."""
    found, part, given = powered_up("left elbow", table=False, off_line={2: off * DEGREE})
    assert found.trouble == ""
    low, high = np.array(part.travel) / DEGREE
    reached = np.array(found.travel) / DEGREE
    # Pulses end where the travel would by the bench's line.
    assert reached == pytest.approx([low + 3 + max(-off - 3, 0), high - 3 - max(off - 3, 0)], abs=2.5)
    steady = (given[1:] > 0) & (given[:-1] > 0)
    gentle = 12.0 * DEGREE * 0.02 * abs(seedling.bench().servo_of(part).pulse_slope) * 8e6
    assert np.abs(np.diff(given.astype(int)))[steady].max() <= 1.1 * gentle + 1


def test_a_servo_that_goes_the_wrong_way_is_stopped():
    """After a few degrees, with what to mend."""
    found, _, _ = powered_up("left yaw", backwards=(0,))
    assert found.travel is None
    assert "against its pulses: turn the sign of pulse_us_per_deg" in found.trouble


@pytest.mark.parametrize(("way", "trouble"), [(1, ""), (-1, "its wiper moves the other way")])
def test_channel_and_direction_by_hand(way, trouble):
    """Moved by hand in its positive direction, it is found at its channel; afterwards it has to go limp."""
    with looking() as (board, channels, wired):
        named = {name: part for _, name, part in parts(wired.bench)}
        said = []

        def say(text):
            said.append(text)
            start = board.known().at // 1000
            if "by hand" in text:
                begin = wired.at[1]
                wired.move = lambda ms, at: at.__setitem__(
                    1, begin + way * 0.3 * np.clip((ms - start - 200) / 800, 0, 1)
                )
            else:
                wired.move = lambda ms, at: None

        session = PowerUp(wired.bench, board, channels, Always(), say, lambda: False, patience=5.0)
        found = session.one("left shoulder", named["left shoulder"])
        assert found.wiggle.moved == 1
        assert found.way == way
        if trouble:
            assert trouble in found.trouble
        else:
            assert (found.limp, found.trouble) == (True, "")
