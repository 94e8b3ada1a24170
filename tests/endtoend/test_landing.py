"""The one thing to be best at, on arms the demo does not use: corrected lands nearer than trimmed, nearer than raw.

Bench defaults and the wire's feedback only. `make test` takes three seeds, `make soak` ten.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parent))

from landing_trial import Case, cases, honesty, medians, table

SEEDS = range(11, 21) if os.environ.get("HANDFAST_SOAK") == "1" else range(11, 14)
"""None of them is the demo's, which is 1."""


@pytest.fixture(scope="module")
def found(tmp_path_factory) -> list[Case]:
    """Every taught pose of every seed, three ways."""
    every: list[Case] = []
    for seed in SEEDS:
        every += cases(tmp_path_factory.mktemp(f"seed{seed}"), seed)
    print("\n" + table(every))
    return every


def test_corrected_is_nearer_than_trimmed_is_nearer_than_raw(found):
    """Median over all poses of all seeds; corrected at most a third of raw."""
    middle = medians(found)
    assert middle["corrected"] < middle["trimmed"] < middle["raw"]
    assert middle["corrected"] <= middle["raw"] / 3.0


@pytest.mark.parametrize("seed", SEEDS)
def test_correction_helps_on_every_seed(found, seed):
    """Not only in the middle of all of them; thirty poses of one pair of arms scatter, so half of raw is asked for."""
    middle = medians([case for case in found if case.seed == seed])
    assert middle["corrected"] < middle["trimmed"]
    assert middle["corrected"] <= middle["raw"] / 2.0


def test_every_pose_was_reached_in_every_way(found):
    """The same poses three times, about thirty a seed."""
    for seed in SEEDS:
        poses = {
            way: {(c.routine, c.step, c.side) for c in found if c.seed == seed and c.way == way}
            for way in ("raw", "trimmed", "corrected")
        }
        assert poses["raw"] == poses["trimmed"] == poses["corrected"]
        assert 25 <= len(poses["raw"]) <= 35


def test_predictions_are_honest(found):
    """What is predicted is about as large as what happens, in each way, and the worst case is one.

    Defaults are guesses at arms that nobody measured, so predicted over true root mean square may be off by a
    third; a prediction that is twice exceeded more than once in ten is no prediction.
    """
    for way, (ratio, twice, worst) in honesty(found).items():
        assert 0.75 < ratio < 1.35, way
        assert twice > 0.9, way
        assert worst > 0.95, way


def test_larger_predictions_belong_to_larger_misses(found):
    """Over all poses and ways the predicted and the true miss rise together (rank correlation)."""
    predicted = np.argsort(np.argsort([c.expected for c in found]))
    true = np.argsort(np.argsort([c.miss for c in found]))
    assert np.corrcoef(predicted, true)[0, 1] > 0.6
