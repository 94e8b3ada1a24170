"""Jaws that close by feel: nobody measures a gripper, but its feedback shows when it presses.

A horn may sit some degrees beside its spline and a pulse line beside its nominal one, which is millimetres between
the pads. So jaws close quickly only until they are clear of the thing by more than that, note how far the feedback
stays behind the command there, with nothing between them, and creep on until it stays behind by more: they have
touched something. From there they are drawn tighter at rest until the arm's current has grown by what the wanted force
takes, or, where no current is measured, until the feedback stays behind by as much (proportional drive). Part of what
the gears' friction cost on the way in is then given back: it holds by itself.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from handfast.bench.lines import FrameLines
from handfast.bench.parts import SIDES, Bench, Side
from handfast.geometry.rigid import Array
from handfast.motion.gripping import gap_per_angle, gears_angle, grip_share, press_angle, tightest
from handfast.motion.plan import Closing, Motion
from handfast.records.run import Grip, Run
from handfast.units import DEGREE

UNSURE = 9.0 * DEGREE
"""How far from where they are thought to be jaws may stand, as an angle of their servo: horn, pulse line, bow of the
feedback (common practice, no source)."""

CREEP_SPEED = 25.0 * DEGREE
"""Speed of the servo, rad/s, on the last way to a thing."""

STILL = 0.3
"""Time at rest over which the feedback is averaged, s."""

BELIEVED = 0.9
"""Share of the wanted drive at which a grip is believed: the feedback's own noise and steps make up the rest."""

TOO_TIGHT = 1.25
"""Share of the wanted drive above which a grip is loosened again."""

TOUCHED = 0.4
"""Share of the wanted error at which jaws are held to have touched something."""

CALMING = 6
"""How often an arm's current is looked at until it is steady."""

LEAST_WANTED = 0.5 * DEGREE
"""Smallest error that is told from the feedback's noise and steps at rest, rad."""

LOOSENED, LOOSER = 12, 0.2 * DEGREE
"""How often a grip that is too tight is loosened, and by how much, rad."""

MOST_BEHIND = 2.5
"""A servo whose current seems too little is never sent farther behind than this times the wanted error."""

GIVEN_BACK = 0.5
"""Share of what the gears' friction cost on the way in that is given back: servos differ in it."""

SENSED = 1e-3
"""Share of the stall current above which an arm's current is held to be measured at all."""

Show = Callable[[Array], tuple[float, float, float]]

SMOOTHED = 3
"""Frames over which the feedback is averaged on the way."""


@dataclass
class Jaws:
    """Gaps that both pairs of jaws are asked for along a motion, as planned until they have felt what they hold.

    by_feel: whether the arms can show what their jaws touch; if not, all is as planned. `found`: by number of the
    closing, the gap m at which it ended.
    """

    bench: Bench
    motion: Motion
    by_feel: bool
    found: dict[int, float] = field(default_factory=dict)

    def gaps(self, sample: int) -> Array:
        """Gaps (2,) m to ask for at a sample of the motion."""
        result: Array = self.motion.gaps[sample].copy()
        for arm, side in enumerate(SIDES):
            n = self._last(side, sample)
            if n is None or not (self.by_feel or n in self.found):
                continue
            c = self.motion.closings[n]
            if n not in self.found:
                result[arm] = max(result[arm], self.before(c))
            elif result[arm] > c.gap:
                # Opening again: what was found fades while the jaws leave the thing.
                leaving = min(1.0, (result[arm] - c.gap) / max(c.width - c.gap + self._unsure(side), 1e-6))
                result[arm] += (1.0 - leaving) * (self.found[n] - c.gap)
            else:
                result[arm] = self.found[n]
        return result

    def before(self, closing: Closing) -> float:
        """Gap, m, up to which jaws close quickly."""
        return max(min(closing.wide, closing.width + self._unsure(closing.side)), closing.gap)

    def _unsure(self, side: Side) -> float:
        return UNSURE * gap_per_angle(self.bench.arm(side).gripper)

    def _last(self, side: Side, sample: int) -> int | None:
        begun = [n for n, c in enumerate(self.motion.closings) if c.side == side and c.begin <= sample]
        return begun[-1] if begun else None

    # -- by feel -----------------------------------------------------------------------------------------

    def close(self, number: int, show: Show, gaps: Array, frame: float, time: float) -> Grip:
        """Close on what is between the jaws, and note where that was.

        show: sends one frame with gaps (2,) m; returns the angle rad that the feedback of this gripper's servo shows,
        the current A of its arm, and the voltage V there. gaps (2,): as they are now; frame s per frame; time s, for
        the note.
        """
        c = self.motion.closings[number]
        arm = SIDES.index(c.side)
        gripper, thing = self.bench.arm(c.side).gripper, self.bench.thing(c.thing)
        servo = self.bench.servo_of(gripper)
        lines, per_angle = FrameLines(self.bench), gap_per_angle(gripper)
        closes = -1.0 if gripper.angle_open > gripper.angle_shut else 1.0
        now = gaps.copy()
        now[arm] = self.before(c)

        def behind(shown: float) -> float:
            return closes * (float(lines.gap_angles(now)[arm]) - shown)

        def rest() -> tuple[float, float]:
            """How far the feedback is behind, rad, and the current as a share of the servo's stall current."""
            frames = max(4, round(STILL / frame))
            angle, amps, volts = np.array([show(now) for _ in range(frames)])[frames // 3 :].mean(axis=0)
            stall = servo.stall_current * max(volts, 1.0) / servo.rated_voltage
            return behind(float(angle)), float(amps / stall)

        free, idle = rest()
        for _ in range(CALMING):
            # The arm may still be coming to rest, and its own current with it.
            before, (free, idle) = idle, rest()
            if abs(idle - before) < 0.02:
                break
        # Less than this no feedback shows: what breaks that easily is pressed as lightly as jaws can tell.
        wanted = max(press_angle(self.bench, gripper, thing), LEAST_WANTED)
        share = max(grip_share(self.bench, gripper, thing), wanted / servo.full_drive_error)
        # Farther than they can be wrong by: what yields to one pad before the other meets it takes some more.
        least = max(c.gap - 2.0 * self._unsure(c.side), tightest(gripper))
        lag = CREEP_SPEED * (servo.dead_time + servo.full_drive_error / servo.no_load_speed)

        def pressing() -> tuple[float, float]:
            """What was seen at rest: how far behind, rad, and which part of the wanted drive that means."""
            back, amps = rest()
            by_angle = (back - free) / wanted
            # Where there is a current to be seen, it tells the drive whatever the servo's gain.
            by_amps = (amps - idle) / share if amps > SENSED else by_angle
            return back - free, max(by_amps, by_angle / MOST_BEHIND)

        back, done = 0.0, 0.0
        while done < BELIEVED and now[arm] > least + 1e-9:
            if back > TOUCHED * wanted:
                tighter = np.clip((1.0 - done) * wanted, 0.1 * wanted, 0.25 * wanted)
                now[arm] = max(least, now[arm] - tighter * per_angle)
            else:
                self._creep(
                    now, arm, least, per_angle * CREEP_SPEED * frame, show, behind, free + lag + TOUCHED * wanted
                )
            back, done = pressing()
        for _ in range(LOOSENED):
            # A stiff servo may have been drawn too tight at once, farther than more of it shows.
            if done <= TOO_TIGHT:
                break
            now[arm] += LOOSER * per_angle
            back, done = pressing()
        felt = done >= BELIEVED
        if not felt:
            # Nothing there, or nothing that shows: to where it was thought to be.
            now[arm] = c.gap
            back, _ = pressing()
        else:
            now[arm] += GIVEN_BACK * gears_angle(self.bench, gripper) * per_angle
        self.found[number] = float(now[arm])
        return Grip(c.step, c.side, time, float(now[arm]), back, felt)

    def _creep(
        self, now: Array, arm: int, least: float, step: float, show: Show,
        behind: Callable[[float], float], enough: float,
    ) -> None:  # fmt: skip
        """Close steadily, by `step` m a frame, until the feedback stays behind by `enough`, or the gap is `least`.

        What is under way then still adds to it: it is less than what is wanted in the end.
        """
        shown: list[float] = []
        while now[arm] > least + 1e-9:
            now[arm] = max(least, now[arm] - step)
            shown = [*shown[1 - SMOOTHED :], show(now)[0]]
            # Averaged over some frames, the feedback is as old as the middle one.
            late = 0.5 * (len(shown) - 1) * step / gap_per_angle(self.bench.arm(SIDES[arm]).gripper)
            if behind(float(np.mean(shown))) - late >= enough:
                return


def found_of(motion: Motion, run: Run) -> Mapping[int, float]:
    """Gaps, m, at which the closings of a motion ended in a run, by their numbers."""
    grips = {(g.step, g.side): g.gap for g in run.grips}
    return {n: grips[c.step, c.side] for n, c in enumerate(motion.closings) if (c.step, c.side) in grips}
