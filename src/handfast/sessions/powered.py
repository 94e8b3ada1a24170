"""Powered arms in front of a board: attach, ramp, stir, hold, with clean feedback all the while."""

from __future__ import annotations

from typing import Protocol

import numpy as np

from handfast.bench.lines import FrameLines, counts_of
from handfast.bench.parts import SIDES, Bench
from handfast.geometry.rigid import Array
from handfast.motion.as_played import LOOSEN, RISE_SPEED
from handfast.sessions.feedback import SupplyFit
from handfast.units import DEGREE

ATTACH_SPEED = 15.0 * DEGREE
"""Speed at which a joint goes from where it was found to where a session begins, rad/s."""


class FrameLike(Protocol):
    """What a board answers per frame."""

    @property
    def time(self) -> float:
        """Time at its end, s."""

    @property
    def counts(self) -> Array:
        """Feedback of every channel."""

    @property
    def supply(self) -> float:
        """Servo supply at the left arm, V."""

    @property
    def current(self) -> Array:
        """Current of each arm (2,), A."""


class Arms(Protocol):
    """A board that takes pulses frame by frame."""

    @property
    def name(self) -> str:
        """What it is."""

    @property
    def feels(self) -> bool:
        """Whether its jaws stop at what is between them."""

    def frame(self, pulses: Array) -> FrameLike:
        """Send pulses (channels,) s for one frame."""

    def holds(self, side: int, mass: float, offset: Array) -> None:
        """What a stand-in cannot see: the thing in a hand."""


class Powered:
    """Arms under power. `clean`: feedback is cleaned of what the supply does to it. told: see `SupplyFit`."""

    def __init__(self, bench: Bench, arms: Arms, clean: bool = True, told: Array | None = None):
        self.bench, self.arms, self.clean = bench, arms, clean
        self.frame_time = bench.controller.frame
        self.fit = SupplyFit(bench, told)
        # A load or a push shifts shafts and draws current at once; what comes of which could not be told then.
        self.learns = True
        self._lines = FrameLines(bench)
        self.command = np.zeros(len(bench.joints))
        self.volts = np.full(2, bench.supply.voltage)
        self.gaps = np.array([bench.arm(side).gripper.opening[1] for side in SIDES])
        self.time = 0.0
        self.current = np.zeros(2)
        self.travel = np.array([joint.travel for joint in bench.joints])

    def send(self, q: Array) -> Array:
        """One frame at commanded angles q (K,); returns the feedback's angles (K,)."""
        frame = self.arms.frame(self._lines.pulses(q, self.gaps))
        self.command = q.copy()
        self.volts = self.fit.at_arms(frame.supply, frame.current)
        if self.learns:
            self.fit.learn(q, frame.counts, self.volts, self.gaps, frame.current)
        self.time, self.current = frame.time, frame.current
        self.counts = frame.counts
        return self.fit.angles(frame.counts, self.volts, self.clean)

    def clean_counts(self) -> Array:
        """The last frame's counts (channels,) as they would be with limp arms."""
        return self.fit.cleaned(self.counts, self.volts)

    def limp_counts(self, q: Array, volts: Array) -> Array | None:
        """Counts (K,) that limp arms would show where the feedback showed angles q (K,) at volts (2,).

        None where feedback was not cleaned, and nobody measured how far it follows the supply.
        """
        counts = np.array([float(counts_of(joint, angle)) for joint, angle in zip(self.bench.joints, q, strict=True)])
        if self.clean:
            return counts
        return self.fit.joint_counts(counts, volts) if self.fit.measured else None

    def jaw_angles(self) -> Array:
        """Angles (2,) rad of the grippers' servos, as the last frame shows them, cleaned."""
        return self.fit.jaw_angles(self.counts, self.volts)

    def hold(self, q: Array, seconds: float) -> Array:
        """Stand still; returns the feedback of every frame (frames, K)."""
        count = max(1, round(seconds / self.frame_time))
        return np.array([self.send(q) for _ in range(count)])

    def ramp(self, q: Array, speed: float = ATTACH_SPEED) -> None:
        """Go to q at no more than `speed` rad/s per joint, smoothly."""
        start = self.command.copy()
        count = max(1, round(1.5 * float(np.abs(q - start).max()) / speed / self.frame_time))
        for k in range(1, count + 1):
            r = k / count
            self.send(start + (3 * r**2 - 2 * r**3) * (q - start))

    def attach(self) -> None:
        """First pulses at the measured pose, so that nothing jumps."""
        limp = np.zeros(self.bench.controller.channels)
        measured, volts = [], []
        for _ in range(10):
            frame = self.arms.frame(limp)
            volts.append(self.fit.at_arms(frame.supply, frame.current))
            measured.append(self.fit.angles(frame.counts, self.volts, clean=False))
        # In the first frames servos that had pulses before may still be driven.
        self.fit.refer(np.mean(volts[5:], axis=0))
        self.command = np.mean(measured, axis=0)
        self.hold(self.command, 0.3)

    def loosen(self) -> None:
        """Stir every other joint of one arm at a time by a little, while the rest stand and show the supply.

        What the sagging supply does to the feedback of a joint can only be told while that joint stands still
        and others draw current; better before the first pose than at it. Each swing ends below, from where the joint
        comes up slowly.
        """
        start = self.command.copy()
        count = round(1.225 / self.frame_time)  # one swing and three quarters
        for side in SIDES:
            columns = self.bench.columns(side)
            for odd in (0, 1):
                stirred = np.zeros(len(start))
                stirred[columns.start + odd : columns.stop : 2] = LOOSEN
                for k in range(count):
                    swing = np.sin(3.5 * np.pi * (k + 1) / count)
                    self.send(np.clip(start + swing * stirred, self.travel[:, 0], self.travel[:, 1]))
                self.ramp(start, RISE_SPEED)
                self.hold(start, 0.8)
        self.fit.settle()
