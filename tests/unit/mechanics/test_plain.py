"""The kernels as ordinary Python, against the same kernels compiled.

`HANDFAST_PLAIN=1 pytest tests/unit/mechanics -k plain` runs them plain and calls the compiled ones in a process
of their own; without it, the other way round.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from types import FunctionType

import numpy as np
import pytest

from handfast.geometry.angle_kernels import direction_angle, sine_cosine
from handfast.kernels import PLAIN
from handfast.mechanics import chain_kernels, survey_kernels
from handfast.mechanics.clearance import survey
from handfast.mechanics.dynamics import inverse_dynamics
from handfast.mechanics.kinematics import places
from support import one_run
from support.arms import planar, random_bodies, random_pair


def test_plain_means_plain():
    """With HANDFAST_PLAIN=1 a kernel is an ordinary function, else it is not."""
    assert isinstance(survey_kernels.survey_kernel, FunctionType) == PLAIN
    assert isinstance(chain_kernels.place, FunctionType) == PLAIN
    assert (os.environ.get("HANDFAST_PLAIN") == "1") == PLAIN


def test_plain_and_compiled_agree(tmp_path: Path):
    """Torques, Jacobians, clearances, places and both inverses of unlike arms.

    1e-12: the compiler may round a product and its sum in another order, and angles of the general solver
    are good to about 1e-8 (its own measure of content), where they start alike they end alike.
    """
    other = {**os.environ, "HANDFAST_PLAIN": "0" if PLAIN else "1"}
    file = tmp_path / "other.npz"
    subprocess.run([sys.executable, one_run.__file__, str(file)], env=other, check=True, timeout=600)
    theirs = np.load(file)
    ours = one_run.one_run()
    assert set(theirs) == set(ours)
    for name, values in ours.items():
        assert values == pytest.approx(theirs[name], abs=1e-8 if name == "general" else 1e-12), name


def test_plain_textbook_arm():
    """Two links with point masses, the check of `test_dynamics`, in whichever way the kernels run."""
    tau = inverse_dynamics(
        planar([0.4, 0.3], [1.0, 0.5]), np.radians([[30.0, 60.0]]), np.array([[1.0, -2.0]]), np.array([[3.0, 0.5]])
    )
    assert tau[0] == pytest.approx([6.169925527, 0.299461524], abs=1e-9)


def test_plain_sample_by_sample():
    """`chain_kernels`, for work that goes from one sample to the next, gives what the blocks give."""
    rng = np.random.default_rng(21)
    pair = random_pair(rng)
    K = pair.joints
    q, qd, qdd = (rng.normal(size=(2, K)) for _ in range(3))
    loads = rng.uniform(0.01, 0.2, (2, 2))
    tau = inverse_dynamics(pair, q, qd, qdd, loads)
    here = places(pair, q)
    R, p, z = np.empty((K, 3, 3)), np.empty((K, 3)), np.empty((K, 3))
    F, M, got, J = np.empty((K, 3)), np.empty((K, 3)), np.empty(K), np.empty((K, 6))
    for n in range(2):
        chain_kernels.place(pair.first, pair.bases, pair.offsets, pair.axes, q[n], R, p)
        chain_kernels.world_axes(pair.first, R, pair.axes, z)
        tips = np.ascontiguousarray(here.X_WT[n, :, :3, 3])
        chain_kernels.torques(
            pair.first, R, p, z, pair.masses, pair.coms, pair.inertias, loads[n], tips, pair.gravity, qd[n], qdd[n],
            got, F, M,
        )  # fmt: skip
        chain_kernels.jacobian(pair.first, p, z, tips, J)
        assert here.R[n] == pytest.approx(R, abs=1e-13)
        assert here.p[n] == pytest.approx(p, abs=1e-13)
        assert here.J[n] == pytest.approx(J, abs=1e-13)
        assert tau[n] == pytest.approx(got, abs=1e-12)


def test_plain_sine_and_cosine():
    """Against the library's, over every quarter and far out; two units in the last place of 1."""
    angles = np.concatenate([np.linspace(-20, 20, 4001), np.arange(-40, 41) * np.pi / 4, [1e5, -1e5, 12345.6789]])
    found = np.array([sine_cosine(x) for x in angles])
    assert found[:, 0] == pytest.approx(np.sin(angles), abs=2.3e-16)
    assert found[:, 1] == pytest.approx(np.cos(angles), abs=2.3e-16)


def test_plain_angle_of_a_direction():
    """Against the library's: all round, on the axes and diagonals, and lengths from 1e-8 to 1e8; two units of π."""
    rng = np.random.default_rng(23)
    around = np.linspace(-np.pi, np.pi, 2001)
    x, y = np.cos(around), np.sin(around)
    x = np.concatenate([x, [0, 0, 1, -1, 0, 1, -1, 1, -1], rng.normal(size=500) * 10.0 ** rng.uniform(-8, 8, 500)])
    y = np.concatenate([y, [1, -1, 0, 0, 0, 1, 1, -1, -1], rng.normal(size=500) * 10.0 ** rng.uniform(-8, 8, 500)])
    found = np.array([direction_angle(b, a) for a, b in zip(x, y, strict=True)])
    assert found == pytest.approx(np.arctan2(y, x), abs=9e-16)


def test_plain_threads_change_nothing():
    """One, two and five threads, and more threads than samples, give the same to the last bit."""
    rng = np.random.default_rng(22)
    pair = random_pair(rng)
    bodies = random_bodies(rng, pair)
    q, qd, qdd = (rng.normal(size=(7, pair.joints)) for _ in range(3))
    loads, offsets = rng.uniform(0, 0.2, (7, 2)), rng.normal(size=(2, 3)) * 0.03
    one = survey(pair, bodies, q, qd, qdd, loads, offsets)
    for threads in (2, 5, 9):
        for mine, theirs in zip(survey(pair, bodies, q, qd, qdd, loads, offsets, threads), one, strict=True):
            assert np.array_equal(mine, theirs)
