"""A bar held by both arms and a level on a link: what they teach, at stand-ins whose true figures nobody was told."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from handfast.bench.parts import SIDES
from handfast.errors import InputError
from handfast.fitting.calibrate import Calibration, calibrate
from handfast.fitting.values import values_of
from handfast.mechanics.model import model_of
from handfast.records.readings import Bar, Follow, Readings, read_readings
from handfast.sessions.measure import Errors, MakerAtStandIn
from handfast.standins.servo_model import ServoArms
from handfast.standins.truth import Truth, draw_truth
from support import seedling

SEED = 41


@pytest.fixture(scope="module")
def maker() -> MakerAtStandIn:
    """A maker before a pair of arms, folded."""
    bench = seedling.bench()
    truth = draw_truth(bench, SEED)
    arms = ServoArms(truth, bench.controller.channels, SEED, seedling.REST)
    return MakerAtStandIn(bench, truth, arms, np.random.default_rng(SEED), Errors())


@pytest.fixture(scope="module")
def gauges(maker) -> Readings:
    """Every joint against two stops, both ways."""
    found = []
    for i, joint in enumerate(maker.bench.joints):
        low, high = joint.travel
        for share in (0.2, 0.5, 0.8):
            found += [maker.gauge(i, low + share * (high - low), way) for way in (1, -1)]
        goal = maker.arms.link_angles()
        goal[i] = seedling.REST[i]
        maker.hands.lead_joints(goal, 1.0)
    return Readings(gauges=tuple(found))


def base_errors(found: Calibration, truth: Truth) -> tuple[float, float]:
    """Right base in the left base, off by mm and degrees."""

    def relative(bases: np.ndarray) -> np.ndarray:
        return np.linalg.inv(bases[0]) @ bases[1]

    fitted, true = relative(found.unknowns.model_at(found.x).chain.bases), relative(truth.chain.bases)
    turn = np.arctan2(fitted[1, 0], fitted[0, 0]) - np.arctan2(true[1, 0], true[0, 0])
    return float(np.linalg.norm((fitted - true)[:3, 3]) * 1e3), float(abs(np.degrees(turn)))


def test_a_bar_led_about_registers_the_bases(maker, gauges):
    """Twenty samples of a bar of 60 mm, in all directions, with nothing but gauges beside: less than half of what was
    not known about the bases is left, and the fit bears out the stated errors (a misfit of about one)."""
    rng = np.random.default_rng(3)
    middle = maker.truth.chain.bases[:, :3, 3].mean(axis=0)
    bars: list[Bar] = []
    for _ in range(200):
        at = middle + np.array([rng.uniform(-0.04, 0.04), rng.uniform(-0.1, 0.1), rng.uniform(0.08, 0.2)])
        sample = maker.bar(at, rng.uniform(-0.7, 0.7), 0.06)
        bars += [] if sample is None else [sample]
        if len(bars) == 20:
            break
    assert len(bars) == 20
    without = calibrate(maker.bench, gauges)
    within = calibrate(maker.bench, gauges + Readings(bars=tuple(bars)))
    before, after = base_errors(without, maker.truth), base_errors(within, maker.truth)
    assert after[0] < before[0] / 2.0
    assert after[0] < 3.0
    assert after[1] < 1.0
    assert 0.5 < within.misfit < 1.5
    assert within.wild == ()


def test_a_level_says_where_a_joint_stands(maker):
    """The shoulder's feedback may be off by 5 degrees until a level lies along its link, at two tilts: then its angle
    is known to what level and lead leave, below one degree."""
    levels = []
    for shoulder in (20.0, 60.0, 40.0):
        q = seedling.REST.copy()
        q[1] = np.radians(shoulder)
        levels.append(maker.level(1, q))
    found = calibrate(maker.bench, Readings(levels=tuple(levels)))
    q = seedling.REST.copy()
    q[1] = np.radians(50.0)
    maker.hands.lead_joints(q, 1.6)
    counts = maker._counts()
    truth_angle = maker.arms.link_angles()[1]
    unknowns = found.unknowns
    before = unknowns.angles(np.zeros(unknowns.size), unknowns.shown(counts[None]))[0, 1]
    after = unknowns.angles(found.x, unknowns.shown(counts[None]))[0, 1]
    assert abs(before - truth_angle) > np.radians(2.0)
    assert abs(after - truth_angle) < np.radians(1.2)
    index = [i for i, e in enumerate(unknowns.entries) if e.of == "left shoulder"]
    assert min(found.sigma(i) / np.sqrt(unknowns.prior[i, i]) for i in index) < 0.6


def test_a_level_on_the_last_link_ends_at_the_tcp(maker):
    """The tilt that is predicted from true angles and lengths is the one that was read, within the level's error."""
    from handfast.fitting.equations import Equations
    from handfast.fitting.unknowns import Unknowns

    q = seedling.REST.copy()
    q[5:10] = np.radians([10.0, 30.0, 50.0, 20.0, 0.0])
    level = maker.level(9, q)
    equations = Equations(Unknowns(maker.bench), Readings(levels=(level,)))
    true = dataclasses.replace(seedling.model(), chain=maker.truth.chain)
    predicted = equations._tilts(true, maker.arms.link_angles()[None])[0]
    assert predicted == pytest.approx(level.tilt, abs=3.5 * level.error)


def test_a_bar_that_never_moved_is_refused(maker):
    """Three samples at one place say nothing about bases; the message says where to lead it."""
    bar = Bar(length=0.06, error=5e-4, counts=(500.0,) * 12, supply=6.0, arrived="")
    with pytest.raises(InputError, match="one place") as caught:
        calibrate(maker.bench, Readings(bars=(bar, bar, bar)))
    assert "lead the bar about" in str(caught.value)
    assert SIDES == ("left", "right")


def test_the_example_on_the_page_is_read(tmp_path):
    """docs/calibrating.md shows a file as it is taken: one bar and one level."""
    page = (seedling.ROOT / "docs" / "calibrating.md").read_text()
    example = tmp_path / "session.toml"
    example.write_text(page.split("```toml\n")[1].split("```")[0])
    found = read_readings(example, seedling.bench())
    assert (len(found.bars), len(found.levels), len(found)) == (1, 1, 2)
    assert found.bars[0].length == pytest.approx(0.06)
    assert found.levels[0].tilt == pytest.approx(np.radians(41.5))


def test_what_follows_the_supply_is_kept(maker, gauges):
    """Two sessions of 50 % ± 3 and 60 % ± 6: 52 % ± 2.7, weighed by inverse squares of their errors; 0 is kept, too.

    (50/9 + 60/36) / (1/9 + 1/36) = 52; (1/9 + 1/36) to the power of -1/2 = 2.68.
    """
    read = (
        Follow(joint="left elbow", share=0.5, error=0.03), Follow(joint="left elbow", share=0.6, error=0.06),
        Follow(joint="right yaw", share=0.0, error=0.02),
    )  # fmt: skip
    found = values_of(calibrate(maker.bench, gauges + Readings(follows=read)))
    kept = {v.of: v for v in found if v.key == "wiper_follows_supply_pct"}
    assert set(kept) == {"left elbow", "right yaw"}
    assert kept["left elbow"].value == pytest.approx(52.0)
    assert kept["left elbow"].uncertainty == pytest.approx(2.68, abs=0.01)
    assert kept["right yaw"].value > 0.0


def test_the_simulated_maker_sees_what_follows(maker):
    """Stirred at several poses before the sweeps: within 0.06 of the truth at every joint, middle within 0.03."""
    _, follows = maker.sweeps(model_of(maker.bench))
    off = np.abs(np.array([f.share for f in follows]) - maker.truth.follows_supply[:10])
    assert off.max() < 0.06
    assert np.median(off) < 0.03
    assert all(0.005 < f.error < 0.05 for f in follows)
