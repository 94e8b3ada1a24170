"""Which servo goes where, on a case small enough to try all choices."""

from __future__ import annotations

from itertools import permutations
from pathlib import Path

import numpy as np
import pytest

from handfast.bench.folder import BenchFolder, read_bench
from handfast.bench.new import new_bench
from handfast.bench.parts import Bench
from handfast.bench.servos import FigureRow, ServoRecord, Vetting
from handfast.fitting.assign import Seat, assign, cost, default_poses, seats_of
from handfast.mechanics.model import model_of


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Bench:
    """The seedling bench."""
    root = tmp_path_factory.mktemp("bench") / "b"
    new_bench(root)
    return read_bench(BenchFolder(Path(root)))


def record(mark: str, play: float, torque: float = 100.0, name: str = "standard-metal") -> ServoRecord:
    """A servo with that play in degrees and torque in percent of the claim, and nothing else wrong."""
    figures = (
        FigureRow(key="play_deg", value=play),
        FigureRow(key="reversal_deg", value=0.0),
        FigureRow(key="repeatability_deg", value=0.0),
        FigureRow(key="noise_counts", value=0.0),
        FigureRow(key="torque_pct", value=torque),
    )
    return ServoRecord(mark=mark, servo_name=name, vettings=(Vetting(date="d", verdict="accept", figures=figures),))


def test_best_choice_is_that_of_trying_all(bench: Bench) -> None:
    """Four seats, six servos: the sum of squares equals the least over all permutations."""
    seats = [Seat(f"s{k}", "standard-metal", lever, 0.0) for k, lever in enumerate((0.30, 0.22, 0.10, 0.05))]
    servos = [record(f"m{k}", play) for k, play in enumerate((0.9, 0.3, 0.7, 0.5, 0.8, 0.4))]
    chosen = assign(seats, servos, bench)
    least = min(
        sum(cost(seat, servo, bench)[0] ** 2 for seat, servo in zip(seats, choice, strict=True))
        for choice in permutations(servos, 4)
    )
    assert chosen.expected**2 == pytest.approx(least, rel=1e-9)
    # The longest lever gets the least play; the two worst stay in the drawer.
    assert chosen.placed[0].mark == "m1"
    assert set(chosen.spares["standard-metal"]) == {"m0", "m4"}
    assert chosen.expected < chosen.by_chance


def test_a_weak_servo_is_kept_from_a_heavy_seat(bench: Bench) -> None:
    """A servo with less torque than the joint asks for is not used there, whatever its play."""
    claim = bench.servo("standard-metal").stall_torque
    heavy = Seat("heavy", "standard-metal", 0.2, 0.9 * claim)
    light = Seat("light", "standard-metal", 0.1, 0.0)
    chosen = assign([heavy, light], [record("weak", 0.1, 80.0), record("strong", 0.9, 130.0)], bench)
    assert {p.seat.name: p.mark for p in chosen.placed} == {"heavy": "strong", "light": "weak"}
    alone = assign([heavy], [record("weak", 0.1, 80.0)], bench)
    assert [seat.name for seat in alone.open] == ["heavy"]
    assert alone.lacking["standard-metal"] >= 1


def test_play_costs_its_even_spread(bench: Bench) -> None:
    """1.2° of play on 0.25 m: width/sqrt(12) as a standard deviation is 0.3464° or 1.5115 mm (by hand)."""
    miss, _ = cost(Seat("s", "standard-metal", 0.25, 0.0), record("m", 1.2), bench)
    assert miss * 1e3 == pytest.approx(1.5115, abs=1e-3)


def test_seats_of_the_bench(bench: Bench) -> None:
    """Ten joints and two grippers; a yaw carries no weight; the lever of a roll is the TCP's distance off its axis."""
    model = model_of(bench)
    q = default_poses(model)
    seats = seats_of(model, q, np.zeros((len(q), 2)))
    assert len(seats) == 12
    by_name = {seat.name: seat for seat in seats}
    assert by_name["left yaw"].torque == pytest.approx(0.0, abs=1e-9)
    assert by_name["left roll"].lever == pytest.approx(0.0, abs=1e-9)
    assert by_name["left shoulder"].torque > by_name["left elbow"].torque > by_name["left wrist"].torque
