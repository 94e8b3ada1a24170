"""Exported arms read back by pinocchio and by MuJoCo: the same kinematics and torques; a motion read back."""

from __future__ import annotations

import csv
import io

import mujoco
import numpy as np
import pinocchio
import pytest

from handfast.bench.parts import SIDES
from handfast.desk.rehearsing import export
from handfast.mechanics.dynamics import inverse_dynamics
from handfast.mechanics.kinematics import tool_poses
from handfast.mechanics.model import chain_of
from handfast.motion.plan import plan
from handfast.rehearsal.formats import motion_csv, urdf
from support import seedling


@pytest.mark.parametrize("side", SIDES)
def test_pinocchio_reads_the_same_arm(side):
    """TCP to rounding and torques to 1e-9 N·m at random angles, speeds and accelerations."""
    bench = seedling.bench()
    chain = chain_of(bench).only(SIDES.index(side))
    model = pinocchio.buildModelFromXML(urdf(bench, side))
    model.gravity.linear = chain.gravity
    data = model.createData()
    rng = np.random.default_rng(1)
    for _ in range(10):
        q, v, a = rng.uniform(-1, 1, 5), rng.uniform(-3, 3, 5), rng.uniform(-9, 9, 5)
        pinocchio.framesForwardKinematics(model, data, q)
        there = data.oMf[model.getFrameId(f"{side}_tcp")].homogeneous
        assert there == pytest.approx(tool_poses(chain, q)[0, 0], abs=1e-12)
        tau = pinocchio.rnea(model, data, q, v, a)
        assert tau == pytest.approx(inverse_dynamics(chain, q[None], v[None], a[None])[0], abs=1e-9)
    assert model.lowerPositionLimit == pytest.approx(chain.travel[:, 0])


@pytest.mark.parametrize("side", SIDES)
def test_mujoco_reads_the_same_arm(side):
    """The last link's place, to rounding; a fixed TCP is melted into it."""
    bench = seedling.bench()
    chain = chain_of(bench).only(SIDES.index(side))
    model = mujoco.MjModel.from_xml_string(urdf(bench, side))
    data = mujoco.MjData(model)
    q = np.random.default_rng(2).uniform(-1, 1, 5)
    data.qpos[:] = q
    mujoco.mj_kinematics(model, data)
    last = model.nbody - 1
    tip = data.xpos[last] + data.xmat[last].reshape(3, 3) @ chain.tools[0]
    assert tip == pytest.approx(tool_poses(chain, q)[0, 0, :3, 3], abs=1e-9)


def test_a_motion_as_csv_comes_back():
    """As many rows as samples, times and angles as they were, to the digits that are written."""
    motion = plan(seedling.model(), seedling.routine("pass-pot"))
    rows = list(csv.DictReader(io.StringIO(motion_csv(seedling.bench(), motion))))
    assert len(rows) == len(motion.t)
    shoulder = np.array([float(row["left_shoulder_deg"]) for row in rows])
    assert shoulder == pytest.approx(np.degrees(motion.q[:, 1]), abs=1e-5)
    assert float(rows[-1]["t_s"]) == pytest.approx(motion.t[-1], abs=1e-3)


def test_everything_is_exported(tmp_path):
    """Four files from one command's function, and MuJoCo loads the twin with as many joints as the bench has."""
    files = export(seedling.bench(), seedling.routine("pass-pot"), tmp_path / "out")
    assert [path.name for path in files] == ["twin.xml", "left.urdf", "right.urdf", "pass-pot.csv"]
    model = mujoco.MjModel.from_xml_path(str(files[0]))
    assert all(model.joint(name).type[0] == mujoco.mjtJoint.mjJNT_HINGE for name in seedling.bench().joint_names)
    assert model.body("plug-pot").mass[0] == pytest.approx(0.045)
