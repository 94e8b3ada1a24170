"""A maker with a card of dimples, gauges, a spring scale and weights, taking readings at a stand-in's arms.

The readings are what a person would write down, with the errors that are stated; the stand-in's true figures
stay inside it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.bench.lines import joint_angles, noise_angles
from handfast.bench.parts import SIDES, Bench, Side
from handfast.fitting.pushing import hardest_push, pushing_lines, pushing_poses
from handfast.geometry.rigid import Array
from handfast.mechanics.kinematics import places
from handfast.mechanics.model import Model
from handfast.records.readings import Bar, Follow, Gauge, Level, Meet, Pull, Push, Readings, Sag, Sweep, Touch
from handfast.sessions.powered import Powered
from handfast.sessions.sweeping import plan_sweeps, take_sweeps
from handfast.standins.direct import DirectBoard
from handfast.standins.hand import Hands, tool_pose
from handfast.standins.servo_model import ServoArms
from handfast.standins.truth import Truth
from handfast.teaching.stillness import last_motion
from handfast.units import DEGREE


@dataclass(frozen=True)
class Errors:
    """What a maker's instruments and hands are good for, one standard deviation each."""

    touch: float = 0.4e-3
    meet: float = 0.5e-3
    gauge: float = 0.2 * DEGREE
    gauge_again: float = 0.07 * DEGREE
    pull_share: float = 0.08
    loose_share: float = 0.15
    scale: float = 0.03
    sag: float = 0.3e-3
    bar: float = 0.5e-3
    level: float = 0.3 * DEGREE
    push: float = 0.3e-3
    scale_share: float = 0.05


GIVES_WAY = 40e-3
"""An arm whose TCP goes farther than this under a push and its opposite, m, gives way instead of bending (common
practice, no source)."""


class MakerAtStandIn:
    """Takes readings at a stand-in, arm by arm. `rng` draws the maker's own errors."""

    def __init__(self, bench: Bench, truth: Truth, arms: ServoArms, rng: np.random.Generator, errors: Errors):
        self.bench, self.truth, self.arms, self.rng, self.errors = bench, truth, arms, rng, errors
        self.hands = Hands(bench, truth, arms, rng, lets_go=False)

    # -- what the wire shows -----------------------------------------------------------------------------

    def _counts(self) -> Array:
        """Feedback (channels,) of the last half second of stillness."""
        before = len(self.hands.counts)
        self.hands.stand(0.6)
        return np.asarray(np.array(self.hands.counts[before + 5 :]).mean(axis=0))

    def _arrived(self) -> Array:
        """Ways (K,) of each joint's last clear motion in the last half minute, as the feedback shows them.

        However long ago it was, a joint stays on the side of its play on which its last motion left it.
        """
        q = joint_angles(self.bench, np.array(self.hands.counts[-1500:]))
        kernel = np.ones(5) / 5.0
        smooth = np.column_stack([np.convolve(q[:, k], kernel, mode="valid") for k in range(q.shape[1])])
        ways: Array = last_motion(smooth, noise_angles(self.bench)).astype(float)
        return ways

    # -- readings ----------------------------------------------------------------------------------------

    def touch(self, side: Side, point: Array, lean: float, yaw: float) -> Touch | None:
        """Lead one limp TCP from above into a dimple; None if the arm cannot get there."""
        columns = self.bench.columns(side)
        placed = point + self.rng.normal(0.0, self.errors.touch, 3)
        now = self.arms.link_angles()
        above = self.hands.angles_for(
            side, tool_pose((placed[0] * 1e3, placed[1] * 1e3, placed[2] * 1e3 + 35.0), lean, yaw), now[columns]
        )
        down = None
        if above is not None:
            down = self.hands.angles_for(side, tool_pose(tuple(placed * 1e3), lean, yaw), above)
        if above is None or down is None:
            return None
        goal = now.copy()
        goal[columns] = above
        self.hands.lead_joints(goal, 1.6)
        self.hands.stand(0.1)
        goal[columns] = down
        self.hands.lead_joints(goal, 1.0)
        counts = self._counts()
        ways = self._arrived()[columns]
        return Touch(
            arm=side,
            at=tuple(float(v) for v in point),
            error=self.errors.touch,
            counts=tuple(float(v) for v in counts),
            supply=self.bench.supply.voltage,
            arrived=_signs(ways),
        )

    def meet(self, point: Array) -> Meet | None:
        """Lead both limp TCPs tip to tip at a point in the air, fingers level."""
        goal = self.arms.link_angles()
        back = goal.copy()
        for arm, side in enumerate(SIDES):
            columns = self.bench.columns(side)
            bearing = 0.0 if arm == 0 else 180.0
            miss = self.rng.normal(0.0, self.errors.meet / np.sqrt(2.0), 3)
            tip = tool_pose(tuple((point + miss) * 1e3), 80.0, bearing)
            away = tool_pose(
                tuple((point + miss + np.array([-0.03 if arm == 0 else 0.03, 0.0, 0.02])) * 1e3), 80.0, bearing
            )
            far = self.hands.angles_for(side, away, goal[columns])
            near = None if far is None else self.hands.angles_for(side, tip, far)
            if far is None or near is None:
                return None
            back[columns], goal[columns] = far, near
        self.hands.lead_joints(back, 1.6)
        self.hands.lead_joints(goal, 1.0)
        counts = self._counts()
        return Meet(
            error=self.errors.meet,
            counts=tuple(float(v) for v in counts),
            supply=self.bench.supply.voltage,
            arrived=_signs(self._arrived()),
        )

    def bar(self, middle: Array, bearing: float, length: float) -> Bar | None:
        """Both limp arms hold a bar of `length` m between them, its middle led to a point, turned by `bearing` rad."""
        goal = self.arms.link_angles()
        true = length + self.rng.normal(0.0, self.errors.bar)
        along = np.array([np.cos(bearing), np.sin(bearing), 0.0]) * true / 2.0
        for arm, side in enumerate(SIDES):
            columns = self.bench.columns(side)
            end = middle - along if arm == 0 else middle + along
            tip = self.hands.angles_for(side, tool_pose(tuple(end * 1e3), 80.0, 180.0 * arm), goal[columns])
            if tip is None:
                return None
            goal[columns] = tip
        self.hands.lead_joints(goal, 1.6)
        return Bar(
            length=length,
            error=self.errors.bar,
            counts=tuple(float(v) for v in self._counts()),
            supply=self.bench.supply.voltage,
            arrived=_signs(self._arrived()),
        )

    def level(self, joint: int, q: Array) -> Level:
        """Lead the limp arms to link angles q (K,) and read a level along the link that `joint` begins."""
        self.hands.lead_joints(q, 1.6)
        counts = self._counts()
        at = places(self.truth.chain, self.arms.link_angles())
        arm = int(np.searchsorted(self.truth.chain.first, joint, side="right")) - 1
        last = joint + 1 == self.truth.chain.first[arm + 1]
        along = (at.X_WT[0, arm, :3, 3] if last else at.p[0, joint + 1]) - at.p[0, joint]
        tilt = float(np.arctan2(along[2], np.hypot(along[0], along[1])))
        return Level(
            joint=self.bench.joint_names[joint],
            tilt=tilt + float(self.rng.normal(0.0, self.errors.level)),
            error=self.errors.level,
            counts=tuple(float(v) for v in counts),
            supply=self.bench.supply.voltage,
            arrived=_signs(self._arrived()[self.bench.columns(SIDES[arm])]),
        )

    def rock(self, joint: int, angle: float) -> list[Gauge]:
        """Lead one link onto a stop of known angle in both ways, the stop staying where it is."""
        again = self.errors.gauge_again / np.sqrt(2.0)
        middle = angle + self.rng.normal(0.0, np.sqrt(self.errors.gauge**2 - again**2))
        apart = self.rng.normal(0.0, again)
        return [self.gauge(joint, angle, way, middle + way * apart) for way in (1, -1)]

    def gauge(self, joint: int, angle: float, way: int, stands: float | None = None) -> Gauge:
        """Lead one link, in one way, onto a stop of known angle. stands: where a stop that stays really is, for it."""
        goal = self.arms.link_angles()
        goal[joint] = angle - way * 8.0 * DEGREE
        self.hands.lead_joints(goal, 1.0)
        goal[joint] = angle + self.rng.normal(0.0, self.errors.gauge) if stands is None else stands
        self.hands.lead_joints(goal, 0.8)
        counts = self._counts()
        return Gauge(
            joint=self.bench.joint_names[joint],
            angle=angle,
            error=self.errors.gauge,
            way="+" if way > 0 else "-",
            stop="" if stands is None else f"{angle / DEGREE:.0f}",
            again=self.errors.gauge_again,
            counts=tuple(float(v) for v in counts),
            supply=self.bench.supply.voltage,
        )

    def pull(self, joint: int, loose: bool = False, lever: float = 0.08) -> Pull:
        """A spring scale at a lever that just turns one limp joint, or moves its link within its play (`loose`)."""
        torque = self.truth.joint_friction[joint] + (0.0 if loose else self.truth.gear_friction[joint])
        error = self.errors.pull_share * torque / lever
        if loose:
            error = float(np.hypot(self.errors.loose_share * torque / lever, self.errors.scale))
        return Pull(
            joint=self.bench.joint_names[joint],
            force=max(float(torque / lever + self.rng.normal(0.0, error)), 0.0),
            lever=lever,
            error=float(error),
            loose=loose,
        )

    def sag(self, model: Model, side: Side, q: Array, mass: float) -> Sag:
        """Hang a weight on a powered arm that holds pose q (K,), and read how far its TCP goes down."""
        arm = SIDES.index(side)
        wire = Powered(self.bench, DirectBoard(self.bench, self.arms))
        wire.attach()
        wire.ramp(q)
        wire.loosen()
        wire.learns = False

        def rest() -> Array:
            """Clean counts (channels,) of the last frames."""
            wire.hold(q, 1.0)
            seen = []
            for _ in range(25):
                wire.send(q)
                seen.append(wire.clean_counts())
            return np.asarray(np.mean(seen, axis=0))

        counts = rest()
        z = self.arms.tool_positions()[arm, 2]
        self.arms.load(arm, mass)
        loaded = rest()
        down = z - self.arms.tool_positions()[arm, 2] + self.rng.normal(0.0, self.errors.sag)
        self.arms.load(arm, 0.0)
        wire.hold(q, 0.6)
        return Sag(
            arm=side,
            mass=mass,
            down=float(down),
            error=self.errors.sag,
            counts=tuple(float(v) for v in counts),
            loaded=tuple(float(v) for v in loaded),
            supply=self.bench.supply.voltage,
            loaded_supply=self.bench.supply.voltage,
        )

    def push(self, wire: Powered, model: Model, side: Side, q: Array, along: Array) -> Push | None:
        """Push the TCP of a powered arm that holds pose q (K,) one way along a line and the other; read it by pointer.

        As hard as every joint of the arm can hold well, or less, if it does not hold that; None if not even half of it.
        """
        arm = SIDES.index(side)
        wire.ramp(q)
        share = 1.0 + self.rng.normal(0.0, self.errors.scale_share)
        hard = hardest_push(model, q, along, arm)

        def stands(force: Array) -> tuple[Array, float]:
            self.arms.push(arm, tuple(share * force))
            wire.hold(q, 1.0)
            seen = []
            for _ in range(50):
                wire.send(q)
                seen.append(wire.clean_counts())
            return np.asarray(np.mean(seen, axis=0)), float(self.arms.tool_positions()[arm] @ along)

        for part in (1.0, 0.7, 0.5):
            force = round(part * hard, 1) * along
            (counts, there), (back, here) = stands(force), stands(-force)
            self.arms.push(arm, (0.0, 0.0, 0.0))
            wire.hold(q, 0.4)
            # An arm that gives way under it is pushed less hard.
            if abs(there - here) < GIVES_WAY:
                break
        else:
            return None
        return Push(
            arm=side,
            force=tuple(float(v) for v in force),
            off=there - here + float(self.rng.normal(0.0, self.errors.push)),
            error=float(np.hypot(self.errors.push, self.errors.scale_share * abs(there - here))),
            counts=tuple(float(v) for v in counts),
            back=tuple(float(v) for v in back),
            supply=self.bench.supply.voltage,
        )

    def sweeps(self, model: Model) -> tuple[tuple[Sweep, ...], tuple[Follow, ...]]:
        """Sweep every joint in turn; before that, what the supply does to feedback."""
        found = take_sweeps(Powered(self.bench, DirectBoard(self.bench, self.arms)), model, plan_sweeps(model))
        return found.sweeps, found.follows

    def pushes(self, model: Model, follows: tuple[Follow, ...] = ()) -> tuple[Push, ...]:
        """Push both arms at some poses, each along the lines that tell most of its joints.

        follows: how far each joint's feedback follows the supply, if that was read before.
        """
        told = np.array([f.share for f in follows]) if len(follows) == len(self.bench.joints) else None
        wire = Powered(self.bench, DirectBoard(self.bench, self.arms), told=told)
        wire.attach()
        wire.loosen()
        wire.learns = False
        found = []
        for side in SIDES:
            part = self.bench.columns(side)
            for pose in pushing_poses(model, side):
                q = wire.command.copy()
                q[part] = pose
                lines = pushing_lines(places(model.chain, q).J[0, part, 3:], np.abs(model.chain.axes[part, 2]) < 0.5)
                found += [self.push(wire, model, side, q, along) for along in lines]
        return tuple(push for push in found if push is not None)


def _signs(ways: Array) -> str:
    return " ".join("+" if w > 0 else "-" if w < 0 else "0" for w in ways)


def standard_readings(maker: MakerAtStandIn, model: Model, touches: int = 52, meets: int = 8) -> Readings:
    """The standard programme: gauges and pulls at every joint, a card of dimples, tips together, weights, pushes."""
    bench, rng = maker.bench, maker.rng
    gauges: list[Gauge] = []
    pulls: list[Pull] = []
    sags: list[Sag] = []
    touched: list[Touch] = []
    met: list[Meet] = []
    for i, joint in enumerate(bench.joints):
        low, high = joint.travel
        for share in (0.08, 0.29, 0.5, 0.71, 0.92):
            angle = low + share * (high - low)
            gauges += maker.rock(i, angle)
        pulls += [maker.pull(i), maker.pull(i, loose=True)]
        goal = maker.arms.link_angles()
        goal[i] = 0.5 * (low + high)
        maker.hands.lead_joints(goal, 1.0)
    for side in SIDES:
        base = model.chain.bases[SIDES.index(side)]
        got = tries = 0
        while got < touches // 2 and tries < 400:
            tries += 1
            r, bearing = rng.uniform(0.09, 0.24), rng.uniform(-1.0, 1.0)
            local = np.array([r * np.cos(bearing), r * np.sin(bearing), rng.choice([0.005, 0.04, 0.08, 0.13]), 1.0])
            point = (base @ local)[:3]
            yaw = np.degrees(np.arctan2(*(base[:3, :3] @ np.array([np.cos(bearing), np.sin(bearing), 0.0]))[[1, 0]]))
            reading = maker.touch(side, point, float(rng.uniform(5.0, 75.0)), float(yaw))
            if reading is not None:
                touched.append(reading)
                got += 1
    tries = 0
    middle = model.chain.bases[:, :3, 3].mean(axis=0)
    while len(met) < meets and tries < 100:
        tries += 1
        reading2 = maker.meet(
            middle + np.array([rng.uniform(-0.03, 0.03), rng.uniform(-0.08, 0.08), rng.uniform(0.1, 0.2)])
        )
        if reading2 is not None:
            met.append(reading2)
    q = model.chain.travel.mean(axis=1)
    for side in SIDES:
        part = bench.columns(side)
        for reach in (40.0, 65.0):
            pose = q.copy()
            level = np.nonzero(np.abs(model.chain.axes[part, 2]) < 0.5)[0]
            pose[part] = 0.0
            if len(level):
                pose[part.start + level[0]] = reach * DEGREE
            if len(level) > 1:
                pose[part.start + level[1]] = 30.0 * DEGREE
            sags.append(maker.sag(model, side, pose, 0.15))
    sweeps, follows = maker.sweeps(model)
    pushes = maker.pushes(model, follows)
    return Readings(
        touches=tuple(touched),
        meets=tuple(met),
        gauges=tuple(gauges),
        pulls=tuple(pulls),
        sags=tuple(sags),
        sweeps=sweeps,
        follows=follows,
        pushes=pushes,
    )
