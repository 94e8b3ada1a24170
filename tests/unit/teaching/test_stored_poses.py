"""Recordings that say which poses were stored: these are taught and no others, and undo takes the last one back."""

from __future__ import annotations

import numpy as np
import pytest

from handfast.records.recording import Event
from handfast.teaching.live import LiveStillness
from handfast.teaching.routine_from import routine_from, standing
from support import seedling
from support.recordings import Led

HOME = [0, -15, 75, 60, 0] * 2


def said(*texts):
    """Events a second apart."""
    return tuple(Event(float(k), tuple(text.split())) for k, text in enumerate(texts))


@pytest.mark.parametrize(
    ("texts", "left"),
    [
        (("left pose", "undo"), []),
        (("left pose", "right pose", "undo"), ["left pose"]),
        (("left pose", "note x", "undo"), ["note x"]),
        (("undo", "left pose"), ["left pose"]),
        (("left pose", "left stroke begin", "right pose", "left stroke end", "undo"), ["left pose", "right pose"]),
        (("left grip pen", "left pose", "undo", "undo"), []),
    ],
)
def test_undo_takes_the_last_one_back(texts, left):
    """Notes stay; a stroke goes as a whole; with nothing before it, undo does nothing."""
    assert [event.text for event in standing(said(*texts))] == left


def test_only_what_was_stored_is_taught():
    """Three times still, stored at the first and the last; without such events all three are poses."""

    def led():
        return Led(HOME).hold(1.0).move({0: 20}).hold(1.5).move({0: 40}).hold(1.5).move({0: 60}).hold(1.5)

    every, _ = routine_from(led().recording("held"), seedling.model(), "r")
    assert len(every.steps) == 3
    recording = led().recording("held")
    poses = [step.left.at for step in every.steps]
    events = (Event(poses[0], ("left", "pose")), Event(poses[2], ("left", "pose")))
    some, _ = routine_from(type(recording)(**{**recording.__dict__, "events": events}), seedling.model(), "r")
    assert [step.left.pose for step in some.steps] == [every.steps[0].left.pose, every.steps[2].left.pose]


def test_live_stillness_sees_what_the_recording_sees():
    """Nothing while it rests where it was found, nor in motion; once after a move and 0.8 s of stillness."""
    recording = Led(HOME).hold(1.5).move({0: 20}).hold(2.0).recording("held")
    live = LiveStillness(seedling.bench(), float(np.median(np.diff(recording.t))))
    stored = []
    for t, counts in zip(recording.t, recording.counts, strict=True):
        live.add(counts)
        if live.still("left") and live.armed("left"):
            stored.append(t)
            live.stored("left")
        assert not live.armed("right")
    assert len(stored) == 1
    routine, _ = routine_from(recording, seedling.model(), "r")
    # The offline pose ends with the recording; the live one comes 0.8 s after stillness began, before that.
    assert routine.steps[0].left.at - 2.0 < stored[0] < routine.steps[0].left.at + 0.3
    assert live.glow(("left", "right")) > 200
