"""A minute of carrying, 6000 samples, worked out, against the whole check of the motion that comes of it."""

from __future__ import annotations

import time
from dataclasses import replace
from functools import cache

from handfast.answers.ask import ask
from handfast.answers.facts import facts_of
from handfast.mechanics.model import Model, model_of
from handfast.motion.plan import plan
from handfast.routine.steps import Routine
from ratios import Row
from support import rehearsing, seedling

REPEATS = 5


@cache
def case() -> tuple[Model, Routine]:
    """The tray's carry, so slow that it takes a minute."""
    model, routine = model_of(seedling.bench()), rehearsing.taught("carry-tray")
    slow = replace(routine, steps=tuple(replace(s, pace=0.05) if s.do == "carry" else s for s in routine.steps))
    carried = plan(model, slow).carries
    samples = sum(c.last - c.first for c in carried)
    factor = samples / 6000.0
    return model, replace(
        routine, steps=tuple(replace(s, pace=0.05 * factor) if s.do == "carry" else s for s in routine.steps)
    )


def planned() -> float:
    """Seconds, of processor time, for the carry alone: all of the plan."""
    model, routine = case()
    start = time.thread_time()
    motion = plan(model, routine)
    found = time.thread_time() - start
    assert sum(c.last - c.first for c in motion.carries) > 5500
    return found


def checked() -> float:
    """Seconds for all questions of the same motion."""
    model, routine = case()
    motion = plan(model, routine)
    start = time.thread_time()
    ask(facts_of(model.bench, routine, motion=motion), False)
    return time.thread_time() - start


def whole() -> float:
    """Two seconds over what it takes."""
    planned()
    return 2.0 / sorted(planned() for _ in range(REPEATS))[REPEATS // 2]


def beside_a_check() -> float:
    """Twice a check over a plan."""
    planned(), checked()
    ratios = sorted(2.0 * checked() / planned() for _ in range(REPEATS))
    return ratios[REPEATS // 2]


ROWS = [
    Row("a minute of carrying: 2 s over what it takes", 1.0, 2.0, whole),
    Row("a minute of carrying: twice a whole check over it", 1.0, 1.2, beside_a_check),
]
