"""What a servo is made to do while it is vetted: pulses against time, known loads, and what a person does.

A sweep is all that a board needs: it plays each part's rows and samples the feedback all the while.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.geometry.rigid import Array


@dataclass(frozen=True)
class Part:
    """One part of a sweep: row k holds from t[k] until the next row; the last one until `duration`.

    t (M,) s from the part's start, t[0] = 0; pulse (M,) s, 0 for no pulses; load (M,) N·m of known torque on the
    shaft, positive the way a longer pulse turns it; push (M,): -1, 0 or 1, a push by hand of unknown size, signed
    likewise; protractor (M,): whether the shaft's angle is read at the end of the row. `ask`: what a person
    does before it starts, "" if nothing. `expects`: what a sound servo shows.
    """

    name: str
    ask: str
    expects: str
    t: Array
    pulse: Array
    load: Array
    push: np.ndarray
    protractor: np.ndarray
    duration: float


@dataclass(frozen=True)
class Sweep:
    """The parts that one servo of a class goes through, in order."""

    servo: str
    parts: tuple[Part, ...]

    @property
    def duration(self) -> float:
        """Time of all parts, s, without what the person takes in between."""
        return sum(part.duration for part in self.parts)

    def joined(self) -> Part:
        """All parts as one, without a pause between them."""
        starts = np.concatenate([[0.0], np.cumsum([part.duration for part in self.parts])])
        return Part(
            name="all",
            ask="",
            expects="",
            t=np.concatenate([part.t + start for part, start in zip(self.parts, starts, strict=False)]),
            pulse=np.concatenate([part.pulse for part in self.parts]),
            load=np.concatenate([part.load for part in self.parts]),
            push=np.concatenate([part.push for part in self.parts]),
            protractor=np.concatenate([part.protractor for part in self.parts]),
            duration=float(starts[-1]),
        )
