"""Frames on a byte stream: consistent overhead byte stuffing, a 16-bit check, a zero byte after each frame.

Byte stuffing after Cheshire & Baker, "Consistent Overhead Byte Stuffing", IEEE/ACM Trans. Networking 7(2), 1999.
The check is CRC-16/IBM-3740 (polynomial 0x1021, start 0xFFFF, not reflected) of the RevEng catalogue.
"""

from __future__ import annotations

END = b"\x00"


class Damaged(ValueError):  # noqa: N818 - a finding, not an error of the program
    """Bytes that are no whole frame; says why."""


def stuffed(data: bytes) -> bytes:
    """`data` without a zero byte, one byte longer per 254 begun (the zero that ends a frame is not added)."""
    out = bytearray()
    pieces = data.split(b"\x00")
    for number, piece in enumerate(pieces):
        while len(piece) >= 254:
            out += b"\xff" + piece[:254]
            piece = piece[254:]
            if not piece and number == len(pieces) - 1:
                return bytes(out)  # a full group at the very end needs no empty one after it
        out += bytes([len(piece) + 1]) + piece
    return bytes(out)


def unstuffed(data: bytes) -> bytes:
    """What `stuffed` was given. Raises Damaged for anything that it cannot have made."""
    out = bytearray()
    at = 0
    while at < len(data):
        code = data[at]
        if code == 0:
            raise Damaged("a zero byte inside a frame")
        group = data[at + 1 : at + code]
        if len(group) != code - 1:
            raise Damaged("a frame that ends early")
        if 0 in group:
            raise Damaged("a zero byte inside a frame")
        out += group
        at += code
        if code < 255 and at < len(data):
            out.append(0)
    if not data:
        raise Damaged("an empty frame")
    if stuffed(bytes(out)) != data:
        raise Damaged("a frame stuffed in another way")
    return bytes(out)


def _table() -> tuple[int, ...]:
    rows = []
    for byte in range(256):
        crc = byte << 8
        for _ in range(8):
            crc = ((crc << 1) ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
        rows.append(crc)
    return tuple(rows)


_CRC = _table()


def crc16(data: bytes) -> int:
    """CRC-16/IBM-3740 of `data`; of b"123456789" it is 0x29B1."""
    crc = 0xFFFF
    for byte in data:
        crc = ((crc << 8) & 0xFFFF) ^ _CRC[(crc >> 8) ^ byte]
    return crc
