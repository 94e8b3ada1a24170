"""The standard sweep of the incoming test: what each part does, and what a person does before it.

The servo is clamped, its horn carries a printed drum (a weight on a thread then pulls with the same torque at
every angle) and a pointer over a protractor. Amplitudes are degrees of the class's nominal scale about the
middle of its pulse range, and shrink with its travel.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.bench.parts import Servo
from handfast.records.sweep import Part, Sweep
from handfast.units import DEGREE, STANDARD_GRAVITY

DRUM = 0.02
"""Radius of the drum, m."""

HOLDING = (0.30, 0.45, 0.60)
"""Loads of the holding test, of the claimed stall torque."""

LIFTING = 0.30
"""Load of the lifting test, of the claimed stall torque."""

ROCKING = 0.02
"""Light push that takes up play, of the claimed stall torque: below the gears' own friction, so that a limp
motor stands still (common practice, no source)."""

_IRREGULAR = 0.618_034 * 0.02
# Moves start at ever other phases of the servo's 20 ms frame and of the sampling, so that few samples per move
# still show the whole of it (steps of the golden ratio spread evenly).


@dataclass
class _Rows:
    """Rows of a part while it is laid down."""

    servo: Servo
    scale: float
    now: float = 0.0

    def __post_init__(self) -> None:
        self.rows: list[tuple[float, float, float, int, bool]] = []
        self.moves = 0

    def pulse(self, degrees: float, extra: float = 0.0) -> float:
        """Pulse at an angle from the middle, `extra` s besides."""
        middle = 0.5 * (self.servo.pulse_low + self.servo.pulse_high)
        return middle + degrees * DEGREE * self.scale * self.servo.pulse_slope + extra

    def hold(
        self, seconds: float, pulse: float, load: float = 0.0, push: int = 0, read: bool = False, irregular: bool = True
    ) -> None:
        """Hold a pulse for about `seconds`."""
        self.rows.append((self.now, pulse, load * self.servo.stall_torque, push, read))
        if irregular:
            self.moves += 1
            seconds += (self.moves * _IRREGULAR) % 0.02
        self.now = round(self.now + seconds, 6)

    def part(self, name: str, ask: str, expects: str) -> Part:
        """The part that has been laid down."""
        t, pulse, load, push, read = (np.array(column) for column in zip(*self.rows, strict=True))
        return Part(name, ask, expects, t, pulse, load, push.astype(int), read.astype(bool), self.now)


def weight_for(torque: float) -> float:
    """Mass on the drum's thread, kg, that gives `torque` N·m."""
    return torque / (DRUM * STANDARD_GRAVITY)


def standard_sweep(servo: Servo, warm_minutes: float = 0.0) -> Sweep:
    """The standard sweep for a class of servo; `warm_minutes` of warming up under load at its end (0: none)."""
    scale = min(1.0, servo.travel / (180.0 * DEGREE))
    claim = servo.stall_torque

    def rows() -> _Rows:
        return _Rows(servo, scale)

    def grams(share: float) -> str:
        return f"{weight_for(share * claim) * 1e3:.0f} g"

    parts = []
    r = rows()
    r.hold(1.0, r.pulse(-20))
    r.hold(4.0, r.pulse(0), read=True)
    r.hold(12.0, r.pulse(0))
    parts.append(r.part("rest", "Clamp the servo, no load. Read the protractor.", "it stands still and quiet"))

    r = rows()
    wide = 2.2 * 140 * DEGREE * scale / servo.no_load_speed + 0.55
    for _ in range(7):
        r.hold(wide, r.pulse(70))
        r.hold(wide, r.pulse(-70))
    for _ in range(4):
        r.hold(0.5 * wide + 0.3, r.pulse(30))
        r.hold(0.5 * wide + 0.3, r.pulse(-30))
    parts.append(r.part("speed", "", "60 degrees in the claimed time, both ways alike"))

    r = rows()
    for _ in range(30):
        r.hold(0.55, r.pulse(-25))
        r.hold(0.8, r.pulse(0))
    parts.append(r.part("repeat", "", "it comes to rest at the same place each time"))

    r = rows()
    for _ in range(5):
        for target in (-60, -30, 0, 30, 60):
            for side in (-1, 1):
                r.hold(0.5, r.pulse(target + 15 * side))
                r.hold(0.7, r.pulse(target))
    parts.append(r.part("both sides", "", "it comes to rest at the same place from both sides"))

    r = rows()
    swing = max(40, 2 * round(1.9 * servo.limits.dead_band * 1e6))
    for place in (-40, 0, 40):
        r.hold(0.5, r.pulse(place - 15))
        r.hold(0.7, r.pulse(place))
        at = 0
        for goal in (swing // 2, -swing // 2, swing // 2):
            while at != goal:
                at += 1 if goal > at else -1
                r.hold(0.3, r.pulse(place, at * 1e-6), irregular=False)
    parts.append(r.part("fine steps", "", "it follows after a few microseconds"))

    r = rows()
    steps = np.arange(-75, 75.1, 2.5)
    r.hold(0.8, r.pulse(-78))
    for degrees in (*steps, *steps[::-1]):
        r.hold(0.4, r.pulse(degrees))
    parts.append(r.part("full sweep", "", "feedback in step with the pulse over the whole travel"))

    r = rows()
    r.hold(0.8, r.pulse(-78))
    for degrees in (*range(-70, 71, 10), *range(65, -66, -10)):
        r.hold(2.0, r.pulse(degrees), read=True)
    ask = "Read the protractor at every stop (leave it out if there is none)."
    parts.append(r.part("protractor", ask, "feedback in step with the angle"))

    r = rows()
    for place in (-40, 0, 40):
        r.hold(0.8, r.pulse(place))
        r.hold(0.4, 0.0)
        for push in (1, -1) * 4:
            r.hold(1.2, 0.0, load=push * ROCKING)
        r.hold(0.3, 0.0)
    ask = f"Push the horn lightly both ways, in turn: {grams(ROCKING)} on the drum, or as much by a spring."
    parts.append(r.part("rock", ask, "the shaft moves by the play of its gears, no more"))

    r = rows()
    r.hold(0.8, r.pulse(0))
    r.hold(0.5, 0.0)
    r.hold(1.5, 0.0, push=1)
    r.hold(1.5, 0.0, push=-1)
    r.hold(0.5, 0.0)
    r.hold(1.5, r.pulse(0))
    ask = "Pulses stop. Turn the horn gently by hand, about 20 degrees each way."
    parts.append(r.part("limp", ask, "it lets itself be turned"))

    for share, seconds in zip(HOLDING, (10.0, 4.0, 5.0), strict=True):
        r = rows()
        r.hold(1.5, r.pulse(0))
        r.hold(seconds, r.pulse(0), load=-share)
        r.hold(0.8, r.pulse(0))
        ask = f"Hang {grams(share)} on the drum of {DRUM * 1e3:.0f} mm. Keep fingers and toes clear of the weight."
        parts.append(r.part(f"hold {100 * share:.0f} %", ask, "it holds the weight"))

    r = rows()
    for _ in range(4):
        r.hold(1.0, r.pulse(-30), load=-LIFTING)
        r.hold(1.7, r.pulse(30), load=-LIFTING)
    r.hold(1.0, r.pulse(-30), load=-LIFTING)
    ask = f"Hang {grams(LIFTING)} on the drum. Keep clear of the weight."
    parts.append(r.part("lift", ask, "it lifts the weight at a fair speed"))

    if warm_minutes > 0.0:
        r = rows()
        for _ in range(max(2, round(warm_minutes * 2))):
            for _ in range(9):
                r.hold(1.5, r.pulse(-30), load=-0.2)
                r.hold(1.5, r.pulse(30), load=-0.2)
            r.hold(1.0, r.pulse(-25), load=-0.2)
            r.hold(1.0, r.pulse(0), load=-0.2)
        ask = f"Hang {grams(0.2)} on the drum and let it work for {warm_minutes:g} minutes. The case gets hot."
        parts.append(r.part("warm up", ask, "its resting place does not wander"))

    r = rows()
    for target in (-60, -30, 0, 30, 60):
        for side in (-1, 1):
            r.hold(0.5, r.pulse(target + 15 * side))
            r.hold(0.7, r.pulse(target))
    r.hold(1.0, r.pulse(-20))
    r.hold(4.0, r.pulse(0), read=True)
    ask = "Take the weight off. Read the protractor at the end."
    parts.append(r.part("again", ask, "everything is where it was at the start"))
    return Sweep(servo.name, tuple(parts))
