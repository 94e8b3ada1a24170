"""The way from where arms are found to where they begin."""

from __future__ import annotations

import dataclasses
from itertools import pairwise

import numpy as np
import pytest

from handfast.errors import InputError
from handfast.mechanics.clearance import clearances
from handfast.sessions.way_in import CLOSER, ENOUGH, way_in
from support import seedling


def pose(*left_deg: float) -> np.ndarray:
    """The left arm so, the right one upright."""
    return np.radians([*left_deg, 0, 0, 0, 0, 0])


def with_box(middle: tuple[float, float, float], sides: tuple[float, float, float]):
    """The seedling bench with one more box (m, world), and the arms' bodies watched against it."""
    model = seedling.model()
    bodies = model.bodies
    X = np.eye(4)
    X[:3, 3] = middle
    number = len(bodies.boxes)
    pairs = [(2, b, number) for b in range(len(bodies.links)) if bodies.links[b] >= 0]
    more = dataclasses.replace(
        bodies,
        boxes=np.concatenate([bodies.boxes.reshape(-1, 4, 4), X[None]]),
        box_sizes=np.concatenate([bodies.box_sizes.reshape(-1, 3), 0.5 * np.array([sides])]),
        box_names=(*bodies.box_names, "post"),
        pairs=np.concatenate([bodies.pairs, np.array(pairs)]),
    )
    return dataclasses.replace(model, bodies=more)


def least_gap(model, begin, way) -> float:
    """Smallest gap along straight lines, far finer than the tool looks."""
    points = [begin, *way]
    path = np.concatenate([a + np.linspace(0, 1, 2000)[:, None] * (b - a) for a, b in pairwise(points)])
    return float(clearances(model.chain, model.bodies, path).min())


def test_straight_where_nothing_is_in_the_way():
    """One leg, to the goal itself."""
    goal = pose(30, 60, 20, 20, 0)
    (only,) = way_in(seedling.model(), pose(0, 0, 0, 0, 0), goal)
    assert np.array_equal(only, goal)


def test_round_what_stands_between():
    """A post before the left arm, which is to swing from one side of it to the other."""
    model = with_box((-0.226 + 0.22, 0.0, 0.06), (0.05, 0.05, 0.12))
    begin, goal = pose(-60, 75, 10, 0, 0), pose(60, 75, 10, 0, 0)
    assert least_gap(model, begin, [goal]) < 0.0
    way = way_in(model, begin, goal)
    assert len(way) > 1
    assert np.array_equal(way[-1], goal)
    assert least_gap(model, begin, way) >= ENOUGH - CLOSER - 1e-4


def test_refused_where_no_way_is_free():
    """A wall right through the left arm's base: it says between what, and what to do."""
    model = with_box((-0.226 + 0.3, 0.0, 0.5), (0.6, 0.01, 1.0))
    begin, goal = pose(-60, 75, 10, 0, 0), pose(60, 75, 10, 0, 0)
    with pytest.raises(InputError) as raised:
        way_in(model, begin, goal)
    said = str(raised.value)
    assert "no free way" in said
    assert "post" in said
    assert "inside each other" in said
    assert "lead the limp arms nearer" in said


def test_arms_that_lie_on_the_table_may_rise_from_it():
    """Limp arms rest on what they touch; going deeper is refused, going up is not."""
    model = seedling.model()
    lying = pose(0, 104, 0, 0, 0)
    assert least_gap(model, lying, [lying]) < 0.0
    assert len(way_in(model, lying, pose(0, 60, 0, 0, 0))) == 1


def test_a_goal_that_nobody_judged_must_be_clear_itself():
    """2.5 degrees below a start that is just clear of the table."""
    model = seedling.model()
    start = pose(0, 99, 0, 0, 0)
    below = start + np.radians(2.5)
    assert len(way_in(model, start, below)) == 1
    with pytest.raises(InputError, match="no free way"):
        way_in(model, start, below, judged=False)


def test_nothing_to_touch():
    """No pair of bodies is watched: straight."""
    model = seedling.model()
    bare = dataclasses.replace(model, bodies=dataclasses.replace(model.bodies, pairs=model.bodies.pairs[:0]))
    assert len(way_in(bare, pose(0, 0, 0, 0, 0), pose(0, 110, 0, 0, 0))) == 1
