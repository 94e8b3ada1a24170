"""The bench as a model description in MJCF, the open format of MuJoCo: arms, jaws, table, boxes, things, paper.

Servos, play and friction are not in it: they act as forces on its joints (see `gear_kernels`).
"""

from __future__ import annotations

import numpy as np

from handfast.bench.parts import SIDES, Bench, Gripper
from handfast.geometry.rigid import Array
from handfast.mechanics.grip import DISC, PAPER_STIFFNESS, PEN_FRICTION, WALLS, groove_friction
from handfast.mechanics.model import Bodies, Chain, bodies_of
from handfast.rehearsal.scene import Placed, Scene, is_rod

JAW_SHARE = 0.05
"""Share of a gripper's mass that each jaw has (common practice, no source)."""

JAW_INERTIA = 0.02
"""What the linkage adds to a jaw's mass, kg, along its way only."""

PAD_DAMPING = 5.0
"""Of the pad under the paper, N·s/m (common practice, no source)."""

PIN_SHARE = 0.05
PIN_INERTIA = 1e-6
PIN_DAMPING = 5e-5
"""A pad that pivots: share of its jaw's mass, kg·m² and N·m·s/rad of its pin (common practice, no source)."""

SKIN_FRICTION = 0.4
"""Things and arms on table and boxes (common practice, no source)."""

TIP = 0.001
"""Radius of a pen's tip, m."""

TAB = (0.012, 0.012)
"""Half length and half height of the tabs by which two hands grip a thing, m, where it is no thinner itself (common
practice, no source)."""

WALL = 0.003
"""Thickness of the floor and side walls of a tray, m."""

PATCH = 0.5
"""Twist that a soft pad bears where it touches at one point only, as share of an evenly pressed disc's (common
practice, no source). Four points bear it together with their friction: sqrt(1 + 0.5²) = 1.12 times the disc's."""

ROUND = 0.47
"""Half side of a square of four points with the same mean friction radius as a round pad of radius 1."""


def _words(numbers: object) -> str:
    return " ".join(repr(float(x)) for x in np.ravel(np.asarray(numbers, dtype=float)))


def frame(X: Array) -> str:
    """A pose as attributes. A rotation goes in as its x and y axes."""
    return f'pos="{_words(X[:3, 3])}" xyaxes="{_words(X[:3, :2].T)}"'


def inertial(mass: float, com: Array, inertia: Array) -> str:
    """Mass properties about the centre of mass, in the axes of the body."""
    I = np.asarray(inertia)
    six = (I[0, 0], I[1, 1], I[2, 2], I[0, 1], I[0, 2], I[1, 2])
    return f'<inertial mass="{float(mass)!r}" pos="{_words(com)}" fullinertia="{_words(six)}"/>'


def without_jaws(mass: float, com: Array, inertia: Array, jaw: float, at: Array) -> tuple[float, Array, Array]:
    """Mass properties of a last link whose two jaws, `jaw` kg each at `at` in the mean, are bodies of their own."""
    rest = mass - 2.0 * jaw
    new = (mass * com - 2.0 * jaw * at) / rest

    def about(m: float, d: Array) -> Array:
        result: Array = m * (d @ d * np.eye(3) - np.outer(d, d))
        return result

    # Parallel axes, backwards: I about the old middle, less the jaws there, moved to the new middle.
    left = inertia - about(2.0 * jaw, at - com) - about(rest, new - com)
    return rest, new, left


def jaw_mass(gripper: Gripper, mass: float, com: Array, inertia: Array) -> float:
    """Mass of one jaw: a share of the gripper's, less where the last link could not spare it."""
    jaw = JAW_SHARE * gripper.mass
    for _ in range(12):
        _, _, left = without_jaws(mass, com, inertia, jaw, np.array(gripper.tcp))
        main = np.linalg.eigvalsh(left)
        if mass > 2.5 * jaw and main[0] > 0.0 and main[0] + main[1] > main[2] * (1.0 + 1e-9):
            return jaw
        jaw *= 0.5
    return jaw


def mjcf(bench: Bench, chain: Chain, scene: Scene, bodies: Bodies | None = None) -> str:
    """The whole model as text. Joints are named 'left shoulder' and so on, jaws 'left jaw +' and 'left jaw -'."""
    bodies = bodies_of(bench) if bodies is None else bodies
    names = bench.joint_names
    capsules: dict[int, list[int]] = {}
    for k, link in enumerate(bodies.links):
        capsules.setdefault(int(link), []).append(k)
    world = [_table(bench)]
    for k, (X, half) in enumerate(zip(bodies.boxes, bodies.box_sizes, strict=True)):
        world.append(
            f'<geom name="box {bodies.box_names[k]}" class="solid" type="box" size="{_words(half)}" {frame(X)}/>'
        )
    for k, (at, half) in enumerate(scene.supports):
        world.append(f'<geom name="support {k}" class="solid" type="box" size="{_words(half)}" pos="{_words(at)}"/>')
    if scene.paper is not None:
        low, high = np.array(bench.table_top.low), np.array(bench.table_top.high)
        size = [*(0.5 * (high - low)), 0.005]
        middle = [*(0.5 * (low + high)), scene.paper - 0.005]
        # A pad gives: it floats on a spring, without weight.
        world.append(
            f'<body name="paper" pos="{_words(middle)}" gravcomp="1"><joint name="paper" type="slide" axis="0 0 1" '
            f'stiffness="{PAPER_STIFFNESS}" damping="{PAD_DAMPING}"/><inertial mass="0.05" pos="0 0 0" '
            'diaginertia="1e-3 1e-3 1e-3"/>'
            f'<geom name="paper" class="paper" type="box" size="{_words(size)}" mass="0" '
            'rgba="0.97 0.97 0.94 1"/></body>'
        )
    pairs = _pairs(bodies)
    pads: list[tuple[str, Gripper]] = []
    for arm, side in enumerate(SIDES):
        part = chain.columns(arm)
        gripper = bench.arm(side).gripper
        text = [f'<body name="{side} base" {frame(chain.bases[arm])}>']
        for i in range(part.start, part.stop):
            mass, com, inertia = float(chain.masses[i]), chain.coms[i], chain.inertias[i]
            last = i == part.stop - 1
            jaw = 0.0
            if last:
                jaw = jaw_mass(gripper, mass, com, inertia)
                mass, com, inertia = without_jaws(mass, com, inertia, jaw, chain.tools[arm])
            text.append(
                f'<body name="{names[i]}" pos="{_words(chain.offsets[i])}">'
                f'<joint name="{names[i]}" type="hinge" axis="{_words(chain.axes[i])}" '
                f'limited="true" range="{_words(chain.travel[i])}"/>' + inertial(mass, com, inertia)
            )
            for k in capsules.get(i, []):
                ends = np.concatenate([bodies.froms[k], bodies.tos[k]])
                shape = (
                    f'type="capsule" fromto="{_words(ends)}" size="{_words(bodies.radii[k])}"'
                    if np.linalg.norm(ends[3:] - ends[:3]) > 1e-9
                    else f'type="sphere" pos="{_words(ends[:3])}" size="{_words(bodies.radii[k])}"'
                )
                text.append(f'<geom name="{bodies.names[k]}" class="arm" {shape} mass="0"/>')
            if last:
                text.append(_hand(side, gripper, chain, arm, jaw))
                pads += [(f"{side} pad {sign}", gripper) for sign in "+-"]
        text.append("</body>" * (part.stop - part.start + 1))
        world += text
    for placed in scene.things:
        world.append(_thing(placed))
        if placed.handed_to is not None:
            world.append(f'<body name="{placed.thing.name} hand" mocap="true" {frame(placed.X_WO)}/>')
        for pad, gripper in pads:
            mu = min(gripper.friction, placed.thing.friction)
            turn = PATCH * DISC * gripper.pad_radius * mu
            if gripper.groove > 0.0 and is_rod(placed.thing):
                # A V-groove about a rod, by what it bears: its walls' friction, and the couple of their pushes.
                turn = WALLS * gripper.pad_radius / float(np.tan(0.5 * gripper.groove))
                mu = groove_friction(mu, gripper.groove)
            for name in geoms_of(placed):
                pairs.append(
                    f'<pair geom1="{pad}" geom2="{name}" condim="4" '
                    f'friction="{mu!r} {mu!r} {turn!r} 1e-6 1e-6" '
                    'solref="0.002 1" solimp="0.95 0.99 0.0002"/>'
                )
        if scene.paper is not None and is_rod(placed.thing):
            mu = PEN_FRICTION
            pairs.append(
                f'<pair name="ink {placed.thing.name}" geom1="{placed.thing.name} tip" geom2="paper" condim="3" '
                f'friction="{mu!r} {mu!r} 0.0001 1e-6 1e-6" solref="0.004 1"/>'
            )
    handed = "".join(
        f'<weld name="handed {p.thing.name}" body1="{p.thing.name} hand" body2="{p.thing.name}" solref="0.03 1"/>'
        for p in scene.things
        if p.handed_to is not None
    )
    return (
        f'<mujoco model="{_plain(bench.about.name)}"><compiler angle="radian" autolimits="true"/>'
        f'<option timestep="0.001" gravity="{_words(chain.gravity)}" integrator="implicitfast" cone="elliptic" '
        'impratio="30" iterations="50" tolerance="1e-8" noslip_iterations="3"/>'
        '<visual><global offwidth="1280" offheight="960"/><headlight ambient="0.4 0.4 0.4"/></visual>'
        '<default><default class="arm"><geom contype="0" conaffinity="0" rgba="0.55 0.6 0.66 1"/></default>'
        f'<default class="solid"><geom contype="4" conaffinity="8" friction="{SKIN_FRICTION} 0.002 0.0001" '
        'solref="0.004 1" rgba="0.75 0.72 0.66 1"/></default>'
        '<default class="paper"><geom contype="0" conaffinity="0"/></default>'
        f'<default class="thing"><geom contype="8" conaffinity="12" friction="{SKIN_FRICTION} 0.002 0.0001" '
        'solref="0.004 1" mass="0" rgba="0.35 0.5 0.35 1"/></default></default>'
        f"<worldbody>{''.join(world)}</worldbody>"
        f"<contact>{''.join(pairs)}</contact><equality>{handed}</equality></mujoco>"
    )


def _plain(name: str) -> str:
    return "".join(c if c.isalnum() or c in " -_" else "-" for c in name)


def _table(bench: Bench) -> str:
    low, high = np.array(bench.table_top.low), np.array(bench.table_top.high)
    size, at = [*(0.5 * (high - low)), 0.02], [*(0.5 * (low + high)), -0.02]
    return f'<geom name="table" class="solid" type="box" size="{_words(size)}" pos="{_words(at)}"/>'


def _pairs(bodies: Bodies) -> list[str]:
    """The pairs that the answers watch, as contacts."""
    found = []
    for kind, a, b in bodies.pairs:
        other = bodies.names[b] if kind == 0 else "table" if kind == 1 else f"box {bodies.box_names[b]}"
        found.append(
            f'<pair geom1="{bodies.names[a]}" geom2="{other}" condim="3" '
            f'friction="{SKIN_FRICTION} {SKIN_FRICTION} 0.001 1e-6 1e-6" solref="0.006 1"/>'
        )
    return found


def _hand(side: str, gripper: Gripper, chain: Chain, arm: int, jaw: float) -> str:
    """A site at the TCP and two jaws that slide along the way they open; z of a pad points along the fingers."""
    R, tip = chain.tool_turns[arm], chain.tools[arm]
    X = np.eye(4)
    X[:3, :3], X[:3, 3] = R, tip
    text = f'<site name="{side} tcp" {frame(X)} size="0.003"/>'
    half = [min(0.5 * gripper.finger_width, gripper.pad_radius) * ROUND, 0.0015, gripper.pad_radius * ROUND]
    finger = [0.35 * gripper.finger_width, 0.002, 0.5 * gripper.finger_length]
    small = [jaw * 1e-4] * 3
    pin = PIN_SHARE * jaw if gripper.pads_pivot else 0.0
    for sign, way in (("+", 1.0), ("-", -1.0)):
        text += (
            f'<body name="{side} jaw {sign}" {frame(X)}>'
            f'<joint name="{side} jaw {sign}" type="slide" axis="0 {way} 0" armature="{JAW_INERTIA}" '
            f'limited="true" range="{_words([0.0, 0.5 * gripper.opening[1] + 0.001])}"/>'
            f'<inertial mass="{jaw - pin!r}" pos="0 0 0" diaginertia="{_words(small)}"/>'
            + _pad(side, sign, pin, half, way)
            + f'<geom name="{side} finger {sign}" class="arm" type="box" size="{_words(finger)}" '
            f'pos="0 {way * 0.004} {-0.5 * gripper.finger_length}"/></body>'
        )
    return text


def _pad(side: str, sign: str, pin: float, half: list[float], way: float) -> str:
    """One pad; where pads pivot it weighs `pin` kg and turns freely on a pin along the line on which the jaws close."""
    geom = (
        f'<geom name="{side} pad {sign}" class="arm" type="box" size="{_words(half)}" pos="0 {way * 0.0015} 0" '
        'rgba="0.2 0.2 0.2 1"/>'
    )
    if pin <= 0.0:
        return geom
    return (
        f'<body name="{side} pad {sign}"><joint name="{side} pin {sign}" type="hinge" axis="0 1 0" '
        f'armature="{PIN_INERTIA}" damping="{PIN_DAMPING}"/><inertial mass="{pin!r}" pos="0 0 0" '
        f'diaginertia="1e-9 1e-9 1e-9"/>{geom}</body>'
    )


def geoms_of(placed: Placed) -> list[str]:
    """Names of the geoms of a thing that pads can press on."""
    name = placed.thing.name
    return [f"{name} tab -", f"{name} tab +"] if placed.span > 0.0 else [name]


def tab_of(placed: Placed, way: float) -> tuple[Array, Array]:
    """Middle (3,) and half size (3,), m, of the tab on one side of a thing (way -1 or 1), in the thing's axes.

    A tab is no higher and no wider than the thing, ends with it, and reaches no lower than its foot: there it would
    stand in what the thing stands on.
    """
    thing = placed.thing
    half = 0.5 * np.array(thing.size)
    thick, at = 0.5 * thing.grip_width, 0.5 * placed.span
    inner, outer, wide = (at - thick, at + thick, TAB[0]) if placed.tabs_across else (at - TAB[0], at + TAB[0], thick)
    if placed.tabs_across:
        wide = min(wide, half[1])
    elif at < half[0]:
        outer = min(outer, half[0])
    high = min(TAB[1], half[2])
    middle = np.array([way * 0.5 * (inner + outer), 0.0, max(thing.grip_height, high - half[2])])
    return middle, np.array([0.5 * (outer - inner), wide, high])


def _thing(placed: Placed) -> str:
    """A thing: a solid block, a rod with a tip, or, where two arms grip it by its rims, an open tray."""
    thing = placed.thing
    size = np.array(thing.size)
    inertia = np.diag(thing.mass / 12.0 * np.array([size[1] ** 2 + size[2] ** 2, size[0] ** 2 + size[2] ** 2,
                                                    size[0] ** 2 + size[1] ** 2]))  # fmt: skip
    text = f'<body name="{thing.name}" {frame(placed.X_WO)}><freejoint name="{thing.name}"/>' + inertial(
        max(thing.mass, 1e-4), np.zeros(3), np.maximum(inertia, np.eye(3) * 1e-8)
    )
    half = 0.5 * size
    if placed.span > 0.0:
        text += (
            f'<geom name="{thing.name}" class="thing" type="box" size="{_words([half[0], half[1], WALL / 2])}" '
            f'pos="{_words([0.0, 0.0, -half[2] + WALL / 2])}"/>'
        )
        for sign, way in (("-", -1.0), ("+", 1.0)):
            middle, tab = tab_of(placed, way)
            text += (
                f'<geom name="{thing.name} tab {sign}" class="thing" type="box" size="{_words(tab)}" '
                f'pos="{_words(middle)}"/>'
                f'<geom class="thing" type="box" size="{_words([half[0], WALL / 2, half[2]])}" '
                f'pos="{_words([0.0, way * (half[1] - WALL / 2), 0.0])}"/>'
                f'<geom class="thing" type="box" size="{_words([WALL / 2, half[1], half[2]])}" '
                f'pos="{_words([way * (half[0] - WALL / 2), 0.0, 0.0])}"/>'
            )
    elif is_rod(thing):
        short = 0.003
        text += (
            f'<geom name="{thing.name}" class="thing" type="box" '
            f'size="{_words([half[0], half[1], half[2] - short / 2])}" pos="{_words([0, 0, short / 2])}"/>'
            f'<geom name="{thing.name} tip" class="paper" type="sphere" size="{TIP}" mass="0" '
            f'pos="{_words([0, 0, -half[2] + TIP])}"/>'
        )
    else:
        text += f'<geom name="{thing.name}" class="thing" type="box" size="{_words(half)}"/>'
    return text + "</body>"
