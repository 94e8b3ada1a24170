"""Byte stuffing and the check, against worked examples and reference packages."""

from __future__ import annotations

import random

import crcmod.predefined
import pytest
from cobs import cobs

from handfast.board.framing import Damaged, crc16, stuffed, unstuffed

# Cheshire & Baker's rule worked out; hex without the ending zero, checked with the package cobs.
EXAMPLES = {
    "": "01", "00": "0101", "0000": "010101", "00110 0".replace(" ", ""): "01021101", "11220033": "0311220233",
    "11223344": "0511223344", "11000000": "0211010101",
    bytes(range(1, 255)).hex(): "ff" + bytes(range(1, 255)).hex(),
    bytes(range(255)).hex(): "01ff" + bytes(range(1, 255)).hex(),
    "4500002c4c79000040064f37": "024501042c4c79010540064f37",
}  # fmt: skip


@pytest.mark.parametrize(("plain", "wire"), EXAMPLES.items())
def test_worked_examples(plain, wire):
    """Exactly the bytes of the worked examples, there and back."""
    assert stuffed(bytes.fromhex(plain)).hex() == wire
    assert unstuffed(bytes.fromhex(wire)).hex() == plain


def test_like_the_reference_packages():
    """Any bytes: the package cobs stuffs the same, the package crcmod finds the same check."""
    rng = random.Random(1)
    check = crcmod.predefined.mkCrcFun("crc-ccitt-false")
    for n in (*range(9), 252, 253, 254, 255, 256, 507, 508, 509, 510, 762):
        for letters in (bytes(range(256)), bytes(range(1, 256)), b"\0\1\2\xff"):
            data = bytes(rng.choice(letters) for _ in range(n))
            assert stuffed(data) == cobs.encode(data)
            assert unstuffed(stuffed(data)) == data
            assert crc16(data) == check(data)


def test_check_value_of_the_catalogue():
    """CRC RevEng catalogue, CRC-16/IBM-3740: 29B1 for the digits 1 to 9; FFFF for nothing."""
    assert (crc16(b"123456789"), crc16(b"")) == (0x29B1, 0xFFFF)


@pytest.mark.parametrize("wire", ["", "00", "05112233", "03110022", "0100"])
def test_what_was_never_stuffed_is_damaged(wire):
    """Ends early, holds a zero, or is empty."""
    with pytest.raises(Damaged):
        unstuffed(bytes.fromhex(wire))
