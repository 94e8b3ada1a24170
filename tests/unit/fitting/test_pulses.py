"""Sweeps of arms drawn by seed, whose true figures no fit is given: line, droop and dead band come out again."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from handfast.bench.lines import angle_of
from handfast.errors import InputError
from handfast.fitting.calibrate import calibrate
from handfast.fitting.pulses import fit_pulses, pulse_values
from handfast.records.readings import Pull, Readings, Sweep
from handfast.sessions.measure import Errors, MakerAtStandIn
from handfast.standins.servo_model import ServoArms
from handfast.standins.truth import draw_truth
from support import seedling

DEGREE = np.pi / 180.0


@cache
def swept(seed: int):
    """Bench, truth, and the calibration from its sweeps and pulls."""
    model = seedling.model()
    bench = model.bench
    truth = draw_truth(bench, seed)
    start = np.tile([0.0, 20.0, 60.0, 30.0, 0.0], 2) * DEGREE
    arms = ServoArms(truth, bench.controller.channels, seed, start)
    maker = MakerAtStandIn(bench, truth, arms, np.random.default_rng(seed), Errors())
    pulls: list[Pull] = []
    for i in range(len(bench.joints)):
        pulls += [maker.pull(i), maker.pull(i, loose=True)]
    sweeps, follows = maker.sweeps(model)
    return bench, truth, calibrate(bench, Readings(sweeps=sweeps, follows=follows, pulls=tuple(pulls)))


def true_line(bench, truth, i: int, pulses: np.ndarray) -> np.ndarray:
    """Angle that the bench's own wiper line shows where joint i's servo is where its pulse asks, the arms limp."""
    reading = (pulses - truth.pulse_zero[i]) / truth.pulse_slope[i]
    idle = truth.idle_current
    left = np.arange(len(idle)) < truth.joints // 2
    left[truth.joints] = True
    lead = truth.lead_resistance[0] * idle[left].sum() if left[i] else truth.lead_resistance[1] * idle[~left].sum()
    sag = (truth.supply_resistance * idle.sum() + lead) / truth.supply_voltage
    volts = (truth.wiper_zero[i] + truth.wiper_slope[i] * reading) * (1 - truth.follows_supply[i] * sag)
    return angle_of(bench.joints[i], volts / bench.controller.reference * 2**bench.controller.wiper_bits - 0.5)


@pytest.mark.parametrize("seed", [101, 102])
def test_lines_and_droop_of_unseen_arms(seed):
    """Lines, drawn within ±2° and ±2 %, to 0.15° wherever they were swept, in the middle of ten joints; droop of joints
    that gravity loads, drawn within 0.5 to 3° at half stall, to a seventh."""
    bench, truth, calibration = swept(seed)
    model = calibration.unknowns.model_at(calibration.x)
    lines, droops = [], []
    for sweep in calibration.readings.sweeps:
        i = bench.joint_names.index(sweep.joint)
        fit = fit_pulses(calibration, sweep)
        pulses = np.linspace(min(sweep.pulses), max(sweep.pulses), 9)
        lines.append(np.abs((pulses - fit.zero[0]) / fit.slope[0] - true_line(bench, truth, i, pulses)).max())
        if i % 5 in (1, 2, 3):
            droops.append(abs(np.log(fit.full_drive[0] / model.stall[i] / (truth.full_drive[i] / truth.stall[i]))))
    assert np.median(lines) < 0.15 * DEGREE
    assert np.max(lines) < 0.4 * DEGREE
    assert np.median(droops) < 0.15


def test_errors_are_stated_as_large_as_they_are():
    """Over 20 sweeps: nearly all droops and dead bands within three stated errors, and most within two."""
    away: list[float] = []
    for seed in (101, 102):
        bench, truth, calibration = swept(seed)
        model = calibration.unknowns.model_at(calibration.x)
        for sweep in calibration.readings.sweeps:
            i = bench.joint_names.index(sweep.joint)
            fit = fit_pulses(calibration, sweep)
            true = truth.full_drive[i] / truth.stall[i] * model.stall[i]
            away += [
                (fit.full_drive[0] - true) / fit.full_drive[1],
                (fit.dead_band[0] - truth.dead_band[i]) / fit.dead_band[1],
            ]
    assert np.mean(np.abs(away) < 3.0) >= 0.95
    assert 0.8 <= np.mean(np.abs(away) < 2.0) < 1.0


def test_what_was_found_becomes_values_of_its_joint():
    """Table, droop and dead band; what a sweep hardly tells is not called known."""
    _, _, calibration = swept(101)
    fit = fit_pulses(calibration, calibration.readings.sweeps[2])
    table, droop, band = pulse_values([fit])
    assert (table.key, droop.key, band.key) == ("pulse_table", "full_drive_error_deg", "dead_band_deg")
    assert droop.value == pytest.approx(fit.full_drive[0] / DEGREE, abs=1e-3)
    assert droop.known
    assert band.value == pytest.approx(fit.dead_band[0] / DEGREE, abs=1e-3)
    yaw = fit_pulses(calibration, calibration.readings.sweeps[0])
    # Nothing loads the yaw: only its dead band or its friction, whichever is wider, shows.
    assert yaw.full_drive[1] / yaw.full_drive[0] > 2 * fit.full_drive[1] / fit.full_drive[0]


def test_a_joint_that_hardly_moved_is_refused():
    """Whatever the pulses said."""
    _, _, calibration = swept(101)
    sweep = calibration.readings.sweeps[0]
    stuck = Sweep(joint=sweep.joint, pulses=sweep.pulses, counts=(500.0,) * len(sweep.pulses), ways=sweep.ways,
                  at=sweep.at, supply=sweep.supply)  # fmt: skip
    with pytest.raises(InputError, match=r"moved by 0\.0° only"):
        fit_pulses(calibration, stuck)
