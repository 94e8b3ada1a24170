"""What a maker types to take a reading."""

from __future__ import annotations

import pytest

from handfast.errors import InputError
from handfast.sessions.reading_words import GOOD_TO, KINDS, asked_for
from support import seedling

BENCH = seedling.bench()


@pytest.mark.parametrize(
    ("line", "kind", "of", "numbers", "sides"),
    [
        ("touch left -120 60 5.5", "touch", "left", (-120.0, 60.0, 5.5), ("left",)),
        ("meet", "meet", "", (), ("left", "right")),
        ("bar 60", "bar", "", (60.0,), ("left", "right")),
        ("gauge right elbow 45", "gauge", "right elbow", (45.0,), ("right",)),
        ("Level LEFT shoulder -3,5", "level", "left shoulder", (-3.5,), ("left",)),
        ("pull left roll 2 80", "pull", "left roll", (2.0, 80.0), ("left",)),
        ("sag right 150", "sag", "right", (150.0,), ("right",)),
        ("push left 0 -3 1", "push", "left", (0.0, -3.0, 1.0), ("left",)),
    ],
)
def test_every_kind(line, kind, of, numbers, sides):
    """Kind, where, numbers, and the arms that have to be still."""
    asked = asked_for(line, BENCH)
    assert (asked.kind, asked.of, asked.numbers, asked.sides) == (kind, of, numbers, sides)
    if kind in GOOD_TO:
        assert asked.error == GOOD_TO[kind]


def test_how_good_it_is():
    """Said, or else as usual; a pull by its share and by what a scale shows."""
    assert asked_for("touch left 1 2 3 good to 0.25", BENCH).error == 0.25
    assert asked_for("pull left roll 10 80", BENCH).error == pytest.approx((0.8**2 + 0.03**2) ** 0.5)
    assert asked_for("loose left roll 0 80", BENCH).error == pytest.approx(0.03)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("", 'no reading ""'),
        ("tuch left 1 2 3", "nearest: touch"),
        ("touch left 1 2", '"touch left 1 2" does not fit'),
        ("touch middle 1 2 3", 'no arm "middle"'),
        ("gauge left elbo 45", "nearest: left elbow"),
        ("gauge 45", '"gauge 45" does not fit'),
        ("level left elbow steep", "does not fit"),
        ("touch left 1 2 3 four", "does not fit"),
        ("meet 3", "does not fit"),
        ("bar nan", "does not fit"),
        ("bar -5", "expected: 5 to 5000 mm"),
        ("touch left 9000 0 0", "touch 9000 is out of range"),
        ("sag left -100", "expected: 1 to 20000 g"),
        ("pull left elbow -2 80", "expected: 0 to 500 N"),
        ("pull left elbow 2 0", "expected: 1 to 2000 mm"),
        ("level left elbow 91", "expected: -90 to 90 °"),
        ("gauge left elbow 45 good to 30", "expected: 0.01 to 10 °"),
        ("push left 0 0 0", "no push"),
        ("touch left 1 2 3 good to 0", 'good to "0"'),
        ("touch left 1 2 3 good to me", 'good to "me"'),
    ],
)
def test_what_does_not_fit(line, says):
    """One message that says what, and what to type instead."""
    with pytest.raises(InputError) as raised:
        asked_for(line, BENCH)
    said = str(raised.value)
    assert says in said
    assert "next: " in said


def test_all_kinds_are_shown():
    """The shapes that are shown can be typed."""
    for kind, (shape, says) in KINDS.items():
        words = {"ARM": "left", "JOINT": "left elbow"}
        typed = " ".join(words.get(word, word if word == kind else "7") for word in shape.split())
        assert asked_for(typed, BENCH).kind == kind
        assert says
