"""The bench in open formats: arms as URDF with capsules, a motion as CSV; the whole twin is MJCF (see `mjcf`).

A capsule has no shape of its own in URDF: it is written as a cylinder with a sphere at each end.
"""

from __future__ import annotations

from xml.sax.saxutils import quoteattr

import numpy as np

from handfast.bench.parts import SIDES, Bench, Side
from handfast.geometry.rigid import Array
from handfast.mechanics.model import bodies_of, chain_of
from handfast.motion.plan import Motion
from handfast.units import DEGREE


def _words(numbers: object) -> str:
    return " ".join(repr(float(x)) for x in np.ravel(np.asarray(numbers, dtype=float)))


def _rpy(R: Array) -> str:
    """Fixed-axis roll, pitch, yaw of a rotation, as URDF has them: R = Rz(yaw)·Ry(pitch)·Rx(roll)."""
    pitch = np.arctan2(-R[2, 0], np.hypot(R[0, 0], R[1, 0]))
    if np.hypot(R[0, 0], R[1, 0]) < 1e-9:
        return _words([0.0, pitch, np.arctan2(-R[0, 1] * np.sign(-R[2, 0]), R[1, 1])])
    return _words([np.arctan2(R[2, 1], R[2, 2]), pitch, np.arctan2(R[1, 0], R[0, 0])])


def _along(direction: Array) -> Array:
    """A rotation whose z lies along a direction."""
    z = direction / np.linalg.norm(direction)
    x = np.array([1.0, 0.0, 0.0]) if abs(z[0]) < 0.9 else np.array([0.0, 1.0, 0.0])
    y = np.cross(z, x)
    y /= np.linalg.norm(y)
    return np.column_stack([np.cross(y, z), y, z])


def _shapes(start: Array, end: Array, radius: float) -> list[str]:
    ball = f'<geometry><sphere radius="{radius!r}"/></geometry>'
    found = [f'<origin xyz="{_words(start)}"/>{ball}']
    length = float(np.linalg.norm(end - start))
    if length > 1e-9:
        found.append(f'<origin xyz="{_words(end)}"/>{ball}')
        found.append(
            f'<origin xyz="{_words(0.5 * (start + end))}" rpy="{_rpy(_along(end - start))}"/>'
            f'<geometry><cylinder radius="{radius!r}" length="{length!r}"/></geometry>'
        )
    return found


def urdf(bench: Bench, side: Side) -> str:
    """One arm as URDF, its base link standing in the world as the bench has it; the last link ends in `tcp`."""
    arm = SIDES.index(side)
    chain, bodies = chain_of(bench).only(arm), bodies_of(bench)
    first = bench.columns(side).start
    names = [f"{side} {joint.name}".replace(" ", "_") for joint in bench.arm(side).joints]
    X = chain.bases[0]
    text = [
        f'<robot name={quoteattr(f"{bench.about.name}, {side} arm")}><link name="world"/><link name="{side}_base"/>',
        f'<joint name="{side}_bolts" type="fixed"><parent link="world"/><child link="{side}_base"/>'
        f'<origin xyz="{_words(X[:3, 3])}" rpy="{_rpy(X[:3, :3])}"/></joint>',
    ]
    parent = f"{side}_base"
    for i, name in enumerate(names):
        I = chain.inertias[i]
        joint = bench.arm(side).joints[i]
        servo = bench.servo_of(joint)
        shapes = [
            shape
            for k in np.flatnonzero(bodies.links == first + i)
            for shape in _shapes(bodies.froms[k], bodies.tos[k], float(bodies.radii[k]))
        ]
        body = "".join(f"<visual>{shape}</visual><collision>{shape}</collision>" for shape in shapes)
        low, high = chain.travel[i]
        text.append(
            f'<link name="{name}_link"><inertial><origin xyz="{_words(chain.coms[i])}"/>'
            f'<mass value="{float(chain.masses[i])!r}"/><inertia ixx="{I[0, 0]}" ixy="{I[0, 1]}" ixz="{I[0, 2]}" '
            f'iyy="{I[1, 1]}" iyz="{I[1, 2]}" izz="{I[2, 2]}"/></inertial>{body}</link>'
            f'<joint name="{name}" type="revolute"><parent link="{parent}"/><child link="{name}_link"/>'
            f'<origin xyz="{_words(chain.offsets[i])}"/><axis xyz="{_words(chain.axes[i])}"/>'
            f'<limit lower="{float(low)!r}" upper="{float(high)!r}" effort="{servo.stall_torque!r}" '
            f'velocity="{servo.no_load_speed!r}"/></joint>'
        )
        parent = f"{name}_link"
    text.append(
        f'<link name="{side}_tcp"/><joint name="{side}_fingers" type="fixed"><parent link="{parent}"/>'
        f'<child link="{side}_tcp"/><origin xyz="{_words(chain.tools[0])}" rpy="{_rpy(chain.tool_turns[0])}"/></joint>'
    )
    return '<?xml version="1.0"?>\n' + "\n".join([*text, "</robot>"]) + "\n"


def motion_csv(bench: Bench, motion: Motion) -> str:
    """A motion as CSV: time in s, every joint's angle in degrees, both gaps in mm, a row per sample."""
    names = [f"{name.replace(' ', '_')}_deg" for name in bench.joint_names]
    rows = [",".join(["t_s", *names, "left_gap_mm", "right_gap_mm"])]
    for t, q, gaps in zip(motion.t, motion.q / DEGREE, motion.gaps * 1e3, strict=True):
        rows.append(",".join([f"{t:.3f}", *(f"{x:.5f}" for x in q), *(f"{x:.3f}" for x in gaps)]))
    return "\n".join(rows) + "\n"
