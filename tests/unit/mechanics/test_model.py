"""A bench as arrays."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from handfast.geometry.rigid import rotation_of
from handfast.mechanics.model import (
    bodies_of,
    capsule_inertia,
    chain_of,
    model_of,
    tool_turn,
    unit,
)
from support.benches import plain_bench

MM = 1e-3


def test_a_thin_rod_and_a_ball():
    """A capsule almost without radius is a rod, m L²/12; one without length a ball, 2/5 m r². Any handbook."""
    rod = capsule_inertia(0.3, np.zeros(3), np.array([0, 0, 0.2]), 1e-6)
    assert rod == pytest.approx(np.diag([1, 1, 0]) * 0.3 * 0.04 / 12, rel=1e-4, abs=1e-12)
    ball = capsule_inertia(0.3, np.ones(3), np.ones(3), 0.05)
    assert ball == pytest.approx(np.eye(3) * 0.4 * 0.3 * 0.0025)


def test_inertia_of_a_capsule_against_a_sum_of_points():
    """A tilted capsule filled with two million random points; a sum of N points is good to about 1/√N."""
    rng = np.random.default_rng(1)
    start, end, radius = np.array([0.01, 0.02, 0.0]), np.array([0.06, -0.03, 0.08]), 0.02
    axis, length = unit(tuple(end - start)), np.linalg.norm(end - start)
    points = rng.uniform([-radius] * 3, [radius, radius, length + radius], (2_000_000, 3)) - [0, 0, radius / 2]
    points[:, 2] = rng.uniform(-radius, length + radius, len(points))
    nearest = np.clip(points[:, 2], 0, length)
    inside = points[:, 0] ** 2 + points[:, 1] ** 2 + (points[:, 2] - nearest) ** 2 < radius**2
    d = points[inside] - [0, 0, length / 2]
    moments = 0.5 * np.mean(np.sum(d**2, axis=1)[:, None, None] * np.eye(3) - d[:, :, None] * d[:, None, :], axis=0)
    across = np.cross([0, 0, 1], axis)
    R = rotation_of(across / np.linalg.norm(across) * np.arccos(axis[2]))
    expected = R @ moments @ R.T
    assert capsule_inertia(0.5, start, end, radius) == pytest.approx(expected, abs=3e-3 * np.abs(expected).max())


def test_tool_axes():
    """z along the fingers, y the way the jaws open made square to it, right-handed."""
    R = tool_turn((0, 0, 2), (0, 3, 1))
    assert R == pytest.approx(np.eye(3))
    R = tool_turn((1, 0, 0), (0, 0, 1))
    assert R[:, 2] == pytest.approx([1, 0, 0])
    assert R[:, 1] == pytest.approx([0, 0, 1])
    assert np.linalg.det(R) == pytest.approx(1.0)


def test_the_chain_of_a_bench(tmp_path: Path):
    """Bases, offsets, unit axes, tools and travel, left arm first."""
    bench = plain_bench(tmp_path, ("axis = [0, 1, 0]", "axis = [0, 0.6, 0.6]"))
    chain = chain_of(bench)
    assert (chain.joints, chain.arms, list(chain.first)) == (10, 2, [0, 5, 10])
    assert chain.bases[1] == pytest.approx(
        np.array([[-1, 0, 0, 0.226], [0, -1, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]]), abs=1e-15
    )
    assert chain.axes[1] == pytest.approx([0, np.sqrt(0.5), np.sqrt(0.5)])
    assert np.linalg.norm(chain.axes, axis=1) == pytest.approx(np.ones(10))
    assert chain.offsets[2] == pytest.approx([0, 0, 0.105])
    assert chain.travel[6] == pytest.approx(np.radians([-60, 110]))
    assert chain.tools[0] == pytest.approx([0, 0, 0.08])
    assert chain.gravity == pytest.approx([0, 0, -9.80665])


def test_the_gripper_belongs_to_the_last_link(tmp_path: Path):
    """12 g at 8 mm and 38 g at 30 mm: 50 g at 24.72 mm; the inertia grows by the two-body term."""
    chain = chain_of(plain_bench(tmp_path))
    assert chain.masses[4] == pytest.approx(0.050)
    assert chain.coms[4] == pytest.approx([0, 0, (12 * 8 + 38 * 30) / 50 * MM])
    link = capsule_inertia(0.012, np.zeros(3), np.array([0, 0, 0.015]), 0.016)
    gripper = capsule_inertia(0.038, np.array([0, 0, 0.02]), np.array([0, 0, 0.06]), 0.017)
    between = 0.012 * 0.038 / 0.050 * (0.022**2) * np.diag([1, 1, 0])  # reduced mass times distance squared
    assert chain.inertias[4] == pytest.approx(link + gripper + between)


def test_weightless_links_are_fine(tmp_path: Path):
    """No mass at all on the last link: its centre of mass is anywhere, but no number is lost."""
    chain = chain_of(plain_bench(tmp_path, ("mass_g = 12\n", "mass_g = 0\n"), ("mass_g = 38\n", "mass_g = 0\n")))
    assert chain.masses[4] == 0.0
    assert np.isfinite(chain.coms).all()
    assert np.isfinite(chain.inertias).all()


def test_pairs_worth_watching(tmp_path: Path):
    """Across the arms all; within one those two joints apart that do not overlap by design; table; crate."""
    bench = plain_bench(tmp_path)
    bodies = bodies_of(bench)
    pairs = {(int(kind), int(a), int(b)) for kind, a, b in bodies.pairs}
    assert len(pairs) == len(bodies.pairs)
    assert len([p for p in pairs if p[0] == 0 and p[1] < 6 <= p[2]]) == 36
    within = {p[1:] for p in pairs if p[0] == 0 and p[2] < 6}
    assert (0, 2) in within  # yaw link and forearm
    assert (2, 5) in within  # forearm and gripper
    assert (0, 1) not in within  # neighbours
    assert all(b - a >= 2 for a, b in within)
    assert {p[1] for p in pairs if p[0] == 1} == {1, 2, 3, 4, 5, 7, 8, 9, 10, 11}  # not the links bolted down
    assert len([p for p in pairs if p[0] == 2]) == 12
    names = [bodies.pair_name(k) for k in range(len(bodies.pairs))]
    assert "left yaw link and right gripper" in names
    assert "left gripper and the table" in names
    assert "right elbow link and compost-crate" in names


def test_a_gripper_ends_at_its_fingertips(tmp_path: Path):
    """Its round end touches the TCP: the axis is shorter than the way to it by the radius, but not below nothing."""
    bodies = bodies_of(plain_bench(tmp_path))
    assert bodies.tos[5] == pytest.approx([0, 0, 0.063])
    stubby = bodies_of(plain_bench(tmp_path / "b", ("tcp_mm = [0, 0, 80]", "tcp_mm = [0, 0, 10]")))
    assert stubby.tos[5] == pytest.approx([0, 0, 0])
    gone = bodies_of(plain_bench(tmp_path / "c", ("tcp_mm = [0, 0, 80]", "tcp_mm = [0, 0, 0]")))
    assert gone.tos[5] == pytest.approx([0, 0, 0])


def test_boxes_are_halved(tmp_path: Path):
    """size_mm is the whole extent, box_sizes half of it."""
    bodies = bodies_of(plain_bench(tmp_path))
    assert bodies.box_sizes[0] == pytest.approx([0.1, 0.03, 0.03])
    assert bodies.boxes[0, :3, 3] == pytest.approx([0, 0.24, 0.03])


def test_a_bench_without_boxes_has_empty_arrays(tmp_path: Path):
    """Of the shape that kernels take."""
    bench = dataclasses.replace(plain_bench(tmp_path), obstacles=())
    bodies = bodies_of(bench)
    assert bodies.boxes.shape == (0, 4, 4)
    assert bodies.box_sizes.shape == (0, 3)


def test_figures_per_joint(tmp_path: Path):
    """In the order of the joints: servo figures, and a joint's own where it has one; reach; springs."""
    bench = plain_bench(
        tmp_path, ('name = "elbow"', 'name = "elbow"\nspring = { rate_kgcm_per_deg = 0.1, rest_deg = 20 }')
    )
    model = model_of(bench)
    assert model.stall[1] == pytest.approx(20 * 0.0980665)
    assert model.unseen_play[3] == pytest.approx(np.radians(1.0))
    assert model.unseen_play[1] == pytest.approx(np.radians(0.9))
    assert model.springs[2] == pytest.approx([0.1 * 0.0980665 / np.radians(1), np.radians(20)])
    assert model.springs[1] == pytest.approx([0, 0])
    assert model.friction[1] == pytest.approx(0.02 * model.stall[1])
    # Members beyond the shoulder: 105, 98, 40 mm, then 80 mm to the TCP.
    assert model.reach == pytest.approx((0.323, 0.323))
