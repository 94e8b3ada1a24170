"""Sweeps that are well written and yet cannot be judged."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from handfast.bench.folder import read_stock
from handfast.bench.new import TEMPLATES
from handfast.errors import InputError
from handfast.fitting.examine import examine
from handfast.fitting.sweeps import standard_sweep
from handfast.records.trace import Trace
from handfast.standins.rig import Rig, draw_servo, run_rig

STOCK = {servo.name: servo for servo in read_stock(TEMPLATES / "stock.toml")}
METAL = STOCK["standard-metal"]


@pytest.fixture(scope="module")
def sound() -> Trace:
    """The sweep of a sound invented servo."""
    typical = dict.fromkeys(("play", "dead band", "noise", "linearity"), 0.5)
    truth = draw_servo(METAL, "T", "", np.random.default_rng(4), typical)
    return run_rig(truth, METAL, standard_sweep(METAL), Rig(), np.random.default_rng(5))


def test_no_motion(sound: Trace) -> None:
    """Feedback that trembles about one value while the pulse goes from end to end is no servo at work."""
    still = 0.5 + np.random.default_rng(1).normal(size=len(sound.t)) * 1e-3
    with pytest.raises(InputError, match="does not follow"):
        examine(replace(sound, wiper=still), METAL)


def test_open_wiper(sound: Trace) -> None:
    """A feedback wire that hangs in the air wanders by itself; it does not follow either."""
    rng = np.random.default_rng(1)
    loose = np.clip(0.5 + 0.02 * np.sin(sound.t / 7.0) + rng.normal(size=len(sound.t)) * 0.01, 0, 1)
    with pytest.raises(InputError, match="does not follow"):
        examine(replace(sound, wiper=loose), METAL)


@pytest.mark.parametrize("end", ["top", "bottom"])
def test_feedback_cut_off_by_the_input(sound: Trace, end: str) -> None:
    """Feedback that would go beyond the input's range stands at its rail for part of the travel."""
    low, high = sound.wiper.min(), sound.wiper.max()
    beyond = 0.15 * (high - low)
    moved = sound.wiper + (1.0 - high + beyond if end == "top" else -low - beyond)
    with pytest.raises(InputError, match=f"cut off at its {end}"):
        examine(replace(sound, wiper=np.clip(moved, 0.0, 1.0 - sound.step)), METAL)


def test_feedback_cut_off_by_an_amplifier(sound: Trace) -> None:
    """Cut off inside the input's range: many pulses, one and the same reading."""
    limit = float(np.quantile(sound.wiper, 0.9))
    with pytest.raises(InputError, match="cut off at its top"):
        examine(replace(sound, wiper=np.minimum(sound.wiper, limit)), METAL)


def test_load_in_a_wrong_unit(sound: Trace) -> None:
    """Grams in a column of kg·cm are many times what the class can hold."""
    with pytest.raises(InputError, match=r"load_kgcm or load_Nm"):
        examine(replace(sound, load=sound.load * 100.0), METAL)


def test_current_in_a_wrong_unit(sound: Trace) -> None:
    """Milliamperes in a column of amperes."""
    assert sound.current is not None
    with pytest.raises(InputError, match="current_mA or current_A"):
        examine(replace(sound, current=sound.current * 1e3), METAL)


def test_pulses_of_another_class(sound: Trace) -> None:
    """Pulses far outside what the class takes mean that the heading is wrong."""
    with pytest.raises(InputError, match="as standard-metal takes"):
        examine(replace(sound, pulse=np.where(sound.pulse > 0, sound.pulse + 700e-6, 0.0)), METAL)


def test_too_little_of_a_sweep(sound: Trace) -> None:
    """Ten seconds at rest are samples enough, but nothing to judge."""
    n = 1000
    short = {k: getattr(sound, k)[:n] for k in ("t", "pulse", "wiper", "load", "push", "horn", "current", "supply")}
    with pytest.raises(InputError, match="--plan standard-metal"):
        examine(replace(sound, **short), METAL)


def test_quiet_feedback_cut_off_by_the_input(sound: Trace) -> None:
    """Feedback without noise stands still everywhere; at the input's own end it is cut off all the same."""
    # A coarse input hides the noise: every rest then reads one and the same count.
    coarse = np.round(sound.wiper * 64) / 64
    high = coarse.max()
    with pytest.raises(InputError, match="cut off at its top"):
        examine(replace(sound, wiper=np.minimum(coarse + 1.0 - high + 4 / 64, 1.0 - 1 / 64), bits=6), METAL)
