"""Elements, lettering and curves of the pictures."""

import xml.etree.ElementTree as ET

import numpy as np
import pytest

from handfast.report.charts import Panel, kept, round_down, ticks, top_of
from handfast.report.svg import Picture, brief, element, escape, fitted, prose, width_of


def test_text_is_escaped_and_unprintable_signs_are_replaced():
    """What TOML allows in a name may not break the page: <, &, quotes, control signs."""
    assert escape('<a & "b">\x01') == "&lt;a &amp; &quot;b&quot;&gt;\N{REPLACEMENT CHARACTER}"
    assert ET.fromstring(element("p", escape("\x00<\ud800&"), title='"<')) is not None


@pytest.mark.parametrize(
    ("value", "said"), [(0.0, "0"), (-0.001, "0"), (1.5, "1.5"), (100.0, "100"), (2.345, "2.35"), (-3.0, "-3")]
)
def test_coordinates_are_brief(value, said):
    """No needless figures, never a minus zero; round half to even of the binary value aside."""
    assert brief(value + 1e-9) == said


def test_a_number_stays_with_its_unit():
    """A no-break space ties a number to its unit, and nothing else."""
    assert prose("5 mm off at 2 s, 3 arms") == "5\N{NO-BREAK SPACE}mm off at 2\N{NO-BREAK SPACE}s, 3 arms"


def test_long_words_are_fitted_and_short_ones_kept():
    """Shortened text ends in an ellipsis and stands in its room."""
    assert fitted("short", 100, 10) == "short"
    long = fitted("a-very-long-name-indeed", 60, 10)
    assert long.endswith("…")
    assert width_of(long, 10) <= 60


@pytest.mark.parametrize(
    ("low", "high", "count", "found"),
    [
        (0.0, 10.0, 5, [0, 2, 4, 6, 8, 10]),
        (0.0, 0.37, 4, [0, 0.1, 0.2, 0.3]),
        (-3.0, 3.0, 3, [-2, 0, 2]),
        (1.0, 1.0, 4, [1.0]),
    ],
)
def test_ticks_are_round(low, high, count, found):
    """1, 2 or 5 times a power of ten, inside the range."""
    assert ticks(low, high, count) == pytest.approx(found)


@pytest.mark.parametrize(
    ("value", "found"), [(0.53, 0.5), (0.99, 0.5), (1.0, 1.0), (7.0, 5.0), (19.0, 10.0), (20.0, 20.0)]
)
def test_rounding_down_is_never_above(value, found):
    """The largest round number not above the value."""
    assert round_down(value) == pytest.approx(found)


def test_thinning_keeps_every_peak():
    """Of 50 000 samples few are drawn, but the highest, the lowest and both ends are among them."""
    rng = np.random.default_rng(3)
    values = rng.normal(size=50_000)
    values[12_345], values[40_001] = 50.0, -50.0
    index = kept(values, 100)
    assert len(index) <= 202
    assert {0, len(values) - 1, 12_345, 40_001} <= set(index.tolist())
    assert np.all(np.diff(index) > 0)


def test_straight_stretches_need_two_points():
    """A line is drawn by its ends."""
    assert kept(np.linspace(0.0, 5.0, 80), 100).tolist() == [0, 79]


def test_panel_puts_values_where_they_belong():
    """Corners of the scales are corners of the panel; what is beyond stays on the rim."""
    panel = Panel(Picture("p", 100, 100, ""), 10, 20, 60, 40, (0.0, 2.0), (-1.0, 1.0))
    assert panel.across(np.array([0.0, 2.0])).tolist() == [10.0, 70.0]
    assert panel.up(np.array([-1.0, 0.0, 1.0, 9.0])).tolist() == [60.0, 40.0, 20.0, 20.0]


def test_top_ignores_what_is_not_finite():
    """A scale is made for the finite values."""
    assert top_of(np.array([1.0, np.inf, np.nan])) == pytest.approx(1.12)


def test_hatches_are_defined_once_and_pictures_are_well_formed():
    """Each fill that is used is defined in the picture, once."""
    picture = Picture("p", 50, 50, "a picture")
    fills = {picture.hatch("rising"), picture.hatch("rising"), picture.hatch("crossed")}
    picture.box(0, 0, 10, 10, picture.hatch("rising"))
    root = ET.fromstring(picture.markup())
    defined = {f"url(#{p.get('id')})" for p in root.iter("pattern")}
    assert defined == fills
    assert root.find("title").text == "a picture"


def test_a_picture_alone_has_its_namespace_and_ground():
    """As a file of its own it names SVG's namespace and is white, so that it shows on a dark page."""
    root = ET.fromstring(Picture("p", 50, 40, "x").markup(alone=True))
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    first = root.find("{http://www.w3.org/2000/svg}rect")
    assert first.get("fill") == "#ffffff"
    assert (first.get("width"), first.get("height")) == ("50", "40")
