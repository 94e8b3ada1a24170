"""Vetting's estimators on small traces whose answers are known beforehand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from handfast.bench.folder import read_stock
from handfast.bench.new import TEMPLATES
from handfast.bench.parts import Accept
from handfast.fitting.dead_band import dead_band
from handfast.fitting.examine import Examined, Figure, examine
from handfast.fitting.holds import cleaned, holds_of
from handfast.fitting.resting import drift_of_shaft, repeatability
from handfast.fitting.scale import Bends, Scale, departure, no_bends, scale_of
from handfast.fitting.step_kernels import step_kernel
from handfast.fitting.sweeps import standard_sweep, weight_for
from handfast.fitting.verdict import judge, limits_of
from handfast.records.trace import Trace
from handfast.standins.rig import Rig, draw_servo, run_rig
from handfast.units import DEGREE, KGF_CM

STOCK = {servo.name: servo for servo in read_stock(TEMPLATES / "stock.toml")}
METAL = STOCK["standard-metal"]


def made(rows: list[tuple[float, float]], rate: float = 200.0, wiper: str = "pulse") -> Trace:
    """A trace of (seconds, pulse µs) rows of a servo that follows at once and without noise.

    Its feedback goes over 0.1 of the input's range per 1000 µs, and stands at the middle at 1500 µs.
    """
    t = np.arange(0.0, sum(seconds for seconds, _ in rows), 1.0 / rate)
    ends = np.cumsum([seconds for seconds, _ in rows])
    pulse = np.array([p for _, p in rows])[np.searchsorted(ends, t, side="right").clip(0, len(rows) - 1)] * 1e-6
    shown = 0.5 + 100.0 * (pulse - 1500e-6)
    zero = np.zeros(len(t))
    return Trace("T1", METAL.name, t, pulse, shown, zero, zero.astype(int), np.full(len(t), np.nan), bits=16)


def holds_and_scale(trace: Trace):  # type: ignore[no-untyped-def]
    """Holds and curve of a trace."""
    holds = holds_of(trace, cleaned(trace).wiper, METAL)
    return holds, scale_of(holds, METAL, "test")


SPREAD = [(0.8, 1500.0 + 100.0 * k) for k in (-6, -4, -2, 0, 2, 4, 6, 4, 2, 0, -2, -4, -6)]


def test_holds_are_cut_where_the_pulse_changes() -> None:
    """Three pulses make three holds, each with the side from which it was entered and its own rest."""
    trace = made([(1.0, 1500.0), (1.0, 1600.0), (1.0, 1550.0)])
    holds = holds_of(trace, trace.wiper, METAL)
    assert holds.side.tolist() == [0, 1, -1]
    # 100 shares per second of pulse: 100 µs are 0.01 of the range.
    assert holds.rest == pytest.approx([0.50, 0.51, 0.505], abs=1e-9)


def test_curve_has_the_slope_of_the_feedback() -> None:
    """A straight feedback gives a straight curve: 100 shares per second of pulse is 100·pulse slope per rad."""
    _, scale = holds_and_scale(made(SPREAD))
    assert scale.slope == pytest.approx(100.0 * METAL.pulse_slope, rel=1e-6)
    assert scale.degrees(np.array([0.55]))[0] == pytest.approx(500e-6 / METAL.pulse_slope, rel=1e-3)


@pytest.mark.parametrize(("width", "stays"), [(8.0, 1.0), (12.0, 1.0), (10.0, 0.0), (6.0, 0.5)])
def test_dead_band_of_a_servo_made_by_hand(width: float, stays: float) -> None:
    """A servo that ignores ±width/2 about where it rests has that dead band, however far it goes when it moves.

    Steps are 1 µs, so the width is known to within half a step on each side.
    """
    up = [1500.0 + k for k in range(26)]
    steps = up + up[-2::-1] + [1500.0 - k for k in range(1, 26)] + [1475.0 + k for k in range(1, 51)]
    rows = SPREAD + [(0.8, 1400.0)] + [(0.3, p) for p in steps]
    trace = made(rows)
    # What the shaft does: it stands until the pulse is more than half the width away.
    at, place = 1500.0, []
    for p in trace.pulse * 1e6:
        if abs(p - at) > width / 2:
            at = p - np.sign(p - at) * stays * width / 2
        place.append(at)
    rng = np.random.default_rng(3)
    trace = replace(trace, wiper=0.5 + 1e-4 * (np.array(place) - 1500.0) + rng.normal(size=len(place)) * 2e-5)
    holds, scale = holds_and_scale(trace)
    band = dead_band(holds, scale, METAL)
    assert band is not None
    assert band.width * 1e6 == pytest.approx(width, abs=1.0)


def test_departure_of_a_bow_of_a_wave_and_of_an_s_shape() -> None:
    """Independent linearity by hand: A·sin(πx) over the span leaves its best line by A/2, A·cos(2πx) by A.

    Of sin(2πx) the best line falls by c from A·c/2, with c/2 = sin(2πx) - c·(1/2 - x) at its crest, where
    cos(2πx) = -c/2π: c = 1.362, so 0.681 A. It takes 1.362 A off the rise.
    """
    angle = np.linspace(-70 * DEGREE, 70 * DEGREE, 201)
    x = np.linspace(0.0, 1.0, 201)
    for curve, expected in ((np.sin(np.pi * x), 0.5), (np.cos(2 * np.pi * x), 1.0), (np.sin(2 * np.pi * x), 0.681)):
        wiper = x + 0.02 * curve
        scale = Scale(0.0, 1.0, angle, wiper, 0.0, 1.0 / np.ptp(angle), 0.0, angle[0], angle[-1], angle)
        rise = 1.0 - (0.02 * 1.362 if expected == 0.681 else 0.0)
        found = departure(scale, no_bends(scale.half), (angle[0], angle[-1]), 1, "")
        assert found.value == pytest.approx(0.02 * expected / rise, rel=0.01)  # a line by 121 points, not all


def test_bends_stand_still_beyond_the_sweep() -> None:
    """Beyond its ends a bend keeps its last value; a polynomial would run away there."""
    bends = Bends(np.array([0.01, 0.0, 0.0, 0.0]), np.zeros((4, 4)), 1.0)
    assert bends.at(np.array([1.0, 2.0])).tolist() == pytest.approx([0.01, 0.01])


def test_step_of_a_motor_that_gains_speed() -> None:
    """At full voltage, way = w·(t - T·(1 - exp(-t/T))): check S8 of a first-order motor, integrated once."""
    out = np.empty(401)
    step_kernel(100.0, 5.0, 0.03, 0.05, 0.0, 0.0, 5e-4, out)
    t = np.arange(401) * 5e-4
    exact = 5.0 * (t - 0.03 * (1.0 - np.exp(-t / 0.03)))
    assert out == pytest.approx(exact, abs=2e-5)  # midpoint rule at dt/T = 1/60


def test_weight_on_the_drum() -> None:
    """1 kg·cm on a drum of 2 cm is half a kilogram (by the definition of kgf)."""
    assert weight_for(KGF_CM) == pytest.approx(0.5, rel=1e-12)


def test_limits_follow_the_stock() -> None:
    """A class's own `accept` table sets its limits; torque is a least, all others a most."""
    nine = limits_of(STOCK["nine-gram"])
    assert nine["dead_band_us"].value == pytest.approx(15e-6)
    assert nine["play_deg"].value == pytest.approx(1.5 * DEGREE)
    assert limits_of(METAL)["play_deg"].value == pytest.approx(1.0 * DEGREE)
    assert [key for key, limit in limits_of(METAL).items() if limit.least] == ["torque_pct"]
    assert METAL.limits == Accept()


def judged_with(**figures: tuple[float, float]) -> Examined:
    """An examined servo with just these figures, SI."""
    made_of = {key: Figure(key, value, error, 10) for key, (value, error) in figures.items()}
    return Examined(
        "A1", METAL.name, made_of, True, ((0.0, 0.0), (1.0, 1.0)), None, "pulse", 0.0, 0.0, 0, 1000,
        METAL.pulse_slope, 5.0, "", False, (),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("play", "error", "verdict"),
    [(0.5, 0.05, "accept"), (1.02, 0.05, "watch"), (1.3, 0.05, "reject"), (0.9, 0.4, "watch")],
)
def test_verdict_by_limit_and_uncertainty(play: float, error: float, verdict: str) -> None:
    """Inside: accept. Past by less than two errors: watch. By more: reject. Known too badly: watch."""
    batch = judge([judged_with(play_deg=(play * DEGREE, error * DEGREE))], STOCK)
    assert batch.servos[0].verdict == verdict


def test_weak_words_say_what_and_how_much() -> None:
    """A reason names the figure, its value and its limit in a maker's units."""
    words = judge([judged_with(torque_pct=(0.4, 0.02))], STOCK).servos[0].reasons[0].words
    assert "weak" in words
    assert "40.0 %" in words
    assert "at least 60.0 %" in words


def test_reversal_is_not_held_against_play_and_dead_band_in_order() -> None:
    """1.7° of reversal from 0.9° of play and 9 µs of dead band is a remark, not a verdict."""
    e = judged_with(
        reversal_deg=(1.7 * DEGREE, 0.05 * DEGREE), play_deg=(0.9 * DEGREE, 0.001), dead_band_us=(9e-6, 1e-7)
    )
    judged = judge([e], STOCK).servos[0]
    assert judged.verdict == "accept"
    assert judged.remarks


def test_play_is_taken_out_of_dead_bands_that_grow_with_it() -> None:
    """Twelve servos whose band is 6 µs plus their play: the batch shows it, and 6 µs are left."""
    per = METAL.pulse_slope
    batch = []
    for k in range(12):
        play = (0.3 + 0.05 * k) * DEGREE
        e = judged_with(play_deg=(play, 0.02 * DEGREE), dead_band_us=(6e-6 + play * per + 2e-7 * (-1) ** k, 2e-7))
        batch.append(replace(e, mark=f"A{k}"))
    for j in judge(batch, STOCK).servos:
        figure = j.examined.figures["dead_band_us"]
        assert figure.value == pytest.approx(6e-6, abs=5e-7)
        assert j.verdict == "accept"


@pytest.mark.parametrize("rate", [50.0, 400.0])
def test_figures_of_a_known_servo(rate: float) -> None:
    """One invented servo, its truth beside what is found; tolerances are three of the stated errors or a floor."""
    typical = dict.fromkeys(("play", "dead band", "noise", "linearity"), 0.6)
    truth = draw_servo(METAL, "T", "", np.random.default_rng(8), typical)
    trace = run_rig(truth, METAL, standard_sweep(METAL), Rig(rate=rate, uneven=0.3), np.random.default_rng(9))
    e = examine(trace, METAL)
    net = truth.free * (1.0 - truth.friction / truth.stall)
    expected = {
        "time_60deg_ms": 60 * DEGREE / net,
        "play_deg": truth.play,
        "noise_counts": np.hypot(truth.noise * 1024, 1 / np.sqrt(12)),
        "torque_pct": truth.stall / METAL.stall_torque,
        "dead_band_us": max(truth.band, 2 * truth.friction / truth.stall * truth.full) * truth.pulse_slope,
    }
    floors = {"time_60deg_ms": 0.01, "play_deg": 0.03, "noise_counts": 0.03, "torque_pct": 0.08, "dead_band_us": 0.2}
    for key, value in expected.items():
        figure = e.figures[key]
        assert abs(figure.value - value) < max(3.0 * figure.error, floors[key] * value), key
    assert e.limp is True
    assert e.held == pytest.approx(0.6)
    assert e.lost == 0.0


def test_figures_on_a_supply_above_the_rated_one() -> None:
    """A servo on 7.2 V is a fifth faster and stronger than on its rated 6 V; its figures are those at 6 V.

    Its gears take a tenth of the claimed stall torque; what they take where it lifts helps where it holds, which is
    what a claim speaks of. Without either of the two the time would be 17 % off, the torque 20 % or 8 %.
    """
    typical = dict.fromkeys(("play", "dead band", "noise", "linearity"), 0.6)
    rated = draw_servo(METAL, "T", "", np.random.default_rng(8), typical)
    rub = 0.10 * METAL.stall_torque
    truth = replace(rated, voltage=7.2, free=1.2 * rated.free, stall=1.2 * rated.stall, friction=rub)
    # The class says of its gears what is true of them: a share of the stall torque at 7.2 V, either way.
    servo = replace(METAL, limp_friction=2.0 * 0.10 / 1.2)
    trace = run_rig(truth, servo, standard_sweep(servo), Rig(), np.random.default_rng(9))
    found = examine(trace, servo).figures
    at_seven = 60 * DEGREE / (truth.free * (1.0 - rub / truth.stall))
    assert found["time_60deg_ms"].value == pytest.approx(1.2 * at_seven, rel=0.02)
    assert found["torque_pct"].value == pytest.approx(rated.stall / METAL.stall_torque, abs=0.04)


@pytest.mark.parametrize("scatter", [0.0, 0.05])
def test_repeatability_is_what_noise_does_not_explain(scatter: float) -> None:
    """Two hundred arrivals at one place from one side, beside it by drawn angles; the mean of each is off by another
    0.05 degrees by noise alone. That share is taken out: 0.05 are left, not 0.07, and without scatter next to nothing.
    """
    rng = np.random.default_rng(5)
    trace = made(SPREAD + [(0.7, p) for _ in range(200) for p in (1300.0, 1500.0)], rate=100.0)
    place = np.cumsum(np.concatenate([[0], np.diff(trace.pulse) != 0])).astype(int)
    beside = rng.normal(0.0, scatter * DEGREE, place.max() + 1)
    per_rad = 100.0 * METAL.pulse_slope
    plain, _ = holds_and_scale(trace)
    read = float(np.median((plain.last - plain.settled)[-100:]))
    noise = 0.05 * DEGREE * np.sqrt(read) * per_rad
    wiper = trace.wiper + per_rad * beside[place] + rng.normal(0.0, noise, len(place))
    holds, scale = holds_and_scale(replace(trace, wiper=wiper))
    found = repeatability(holds, scale, METAL)
    assert found is not None
    assert (found.value / DEGREE) ** 2 == pytest.approx(scatter**2, abs=0.03**2)


def test_a_servo_that_holds_without_pulses_is_watched() -> None:
    """Some digital servos go on holding when pulses stop; a hand cannot lead those."""
    typical = dict.fromkeys(("play", "dead band", "noise", "linearity"), 0.5)
    truth = replace(draw_servo(METAL, "T", "", np.random.default_rng(8), typical), stubborn=True)
    trace = run_rig(truth, METAL, standard_sweep(METAL), Rig(), np.random.default_rng(9))
    judged = judge([examine(trace, METAL)], STOCK).servos[0]
    assert judged.examined.limp is False
    assert any("go limp" in reason.words for reason in judged.reasons)


def test_drift_that_only_a_protractor_shows() -> None:
    """The shaft stands 2 degrees elsewhere four minutes later while its feedback stays: drift of 2 degrees, to less
    than half a degree; the same readings within a minute say nothing of drift."""
    for pause, expected in ((240.0, 2.0), (20.0, None)):
        trace = made([*SPREAD, (pause, 1500.0), *SPREAD])
        holds, _ = holds_and_scale(trace)
        horn = np.full(len(trace.t), np.nan)
        for i in range(len(holds.pulse)):
            if holds.last[i] - holds.first[i] < 400:
                later = 2.0 if trace.t[holds.first[i]] > pause else 0.0
                horn[holds.last[i] - 1] = (holds.pulse[i] - 1500e-6) / METAL.pulse_slope + later * DEGREE
        found = drift_of_shaft(replace(trace, horn=horn), holds)
        if expected is None:
            assert found is None
        else:
            assert found is not None
            assert found.value / DEGREE == pytest.approx(expected, abs=1e-6)
            assert found.error / DEGREE < 0.5
