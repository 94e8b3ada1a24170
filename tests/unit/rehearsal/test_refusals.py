"""Absurd or missing figures become a message, never a motion that is no number."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from handfast.bench.lines import joint_pulses
from handfast.desk.rehearsing import draws, rehearse
from handfast.errors import FaultError, HandfastError, InputError
from handfast.rehearsal.scene import Scene
from handfast.rehearsal.twin import Twin, model_from
from handfast.standins.truth import design_truth
from support import rehearsing, seedling


def twin(**figures: object) -> Twin:
    """A twin with some figures replaced."""
    truth = replace(design_truth(seedling.bench()), **figures)
    return Twin(seedling.bench(), truth, Scene(), 0, seedling.REST, watched=False)


@pytest.mark.parametrize(
    ("name", "value", "says"),
    [
        ("full_drive", 0.0, "full_drive_error_deg"),
        ("stall", -1.0, "stall_torque_kgcm"),
        ("rotor", np.nan, "spin_up_ms"),
        ("free_speed", np.inf, "no_load_s_per_60deg"),
        ("dead_time", 0.4, "dead_time_ms"),
    ],
)
def test_a_servo_that_cannot_be(name, value, says):
    """Each is refused with the key to correct."""
    with pytest.raises(InputError, match=says):
        twin(**{name: np.full(12, value)})


def test_massless_arms_are_refused():
    """MuJoCo wants mass in what moves; its words become one message of ours."""
    truth = design_truth(seedling.bench())
    chain = type(truth.chain)(**{**truth.chain.__dict__, "masses": np.zeros(10), "inertias": np.zeros((10, 3, 3))})
    with pytest.raises(HandfastError, match="physics model"):
        twin(chain=chain)


def test_a_twin_that_comes_apart_says_so():
    """A servo 10 million times too strong on the same links throws them to infinity: a fault with a next step."""
    wild = twin(stall=np.full(12, 1e9), compliance=np.full(12, 2e-4))
    pulses = joint_pulses(seedling.bench(), seedling.REST[None] + 0.5, np.array([[0.03, 0.03]]))
    with pytest.raises(FaultError, match="came apart"):
        wild.run(np.tile(pulses, (1000, 1)))


def test_bad_requests():
    """No draws, a negative seed, an unknown way, no jobs: refused before anything is computed."""
    bench, routine = seedling.bench(), rehearsing.taught("pass-pot")
    with pytest.raises(InputError, match="draws"):
        draws(bench, routine, "raw", 0)
    with pytest.raises(InputError, match="seed"):
        rehearse(bench, routine, "raw", seed=-1)
    with pytest.raises(InputError, match="way"):
        rehearse(bench, routine, "somehow")  # type: ignore[arg-type]
    with pytest.raises(InputError, match="jobs"):
        draws(bench, routine, "raw", 3, jobs=0)


def test_a_model_that_makes_no_sense_is_refused():
    """Anything that MuJoCo cannot compile is one message."""
    with pytest.raises(InputError, match="no sound physics model"):
        model_from("<mujoco><worldbody><body><joint/></body></worldbody></mujoco>")
