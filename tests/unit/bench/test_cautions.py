"""Cautions: the figures of the standards, and the bench's own."""

from dataclasses import replace

import pytest

from handfast.bench.cautions import DEFERS, FINGER_GAP, HAND_GAP, SPEED_WITH_PEOPLE, before_motion, cautions
from handfast.bench.folder import find_bench, read_bench
from handfast.bench.new import new_bench
from handfast.bench.parts import Stop


@pytest.fixture
def bench(tmp_path):
    """The seedling bench."""
    folder = new_bench(tmp_path / "bench")
    return read_bench(find_bench(tmp_path, folder.root))


def test_figures_of_the_standards():
    """ISO 13854:2017: finger 25 mm, hand 100 mm; ISO 10218-1: 250 mm/s at reduced speed (secondary sources)."""
    assert (FINGER_GAP, HAND_GAP, SPEED_WITH_PEOPLE) == (0.025, 0.100, 0.250)


def test_every_danger_has_words_and_a_source(bench):
    """Pinching, speed, stopping, heat, cells, mains, sharp things, eyes and children are all there, each sourced."""
    found = cautions(bench)
    words = " ".join(f"{c.danger} {c.text}" for c in found).lower()
    for danger in ("crush", "250 mm/s", "stop category", "hot", "lithium", "mains", "blade", "eye", "children"):
        assert danger in words
    assert all(c.source for c in found)
    assert "no conformity" in DEFERS
    assert "licensed" in DEFERS


def test_speed_names_the_pace_that_keeps_to_the_limit(bench):
    """At 500 mm/s half the pace keeps to 250 mm/s; below the limit no pace is named."""
    fast = next(c for c in cautions(bench, fastest=0.5) if c.danger == "Speed")
    assert "500 mm/s" in fast.text
    assert "50 % of its pace" in fast.text
    slow = next(c for c in cautions(bench, fastest=0.2) if c.danger == "Speed")
    assert "pace or less" not in slow.text


@pytest.mark.parametrize(
    ("nearest", "said"),
    [(0.009, "9 mm is the smallest gap on the way: fingers"), (0.2, "200 mm"), (-0.01, "nothing is")],
)
def test_narrow_gaps_are_named(bench, nearest, said):
    """The smallest gap is told; under 25 mm fingers are warned; none left is said as such."""
    text = next(c.text for c in cautions(bench, nearest=nearest) if c.danger.startswith("Pinching"))
    assert said in text


def test_stop_category_is_the_bench_s(bench):
    """Category 1 says the time to the cut, category 0 that it is at once; both that an arm without power falls."""
    one = next(c.text for c in cautions(bench) if c.danger == "Stopping")
    assert "category 1" in one
    assert "0.6 s" in one
    zero = next(c.text for c in cautions(replace(bench, stop=Stop(category=0, time=0.6))) if c.danger == "Stopping")
    assert "category 0" in zero
    assert "falls" in zero
    assert "category 1 here" in before_motion(bench)
    assert "120 mm/s" in before_motion(bench, 0.12)
