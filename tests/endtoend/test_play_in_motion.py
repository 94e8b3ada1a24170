"""On which side of its play a link runs in fast motion: simple stand-in, physics twin and fast prediction, alike."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from handfast.correction.correct import uncorrected
from handfast.landing.follow import crossings
from handfast.mechanics.dynamics import transmitted_torques
from handfast.mechanics.model import model_of
from handfast.motion.as_played import as_played
from handfast.motion.plan import DT, plan
from handfast.rehearsal.board import TwinBoard
from handfast.rehearsal.scene import scene_of
from handfast.rehearsal.taught import taught_here
from handfast.rehearsal.twin import Twin
from handfast.sessions.powered import Powered
from handfast.standins.direct import DirectBoard
from handfast.standins.servo_model import ServoArms
from handfast.standins.truth import design_truth
from support import rehearsing, seedling


def loaded_crossings(t, slack, play, loaded):
    """How often each of the loaded joints crosses its play."""
    half = play / 2.0
    return [sum(i == joint for _, i, _ in crossings(t, np.clip(slack, -half, half), play)) for joint in loaded]


def test_a_link_that_gravity_presses_keeps_its_side_however_fast_its_shaft_runs_ahead():
    """Ways of `pass-pot` without its pot, at over 150 degrees a second with gravity: no such link leaves its side.

    It has its shaft's speed already when that runs on; only what presses it tells where it goes from there. Physics
    says so; the stand-in and the prediction have to.
    """
    bench = seedling.bench()
    model, truth = model_of(bench), design_truth(bench)
    taught = uncorrected(rehearsing.taught("pass-pot"))
    routine = replace(taught, steps=tuple(s for s in taught.steps[:5] if s.do == "go"))
    motion = plan(model, routine)
    tau = transmitted_torques(model, motion.q, motion.qd, motion.qdd)
    load = tau - model.friction * np.sign(motion.qd)
    loaded = np.flatnonzero(np.all(np.abs(load) > 1.5 * model.friction, axis=0))
    assert np.degrees(np.abs(motion.qd[:, loaded]).max()) > 150.0
    assert len(loaded) >= 3
    play = model.unseen_play

    def send(wire: Powered) -> float:
        wire.attach()
        wire.ramp(motion.q[0])
        wire.hold(motion.q[0], 0.5)
        return wire.time

    twin = Twin(bench, truth, scene_of(bench, routine, taught_here(bench, truth, routine).tools), 0, motion.q[0])
    wire = Powered(bench, TwinBoard(bench, twin))
    begun = send(wire)
    for k in range(0, len(motion.t), 2):
        wire.send(motion.q[k])
    assert twin.watch is not None
    seen = twin.watch.seen()
    on = seen.t > begun
    # What the printed parts give is no play.
    slack = (seen.link - seen.shaft + model.compliance * seen.passed)[on]
    assert loaded_crossings(seen.t[on], slack, play, loaded) == [0] * len(loaded)

    arms = ServoArms(truth, bench.controller.channels, 1, motion.q[0])
    wire = Powered(bench, DirectBoard(bench, arms))
    send(wire)
    rows = []
    for k in range(0, len(motion.t), 2):
        wire.send(motion.q[k])
        rows.append(arms.slack())
    assert loaded_crossings(2 * DT * np.arange(len(rows)), np.array(rows), play, loaded) == [0] * len(loaded)

    side = as_played(model, motion).side
    assert loaded_crossings(DT * np.arange(len(side)), side, np.full(len(play), 2.0), loaded) == [0] * len(loaded)
