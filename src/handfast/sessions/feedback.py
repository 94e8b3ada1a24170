"""Feedback during a run: counts to angles, cleaned of what the sagging supply does to the wipers.

A potentiometer fed from the raw servo supply shows counts·(1 + k·(V/Vref - 1)). Vref is what the servos get while
the arms are limp, as they were when they were taught. k is not known beforehand, but whenever a joint is commanded
to stand still while other joints change the supply, its counts show k: it is fitted as the run goes, from all such
moments together, starting from a weak first guess.

The voltage is sensed at the left arm's plug. What reaches the right arm follows from both currents and the leads'
resistances as the bench has them, or as much of these as its feedback shows when one arm and then the other is
stirred: leads may be other than was said, or a stand-in may have one voltage for all.
"""

from __future__ import annotations

from collections import deque

import numpy as np

from handfast.bench.lines import FrameLines
from handfast.bench.parts import SIDES, Bench, Servoed
from handfast.geometry.rigid import Array

_GUESS, _GUESS_SD, _MEASURED_SD = 0.3, 0.4, 0.02
"""First guess where nobody measured, one standard deviation of it, and that of a measured value (common practice, no
source)."""

_MODEL = 0.01
"""Error of a fit that no noise explains: loads that shift shafts (from simulated arms, no source)."""

_LEADS_SD, _LEADS_MOST = 0.5, 3.0
"""One standard deviation of how much of the bench's leads there is, 1 being all, and the most that is looked for."""

_QUIET_FRAMES = 25
_RESTART_FRAMES = 400
_BLOCK = 8
"""Frames that are averaged before the fit."""


def at_plugs(bench: Bench, supply: float, current: Array, leads: float = 1.0) -> Array:
    """Voltage at each arm's servos (2,), V, from the one sensed at the left arm's plug and both currents (2,), A.

    leads: share of the bench's lead resistance that there is.
    """
    resistance = [bench.arm(side).wire.resistance for side in SIDES]
    beyond = resistance[0] * current[0] - resistance[1] * current[1]
    return np.array([supply, supply + leads * beyond])


class SupplyFit:
    """Running fit of how far each servo's feedback follows the supply; `learn` every frame, then `angles`.

    told (K,): what earlier readings found of the joints, instead of what the bench says. `measured`: whether either
    says it of every joint. `leads`: share of the bench's lead resistance that is found between the place where the
    voltage is sensed and the right arm.
    Inside, servos are joints first and then the left and the right gripper, P = K + 2 of them.
    """

    def __init__(self, bench: Bench, told: Array | None = None):
        self._bench = bench
        self._lines = FrameLines(bench)
        parts: list[Servoed] = [*bench.joints, *(bench.arm(side).gripper for side in SIDES)]
        self._joints, P = len(bench.joints), len(parts)
        start = np.array([p.follows_supply for p in parts])
        if told is not None:
            # Nothing at all would say that nobody looked.
            start[: self._joints] = np.maximum(told, 1e-3)
        self._guess = np.where(start > 0, start, _GUESS)
        # What the bench says was measured, as a rule over a longer time than a run takes.
        self._prior = np.where(start > 0, _MEASURED_SD, _GUESS_SD) ** -2.0
        self.measured = bool(np.all(start[: self._joints] > 0))
        self._channel = np.array([p.channel for p in parts])
        leads = np.array([bench.arm(side).wire.resistance for side in SIDES])
        self._sizes = [len(bench.arm(side).joints) for side in SIDES]
        self._noise = np.array([p.wiper_noise for p in parts]) / np.sqrt(bench.controller.averaged)
        idle = np.array([sum(bench.servo_of(part).idle_current for part in (*bench.arm(side).joints,
                             bench.arm(side).gripper)) for side in SIDES])  # fmt: skip
        self._reference = bench.supply.voltage - bench.supply.resistance * idle.sum() - leads * idle
        self._quiet = np.zeros(P, dtype=int)
        self._last: Array | None = None
        self._gaps: Array | None = None
        # Sums over x, z and y: what the sensed voltage and the leads' drop say, and what the counts show.
        self._xx, self._xy, self._xz, self._zz, self._zy = np.zeros((5, P))
        self._stretch: list[deque[tuple[float, float, float]]] = [deque(maxlen=_RESTART_FRAMES) for _ in range(P)]
        self._right = np.array([False] * self._sizes[0] + [True] * self._sizes[1] + [False, True])
        self.leads = 1.0

    def at_arms(self, supply: float, current: Array) -> Array:
        """Voltage at each arm's servos (2,), from the one that is sensed, at the left arm."""
        return at_plugs(self._bench, supply, current, self.leads)

    def _drop(self, current: Array) -> float:
        """Voltage at the right arm beyond that at the left, V, with the leads as the bench has them."""
        return float(at_plugs(self._bench, 0.0, current)[1])

    def refer(self, volts: Array) -> None:
        """Take volts (2,) at the arms' servos, seen while they are limp, as what feedback is cleaned to."""
        self._reference = np.asarray(volts, dtype=float)

    def ratio(self, volts: Array) -> Array:
        """V/Vref - 1 at every servo (P,)."""
        per_arm: Array = volts / self._reference - 1.0
        result: Array = np.concatenate([np.repeat(per_arm, self._sizes), per_arm])
        return result

    def learn(
        self, command: Array, counts: Array, volts: Array, gaps: Array | None = None, current: Array | None = None
    ) -> None:
        """Take in one frame: commanded angles (K,) and gaps of the jaws (2,), counts (channels,), volts (2,); and both
        arms' currents (2,) A, without which nothing is learned of the leads."""
        drop = 0.0 if current is None else self._drop(current) / float(self._reference[1])
        z = np.where(self._right, drop, 0.0)
        # As it would be with all of the leads, whatever is believed now.
        x = self.ratio(volts) + (1.0 - self.leads) * z
        still = np.zeros(len(x), dtype=bool)
        if self._last is not None:
            still[: self._joints] = np.abs(command - self._last) < 1e-9
        self._last = command.copy()
        # What its jaws take up or let go shifts an arm's loads, and with them standing shafts within their dead bands.
        if gaps is not None and self._gaps is not None:
            kept = gaps == self._gaps
            still[: self._joints] &= np.repeat(kept, self._sizes)
            still[self._joints :] = kept
        self._gaps = None if gaps is None else gaps.copy()
        moved = ~still & (self._quiet > 0)
        for i in np.nonzero(moved)[0].tolist():
            self._close(i)
        self._quiet = np.where(still, self._quiet + 1, 0)
        for i in np.nonzero(self._quiet > _QUIET_FRAMES)[0].tolist():
            self._stretch[i].append((float(x[i]), float(z[i]), float(counts[self._channel[i]])))
            if len(self._stretch[i]) == _RESTART_FRAMES:
                self._close(i)

    def _close(self, i: int) -> None:
        """End a quiet stretch of joint i and add what it showed."""
        if len(self._stretch[i]) >= 10:
            rows = np.array(self._stretch[i])
            level = rows[:, 2].mean()
            # counts = c·(1 + k·x) with c unknown: their mean is c·(1 + k·mean x), and c drops out of the ratio.
            ratio = rows[:, 2] / max(level, 1.0)
            shown = np.column_stack([rows[:, :2] - ratio[:, None] * rows[:, :2].mean(axis=0), ratio - 1.0])
            # In blocks: what the sensed voltage has of its own from frame to frame would draw k towards nothing.
            blocks = max(1, len(shown) // _BLOCK)
            x, z, y = np.array([part.mean(axis=0) for part in np.array_split(shown, blocks)]).T
            weight = len(rows) / blocks * (level / max(self._noise[i], 1e-6)) ** 2
            self._xx[i] += weight * float(x @ x)
            self._xy[i] += weight * float(x @ y)
            self._xz[i] += weight * float(x @ z)
            self._zz[i] += weight * float(z @ z)
            self._zy[i] += weight * float(z @ y)
            self._fit_leads()
        self._stretch[i].clear()

    def _fit_leads(self) -> None:
        """The share of the leads that fits all servos of the right arm best, each following as it does."""
        right = self._right
        if not np.any(self._zz[right]):
            return
        beyond = np.linspace(-1.0, _LEADS_MOST - 1.0, 161)[:, None]
        xx, xy = self._sums(beyond)
        prior = self._prior[right]
        explained = ((xy[:, right] + prior * self._guess[right]) ** 2 / (xx[:, right] + prior)).sum(axis=1)
        cost = (beyond[:, 0] / _LEADS_SD) ** 2 - explained
        self.leads = 1.0 + float(beyond[np.argmin(cost), 0])

    def _sums(self, beyond: Array | float) -> tuple[Array, Array]:
        """Sums over x squared and over x and y, with so much more of the leads than all."""
        xx: Array = self._xx + 2.0 * beyond * self._xz + np.square(beyond) * self._zz
        xy: Array = self._xy + beyond * self._zy
        return xx, xy

    @property
    def follows(self) -> Array:
        """Fitted k (K,) of the joints, between 0 and 1, drawn to the first guess where little was seen."""
        return self._follows[: self._joints]

    @property
    def errors(self) -> Array:
        """One standard deviation (K,) of `follows`: what noise leaves, and `_MODEL` for what is not noise."""
        xx, _ = self._sums(self.leads - 1.0)
        result: Array = np.hypot(1.0 / np.sqrt(xx + self._prior), _MODEL)[: self._joints]
        return result

    @property
    def _follows(self) -> Array:
        xx, xy = self._sums(self.leads - 1.0)
        k: Array = (xy + self._prior * self._guess) / (xx + self._prior)
        return np.clip(k, 0.0, 1.0)

    def settle(self) -> None:
        """Take in what joints that still stand have shown so far; whatever comes next begins anew."""
        for i in range(len(self._quiet)):
            self._close(i)
        self._quiet[:] = 0

    def cleaned(self, counts: Array, volts: Array) -> Array:
        """Counts (channels,) as they would show at the voltage of limp arms."""
        result = np.array(counts, dtype=float)
        result[self._channel] /= self._scale(volts)
        return result

    def joint_counts(self, counts: Array, volts: Array) -> Array:
        """Counts (K,) of the joints as they would show at the voltage of limp arms, from those seen at volts (2,)."""
        result: Array = counts / self._scale(volts)[: self._joints]
        return result

    def angles(self, counts: Array, volts: Array, clean: bool = True) -> Array:
        """Joint angles (K,) rad from counts; with `clean`, as they would show at the voltage of limp arms."""
        scale = self._scale(volts)[: self._joints] if clean else np.ones(self._joints)
        return self._lines.angles(counts, scale)

    def jaw_angles(self, counts: Array, volts: Array) -> Array:
        """Angles (2,) rad of the grippers' servos from counts, as they would show at the voltage of limp arms."""
        return self._lines.jaw_angles(counts, self._scale(volts)[self._joints :])

    def _scale(self, volts: Array) -> Array:
        result: Array = 1.0 + self._follows * self.ratio(volts)
        return result
