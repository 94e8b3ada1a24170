"""Write golden.json: frames that every codec must make and take, and damaged ones that every codec must refuse.

CRC and COBS come from the packages crcmod and cobs, not from any codec of this repository. Run it after a change of
wire.toml: `python protocol/make_golden.py`.
"""

from __future__ import annotations

import json
import random
import struct
import tomllib
from pathlib import Path

import crcmod.predefined
from cobs import cobs

HERE = Path(__file__).parent
TABLE = tomllib.loads((HERE / "wire.toml").read_text())
LETTERS = {"u8": "B", "i8": "b", "u16": "H", "i16": "h", "u32": "I"}
KIND_RANGE = {"u8": (0, 255), "i8": (-128, 127), "u16": (0, 65535), "i16": (-32768, 32767), "u32": (0, 2**32 - 1)}
crc = crcmod.predefined.mkCrcFun("crc-ccitt-false")  # the same as CRC-16/IBM-3740


def payload(message: dict, values: dict) -> bytes:
    """The payload of a message."""
    out = b""
    for field in message["fields"]:
        value = values[field["name"]]
        if field["kind"] == "text":
            out += value.encode("ascii").ljust(field["count"], b"\0")
        else:
            several = value if isinstance(value, list) else [value]
            out += struct.pack("<" + LETTERS[field["kind"]] * len(several), *several)
    return out


def check(code: bytes) -> bytes:
    """The CRC of a code in three bytes: 4, 6 and 6 bits, high ones first, each above the two bits 01."""
    bits = f"{crc(code):016b}"
    return bytes(int(part + "01", 2) for part in (bits[:4], bits[4:10], bits[10:]))


def on_wire(body: bytes) -> bytes:
    """What goes over the line."""
    code = cobs.encode(body)
    return code + check(code) + b"\0"


def choose(message: dict, how: str, draw: random.Random) -> dict:
    """Values for every field: the lowest, the highest, or drawn."""
    values: dict = {}
    for field in message["fields"]:
        if field["kind"] == "text":
            values[field["name"]] = {"low": "", "high": "~" * field["count"], "drawn": "handfast"}[how]
            continue
        full = KIND_RANGE[field["kind"]]
        low, high = field.get("low", full[0]), field.get("high", full[1])
        if how == "low":
            one = [0 if "zero" in field else low] * field.get("count", 1)
        elif how == "high":
            one = [high] * field.get("count", 1)
        else:
            one = [draw.randint(low, high) for _ in range(field.get("count", 1))]
        values[field["name"]] = one if field.get("count", 1) > 1 else one[0]
    return values


def main() -> None:
    """Write the file."""
    draw = random.Random(20)
    version = TABLE["frame"]["version"]
    by_name = {m["name"]: m for m in TABLE["message"]}
    good, damaged = [], []

    def add(name: str, message: dict, sequence: int, values: dict) -> bytes:
        body = bytes([version, message["type"], sequence]) + payload(message, values)
        good.append(
            {
                "name": name, "message": message["name"], "sequence": sequence, "fields": values,
                "body": body.hex(), "wire": on_wire(body).hex(),
            }
        )  # fmt: skip
        return body

    add("worked by hand in docs/protocol.md", by_name["detach"], 0, {"mask": 3})
    for message in TABLE["message"]:
        for how in ("low", "high", "drawn") if message["fields"] else ("low",):
            sequence = {"low": 0, "high": 255, "drawn": draw.randint(1, 254)}[how]
            add(f"{message['name']}, {how}", message, sequence, choose(message, how, draw))

    def bad(name: str, refused: str, wire: bytes) -> None:
        damaged.append({"name": name, "refused": refused, "wire": wire.hex()})

    body = bytes([version, by_name["target"]["type"], 7]) + payload(
        by_name["target"], choose(by_name["target"], "drawn", draw)
    )
    wire = on_wire(body)
    code = wire[:-4]
    bad("one bit of the payload", "bad_crc", wire[:8] + bytes([wire[8] ^ 0x10]) + wire[9:])
    bad("one bit of the CRC", "bad_crc", wire[:-2] + bytes([wire[-2] ^ 0x80, 0]))
    bad("CRC of the body in place of its code's", "bad_crc", code + check(body) + b"\0")
    bad("last byte missing", "bad_crc", cobs.encode(body[:-1]) + wire[-4:])
    bad("code byte that points elsewhere, check as it was", "bad_crc", bytes([wire[0] + 1]) + wire[1:])
    bad("cut off on the line", "bad_framing", wire[:-2] + b"\0")
    bad("a check without its lowest bits", "bad_framing", wire[:-2] + bytes([wire[-2] & 0xFC | 2, 0]))
    bad("a check whose first byte has a high bit", "bad_framing", wire[:-4] + bytes([wire[-4] | 0x80]) + wire[-3:])
    beyond = bytes([wire[0] + 200]) + code[1:]
    bad("code byte that points behind the end", "bad_framing", beyond + check(beyond) + b"\0")
    bad("one byte", "bad_framing", b"\x01\0")
    bad("no more than a check", "bad_framing", check(b"") + b"\0")
    bad("too short for a body", "bad_framing", on_wire(b"\x01\x01"))
    bad("too long for a body", "bad_framing", on_wire(bytes([version, 4, 0]) + bytes(range(1, 121))))
    bad("another version", "bad_version", on_wire(bytes([version + 1, 1, 0])))
    bad("version 0", "bad_version", on_wire(bytes([0, 1, 0])))
    known = {m["type"] for m in TABLE["message"]}
    free = next(t for t in range(30, 256) if t not in known)
    bad("unknown type", "bad_type", on_wire(bytes([version, free, 0])))
    bad("type 0", "bad_type", on_wire(bytes([version, 0, 0])))
    bad("stop with a payload", "bad_length", on_wire(bytes([version, 1, 0, 1])))
    bad("heartbeat without a payload", "bad_length", on_wire(bytes([version, 3, 0])))
    for message in TABLE["message"]:
        for field in message["fields"]:
            if field["kind"] == "text":
                continue
            full = KIND_RANGE[field["kind"]]
            for what, value, limit in (
                ("above", field.get("high", full[1]) + 1, full[1]),
                ("below", field.get("low", full[0]) - 1, full[0]),
            ):
                if (value > limit if what == "above" else value < limit) or (value == 0 and "zero" in field):
                    continue
                values = choose(message, "drawn", draw)
                if field.get("count", 1) > 1:
                    values[field["name"]][-1] = value
                else:
                    values[field["name"]] = value
                body = bytes([version, message["type"], 9]) + payload(message, values)
                bad(f"{message['name']}: {field['name']} {what} its range", "range", on_wire(body))
    values = choose(by_name["identity"], "drawn", draw)
    raw = payload(by_name["identity"], values)
    bad(
        "identity: text with a byte outside 20..7E",
        "range",
        on_wire(bytes([version, 65, 9]) + raw[:-16] + b"hand\x07".ljust(16, b"\0")),
    )
    bad(
        "identity: text after its padding",
        "range",
        on_wire(bytes([version, 65, 9]) + raw[:-16] + b"hand\0fast".ljust(16, b"\0")),
    )

    text = json.dumps({"good": good, "damaged": damaged}, indent=1)
    (HERE / "golden.json").write_text(text + "\n")


if __name__ == "__main__":
    main()
