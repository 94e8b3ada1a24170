"""Loads and speeds of one arm, by hand and against the torques themselves."""

from dataclasses import replace

import numpy as np
import pytest

from handfast.bench.folder import find_bench, read_bench
from handfast.bench.new import new_bench
from handfast.bench.parts import Spring
from handfast.mechanics.capacity import load_for_ever, most_load, top_speed
from handfast.mechanics.dynamics import gravity_torques, spring_torques
from handfast.mechanics.kinematics import places
from handfast.mechanics.model import Model, model_of
from handfast.mechanics.supply import arm_currents, servo_currents, voltages
from handfast.units import KGF_CM, STANDARD_GRAVITY

LEVEL = np.radians([0, 90, 0, 0, 0] * 2)
"""Both arms stretched out level."""


@pytest.fixture
def model(tmp_path) -> Model:
    """The seedling bench."""
    folder = new_bench(tmp_path / "bench")
    return model_of(read_bench(find_bench(tmp_path, folder.root)))


def stiff(model: Model) -> Model:
    """The same bench on a supply that does not sag."""
    bench = model.bench
    arms = {
        side: replace(bench.arm(side), wire=replace(bench.arm(side).wire, gauge=0.0, length=0.0, connectors=0.0))
        for side in ("left", "right")
    }
    return model_of(replace(bench, supply=replace(bench.supply, resistance=0.0), arms=replace(bench.arms, **arms)))


def test_stretched_out_the_wrist_bounds_it_by_hand(model):
    """Weights beyond the wrist by hand: 30 g at 22 mm, 12 g at 48 mm, 38 g at 70 mm, then the load at 120 mm.

    The wrist's servo stalls at 2.6 kg·cm at 6 V; of that two thirds are used at 1.5 times the need.
    """
    firm = stiff(model)
    own = STANDARD_GRAVITY * (0.030 * 0.022 + 0.012 * 0.048 + 0.038 * 0.070)
    expected = (2.6 * KGF_CM / 1.5 - own) / (STANDARD_GRAVITY * 0.120)
    found = most_load(firm, "left", LEVEL, 1.5)
    assert found.joint == "wrist"
    # The bench's own torques are exact; only rounding is left.
    assert found.amount == pytest.approx(expected, rel=1e-6)
    assert most_load(model, "left", LEVEL, 1.5).amount < expected  # wires and supply take their share


def test_for_ever_uses_continuous_torque(model):
    """30 % of stall is for ever, whatever the voltage."""
    own = STANDARD_GRAVITY * (0.030 * 0.022 + 0.012 * 0.048 + 0.038 * 0.070)
    expected = (0.30 * 2.6 * KGF_CM - own) / (STANDARD_GRAVITY * 0.120)
    found = load_for_ever(model, "right", LEVEL)
    assert found.joint == "wrist"
    assert found.amount == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("seed", range(6))
def test_at_its_most_load_just_enough_is_available(model, seed):
    """Asked of the torques themselves, a random pose under its heaviest load has 1.5 times what it needs, no less."""
    rng = np.random.default_rng(seed)
    travel = model.chain.travel
    q = travel[:, 0] + rng.random(len(travel)) * (travel[:, 1] - travel[:, 0])
    side = ("left", "right")[seed % 2]
    columns = model.bench.columns(side)
    found = most_load(model, side, q, 1.5)
    loads = np.array([found.amount if s == side else 0.0 for s in ("left", "right")])
    tau = gravity_torques(model.chain, q, loads)[0] + spring_torques(model.springs, q[None])[0]
    still = np.zeros_like(tau)
    currents = servo_currents(model, still[None], still[None])
    currents[:, columns] = servo_currents(model, tau[None], still[None])[:, columns]
    volts = voltages(model.bench, arm_currents(model, currents))[0, 0 if side == "left" else 1]
    available = volts / model.rated_voltage[columns] * model.stall[columns]
    ratio = float(np.min(available / np.maximum(np.abs(tau[columns]), 1e-12)))
    # The voltage is a fixed point of six rounds, each a tenth of the one before: good to 1e-5.
    assert ratio == pytest.approx(1.5, rel=1e-4)


def test_an_arm_that_cannot_hold_itself_holds_nothing(model):
    """Links of lead: not even the empty arm can be held, so no load at all."""
    bench = model.bench
    heavy = tuple(replace(j, mass=60 * j.mass) for j in bench.arms.left.joints)
    lead = model_of(replace(bench, arms=replace(bench.arms, left=replace(bench.arms.left, joints=heavy))))
    assert most_load(lead, "left", LEVEL, 1.0).amount == 0.0


def test_sideways_the_yaw_bounds_the_speed_by_hand(model):
    """Level yaw carries no weight: v = w0·r with w0 of the yaw's servo and r the distance from its axis."""
    firm = stiff(model)
    q = np.radians([0, 30, 70, 60, 0] * 2)
    tip = places(firm.chain, q).X_WT[0, 0, :3, 3]
    r = tip[0] - firm.bench.arms.left.base[0]
    found = top_speed(firm, "left", q, np.array([0.0, 1.0, 0.0]), 0.045, 1.5)
    assert found is not None
    assert found.joint == "yaw"
    # A millimetre along the chord instead of the arc: 1e-5 of it.
    assert found.amount == pytest.approx(firm.free_speed[0] * r, rel=1e-4)


def test_more_load_is_never_faster(model):
    """Along any direction a heavier thing slows the TCP or leaves its speed."""
    q = np.radians([0, 30, 70, 60, 0] * 2)
    for direction in np.eye(3):
        light = top_speed(model, "left", q, direction, 0.0, 1.5)
        heavy = top_speed(model, "left", q, direction, 0.1, 1.5)
        assert light is not None
        assert heavy is not None
        assert heavy.amount <= light.amount + 1e-12


@pytest.mark.parametrize("direction", [(1.0, 0.0, 0.0), (0.0, 0.0, 1.0)])
def test_at_its_top_speed_just_enough_torque_is_left(model, direction):
    """At the speed told, the joint that bounds it has 1.5 times the torque it needs left on its torque-speed line."""
    firm = stiff(model)
    q = np.radians([0, 30, 70, 60, 0] * 2)
    found = top_speed(firm, "left", q, np.array(direction), 0.1, 1.5)
    assert found is not None
    names = [joint.name for joint in firm.bench.arms.left.joints]
    J = places(firm.chain, q).J[0, :5]
    pitches = [names.index(n) for n in ("shoulder", "elbow", "wrist")]
    # The hand keeps its turn, so the three pitches add up to nothing.
    A = np.vstack([J[pitches][:, [3, 5]].T, np.ones(3)])
    rates = np.linalg.solve(A, [direction[0], direction[2], 0.0])
    k = pitches.index(names.index(found.joint))
    tau = gravity_torques(firm.chain, q, np.array([0.1, 0.0]))[0][pitches[k]]
    speed = abs(rates[k]) * found.amount
    # The line by hand: stall·(1 - w/w0) at the rated voltage. A millimetre's step bends the rates by 1 %.
    left = firm.stall[pitches[k]] * (1.0 - speed / firm.free_speed[pitches[k]])
    assert left == pytest.approx(1.5 * abs(tau), rel=0.03)


def test_a_spring_too_strong_leaves_nothing_to_hold(model):
    """A spring that alone asks for more than the servo has cannot be held empty, whatever a load would balance."""
    bench = model.bench
    pull = Spring(rate=40 * KGF_CM / np.radians(90), rest=0.0)
    sprung = tuple(replace(j, spring=pull) if j.name == "shoulder" else j for j in bench.arms.left.joints)
    arm = replace(bench.arms.left, joints=sprung)
    assert most_load(model_of(replace(bench, arms=replace(bench.arms, left=arm))), "left", LEVEL, 1.0).amount == 0.0


def test_no_speed_out_of_a_stretched_arm(model):
    """Stretched out there is no way farther out: the answer is None, not a number."""
    assert top_speed(model, "left", LEVEL, np.array([1.0, 0.0, 0.0])) is None
