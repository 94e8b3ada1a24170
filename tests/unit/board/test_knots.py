"""Thinning commands to knots: within what is stated, and with the fewest there can be."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from handfast.board.codec import wire
from handfast.board.knots import fitting, thinned
from handfast.errors import InputError

ONE = np.ones(2)


def off(pulses, chosen):
    """By how much lines between chosen frames leave all frames, tried out plainly."""
    n = np.arange(len(pulses))
    return max(np.abs(np.interp(n, chosen, pulses[chosen, c]) - pulses[:, c]).max() for c in range(pulses.shape[1]))


def test_straight_pieces_need_their_ends_only():
    """Up, along, down: four knots, exactly; frames count from one to the next."""
    line = np.concatenate([np.arange(0, 50), np.full(30, 50), np.arange(50, 9, -2)])
    found = thinned(np.column_stack([line, 2 * line]) + 9000, ONE, 1e-9)
    assert found.frames == (1, 50, 30, 20)
    assert found.off == 0


@pytest.mark.parametrize("seed", range(6))
def test_the_fewest_by_trying_all(seed):
    """Twelve frames of two channels: no choice of frames with fewer knots stays within (all are tried)."""
    rng = np.random.default_rng(seed)
    pulses = 9000 + np.cumsum(rng.integers(-6, 7, (12, 2)), axis=0)
    within = float(rng.uniform(1.5, 6.0))
    found = thinned(pulses, ONE, within)
    assert found.off <= within + 1e-9
    inner = range(1, 11)
    fewer = ([0, *some, 11] for count in range(len(found.frames) - 2) for some in itertools.combinations(inner, count))
    assert all(off(pulses, np.array(chosen)) > within for chosen in fewer)


def test_a_long_rest_is_divided():
    """No knot is further from the one before than the wire can say."""
    most = wire().kinds["store_knot"].fields[1].high
    found = thinned(np.full((most + 500, 1), 9000), np.ones(1), 1.0)
    assert len(found.frames) == 3
    assert max(found.frames) <= most


def test_too_many_are_refused_with_the_excess():
    """How many there are, how many too many, and a width that fits."""
    rng = np.random.default_rng(1)
    pulses = 9000 + np.cumsum(rng.integers(-9, 10, (400, 2)), axis=0)
    scale = np.full(2, 1e-4)
    with pytest.raises(InputError, match=r"does not fit: \d+ knots .* too many") as error:
        fitting(pulses, scale, 1e-4)
    wider = np.radians(float(error.value.next_step.split()[1]))
    assert len(fitting(pulses, scale, 1.02 * wider).frames) <= wire().limits["knots"]
