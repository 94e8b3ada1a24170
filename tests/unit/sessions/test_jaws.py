"""Jaws that close by feel, on a gripper that is a few lines: a gap, a thing, a gain, friction, noise."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from handfast.bench.lines import FrameLines
from handfast.mechanics.model import model_of
from handfast.motion.gripping import gap_per_angle, gears_angle, grip_share
from handfast.motion.plan import plan
from handfast.sessions.jaws import Jaws, found_of
from handfast.units import DEGREE
from support import rehearsing, seedling

FRAME = 0.02


class Gripper:
    """Right jaws whose servo stands `off` rad beside its line, on a thing of `width` m or on nothing.

    Its drive is the error over `full` rad; its gears keep still below `friction` of the stall torque. It answers in
    the frame after, draws the drive's share of `stall` A where current is sensed, and reads with `noise` rad.
    """

    def __init__(self, bench, width: float | None, off: float, full: float, sensed: bool, stall: float = 0.8):
        self.bench, self.width, self.off, self.full, self.sensed, self.stall = bench, width, off, full, sensed, stall
        gripper = bench.arm("right").gripper
        self.lines, self.per_angle = FrameLines(bench), gap_per_angle(gripper)
        self.friction, self.noise = 0.08, 0.1 * DEGREE
        self.rng = np.random.default_rng(3)
        self.asked = self.at = float(self.lines.gap_angles(np.array([0.056, 0.056]))[1])
        self.frames: list[float] = []
        # The thing stops the jaws where the true gap is its width.
        self.stop = -np.inf if width is None else float(self.lines.gap_angles(np.full(2, width))[1]) - off

    @property
    def drive(self) -> float:
        """Share of its full voltage."""
        return float(np.clip((self.asked - self.at) / self.full, -1.0, 1.0))

    def show(self, gaps: np.ndarray) -> tuple[float, float, float]:
        """One frame."""
        rest = self.asked
        # As far as its friction lets it, and as the thing does.
        if abs(self.drive) > self.friction:
            self.at = max(rest + np.sign(self.at - rest) * self.friction * self.full, self.stop)
        self.asked = float(self.lines.gap_angles(gaps)[1])
        self.frames.append(float(gaps[1]))
        amps = 0.5 + self.stall * abs(self.drive) if self.sensed else 0.0
        return self.at + self.noise * self.rng.normal(), amps, 6.0

    @property
    def pressed(self) -> float:
        """Share of the stall torque with which it presses, friction taken off."""
        return max(0.0, -self.drive - self.friction) if self.at <= self.stop + 1e-12 else 0.0


def closing(by_feel: bool = True):
    """The jaws of `pass-pot` and the number of the closing of the right ones."""
    bench = seedling.bench()
    motion = plan(model_of(bench), rehearsing.taught("pass-pot"))
    number = next(n for n, c in enumerate(motion.closings) if c.side == "right")
    return bench, motion, Jaws(bench, motion, by_feel), number


@pytest.mark.parametrize("off", [-8.0, -3.0, 0.0, 3.0, 8.0])
@pytest.mark.parametrize("sensed", [True, False], ids=["current", "no current"])
def test_they_press_as_wanted_wherever_the_horn_sits(off: float, sensed: bool):
    """Half of the stall torque, within 0.15 of it, with a servo of the gain that its class states."""
    bench, _, jaws, number = closing()
    gripper = bench.arm("right").gripper
    pot = bench.thing("plug-pot")
    servo = Gripper(bench, pot.grip_width, off * DEGREE, bench.servo_of(gripper).full_drive_error, sensed)
    done = jaws.close(number, servo.show, np.full(2, 0.056), FRAME, 1.0)
    for _ in range(10):
        servo.show(np.array([0.056, done.gap]))
    assert done.felt
    assert servo.pressed == pytest.approx(grip_share(bench, gripper, pot), abs=0.15)
    assert jaws.found[number] == done.gap
    # In the end half of what the gears' friction cost on the way in is given back.
    pressing = servo.frames[-11]
    assert done.gap - pressing == pytest.approx(0.5 * gears_angle(bench, gripper) * gap_per_angle(gripper))
    # It never opened on the way, nor went to the thing faster than it creeps once it may have been there.
    steps = -np.diff(servo.frames)
    assert steps.max() <= 25.0 * DEGREE * FRAME * gap_per_angle(gripper) + 1e-9


@pytest.mark.parametrize("full", [1.5, 6.0])
def test_current_tells_the_drive_where_the_gain_is_not_as_stated(full: float):
    """A servo three times stiffer or half as soft as its class: 0.2 of the stall torque from what is wanted.

    By the feedback alone a soft one presses by a third of that, which is known and said.
    """
    bench, _, jaws, number = closing()
    servo = Gripper(bench, 0.036, 0.0, full * DEGREE, sensed=True)
    done = jaws.close(number, servo.show, np.full(2, 0.056), FRAME, 1.0)
    assert done.felt
    assert servo.pressed == pytest.approx(0.5, abs=0.2)


def test_what_breaks_easily_is_pressed_lightly():
    """A pot that 0.4 N damage: as little as the feedback can tell, and it ends."""
    bench, motion, _, number = closing()
    things = tuple(replace(t, crush_force=0.4) if t.name == "plug-pot" else t for t in bench.things)
    fragile = replace(bench, things=things)
    servo = Gripper(fragile, 0.036, 0.0, 4.0 * DEGREE, sensed=True)
    done = Jaws(fragile, motion, True).close(number, servo.show, np.full(2, 0.056), FRAME, 1.0)
    assert done.felt
    assert servo.pressed < 0.3
    assert len(servo.frames) < 600


def test_nothing_between_them():
    """They go as far as anything could be, come back to where the thing was thought to be, and say so."""
    bench, motion, jaws, number = closing()
    servo = Gripper(bench, None, 0.0, 4.0 * DEGREE, sensed=True)
    done = jaws.close(number, servo.show, np.full(2, 0.056), FRAME, 1.0)
    assert not done.felt
    assert done.gap == motion.closings[number].gap
    assert min(servo.frames) < motion.closings[number].gap - 0.01


def test_what_was_found_is_kept_until_they_open():
    """As planned before the closing and after the opening; the found gap in between, and none where nothing is felt."""
    bench, motion, jaws, number = closing()
    c = motion.closings[number]
    assert jaws.gaps(c.begin)[1] == motion.gaps[c.begin, 1]
    # Until they have felt, they stop well before the thing.
    assert jaws.gaps(c.end)[1] > c.width + 0.004
    jaws.found[number] = c.gap - 0.003
    assert jaws.gaps(c.end)[1] == c.gap - 0.003
    assert jaws.gaps(len(motion.t) - 1)[1] == motion.gaps[-1, 1]
    opening = [jaws.gaps(k)[1] for k in range(c.end, len(motion.t))]
    assert np.all(np.diff(opening) >= -1e-12)
    blind = Jaws(bench, motion, by_feel=False)
    assert all(np.array_equal(blind.gaps(k), motion.gaps[k]) for k in range(0, len(motion.t), 7))


def test_a_stored_routine_takes_the_gaps_of_a_run():
    """By step and side, so that a board which plays by itself holds as tightly as its host did."""
    from handfast.records.run import Grip, Run

    _, motion, _, number = closing()
    c = motion.closings[number]
    none = np.zeros((0, 2))
    run = Run(
        "pass-pot", "corrected", "x", "now", none, none, none, none, none, none, (), grips=(
            Grip(c.step, "right", 3.0, 0.031, 0.04, True),
        )
    )  # fmt: skip
    assert found_of(motion, run) == {number: 0.031}
