"""A controller in memory in front of the twin, with the person who hands things over beside it."""

from __future__ import annotations

from handfast.bench.parts import SIDES, Bench
from handfast.geometry.rigid import Array
from handfast.rehearsal.twin import Twin
from handfast.standins.direct import DirectBoard, Frame

HANDS_OFF = 0.4
"""Time from closed jaws to the moment the person takes the hand away, s."""


class TwinBoard(DirectBoard):
    """Plays on a twin frame by frame; keeps what the session says the hands should hold.

    handed: when the person let go of each thing that was handed over, s.
    """

    name = "the twin, in memory"
    feels = True

    def __init__(self, bench: Bench, twin: Twin):
        super().__init__(bench, twin)
        self.twin = twin
        self.loads: list[tuple[float, float, float]] = []
        self._now = [0.0, 0.0]
        self._waiting: dict[str, tuple[float, int]] = {}
        self._coming: dict[str, tuple[int, Array]] = {}
        for p in twin.scene.things:
            if p.handed_to is not None:
                arm = SIDES.index(p.handed_to)
                self._waiting[p.thing.name] = (p.thing.mass, arm)
                hold = next(h for h in twin.scene.holds if h.thing == p.thing.name and h.side == p.handed_to)
                self._coming[p.thing.name] = (arm, hold.X_TO)
        self._due: dict[str, float] = {}
        self.handed: dict[str, float] = {}

    def holds(self, side: int, mass: float, offset: Array) -> None:
        """What a hand should hold now. A person lets go of what was handed over once the jaws should have it."""
        self._now[side] = mass
        time = self.twin.time_us * 1e-6
        for name, (arm, X_TO) in list(self._coming.items()):
            if arm == side and mass > 0.0:
                # A person puts a thing between the jaws where they are, not where they should be.
                self.twin.present(name, self.twin.tool_poses()[arm] @ X_TO)
                del self._coming[name]
        for name, (full, arm) in list(self._waiting.items()):
            if arm == side and mass > 0.999 * full:
                self._due[name] = time + HANDS_OFF
                del self._waiting[name]
        for name, due in list(self._due.items()):
            if time >= due:
                self.twin.let_go(name)
                self.handed[name] = time
                del self._due[name]

    def frame(self, pulses: Array) -> Frame:
        """One frame, and the loads meant in it."""
        frame = super().frame(pulses)
        self.loads.append((frame.time, self._now[0], self._now[1]))
        return frame
