"""A plain codec for tests, driven by protocol/wire.toml, with CRC and COBS of the reference packages."""

from __future__ import annotations

import struct
import tomllib
from pathlib import Path
from typing import Any

import crcmod.predefined
from cobs import cobs

TABLE = tomllib.loads((Path(__file__).parents[2] / "protocol" / "wire.toml").read_text())
BY_NAME = {m["name"]: m for m in TABLE["message"]}
BY_TYPE = {m["type"]: m for m in TABLE["message"]}
LETTERS = {"u8": "B", "i8": "b", "u16": "H", "i16": "h", "u32": "I"}
crc = crcmod.predefined.mkCrcFun("crc-ccitt-false")


def names(group: str) -> dict[int, str]:
    """Numbers to names of a group of the table, e.g. `states`."""
    return {number: name for name, number in TABLE[group].items()}


def encode(name: str, sequence: int, **fields: Any) -> bytes:
    """The bytes on the wire."""
    message = BY_NAME[name]
    payload = b""
    for field in message["fields"]:
        value = fields.pop(field["name"])
        several = list(value) if isinstance(value, (list, tuple)) else [value]
        payload += struct.pack("<" + LETTERS[field["kind"]] * len(several), *several)
    assert not fields, f"{name} has no {sorted(fields)}"
    body = bytes([TABLE["frame"]["version"], message["type"], sequence & 255]) + payload
    return on_wire(body)


def on_wire(body: bytes) -> bytes:
    """COBS, then the CRC of that in three bytes of 4, 6 and 6 bits above 01, then 00: as docs/protocol.md has it."""
    code = cobs.encode(body)
    bits = f"{crc(code):016b}"
    return code + bytes(int(part + "01", 2) for part in (bits[:4], bits[4:10], bits[10:])) + b"\0"


def decode(wire: bytes) -> dict[str, Any]:
    """Name, sequence and fields of one frame from the board; an AssertionError if it is not one."""
    body = cobs.decode(wire.rstrip(b"\0")[:-3])
    assert wire.rstrip(b"\0") + b"\0" == on_wire(body)
    assert body[0] == TABLE["frame"]["version"]
    message = BY_TYPE[body[1]]
    out: dict[str, Any] = {"name": message["name"], "sequence": body[2]}
    at = 3
    for field in message["fields"]:
        count = field.get("count", 1)
        if field["kind"] == "text":
            out["text"] = body[at : at + count].rstrip(b"\0").decode("ascii")
            at += count
            continue
        form = "<" + LETTERS[field["kind"]] * count
        values = struct.unpack_from(form, body, at)
        at += struct.calcsize(form)
        key = "called" if field["name"] == "name" else field["name"]
        out[key] = values[0] if count == 1 else list(values)
    assert at == len(body)
    return out
