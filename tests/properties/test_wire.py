"""Damaged frames and arbitrary bytes: nothing gets through but what a table allows."""

from __future__ import annotations

import math
import os
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from handfast.board.codec import Damaged, Receiver, Refused, body, decode, encode, wire
from handfast.board.framing import CHECK_BYTES, check_bytes, stuffed

SOAK = bool(os.environ.get("HANDFAST_SOAK"))


def values_of(kind, draw):
    """Values in range for every field of a kind of message."""
    result = {}
    for f in kind.fields:
        if f.kind == "text":
            result[f.name] = draw(st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), max_size=f.count))
            continue
        one = st.integers(f.low, f.high)
        if f.zero:
            one = st.one_of(st.just(0), one)
        several = st.lists(one, min_size=f.count, max_size=f.count)
        result[f.name] = tuple(draw(several)) if f.count > 1 else draw(one)
    return result


@st.composite
def messages(draw):
    """Any message of the table."""
    kind = draw(st.sampled_from(sorted(wire().kinds.values(), key=lambda k: k.type)))
    return kind.name, draw(st.integers(0, 255)), values_of(kind, draw)


@given(messages())
@settings(max_examples=300, deadline=None)
def test_every_message_comes_back_as_it_went(message):
    """Encoding and decoding are inverse, for every value that the table allows."""
    name, sequence, values = message
    frame = encode(name, sequence, **values)
    assert frame[-1] == 0
    assert 0 not in frame[:-1]
    found = decode(frame[:-1])
    assert (found.name, found.sequence, found.values) == (name, sequence, values)


def unlike(code):
    """By (byte, bit) of the line: what a wrong bit adds to the difference of the check that comes and the one due."""
    due = check_bytes(code)
    effects = {}
    for byte in range(len(code) + CHECK_BYTES):
        for bit in range(8):
            line = bytearray(code + due)
            line[byte] ^= 1 << bit
            came, now = line[len(code) :], check_bytes(bytes(line[: len(code)]))
            effects[byte, bit] = int.from_bytes(came, "big") ^ int.from_bytes(now, "big")
    return effects


@pytest.mark.parametrize("order", ["low bit first, as on the line", "high bit first"])
def test_every_burst_of_up_to_16_bits_is_found(order):
    """The check is linear: a burst is missed only if the effects of its bits cancel. None does, at any place.

    A body of the longest message; the effects are those of single wrong bits, taken from the check itself.
    """
    code = random.Random(7).randbytes(wire().longest_frame - CHECK_BYTES)
    effects = unlike(code)
    bits = range(8) if order.startswith("low") else range(7, -1, -1)
    line = np.array([effects[byte, bit] for byte in range(len(code) + CHECK_BYTES) for bit in bits])
    for first in range(len(line)):
        cancelled = np.zeros(1, dtype=np.int64)
        for effect in line[first + 1 : first + 16]:
            cancelled = np.concatenate([cancelled, cancelled ^ effect])
        assert not np.any(cancelled == line[first]), f"a burst that begins with bit {first}"


def test_up_to_three_wrong_bits_are_found():
    """No effect of a bit is nothing, none is the same as another's, and no three cancel."""
    effects = list(unlike(random.Random(8).randbytes(wire().longest_frame - CHECK_BYTES)).values())
    alone = set(effects)
    assert 0 not in alone
    assert len(alone) == len(effects)
    assert not any(effects[i] ^ effects[k] in alone for i in range(len(effects)) for k in range(i))


@given(messages(), st.data())
@settings(max_examples=400, deadline=None)
def test_wrong_bits_on_the_line_give_no_message(message, data):
    """One to three bits, or a burst of up to 16, anywhere in a frame; a new zero byte cuts it in two."""
    name, sequence, values = message
    line = bytearray(encode(name, sequence, **values))
    bits = (len(line) - 1) * 8
    if data.draw(st.booleans()):
        flips = data.draw(st.lists(st.integers(0, bits - 1), min_size=1, max_size=3, unique=True))
    else:
        first = data.draw(st.integers(0, bits - 1))
        length = data.draw(st.integers(1, min(16, bits - first)))
        inner = data.draw(st.integers(0, 2**16 - 1))
        flips = [first, *(first + k for k in range(1, length) if inner >> k & 1)]
    order = data.draw(st.sampled_from([lambda bit: 1 << bit % 8, lambda bit: 0x80 >> bit % 8]))
    for bit in flips:
        line[bit // 8] ^= order(bit)
    receiver = Receiver(wire().kinds[name].to_board)
    assert list(receiver.feed(bytes(line))) == []
    if 0 not in line[:-1]:
        assert receiver.counts["bad_crc"] + receiver.counts["bad_framing"] == 1


@given(messages(), st.data())
@settings(max_examples=300, deadline=None)
def test_cut_and_doubled_frames_give_no_second_message(message, data):
    """A frame cut anywhere gives nothing; a frame that comes twice gives one message (but for stop and identify)."""
    name, sequence, values = message
    frame = encode(name, sequence, **values)
    cut = data.draw(st.integers(1, len(frame) - 2)) if len(frame) > 3 else 1
    receiver = Receiver(wire().kinds[name].to_board)
    assert list(receiver.feed(frame[:cut] + b"\0")) == []
    twice = list(receiver.feed(frame + frame))
    assert len(twice) == (2 if name in ("stop", "identify", "identity") else 1)


def test_arbitrary_bytes_are_as_good_as_never_taken():
    """Random bytes, then frames with random bodies and a right version: acceptances are counted against the theory.

    A random body that is stuffed rightly passes the check with chance 2^-16, and passes version, type and length
    with less; so the number that gets past the check is Poisson with that mean (bound: mean + 6 sigma + 3).
    """
    rng = random.Random(4)
    receiver = Receiver(to_board=True)
    total = 1_000_000 if not SOAK else 10_000_000
    taken = []
    for _ in range(total // 10_000):
        taken += list(receiver.feed(rng.randbytes(10_000)))
    for m in taken:
        if not isinstance(m, Refused):
            assert decode(encode(m.name, m.sequence, **m.values)[:-1]) == m
    counts = receiver.counts
    frames = sum(counts.values())
    past = frames - counts["bad_framing"] - counts["bad_crc"]
    mean = (frames - counts["bad_framing"]) / 65536
    assert past <= mean + 6 * math.sqrt(mean) + 3
    tries = 30_000 if not SOAK else 300_000
    past = 0
    for _ in range(tries):
        kind = rng.choice(list(wire().kinds.values()))
        raw = bytes([1, kind.type]) + rng.randbytes(1 + kind.layout.size)
        crc = rng.getrandbits(16)
        check = bytes((crc >> 12 << 2 | 1, (crc >> 6 & 63) << 2 | 1, (crc & 63) << 2 | 1))
        try:
            message = decode(stuffed(raw) + check)
        except Refused as refused:
            past += refused.counter != "bad_crc"
        except Damaged as damaged:
            raise AssertionError("a rightly stuffed body with a check is no damage") from damaged
        else:
            past += 1
            assert body(message.name, message.sequence, **message.values) == raw
            assert not any(f.bad(message.values[f.name]) for f in kind.fields)
    mean = tries / 65536
    assert past <= mean + 6 * math.sqrt(mean) + 3
