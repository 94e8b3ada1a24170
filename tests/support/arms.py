"""Arms as plain `Chain` objects: textbook ones with numbers by hand, and random ones of many shapes."""

from __future__ import annotations

import numpy as np

from handfast.geometry.rigid import rotation_of
from handfast.mechanics.model import Bodies, Chain

X, Y, Z = np.eye(3)


def one_arm(
    axes,
    offsets,
    tool,
    masses=None,
    coms=None,
    inertias=None,
    base=None,
    tool_turn=None,
    travel=None,
    gravity=(0.0, 0.0, -9.80665),
) -> Chain:
    """A single arm. Every list has one entry per joint; what is left out weighs nothing or turns nothing."""
    K = len(axes)
    axes = np.array(axes, dtype=float)
    return Chain(
        first=np.array([0, K]),
        bases=np.array([np.eye(4) if base is None else base]),
        offsets=np.array(offsets, dtype=float),
        axes=np.ascontiguousarray(axes / np.linalg.norm(axes, axis=1, keepdims=True)),
        masses=np.zeros(K) if masses is None else np.array(masses, dtype=float),
        coms=np.zeros((K, 3)) if coms is None else np.array(coms, dtype=float),
        inertias=np.zeros((K, 3, 3)) if inertias is None else np.array(inertias, dtype=float),
        tools=np.array([tool], dtype=float),
        tool_turns=np.array([np.eye(3) if tool_turn is None else tool_turn], dtype=float),
        travel=np.array([(-np.pi, np.pi)] * K if travel is None else travel, dtype=float),
        gravity=np.array(gravity, dtype=float),
    )


def planar(lengths, masses=None, axis=Z, gravity=(0.0, -9.81, 0.0)) -> Chain:
    """A planar arm along x that turns about `axis`, with point masses (kg) at the ends of its links."""
    K = len(lengths)
    along = np.zeros((K, 3))
    along[:, 0] = lengths
    return one_arm(
        axes=[axis] * K,
        offsets=np.vstack([np.zeros(3), along[:-1]]),
        tool=along[-1],
        masses=masses,
        coms=along,
        gravity=gravity,
    )


def from_screws(screws, home, **more) -> Chain:
    """An arm from its screw axes at zero pose, rows (angular, linear), and the tool's pose there (product of
    exponentials; Lynch & Park, section 4.1). Axes must have length one and no pitch."""
    screws, home = np.array(screws, dtype=float), np.array(home, dtype=float)
    on_axis = np.cross(screws[:, :3], screws[:, 3:])  # the point of each axis nearest to the origin
    return one_arm(
        axes=screws[:, :3],
        offsets=np.diff(on_axis, axis=0, prepend=np.zeros((1, 3))),
        tool=home[:3, 3] - on_axis[-1],
        tool_turn=home[:3, :3],
        **more,
    )


def side_by_side(left: Chain, right: Chain) -> Chain:
    """Two single arms as one pair."""
    K = left.joints

    def both(name: str) -> np.ndarray:
        return np.concatenate([getattr(left, name), getattr(right, name)])

    names = ("bases", "offsets", "axes", "masses", "coms", "inertias", "tools", "tool_turns", "travel")
    return Chain(first=np.array([0, K, K + right.joints]), gravity=left.gravity, **{name: both(name) for name in names})


def random_pose(rng: np.random.Generator, size: float = 0.5) -> np.ndarray:
    """A pose anywhere within `size` m, turned anyhow."""
    X_WB = np.eye(4)
    X_WB[:3, :3] = rotation_of(rng.normal(size=3))
    X_WB[:3, 3] = rng.uniform(-size, size, 3)
    return X_WB


def random_inertia(rng: np.random.Generator, mass: float) -> np.ndarray:
    """Inertia of a brick of that mass, turned anyhow: always one that a real body can have."""
    a, b, c = rng.uniform(0.02, 0.1, 3) ** 2
    R = rotation_of(rng.normal(size=3))
    return R @ np.diag([b + c, a + c, a + b]) @ R.T * mass / 12.0


def random_arm(rng: np.random.Generator, joints: int, square: bool = False) -> Chain:
    """An arm with members of 20 to 120 mm and a base turned anyhow; `square` keeps axes along x, y or z."""
    if square:
        axes = np.eye(3)[rng.integers(0, 3, joints)] * rng.choice([-1.0, 1.0], (joints, 1))
    else:
        axes = rng.normal(size=(joints, 3))
    masses = rng.uniform(0.01, 0.12, joints)
    middle = rng.uniform(-1.0, 1.0, joints)
    half = rng.uniform(0.6, 1.6, joints)
    return one_arm(
        axes=axes,
        offsets=rng.uniform(-0.08, 0.08, (joints, 3)),
        tool=rng.uniform(-0.08, 0.08, 3),
        masses=masses,
        coms=rng.uniform(-0.05, 0.05, (joints, 3)),
        inertias=[random_inertia(rng, m) for m in masses],
        base=random_pose(rng),
        tool_turn=rotation_of(rng.normal(size=3)),
        travel=np.column_stack([middle - half, middle + half]),
    )


def random_pair(rng: np.random.Generator, square: bool = False) -> Chain:
    """Two arms with 4 to 7 joints each, never the same number."""
    left, right = rng.choice([4, 5, 6, 7], 2, replace=False)
    return side_by_side(random_arm(rng, int(left), square), random_arm(rng, int(right), square))


def random_bodies(rng: np.random.Generator, chain: Chain, boxes: int = 2) -> Bodies:
    """A capsule on every link, one fixed to the world, some boxes, and every pair of different links watched."""
    links = np.array([-1, *range(chain.joints)])
    C = len(links)
    pairs = [(0, a, b) for a in range(C) for b in range(a + 1, C)]
    pairs += [(1, a, 0) for a in range(C)]
    pairs += [(2, a, b) for a in range(C) for b in range(boxes)]
    return Bodies(
        links=links,
        froms=rng.uniform(-0.06, 0.06, (C, 3)),
        tos=rng.uniform(-0.06, 0.06, (C, 3)),
        radii=rng.uniform(0.005, 0.03, C),
        boxes=np.array([random_pose(rng) for _ in range(boxes)]).reshape(-1, 4, 4),
        box_sizes=rng.uniform(0.02, 0.1, (boxes, 3)),
        pairs=np.array(pairs),
        names=tuple(f"body {i}" for i in range(C)),
        box_names=tuple(f"box {i}" for i in range(boxes)),
    )
