"""Everything about a bench and a routine that the questions look at, computed once."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from handfast.bench.measured import Measured
from handfast.bench.parts import SIDES, Bench
from handfast.correction.correct import approach_ways, approaches, as_corrected, correct
from handfast.geometry.rigid import Array
from handfast.landing.predict import Landing, Poses, Way, land
from handfast.mechanics.clearance import clearances, survey
from handfast.mechanics.dynamics import spring_torques
from handfast.mechanics.model import Model, model_of
from handfast.mechanics.supply import arm_currents, at_joints, servo_currents, torque_limits, voltages
from handfast.motion.as_played import LOOSEN, STOP_SHORT, Jump, as_played, jumps
from handfast.motion.gripping import grip_share
from handfast.motion.passing import hands_together
from handfast.motion.plan import Laws, Motion, plan
from handfast.motion.taught_poses import taught_poses
from handfast.routine.steps import Routine


@dataclass(frozen=True)
class Aside:
    """Places beside the planned path to which a run goes all the same.

    sample (E,): of the motion, at which it does; q (E, K) rad; gaps (E, pairs) m; words: when that is.
    """

    sample: np.ndarray
    q: Array
    gaps: Array
    words: tuple[str, ...]


@dataclass(frozen=True)
class Facts:
    """One routine on one bench, planned and computed."""

    model: Model
    routine: Routine
    motion: Motion
    measured: tuple[Measured, ...] = ()
    laws: Laws = field(default_factory=dict, repr=False)

    @property
    def bench(self) -> Bench:
        """The bench."""
        return self.model.bench

    @cached_property
    def _surveyed(self) -> tuple[Array, Array, Array]:
        m = self.motion
        return survey(self.model.chain, self.model.bodies, m.q, m.qd, m.qdd, m.loads, m.load_offsets)

    @property
    def link_torque(self) -> Array:
        """Torque (N, K) that servos pass to their links: inertia, weight, load, spring and joint friction."""
        m = self.motion
        tau: Array = self._surveyed[0] + spring_torques(self.model.springs, m.q)
        return tau + self.model.friction * np.where(np.abs(m.qd) > 1e-6, np.sign(m.qd), 0.0)

    @cached_property
    def torque(self) -> Array:
        """Torque (N, K) that the motors give: what they pass on, and what speeds up their own gears."""
        result: Array = self.link_torque + self.model.rotor * self.motion.qdd
        return result

    @property
    def J(self) -> Array:
        """TCP Jacobians (N, K, 6)."""
        return self._surveyed[1]

    @cached_property
    def gaps(self) -> Array:
        """Clearances (N, pairs), m, as planned; endless for two hands that pass a thing: `meet` judges them."""
        return self._apart(self._surveyed[2], np.arange(len(self.motion.t)))

    def _apart(self, gaps: Array, samples: np.ndarray) -> Array:
        """Clearances (E, pairs) at samples (E,) of the motion, two hands that pass a thing left out."""
        passes = [n for n, step in enumerate(self.motion.routine.steps) if step.do == "pass"]
        meeting = np.isin(self.motion.step[samples], passes).all(axis=1)
        if not meeting.any():
            return gaps
        found = gaps.copy()
        found[np.ix_(meeting, hands_together(self.model))] = np.inf
        return found

    @cached_property
    def aside(self) -> Aside:
        """Where joints are stirred before the start, and stop short of a pose to come home from a known side."""
        m, travel = self.motion, self.model.chain.travel
        samples, places, words = [], [], []
        for side in SIDES:
            columns = self.bench.columns(side)
            for odd, way in ((0, 1.0), (0, -1.0), (1, 1.0), (1, -1.0)):
                q = m.q[0].copy()
                q[columns.start + odd : columns.stop : 2] += way * LOOSEN
                samples.append(0)
                places.append(np.clip(q, *travel.T))
                words.append("while joints are stirred before the start")
        for stop, ways in self._ways.items():
            if np.any(ways):
                samples.append(stop)
                places.append(m.q[stop] - STOP_SHORT * ways)
                words.append("where joints stop short, to come home from a known side")
        at, q = np.array(samples, dtype=int), np.array(places)
        gaps = clearances(self.model.chain, self.model.bodies, q)
        return Aside(at, q, self._apart(gaps, at), tuple(words))

    @cached_property
    def currents(self) -> Array:
        """Current of each joint's servo (N, K), A."""
        return servo_currents(self.model, self.torque, self.motion.qd)

    @cached_property
    def grip_currents(self) -> Array:
        """Current of each gripper's servo (N, 2), A: idle, turning, or pressing on what it holds."""
        m = self.motion
        result = np.zeros((len(m.t), 2))
        for arm, side in enumerate(SIDES):
            gripper = self.bench.arm(side).gripper
            servo = self.bench.servo_of(gripper)
            gap = m.gaps[:, arm]
            # A routine that does nothing has a single sample, which has no slope.
            moving = np.abs(np.gradient(gap)) > 1e-7 if len(gap) > 1 else np.zeros(len(gap), dtype=bool)
            result[:, arm] = np.where(moving, servo.no_load_current, servo.idle_current)
            own = [c for c in m.closings if c.side == side]
            for n, c in enumerate(own):
                until = own[n + 1].begin if n + 1 < len(own) else len(m.t)
                part = slice(c.begin, until)
                pressing = (gap[part] <= c.width) & (m.loads[part, arm] > 0)
                stall = servo.stall_current * self.bench.supply.voltage / servo.rated_voltage
                amps = grip_share(self.bench, gripper, self.bench.thing(c.thing)) * stall
                result[part, arm] = np.where(pressing, np.maximum(result[part, arm], amps), result[part, arm])
        return result

    @cached_property
    def arm_currents(self) -> Array:
        """Current in each arm's lead (N, 2), A, its gripper included."""
        return arm_currents(self.model, self.currents, self.grip_currents)

    @cached_property
    def volts(self) -> Array:
        """Voltage at each arm's servos (N, 2)."""
        return voltages(self.bench, self.arm_currents)

    @cached_property
    def available(self) -> Array:
        """Torque (N, K) that each servo could give in the direction asked, at its speed and voltage."""
        return torque_limits(self.model, at_joints(self.bench, self.volts), self.motion.qd, self.torque)

    @cached_property
    def poses(self) -> Poses:
        """Taught poses as the motion meets them, and as a corrected run comes to rest where it is corrected."""
        found = taught_poses(self.model, self.motion)
        return as_corrected(self.model, found) if self.corrected else found

    @property
    def corrected(self) -> bool:
        """Whether the routine has corrected commands."""
        return self.routine.corrected

    @cached_property
    def _landed(self) -> dict[Way, tuple[Landing, ...]]:
        return {}

    def landings(self, way: Way) -> list[Landing]:
        """Predicted landings, played that way."""
        if way not in self._landed:
            self._landed[way] = tuple(land(self.model, self.poses, way, self.measured))
        return list(self._landed[way])

    @cached_property
    def jumps(self) -> list[Jump]:
        """Where a link goes over to the other side of its play on the way and the TCP jumps."""
        return jumps(self.model, self.motion, as_played(self.model, self.motion, self._ways))

    @cached_property
    def _ways(self) -> dict[int, Array]:
        """Joints (K,) that come home from a known side at each stop, where the routine is corrected."""
        if not self.corrected:
            return {}
        return approaches(self.motion, approach_ways(self.model, self.poses), self.model)

    def place(self, sample: int, side: str) -> str:
        """A moment of one arm in words: 'left, step 3 grip'."""
        number = int(self.motion.step[sample, SIDES.index(side)])
        return f"{side} arm, step {self.routine.title(number)}"


def facts_of(
    bench: Bench,
    routine: Routine,
    measured: tuple[Measured, ...] = (),
    laws: Laws | None = None,
    motion: Motion | None = None,
) -> Facts:
    """Plan a routine on a bench, ready for questions.

    laws: time laws of plans before this one; motion: the motion, where it is known already.
    """
    return facts_on(model_of(bench), routine, measured, laws, motion)


def facts_on(
    model: Model,
    routine: Routine,
    measured: tuple[Measured, ...] = (),
    laws: Laws | None = None,
    motion: Motion | None = None,
) -> Facts:
    """`facts_of` on a bench that is there for computing already."""
    laws = {} if laws is None else laws
    if motion is None and routine.corrected and any(step.do == "draw" for step in routine.steps):
        # What a drawing sends stands in no file: it is corrected anew whenever it is to be drawn.
        correction = correct(model, routine, laws)
        routine, motion = correction.routine, correction.motion
    return Facts(model, routine, plan(model, routine, known=laws) if motion is None else motion, measured, laws)
