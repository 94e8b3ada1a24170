"""Gauges at a stop that stays: its own error is shared by both ways, and tells nothing of play."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from handfast.bench.lines import counts_of, noise_angles
from handfast.fitting.calibrate import calibrate, jacobian_of
from handfast.fitting.equations import GAUGE_SCATTER, Equations
from handfast.fitting.unknowns import Unknowns
from handfast.geometry.rigid import Array
from handfast.landing.flank import lead_of
from handfast.records.readings import Gauge, Readings, read_readings, write_readings
from handfast.units import DEGREE
from support import seedling

MODEL, BENCH = seedling.model(), seedling.bench()
STOP, AGAIN = 0.4 * DEGREE, 0.05 * DEGREE
SHARES = (0.1, 0.3, 0.5, 0.7, 0.9)


def shown(joint: int, angle: float) -> tuple[float, ...]:
    """Feedback of every channel with one joint at an angle, rad."""
    q: Array = seedling.REST.copy()
    q[joint] = angle
    counts = np.full(BENCH.controller.channels, 512.0)
    for one, at in zip(BENCH.joints, q, strict=True):
        counts[one.channel] = float(counts_of(one, at))
    return tuple(float(v) for v in counts)


def stopped(rng: np.random.Generator, play: Array, stays: bool) -> Readings:
    """Every joint at five stops, both ways, with plays (K,) rad; stops are off by `STOP`, as drawn."""
    lead = play / 2.0 + MODEL.compliance * MODEL.limp_friction
    share = np.sqrt(STOP**2 - AGAIN**2)
    found = []
    for i, joint in enumerate(BENCH.joints):
        for part in SHARES:
            angle = joint.travel[0] + part * (joint.travel[1] - joint.travel[0])
            stands = angle + rng.normal(0.0, share)
            for way in (1.0, -1.0):
                link = stands + rng.normal(0.0, AGAIN)
                found.append(
                    Gauge(
                        joint=BENCH.joint_names[i], angle=angle, error=STOP, way="+" if way > 0 else "-",
                        stop=f"{part}" if stays else "", again=AGAIN, counts=shown(i, link - way * lead[i]), supply=6.0,
                    )
                )  # fmt: skip
    return Readings(gauges=tuple(found))


def test_residuals_are_those_of_generalised_least_squares():
    """Their sum of squares is e' C^-1 e with the full covariance C of the readings (Aitken's generalised least squares,
    from memory): stop errors shared at one stop of one joint, and nowhere else."""
    rng = np.random.default_rng(3)
    readings = stopped(rng, MODEL.unseen_play, True)
    unknowns = Unknowns(BENCH)
    equations = Equations(unknowns, readings)
    x = rng.normal(0.0, 0.3, unknowns.size) * [entry.sigma for entry in unknowns.entries]
    gauges = readings.gauges
    lead = lead_of(unknowns.model_at(x))
    index = [BENCH.joint_names.index(g.joint) for g in gauges]
    q = unknowns.angles(x, unknowns.shown(np.array([g.counts for g in gauges])))
    way = np.array([1.0 if g.way == "+" else -1.0 for g in gauges])
    off = q[np.arange(len(gauges)), index] + way * lead[index] - [g.angle for g in gauges]
    first = lead_of(unknowns.model_at(np.zeros(unknowns.size)))[index]
    noise = noise_angles(BENCH)[index] / np.sqrt(20.0)
    C = np.zeros((len(gauges), len(gauges)))
    for a, one in enumerate(gauges):
        for b, other in enumerate(gauges):
            if one.joint == other.joint and one.stop == other.stop:
                C[a, b] = STOP**2 - AGAIN**2
        C[a, a] = STOP**2 + noise[a] ** 2 + (GAUGE_SCATTER * first[a]) ** 2
    r = equations.residuals(x)
    assert len(r) == len(gauges)
    assert r @ r == pytest.approx(off @ np.linalg.solve(C, off))


@pytest.mark.parametrize("seed", [1, 2])
def test_leads_are_told_by_stops_that_stay(seed):
    """By how much a link leads its feedback (half its play, and windup) is told by stops as bad as 0.4 degrees to less
    than half of what it is if each reading's error were its own; what is stated falls as well, and holds the truth."""
    rng = np.random.default_rng(seed)
    play = MODEL.unseen_play * rng.uniform(0.5, 1.6, 10)
    true = play / 2.0 + MODEL.compliance * MODEL.limp_friction
    readings = stopped(rng, play, True)
    apart = Readings(gauges=tuple(replace(g, stop="") for g in readings.gauges))
    off, said = {}, {}
    for name, given in (("stays", readings), ("apart", apart)):
        found = calibrate(BENCH, given)
        u, x = found.unknowns, found.x
        steps = np.array([1e-3 * entry.sigma for entry in u.entries])
        P = jacobian_of(lambda v, u=u: lead_of(u.model_at(v)), x, steps)
        off[name] = float(np.sqrt(np.mean((lead_of(u.model_at(x)) - true) ** 2)) / DEGREE)
        said[name] = float(np.sqrt(np.einsum("ip,pq,iq->i", P, found.covariance, P).mean()) / DEGREE)
    assert said["stays"] < 0.5 * said["apart"]
    assert off["stays"] < 0.7 * off["apart"]
    assert off["stays"] < 2.0 * said["stays"]


def test_a_stop_in_a_file(tmp_path: Path):
    """`stop` and `again_deg` are read and written; without them each reading is off by itself."""
    path = tmp_path / "gauges.toml"
    plain = "[[gauge]]\njoint = 'left elbow'\nangle_deg = 45\nerror_deg = 0.2\nway = '+'\nsupply_V = 6.0\n"
    plain += f"counts = {list(shown(2, 0.7))}\n"
    path.write_text(plain + plain.replace("'+'", "'-'") + "stop = 'a'\nagain_deg = 0.05\n")
    read = read_readings(path, BENCH)
    assert [g.stop for g in read.gauges] == ["", "a"]
    assert read.gauges[1].again == pytest.approx(0.05 * DEGREE)
    write_readings(path, read, BENCH)
    again = read_readings(path, BENCH).gauges
    assert [(g.stop, g.again) for g in again] == [(g.stop, g.again) for g in read.gauges]
