"""The wire table, its golden frames, and what a receiver drops."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from handfast.board.codec import Damaged, Receiver, Refused, body, decode, encode, wire

ROOT = Path(__file__).resolve().parents[3]
GOLDEN = json.loads((ROOT / "protocol" / "golden.json").read_text())


def tupled(fields):
    """Lists of the file as the codec has them."""
    return {name: tuple(v) if isinstance(v, list) else v for name, v in fields.items()}


def test_the_package_ships_the_table_of_the_protocol():
    """An installed package has the table that the firmware is built from."""
    ours = ROOT / "src" / "handfast" / "board" / "wire.toml"
    assert ours.read_bytes() == (ROOT / "protocol" / "wire.toml").read_bytes()


@pytest.mark.parametrize("golden", GOLDEN["good"], ids=lambda g: g["name"])
def test_golden_frames_are_made_and_taken(golden):
    """Byte for byte what the table's own maker (with reference packages) wrote."""
    values = tupled(golden["fields"])
    assert body(golden["message"], golden["sequence"], **values).hex() == golden["body"]
    frame = encode(golden["message"], golden["sequence"], **values)
    assert frame.hex() == golden["wire"]
    message = decode(frame[:-1])
    assert (message.name, message.sequence, message.values) == (golden["message"], golden["sequence"], values)


@pytest.mark.parametrize("golden", GOLDEN["damaged"], ids=lambda g: g["name"])
def test_golden_damaged_frames_are_refused(golden):
    """None of them gives a message, and each is counted as what it is."""
    kind = wire().kinds.get(golden["name"].split(":")[0])
    receiver = Receiver(to_board=kind is None or kind.to_board)
    found = list(receiver.feed(bytes.fromhex(golden["wire"])))
    assert all(isinstance(f, Refused) for f in found)
    reasons = [f.reason for f in found]
    counted = {name for name, count in receiver.counts.items() if count}
    assert golden["refused"] in counted | set(reasons), (counted, reasons)


def test_a_frame_that_comes_twice_is_taken_once():
    """The second has an old sequence number; 128 steps on is old, too; identify starts anew."""
    receiver = Receiver(to_board=True)
    assert [m.name for m in receiver.feed(encode("heartbeat", 5, permission=1) * 2)] == ["heartbeat"]
    assert list(receiver.feed(encode("heartbeat", 5 + 128, permission=1))) == []
    assert len(list(receiver.feed(encode("heartbeat", 5 + 127, permission=1)))) == 1
    assert len(list(receiver.feed(encode("identify", 0, nonce=1, protocol=1)))) == 1
    assert len(list(receiver.feed(encode("heartbeat", 1, permission=1)))) == 1
    assert receiver.counts["old_sequence"] == 2


def test_a_stop_is_obeyed_however_old():
    """And counted as old."""
    receiver = Receiver(to_board=True)
    list(receiver.feed(encode("heartbeat", 9, permission=0)))
    assert [m.name for m in receiver.feed(encode("stop", 9) * 2)] == ["stop", "stop"]
    assert receiver.counts["old_sequence"] == 2


def test_a_receiver_starts_afresh_behind_damage():
    """Noise, an endless frame and half a frame cost nothing but themselves."""
    receiver = Receiver(to_board=True)
    good = encode("detach", 1, mask=3)
    noise = bytes(range(1, 200)) + b"\0" + good[:4] + b"\0"
    assert [m.name for m in receiver.feed(noise + b"\0\0" + good)] == ["detach"]
    assert receiver.counts["bad_framing"] == 2


def test_values_outside_the_table_are_not_sent_and_are_refused():
    """Encoding says what; a frame that another host made is answered with the field."""
    with pytest.raises(ValueError, match=r"detach\.mask = 4096 is outside"):
        encode("detach", 0, mask=4096)
    with pytest.raises(ValueError, match="no field speed"):
        encode("detach", 0, mask=1, speed=3)
    from handfast.board.framing import sealed

    raw = bytes([1, wire().kinds["detach"].type, 0]) + (4096).to_bytes(2, "little")
    frame = sealed(raw)
    with pytest.raises(Refused) as refused:
        decode(frame)
    assert (refused.value.reason, refused.value.where) == ("range", 0)


def test_what_is_too_short_or_too_long_is_damaged():
    """Before anything else is looked at."""
    with pytest.raises(Damaged):
        decode(b"\x02\x01")
    with pytest.raises(Damaged):
        decode(b"\x01" * 300)
