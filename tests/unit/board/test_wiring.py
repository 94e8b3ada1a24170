"""The wiring sheet, the limits that a bench loads onto a board, and the command that writes the firmware."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from handfast.bench.lines import counts_of
from handfast.board.flash import command, image
from handfast.board.loading import limits_of
from handfast.board.wiring import OUTPUTS, rows, sheet
from handfast.cli.main import main
from handfast.errors import InputError
from support import seedling


def with_channels(count):
    """The seedling bench with so many channels of the controller."""
    bench = seedling.bench()
    return replace(bench, controller=replace(bench.controller, channels=count))


def test_outputs_are_the_compare_units_of_the_16_bit_timers():
    """Data sheet of the ATmega640/1280/2560 (2549), alternate functions of ports B, E, H and L: OC1, 3, 4, 5 A to C."""
    assert dict(OUTPUTS)["PB5"] == "OC1A"
    assert [name for _, name in OUTPUTS] == [f"OC{t}{u}" for t in (1, 3, 4, 5) for u in "ABC"]


def test_every_servo_has_its_row():
    """In order of the channel, with labels that need no colour."""
    found = rows(seedling.bench())
    assert [row.channel for row in found] == list(range(12))
    assert len({row.label.split()[0] for row in found}) == 12
    text = sheet(seedling.bench())
    assert all(row.label in text for row in found)
    for word in ("COMMON GROUND", "pull-down", "fuse 7.5 A", "18 AWG", "relay", "stop switch", "Local codes"):
        assert word in text


def test_a_fuse_that_does_not_protect_its_wire_is_named():
    """24 AWG carries 3.5 A in open air (handbook table, from memory); 7.5 A is too much for it."""
    bench = seedling.bench()
    arm = replace(bench.arms.left, wire=replace(bench.arms.left.wire, gauge=24))
    text = sheet(replace(bench, arms=replace(bench.arms, left=arm)))
    assert text.count("CHECK: a 7.5 A fuse does not protect 24 AWG") == 1
    assert "CHECK" not in sheet(bench)


def test_more_channels_than_outputs_are_refused_in_one_message():
    """And frames that the board does not have."""
    with pytest.raises(
        InputError, match=r"controller\.channels in bench\.toml: the bench has 14 channels\n.*at most 12"
    ):
        limits_of(with_channels(14))
    with pytest.raises(InputError, match=r"a board, real or in memory; .*\n.*without --port and without --board"):
        limits_of(with_channels(13))
    bench = seedling.bench()
    with pytest.raises(InputError, match="frames of 10 ms"):
        limits_of(replace(bench, controller=replace(bench.controller, frame=0.01)))


@pytest.mark.parametrize(("left", "right"), [(5, 6), (6, 6), (7, 7)])
def test_a_new_bench_that_no_board_serves_says_so_at_once(tmp_path, capsys, left, right):
    """The channels, what will be refused and what will work; nothing of it where twelve are enough."""
    assert main(["new", str(tmp_path / "big"), "--left", str(left), "--right", str(right)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert f"note: {left + right + 2} channels are more than the 12 outputs of a board" in out
    assert "Refused for this bench: handfast board, whatever takes --port or --board python" in out
    assert "The rest works, on simulated arms: check," in out
    assert main(["new", str(tmp_path / "small"), "--left", "5", "--right", "5"]) == 0
    assert "note" not in capsys.readouterr().out


def test_limits_are_those_of_the_bench():
    """Travel as pulses, the table on the bench's own line, the window beyond both ends, grippers not watched."""
    bench = seedling.bench()
    limits, channels = limits_of(bench)
    assert (limits.stop_category, limits.stop_time_ms, limits.brown_out_mV) == (1, 600, 4200)
    joint = bench.joints[2]
    c = channels[joint.channel]
    servo = bench.servo_of(joint)
    slope = joint.pulse_slope or servo.pulse_slope
    ends = sorted(round((joint.pulse_at_zero + slope * a) * 8e6) for a in joint.travel)
    assert [c.travel_low, c.travel_high] == pytest.approx(ends, abs=1)
    for angle in np.linspace(*joint.travel, 7):
        wiper = round(float(counts_of(joint, np.array(angle))) * 16)
        pulse, beyond = c.pose_at(wiper)
        assert pulse == pytest.approx((joint.pulse_at_zero + slope * angle) * 8e6, abs=6)
        assert beyond <= 6
        assert c.wiper_at(pulse) == pytest.approx(wiper, abs=6)
    assert c.wiper_low < min(c.wipers)
    assert c.wiper_high > max(c.wipers)
    assert channels[bench.arms.left.gripper.channel].follow == 0
    # 1.3 times the speed without load, per frame of 20 ms.
    assert c.slew == pytest.approx(1.3 * servo.no_load_speed * 0.02 * abs(slope) * 8e6, abs=1)


def test_what_writes_the_firmware(tmp_path):
    """The usual options of avrdude for this chip behind a boot loader: no whole erase, and the image compared."""
    path = tmp_path / "x.hex"
    with pytest.raises(InputError, match="make firmware builds it"):
        image(path)
    path.write_text(":00000001FF\n")
    assert image(path) == path
    words = " ".join(command("/dev/ttyS9", path, "wiring"))
    assert words == f"avrdude -p m2560 -c wiring -P /dev/ttyS9 -b 115200 -D -U flash:w:{path}:i"
