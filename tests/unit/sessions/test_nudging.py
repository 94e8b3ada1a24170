"""The maker at the keys, beside arms that stand at a pose."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from handfast.sessions.nudging import AtTheKeys
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
