"""The Python codec and the C codec of the firmware take and refuse the very same bytes."""

from __future__ import annotations

import json
import os
import random
import subprocess
from collections.abc import Iterator

import pytest

from handfast.board.codec import Receiver, Refused, decode, encode
from handfast.board.framing import Damaged
from support import simulated, wire

GOLDEN = json.loads((simulated.ROOT / "protocol" / "golden.json").read_text())["good"]
SOAK = bool(os.environ.get("HANDFAST_SOAK"))


@pytest.fixture(scope="module")
def c_codec() -> Iterator[subprocess.Popen[str]]:
    """The C codec, which answers a line with a line."""
    simulated.build("host")
    process = subprocess.Popen(
        [str(simulated.BUILD / "codec")], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
    )
    yield process
    process.communicate(timeout=10)


def in_python(frame: bytes, end: str) -> str:
    """What the Python codec says of one frame, in the words of the C codec."""
    try:
        message = decode(frame.rstrip(b"\0"))
    except Damaged:
        return "bad_framing"
    except Refused as refused:
        if refused.counter == "refused":
            goes = wire.BY_TYPE[refused.what]["direction"]
            return "range" if goes == f"to_{end}" else "bad_type"
        goes = wire.BY_TYPE.get(refused.what, {}).get("direction")
        return "bad_type" if refused.counter == "bad_length" and goes != f"to_{end}" else refused.counter
    if wire.BY_NAME[message.name]["direction"] != f"to_{end}":
        return "bad_type"
    again = encode(message.name, message.sequence, **message.values)
    return f"good {wire.BY_NAME[message.name]['type']} {message.sequence} {again.hex()}"


def spoiled(draw: random.Random) -> bytes:
    """A golden frame, damaged on the line, or with other bytes under a right CRC, or bytes of no origin."""
    frame = draw.choice(GOLDEN)
    body = bytearray.fromhex(frame["body"])
    how = draw.randrange(6)
    if how == 0:
        line = bytearray.fromhex(frame["wire"])
        for _ in range(draw.randint(1, 4)):
            line[draw.randrange(len(line) - 1)] = draw.randint(1, 255)
        return bytes(line)
    if how == 1:
        return bytes(draw.choices(range(1, 8), k=draw.randint(1, 12))) + b"\0"
    if how == 2:
        body = bytearray(draw.randbytes(draw.randint(3, 110)))
    elif how == 3 and len(body) > 3:
        for _ in range(draw.randint(1, 3)):
            body[draw.randrange(3, len(body))] = draw.choice([0, 1, 255, draw.randint(0, 255)])
    elif how == 4:
        body[draw.randrange(3)] = draw.choice([0, 1, 2, 66, draw.randint(0, 255)])
    elif how == 5:
        body = body[: draw.randint(3, len(body))] + bytearray(draw.randbytes(draw.randint(0, 3)))
    return wire.on_wire(bytes(body))


def test_the_same_verdict_on_the_same_bytes(c_codec: subprocess.Popen[str]) -> None:
    """Spoiled frames of every kind: both say the same, and make the same bytes anew from what they accept."""
    assert c_codec.stdin
    assert c_codec.stdout
    draw = random.Random(12)
    seen: dict[str, int] = {}
    for _ in range(1000 if SOAK else 60):
        lines = [line for line in (spoiled(draw) for _ in range(100)) if line.count(0) == 1]
        asked = [(end, line) for line in lines for end in ("board", "host")]
        c_codec.stdin.write("".join(f"decode {end} {line.hex()}\n" for end, line in asked))
        for end, line in asked:
            ours = in_python(line, end)
            assert c_codec.stdout.readline().strip() == ours, line.hex()
            word = ours.split()[0]
            seen[word] = seen.get(word, 0) + 1
            if word == "good":
                assert ours.split()[3] == line.hex()
    for word in ("good", "bad_framing", "bad_crc", "bad_version", "bad_type", "bad_length", "range"):
        assert seen[word] > 50, f"{word}: {seen}"


def test_a_million_arbitrary_bytes_into_the_python_decoder() -> None:
    """No crash; whatever is accepted is made of the same bytes; no more is accepted than chance implies."""
    draw = random.Random(13)
    receiver = Receiver(to_board=False)
    accepted = 0
    for _ in range(100):
        noise = bytes(0 if b < 21 else b for b in draw.randbytes(10_000))
        for found in receiver.feed(noise):
            accepted += 1
            if not isinstance(found, Refused):
                assert encode(found.name, found.sequence, **found.values) in noise
    frames = sum(receiver.counts.values())
    print(f"{frames} frames in a million bytes, {receiver.counts}, {accepted} accepted or answered")
    assert frames > 50_000
    assert accepted <= 1, "76 000 frames, few of them rightly framed, and one in 65 536 of those"
