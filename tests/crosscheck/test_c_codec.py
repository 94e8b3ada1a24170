"""The C codec of the firmware, on the host, against the reference packages, the golden frames, and damage."""

from __future__ import annotations

import json
import math
import os
import random
import subprocess
from collections.abc import Callable, Iterator

import crcmod.predefined
import pytest
from cobs import cobs

from support import simulated, wire

GOLDEN = json.loads((simulated.ROOT / "protocol" / "golden.json").read_text())
crc = crcmod.predefined.mkCrcFun("crc-ccitt-false")
Ask = Callable[[str], str]
SOAK = bool(os.environ.get("HANDFAST_SOAK"))


@pytest.fixture(scope="module")
def ask() -> Iterator[Ask]:
    """Ask the C codec something."""
    simulated.build("host")
    process = subprocess.Popen(
        [str(simulated.BUILD / "codec")], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
    )
    assert process.stdin
    assert process.stdout

    def one(line: str) -> str:
        process.stdin.write(line + "\n")  # type: ignore[union-attr]
        return process.stdout.readline().strip()  # type: ignore[union-attr]

    yield one
    process.stdin.close()
    process.stdout.close()
    process.wait(10)


def end_of(frame: dict) -> str:
    """Which end takes a golden frame."""
    return "board" if wire.BY_NAME[frame["message"]]["direction"] == "to_board" else "host"


def test_crc(ask: Ask) -> None:
    """Check value 29B1 and empty FFFF (catalogue of parametrised CRC algorithms); random texts against crcmod."""
    assert ask("crc " + b"123456789".hex()) == "29b1"
    assert ask("crc") == "ffff"
    draw = random.Random(1)
    for _ in range(200):
        text = draw.randbytes(draw.randint(1, 300))
        assert int(ask("crc " + text.hex()), 16) == crc(text)


def test_cobs_examples_of_the_paper_and_its_borders(ask: Ask) -> None:
    """Examples around the paper (Cheshire and Baker 1999), as the package cobs has them."""
    ip_header = "4500002c4c79000040064f37"
    assert ask(f"cobs {ip_header}") == "024501042c4c79010540064f37"
    for text, code in (("00", "0101"), ("0000", "010101"), ("00110000", "0102110101"), ("11223344", "0511223344")):
        assert ask(f"cobs {text}") == code
        assert ask(f"uncobs {code}") == text
    long = bytes(range(1, 255))
    assert ask(f"cobs {long.hex()}") == "ff" + long.hex()
    assert ask(f"cobs 00{long.hex()}") == "01ff" + long.hex()


def test_cobs_against_the_reference(ask: Ask) -> None:
    """Random texts, rich in zeros and around 254 bytes: the same code as the package cobs, and back."""
    draw = random.Random(2)
    for _ in range(400):
        size = draw.choice([1, 2, 20, 253, 254, 255, 256, 508, 509, 510])
        zeros = draw.choice([0, 0.02, 0.5])
        text = bytes(0 if draw.random() < zeros else draw.randint(1, 255) for _ in range(size))
        code = cobs.encode(text)
        assert ask(f"cobs {text.hex()}") == code.hex()
        assert ask(f"uncobs {code.hex()}") == text.hex()


def test_what_is_no_code_is_refused_as_the_reference_does(ask: Ask) -> None:
    """Random bytes without zeros: decoded or refused exactly as by the package cobs."""
    draw = random.Random(3)
    refused = 0
    for _ in range(1000):
        code = bytes(draw.choices([1, 2, 3, 5, 9, 200], k=draw.randint(1, 12)))
        try:
            expected = cobs.decode(code).hex()
        except cobs.DecodeError:
            expected = "no"
            refused += 1
        assert ask(f"uncobs {code.hex()}") == expected
    assert 100 < refused < 1000, "both kinds came up"


@pytest.mark.parametrize("frame", GOLDEN["good"], ids=lambda f: f["name"])
def test_good_frames(ask: Ask, frame: dict) -> None:
    """Each golden frame is taken, and made again byte for byte from what was read."""
    number = wire.BY_NAME[frame["message"]]["type"]
    assert ask(f"decode {end_of(frame)} {frame['wire']}") == f"good {number} {frame['sequence']} {frame['wire']}"


@pytest.mark.parametrize("frame", GOLDEN["damaged"], ids=lambda f: f["name"])
def test_damaged_frames(ask: Ask, frame: dict) -> None:
    """Each damaged golden frame is refused for the reason beside it, by the end that it goes to."""
    name = frame["name"].split(":")[0]
    other = name in wire.BY_NAME and wire.BY_NAME[name]["direction"] == "to_host"
    assert ask(f"decode {'host' if other else 'board'} {frame['wire']}") == frame["refused"]


@pytest.mark.parametrize("name", sorted({f["message"] for f in GOLDEN["good"]}))
def test_turned_bits_and_cut_frames_are_refused(ask: Ask, name: str) -> None:
    """Every copy of every golden frame with 1 or 2 bits turned, or cut at either end: none is taken."""
    for frame in (f for f in GOLDEN["good"] if f["message"] == name):
        copies, accepted = map(int, ask(f"flips {end_of(frame)} {frame['wire']}").split())
        assert copies > 100
        assert accepted == 0, frame["name"]


SHORT = ["stop, low", "heartbeat, high", "ack, drawn"]


@pytest.mark.parametrize("name", [f["name"] for f in GOLDEN["good"]] if SOAK else SHORT)
def test_bursts_and_three_bits_are_refused(ask: Ask, name: str) -> None:
    """Every burst of up to 16 bits, and (frames up to 20 bytes) every 3 bits: none is taken.

    For copies without a new 00 that is a theorem (tests/properties/test_wire.py); for those cut in two it is counted.
    """
    frame = next(f for f in GOLDEN["good"] if f["name"] == name)
    end = end_of(frame)
    copies, accepted = map(int, ask(f"bursts {end} {frame['wire']}").split())
    assert copies > 1_000_000
    assert accepted == 0
    if len(frame["wire"]) <= 40:
        copies, accepted = map(int, ask(f"triple {end} {frame['wire']}").split())
        assert copies == math.comb(4 * len(frame["wire"]), 3)
        assert accepted == 0


def test_chance_acceptances_are_as_rare_as_16_bits_imply(ask: Ask) -> None:
    """Frames of random bytes: the CRC fits one in 65 536 (within 4 standard deviations); hardly any is taken."""
    count = 20_000_000 if SOAK else 4_000_000
    frames, fits, accepted = map(int, ask(f"bodies {count} 5").split())
    assert frames == count
    expected = count / 65536
    print(
        f"{fits} of {frames} frames of random bytes had a right CRC, {expected:.0f} implied; {accepted} were accepted"
    )
    assert abs(fits - expected) < 4 * math.sqrt(expected)
    assert accepted <= 2, "version, type and length make it some 10 000 times rarer still"


def test_noise(ask: Ask) -> None:
    """Five million random bytes: no more is accepted than chance implies (that is, nothing)."""
    frames, framed, fits, accepted = map(int, ask("noise 5000000 6").split())
    print(f"{frames} frames in 5 million bytes of noise, {framed} rightly framed, {fits} with a right CRC")
    assert frames > 300_000
    assert fits <= 2
    assert accepted == 0


def test_fuzzed_core_keeps_its_promises() -> None:
    """Made-up bytes, frames, times and inputs into the core, checked after each step (firmware/test/fuzz.c).

    What is accepted is written anew as the same bytes, no output leaves travel or slew, none lives without the relay.
    `make -C firmware fuzz FUZZ_SECONDS=600` is the long form, led by coverage.
    """
    simulated.build("host")
    runs = 200_000 if SOAK else 8_000
    done = subprocess.run(
        [str(simulated.BUILD / "fuzz-short"), str(runs), "11"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr[-2000:]
    assert done.stdout.startswith(f"{runs} runs of 1000 bytes")


def test_faults_that_no_wire_brings_about_stop_the_core() -> None:
    """Limits that change in memory, missed frames, a line that stays low, a pedal beside an open stop input."""
    simulated.build("host")
    done = subprocess.run([str(simulated.BUILD / "faults")], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr[-2000:]
    assert done.stdout == "all faults stopped it\n"
