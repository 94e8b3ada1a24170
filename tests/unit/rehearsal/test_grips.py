"""What is said of a grip, from looks at a thing in a hand that were made by hand."""

from __future__ import annotations

import numpy as np
import pytest

from handfast.geometry.rigid import pose, rotation_of
from handfast.rehearsal.outcome import _grip, _grip_events, _spans
from handfast.rehearsal.scene import Hold, Placed, Scene
from handfast.rehearsal.watch import Seen
from support import seedling

N = 300
"""Looks, 10 ms apart."""


def seen_in_hand(side: int, tilt: float, slip: float) -> Seen:
    """A pot that both pads press with 2 N from the first look on; it tilts and slips in the hand after a second."""
    turned = np.where(np.arange(N) < 100, 0.0, np.minimum(1.0, (np.arange(N) - 100) / 100.0))
    tcp = np.tile(np.eye(4), (N, 2, 1, 1))
    tcp[:, :, 2, 3] = 0.1
    things = pose(
        rotation_of(turned[:, None] * np.array([0.0, tilt, 0.0])),
        np.array([0.0, 0.0, 0.1]) + turned[:, None] * np.array([0.0, 0.0, -slip]),
    )
    press = np.zeros((N, 4))
    press[:, 2 * side : 2 * side + 2] = 2.0
    joints = np.zeros((N, 10))
    return Seen(
        t=0.01 * np.arange(N), link=joints, shaft=joints, passed=joints, given=joints, speed=joints, tcp=tcp,
        gaps=np.full((N, 2), 0.036), things={"plug-pot": things}, press={"plug-pot": press},
        used={"plug-pot": np.zeros((N, 2))}, amps=np.zeros((N, 12)), knocks=(), ink={},
    )  # fmt: skip


@pytest.mark.parametrize(
    ("side", "tilt", "slip", "kinds"),
    [
        ("left", 12.0, 0.003, []),
        ("left", 20.0, 0.003, ["tilted"]),
        ("left", 12.0, 0.007, ["slipped"]),
        # The right hand's pads pivot: there a thing hangs as it likes.
        ("right", 20.0, 0.003, []),
    ],
)
def test_tilting_and_slipping_spoil_a_grip(side, tilt, slip, kinds):
    """More than 15 degrees, or more than 5 mm."""
    routine = seedling.routine("pass-pot")
    hold = Hold("plug-pot", side, 0, None, np.eye(4), None)
    seen = seen_in_hand(("left", "right").index(side), np.radians(tilt), slip)
    placed = Placed(seedling.bench().thing("plug-pot"), seen.things["plug-pot"][0], None)
    grip = _grip(hold, (0.0, 3.0), seen, placed)
    assert np.degrees(grip.tilt) == pytest.approx(tilt)
    assert grip.slip == pytest.approx(slip)
    assert [event.kind for event in _grip_events(seedling.bench(), routine, hold, grip, (hold,))] == kinds


def test_a_hold_lasts_while_another_hand_takes_part():
    """Left has all of a thing from 1 s; right has half of it from 3 s, until left lets go at 5 s, and all until 7 s."""
    t = 0.1 * np.arange(80)
    left = np.where(t < 0.99, 0.0, np.where(t < 2.99, 0.11, np.where(t < 4.99, 0.055, 0.0)))
    right = np.where(t < 2.99, 0.0, np.where(t < 4.99, 0.055, np.where(t < 6.99, 0.11, 0.0)))
    holds = (Hold("seed-tray", "left", 1, 4, np.eye(4), None), Hold("seed-tray", "right", 2, 6, np.eye(4), None))
    spans = _spans(np.column_stack([t, left, right]), Scene(holds=holds))
    assert [span for _, span in spans] == [pytest.approx((1.0, 4.9)), pytest.approx((3.0, 6.9))]
