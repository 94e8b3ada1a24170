"""Routines of the seedling bench as they are taught on arms that are exactly as the bench says."""

from __future__ import annotations

from functools import cache

import numpy as np

from handfast.bench.new import TEMPLATES
from handfast.bench.parts import Bench
from handfast.mechanics.model import model_of
from handfast.routine.file import with_lines
from handfast.routine.steps import Routine
from handfast.standins.hand import Hands
from handfast.standins.servo_model import ServoArms
from handfast.standins.truth import design_truth
from handfast.teaching.routine_from import routine_from
from support import seedling


def taught_on(bench: Bench, name: str, seed: int = 1, lets_go: bool = False) -> Routine:
    """Routine `name` as simple hands teach it on the arms that `bench` describes."""
    hands_of = seedling.example("seedling_hands")
    truth = design_truth(bench)
    with ServoArms(truth, bench.controller.channels, seed, hands_of.rest_pose(bench)) as arms:
        hands = Hands(bench, truth, arms, np.random.default_rng([seed, len(name)]), lets_go=lets_go)
        hands.do(hands_of.SCRIPTS[name]())
        recording = hands.recording(())
    return with_lines(routine_from(recording, model_of(bench), name)[0], TEMPLATES / "seedling" / "routines" / name)


@cache
def taught(name: str) -> Routine:
    """Routine `name` taught on the seedling bench as it is laid down."""
    return taught_on(seedling.bench(), name)
