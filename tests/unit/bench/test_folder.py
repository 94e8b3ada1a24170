"""A bench folder: found, read, and checked to fit together."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from handfast.bench.folder import find_bench, read_bench, read_stock
from handfast.errors import InputError
from support.benches import lay_down, line_with, plain_bench


def refusal(tmp_path: Path, *changes: tuple[str, str]) -> list[str]:
    """The lines of the message with which a changed bench is refused, its folder cut off."""
    with pytest.raises(InputError) as caught:
        plain_bench(tmp_path, *changes)
    return str(caught.value).replace(f"{tmp_path}/", "").splitlines()


def test_a_bench_is_read(tmp_path: Path):
    """Two arms of five joints; a few of its numbers in SI."""
    bench = plain_bench(tmp_path)
    assert bench.joint_names[:2] == ("left yaw", "left shoulder")
    assert len(bench.joints) == 10
    assert bench.columns("right") == slice(5, 10)
    assert bench.arm("left").base == pytest.approx((-0.226, 0.0, 0.0))
    assert bench.arm("right").yaw == pytest.approx(math.pi)
    assert bench.servo_of(bench.arms.left.joints[1]).stall_torque == pytest.approx(20 * 0.0980665)
    assert bench.arms.left.joints[3].compliance == pytest.approx(math.radians(4))
    assert bench.thing("plug-pot").mass == pytest.approx(0.045)
    assert bench.ambient_temperature == pytest.approx(296.15)
    assert bench.stop_rule.category == 1


def test_a_bench_is_found_from_inside(tmp_path: Path):
    """The nearest bench.toml upwards; a nested bench wins over the one around it."""
    lay_down(tmp_path / "outer")
    lay_down(tmp_path / "outer" / "routines" / "inner")
    deep = tmp_path / "outer" / "routines" / "inner" / "out"
    deep.mkdir()
    assert find_bench(deep).root == tmp_path / "outer" / "routines" / "inner"
    assert find_bench(tmp_path / "outer" / "routines").root == tmp_path / "outer"


def test_a_bench_is_found_by_name(tmp_path: Path):
    """--bench takes the folder or its bench.toml."""
    folder = lay_down(tmp_path)
    assert find_bench(Path("/"), tmp_path) == folder
    assert find_bench(Path("/"), tmp_path / "bench.toml") == folder


def test_no_bench_says_how_to_get_one(tmp_path: Path):
    """From nowhere, from a wrong folder, and from a file that is no bench."""
    with pytest.raises(InputError, match=r"no bench\.toml here or in any folder above(.|\n)*handfast new DIR"):
        find_bench(tmp_path)
    with pytest.raises(InputError, match=r"no bench\.toml in this folder(.|\n)*handfast new"):
        find_bench(tmp_path, tmp_path / "none")
    (tmp_path / "other.toml").write_text("")
    with pytest.raises(InputError, match=r"other\.toml: is a file(.|\n)*name the folder"):
        find_bench(tmp_path, tmp_path / "other.toml")


def test_the_paths_of_a_bench(tmp_path: Path):
    """All lie inside the folder; routines are listed by name."""
    folder = lay_down(tmp_path)
    assert folder.database.parent == folder.out.parent == folder.recordings.parent == tmp_path
    assert folder.routine_files() == []
    folder.routines.mkdir()
    for name in ("b.toml", "a.toml", "notes.txt"):
        (folder.routines / name).write_text("")
    assert [path.name for path in folder.routine_files()] == ["a.toml", "b.toml"]


def test_a_servo_class_must_be_in_stock(tmp_path: Path):
    """The message names the joint's line, and the nearest class."""
    message = refusal(tmp_path, ('servo = "standard-metal"\nchannel = 2', 'servo = "standard-metall"\nchannel = 2'))
    line = line_with(tmp_path / "bench.toml", "standard-metall")
    assert message[0] == f'bench.toml:{line}: arms.left.joint.3.servo: no servo class "standard-metall" in stock.toml'
    assert "nine-gram" in message[2]
    assert message[2].endswith("(nearest: standard-metal)")
    assert message[3].startswith("  next: choose one of these, or add [servo.standard-metall]")


def test_a_channel_serves_one_servo(tmp_path: Path):
    """The one that has it, and the free ones, are named."""
    message = refusal(tmp_path, ("channels = 12", "channels = 14"), ("channel = 7", "channel = 2"))
    line = line_with(tmp_path / "bench.toml", "channel = 2", 2)
    assert message[0] == (
        f"bench.toml:{line}: arms.right.joint.2.channel: channel 2 is already taken by the left elbow"
    )
    assert message[-1] == "  next: free channels: 7, 12, 13"


def test_no_free_channel_is_said(tmp_path: Path):
    """A full controller has none to offer."""
    message = refusal(tmp_path, ("channels = 12", "channels = 11"), ("channel = 11", "channel = 10"))
    assert message[-1] == "  next: free channels: none; raise controller.channels if it has more"


def test_a_channel_must_exist(tmp_path: Path):
    """Channel 12 of 12 does not: they count from 0."""
    message = refusal(tmp_path, ("channel = 11", "channel = 12"))
    assert message[0].endswith("arms.right.gripper.channel: channel 12 does not exist")
    assert message[1] == "  expected: 0 to 11 (controller.channels = 12)"


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("travel_deg = [-90, 90]", "travel_deg = [90, -90]", "arms.left.joint.1.travel_deg: the travel is empty"),
        ('name = "elbow"', 'name = "yaw"', 'arms.left.joint.3.name: a second joint "yaw"'),
        ("axis = [0, 0, 1]", "axis = [0, 0, 0]", "arms.left.joint.1.axis: the axis has no length"),
        (
            "wiper_counts_per_deg = 2.7",
            "wiper_counts_per_deg = 0",
            "arms.left.joint.1.wiper_counts_per_deg: 0 counts per degree",
        ),
        (
            "travel_deg = [-89, 89]",
            "travel_deg = [-91, 89]",
            "arms.left.joint.5.travel_deg: the travel needs pulses from 489 to 2489 µs",
        ),
        ("pulse_us_per_deg = 11.1", "pulse_us_per_deg = 0", "arms.left.joint.1.pulse_us_per_deg: 0 µs per degree"),
        ("fingers = [0, 0, 1]", "fingers = [0, 0, 0]", "arms.left.gripper.fingers: fingers has no length"),
        ("jaws = [0, 1, 0]", "jaws = [0, 0, -1]", "arms.left.gripper.jaws: jaws lies along fingers"),
        ("opening_mm = [0, 56]", "opening_mm = [56, 56]", "arms.left.gripper.opening_mm: no opening"),
        ("open_deg = 40", "open_deg = -40", "arms.left.gripper.open_deg: equals shut_deg"),
        ("high_mm = [420, 280]", "high_mm = [420, -280]", "table.high_mm: the table has no size"),
    ],
)
def test_parts_that_do_not_fit_are_refused(tmp_path: Path, old: str, new: str, said: str):
    """Each with its line, what was expected and what to do."""
    message = refusal(tmp_path, (old, new))
    changed = line_with(tmp_path / "bench.toml", new, 2 if new == 'name = "yaw"' else 1)
    assert message[0].startswith(f"bench.toml:{changed}: ")
    assert said in message[0]
    assert message[1].startswith("  expected: ")
    assert message[-1].startswith("  next: ")


def test_an_arm_has_four_to_seven_joints(tmp_path: Path):
    """Three are too few."""
    text = (lay_down(tmp_path / "whole").file).read_text(encoding="utf-8")
    start = text.index('[[arms.left.joint]]\nname = "wrist"')
    end = text.index("[arms.left.gripper]")
    message = refusal(tmp_path / "short", (text[start:end], ""))
    assert message[0].endswith("arms.left: the left arm has 3 joints")
    assert message[1] == "  expected: 4 to 7 tables [[arms.left.joint]]"


def test_an_unknown_key_of_a_bench_is_refused(tmp_path: Path):
    """With the nearest known one."""
    message = refusal(tmp_path, ("base_yaw_deg = 0", "base_yaw_dg = 0"))
    assert message[0].endswith("arms.left.base_yaw_dg: unknown key")
    assert message[1].endswith("(nearest: base_yaw_deg)")


def test_stock_must_hold_servo_classes(tmp_path: Path):
    """Another table, no class at all, a number instead of a table, and pulses the wrong way round."""
    path = tmp_path / "stock.toml"
    for text, said in (
        ("[motor.a]\n", r"stock\.toml:1: motor: unknown key(.|\n)*write \[servo\.NAME\]"),
        ("", "no servo class"),
        ("servo = 1\n", "no servo class"),
        ("[servo]\na = 1\n", r"stock\.toml:2: servo\.a: is not a table"),
    ):
        path.write_text(text)
        with pytest.raises(InputError, match=said):
            read_stock(path)
    folder = lay_down(
        tmp_path / "bench",
        stock=(("[servo.nine-gram]", "[servo.nine-gram]\npulse_low_us = 1800\npulse_high_us = 1500"),),
    )
    with pytest.raises(InputError, match=r"servo\.nine-gram: pulse_high_us is not above pulse_low_us"):
        read_bench(folder)


def test_a_bench_without_stock_is_refused(tmp_path: Path):
    """The file that is missing is named."""
    folder = lay_down(tmp_path)
    folder.stock.unlink()
    with pytest.raises(InputError, match=r"stock\.toml: no such file"):
        read_bench(folder)
