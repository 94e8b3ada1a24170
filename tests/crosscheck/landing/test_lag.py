"""By how long feedback follows a moving target: the formula against the simulated servos, one millisecond each."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from handfast.landing.follow import behind
from handfast.mechanics.dynamics import own_inertias
from handfast.mechanics.kinematics import tool_poses
from handfast.mechanics.model import model_of
from handfast.motion.coordinated import lag_along
from handfast.standins.servo_model import ServoArms
from handfast.standins.truth import design_truth
from support import seedling

LEVEL = np.tile((0.0, np.pi / 2, 0.0, 0.0, 0.0), 2)
"""Stretched out level: the simulated electronics damp for the inertia that a joint moves there."""


def follows(bench, joint, speed):
    """How far, rad, a stand-in's shaft is behind after a second of its target moving at `speed` rad/s."""
    truth = design_truth(bench)
    arms = ServoArms(truth, 12, 1, LEVEL.copy())
    angle = np.tile(LEVEL, (2000, 1))
    angle[:, joint] += np.clip(np.arange(2000) - 1000, 0, None) * 1e-3 * speed
    pulses = np.zeros((2000, 12))
    pulses[:, truth.channel] = truth.pulse_zero
    pulses[:, truth.channel[:10]] += truth.pulse_slope[:10] * angle
    arms.run(pulses)
    return angle[-1, joint] - arms._state[2, joint]


@pytest.mark.parametrize(("joint", "volts"), [(0, 6.0), (9, 6.0), (0, 7.4)])
def test_lag_is_that_of_the_simulated_servos(joint, volts):
    """What grows with the speed: dead time, damping and the motor's own voltage; what stays is friction and load."""
    bench = seedling.bench()
    supply = dataclasses.replace(bench.supply, voltage=volts, resistance=0.0)
    bench = dataclasses.replace(bench, supply=supply)
    model = model_of(bench)
    seen = (follows(bench, joint, 0.6) - follows(bench, joint, 0.3)) / 0.3
    assert behind(model, own_inertias(model.chain, LEVEL)[0])[joint] == pytest.approx(seen, abs=2e-3)
    # Along a carry the same: with nothing in the hands, at that one place.
    along = lag_along(model, LEVEL[None], np.zeros(2), np.zeros((2, 3)))
    assert along[joint] == pytest.approx(seen, abs=2e-3)


def test_what_a_hand_holds_is_moved_too():
    """110 g at the TCP add its mass times its distance from the yaw's axis squared; the arms' own part stays."""
    chain = seedling.model().chain
    reach = np.linalg.norm(tool_poses(chain, LEVEL)[0, 0, :2, 3] - chain.bases[0, :2, 3])
    bare = own_inertias(chain, LEVEL)[0]
    held = own_inertias(chain, LEVEL, np.array([0.110, 0.0]), np.zeros((2, 3)))[0]
    assert held[0] - bare[0] == pytest.approx(0.110 * reach**2)
    assert held[5:] == pytest.approx(bare[5:])
    model = seedling.model()
    lags = [lag_along(model, LEVEL[None], np.array([kg, 0.0]), np.zeros((2, 3))) for kg in (0.0, 0.110)]
    assert lags[1][0] > lags[0][0] + 5e-3
