"""How things stand where they are put down: a thing is upright where it is taken, and turns with the hands from there.

A thing is put down where the last hand that holds it lets go. What a person hands over, and every pen, is left out: the
person takes it back.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from handfast.bench.parts import SIDES, Bench, Gripper, Side, Thing
from handfast.geometry.rigid import Array, inverse, pose, rotation_of
from handfast.mechanics.kinematics import tool_poses
from handfast.mechanics.model import Model
from handfast.motion.carrying import thing_pose
from handfast.routine.steps import Routine

LOW = 0.003
"""A thing whose foot is this near to the table top stands on it, m."""

HANDED = 0.030
"""A thing whose foot is higher than this where it is taken is handed over by a person, m (a support that high is
unlikely)."""

LAID = np.radians(45.0)
"""What leans more than this where it is put down comes to lie, rad."""

Hands = Mapping[tuple[int, Side], Array]
"""Pose (4, 4) of a hand at the end of a step; of a pass, where both hands hold the thing."""


@dataclass(frozen=True)
class PutDown:
    """A thing that is let go and that no other hand holds: in which step, by which hands, and its pose X_WO (4, 4).

    taken (4, 4): where it was taken, upright. box (3,) m: its extents along the axes of these poses, of which y is
    across the jaws, or across the line between two hands.
    """

    step: int
    sides: tuple[Side, ...]
    thing: Thing
    box: Array
    taken: Array
    X_WO: Array

    @property
    def lean(self) -> float:
        """Turn of its axis away from upright, rad."""
        return float(np.arccos(np.clip(self.X_WO[2, 2], -1.0, 1.0)))

    @property
    def foot(self) -> float:
        """Height of its lowest corner above the table, m."""
        return lowest(self.box, self.X_WO)

    @property
    def laid(self) -> bool:
        """Whether it comes to lie on a side."""
        return bool(self.lean > LAID)

    @property
    def off(self) -> float:
        """Turn, rad, from standing flat on the face that it comes to stand or lie on."""
        return float(np.arccos(np.clip(np.abs(self.X_WO[2, :3]).max(), -1.0, 1.0))) if self.laid else self.lean

    @property
    def tips(self) -> float:
        """Turn, rad, from standing flat on that face, at which its middle is above the edge and it falls over."""
        face = int(np.argmax(np.abs(self.X_WO[2, :3]))) if self.laid else 2
        return tipping(self.box, face)


def box_of(thing: Thing) -> Array:
    """Extents (3,) m of a thing as a hand meets it: across the jaws its grip width, the other two as they are."""
    size = np.array(thing.size)
    other = size[0] if abs(size[1] - thing.grip_width) <= abs(size[0] - thing.grip_width) else size[1]
    return np.array([other, thing.grip_width, size[2]])


def lowest(box: Array, X_WO: Array) -> float:
    """Height, m, of the lowest corner of a box of extents (3,) m at X_WO (4, 4)."""
    return float(X_WO[2, 3] - np.abs(X_WO[2, :3]) @ (0.5 * box))


def tipping(box: Array, face: int = 2) -> float:
    """Turn, rad, at which a box of extents (3,) m, its axis `face` upright, falls over its nearest edge."""
    half = 0.5 * box
    return float(np.arctan2(min(half[i] for i in range(3) if i != face), half[face]))


def held_upright(X_WT: Array, thing: Thing) -> Array:
    """Pose (4, 4) of a thing in the hand `X_TO` that gripped it at `X_WT`: upright, its y along the jaws."""
    y = X_WT[:3, 1] * np.array([1.0, 1.0, 0.0])
    size = float(np.linalg.norm(y))
    y = y / size if size > 0.3 else np.array([0.0, 1.0, 0.0])
    z = np.array([0.0, 0.0, 1.0])
    R = np.column_stack([np.cross(y, z), y, z])
    X_WO = pose(R, X_WT[:3, 3] - np.array([0.0, 0.0, thing.grip_height]))
    result: Array = inverse(X_WT) @ X_WO
    return result


def level(X_WO: Array) -> Array:
    """A pose (4, 4) turned upright, its x as it runs from above."""
    x = X_WO[:3, 0] * np.array([1.0, 1.0, 0.0])
    x = x / max(float(np.linalg.norm(x)), 1e-9)
    z = np.array([0.0, 0.0, 1.0])
    return pose(np.column_stack([x, np.cross(z, x), z]), X_WO[:3, 3])


def held_by(gripper: Gripper, thing: Thing, X_WT: Array, X_WO: Array) -> Array:
    """Pose (4, 4) of a thing in a hand at X_WT, at X_WO if it does not turn in it.

    Pads that pivot let what is gripped above its middle turn about the line of the jaws until it hangs.
    """
    if not gripper.pads_pivot or thing.grip_height <= 0.0:
        return X_WO
    jaws, z, up = X_WT[:3, 1], X_WO[:3, 2], np.array([0.0, 0.0, 1.0])
    a, b = z - (z @ jaws) * jaws, up - (up @ jaws) * jaws
    R = rotation_of(jaws * np.arctan2(jaws @ np.cross(a, b), a @ b))
    return pose(R @ X_WO[:3, :3], X_WT[:3, 3] + R @ (X_WO[:3, 3] - X_WT[:3, 3]))


@dataclass
class _Holding:
    """A thing on its way: where it was taken, X_WO where it is, and which hands hold it."""

    thing: Thing
    box: Array
    taken: Array
    X_WO: Array
    sides: tuple[Side, ...]


class _Walk:
    def __init__(self, bench: Bench, hands: Hands):
        self.bench, self.hands = bench, hands
        self.at: dict[Side, Array] = {}
        self.held: dict[str, _Holding] = {}
        self.down: list[PutDown] = []

    def run(self, routine: Routine) -> list[PutDown]:
        for number, step in enumerate(routine.steps):
            at = {side: self.hands[number, side] for side in step.sides if (number, side) in self.hands}
            self._moved(at)
            if step.do == "grip" and step.thing is not None:
                self._grip(step.thing, tuple(side for side in step.sides if side in self.at))
            elif step.do == "pass" and step.thing in self.held:
                one = self.held[step.thing]
                one.X_WO = self._hung(one)
                one.sides = ("right",) if step.giver == "left" else ("left",)
            elif step.do == "release":
                self._release(number, step.sides)
        return self.down

    def _frame(self, sides: tuple[Side, ...]) -> Array:
        """Pose (4, 4) with which a thing in these hands moves."""
        return self.at[sides[0]] if len(sides) == 1 else thing_pose(np.array([self.at[side] for side in SIDES]))

    def _moved(self, at: dict[Side, Array]) -> None:
        before = {name: self._frame(one.sides) for name, one in self.held.items()}
        self.at.update(at)
        for name, one in self.held.items():
            one.X_WO = self._frame(one.sides) @ inverse(before[name]) @ one.X_WO

    def _grip(self, name: str, sides: tuple[Side, ...]) -> None:
        thing = self.bench.thing(name)
        if not sides:
            return
        if name in self.held:
            one = self.held[name]
            one.sides = tuple(side for side in SIDES if side in (*one.sides, *sides))
            return
        if len(sides) == 2:
            # Between two hands its own x runs from one to the other.
            box, X = np.array(thing.size), level(self._frame(sides))
            X_WO = pose(X[:3, :3], X[:3, 3] - np.array([0.0, 0.0, thing.grip_height]))
        else:
            box, X_WO = box_of(thing), self.at[sides[0]] @ held_upright(self.at[sides[0]], thing)
        self.held[name] = _Holding(thing, box, X_WO, X_WO, sides)

    def _hung(self, one: _Holding) -> Array:
        """Where a thing is (4, 4): in one hand whose pads pivot it hangs."""
        if len(one.sides) == 2:
            return one.X_WO
        side = one.sides[0]
        return held_by(self.bench.arm(side).gripper, one.thing, self.at[side], one.X_WO)

    def _release(self, number: int, sides: tuple[Side, ...]) -> None:
        for name, one in list(self.held.items()):
            left = tuple(side for side in one.sides if side not in sides)
            if left == one.sides:
                continue
            if left:
                one.sides = left
                continue
            del self.held[name]
            if not (one.thing.is_rod or lowest(one.box, one.taken) > HANDED):
                self.down.append(PutDown(number, one.sides, one.thing, one.box, one.taken, self._hung(one)))


def put_downs(bench: Bench, routine: Routine, hands: Hands) -> list[PutDown]:
    """Every place where a thing is put down, the hands being where `hands` says."""
    return _Walk(bench, hands).run(routine)


def taught_hands(model: Model, routine: Routine) -> dict[tuple[int, Side], Array]:
    """Where the hands are (4, 4) at the end of each step that has a taught pose or path, by its angles."""
    found: dict[tuple[int, Side], Array] = {}
    for number, step in enumerate(routine.steps):
        for arm, side in enumerate(SIDES):
            said = step.taught(side)
            if said is not None and (said.pose is not None or said.path is not None):
                q = np.array(said.pose if said.path is None else said.path[-1])
                found[number, side] = tool_poses(model.chain.only(arm), q)[0, 0]
    return found
