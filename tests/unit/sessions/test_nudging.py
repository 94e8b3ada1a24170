"""The maker at the keys, beside arms that stand at a pose."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from handfast.desk.measuring import Nudged
from handfast.sessions.nudging import FOOT_HELP, LONG, LONGER, AtTheKeys, Foot
from handfast.sessions.operator import InputEnded, Keys
from support import seedling


def test_without_more_keys_it_does_not_wait():
    """What was typed is done first; then the end of the input ends it, and no time passes."""
    keys, idles = Keys(True, lambda: False, letters_buy=3.0), []
    routine = seedling.routine_of(seedling.go("left", 0, 0, 0, 0, 0, name="go"))
    arrival = SimpleNamespace(step=0, side="left")
    at = AtTheKeys(
        routine, {}, keys.typed, lambda: idles.append(1), lambda said: None, lambda marks: "", ended=keys.ended
    )
    for letter in "xs\n":
        keys.press(letter)
    keys.end()
    assert at.asks(arrival)
    assert np.allclose(at.way(arrival), [0.5e-3, 0.0, 0.0])
    assert at.way(arrival) is None
    with pytest.raises(InputEnded):
        at.way(arrival)
    assert not idles


def test_the_pedal_in_place_of_keys():
    """A foot that held it on the way comes off first; then short, long and longer presses are steps, ways, the mark."""
    keys, said = Keys(True, lambda: False, clock=lambda: now, letters_buy=3.0), []
    now, changes = 0.0, [(0.5, True)]

    def presses(*lengths):
        """One after the other, 0.2 s between them."""
        for length in lengths:
            begun = changes[-1][0] + 0.2
            changes.extend([(begun, True), (begun + length, False)])

    at = AtTheKeys(
        seedling.routine_of(seedling.go("left", 0, 0, 0, 0, 0, name="go")), {}, keys.typed, lambda: None, said.append,
        lambda marks: "learned", keys.ended, Foot(lambda: changes, keys.press, said.append),
    )  # fmt: skip
    arrival = SimpleNamespace(step=0, side="left")
    assert at.asks(arrival)
    assert f"  {FOOT_HELP}" in said
    changes.append((5.0, False))  # held down on the way, which says nothing however long
    presses(0.3)
    assert np.allclose(at.way(arrival), [0.5e-3, 0, 0])
    assert keys.may_move()
    # Two longer presses lead from x over X to y; then two short ones, heard while arms moved.
    presses(LONG + 0.01, LONG + 0.01, 0.2, 0.1)
    assert np.allclose(at.way(arrival), [0, 1.0e-3, 0])
    assert "as y does" in said[-2]
    now = 10.0
    assert not keys.may_move()
    presses(LONGER + 0.01)
    assert at.way(arrival) is None
    assert keys.may_move()
    at.done(arrival, np.zeros(5), np.ones(5))
    assert said[-1] == "  mark 1: learned"
    # At the next mark it goes on with the same way; what was pressed in between was not meant for it.
    presses(0.1)
    assert at.asks(arrival)
    presses(0.1)
    assert np.allclose(at.way(arrival), [0, 0.5e-3, 0])


def test_what_no_figure_explains_is_told():
    """Every remainder beside its pose; with much of it, what to look at."""
    done = Nudged([1e-3], [1e-3], Path("x"), "b", {(2, "left"): 12e-3, (4, "right"): 0.6e-3})
    much, little = done.beside_words()
    assert much.startswith("step 3 of the left arm: 12.0 mm that no figure explains")
    assert "slipped" in much
    assert little == "step 5 of the right arm: 0.6 mm that no figure explains stand beside its pose"
