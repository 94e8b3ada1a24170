"""What each kind of reading says about the unknown figures: prediction minus reading, in standard deviations."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from handfast.bench.lines import noise_angles
from handfast.bench.parts import SIDES
from handfast.fitting.unknowns import Shown, Unknowns
from handfast.geometry.rigid import Array
from handfast.landing.flank import lead_of, pushed_offsets, resting_offsets, taught_offsets
from handfast.mechanics.kinematics import places
from handfast.mechanics.model import Model
from handfast.records.readings import LandingRead, Push, Readings, Sag, signs_of
from handfast.routine.steps import arrivals_of

LEAD_SCATTER = 0.15
"""How much of a hand-led joint's lead varies from one time to the next, one standard deviation."""

GAUGE_SCATTER = 0.1
"""The same where one joint alone is led, onto a stop."""


@dataclass(frozen=True)
class _HandLed:
    """Touches and meets as arrays: feedback, ways (N, K), and the stated errors (N,)."""

    shown: Shown
    ways: Array
    error: Array


def led_link(unknowns: Unknowns, model: Model, x: Array, shown: Shown, ways: Array) -> Array:
    """Link angles (N, K) of limp arms led by hand: the link leads the feedback by half the play and the windup."""
    lead = lead_of(model)
    result: Array = unknowns.angles(x, shown) + ways * lead
    return result


class Equations:
    """All readings as one vector of standardised residuals, functions of the unknowns."""

    def __init__(self, unknowns: Unknowns, readings: Readings):
        self.unknowns, self.readings = unknowns, readings
        bench = unknowns.bench
        counts = {side: len(bench.arm(side).joints) for side in SIDES}
        touches, meets = readings.touches, readings.meets
        K = unknowns.K
        ways = np.zeros((len(touches), K))
        for n, touch in enumerate(touches):
            side = SIDES[SIDES.index(touch.arm)]
            ways[n, bench.columns(side)] = signs_of(touch.arrived, counts[side])
        self._touches = _HandLed(self._shown([t.counts for t in touches]), ways, np.array([t.error for t in touches]))
        self._touch_arm = np.array([SIDES.index(t.arm) for t in touches], dtype=int)
        self._touch_at = np.array([t.at for t in touches]).reshape(-1, 3)
        self._meets = _HandLed(
            self._shown([m.counts for m in meets]),
            np.array([signs_of(m.arrived, K) for m in meets], dtype=float).reshape(-1, K),
            np.array([m.error for m in meets]),
        )
        self._bars = _HandLed(
            self._shown([b.counts for b in readings.bars]),
            np.array([signs_of(b.arrived, K) for b in readings.bars], dtype=float).reshape(-1, K),
            np.array([b.error for b in readings.bars]),
        )
        self._level_joint = np.array([bench.joint_names.index(r.joint) for r in readings.levels], dtype=int)
        level_ways = np.zeros((len(readings.levels), K))
        for n, level in enumerate(readings.levels):
            side = SIDES[SIDES.index(level.joint.split()[0])]
            level_ways[n, bench.columns(side)] = signs_of(level.arrived, counts[side])
        self._levels = _HandLed(
            self._shown([r.counts for r in readings.levels]), level_ways, np.array([r.error for r in readings.levels])
        )
        self._gauged = self._shown([g.counts for g in readings.gauges])
        self._sagged = [
            self._shown([self._limp(s.counts, s.supply), self._limp(s.loaded, s.loaded_supply)]) for s in readings.sags
        ]
        self._pushed = [
            self._shown(
                [
                    self._limp(p.counts, p.supply),
                    self._limp(p.back, p.supply if p.back_supply is None else p.back_supply),
                ]
            )
            for p in readings.pushes
        ]
        self._landed = [self._landing_poses(read) for read in readings.landings]
        self.noise = noise_angles(bench) / np.sqrt(5.0)
        # The spread of each reading is taken at the start and kept, so that the problem stays one of least squares.
        self._whiten_touch, self._whiten_meet = self._whitening()
        self._whiten_gauge = self._gauge_whitening()
        self._bar_spread = self._scalar_spread(self._bars, self._spans)
        self._level_spread = self._scalar_spread(self._levels, self._tilts)

    def _shown(self, counts: Sequence[Sequence[float]]) -> Shown:
        channels = self.unknowns.bench.controller.channels
        return self.unknowns.shown(np.array(counts, dtype=float).reshape(len(counts), channels))

    def _limp(self, counts: Sequence[float], supply: float) -> tuple[float, ...]:
        """Counts of powered arms as they would be at the supply at which the limp readings were taken.

        Feedback that follows the supply shows counts·(1 + k·(V/Vref - 1)); k as it was read, or as the bench says.
        """
        bench, readings = self.unknowns.bench, self.readings
        limp = [r.supply for r in readings.touches] + [r.supply for r in readings.meets]
        limp += [r.supply for r in readings.bars] + [r.supply for r in readings.levels]
        limp += [r.supply for r in readings.gauges]
        reference = float(np.median(limp)) if limp else bench.supply.voltage
        told: dict[str, list[float]] = {}
        for follow in readings.follows:
            told.setdefault(follow.joint, []).append(follow.share)
        result = [float(v) for v in counts]
        for name, joint in zip(bench.joint_names, bench.joints, strict=True):
            k = float(np.mean(told[name])) if name in told else joint.follows_supply
            result[joint.channel] /= 1.0 + k * (supply / reference - 1.0)
        return tuple(result)

    def _landing_poses(self, read: LandingRead) -> Shown:
        u = self.unknowns
        columns = u.bench.columns(SIDES[SIDES.index(read.arm)])
        both = np.zeros((2, u.K))
        both[0, columns], both[1, columns] = read.taught, read.feedback
        return u.shown_at(both)

    def _scalar_spread(self, led: _HandLed, of: Callable[[Model, Array], Array]) -> Array:
        """Standard deviations (N,) of what `of` (model, link angles) says: stated error and the hand's lead."""
        if not len(led.error):
            return np.zeros(0)
        u = self.unknowns
        x0 = np.zeros(u.size)
        model = u.model_at(x0)
        lead = lead_of(model)
        q = led_link(u, model, x0, led.shown, led.ways)
        slope = np.column_stack([(of(model, q + 1e-6 * e) - of(model, q - 1e-6 * e)) / 2e-6 for e in np.eye(u.K)])
        unsure = np.where(led.ways == 0, lead / np.sqrt(3.0), LEAD_SCATTER * lead)
        result: Array = np.sqrt(led.error**2 + (slope**2 * (unsure**2 + self.noise**2)).sum(axis=1))
        return result

    def _spans(self, model: Model, q: Array) -> Array:
        """Distances (N,) m between the TCPs."""
        X = places(model.chain, q).X_WT
        result: Array = np.linalg.norm(X[:, 0, :3, 3] - X[:, 1, :3, 3], axis=1)
        return result

    def _tilts(self, model: Model, q: Array) -> Array:
        """How steeply (N,) rad the links that were levelled rise, from their joint to the next or the TCP."""
        at = places(model.chain, q)
        rows = np.arange(len(q))
        arm = np.searchsorted(model.chain.first, self._level_joint, side="right") - 1
        last = self._level_joint + 1 == model.chain.first[arm + 1]
        onward = np.minimum(self._level_joint + 1, model.chain.joints - 1)
        end = np.where(last[:, None], at.X_WT[rows, arm, :3, 3], at.p[rows, onward])
        along = end - at.p[rows, self._level_joint]
        result: Array = np.arctan2(along[:, 2], np.hypot(along[:, 0], along[:, 1]))
        return result

    def _bar(self, model: Model, x: Array) -> Array:
        if not self.readings.bars:
            return np.zeros(0)
        q = led_link(self.unknowns, model, x, self._bars.shown, self._bars.ways)
        length = np.array([b.length for b in self.readings.bars])
        return np.asarray((self._spans(model, q) - length) / self._bar_spread)

    def _level(self, model: Model, x: Array) -> Array:
        if not self.readings.levels:
            return np.zeros(0)
        q = led_link(self.unknowns, model, x, self._levels.shown, self._levels.ways)
        tilt = np.array([r.tilt for r in self.readings.levels])
        return np.asarray((self._tilts(model, q) - tilt) / self._level_spread)

    def _gauge_whitening(self) -> Array:
        """Inverse root (N, N) of the gauges' covariance. Readings at one stop that stayed share its error."""
        gauges = self.readings.gauges
        names = self.unknowns.bench.joint_names
        lead = lead_of(self.unknowns.model_at(np.zeros(self.unknowns.size)))
        index = [names.index(g.joint) for g in gauges]
        stays = np.array([bool(g.stop) for g in gauges], dtype=bool)
        error, again = np.array([[g.error, min(g.again, g.error)] for g in gauges]).reshape(-1, 2).T
        own = np.where(stays, again, error)
        shared = np.sqrt(error**2 - own**2)
        same = np.array([[a.stop == b.stop and a.joint == b.joint for a in gauges] for b in gauges])
        # Half a second of stillness holds many more frames than the five that `noise` is of.
        apart = own**2 + 0.25 * self.noise[index] ** 2 + (GAUGE_SCATTER * lead[index]) ** 2
        cov = np.diag(apart) + np.outer(shared, shared) * same.reshape(len(gauges), len(gauges))
        result: Array = np.linalg.inv(np.linalg.cholesky(cov))
        return result

    def _whitening(self) -> tuple[Array, Array]:
        u = self.unknowns
        x0 = np.zeros(u.size)
        model = u.model_at(x0)
        lead = lead_of(model)

        def joint_variance(ways: Array) -> Array:
            unsure = np.where(ways == 0, lead / np.sqrt(3.0), LEAD_SCATTER * lead)
            result: Array = unsure**2 + self.noise**2
            return result

        def inverse_root(error: Array, J: Array, variance: Array) -> Array:
            cov = np.einsum("nkr,nk,nks->nrs", J, variance, J) + error[:, None, None] ** 2 * np.eye(3)
            result: Array = np.linalg.inv(np.linalg.cholesky(cov))
            return result

        touch = np.zeros((0, 3, 3))
        if len(self._touch_arm):
            q = led_link(u, model, x0, self._touches.shown, self._touches.ways)
            J = places(model.chain, q).J[:, :, 3:].copy()
            for arm, side in enumerate(SIDES):
                other = np.ones(u.K, dtype=bool)
                other[u.bench.columns(side)] = False
                J[np.ix_(self._touch_arm == arm, other)] = 0.0
            touch = inverse_root(self._touches.error, J, joint_variance(self._touches.ways))
        meet = np.zeros((0, 3, 3))
        if len(self.readings.meets):
            q = led_link(u, model, x0, self._meets.shown, self._meets.ways)
            meet = inverse_root(self._meets.error, places(model.chain, q).J[:, :, 3:], joint_variance(self._meets.ways))
        return touch, meet

    def residuals(self, x: Array) -> Array:
        """All residuals at x, each with a standard deviation of one if the model and the stated errors are right."""
        model = self.unknowns.model_at(x)
        parts = [
            self._touch(model, x),
            self._meet(model, x),
            self._bar(model, x),
            self._level(model, x),
            *self._gauges(model, x),
            *self._pulls(model),
            *[self._sag(model, x, sag, shown) for sag, shown in zip(self.readings.sags, self._sagged, strict=True)],
            *[self._push(model, x, p, shown) for p, shown in zip(self.readings.pushes, self._pushed, strict=True)],
            *[self._landing(model, x, r, shown) for r, shown in zip(self.readings.landings, self._landed, strict=True)],
        ]
        return np.concatenate([np.atleast_1d(p) for p in parts]) if parts else np.zeros(0)

    def _touch(self, model: Model, x: Array) -> Array:
        if not len(self._touch_arm):
            return np.zeros(0)
        q = led_link(self.unknowns, model, x, self._touches.shown, self._touches.ways)
        X = places(model.chain, q).X_WT
        off = X[np.arange(len(X)), self._touch_arm, :3, 3] - self._touch_at
        return np.asarray(np.einsum("nrs,ns->nr", self._whiten_touch, off).ravel())

    def _meet(self, model: Model, x: Array) -> Array:
        if not len(self.readings.meets):
            return np.zeros(0)
        q = led_link(self.unknowns, model, x, self._meets.shown, self._meets.ways)
        X = places(model.chain, q).X_WT
        off = X[:, 0, :3, 3] - X[:, 1, :3, 3]
        return np.asarray(np.einsum("nrs,ns->nr", self._whiten_meet, off).ravel())

    def _gauges(self, model: Model, x: Array) -> list[Array]:
        gauges = self.readings.gauges
        if not gauges:
            return []
        names = self.unknowns.bench.joint_names
        angles = self.unknowns.angles(x, self._gauged)
        lead = lead_of(model)
        index = [names.index(g.joint) for g in gauges]
        way = np.array([1.0 if g.way == "+" else -1.0 for g in gauges])
        link = angles[np.arange(len(gauges)), index] + way * lead[index]
        off = link - [g.angle for g in gauges]
        return [np.asarray(self._whiten_gauge @ off)]

    def _pulls(self, model: Model) -> list[Array]:
        names = self.unknowns.bench.joint_names
        found = []
        for pull in self.readings.pulls:
            joint = names.index(pull.joint)
            drag = model.friction[joint] + (0.0 if pull.loose else model.limp_friction[joint])
            found.append(np.array([(drag - pull.force * pull.lever) / (pull.error * pull.lever)]))
        return found

    def _sag(self, model: Model, x: Array, sag: Sag, shown: Shown) -> Array:
        """A weight pulls the TCP down by what the feedback shows, and by what compliance and play add to it."""
        u = self.unknowns
        arm = SIDES.index(sag.arm)
        q = u.angles(x, shown)
        loads = np.zeros((2, 2))
        loads[1, arm] = sag.mass
        rest = resting_offsets(model, q, np.zeros_like(q), loads, np.zeros((2, 2, 3)))
        z = places(model.chain, q + rest.mean).X_WT[:, arm, 2, 3]
        columns = u.bench.columns(SIDES[arm])
        J = places(model.chain, q).J[0, columns, 5]
        noise = float(np.sqrt((J**2 * (2.0 * self.noise[columns] ** 2 + rest.half[1, columns] ** 2 / 3.0)).sum()))
        return np.array([(z[0] - z[1] - sag.down) / np.hypot(sag.error, noise)])

    def _push(self, model: Model, x: Array, push: Push, shown: Shown) -> Array:
        """A push to and fro shows at once the play of every joint that it turns over, and what it bends."""
        u = self.unknowns
        arm = SIDES.index(push.arm)
        columns = u.bench.columns(SIDES[arm])
        q = u.angles(x, shown)
        force = np.array([push.force, push.force]) * [[1.0], [-1.0]]
        rest = pushed_offsets(model, q, arm, force)
        along = np.array(push.force) / np.linalg.norm(push.force)
        at = places(model.chain, q + rest.mean)
        stands = at.X_WT[:, arm, :3, 3] @ along
        J = at.J[0, columns, 3:] @ along
        noise = np.sqrt(
            (J**2 * (2.0 * self.noise[columns] ** 2 + (rest.half[:, columns] ** 2).sum(axis=0) / 3.0)).sum()
        )
        return np.array([(stands[0] - stands[1] - push.off) / np.hypot(push.error, float(noise))])

    def landing_misses(self, x: Array) -> Array:
        """Read minus predicted landing (N, 3), m, of every landing reading."""
        model = self.unknowns.model_at(x)
        pairs = zip(self.readings.landings, self._landed, strict=True)
        return np.array([-self._landing_off(model, x, read, shown)[0] for read, shown in pairs])

    def _landing(self, model: Model, x: Array, read: LandingRead, shown: Shown) -> Array:
        """Landed minus taught: what a card, a ruler or a nudge shows of play, sag and lead together."""
        off, cov = self._landing_off(model, x, read, shown)
        return np.asarray(np.linalg.solve(np.linalg.cholesky(cov), off))

    def _landing_off(self, model: Model, x: Array, read: LandingRead, shown: Shown) -> tuple[Array, Array]:
        """Predicted minus read landing (3,) m, and the covariance (3, 3) of that difference."""
        u = self.unknowns
        arm = SIDES.index(read.arm)
        columns = u.bench.columns(SIDES[arm])
        both = u.angles(x, shown)
        taught, played = both[:1], both[1:]
        arrived, moved = np.zeros((1, u.K)), np.zeros((1, u.K))
        arrived[0, columns] = arrivals_of(read.arrived) if read.arrived else 0.0
        moved[0, columns] = signs_of(read.moved, columns.stop - columns.start)
        held = np.full((1, u.K), {"held": 1, "let go": 0, "unknown": -1}[read.held])
        loads = np.zeros((1, 2))
        loads[0, arm] = read.load
        none = np.zeros((1, 2, 3))
        taught_off = taught_offsets(model, taught, arrived, held, loads, none)
        played_off = resting_offsets(model, played, moved, loads, none)
        X = places(model.chain, np.concatenate([taught + taught_off.mean, played + played_off.mean])).X_WT
        off = X[1, arm, :3, 3] - X[0, arm, :3, 3] - np.array(read.off)
        J = places(model.chain, taught).J[0, columns, 3:]
        lead = lead_of(model)[columns]
        # A way that is in doubt, of mean a, means the other side in (1 - a)/2 of all cases.
        side = arrived[0, columns]
        doubt = np.where(side != 0.0, 1.0 - side**2, 0.0) * lead**2 if read.held == "held" else 0.0
        variance = (
            doubt
            + self.noise[columns] ** 2 * 2.0
            + (LEAD_SCATTER * lead) ** 2
            + (taught_off.half[0, columns] ** 2 + played_off.half[0, columns] ** 2) / 3.0
        )
        cov = np.einsum("kr,k,ks->rs", J, variance, J) + read.error**2 * np.eye(3)
        return off, cov
