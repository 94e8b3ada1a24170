"""A bench as the plain arrays that the kernels take."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from handfast.bench.parts import SIDES, Arm, Bench
from handfast.geometry.rigid import Array, yaw_pose
from handfast.units import STANDARD_GRAVITY


@dataclass(frozen=True, eq=False)  # compared and hashed as itself: its arrays never change
class Chain:
    """One or two serial arms as arrays. K joints in all; row i of each array belongs to joint i's link.

    first (arms + 1,): first joint of each arm, then K. bases (arms, 4, 4): `X_WB`. offsets (K, 3): joint from
    joint before, m. axes (K, 3): unit axes. Both at zero pose, where all frames are parallel to the base.
    masses (K,), coms (K, 3), inertias (K, 3, 3) about the centre of mass. tools (arms, 3): TCP from the last
    joint; tool_turns (arms, 3, 3): `R_LT`, columns x, y (jaws open), z (fingers point). travel (K, 2) rad.
    """

    first: np.ndarray
    bases: Array
    offsets: Array
    axes: Array
    masses: Array
    coms: Array
    inertias: Array
    tools: Array
    tool_turns: Array
    travel: Array
    gravity: Array

    @property
    def joints(self) -> int:
        """Number of joints, K."""
        return len(self.offsets)

    @property
    def arms(self) -> int:
        """Number of arms."""
        return len(self.bases)

    def columns(self, arm: int) -> slice:
        """Columns of arm number `arm` in an (N, K) array."""
        return slice(int(self.first[arm]), int(self.first[arm + 1]))

    def only(self, arm: int) -> Chain:
        """The chain of one arm alone."""
        return self._alone[arm]

    @cached_property
    def _alone(self) -> tuple[Chain, ...]:
        return tuple(self._cut(arm) for arm in range(self.arms))

    def _cut(self, arm: int) -> Chain:
        part = self.columns(arm)
        one = slice(arm, arm + 1)
        return Chain(
            first=np.array([0, part.stop - part.start]),
            bases=self.bases[one],
            offsets=self.offsets[part],
            axes=self.axes[part],
            masses=self.masses[part],
            coms=self.coms[part],
            inertias=self.inertias[part],
            tools=self.tools[one],
            tool_turns=self.tool_turns[one],
            travel=self.travel[part],
            gravity=self.gravity,
        )

    def moved(self, bases: Array) -> Chain:
        """The same arms with their bases elsewhere."""
        return replace(self, bases=np.ascontiguousarray(bases, dtype=float))


@dataclass(frozen=True)
class Bodies:
    """What may touch: capsules on links (link -1: fixed to the world), boxes, and the pairs to watch.

    links (C,), froms and tos (C, 3) in link axes from the joint, radii (C,). boxes (B, 4, 4) poses of boxes,
    box_sizes (B, 3) half extents. pairs (P, 3): kind 0 two capsules, 1 capsule and table, 2 capsule and box.
    """

    links: np.ndarray
    froms: Array
    tos: Array
    radii: Array
    boxes: Array
    box_sizes: Array
    pairs: np.ndarray
    names: tuple[str, ...]
    box_names: tuple[str, ...]

    def pair_name(self, number: int) -> str:
        """A pair in words: 'left forearm and the table'."""
        kind, a, b = self.pairs[number]
        other = (self.names[b], "the table", self.box_names[b] if kind == 2 else "")[kind]
        return f"{self.names[a]} and {other}"


@dataclass(frozen=True)
class Model:
    """A bench for computing: its chain, its bodies, and per-joint servo figures (K,) in SI units."""

    bench: Bench
    chain: Chain
    bodies: Bodies
    springs: Array  # (K, 2): rate N·m/rad, rest rad
    friction: Array  # (K,) N·m, of the joint itself
    stall: Array  # (K,) N·m at the rated voltage
    free_speed: Array  # (K,) rad/s at the rated voltage
    rated_voltage: Array  # (K,)
    rotor: Array  # (K,) kg·m² reflected to the output
    full_drive: Array  # (K,) rad, error at which the motor gets full voltage
    unseen_play: Array  # (K,) rad, full width
    seen_play: Array  # (K,)
    compliance: Array  # (K,) rad/(N·m)
    dead_band: Array  # (K,) rad, full width
    limp_friction: Array  # (K,) N·m
    hand_tremor: Array = field(default_factory=lambda: np.zeros(1))  # (K,) or (1,) rad, of a link that a hand leads

    @cached_property
    def reach(self) -> tuple[float, ...]:
        """Longest distance from each arm's second joint axis to its TCP, m (the members laid end to end)."""
        lengths = []
        for arm in range(self.chain.arms):
            part = self.chain.columns(arm)
            members = np.linalg.norm(self.chain.offsets[part][2:], axis=1).sum()
            lengths.append(float(members + np.linalg.norm(self.chain.tools[arm])))
        return tuple(lengths)


def capsule_inertia(mass: float, start: Array, end: Array, radius: float) -> Array:
    """Inertia (3, 3) of a solid capsule about its middle, in the axes of its end points.

    A cylinder and two hemispheres of one density, by the parallel-axis theorem (closed forms of a cylinder
    and a hemisphere as in any handbook of mechanics, from memory; checked against a mesh-free sum in tests).
    """
    axis = end - start
    length = float(np.linalg.norm(axis))
    r = radius
    cylinder, ball = np.pi * r * r * length, 4.0 / 3.0 * np.pi * r**3
    mc, mb = mass * cylinder / (cylinder + ball), mass * ball / (cylinder + ball)
    along = mc * r * r / 2.0 + mb * 2.0 / 5.0 * r * r
    across = mc * (length**2 / 12.0 + r * r / 4.0) + mb * (2.0 / 5.0 * r * r + length**2 / 4.0 + 3.0 / 8.0 * length * r)
    if length < 1e-12:
        return np.eye(3) * along
    u = axis / length
    result: Array = np.eye(3) * across + np.outer(u, u) * (along - across)
    return result


def unit(vector: tuple[float, ...]) -> Array:
    """The vector at length one."""
    v = np.array(vector, dtype=float)
    result: Array = v / np.linalg.norm(v)
    return result


def tool_turn(fingers: tuple[float, ...], jaws: tuple[float, ...]) -> Array:
    """`R_LT` (3, 3): z along the fingers, y the way the jaws open (made square to z), x = y × z."""
    z = unit(fingers)
    y = np.array(jaws, dtype=float)
    y = y - (y @ z) * z
    y /= np.linalg.norm(y)
    return np.column_stack([np.cross(y, z), y, z])


def base_pose(arm: Arm) -> Array:
    """`X_WB` of an arm."""
    return yaw_pose(np.array(arm.base), arm.yaw)


def _composite(arm: Arm) -> tuple[list[float], list[Array], list[Array]]:
    """Mass, centre of mass and inertia of each link; the gripper belongs to the last one."""
    masses, coms, inertias = [], [], []
    for joint in arm.joints:
        start, end = np.array(joint.capsule_from), np.array(joint.capsule_to)
        masses.append(joint.mass)
        coms.append(np.array(joint.com))
        inertias.append(capsule_inertia(joint.mass, start, end, joint.capsule_radius))
    g = arm.gripper
    tip = np.array(g.tcp)
    inertia = capsule_inertia(g.mass, 0.25 * tip, 0.75 * tip, g.radius)
    total = masses[-1] + g.mass
    com = (masses[-1] * coms[-1] + g.mass * np.array(g.com)) / total if total > 0 else coms[-1]
    both = np.zeros((3, 3))
    for m, c, I in ((masses[-1], coms[-1], inertias[-1]), (g.mass, np.array(g.com), inertia)):
        d = c - com
        both += I + m * (d @ d * np.eye(3) - np.outer(d, d))
    masses[-1], coms[-1], inertias[-1] = total, com, both
    return masses, coms, inertias


def chain_of(bench: Bench) -> Chain:
    """Both arms of a bench as one chain of arrays."""
    masses: list[float] = []
    coms: list[Array] = []
    inertias: list[Array] = []
    for side in SIDES:
        m, c, i = _composite(bench.arm(side))
        masses += m
        coms += c
        inertias += i
    arms = [bench.arm(side) for side in SIDES]
    counts = [len(arm.joints) for arm in arms]
    return Chain(
        first=np.array([0, counts[0], counts[0] + counts[1]]),
        bases=np.array([base_pose(arm) for arm in arms]),
        offsets=np.array([joint.offset for joint in bench.joints], dtype=float),
        axes=np.array([unit(joint.axis) for joint in bench.joints]),
        masses=np.array(masses),
        coms=np.array(coms),
        inertias=np.array(inertias),
        tools=np.array([arm.gripper.tcp for arm in arms], dtype=float),
        tool_turns=np.array([tool_turn(arm.gripper.fingers, arm.gripper.jaws) for arm in arms]),
        travel=np.array([joint.travel for joint in bench.joints], dtype=float),
        gravity=np.array([0.0, 0.0, -STANDARD_GRAVITY]),
    )


def bodies_of(bench: Bench) -> Bodies:
    """The bodies of a bench and the pairs worth watching.

    Every link and gripper of one arm with every one of the other; within an arm those that are at least two
    joints apart and not already nested by design; everything with the boxes; all but the first link of each
    arm with the table.
    """
    links, froms, tos, radii, names = [], [], [], [], []
    owner, rank = [], []
    number = 0
    for side in SIDES:
        arm = bench.arm(side)
        for joint in arm.joints:
            links.append(number)
            froms.append(joint.capsule_from)
            tos.append(joint.capsule_to)
            radii.append(joint.capsule_radius)
            names.append(f"{side} {joint.name} link")
            owner.append(side)
            rank.append(len([s for s in owner if s == side]) - 1)
            number += 1
        links.append(number - 1)
        froms.append((0.0, 0.0, 0.0))
        # The body ends where its round end touches the fingertips.
        tcp = np.array(arm.gripper.tcp)
        length = float(np.linalg.norm(tcp))
        keep = max(0.0, length - arm.gripper.radius) / length if length > 0 else 0.0
        tos.append(tuple(tcp * keep))
        radii.append(arm.gripper.radius)
        names.append(f"{side} gripper")
        owner.append(side)
        rank.append(len(arm.joints))
    pairs = []
    ends = np.array(tos, dtype=float)
    starts = np.array(froms, dtype=float)
    for a in range(len(links)):
        for b in range(a + 1, len(links)):
            if owner[a] != owner[b] or (rank[b] - rank[a] >= 2 and not _nested(bench, owner[a], rank[a], rank[b])):
                pairs.append((0, a, b))
    for a in range(len(links)):
        if rank[a] >= 1:
            pairs.append((1, a, 0))
    for b in range(len(bench.obstacles)):
        pairs += [(2, a, b) for a in range(len(links))]
    boxes = [yaw_pose(np.array(o.center), o.yaw) for o in bench.obstacles]
    return Bodies(
        links=np.array(links, dtype=np.int64),
        froms=starts,
        tos=ends,
        radii=np.array(radii, dtype=float),
        boxes=np.array(boxes, dtype=float).reshape(-1, 4, 4),
        box_sizes=np.array([o.size for o in bench.obstacles], dtype=float).reshape(-1, 3) / 2.0,
        pairs=np.array(pairs, dtype=np.int64).reshape(-1, 3),
        names=tuple(names),
        box_names=tuple(o.name for o in bench.obstacles),
    )


def _nested(bench: Bench, side: str, a: int, b: int) -> bool:
    """Whether two bodies of one arm overlap at zero pose, as neighbours do that share a short link."""
    arm = bench.arm(side)
    joints = arm.joints
    origin = np.cumsum([joint.offset for joint in joints], axis=0)
    j = joints[a]
    start_a, end_a = origin[a] + j.capsule_from, origin[a] + j.capsule_to
    if b < len(joints):
        other = joints[b]
        start_b, end_b, radius = (
            origin[b] + other.capsule_from,
            origin[b] + other.capsule_to,
            other.capsule_radius,
        )
    else:
        start_b, end_b, radius = origin[-1], origin[-1] + np.array(arm.gripper.tcp), arm.gripper.radius
    t = np.linspace(0.0, 1.0, 21)[:, None]
    points_a, points_b = start_a + t * (end_a - start_a), start_b + t * (end_b - start_b)
    gap = np.linalg.norm(points_a[:, None] - points_b[None], axis=-1).min()
    return bool(gap < j.capsule_radius + radius)


def model_of(bench: Bench) -> Model:
    """Everything about a bench that the computing rooms need."""
    joints = bench.joints
    servos = [bench.servo_of(joint) for joint in joints]

    def each(values: list[float]) -> Array:
        return np.array(values, dtype=float)

    return Model(
        bench=bench,
        chain=chain_of(bench),
        bodies=bodies_of(bench),
        springs=np.array([(j.spring.rate, j.spring.rest) if j.spring else (0.0, 0.0) for j in joints]),
        friction=each([j.joint_friction * s.stall_torque for j, s in zip(joints, servos, strict=True)]),
        stall=each([s.stall_torque for s in servos]),
        free_speed=each([s.no_load_speed for s in servos]),
        rated_voltage=each([s.rated_voltage for s in servos]),
        rotor=each([s.reflected_inertia for s in servos]),
        full_drive=each(
            [s.full_drive_error if j.full_drive is None else j.full_drive for j, s in zip(joints, servos, strict=True)]
        ),
        unseen_play=each([j.unseen_play for j in joints]),
        seen_play=each([bench.seen_play_of(j) for j in joints]),
        compliance=each([j.compliance for j in joints]),
        dead_band=each(
            [s.dead_band_angle if j.dead_band is None else j.dead_band for j, s in zip(joints, servos, strict=True)]
        ),
        limp_friction=each(
            [
                s.limp_friction * s.stall_torque if j.limp_friction is None else j.limp_friction
                for j, s in zip(joints, servos, strict=True)
            ]
        ),
        hand_tremor=each([j.hand_tremor for j in joints]),
    )
