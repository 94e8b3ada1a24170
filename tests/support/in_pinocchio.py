"""A `Chain` and its `Bodies` as a model of pinocchio with coal geometry: an outside reference.

Each joint's frame is parallel to its base at zero pose, as in `Chain`, so nothing is turned between joints.
"""

from __future__ import annotations

import coal
import numpy as np
import pinocchio

from handfast.geometry.rigid import rotation_of
from handfast.mechanics.model import Bodies, Chain

_ALIGNED = (pinocchio.JointModelRX, pinocchio.JointModelRY, pinocchio.JointModelRZ)


def _joint(axis):
    """The leanest joint model for an axis (those along x, y or z have their own)."""
    for k, model in enumerate(_ALIGNED):
        if np.array_equal(axis, np.eye(3)[k]):
            return model()
    return pinocchio.JointModelRevoluteUnaligned(axis)


def model_of(chain: Chain, loads=None, load_offsets=None):
    """The arms side by side in one model, in the order of the chain; tools are frames 'tool 0', 'tool 1'.

    loads (arms,) kg are point masses at load_offsets (arms, 3) from the TCP, in the axes of the last link.
    """
    model = pinocchio.Model()
    model.gravity.linear = chain.gravity
    for arm in range(chain.arms):
        parent = 0
        part = chain.columns(arm)
        for i in range(part.start, part.stop):
            placement = pinocchio.SE3(np.eye(3), chain.offsets[i])
            if parent == 0:
                placement = pinocchio.SE3(chain.bases[arm]) * placement
            parent = model.addJoint(parent, _joint(chain.axes[i]), placement, f"joint {i}")
            body = pinocchio.Inertia(chain.masses[i], chain.coms[i], chain.inertias[i])
            model.appendBodyToJoint(parent, body, pinocchio.SE3.Identity())
        if loads is not None:
            point = chain.tools[arm] + load_offsets[arm]
            weight = pinocchio.Inertia(float(loads[arm]), point, np.zeros((3, 3)))
            model.appendBodyToJoint(parent, weight, pinocchio.SE3.Identity())
        tool = pinocchio.SE3(chain.tool_turns[arm], chain.tools[arm])
        model.addFrame(pinocchio.Frame(f"tool {arm}", parent, 0, tool, pinocchio.FrameType.OP_FRAME))
    return model


def turn_from_z(direction) -> np.ndarray:
    """A rotation that takes z to `direction`."""
    z = np.array([0.0, 0.0, 1.0])
    across = np.cross(z, direction)
    size = np.linalg.norm(across)
    if size < 1e-12:
        return np.eye(3) if direction[2] > 0 else np.diag([1.0, -1.0, -1.0])
    return rotation_of(across / size * np.arctan2(size, direction @ z))


def capsule(start, end, radius: float):
    """coal's capsule between two points, and its placement."""
    length = float(np.linalg.norm(end - start))
    R = turn_from_z((end - start) / length) if length > 0 else np.eye(3)
    return coal.Capsule(radius, length), pinocchio.SE3(R, 0.5 * (start + end))


def geometry_of(chain: Chain, bodies: Bodies, model):
    """The bodies with the watched pairs in the order of `bodies.pairs`; the table is the half space z <= 0."""
    geometry = pinocchio.GeometryModel()
    still = pinocchio.SE3.Identity()
    capsules = []
    for k, link in enumerate(bodies.links):
        shape, placement = capsule(bodies.froms[k], bodies.tos[k], float(bodies.radii[k]))
        body = pinocchio.GeometryObject(f"capsule {k}", int(link) + 1, placement, shape)
        capsules.append(geometry.addGeometryObject(body))
    table = geometry.addGeometryObject(
        pinocchio.GeometryObject("table", 0, still, coal.Halfspace(np.array([0.0, 0.0, 1.0]), 0.0))
    )
    boxes = [
        geometry.addGeometryObject(pinocchio.GeometryObject(f"box {k}", 0, pinocchio.SE3(X), coal.Box(*(2.0 * h))))
        for k, (X, h) in enumerate(zip(bodies.boxes, bodies.box_sizes, strict=True))
    ]
    for kind, a, b in bodies.pairs:
        other = (capsules[b] if kind == 0 else 0, table, boxes[b] if kind == 2 else 0)[kind]
        geometry.addCollisionPair(pinocchio.CollisionPair(capsules[a], other))
    return geometry
