"""The frames in protocol/golden.json against published values and the reference packages crcmod and cobs."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import crcmod.predefined
import pytest
from cobs import cobs

PROTOCOL = Path(__file__).parents[2] / "protocol"
GOLDEN = json.loads((PROTOCOL / "golden.json").read_text())
TABLE = tomllib.loads((PROTOCOL / "wire.toml").read_text())
crc = crcmod.predefined.mkCrcFun("crc-ccitt-false")


def check(last: bytes) -> int | None:
    """The CRC that three check bytes hold (4, 6 and 6 bits above 01), or None if they are no such bytes."""
    bits = "".join(f"{byte:08b}" for byte in last)
    parts = bits[0:8], bits[8:16], bits[16:24]
    if not all(part.endswith("01") for part in parts) or not bits.startswith("00"):
        return None
    return int(parts[0][2:6] + parts[1][:6] + parts[2][:6], 2)


def test_crc_is_the_one_of_the_catalogue() -> None:
    """CRC-16/IBM-3740 (Catalogue of parametrised CRC algorithms): check 29B1; empty input FFFF."""
    assert crc(b"123456789") == 0x29B1
    assert crc(b"") == 0xFFFF


@pytest.mark.parametrize("frame", GOLDEN["good"], ids=lambda f: f["name"])
def test_good_frames_by_the_reference_packages(frame: dict) -> None:
    """Each good frame decodes by cobs to version, type and sequence, and crcmod finds the CRC of its code."""
    wire = bytes.fromhex(frame["wire"])
    body = cobs.decode(wire[:-4])
    message = next(m for m in TABLE["message"] if m["name"] == frame["message"])
    assert wire.count(0) == 1
    assert wire[-1] == 0
    assert body.hex() == frame["body"]
    assert body[:3] == bytes([TABLE["frame"]["version"], message["type"], frame["sequence"]])
    assert check(wire[-4:-1]) == crc(wire[:-4])


def test_the_frame_worked_by_hand() -> None:
    """01 02 00 03 00 is 03 01 02 02 03 01 in COBS, and that has CRC ACDB, as docs/protocol.md says."""
    assert crc(bytes.fromhex("030102020301")) == 0xACDB
    assert GOLDEN["good"][0]["wire"] == "030102020301" + "29cd6d" + "00"


@pytest.mark.parametrize("frame", GOLDEN["damaged"], ids=lambda f: f["name"])
def test_damaged_frames_are_damaged_as_they_say(frame: dict) -> None:
    """The reference packages find framing and CRC errors where the file says so, and none where it says otherwise."""
    wire = bytes.fromhex(frame["wire"])
    code, last = wire[:-4], wire[-4:-1]
    try:
        body = cobs.decode(code)
        fits = 3 <= len(body) <= TABLE["frame"]["longest_body"] and check(last) is not None
    except cobs.DecodeError:
        fits = check(last) not in (None, crc(code))
    assert fits == (frame["refused"] != "bad_framing")
    if fits:
        assert (check(last) == crc(code)) == (frame["refused"] != "bad_crc")


def test_table_and_frames_are_whole() -> None:
    """Every message has good frames; types differ; every payload fits the longest body; ranges fit their kinds."""
    assert {f["message"] for f in GOLDEN["good"]} == {m["name"] for m in TABLE["message"]}
    types = [m["type"] for m in TABLE["message"]]
    assert len(types) == len(set(types))
    size = {"u8": 1, "i8": 1, "u16": 2, "i16": 2, "u32": 4, "text": 1}
    for message in TABLE["message"]:
        length = sum(size[f["kind"]] * f.get("count", 1) for f in message["fields"])
        assert length + 3 <= TABLE["frame"]["longest_body"], message["name"]
