"""Cleaning feedback of what the supply does to it."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from handfast.bench.lines import angle_of, counts_of
from handfast.sessions.feedback import SupplyFit
from support import seedling


def bench_of(follows: float = 0.0):
    """The seedling bench with 20 mΩ of connectors and joints that say they follow the supply."""
    bench = seedling.bench()
    arms = {}
    for side in ("left", "right"):
        arm = bench.arm(side)
        joints = tuple(dataclasses.replace(j, follows_supply=follows) for j in arm.joints)
        arms[side] = dataclasses.replace(arm, joints=joints)
    return dataclasses.replace(bench, arms=dataclasses.replace(bench.arms, **arms))


def test_the_other_arms_voltage_follows_from_both_currents():
    """Sensed at the left arm: its lead's drop is added back, the right lead's taken off."""
    bench = bench_of()
    leads = [bench.arm(side).wire.resistance for side in ("left", "right")]
    found = SupplyFit(bench).at_arms(5.8, np.array([2.0, 3.0]))
    assert found == pytest.approx([5.8, 5.8 + leads[0] * 2.0 - leads[1] * 3.0])


def test_a_first_guess_holds_until_something_is_seen():
    """0.3 where the bench says nothing, else what it says."""
    assert SupplyFit(bench_of()).follows == pytest.approx(np.full(10, 0.3))
    assert SupplyFit(bench_of(0.7)).follows == pytest.approx(np.full(10, 0.7))


def play(fit: SupplyFit, bench, k: np.ndarray, frames: int, noise: float, seed: int = 1) -> None:
    """Joints stand while the supply swings between 5 and 6 V; now and then every joint moves, ending the stretch."""
    rng = np.random.default_rng(seed)
    angles = rng.uniform(-0.5, 0.5, 10)
    for n in range(frames):
        if n % 200 == 0:
            angles = rng.uniform(-0.5, 0.5, 10)
        volts = np.full(2, 5.5 + 0.5 * np.sin(0.3 * n))
        counts = np.full(12, 512.0)
        for i, joint in enumerate(bench.joints):
            counts[joint.channel] = counts_of(joint, angles[i]) * (1 + k[i] * (volts[0] / 6.0 - 1))
            counts[joint.channel] += noise * rng.normal()
        fit.learn(angles, counts, volts)


def test_how_far_each_joint_follows_the_supply_is_learned():
    """From 2000 frames with the noise of averaged readings: within 0.03 for every joint, whatever it is."""
    bench = bench_of()
    k = np.linspace(0.0, 1.0, 10)
    fit = SupplyFit(bench)
    play(fit, bench, k, 2000, noise=2 / np.sqrt(8))
    # Swings of ±8 % on 500 counts are 40 counts; 1500 readings of 0.7 counts tell k to 0.001, the prior (0.4 wide)
    # draws nothing at that. Clipping at 0 and 1 keeps the ends inside.
    assert fit.follows == pytest.approx(k, abs=0.03)


def test_moving_joints_teach_nothing():
    """A joint that moves all the time keeps its first guess."""
    bench = bench_of()
    fit = SupplyFit(bench)
    rng = np.random.default_rng(2)
    for n in range(500):
        fit.learn(np.full(10, 0.01 * n), rng.uniform(300, 700, 12), np.array([5.0, 6.0]))
    assert fit.follows == pytest.approx(np.full(10, 0.3))


def test_unless_told_the_reference_is_the_supply_with_idle_servos():
    """Twelve idle servos take 6 x their current through both leads, and all of it through the supply."""
    bench = bench_of()
    own = [
        sum(bench.servo_of(p).idle_current for p in (*bench.arm(side).joints, bench.arm(side).gripper))
        for side in ("left", "right")
    ]
    drop = bench.supply.resistance * sum(own) + np.array([bench.arm("left").wire.resistance * own[0],
                                                          bench.arm("right").wire.resistance * own[1]])  # fmt: skip
    assert SupplyFit(bench).ratio(bench.supply.voltage - drop) == pytest.approx(np.zeros(12), abs=1e-12)


def test_clean_angles_are_those_of_limp_arms():
    """With k known, a sag of 1 V of 6 moves raw angles by degrees and clean ones not at all."""
    bench = bench_of(0.6)
    fit = SupplyFit(bench)
    fit.refer(np.array([6.0, 6.0]))
    volts = np.array([5.0, 5.5])
    ratio = np.repeat(volts / 6.0 - 1.0, 5)
    counts = np.full(12, 512.0)
    for i, joint in enumerate(bench.joints):
        counts[joint.channel] = counts_of(joint, 0.2) * (1 + 0.6 * ratio[i])
    assert fit.angles(counts, volts) == pytest.approx(np.full(10, 0.2), abs=1e-9)
    raw = fit.angles(counts, volts, clean=False)
    assert raw[0] == pytest.approx(float(angle_of(bench.joints[0], counts[bench.joints[0].channel])))
    assert np.abs(raw - 0.2).max() > np.radians(5)


def stand(fit: SupplyFit, bench, frames: int, gaps: np.ndarray | None = None, step: float = 0.0) -> None:
    """All joints stand at one place, following by 0.8, while the supply swings.

    Halfway their shafts shift by `step` rad, and with any shift the supply falls by 0.3 V, as with a load taken up.
    gaps (frames, 2): of the jaws, frame by frame.
    """
    for n in range(frames):
        late = 2 * n > frames and step != 0.0
        ratio = (5.6 + 0.1 * np.sin(0.3 * n) - 0.3 * late) / 6.0 - 1.0
        counts = np.full(12, 512.0)
        for joint in bench.joints:
            at = 0.1 + step * late
            counts[joint.channel] = counts_of(joint, at) * (1 + 0.8 * ratio)
        fit.learn(np.full(10, 0.1), counts, np.full(2, 6.0 * (1.0 + ratio)), None if gaps is None else gaps[n])


def test_what_standing_joints_have_shown_counts_at_once_when_it_is_asked_for():
    """Before, it counts only once a joint moves; then for all of them."""
    bench = bench_of()
    fit = SupplyFit(bench)
    fit.refer(np.array([6.0, 6.0]))
    stand(fit, bench, 300)
    assert fit.follows == pytest.approx(np.full(10, 0.3))
    fit.settle()
    assert fit.follows == pytest.approx(np.full(10, 0.8), abs=0.01)


def test_a_grip_in_mid_stretch_is_not_taken_for_the_supply():
    """What jaws take up lets the shafts give way: with the jaws' motion known, each side of it is fitted by itself."""
    bench = bench_of()
    frames = 300
    gaps = np.full((frames, 2), 0.04)
    gaps[frames // 2 :, :] = 0.02
    gaps[frames // 2 - 10 : frames // 2 + 10, :] = np.linspace(0.04, 0.02, 20)[:, None]
    errors = []
    for told in (gaps, None):
        fit = SupplyFit(bench)
        fit.refer(np.array([6.0, 6.0]))
        stand(fit, bench, frames, told, step=0.03)
        fit.settle()
        errors.append(np.abs(fit.follows - 0.8).max())
    assert errors[0] < 0.01 < 0.02 < errors[1]


def test_what_the_bench_measured_counts_and_the_rest_is_learned():
    """A measured 0.7 stays near 0.7 where a run shows nothing, and is drawn to what a long run shows."""
    bench = bench_of(0.7)
    assert SupplyFit(bench).errors == pytest.approx(np.full(10, np.hypot(0.02, 0.01)))
    fit = SupplyFit(bench)
    play(fit, bench, np.full(10, 0.5), 2000, noise=0.5)
    assert fit.follows == pytest.approx(np.full(10, 0.5), abs=0.06)
    assert np.all(fit.errors < 0.02)


def test_a_noisy_voltmeter_does_not_draw_the_fit_to_nothing():
    """Noise of 20 mV on each reading of a supply that swings by 100 mV: one frame at a time it would take 4 % off."""
    bench, k = bench_of(), np.full(10, 0.8)
    fit, rng = SupplyFit(bench), np.random.default_rng(5)
    angles = rng.uniform(-0.5, 0.5, 10)
    for n in range(3000):
        if n % 300 == 0:
            angles = rng.uniform(-0.5, 0.5, 10)
        true = 5.9 + 0.1 * np.sin(0.05 * n)
        counts = np.full(12, 512.0)
        for i, joint in enumerate(bench.joints):
            counts[joint.channel] = counts_of(joint, angles[i]) * (1 + k[i] * (true / 6.0 - 1))
        fit.learn(angles, counts, np.full(2, true + 0.02 * rng.normal()))
    assert fit.follows == pytest.approx(k, abs=0.02)


@pytest.mark.parametrize("share", [0.0, 0.6, 1.0, 1.4])
def test_leads_that_differ_from_the_bench_are_found(share):
    """One arm is stirred and then the other: by Ohm's law the voltage at the right one differs from the one sensed at
    the left by its lead's drop, and its feedback shows how much of that there is, down to none (one supply for all)."""
    bench = bench_of()
    leads = [bench.arm(side).wire.resistance for side in ("left", "right")]
    k, rng = np.linspace(0.1, 0.9, 10), np.random.default_rng(4)
    fit = SupplyFit(bench)
    fit.refer(np.full(2, 6.0))
    for n in range(1600):
        current = np.array([2.0, 0.0] if n // 200 % 2 else [0.0, 2.0]) * (1.0 + np.sin(0.3 * n)) / 2.0
        sensed = 6.0 - 0.02 * current.sum() - share * leads[0] * current[0]
        right = sensed + share * (leads[0] * current[0] - leads[1] * current[1])
        counts = np.full(12, 512.0)
        for i, joint in enumerate(bench.joints):
            volts = sensed if i < 5 else right
            counts[joint.channel] = counts_of(joint, 0.3) * (1 + k[i] * (volts / 6.0 - 1)) + 0.3 * rng.normal()
        fit.learn(np.full(10, 0.3), counts, fit.at_arms(sensed, current), None, current)
    assert fit.leads == pytest.approx(share, abs=0.1)
    assert fit.follows == pytest.approx(k, abs=0.03)
    assert fit.at_arms(5.8, np.array([1.0, 2.0]))[1] == pytest.approx(
        5.8 + share * (leads[0] - 2.0 * leads[1]), abs=0.01
    )
