"""The unknown figures of a bench as one vector, with what is believed of each before anything is read.

Prior widths are common practice, no source: play is known to a factor of about 1.6, compliance and friction to
about 1.6 to 1.8, a hand's tremor to 0.06 degrees at every joint alike, a link's length to 1.2 mm, a base to 3 mm and
1.2 degrees, and a feedback wiper to 3 degrees of offset, 3 % of slope and a smooth bow of 1.2 degrees.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from handfast.bench.lines import angle_of, counts_of
from handfast.bench.parts import SIDES, Bench, Joint
from handfast.geometry.rigid import Array, yaw_pose
from handfast.mechanics.model import Model, model_of
from handfast.units import DEGREE

KNOTS = 7
"""Angles per joint at which the feedback's line is corrected; between them the correction is a cubic."""

_OFFSET, _SLOPE, _BOW, _BOW_LENGTH = 3.0 * DEGREE, 0.03, 1.2 * DEGREE, 0.35
_PLAY, _COMPLIANCE, _LIMP, _RUB = 0.45, 0.45, 0.6, 0.45
_TREMOR = 0.06 * DEGREE
_LENGTH, _BASE, _BASE_HEIGHT, _BASE_YAW = 1.2e-3, 3.0e-3, 1.0e-3, 1.2 * DEGREE

LOGS = ("unseen play", "compliance", "limp friction", "joint friction")
"""Figures that are positive: the vector holds the logarithm of their ratio to the bench's."""


@dataclass(frozen=True)
class Unknown:
    """One entry of the vector: what it is of, which figure, and its standard deviation beforehand."""

    of: str
    figure: str
    sigma: float


@dataclass(frozen=True)
class Shown:
    """Feedback as angles: nominal (N, K) by the bench's own lines, weights (N, K, KNOTS) of the corrections."""

    nominal: Array
    weights: Array


class Unknowns:
    """The vector's entries for one bench, and the bench that a vector stands for.

    Per joint, in this order: KNOTS wiper corrections rad, log ratios of `LOGS`, length correction m; then per
    arm: tool length m, base x, y, z m and yaw rad; last, one for all joints: the hand's tremor rad. Zero is the bench
    as it stands.
    """

    PER_JOINT = KNOTS + len(LOGS) + 1
    PER_ARM = 5

    def __init__(self, bench: Bench):
        self.bench = bench
        self.model = model_of(bench)
        self.K = len(bench.joints)
        entries = []
        for name in bench.joint_names:
            entries += [Unknown(name, f"wiper {k}", _BOW) for k in range(KNOTS)]
            sigmas = (_PLAY, _COMPLIANCE, _LIMP, _RUB)
            entries += [Unknown(name, figure, s) for figure, s in zip(LOGS, sigmas, strict=True)]
            entries.append(Unknown(name, "length", _LENGTH))
        for side in SIDES:
            entries.append(Unknown(f"{side} gripper", "length", _LENGTH))
            for figure, sigma in (("x", _BASE), ("y", _BASE), ("z", _BASE_HEIGHT), ("yaw", _BASE_YAW)):
                entries.append(Unknown(f"{side} base", figure, sigma))
        entries.append(Unknown("hand", "tremor", _TREMOR))
        self.entries = tuple(entries)

    @property
    def size(self) -> int:
        """Length of the vector."""
        return len(self.entries)

    def joint_part(self, joint: int) -> slice:
        """Entries of one joint."""
        return slice(joint * self.PER_JOINT, (joint + 1) * self.PER_JOINT)

    def arm_part(self, arm: int) -> slice:
        """Entries of one arm's tool and base."""
        start = self.K * self.PER_JOINT + arm * self.PER_ARM
        return slice(start, start + self.PER_ARM)

    def knots(self, joint: int) -> Array:
        """Nominal angles (KNOTS,) rad at which a joint's wiper is corrected, a little beyond its travel."""
        low, high = self.bench.joints[joint].travel
        margin = 0.03 * (high - low)
        return np.linspace(low - margin, high + margin, KNOTS)

    @cached_property
    def prior(self) -> Array:
        """Covariance (size, size) of the vector before anything is read."""
        cov = np.diag([entry.sigma**2 for entry in self.entries])
        for joint in range(self.K):
            start = joint * self.PER_JOINT
            at = self.knots(joint)
            span = at[-1] - at[0]
            u = at - at.mean()
            apart = (at[:, None] - at[None, :]) / (_BOW_LENGTH * span)
            smooth = _BOW**2 * np.exp(-0.5 * apart**2)
            block = _OFFSET**2 + _SLOPE**2 * np.outer(u, u) + smooth + (0.02 * DEGREE) ** 2 * np.eye(KNOTS)
            cov[start : start + KNOTS, start : start + KNOTS] = block
        return cov

    @cached_property
    def interpolation(self) -> tuple[Array, ...]:
        """Per joint the matrix (KNOTS, 4, KNOTS - 1) flattened for `correction`: see there."""
        from handfast.geometry.spline import spline_through

        found = []
        for joint in range(self.K):
            found.append(spline_through(self.knots(joint), np.eye(KNOTS)).coefficients)
        return tuple(found)

    def weights(self, joint: int, nominal: Array) -> Array:
        """Weights (N, KNOTS) of the knots' corrections at nominal angles (N,)."""
        at = self.knots(joint)
        inside = np.clip(nominal, at[0], at[-1])
        i = np.clip(np.searchsorted(at, inside, side="right") - 1, 0, KNOTS - 2)
        d = (inside - at[i])[:, None]
        c0, c1, c2, c3 = (c[i] for c in self.interpolation[joint])
        result: Array = c0 + d * (c1 + d * (c2 + d * c3))
        return result

    def shown(self, counts: Array) -> Shown:
        """Feedback (N, channels) ready to be turned into angles again and again."""
        nominal = [angle_of(joint, counts[:, joint.channel]) for joint in self.bench.joints]
        return self.shown_at(np.column_stack(nominal))

    def shown_at(self, nominal: Array) -> Shown:
        """Angles (N, K) that the bench's own lines show, ready to be corrected."""
        return Shown(nominal, np.stack([self.weights(i, nominal[:, i]) for i in range(self.K)], axis=1))

    def angles(self, x: Array, shown: Shown) -> Array:
        """Joint angles (N, K) that the feedback shows, corrected by the vector."""
        knots = x[: self.K * self.PER_JOINT].reshape(self.K, self.PER_JOINT)[:, :KNOTS]
        result: Array = shown.nominal + np.einsum("nkj,kj->nk", shown.weights, knots)
        return result

    def figures(self, x: Array) -> tuple[Array, Array, Array, Array]:
        """Unseen play, compliance, limp friction, joint friction (K,) that the vector stands for."""
        logs = x[: self.K * self.PER_JOINT].reshape(self.K, self.PER_JOINT)[:, KNOTS : KNOTS + len(LOGS)]
        ratio = np.exp(np.clip(logs, -3.0, 3.0))
        m = self.model
        return (
            m.unseen_play * ratio[:, 0],
            m.compliance * ratio[:, 1],
            m.limp_friction * ratio[:, 2],
            m.friction * ratio[:, 3],
        )

    def model_at(self, x: Array) -> Model:
        """The model that the vector stands for; wiper corrections are applied by `angles`."""
        base = self.model
        chain = base.chain
        lengths = x[: self.K * self.PER_JOINT].reshape(self.K, self.PER_JOINT)[:, -1]
        offsets = chain.offsets.copy()
        norm = np.linalg.norm(offsets, axis=1)
        offsets = offsets * (1.0 + np.where(norm > 1e-9, lengths / np.maximum(norm, 1e-9), 0.0))[:, None]
        bases, tools = chain.bases.copy(), chain.tools.copy()
        for arm in range(2):
            tool, dx, dy, dz, yaw = x[self.arm_part(arm)]
            reach = float(np.linalg.norm(tools[arm]))
            if reach > 1e-9:
                tools[arm] *= 1.0 + tool / reach
            bases[arm, :3, :3] = yaw_pose(np.zeros(3), yaw)[:3, :3] @ bases[arm, :3, :3]
            bases[arm, :3, 3] += (dx, dy, dz)
        play, compliance, limp, rub = self.figures(x)
        tremor = np.maximum(base.hand_tremor + x[-1], 0.0)
        moved = dataclasses.replace(chain, offsets=offsets, tools=tools, bases=np.ascontiguousarray(bases))
        return dataclasses.replace(
            base, chain=moved, unseen_play=play, compliance=compliance, limp_friction=limp, friction=rub,
            hand_tremor=tremor,
        )  # fmt: skip


def wiper_table(unknowns: Unknowns, x: Array, joint: int) -> list[list[float]]:
    """The corrected feedback of a joint as rows [degrees, counts] for `wiper_table` in a bench."""
    part: Joint = unknowns.bench.joints[joint]
    ends = unknowns.knots(joint)
    nominal = np.linspace(ends[0], ends[-1], 2 * KNOTS - 1)
    start = joint * unknowns.PER_JOINT
    angle = nominal + unknowns.weights(joint, nominal) @ x[start : start + KNOTS]
    counts = counts_of(part, nominal)
    rows = sorted(zip(angle / DEGREE, counts, strict=True))
    return [[round(float(a), 3), round(float(c), 2)] for a, c in rows]
