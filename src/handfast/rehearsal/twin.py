"""The twin at work: pulses in, wiper voltages out, a millisecond at a time, with everything that happens on the way.

It answers as any stand-in does (`run`, `advance`), so that a board or a session plays on it unchanged.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from handfast.bench.parts import SIDES, Bench
from handfast.errors import FaultError, HandfastError, InputError
from handfast.geometry.rigid import Array
from handfast.mechanics.kinematics import places, tool_poses
from handfast.mechanics.model import Chain
from handfast.rehearsal.gear_kernels import MOTOR, PASSED, ROWS, SHAFT, WARM, gears_kernel, hand_kernel
from handfast.rehearsal.mjcf import geoms_of, mjcf
from handfast.rehearsal.scene import Scene
from handfast.rehearsal.watch import EVERY, Watch
from handfast.standins.servo_kernels import RING
from handfast.standins.servo_model import pack_servo
from handfast.standins.truth import Truth
from handfast.units import DEGREE

if TYPE_CHECKING:
    import mujoco

HAND_STIFFNESS, HAND_DAMPING = 1500.0, 12.0
HAND_TURN_STIFFNESS, HAND_TURN_DAMPING = 3.0, 0.006
HAND_FORCE = 25.0
"""A hand that leads a gripper: N/m, N·s/m, N·m/rad, N·m·s/rad, and the most it pushes, N (common practice, no
source)."""

_HAND = np.array([HAND_STIFFNESS, HAND_DAMPING, HAND_TURN_STIFFNESS, HAND_TURN_DAMPING, HAND_FORCE])

JAW_STIFFNESS = 1.0e4
"""Stiffness of one finger with its pad and linkage, N/m (common practice, no source)."""


STARTS_OFF = 8.0 * DEGREE
"""How far from the first pose of a routine the joints begin, rad: a maker has folded the arms up somehow."""


def before(chain: Chain, q: Array) -> Array:
    """Where arms may stand before they go to the pose q (K,): near it, and higher, so that nothing is in the way."""
    J = places(chain, q).J[0, :, 5]
    low, high = chain.travel.T
    way = np.where(np.abs(J) > 1e-3, np.sign(J), np.sign(chain.travel.mean(axis=1) - q))
    result: Array = np.clip(q + STARTS_OFF * way, low, high)
    return result


def physics() -> Any:
    """The physics library, or a message that says how to get it."""
    try:
        import mujoco
    except ImportError as error:
        raise InputError(
            "rehearsals need a physics library that is not installed here",
            where="mujoco",
            expected="the package mujoco, which comes with the extra [rehearse]",
            next_step="pip install 'handfast[rehearse]'",
        ) from error
    return mujoco


def model_from(text: str) -> mujoco.MjModel:
    """A compiled model; what the library says against it becomes one message of ours."""
    mj = physics()
    try:
        return mj.MjModel.from_xml_string(text)
    except ValueError as error:
        raise InputError(
            f"the bench makes no sound physics model: {' '.join(str(error).split())}",
            where="bench.toml",
            expected="masses above nothing, sizes above nothing, centres of mass within their links",
            next_step="look at the mass, size and capsule of the part that is named",
        ) from error


class Twin:
    """The bench as a physics model with the servos of `truth`. Angles of a start are those of the links."""

    def __init__(self, bench: Bench, truth: Truth, scene: Scene, seed: int, start: Array, watched: bool = True):
        mj = physics()
        _sound(truth)
        self.bench, self.truth, self.scene = bench, truth, scene
        self.text = mjcf(bench, truth.chain, scene)
        self.model = model_from(self.text)
        self.data = mj.MjData(self.model)
        self._step = mj.mj_step
        self._rng = np.random.default_rng([seed, 11])
        S = len(truth.channel)
        self._servo = pack_servo(truth)
        self._state = np.zeros((ROWS, S))
        self._ring = np.zeros((S, RING))
        self._clock = np.zeros(1, dtype=np.int64)
        self._first = int(truth.chain.first[1])
        servos = [bench.servo_of(p) for p in (*bench.joints, *(bench.arm(side).gripper for side in SIDES))]
        self._thermal = np.array(
            [
                [s.winding_resistance for s in servos],
                [s.thermal_resistance for s in servos],
                [s.thermal_time for s in servos],
            ]
        )
        self._jaws = np.zeros((2, 5))
        for arm, side in enumerate(SIDES):
            g = bench.arm(side).gripper
            per_gap = (g.angle_open - g.angle_shut) / (g.opening[1] - g.opening[0])
            self._jaws[arm] = (g.angle_shut, per_gap, g.lever, JAW_STIFFNESS, g.opening[0])
        names = [*bench.joint_names, *(f"{side} jaw {sign}" for side in SIDES for sign in "+-")]
        joints = [self.model.joint(name) for name in names]
        self._where = np.array([[j.qposadr[0] for j in joints], [j.dofadr[0] for j in joints]], dtype=np.int64)
        self._tcp = [self.model.site(f"{side} tcp").id for side in SIDES]
        self.bodies = {p.thing.name: self.model.body(p.thing.name).id for p in scene.things}
        self._handed = {
            p.thing.name: self.model.equality(f"handed {p.thing.name}").id
            for p in scene.things
            if p.handed_to is not None
        }
        self._led = [False, False]
        self._velocity = np.zeros(6)
        self._begin(np.asarray(start, dtype=float))
        self.watch = Watch(self, {p.thing.name: geoms_of(p) for p in scene.things}) if watched else None

    def _begin(self, start: Array) -> None:
        """Links and rotors at the start, jaws open."""
        K = self.truth.joints
        d = self.data
        d.qpos[self._where[0, :K]] = start
        for arm, side in enumerate(SIDES):
            g = self.bench.arm(side).gripper
            d.qpos[self._where[0, K + 2 * arm : K + 2 * arm + 2]] = 0.5 * g.opening[1]
            self._state[[MOTOR, SHAFT], K + arm] = g.angle_open
        self._state[MOTOR, :K] = self._state[SHAFT, :K] = start
        physics().mj_forward(self.model, d)

    # -- time ------------------------------------------------------------------------------------------

    @property
    def time_us(self) -> int:
        """Simulated time, µs."""
        return int(self._clock[0]) * 1000

    def run(self, pulses: Array, led: Array | None = None) -> Array:
        """Advance by one row of `pulses` (N, channels), in seconds, per millisecond.

        led (N, K): link angles rad at which a hand wants an arm, NaN where it does not: the hand holds the gripper and
        pushes and turns it towards the pose that these angles give its TCP. Returns (N, channels + 3): wiper volts,
        supply volts, amperes of the left and the right arm.
        """
        N, channels = pulses.shape
        goals, held = self._hand_goals(led, N)
        hands = led is not None or any(self._led)
        S = len(self.truth.channel)
        out = np.empty((N, S + 3))
        wipers = np.zeros((N, channels + 3))
        noise = self._rng.normal(size=(N, S)) * self.truth.wiper_noise
        asked = np.ascontiguousarray(pulses[:, self.truth.channel])
        m, d, step = self.model, self.data, self._step
        qpos, qvel, force, damping = d.qpos, d.qvel, d.qfrc_applied, m.dof_damping
        watch = self.watch
        for n in range(N):
            if hands:
                for side in range(2):
                    if held[n, side]:
                        self._lead(side, goals[n, side])
                    elif self._led[side]:
                        self._let_go_of(side)
            gears_kernel(
                self._servo, self._state, self._ring, self._clock, asked[n], noise[n], self.truth.springs,
                self._jaws, self._thermal, qpos, qvel, force, damping, self._where, out[n], self._first,
            )  # fmt: skip
            step(m, d)
            if watch is not None and not self._clock[0] % EVERY:
                watch.look()
        wipers[:, self.truth.channel] = out[:, :S]
        wipers[:, channels:] = out[:, S:]
        if not np.isfinite(qpos).all() or d.warning[physics().mjtWarning.mjWARN_BADQACC].number:
            raise FaultError(
                f"the twin came apart after {self.time_us * 1e-6:.2f} s: its motion is no number any more\n"
                "  expected: masses, stiffnesses and torques that a table-top arm can have\n"
                "  next: look for a joint with very little mass and much torque, or a very small thing"
            )
        return wipers

    # -- a person's hands at the TCPs ------------------------------------------------------------------

    def _hand_goals(self, led: Array | None, N: int) -> tuple[Array, np.ndarray]:
        """Poses (N, 2, 4, 4) at which hands want the TCPs, and which arms they hold (N, 2)."""
        if led is None:
            return np.zeros((0, 2, 4, 4)), np.zeros((N, 2), dtype=bool)
        here = self.link_angles()
        goals = tool_poses(self.truth.chain, np.where(np.isnan(led), here, led))
        parts = [self.truth.chain.columns(arm) for arm in range(2)]
        return goals, np.column_stack([~np.isnan(led[:, part]).all(axis=1) for part in parts])

    def _lead(self, side: int, goal: Array) -> None:
        """A hand holds the gripper: springs and dampers to where it wants it."""
        d, site = self.data, self._tcp[side]
        body = int(self.model.site_bodyid[site])
        mj = physics()
        mj.mj_objectVelocity(self.model, d, mj.mjtObj.mjOBJ_SITE, site, self._velocity, 0)
        hand_kernel(
            goal, d.site_xpos[site], d.site_xmat[site], d.xipos[body], self._velocity, _HAND, d.xfrc_applied[body]
        )
        self._led[side] = True

    def _let_go_of(self, side: int) -> None:
        self.data.xfrc_applied[int(self.model.site_bodyid[self._tcp[side]])] = 0.0
        self._led[side] = False

    def advance(self, t_us: int, pulses_us: Sequence[float], relay: bool) -> tuple[list[int], int, tuple[int, int]]:
        """One millisecond, in the units of the stand-in's lines: wiper mV, supply mV, current of each arm mA."""
        pulses = np.array(pulses_us, dtype=float)[None] * (1e-6 if relay else 0.0)
        row = self.run(pulses)[0]
        if not relay:
            return [0] * len(pulses_us), 0, (0, 0)
        mV = [max(0, round(1e3 * v)) for v in row]
        return mV[:-3], mV[-3], (mV[-2], mV[-1])

    def load(self, side: int, mass: float, offset: Sequence[float] = (0.0, 0.0, 0.0)) -> None:
        """What is put into a hand by somebody outside the twin: from now on its weight hangs at the TCP."""
        self.push_tcp(side, mass * self.truth.chain.gravity)

    def present(self, thing: str, X_WO: Array) -> None:
        """The person who hands a thing over brings it to this pose and keeps it there."""
        mj = physics()
        joint = self.model.joint(thing)
        at, v = int(joint.qposadr[0]), int(joint.dofadr[0])
        quat = np.empty(4)
        mj.mju_mat2Quat(quat, np.ascontiguousarray(X_WO[:3, :3]).ravel())
        self.data.qpos[at : at + 3], self.data.qpos[at + 3 : at + 7] = X_WO[:3, 3], quat
        self.data.qvel[v : v + 6] = 0.0
        hand = int(self.model.body_mocapid[self.model.body(f"{thing} hand").id])
        self.data.mocap_pos[hand], self.data.mocap_quat[hand] = X_WO[:3, 3], quat

    def let_go(self, thing: str) -> None:
        """The person who handed a thing over takes the hand away."""
        if thing in self._handed:
            self.data.eq_active[self._handed[thing]] = 0

    # -- what can be seen ------------------------------------------------------------------------------

    @property
    def warming(self) -> Array:
        """Warming of each servo (S,), K."""
        return np.array(self._state[WARM])

    @property
    def passed(self) -> Array:
        """Torque that each joint's gears pass to its link (K,), N·m."""
        return self._state[PASSED, : self.truth.joints].copy()

    def motor_angles(self) -> Array:
        """Angles of the rotors at the joints (K,), rad."""
        return self._state[MOTOR, : self.truth.joints].copy()

    def shaft_angles(self) -> Array:
        """Angles at which the potentiometers stand (K,), rad."""
        return self._state[SHAFT, : self.truth.joints].copy()

    def link_angles(self) -> Array:
        """True joint angles of the links (K,), rad."""
        return np.array(self.data.qpos[self._where[0, : self.truth.joints]])

    def link_speeds(self) -> Array:
        """True speeds of the links (K,), rad/s."""
        return np.array(self.data.qvel[self._where[1, : self.truth.joints]])

    def gaps(self) -> Array:
        """Gaps between the pads (2,), m."""
        K = self.truth.joints
        return np.array([self.data.qpos[self._where[0, K + 2 * a : K + 2 * a + 2]].sum() for a in range(2)])

    def tool_positions(self) -> Array:
        """True TCP positions (2, 3), m, in world axes."""
        return np.array([self.data.site_xpos[i] for i in self._tcp])

    def tool_poses(self) -> Array:
        """True TCP poses (2, 4, 4)."""
        X = np.tile(np.eye(4), (2, 1, 1))
        for arm, i in enumerate(self._tcp):
            X[arm, :3, :3], X[arm, :3, 3] = self.data.site_xmat[i].reshape(3, 3), self.data.site_xpos[i]
        return X

    def thing_pose(self, name: str) -> Array:
        """True pose X_WO (4, 4) of a thing."""
        X = np.eye(4)
        i = self.bodies[name]
        X[:3, :3], X[:3, 3] = self.data.xmat[i].reshape(3, 3), self.data.xpos[i]
        return X

    # -- for hands and tests ---------------------------------------------------------------------------

    def set_joints(self, link: Array, shaft: Array, motor: Array) -> None:
        """Put links, shafts and rotors (K,) somewhere, at rest."""
        K = self.truth.joints
        self.data.qpos[self._where[0, :K]] = link
        self.data.qvel[:] = 0.0
        self._state[:, :K] = 0.0
        self._state[MOTOR, :K], self._state[SHAFT, :K] = motor, shaft
        physics().mj_forward(self.model, self.data)

    def push_tcp(self, side: int, force: Array, torque: Array | None = None) -> None:
        """From now on a force (3,) N and a torque (3,) N·m act at a TCP, in world axes."""
        site = self._tcp[side]
        body = int(self.model.site_bodyid[site])
        arm = self.data.site_xpos[site] - self.data.xipos[body]
        about = np.zeros(3) if torque is None else np.asarray(torque)
        self.data.xfrc_applied[body, :3] = force
        self.data.xfrc_applied[body, 3:] = about + np.cross(arm, force)


def _sound(truth: Truth) -> None:
    """Refuse figures that no servo can have, before they become a motion that is no number."""
    checks = {
        "full_drive": "full_drive_error_deg",
        "stall": "stall_torque_kgcm",
        "free_speed": "no_load_s_per_60deg",
        "rotor": "spin_up_ms",
        "rated_voltage": "rated_voltage_V",
    }
    for name, key in checks.items():
        values = np.asarray(getattr(truth, name))
        if not np.all(np.isfinite(values)) or np.any(values <= 0.0):
            raise InputError(
                f"a servo of the twin has {key} that is not above nothing",
                where="stock.toml",
                expected="a number above 0",
                next_step=f"correct {key}",
            )
    if np.any(truth.dead_time * 1e3 >= RING):
        raise InputError(
            f"a servo of the twin waits {truth.dead_time.max() * 1e3:.0f} ms before it answers",
            where="stock.toml",
            expected=f"dead_time_ms below {RING}",
            next_step="correct dead_time_ms",
        )


__all__ = ["HandfastError", "Twin", "model_from", "physics"]
