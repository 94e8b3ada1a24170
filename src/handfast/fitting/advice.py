"""Which reading would help most next: the one that takes the most off what is not known of the TCP."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from handfast.bench.lines import counts_of
from handfast.bench.parts import SIDES
from handfast.fitting.calibrate import Calibration, jacobian_of
from handfast.fitting.equations import Equations
from handfast.fitting.pushing import hardest_push, pushing_lines, pushing_poses
from handfast.fitting.unknowns import Unknowns
from handfast.geometry.rigid import Array
from handfast.landing.flank import resting_offsets
from handfast.mechanics.inverse import solve
from handfast.mechanics.kinematics import places, tool_poses
from handfast.records.readings import Gauge, Pull, Push, Readings, Sag, Touch
from handfast.units import DEGREE

TOUCH_ERROR, GAUGE_ERROR, PULL_SHARE, SAG_ERROR, PUSH_ERROR = 0.4e-3, 0.2 * DEGREE, 0.08, 0.3e-3, 0.6e-3
LIGHT_SHARE, SCALE, GAUGE_AGAIN = 0.15, 0.03, 0.07 * DEGREE
"""What a maker's readings are taken to be good for: a light pull to so much of its force, and no better than the scale
shows, N; a stop that stays, from both sides, to 0.1 mm at 80 mm from the axis (common practice, no source)."""

_LEVER = 0.08


@dataclass(frozen=True)
class Advice:
    """One reading worth taking: in words, and the TCP's expected error (root mean square, m) before and after.

    pose (K,) rad: joint angles at which it is taken; the joints that it does not concern are in mid-travel.
    """

    words: str
    before: float
    after: float
    pose: Array


def expected_error(calibration: Calibration, poses: Array) -> float:
    """Root mean square TCP error, m, that the uncertainty leaves over poses (N, K), both arms."""
    P = _pose_rows(calibration.unknowns, calibration.x, poses)
    return float(np.sqrt(np.einsum("ip,pq,iq->", P, calibration.covariance, P) / (len(P) / 3.0)))


def _pose_rows(unknowns: Unknowns, x: Array, poses: Array) -> Array:
    """Sensitivity (N·2·3, size) of the resting TCPs to the unknowns, the feedback given."""
    shown = unknowns.shown_at(poses)
    zero, none = np.zeros((len(poses), 2)), np.zeros((len(poses), 2, 3))

    def at(v: Array) -> Array:
        model = unknowns.model_at(v)
        q = unknowns.angles(v, shown)
        rest = resting_offsets(model, q, np.ones_like(q), zero, none)
        return places(model.chain, q + rest.mean).X_WT[:, :, :3, 3].ravel()

    return jacobian_of(at, x, np.array([1e-3 * e.sigma for e in unknowns.entries]))


def advise(calibration: Calibration, poses: Array, most: int = 3) -> list[Advice]:
    """The readings that help most, best first, among touches, gauges, pulls, weights and pushes."""
    u, x = calibration.unknowns, calibration.x
    P = _pose_rows(u, x, poses)
    scale = len(P) / 3.0
    now = float(np.sqrt(np.einsum("ip,pq,iq->", P, calibration.covariance, P) / scale))
    candidates, words = _candidates(calibration)
    H = jacobian_of(Equations(u, candidates).residuals, x, np.array([1e-3 * e.sigma for e in u.entries]))
    S = calibration.covariance
    found = []
    row = 0
    for said, count, pose in words:
        h = H[row : row + count]
        row += count
        gain = S @ h.T @ np.linalg.solve(h @ S @ h.T + np.eye(count), h @ S)
        after = float(np.einsum("ip,pq,iq->", P, S - gain, P) / scale)
        found.append(Advice(said, now, float(np.sqrt(max(after, 0.0))), pose))
    found.sort(key=lambda a: a.after)
    # One of a kind: the next best touch of the same arm teaches nearly the same.
    kept: list[Advice] = []
    for advice in found:
        if not any(advice.words.split(":")[0] == other.words.split(":")[0] for other in kept):
            kept.append(advice)
        if len(kept) == most:
            break
    return kept


def _candidates(calibration: Calibration) -> tuple[Readings, list[tuple[str, int, Array]]]:
    """Readings that could be taken, with counts as the present estimate expects them; rows and pose of each."""
    u = calibration.unknowns
    bench, chain = u.bench, u.model.chain
    middle = chain.travel.mean(axis=1)
    touches, gauges, pulls, sags = [], [], [], []
    words: list[tuple[str, int, Array]] = []

    def counts(q: Array) -> tuple[float, ...]:
        result = np.full(bench.controller.channels, 2.0 ** (bench.controller.wiper_bits - 1))
        for i, joint in enumerate(bench.joints):
            result[joint.channel] = float(counts_of(joint, q[i]))
        return tuple(float(v) for v in result)

    def at(q: Array, arm: int) -> str:
        joints, turns = bench.arm(SIDES[arm]).joints, q[bench.columns(SIDES[arm])] / DEGREE
        return "at " + ", ".join(f"{j.name} {round(float(v)) + 0}°" for j, v in zip(joints, turns, strict=True))

    for arm, side in enumerate(SIDES):
        columns = bench.columns(side)
        one = chain.only(arm)
        for share, bearing, height, lean in product((0.3, 0.5, 0.7), (-0.8, 0.0, 0.8), (0.01, 0.09), (15.0, 55.0)):
            r = share * u.model.reach[arm]
            local = np.array([r * np.cos(bearing), r * np.sin(bearing), height, 1.0])
            X = _leaning(chain.bases[arm] @ local, chain.bases[arm], bearing, lean)
            found = solve(one, X, middle[columns])
            if found.short[0] > 1e-4 or found.beyond[0] > 0:
                continue
            q = middle.copy()
            q[columns] = found.q[0]
            point = tuple(float(v) for v in X[:3, 3])
            ways = " ".join("+" * (columns.stop - columns.start))
            touches.append(
                Touch(
                    arm=side, at=point, error=TOUCH_ERROR, counts=counts(q), supply=bench.supply.voltage, arrived=ways
                )
            )
            place = ", ".join(f"{round(v * 1e3) + 0}" for v in point)
            words.append((f"touch with the {side} arm: a point near ({place}) mm, fingers leaning {lean:.0f}°", 3, q))
    for i, (name, joint) in enumerate(zip(bench.joint_names, bench.joints, strict=True)):
        for share in (0.1, 0.5, 0.9):
            angle = joint.travel[0] + share * (joint.travel[1] - joint.travel[0])
            q = middle.copy()
            q[i] = angle
            for way in ("+", "-"):
                gauges.append(
                    Gauge(
                        joint=name, angle=angle, error=GAUGE_ERROR, way=way, stop=f"{share}", again=GAUGE_AGAIN,
                        counts=counts(q), supply=bench.supply.voltage,
                    )
                )  # fmt: skip
            words.append((f"gauge at {name}: {angle / DEGREE:.0f}°, led onto a stop that stays from both sides", 2, q))
    now = u.model_at(calibration.x)
    for name, limp, rub in zip(bench.joint_names, now.limp_friction, now.friction, strict=True):
        whole, light = float((limp + rub) / _LEVER), float(rub / _LEVER)
        pulls.append(Pull(joint=name, force=whole, lever=_LEVER, error=PULL_SHARE * whole))
        words.append((f"spring scale at {name}: the pull that just turns it limp", 1, middle))
        error = float(np.hypot(LIGHT_SHARE * light, SCALE))
        pulls.append(Pull(joint=name, force=light, lever=_LEVER, error=error, loose=True))
        words.append((f"light pull at {name}: limp and balanced, what just moves its link within its play", 1, middle))
    for arm, side in enumerate(SIDES):
        columns = bench.columns(side)
        q = middle.copy()
        X = tool_poses(chain, q)[0, arm]
        shown = counts(q)
        sags.append(
            Sag(
                arm=side, mass=0.15, down=0.0, error=SAG_ERROR, counts=shown, loaded=shown,
                supply=bench.supply.voltage, loaded_supply=bench.supply.voltage,
            )
        )  # fmt: skip
        words.append(
            (f"weight on the {side} arm: 150 g hung on the TCP near {X[2, 3] * 1e3:.0f} mm height, {at(q, arm)}", 1, q)
        )
    pushes = []
    for arm, side in enumerate(SIDES):
        columns = bench.columns(side)
        for pose in pushing_poses(u.model, side):
            q = middle.copy()
            q[columns] = pose
            J = places(chain, q).J[0, columns, 3:]
            for along in pushing_lines(J, np.abs(chain.axes[columns, 2]) < 0.5):
                force = hardest_push(u.model, q, along, arm) * along
                shown = counts(q)
                pushes.append(
                    Push(
                        arm=side, force=tuple(float(v) for v in force), off=0.0, error=PUSH_ERROR, counts=shown,
                        back=shown, supply=bench.supply.voltage,
                    )
                )  # fmt: skip
                said = ", ".join(f"{round(v, 1) + 0:g}" for v in force)
                words.append((f"push the {side} arm: powered, by ({said}) N on its TCP, and back, {at(q, arm)}", 1, q))
    # Rows come in the order in which `Equations` lists the kinds.
    readings = Readings(
        touches=tuple(touches), gauges=tuple(gauges), pulls=tuple(pulls), sags=tuple(sags), pushes=tuple(pushes)
    )
    return readings, words


def _leaning(point: Array, X_WB: Array, bearing: float, lean_deg: float) -> Array:
    """A tool pose at `point`, its fingers leaning outwards from straight down by `lean_deg`."""
    lean = lean_deg * DEGREE
    outwards = X_WB[:3, :3] @ np.array([np.cos(bearing), np.sin(bearing), 0.0])
    z = np.sin(lean) * outwards - np.cos(lean) * X_WB[:3, 2]
    y = np.cross(X_WB[:3, 2], outwards)
    X = np.eye(4)
    X[:3, :3], X[:3, 3] = np.column_stack([np.cross(y, z), y, z]), point[:3]
    return X
