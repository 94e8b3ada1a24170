"""Described fields: reading, refusing, writing."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from handfast.errors import InputError
from handfast.files.document import parse_document
from handfast.files.fields import (
    choice,
    derived,
    flag,
    matrix,
    named,
    number,
    read_table,
    rows,
    table,
    table_of,
    tables,
    text,
    texts,
    vector,
    whole,
)


@dataclass(frozen=True, kw_only=True)
class Wheel:
    """A part of a part."""

    name: str = derived()
    radius: float = number("radius_mm", ..., 1, 500, "distance from hub to rim")


@dataclass(frozen=True, kw_only=True)
class Cart:
    """One field of every kind."""

    name: str = derived("cart")
    mass: float = number("mass_g", ..., 0, 5000, "what it weighs")
    speed: float = number("top_s_per_60deg", 0.2, 0, 5, "time for a sixth of a turn")
    rise: float | None = number("rise_deg", None, -90, 90, "slope it climbs")
    axles: int = whole("axles", 2, 1, 8, "number of axles")
    label: str = text("label", "plain", "what it is called")
    tags: tuple[str, ...] = texts("tags", "words to find it by")
    braked: bool = flag("braked", False, "whether it has a brake")
    side: str = choice("side", "left", ("left", "right"), "where the handle is")
    bed: tuple[float, ...] = vector("bed_mm", (0, 0, 0), "where the bed is", 3, -1000, 1000)
    teeth: tuple[float, ...] | None = vector("teeth", None, "any numbers", None)
    curve: Any = rows("curve", ("angle_deg", "pulse_us"), "measured points")
    road: Any = matrix("road_deg", "slopes met on the way", -90, 90)
    spare: Wheel | None = table("spare", Wheel, "a spare wheel", optional=True)
    wheels: tuple[Wheel, ...] = tables("wheel", Wheel, "its wheels")
    parts: tuple[Wheel, ...] = named("part", Wheel, "its other parts")


def read(toml: str) -> Cart:
    """A cart from text."""
    document = parse_document(toml, Path("cart.toml"))
    return read_table(Cart, document.values, document, ())


def refusal(toml: str) -> str:
    """The message with which a cart is refused."""
    with pytest.raises(InputError) as caught:
        read(toml)
    return str(caught.value)


FULL = """
mass_g = 1500
top_s_per_60deg = 0.25
rise_deg = 30
axles = 3
label = "red"
tags = ["a", "b"]
braked = true
side = "right"
bed_mm = [10, -20.5, 30]
teeth = [1, 2, 3, 4]
curve = [[0, 1000], [90, 2000]]
road_deg = [[0, 30, 60], [1, 2, 3]]
[spare]
radius_mm = 50
[[wheel]]
radius_mm = 60
[[wheel]]
radius_mm = 70
[part.hub]
radius_mm = 5
[part.rim]
radius_mm = 65
"""


def test_every_kind_is_read_in_si():
    """g to kg, mm to m, degrees to rad, s/60° to rad/s, µs to s; names come from headings or from outside."""
    cart = read(FULL)
    assert cart.mass == pytest.approx(1.5)
    assert cart.speed == pytest.approx(math.radians(60) / 0.25)
    assert cart.rise == pytest.approx(math.pi / 6)
    assert (cart.axles, cart.label, cart.tags, cart.braked, cart.side) == (3, "red", ("a", "b"), True, "right")
    assert cart.bed == pytest.approx((0.01, -0.0205, 0.03))
    assert cart.teeth == (1.0, 2.0, 3.0, 4.0)
    assert cart.curve[1] == pytest.approx((math.pi / 2, 2e-3))
    assert cart.road[0] == pytest.approx((0, math.pi / 6, math.pi / 3))
    assert cart.spare is not None
    assert (cart.spare.name, cart.spare.radius) == ("spare", pytest.approx(0.05))
    assert [wheel.radius for wheel in cart.wheels] == pytest.approx([0.06, 0.07])
    assert {part.name: part.radius for part in cart.parts} == pytest.approx({"hub": 0.005, "rim": 0.065})
    assert cart.name == "cart"


def test_defaults_are_in_the_unit_of_the_key():
    """0.2 s/60° as a default is 5.236 rad/s; what is optional is None or empty."""
    cart = read("mass_g = 1")
    assert cart.speed == pytest.approx(math.radians(60) / 0.2)
    assert (cart.rise, cart.teeth, cart.curve, cart.spare) == (None, None, None, None)
    assert (cart.tags, cart.wheels, cart.parts) == ((), (), ())


def test_what_is_written_is_read_again():
    """`table_of` gives the numbers as a person wrote them, and leaves out what equals its default."""
    cart = read(FULL)
    document = parse_document(FULL, Path("cart.toml"))
    assert table_of(cart) == document.values
    assert table_of(read("mass_g = 1")) == {"mass_g": 1.0}


def test_numbers_are_written_with_six_digits():
    """A third of a turn in degrees is 120, not 119.99999999999999."""
    assert table_of(read("mass_g = 333.33333333"))["mass_g"] == 333.333
    assert table_of(read("mass_g = 1\nrise_deg = 0.1"))["rise_deg"] == 0.1


@pytest.mark.parametrize(
    ("toml", "start", "expected"),
    [
        ("mass_g = -1", "cart.toml:1: mass_g: -1 is out of range", "a number from 0 to 5000 g: what it weighs"),
        ("mass_g = 5001", "cart.toml:1: mass_g: 5001 is out of range", "from 0 to 5000 g"),
        ("mass_g = " + "9" * 400, "cart.toml:1: mass_g: inf is out of range", "from 0 to 5000 g"),
        ('mass_g = "heavy"', 'cart.toml:1: mass_g: "heavy" does not fit', "a number"),
        ("mass_g = true", "cart.toml:1: mass_g: true does not fit", "a number"),
        ("mass_g = [1]", "cart.toml:1: mass_g: a list does not fit", "a number"),
        ("mass_g = 2026-11-25", "cart.toml:1: mass_g: 2026-11-25 does not fit", "a number"),
        ("mass_g = 1\ntop_s_per_60deg = 0", "cart.toml:2: top_s_per_60deg: 0 has no reciprocal", "s/60°"),
        ("mass_g = 1\naxles = 2.0", "cart.toml:2: axles: 2.0 does not fit", "a whole number from 1 to 8"),
        ("mass_g = 1\naxles = true", "cart.toml:2: axles: true does not fit", "a whole number"),
        ("mass_g = 1\naxles = 9", "cart.toml:2: axles: 9 is out of range", "a whole number from 1 to 8"),
        ("mass_g = 1\nlabel = 4", "cart.toml:2: label: 4 does not fit", "text in quotes"),
        ('mass_g = 1\ntags = "a"', 'cart.toml:2: tags: "a" does not fit', "a list of texts in quotes"),
        ('mass_g = 1\ntags = ["a", 1]', "cart.toml:2: tags: a list does not fit", "a list of texts in quotes"),
        ("mass_g = 1\nbraked = 1", "cart.toml:2: braked: 1 does not fit", "true or false"),
        (
            'mass_g = 1\nside = "middle"',
            'cart.toml:2: side: "middle" is not one of them',
            'one of "left", "right"',
        ),
        ("mass_g = 1\nside = [1]", "cart.toml:2: side: a list is not one of them", "one of"),
        (
            "mass_g = 1\nbed_mm = [1, 2]",
            "cart.toml:2: bed_mm: 2 numbers are given",
            "3 numbers from -1000 to 1000 mm",
        ),
        ("mass_g = 1\nbed_mm = 4", "cart.toml:2: bed_mm: 4 does not fit", "3 numbers"),
        (
            "mass_g = 1\nbed_mm = [\n1,\n2,\n1001]",
            "cart.toml:5: bed_mm.3: 1001 is out of range",
            "from -1000 to 1000 mm",
        ),
        ('mass_g = 1\nbed_mm = [1, "2", 3]', 'cart.toml:2: bed_mm.2: "2" does not fit', "3 numbers"),
        ("mass_g = 1\ncurve = [[0, 1]]", "cart.toml:2: curve: at least two rows", "rows [angle_deg, pulse_us]"),
        ("mass_g = 1\ncurve = [[0, 1],\n[1]]", "cart.toml:3: curve.2: row 2 does not have 2 numbers", "rows"),
        ("mass_g = 1\ncurve = [[0, 1],\n[1, true]]", "cart.toml:3: curve.2: true does not fit", "rows"),
        (
            "mass_g = 1\ncurve = [[1, 1], [1, 2]]",
            "cart.toml:2: curve: the column angle_deg does not rise",
            "rising",
        ),
        (
            "mass_g = 1\nroad_deg = 1",
            "cart.toml:2: road_deg: a list of rows is needed",
            "rows of numbers from -90 to 90 °",
        ),
        ("mass_g = 1\nroad_deg = []", "cart.toml:2: road_deg: a list of rows is needed", "a list of rows"),
        ("mass_g = 1\nroad_deg = [[1, 2],\n[3]]", "cart.toml:3: road_deg.2: row 2 has 1 number, row 1 2", "rows"),
        ("mass_g = 1\nroad_deg = [[1, 2],\n[3, 91]]", "cart.toml:3: road_deg.2: 91 is out of range", "rows"),
        ("mass_g = 1\nspare = 1", "cart.toml:2: spare: 1 does not fit", "a table [spare]"),
        ("mass_g = 1\nwheel = 1", "cart.toml:2: wheel: 1 does not fit", "tables [[wheel]]"),
        ("mass_g = 1\nwheel = [1]", "cart.toml:2: wheel: a list does not fit", "tables [[wheel]]"),
        ("mass_g = 1\npart = 1", "cart.toml:2: part: 1 does not fit", "tables [part.NAME]"),
        ("mass_g = 1\n[part]\nhub = 1", "cart.toml:2: part: a table does not fit", "tables [part.NAME]"),
    ],
)
def test_what_does_not_fit_is_refused_in_full(toml: str, start: str, expected: str):
    """File, line, key, what was wrong, what was expected and why it is there, and what to do."""
    message = refusal(toml)
    assert message.startswith(start)
    assert "\n  expected: " in message
    assert expected in message
    assert "\n  next: write a value that fits" in message


def test_only_what_may_be_absent_is_offered_to_be_taken_out():
    """`rise_deg` is optional, `mass_g` is not."""
    assert refusal("mass_g = 1\nrise_deg = 91").endswith("or take the line out")
    assert refusal("mass_g = -1").endswith("write a value that fits")


def test_unknown_keys_are_refused_with_the_nearest_name():
    """At any depth; the known keys are listed."""
    message = refusal("mass_g = 1\n[[wheel]]\nradius_mm = 5\n[[wheel]]\nradius_cm = 5\n")
    assert message.splitlines() == [
        "cart.toml:5: wheel.2.radius_cm: unknown key",
        "  available: radius_mm (nearest: radius_mm)",
        "  next: mend the name, or take the line out",
    ]


def test_missing_keys_say_what_should_stand_there():
    """The place is the heading of the table that lacks the key."""
    assert refusal("label = 'x'").splitlines() == [
        "cart.toml: mass_g is missing",
        "  expected: mass_g = a number from 0 to 5000 g (what it weighs)",
        "  next: add it",
    ]
    assert refusal("mass_g = 1\n[[wheel]]\n").startswith("cart.toml:2: wheel.1: radius_mm is missing")


def test_defaults_that_could_be_changed_are_our_own_mistake():
    """A list as a default would be shared by all objects."""
    with pytest.raises(TypeError, match="frozen"):
        text("key", ["a"], "why")
