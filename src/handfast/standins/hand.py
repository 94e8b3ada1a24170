"""A person's hands leading limp arms through poses and strokes, by eye, as a recording shows it.

The hands see the true TCPs and bring them where they are wanted, with scatter and tremor; they hold a pose, or
let go of it where the gears hold the arm by themselves. What comes out is what the wire would show: feedback
counts, and the events of pedal and voice.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from handfast.bench.parts import SIDES, Bench, Side
from handfast.errors import InputError
from handfast.geometry.rigid import Array, rotation_of
from handfast.mechanics.dynamics import gravity_torques
from handfast.mechanics.inverse import solve
from handfast.mechanics.kinematics import tool_poses
from handfast.records.recording import Event, Recording
from handfast.standins.servo_model import ServoArms
from handfast.standins.truth import Truth

SAMPLE = 0.02
"""Time between two samples of the recording, s."""

_MS = round(SAMPLE * 1000)

TIPS = np.radians([1.0, 2.0, 4.0, 6.0, 9.0])
"""By how much a hand tips the fingers, rad, where the arm meets a stop at the pose that it wanted."""


@dataclass(frozen=True)
class Lead:
    """The hands bring TCPs to poses `X_WT` (by side), taking `time` s, then keep still for `still` s."""

    to: dict[Side, Array]
    time: float = 1.6
    still: float = 1.4
    event: str = ""


@dataclass(frozen=True)
class Draw:
    """One hand leads its TCP along a path of positions (N, 3) at constant orientation, in `time` s."""

    side: Side
    points: Array
    time: float


@dataclass(frozen=True)
class Say:
    """An event, with a pause after it."""

    words: str
    pause: float = 0.6


@dataclass(frozen=True)
class Take:
    """An arm's gripper now holds `thing` (a share of it), or nothing."""

    side: Side
    thing: str | None
    share: float = 1.0


Part = Lead | Draw | Say | Take


@dataclass
class Hands:
    """Two hands at a stand-in. `lets_go`: their habit; they keep holding what would fall."""

    bench: Bench
    truth: Truth
    arms: ServoArms
    rng: np.random.Generator
    lets_go: bool
    scatter: float = 1.0e-3
    tremor: float = 1.5e-4
    t: list[float] = field(default_factory=list)
    counts: list[Array] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    stored: list[tuple[float, Array]] = field(default_factory=list)
    _held: dict[Side, bool] = field(default_factory=lambda: {"left": True, "right": True})

    def do(self, script: list[Part]) -> None:
        """Perform a script from start to end."""
        self._stand(0.5)
        for part in script:
            if isinstance(part, Lead):
                self._lead(part)
            elif isinstance(part, Draw):
                self._draw(part)
            elif isinstance(part, Take):
                self._take(part)
            else:
                self._say(part.words)
                self._stand(part.pause)
        self._stand(0.3)

    def recording(self, notes: tuple[str, ...]) -> Recording:
        """What the wire showed. Times of stored poses are in `stored`, with the true TCPs of that moment."""
        hands = "let go" if self.lets_go else "held"
        return Recording(np.array(self.t), np.array(self.counts), tuple(self.events), hands, notes, "")

    # -- parts -----------------------------------------------------------------------------------------

    def lead_joints(self, goal: Array, seconds: float) -> None:
        """Lead the links to angles `goal` (K,) in one smooth move, both arms held."""
        self._held = {"left": True, "right": True}
        self._follow(self.arms.link_angles(), goal, seconds)

    def stand(self, seconds: float) -> None:
        """Keep everything still."""
        self._stand(seconds)

    def angles_for(self, side: Side, X_WT: Array, near: Array) -> Array | None:
        """Link angles (joints,) that put one TCP at a true pose, or None if the arm cannot."""
        found = solve(self.truth.chain.only(SIDES.index(side)), X_WT, near)
        return found.q[0] if found.short[0] < 1e-4 and found.beyond[0] < 0.0 else None

    def _say(self, words: str) -> None:
        self.events.append(Event(self.arms.time_us / 1e6, tuple(words.split())))

    def _take(self, part: Take) -> None:
        mass = 0.0 if part.thing is None else part.share * self.bench.thing(part.thing).mass
        self.arms.load(SIDES.index(part.side), mass)

    def _solve(self, side: Side, X_WT: Array, near: Array) -> Array:
        """Link angles (joints,) for a goal; a hand that meets a stop tips the fingers by a few degrees."""
        across = np.cross(X_WT[:3, 2], [0.0, 0.0, 1.0])
        across = X_WT[:3, 1] if np.linalg.norm(across) < 1e-6 else across / np.linalg.norm(across)
        for lean in (0.0, *(way * by for by in TIPS for way in (1.0, -1.0))):
            X = X_WT.copy()
            X[:3, :3] = rotation_of(lean * across) @ X[:3, :3]
            found = solve(self.truth.chain.only(SIDES.index(side)), X, near)
            if found.short[0] <= 1e-4 and found.beyond[0] <= 0.0:
                q: Array = found.q[0]
                return q
        found = solve(self.truth.chain.only(SIDES.index(side)), X_WT, near)
        raise InputError(
            f"the {side} hand cannot lead the TCP to {np.round(X_WT[:3, 3] * 1e3, 1)} mm: "
            f"{found.short[0] * 1e3:.1f} mm too far, {np.degrees(found.beyond[0]):.1f} degrees past a stop",
            expected="a place within the arm's reach and travel",
            next_step="move the goal, or lean the fingers further",
        )

    def _lead(self, part: Lead) -> None:
        now = self.arms.link_angles()
        goal = now.copy()
        for side, X_WT in part.to.items():
            columns = self.bench.columns(side)
            X = X_WT.copy()
            X[:3, 3] += self.rng.normal(0.0, self.scatter, 3)
            X[:3, :3] = rotation_of(self.rng.normal(0.0, 0.01, 3)) @ X[:3, :3]
            goal[columns] = self._solve(side, X, now[columns])
            self._held[side] = True
        duration = part.time * self.rng.uniform(0.85, 1.2)
        # Aimed movements mostly fall a little short and are completed by a second, smaller one (Meyer et al.,
        # Psychological Review 95, 1988, from memory); now and then they go too far and come back.
        falls_short = np.clip(self.rng.normal(0.05, 0.04) * (goal - now), -np.radians(3.0), np.radians(3.0))
        homing = goal - falls_short
        self._follow(now, homing, 0.8 * duration)
        self._follow(homing, goal, 0.45 * duration)
        if part.event:
            self._say(part.event)
        self._stand(0.35)
        if self.lets_go:
            for side in part.to:
                self._held[side] = not self._stays(side)
        self._stand(part.still)
        self.stored.append((self.arms.time_us / 1e6, self.arms.tool_positions()))

    def _stays(self, side: Side) -> bool:
        """Whether an arm's gears hold it by themselves, as a hand feels before it lets go."""
        columns = self.bench.columns(side)
        tau = gravity_torques(self.truth.chain, self.arms.link_angles())[0, columns]
        return bool(np.all(np.abs(tau) < 0.8 * self.truth.gear_friction[: self.truth.joints][columns]))

    def _follow(self, start: Array, end: Array, duration: float) -> None:
        """Smooth motion of the links (least jerk, Flash & Hogan 1985, from memory)."""
        n = max(2, round(duration / SAMPLE)) * _MS
        r = np.arange(1, n + 1) / n
        law = 10 * r**3 - 15 * r**4 + 6 * r**5
        self._run(start + law[:, None] * (end - start))

    def _draw(self, part: Draw) -> None:
        arm, columns = SIDES.index(part.side), self.bench.columns(part.side)
        self._held[part.side] = True
        now = self.arms.link_angles()
        R = tool_poses(self.truth.chain, now)[0, arm, :3, :3]
        n = max(8, round(part.time / SAMPLE))
        where = np.linspace(0.0, 1.0, n)
        where = 3 * where**2 - 2 * where**3
        at = np.linspace(0.0, 1.0, len(part.points))
        points = np.column_stack([np.interp(where, at, part.points[:, k]) for k in range(3)])
        # Wander slower than tremor: a hand keeps a line to a fraction of a millimetre.
        wander = np.cumsum(self.rng.normal(0.0, 2.0e-5, (n, 3)), axis=0)
        points = points + wander - wander[-1] * where[:, None]
        path, near = np.empty((n, len(now))), now[columns]
        path[:] = now
        for k in range(n):
            X = np.eye(4)
            X[:3, :3], X[:3, 3] = R, points[k]
            near = self._solve(part.side, X, near)
            path[k, columns] = near
        fine = np.column_stack(
            [
                np.interp(np.arange(1, n * _MS + 1) / _MS, np.arange(n + 1), np.append(now[j], path[:, j]))
                for j in range(len(now))
            ]
        )
        self._say(f"{part.side} stroke begin")
        first = np.linspace(0, 1, 300)[:, None] * (path[0] - now) + now
        self._run(first)
        self._run(fine)
        self._say(f"{part.side} stroke end")
        self._stand(0.3)

    def _stand(self, seconds: float) -> None:
        now = self.arms.link_angles()
        self._run(np.tile(now, (round(seconds / SAMPLE) * _MS, 1)))

    def _run(self, path: Array) -> None:
        """Impose link angles (one row per ms) on the arms that are held, and take samples."""
        K = self.truth.joints
        n = len(path)
        phase = self.rng.uniform(0.0, 2.0 * np.pi, K)
        at = 2.0 * np.pi * 9.0 * 1e-3 * np.arange(n)[:, None]
        led = path + self.tremor / 0.25 * np.sin(at + phase)  # 9 Hz at a lever of a quarter metre
        for side in SIDES:
            if not self._held[side]:
                led[:, self.bench.columns(side)] = np.nan
        pulses = np.zeros((n, self.bench.controller.channels))
        bits, reference = self.bench.controller.wiper_bits, self.bench.controller.reference
        for start in range(0, n, _MS):
            out = self.arms.run(pulses[start : start + _MS], led[start : start + _MS])
            counts = np.floor(out[-8:, : pulses.shape[1]] / reference * 2**bits)
            self.t.append(self.arms.time_us / 1e6)
            self.counts.append(np.clip(counts, 0, 2**bits - 1).mean(axis=0))


def tool_pose(position_mm: tuple[float, float, float], lean_deg: float, yaw_deg: float, roll_deg: float = 0.0) -> Array:
    """A tool pose for a script: fingers leaning `lean_deg` from straight down towards `yaw_deg` about z.

    Lean 0 points the fingers down, 90 levels them; the jaws open sideways to that direction, turned by roll.
    """
    yaw, lean, roll = np.radians([yaw_deg, lean_deg, roll_deg])
    fingers = np.array([np.sin(lean) * np.cos(yaw), np.sin(lean) * np.sin(yaw), -np.cos(lean)])
    y = np.array([-np.sin(yaw), np.cos(yaw), 0.0])
    x = np.cross(y, fingers)
    R = np.column_stack([x, y, fingers]) @ rotation_of(np.array([0.0, 0.0, roll]))
    X = np.eye(4)
    X[:3, :3], X[:3, 3] = R, np.array(position_mm) * 1e-3
    return X
