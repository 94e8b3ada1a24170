"""What light pulls tell of a joint's own friction, what a trembling hand takes of its lead, and wild readings."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from handfast.bench.lines import counts_of
from handfast.bench.parts import Bench
from handfast.fitting.advice import advise
from handfast.fitting.calibrate import SOFT, _fit, calibrate
from handfast.fitting.equations import Equations
from handfast.fitting.unknowns import Unknowns
from handfast.fitting.values import values_of
from handfast.geometry.rigid import Array
from handfast.landing.flank import lead_of, pushed_offsets
from handfast.mechanics.kinematics import places
from handfast.mechanics.model import Model
from handfast.records.readings import Follow, Gauge, LandingRead, Pull, Push, Readings, read_readings, write_readings
from handfast.routine.steps import LIKELY
from handfast.sessions.measure import Errors, MakerAtStandIn
from handfast.standins.servo_model import ServoArms
from handfast.standins.truth import draw_truth
from handfast.units import DEGREE
from support import seedling

LEVER = 0.1


def pulls(limp: Array, rub: Array, bench: Bench, loose: bool) -> tuple[Pull, ...]:
    """Exact pulls (K,) at joints of given frictions, N·m: with their gears, and (`loose`) without."""
    found = [
        Pull(joint=n, force=float((a + b) / LEVER), lever=LEVER, error=float(0.08 * (a + b) / LEVER))
        for n, a, b in zip(bench.joint_names, limp, rub, strict=True)
    ]
    if loose:
        found += [
            Pull(joint=n, force=float(b / LEVER), lever=LEVER, error=float(0.15 * b / LEVER), loose=True)
            for n, b in zip(bench.joint_names, rub, strict=True)
        ]
    return tuple(found)


def test_light_pulls_tell_a_joints_own_friction():
    """Pulls at the gears leave it as good as unknown; light ones find it to their own 15 %."""
    bench, model = seedling.bench(), seedling.model()
    limp, rub = 0.9 * model.limp_friction, 1.7 * model.friction
    plain, light = (calibrate(bench, Readings(pulls=pulls(limp, rub, bench, loose))) for loose in (False, True))
    index = [light.index(name, "joint friction") for name in bench.joint_names]
    assert not any(plain.known(k) for k in index)
    assert all(light.known(k) for k in index)
    found = light.unknowns.figures(light.x)
    assert found[3] == pytest.approx(rub, rel=0.1)
    assert found[2] == pytest.approx(limp, rel=0.1)
    assert np.array([light.sigma(k) for k in index]) == pytest.approx(0.15, rel=0.2)


def test_a_light_pull_in_a_file(tmp_path: Path):
    """`loose` is read and written; without it a pull is one that turns the gears."""
    bench, path = seedling.bench(), tmp_path / "pulls.toml"
    words = "[[pull]]\njoint = 'left elbow'\nforce_N = 1.0\nlever_mm = 80\nerror_N = 0.1\n"
    path.write_text(words + words.replace("1.0", "0.2") + "loose = true\n")
    read = read_readings(path, bench)
    assert [p.loose for p in read.pulls] == [False, True]
    write_readings(path, read, bench)
    assert read_readings(path, bench).pulls == read.pulls


def test_a_trembling_hand_leads_by_less():
    """The shaft is dragged as far as the tremor goes forward, so that much of the lead is lost; never more than all."""
    model = dataclasses.replace(seedling.model(), hand_tremor=np.full(10, 0.05 * DEGREE))
    still = seedling.model()
    assert np.all(still.hand_tremor == 0.0)
    assert lead_of(still) - lead_of(model) == pytest.approx(0.05 * DEGREE)
    assert np.all(lead_of(dataclasses.replace(model, hand_tremor=np.full(10, 1.0))) == 0.0)


def gauged(model: Model, tremor: float) -> tuple[Gauge, ...]:
    """Gauges at every joint, both ways, as a hand with that tremor (rad) reads them at the bench's own figures."""
    bench, found = model.bench, []
    lead = model.unseen_play / 2.0 + model.compliance * model.limp_friction - tremor
    for i, joint in enumerate(bench.joints):
        for share in (0.1, 0.3, 0.5, 0.7, 0.9):
            for way in (1.0, -1.0):
                angle = joint.travel[0] + share * (joint.travel[1] - joint.travel[0])
                q = seedling.REST.copy()
                q[i] = angle - way * lead[i]
                found.append(
                    Gauge(
                        joint=bench.joint_names[i], angle=angle, error=0.1 * DEGREE, way="+" if way > 0 else "-",
                        counts=counts(bench, q), supply=6.0,
                    )
                )  # fmt: skip
    return tuple(found)


def counts(bench: Bench, q: Array) -> tuple[float, ...]:
    """Feedback of every channel at angles q (K,)."""
    shown = np.full(bench.controller.channels, 512.0)
    for joint, angle in zip(bench.joints, q, strict=True):
        shown[joint.channel] = float(counts_of(joint, angle))
    return tuple(float(v) for v in shown)


def test_tremor_is_told_from_play_by_pushes():
    """Gauges alone take tremor for play; with pushes, which no hand's tremor touches, both are found."""
    bench, model = seedling.bench(), seedling.model()
    tremor = 0.1 * DEGREE
    pushed = []
    for arm, side in enumerate(("left", "right")):
        part = model.chain.columns(arm)
        for pose in ((0.0, 20.0, 60.0, 30.0, 0.0), (20.0, -10.0, 80.0, -20.0, 30.0), (-20.0, 40.0, 40.0, 60.0, 0.0)):
            q = seedling.REST.copy()
            q[part] = np.radians(pose)
            both = np.vstack([q, q])
            for along in np.eye(3):
                force = np.outer((1.0, -1.0), 4.0 * along)
                rest = pushed_offsets(model, both, arm, force)
                if np.any(rest.half[:, part][:, 1:4] > 0.0):
                    continue
                stands = places(model.chain, q + rest.mean).X_WT[:, arm, :3, 3] @ along
                pushed.append(
                    Push(
                        arm=side, force=tuple(force[0]), off=float(stands[0] - stands[1]), error=1e-4,
                        counts=counts(bench, q), back=counts(bench, q), supply=6.0,
                    )
                )  # fmt: skip
    assert len(pushed) >= 6
    known = pulls(model.limp_friction, model.friction, bench, True)
    plain = Readings(gauges=gauged(model, tremor), pulls=known)
    alone = calibrate(bench, plain)
    both = calibrate(bench, dataclasses.replace(plain, pushes=tuple(pushed)))
    taken = both.unknowns.model_at(both.x).hand_tremor
    assert taken == pytest.approx(tremor, abs=0.035 * DEGREE)
    loose = [0, 1, 2, 5, 6, 7]  # what the pushes press to and fro
    short = [np.mean((model.unseen_play - c.unknowns.figures(c.x)[0])[loose]) for c in (alone, both)]
    assert short[0] > 0.05 * DEGREE
    assert abs(short[1]) < 0.7 * short[0]
    said = {v.of: v for v in values_of(both) if v.key == "hand_tremor_deg"}
    assert said["left elbow"].value == pytest.approx(taken[0] / DEGREE, abs=1e-3)


def test_pushes_read_as_the_arms_are():
    """At arms whose feedback follows the supply, a push draws current and shifts shafts at once: it must not be taken
    for what the supply does. With the true figures of the arms every reading is met to its stated error."""
    bench, model = seedling.bench(), seedling.model()
    for seed in (13, 14):
        truth = draw_truth(bench, seed)
        arms = ServoArms(truth, bench.controller.channels, seed, seedling.REST)
        maker = MakerAtStandIn(bench, truth, arms, np.random.default_rng(seed), Errors())
        true = dataclasses.replace(
            model,
            chain=truth.chain,
            unseen_play=truth.unseen_play[:10],
            compliance=truth.compliance[:10],
            friction=truth.joint_friction[:10],
        )
        off = []
        # Once with what sweeps found of the supply before, once with what the stirring alone shows.
        follows = maker.sweeps(model)[1] if seed == 13 else ()
        for push in maker.pushes(model, follows):
            arm = ("left", "right").index(push.arm)
            along = np.array(push.force) / np.linalg.norm(push.force)
            q = np.array([shaft_angles(bench, truth, c) for c in (push.counts, push.back)])
            rest = pushed_offsets(true, q, arm, np.outer((1.0, -1.0), push.force))
            stands = places(truth.chain, q + rest.mean).X_WT[:, arm, :3, 3] @ along
            off.append((stands[0] - stands[1] - push.off) / push.error)
        assert np.sqrt(np.mean(np.square(off))) < 1.5


def shaft_angles(bench: Bench, truth: object, shown: tuple[float, ...]) -> Array:
    """True shaft angles (K,) behind counts, by inverting the stand-in's wiper and its bow."""
    t = truth
    found = np.zeros(10)
    full, reference = 2**bench.controller.wiper_bits, bench.controller.reference
    for i, joint in enumerate(bench.joints):
        volts = (shown[joint.channel] + 0.5) / full * reference
        reading = (volts - t.wiper_zero[i]) / t.wiper_slope[i]
        angle = reading + t.offset[i]
        for _ in range(30):
            bow = t.bow[i] * np.sin(2.0 * np.pi * angle / t.bow_span[i] + t.bow_phase[i])
            angle = reading + t.offset[i] - bow
        found[i] = angle
    return found


def test_wild_readings_draw_little_after_them():
    """One in five of a hundred readings eight standard deviations off to one side: where weights fall off only in
    proportion (Huber), each pulls with the limit of three, and twenty move a mean of eighty by three quarters of a
    deviation; here by less than half of that."""
    rng = np.random.default_rng(5)
    read = np.concatenate([rng.normal(size=80), 8.0 + rng.normal(size=20)])

    def rows(z: Array) -> Array:
        return np.concatenate([z[0] - read, 1e-3 * z])

    found = _fit(rows, np.zeros(1), 1)
    pulled = 20.0 * SOFT / 80.0  # what twenty readings at the limit of their weight move eighty by
    assert pulled > 0.7
    assert abs(found.z[0] - read[:80].mean()) < 0.5 * pulled


def test_a_wild_reading_is_named_with_how_far_it_is_off():
    """A gauge read 5 degrees wrong among 99 right ones, in degrees and in its standard errors; none of the others."""
    bench, model = seedling.bench(), seedling.model()
    right = gauged(model, 0.0)
    wrong = (*right[:7], dataclasses.replace(right[7], angle=right[7].angle + np.radians(5.0)), *right[8:])
    assert calibrate(bench, Readings(gauges=right)).wild == ()
    (wild,) = calibrate(bench, Readings(gauges=wrong)).wild
    assert (wild.kind, wild.number, wild.of) == ("gauge", 7, f" at {right[7].joint}")
    size, unit, _, errors, *_ = wild.off.split()
    assert (float(size), unit) == (pytest.approx(5.0, abs=0.7), "°")
    # Stated to 0.1 degrees; noise and the hand's lead add less than as much again.
    assert 25.0 < float(errors) < 50.0


def test_light_pulls_are_offered():
    """Where gears and give are known and friction is not, the advice names a light pull among the first."""
    bench, model = seedling.bench(), seedling.model()
    plain = Readings(gauges=gauged(model, 0.0), pulls=pulls(model.limp_friction, model.friction, bench, False))
    calibration = calibrate(bench, plain)
    words = [a.words for a in advise(calibration, seedling.REST[None], most=400)]
    assert any(w.startswith("light pull at left shoulder: ") for w in words)


def test_a_push_and_a_weight_are_advised_at_a_pose():
    """A force alone says nothing: the joint angles of that arm stand behind it, those that are shown."""
    bench = seedling.bench()
    plain = calibrate(
        bench, Readings(pulls=pulls(seedling.model().limp_friction, seedling.model().friction, bench, False))
    )
    told = [a for a in advise(plain, seedling.REST[None], most=400) if a.words.startswith(("push ", "weight "))]
    assert {a.words.split()[0] for a in told} == {"push", "weight"}
    for advice in told:
        side = "left" if " left arm" in advice.words else "right"
        names = [joint.name for joint in bench.arm(side).joints]
        degrees = advice.pose[bench.columns(side)] / DEGREE
        said = ", ".join(f"{name} {round(float(d)) + 0}°" for name, d in zip(names, degrees, strict=True))
        assert advice.words.endswith(f", at {said}")


def test_a_landing_whose_way_is_in_doubt_counts_for_less():
    """Of ways in doubt 28 % are wrong, so a lead counts by 0.44 of itself on the mean, and is spread by 0.9 of it."""
    bench, model = seedling.bench(), seedling.model()
    taught = tuple(float(v) for v in np.radians([0.0, 40.0, 50.0, 0.0, 0.0]))
    both = []
    for sign in ("+", "+?"):
        read = LandingRead(
            arm="left", off=(0.0, 0.0, 0.0), error=1e-4, taught=taught, held="held", feedback=taught,
            arrived=f"{sign} + + + +", moved="+ + + + +", load=0.0,
        )  # fmt: skip
        equations = Equations(Unknowns(bench), Readings(landings=(read,)))
        both.append(equations._landing_off(model, np.zeros(equations.unknowns.size), read, equations._landed[0]))
    (sure, narrow), (unsure, wide) = both
    q = seedling.REST.copy()
    q[:5] = taught
    turn = places(model.chain, q).J[0, 0, 3:]
    lead = lead_of(model)[0]
    assert unsure - sure == pytest.approx((1.0 - LIKELY) * lead * turn, abs=2e-5)
    assert wide - narrow == pytest.approx((1.0 - LIKELY**2) * lead**2 * np.outer(turn, turn), abs=1e-8)


def test_a_sagging_supply_is_taken_out_of_powered_readings():
    """A push under which the supply sags from 6.0 to 5.5 V, at joints whose feedback follows it by half: raw counts
    with the supply beside them say the same as counts of a supply that stood."""
    bench = seedling.bench()
    q = seedling.REST.copy()
    q[:5] = np.radians([0.0, 40.0, 50.0, 0.0, 0.0])
    clean = np.array(counts(bench, q))
    sagged = clean * (1.0 + 0.5 * (5.5 / 6.0 - 1.0))
    push = Push(
        arm="left", force=(2.0, 0.0, 0.0), off=0.004, error=1e-4, counts=tuple(clean), back=tuple(clean), supply=6.0
    )
    low = dataclasses.replace(push, counts=tuple(sagged), supply=5.5, back_supply=6.0)
    follows = tuple(Follow(joint=name, share=0.5, error=0.01) for name in bench.joint_names)
    limp = gauged(seedling.model(), 0.0)[:2]
    said = []
    for one, known in ((push, follows), (low, follows), (low, ())):
        equations = Equations(Unknowns(bench), Readings(gauges=limp, pushes=(one,), follows=known))
        said.append(equations.residuals(np.zeros(equations.unknowns.size))[-1])
    assert said[1] == pytest.approx(said[0], abs=1e-6)
    assert abs(said[2] - said[0]) > 3.0
