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


def test_crc_is_the_one_of_the_catalogue() -> None:
    """CRC-16/IBM-3740 (Catalogue of parametrised CRC algorithms): check 29B1; empty input FFFF."""
    assert crc(b"123456789") == 0x29B1
    assert crc(b"") == 0xFFFF


@pytest.mark.parametrize("frame", GOLDEN["good"], ids=lambda f: f["name"])
def test_good_frames_by_the_reference_packages(frame: dict) -> None:
    """Each good frame decodes by cobs and crcmod to version, type, sequence and a CRC that fits."""
    wire = bytes.fromhex(frame["wire"])
    body = cobs.decode(wire[:-1])
    message = next(m for m in TABLE["message"] if m["name"] == frame["message"])
    assert wire.count(0) == 1
    assert wire[-1] == 0
    assert body.hex() == frame["body"]
    assert body[:3] == bytes([TABLE["frame"]["version"], message["type"], frame["sequence"]])
    assert crc(body[:-2]) == int.from_bytes(body[-2:], "big")
    assert crc(body) == 0, "a CRC appended high byte first leaves no remainder"


def test_the_frame_worked_by_hand() -> None:
    """01 02 00 03 00 has CRC 0366 and goes out as 03 01 02 02 03 03 03 66 00, as docs/protocol.md says."""
    assert GOLDEN["good"][0]["wire"] == "030102020303036600"


@pytest.mark.parametrize("frame", GOLDEN["damaged"], ids=lambda f: f["name"])
def test_damaged_frames_are_damaged_as_they_say(frame: dict) -> None:
    """The reference packages find framing and CRC errors where the file says so, and none where it says otherwise."""
    wire = bytes.fromhex(frame["wire"])
    try:
        body = cobs.decode(wire[:-1])
        fits = 5 <= len(body) <= TABLE["frame"]["longest_body"]
    except cobs.DecodeError:
        fits = False
    assert fits == (frame["refused"] != "bad_framing")
    if fits:
        assert (crc(body) == 0) == (frame["refused"] != "bad_crc")


def test_table_and_frames_are_whole() -> None:
    """Every message has good frames; types differ; every payload fits the longest body; ranges fit their kinds."""
    assert {f["message"] for f in GOLDEN["good"]} == {m["name"] for m in TABLE["message"]}
    types = [m["type"] for m in TABLE["message"]]
    assert len(types) == len(set(types))
    size = {"u8": 1, "i8": 1, "u16": 2, "i16": 2, "u32": 4, "text": 1}
    for message in TABLE["message"]:
        length = sum(size[f["kind"]] * f.get("count", 1) for f in message["fields"])
        assert length + 5 <= TABLE["frame"]["longest_body"], message["name"]
