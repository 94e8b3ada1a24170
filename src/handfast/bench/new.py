"""Lay down a new bench folder: the seedling bench, or a blank one with arms of any size."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

from handfast.bench.folder import FEWEST_JOINTS, MOST_JOINTS, BenchFolder
from handfast.errors import FaultError, InputError
from handfast.files.atomic import write_text
from handfast.units import counted

TEMPLATES = Path(__file__).parent / "templates"
FOLDERS = ("routines", "recordings", "readings", "out")

# name, axis, offset from the joint before mm, travel deg, servo, link mass g, link end mm, radius mm, pulse at zero
_YAW = ("yaw", "z", 40, (-90, 90), "standard-metal", 95, 25, 28, 1500)
_SHOULDER = ("shoulder", "y", 30, (-60, 110), "high-torque", 85, 100, 20, 1250)
_UPPER_ROLL = ("upper roll", "z", 50, (-90, 90), "standard-metal", 60, 50, 20, 1500)
_ELBOW = ("elbow", "y", 100, (-30, 135), "standard-metal", 48, 84, 18, 1000)
_FORE_ROLL = ("forearm roll", "z", 50, (-90, 90), "mini-metal", 25, 40, 16, 1500)
_WRIST = ("wrist", "y", 95, (-85, 90), "mini-metal", 30, 34, 16, 1490)
_ROLL = ("roll", "z", 40, (-90, 90), "mini-metal", 12, 15, 15, 1500)

_ARRANGEMENTS = {
    4: (_YAW, _SHOULDER, _ELBOW, _WRIST),
    5: (_YAW, _SHOULDER, _ELBOW, _WRIST, _ROLL),
    6: (_YAW, _SHOULDER, _ELBOW, _FORE_ROLL, (*_WRIST[:2], 45, *_WRIST[3:]), _ROLL),
    7: (
        _YAW,
        _SHOULDER,
        _UPPER_ROLL,
        (*_ELBOW[:2], 50, *_ELBOW[3:]),
        _FORE_ROLL,
        (*_WRIST[:2], 45, *_WRIST[3:]),
        _ROLL,
    ),
}
_AXES = {"y": "[0, 1, 0]", "z": "[0, 0, 1]"}


def new_bench(root: Path, left: int | None = None, right: int | None = None, side_by_side: bool = False) -> BenchFolder:
    """Lay down a bench in `root`, which must be new or empty.

    Without numbers of joints: the seedling bench. With them: a blank bench whose arms have that many joints
    each, opposed 1.4 times their reach apart, or side by side.
    """
    if root.exists() and (not root.is_dir() or any(root.iterdir())):
        raise InputError(
            "is there already and not empty",
            where=str(root),
            expected="a new or empty folder",
            next_step="give another name; nothing was changed",
        )
    blank = left is not None or right is not None or side_by_side
    one, other = (left, right) if left is not None else (right, left)
    first = 5 if one is None else one
    second = first if other is None else other
    counts = (first, second) if left is not None else (second, first)
    for count in counts:
        if not FEWEST_JOINTS <= count <= MOST_JOINTS:
            raise InputError(
                counted(count, "joint"),
                where="--left or --right",
                expected=f"{FEWEST_JOINTS} to {MOST_JOINTS}",
                next_step="the gripper is not counted",
            )
    folder = BenchFolder(root)
    try:
        root.mkdir(parents=True, exist_ok=True)
        for name in FOLDERS:
            (root / name).mkdir(exist_ok=True)
        shutil.copy(TEMPLATES / "stock.toml", folder.stock)
        if not blank:
            shutil.copytree(TEMPLATES / "seedling", root, dirs_exist_ok=True)
    except OSError as error:
        raise FaultError(f"{root}: cannot be made ({error.strerror})") from error
    if blank:
        write_text(folder.file, blank_bench(root.resolve().name, counts, side_by_side))
    return folder


def blank_bench(name: str, counts: tuple[int, int], side_by_side: bool) -> str:
    """The text of a bench.toml for two arms with those numbers of joints."""
    reaches = [_reach(count) for count in counts]
    apart = round(0.7 * (reaches[0] + reaches[1]))
    if side_by_side:
        places = ((0, apart // 2, 0), (0, -apart // 2, 0))
    else:
        places = ((-apart // 2, 0, 0), (apart - apart // 2, 0, 180))
    width = apart + 2 * max(reaches)
    channels = sum(counts) + 2
    lines = [
        "# A blank bench. Measure your arms at zero pose, standing straight up, and replace these figures; they are",
        "# common practice for printed arms, no source. World axes: the origin on the table top, z up. docs/bench.md",
        "# explains every key.",
        "",
        "[bench]",
        # A JSON string is a TOML string too, whatever stands in the folder's name.
        f"name = {json.dumps(name, ensure_ascii=False)}",
        "",
        "[table]",
        f"low_mm = [{-width // 2}, {-width // 2}]",
        f"high_mm = [{width // 2}, {width // 2}]",
        "",
        "[supply]",
        "voltage_V = 6.0",
        "limit_A = 20",
        "",
        "[controller]",
        f"channels = {channels}",
        "",
    ]
    channel = 0
    for side, count, (x, y, yaw) in zip(("left", "right"), counts, places, strict=True):
        lines += [f"[arms.{side}]", f"base_mm = [{x}, {y}, 0]", f"base_yaw_deg = {yaw}", ""]
        for part, axis, offset, travel, servo, mass, end, radius, pulse in _ARRANGEMENTS[count]:
            middle = 0.5 * (travel[0] + travel[1])
            lines += [
                f"[[arms.{side}.joint]]",
                f'name = "{part}"',
                f"axis = {_AXES[axis]}",
                f"offset_mm = [0, 0, {offset}]",
                f"travel_deg = [{travel[0]}, {travel[1]}]",
                f'servo = "{servo}"',
                f"channel = {channel}",
                f"mass_g = {mass}",
                f"com_mm = [0, 0, {round(0.6 * end)}]",
                f"capsule_to_mm = [0, 0, {end}]",
                f"capsule_radius_mm = {radius}",
                f"pulse_at_zero_us = {pulse}",
                f"wiper_at_zero_counts = {round(512 - 2.7 * middle)}",
                "",
            ]
            channel += 1
        lines += [
            f"[arms.{side}.gripper]",
            'servo = "nine-gram"',
            f"channel = {channel}",
            f"tcp_mm = [0, 0, {120 if count == 4 else 80}]",
            "mass_g = 38",
            "com_mm = [0, 0, 30]",
            "radius_mm = 15",
            "",
            f"[arms.{side}.wire]",
            "fuse_A = 7.5",
            "",
        ]
        channel += 1
    lines += [
        "# Describe what the arms handle, one table each:",
        "# [thing.plug-pot]",
        "# size_mm = [40, 40, 48]",
        "# mass_g = 45",
        "# grip_width_mm = 40",
        "",
    ]
    return "\n".join(lines)


def _reach(count: int) -> int:
    """Length of an arm from its second joint to the TCP, mm."""
    parts = _ARRANGEMENTS[count]
    return sum(int(part[2]) for part in parts[2:]) + (120 if count == 4 else 80)
