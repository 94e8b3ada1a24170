"""Units at the edges."""

from __future__ import annotations

import math

import pytest

from handfast.units import STANDARD_GRAVITY, UNITS, counted, unit_of, wire_resistance


def test_things_are_counted_as_one_says_them():
    """One has no s."""
    assert [counted(n, "servo") for n in (0, 1, 2)] == ["0 servos", "1 servo", "2 servos"]
    assert [counted(n, "pass is", "passes are") for n in (1, 3)] == ["1 pass is", "3 passes are"]


def test_torque_of_data_sheets():
    """3.2 and 4.1 kgf·cm in N·m and back in ozf·in (1 ozf·in = 0.0070615518 N·m).

    Source: definitions; the pairs 44 ozf·in / 3.2 kgf·cm and 56.8 / 4.1 are quoted for a common standard servo.
    Tolerance: the expected numbers have seven digits.
    """
    unit = unit_of("stall_torque_kgcm")
    for kgfcm, newton_metre, ounce_inch in ((3.2, 0.3138128, 44.4396), (4.1, 0.40207265, 56.9383)):
        assert unit.to_si(kgfcm) == pytest.approx(newton_metre, rel=1e-6)
        assert unit.to_si(kgfcm) / 0.0070615518 == pytest.approx(ounce_inch, rel=1e-6)
    assert unit.to_si(1.0) == pytest.approx(0.0980665, rel=1e-12)  # exact by definition


def test_speed_of_data_sheets():
    """0.23 and 0.19 s/60° in rad/s: (π/3) over the time. Source: definition; the servo of the torque check."""
    unit = unit_of("no_load_s_per_60deg")
    assert unit.to_si(0.23) == pytest.approx(4.553033, rel=1e-6)
    assert unit.to_si(0.19) == pytest.approx(5.511566, rel=1e-6)
    assert unit.from_si(unit.to_si(0.23)) == pytest.approx(0.23, rel=1e-15)


def test_torque_and_speed_follow_the_voltage():
    """The same servo at 4.8 and 6.0 V (ratio 1.25): torque by 1.28125, speed by 1.21053.

    5 % is how well a data sheet keeps the proportion that the servo model takes for granted.
    """
    torque, speed = UNITS["kgcm"], UNITS["s_per_60deg"]
    assert torque.to_si(4.1) / torque.to_si(3.2) == pytest.approx(1.28125, rel=1e-12)
    assert speed.to_si(0.19) / speed.to_si(0.23) == pytest.approx(1.21053, rel=1e-5)
    assert torque.to_si(4.1) / torque.to_si(3.2) == pytest.approx(1.25, rel=0.05)
    assert speed.to_si(0.19) / speed.to_si(0.23) == pytest.approx(1.25, rel=0.05)


def test_pulse_slope_of_data_sheets():
    """400 µs for 45° is 8.8889 µs/°, or 0.1125 °/µs. Source: data sheet of the same servo."""
    slope = unit_of("pulse_us_per_deg").to_si(400 / 45)
    assert slope * math.radians(45) == pytest.approx(400e-6, rel=1e-12)
    assert math.degrees(1e-6 / slope) == pytest.approx(0.1125, rel=1e-12)


def test_gravity_budget_of_a_shoulder():
    """Weights along a level arm: 0.32357 N·m, 3.2995 kgf·cm (worked by hand, g = 9.80665)."""
    weights = ((0.05, 52.5e-3), (0.045, 154e-3), (0.03, 243e-3), (0.05, 323e-3))
    torque = sum(STANDARD_GRAVITY * mass * arm for mass, arm in weights)
    assert torque == pytest.approx(0.32357, abs=1e-5)
    assert UNITS["kgcm"].from_si(torque) == pytest.approx(3.2995, abs=1e-4)


@pytest.mark.parametrize(
    ("key", "symbol"),
    [
        ("travel_deg", "°"),
        ("rate_kgcm_per_deg", "kg·cm/°"),
        ("compliance_deg_per_Nm", "°/N·m"),
        ("pulse_us_per_deg", "µs/°"),
        ("thermal_time_s", "s"),
        ("thermal_resistance_K_per_W", "K/W"),
        ("no_load_s_per_60deg", "s/60°"),
        ("channel", ""),
        ("mm", ""),
        ("name", ""),
        ("s", ""),
    ],
)
def test_the_longest_ending_names_the_unit(key: str, symbol: str):
    """Compound endings win over their parts, and a key that is nothing but an ending carries a plain number."""
    assert unit_of(key).symbol == symbol


def test_temperature_is_shifted():
    """23 °C is 296.15 K; a difference in K is not shifted."""
    assert unit_of("temperature_C").to_si(23.0) == pytest.approx(296.15, abs=1e-12)
    assert unit_of("temperature_C").from_si(296.15) == pytest.approx(23.0, abs=1e-12)
    assert unit_of("rise_K").to_si(10.0) == 10.0


def test_nothing_turned_over_is_endless():
    """A servo that takes no time is endlessly fast, and the other way round; no ZeroDivisionError."""
    assert UNITS["s_per_60deg"].to_si(0.0) == math.inf
    assert UNITS["s_per_60deg"].from_si(0.0) == math.inf


@pytest.mark.parametrize(
    ("gauge", "per_kilometre", "per_thousand_feet"),
    [
        (10, 3.277, 1.00),
        (16, 13.174, 4.016),
        (18, 20.948, 6.385),
        (20, 33.309, 10.15),
        (22, 52.963, 16.14),
        (24, 84.215, 25.67),
        (26, 133.907, 40.81),
        (28, 212.921, 64.90),
        (30, 338.557, 103.2),
        (36, 1361.05, 414.8),
    ],
)
def test_wire_table(gauge: int, per_kilometre: float, per_thousand_feet: float):
    """Ohm of copper wire at 20 °C. Source: two public wire tables that agree (Ω/1000 ft), ASTM B258 diameters.

    0.1 % is how far the printed tables are rounded; the one entry with three digits by half of its last one.
    """
    assert wire_resistance(gauge, 1000.0) == pytest.approx(per_kilometre, rel=1e-3)
    assert wire_resistance(gauge, 304.8) == pytest.approx(per_thousand_feet, rel=1e-3, abs=0.005 if gauge == 10 else 0)


def test_three_gauges_halve_the_copper():
    """The area ratio per three gauges is 92^(6/39) = 2.00503. Source: ASTM B258, from memory."""
    assert wire_resistance(21, 1.0) / wire_resistance(18, 1.0) == pytest.approx(2.00503, rel=1e-5)


@pytest.mark.parametrize(
    ("gauge", "one_way", "current", "drop"),
    [(22, 1.5, 2.5, 0.397225), (20, 0.6, 3.0, 0.119912), (18, 1.0, 6.0, 0.251379)],
)
def test_drop_along_a_lead(gauge: int, one_way: float, current: float, drop: float):
    """Volts lost out and back; recomputed from the wire table. Tolerance: half of the last printed digit."""
    assert current * wire_resistance(gauge, 2.0 * one_way) == pytest.approx(drop, abs=5e-7)


def test_watts_in_a_lead():
    """18 AWG, 1 m each way, 6 A: 1.508273 W, the drop to its last printed digit times the current."""
    assert 6.0**2 * wire_resistance(18, 2.0) == pytest.approx(1.508273, abs=1.5e-6)
