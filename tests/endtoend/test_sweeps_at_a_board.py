"""`handfast calibrate --sweep`: joints swept behind the wire, kept joint by joint, and fitted."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from handfast.bench.new import new_bench
from handfast.board.host import HostBoard
from handfast.desk import measuring, work
from handfast.desk.board import Simulated, opened
from handfast.records.readings import read_readings
from handfast.sessions import sweeping
from handfast.sessions.operator import Always
from handfast.sessions.wire_arms import StoppedByOperator
from handfast.standins.truth import draw_truth
from support.commands import handfast

DEGREE = np.pi / 180.0
SEED = 5


@pytest.fixture
def desk(tmp_path, monkeypatch):
    """A new seedling bench, of which only the left shoulder and elbow are swept."""
    whole = sweeping.plan_sweeps
    monkeypatch.setattr(sweeping, "plan_sweeps", lambda model: dataclasses.replace(whole(model), joints=(1, 2)))
    folder = new_bench(tmp_path / "bench")
    return work.open_bench(folder.root, folder.root)


def test_sweeps_behind_the_wire_find_what_is_there(desk):
    """Two joints of arms drawn by seed, with nothing else read: pulse lines within 0.5°, droop as well as it says."""
    said: list[str] = []
    with opened(desk, None, Simulated(seed=SEED)) as found:
        path = measuring.sweep_at_board(desk, found, Always(), said.append)
    readings = read_readings(path, desk.bench)
    assert [s.joint for s in readings.sweeps] == ["left shoulder", "left elbow"]
    assert len(readings.follows) == 10
    assert said[-1] == f"{path.name}: left elbow (2 of 2)"
    truth = draw_truth(desk.bench, SEED)
    off = np.array([f.share for f in readings.follows]) - truth.follows_supply[:10]
    assert np.median(np.abs(off)) < 0.05
    fitted = measuring.fit(desk, readings, advise=False)
    for i, fit in zip((1, 2), fitted.pulses, strict=True):
        joint = desk.bench.joints[i]
        pulses = np.linspace(1.2e-3, 1.8e-3, 5)
        # Where its pulse asks this servo to be, in angles of the bench's own line: both lines are straight.
        reading = (pulses - truth.pulse_zero[i]) / truth.pulse_slope[i]
        volts = truth.wiper_zero[i] + truth.wiper_slope[i] * reading
        shown = (volts / desk.bench.controller.reference * 2**desk.bench.controller.wiper_bits - 0.5
                 - joint.wiper_at_zero) / joint.wiper_slope  # fmt: skip
        assert (pulses - fit.zero[0]) / fit.slope[0] == pytest.approx(shown, abs=0.5 * DEGREE)
        assert abs(fit.full_drive[0] - truth.full_drive[i]) < 4 * fit.full_drive[1]
    # A second time nothing is overwritten.
    assert measuring._unused(path).name == f"{path.stem}-2.toml"


class Stops:
    """Lets arms move for some frames, and stops them then."""

    def __init__(self, frames: int):
        self.left = frames

    def may_move(self) -> bool:
        """Always."""
        return True

    def stops(self) -> bool:
        """When the frames are used up."""
        self.left -= 1
        return self.left < 0


def test_what_was_read_before_a_stop_is_kept(desk):
    """Stopped in the second sweep: the first one and what the supply does are in the file."""
    said: list[str] = []
    with opened(desk, None, Simulated(seed=SEED)) as found:
        operator = Stops(100_000)

        def say(text: str) -> None:
            said.append(text)
            if "(1 of 2)" in text:
                operator.left = 200

        with pytest.raises(StoppedByOperator):
            measuring.sweep_at_board(desk, found, operator, say, ["left shoulder", "left elbow", "left yaw"])
        assert isinstance(found.board, HostBoard)
    (path,) = (desk.folder.root / "readings").glob("swept-*.toml")
    assert [s.joint for s in read_readings(path, desk.bench).sweeps] == ["left shoulder"]


def test_a_board_without_a_sweep_is_refused(tmp_path):
    """In one message, and a sweep without a board in another."""
    folder = new_bench(tmp_path / "bench")
    done = handfast("calibrate", "--board", "python", cwd=folder.root)
    assert done.returncode == 2
    assert "a board, and nothing to do at it" in done.stderr
    assert "--sweep" in done.stderr
    assert handfast("calibrate", "--stand-in", "true", cwd=folder.root).returncode == 2
    done = handfast("calibrate", "--sweep", "--joint", "left elbo", "--board", "python", cwd=folder.root)
    assert done.returncode == 2
    assert 'no joint "left elbo"' in done.stderr
    assert "nearest: left elbow" in done.stderr
    done = handfast("calibrate", "--sweep", cwd=folder.root)
    assert done.returncode == 2
    assert "which board?" in done.stderr
    assert "Traceback" not in done.stderr


def test_joints_stay_clear_of_all_bodies():
    """The plan's reach keeps its margin; with nothing to hit, it is all of the travel but its ends."""
    from handfast.mechanics.clearance import clearances
    from support import seedling

    model = seedling.model()
    plan = sweeping.plan_sweeps(model)
    assert plan.skipped == ()
    for joint, (low, high) in enumerate(plan.reach):
        q = np.tile(plan.at, (50, 1))
        q[:, joint] = np.linspace(low, high, 50)
        assert clearances(model.chain, model.bodies, q).min() >= sweeping.MARGIN - 2e-3
        travel = model.chain.travel[joint]
        assert travel[0] < low < high < travel[1]
    # Nothing to hit: all of the travel but its ends.
    free = dataclasses.replace(model, bodies=dataclasses.replace(model.bodies, pairs=model.bodies.pairs[:0]))
    reach = sweeping.plan_sweeps(free).reach
    assert np.ptp(reach, axis=1) == pytest.approx(0.88 * np.ptp(model.chain.travel, axis=1))
