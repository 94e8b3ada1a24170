"""Frames on a byte stream: consistent overhead byte stuffing, a 16-bit check of the code, a zero byte after each frame.

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


CHECK_BYTES = 3


def check_bytes(code: bytes) -> bytes:
    """The check of stuffed bytes as it goes over the line: 4, 6 and 6 bits of their CRC, each above the two bits 01.

    No byte of it is zero. Because it covers what is on the line and not what that means, one to three wrong bits and
    every burst of up to 16 bits, in either order of bits, are found for certain as long as they make no new zero byte.
    """
    crc = crc16(code)
    return bytes((crc >> 12 << 2 | 1, (crc >> 6 & 63) << 2 | 1, (crc & 63) << 2 | 1))


def sealed(data: bytes) -> bytes:
    """`data` as a frame: stuffed, with its check, without the zero that ends it."""
    code = stuffed(data)
    return code + check_bytes(code)


def opened(frame: bytes) -> bytes | None:
    """What `sealed` was given; None if the check does not fit. Raises Damaged for what is no frame at all."""
    if len(frame) <= CHECK_BYTES or 0 in frame:
        raise Damaged("too short, or a zero byte inside a frame")
    code, check = frame[:-CHECK_BYTES], frame[-CHECK_BYTES:]
    if check[0] & 0xC3 != 1 or check[1] & 3 != 1 or check[2] & 3 != 1:
        raise Damaged("no check at the end")
    return unstuffed(code) if check == check_bytes(code) else None
