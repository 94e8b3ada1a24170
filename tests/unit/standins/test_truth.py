"""True figures drawn by seed: the ranges that are said, nothing of them in the bench, the same ones every time."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from handfast.standins.truth import draw_truth
from support import seedling

DEGREE = np.pi / 180.0
SEEDS = range(60)

RANGES = [
    ("unseen_play", lambda t: t.unseen_play / DEGREE, 0.3, 1.5),
    ("seen_play", lambda t: t.seen_play / DEGREE, 0.2, 0.8),
    ("dead_band", lambda t: t.dead_band / DEGREE, 0.2, 0.9),
    ("droop at half stall", lambda t: 0.5 * t.full_drive / DEGREE, 0.5, 3.0),
    ("gear friction", lambda t: t.gear_friction / t.stall, 0.02, 0.15),
    ("joint friction", lambda t: t.joint_friction / t.stall, 0.01, 0.04),
    ("dead time", lambda t: t.dead_time, 0.020, 0.060),
    ("offset", lambda t: t.offset / DEGREE, -5.0, 5.0),
    ("follows supply", lambda t: t.follows_supply, 0.0, 1.0),
    ("bow", lambda t: t.bow / t.bow_span, 0.0, 0.015),
    ("noise", lambda t: t.wiper_noise / (5 / 1024), 1.0, 3.0),
]


@pytest.mark.parametrize(("name", "of", "low", "high"), RANGES, ids=[r[0] for r in RANGES])
def test_ranges(name, of, low, high):
    """60 seeds of 12 servos each stay inside and nearly fill the range (720 draws leave 1 % open at each end)."""
    drawn = np.concatenate([of(draw_truth(seedling.bench(), seed)) for seed in SEEDS])
    assert drawn.min() >= low - 1e-12
    assert drawn.max() <= high + 1e-12
    span = high - low
    assert drawn.min() < low + 0.02 * span
    assert drawn.max() > high - 0.02 * span


def test_ratios_to_the_design():
    """Torque ±20 %, compliance halved to doubled; lengths ±2 mm, bases ±5 mm and ±2°, pulse lines ±2 % and ±2°."""
    model = seedling.model()
    for seed in SEEDS:
        truth = draw_truth(model.bench, seed)
        assert np.all(np.abs(truth.stall[:10] / model.stall - 1) <= 0.2)
        assert np.all(np.abs(np.log2(truth.compliance[:10] / model.compliance)) <= 1.0 + 1e-9)
        lengths = np.linalg.norm(truth.chain.offsets, axis=1) - np.linalg.norm(model.chain.offsets, axis=1)
        assert np.all(np.abs(lengths) <= 2e-3 + 1e-12)
        moved = truth.chain.bases[:, :3, 3] - model.chain.bases[:, :3, 3]
        assert np.all(np.abs(moved) <= 5e-3)
        turned = np.einsum("arc,arc->a", truth.chain.bases[:, :3, :3], model.chain.bases[:, :3, :3])
        assert np.all(turned >= 1.0 + 2.0 * np.cos(2 * DEGREE) - 1e-12)
        slope = np.array([model.bench.servo_of(j).pulse_slope for j in model.bench.joints])
        assert np.all(np.abs(truth.pulse_slope[:10] / slope - 1) <= 0.02)


def test_a_seed_always_draws_the_same_arms():
    """And another one others."""
    one, again, other = (draw_truth(seedling.bench(), s) for s in (7, 7, 8))
    for field in dataclasses.fields(one):
        a, b = getattr(one, field.name), getattr(again, field.name)
        if isinstance(a, np.ndarray):
            assert np.array_equal(a, b)
    assert not np.allclose(one.unseen_play, other.unseen_play)


def test_the_design_is_left_as_it_is():
    """Drawing does not touch the bench's own arrays."""
    model = seedling.model()
    before = model.chain.offsets.copy()
    draw_truth(model.bench, 1)
    assert np.array_equal(model.chain.offsets, before)
