"""The port's timer, line and converter settings against the data sheet ATmega640/1280/2560 (2549).

The settings are read from firmware/avr/port.c, so a changed setting is judged anew.
"""

from __future__ import annotations

import re

import pytest

from support import simulated, wire

PORT = (simulated.ROOT / "firmware" / "avr" / "port.c").read_text()
CLOCK = 16_000_000


def constant(name: str) -> int:
    """A #define of the port."""
    found = re.search(rf"#define {name} (\d+)", PORT)
    assert found, name
    return int(found[1])


def baud_row(baud: int, double: bool) -> tuple[int, float]:
    """UBRR and error in percent: UBRR = clk/(16 baud) - 1, or clk/(8 baud) - 1 (data sheet, baud rate generator)."""
    divider = 8 if double else 16
    ubrr = round(CLOCK / (divider * baud) - 1)
    return ubrr, 100 * (CLOCK / (divider * (ubrr + 1)) / baud - 1)


def test_frames_of_20_ms_in_steps_of_half_a_microsecond() -> None:
    """Fast PWM with ICR as top: f = clk/(N (1 + TOP)). TOP 40000 would be the off-by-one trap, 49.99875 Hz."""
    prescale = {"1": 1, "2": 8, "3": 64}
    for timer in "1345":
        mode = re.search(rf"TCCR{timer}B = _BV\(WGM{timer}3\) \| _BV\(WGM{timer}2\) \| _BV\(CS{timer}1\);", PORT)
        assert mode, f"timer {timer}: mode 14 with only CS{timer}1 set"
        assert f"_BV(WGM{timer}1)" in PORT
    divisor = prescale["2"]
    assert CLOCK / (divisor * (1 + constant("TOP"))) == 50.0
    assert CLOCK / (divisor * (1 + 40000)) == pytest.approx(49.99875, abs=1e-5)
    assert divisor / CLOCK == 0.5e-6
    assert wire.TABLE["limits"]["frame_us"] == 20_000
    assert wire.TABLE["limits"]["pulse_step_8us"] == 8 * 0.5


def test_outputs_are_let_go_only_when_the_longest_pulse_is_over() -> None:
    """2600 us are 5200 ticks; the quiet time begins after that and ends before the frame does."""
    longest = max(f["high"] for m in wire.TABLE["message"] for f in m["fields"] if f["name"] == "pulse")
    assert longest / 4 < constant("QUIET_FROM") < constant("QUIET_TO") < constant("TOP")


def test_baud_rate_has_no_error() -> None:
    """The data sheet's baud table at 16 MHz; 250 000 is exact, 115 200 is beyond what it recommends."""
    sheet = {
        (9600, False): (103, 0.2), (9600, True): (207, 0.2), (14400, False): (68, 0.6), (14400, True): (138, -0.1),
        (57600, False): (16, 2.1), (57600, True): (34, -0.8), (115200, False): (8, -3.5), (115200, True): (16, 2.1),
        (230400, False): (3, 8.5), (230400, True): (8, -3.5), (250000, False): (3, 0.0), (500000, False): (1, 0.0),
    }  # fmt: skip
    for (baud, double), (ubrr, error) in sheet.items():
        assert baud_row(baud, double) == (ubrr, pytest.approx(error, abs=0.06)), "the sheet prints one digit"
    assert "UBRR0 = (uint16_t)(F_CPU / 16 / HF_BAUD - 1);" in PORT
    assert "U2X0" not in PORT
    assert baud_row(wire.TABLE["frame"]["baud"], False) == (3, 0.0)


def test_converter_keeps_its_resolution_and_its_time() -> None:
    """Full resolution needs 50 to 200 kHz; a conversion takes 13 cycles, a first one 25 (data sheet, ADC).

    Started anew by software, one more cycle of the converter's clock goes by. All rounds end inside the frame, and
    begin when the longest pulse is over.
    """
    assert "_BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0)" in PORT, "prescale 128"
    hertz = CLOCK / 128
    assert 50_000 <= hertz <= 200_000
    one_us = 14 / hertz * 1e6
    idle, rounds = constant("IDLE_CONVERSIONS"), 2 * constant("ROUND_CONVERSIONS")
    assert 13 / hertz * 1e6 * idle < 2600 < one_us * idle
    assert one_us * (idle + rounds) + 25 / hertz * 1e6 < 20_000
    assert constant("ROUND_CONVERSIONS") == 12 * constant("SWEEPS") + 4 * 2


def test_counts_of_the_converter(tmp_path) -> None:
    """ADC = floor(1024 Vin/Vref) (data sheet): 1.234 V of 5 V is 252; read through the real program."""
    with simulated.Board(tmp_path, stand_in=None) as board:
        board.order("wiper 5 1234")
        board.order("wiper 11 300")
        board.ask("identify", nonce=1, protocol=1)
        board.run(60)
        wiper = board.status()["wiper"]
    assert wiper[5] == 252 * 16
    assert wiper[11] == 61 * 16
    # The simulator itself scales by 1023 instead of 1024, which moves only high counts, by one.
    assert wiper[0] in (511 * 16, 512 * 16)


def test_stop_bytes_on_the_line_take_little_time() -> None:
    """A stop frame is the shortest there is: 8 bytes, 0.32 ms at 250 000 baud (10 bits per byte)."""
    lengths = {m["name"]: len(wire.encode(m["name"], 1)) for m in wire.TABLE["message"] if not m["fields"]}
    assert lengths["stop"] == min(lengths.values()) == 8
    assert 8 * 10 / wire.TABLE["frame"]["baud"] * 1e3 == pytest.approx(0.32)
    assert 24 * 10 / wire.TABLE["frame"]["baud"] * 1e3 == pytest.approx(0.96)
