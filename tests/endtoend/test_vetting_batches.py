"""Batches of 40 invented servos, 8 of them faulty: how many verdicts are right.

The stand-in that invents them shares no code with vetting; it knows the limits from the stock, and so does vetting.
Faults lie 20 to 60 % past a limit, or slip by 3 to 8 degrees; sound servos keep a tenth inside every limit.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field

import numpy as np
import pytest

from handfast.bench.folder import read_stock
from handfast.bench.new import TEMPLATES
from handfast.fitting.examine import examine
from handfast.fitting.sweeps import standard_sweep
from handfast.fitting.verdict import judge
from handfast.standins.rig import Rig, draw_batch, run_rig

STOCK = {servo.name: servo for servo in read_stock(TEMPLATES / "stock.toml")}
LONG = os.environ.get("HANDFAST_SOAK") == "1"

# Seeds, class, samples per second, bits, protractor error in degrees: what files from elsewhere may look like.
CASES = [(seed, "standard-metal", 100.0, 10) for seed in range(1, 4)]
if LONG:
    CASES = [
        *((seed, "standard-metal", 100.0, 10) for seed in range(1, 11)),
        *((seed, "nine-gram", 50.0, 10) for seed in range(11, 16)),
        *((seed, "high-torque", 500.0, 12) for seed in range(16, 21)),
    ]


@dataclass
class Tally:
    """Counts over all batches."""

    good: int = 0
    accepted: int = 0
    bad: int = 0
    caught: int = 0
    named: int = 0
    wrong: list[str] = field(default_factory=list)


_FIGURES = {
    "weak": "torque_pct", "slow": "time_60deg_ms", "play": "play_deg", "dead band": "dead_band_us",
    "noise": "noise_counts", "non-linear": "linearity_pct", "slipping": "slip_deg",
}  # fmt: skip


def test_verdicts_on_batches() -> None:
    """At least 95 % of the faulty are rejected or watched, at least 95 % of the sound accepted."""
    tally = Tally()
    for seed, name, rate, bits in CASES:
        servo = STOCK[name]
        sweep = standard_sweep(servo)
        truths = draw_batch(servo, 40, 8, seed)
        rig = Rig(rate=rate, uneven=0.3, bits=bits)
        found = [
            examine(run_rig(truth, servo, sweep, rig, np.random.default_rng([seed, k])), servo)
            for k, truth in enumerate(truths)
        ]
        for truth, judged in zip(truths, judge(found, STOCK).servos, strict=True):
            if truth.fault:
                tally.bad += 1
                tally.caught += judged.verdict != "accept"
                tally.named += any(reason.key == _FIGURES[truth.fault] for reason in judged.reasons)
            else:
                tally.good += 1
                tally.accepted += judged.verdict == "accept"
            if (judged.verdict == "accept") == bool(truth.fault):
                words = "; ".join(reason.words for reason in judged.reasons)
                tally.wrong.append(f"{truth.mark} {truth.fault or 'sound'}: {judged.verdict} {words}")
    print(
        f"\n{len(CASES)} batches: {tally.caught} of {tally.bad} faulty caught ({tally.named} for the right reason), "
        f"{tally.accepted} of {tally.good} sound accepted"
    )
    assert tally.caught >= 0.95 * tally.bad, tally.wrong
    assert tally.accepted >= 0.95 * tally.good, tally.wrong
    # A maker acts on the reason, so that must be right too; a slip may show first as play or scatter.
    assert tally.named >= 0.9 * tally.bad, tally.wrong


@pytest.mark.parametrize("rig", [Rig(protractor=False), Rig(current=False), Rig(rate=50.0, uneven=0.5, bits=12)])
def test_a_sound_servo_passes_on_poorer_rigs(rig: Rig) -> None:
    """No protractor, no current, slow and uneven samples: what is missing is listed, not held against it."""
    servo = STOCK["mini-metal"]
    truth = next(t for t in draw_batch(servo, 40, 8, 5) if not t.fault)
    judged = judge([examine(run_rig(truth, servo, standard_sweep(servo), rig, np.random.default_rng(1)), servo)], STOCK)
    assert judged.servos[0].verdict == "accept", judged.servos[0].reasons
    assert ("current" in judged.servos[0].not_tested) == (not rig.current)
