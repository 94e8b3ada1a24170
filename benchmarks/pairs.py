"""How well two arms keep, and pass, what they hold, on pairs never seen: `python benchmarks/pairs.py --seeds 1:21`.

Each pair is a stand-in drawn by seed. Its carry is taught by hands that hold the thing, played corrected on the bench
as it is and again after calibration; what is read is how much the place of one TCP in the other's, in the axes of
what both hold, has changed since the grips closed. With `--pass` the pot is passed on the twin of that very pair
instead, and judged by what becomes of the pot. Truth is read here alone.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))
from handfast.answers.ask import ask
from handfast.answers.facts import facts_of
from handfast.correction.correct import correct
from handfast.geometry.rigid import pose
from handfast.mechanics.model import Model
from handfast.motion.carrying import apart, thing_pose
from handfast.rehearsal.board import TwinBoard
from handfast.rehearsal.outcome import outcome_of
from handfast.rehearsal.scene import scene_of
from handfast.rehearsal.taught import taught_here
from handfast.rehearsal.twin import Twin, before
from handfast.sessions.run import Creep, play
from handfast.standins.direct import DirectBoard
from handfast.teaching.routine_from import routine_from
from truth import Trial, true_positions

WAYS = ("as it is, keep pose", "as it is, keep taught", "calibrated, keep pose", "calibrated, keep taught")


@dataclass(frozen=True)
class Carry:
    """One carry as played: root mean square and largest change of the relative place, mm; what `together` said."""

    seed: int
    way: str
    rms: float
    most: float
    together: str
    said: float


def apart_of(p: np.ndarray) -> np.ndarray:
    """Right TCP from the left one (M, 3) in the axes of what they hold, for places (M, 2, 3), in their unit."""
    X_WT = pose(np.broadcast_to(np.eye(3), (*p.shape[:2], 3, 3)), p)
    return apart(thing_pose(X_WT), X_WT)


def carried(trial: Trial, way: str, model: Model, measured: tuple) -> Carry:
    """The carry of the tray, taught with this model's lines, corrected and played."""
    routine, _ = routine_from(trial.recordings["carry-tray"], model, "carry-tray")
    if "keep" in way:
        kept = way.split()[-1]
        routine = replace(routine, steps=tuple(replace(s, keep=kept) if s.do == "carry" else s for s in routine.steps))
    correction = correct(model, routine)
    said = ask(facts_of(model.bench, correction.routine, measured, motion=correction.motion), False).of("together")
    creeps = {sample: Creep(w) for sample, w in correction.approach.items()}
    file = trial.root / "run.txt"
    with trial.arms(4, file) as arms:
        run = play(model, correction.motion, DirectBoard(model.bench, arms), "corrected", creeps)
    t, p = true_positions(file)
    carries = [n for n, s in enumerate(routine.steps) if s.do == "carry"]
    rows = np.array([row in carries for row in run.step[:, 0]])
    times = run.t[rows]
    d = apart_of(p[np.searchsorted(t, times).clip(0, len(t) - 1)])
    off = np.linalg.norm(d - d[0], axis=1)
    return Carry(trial.seed, way, float(np.sqrt((off**2).mean())), float(off.max()), said.verdict, said.margin)


def trials(seeds: list[int], ways: tuple[str, ...] = WAYS) -> list[Carry]:
    """All ways of all seeds, each printed as it comes."""
    found = []
    for seed in seeds:
        with tempfile.TemporaryDirectory() as place:
            trial = Trial(seed, Path(place))
            for way in ways:
                model, measured = (trial.model, ())
                if way.startswith("calibrated"):
                    model, measured = trial.measured_model(trial.calibration)
                one = carried(trial, way, model, measured)
                print(
                    f"{seed:>5}  {way:24}{one.rms:7.2f} mm rms {one.most:7.2f} mm most   together {one.together} "
                    f"({one.said:.2f})",
                    flush=True,
                )
                found.append(one)
    return found


def passed(trial: Trial, model: Model, measured: tuple) -> tuple[bool, str, str]:
    """The pot's pass, taught with this model's lines, corrected, and played on the physics twin of the trial's arms.

    Whether it works, what spoiled it first, and what `meet` said.
    """
    recording = trial.recordings["pass-pot"]
    plain, _ = routine_from(recording, trial.model, "pass-pot")
    taught = taught_here(trial.bench, trial.truth, plain)
    scene = scene_of(trial.bench, plain, taught.tools)
    routine, _ = routine_from(recording, model, "pass-pot")
    correction = correct(model, routine)
    facts = facts_of(model.bench, correction.routine, measured, motion=correction.motion)
    said = [a for a in ask(facts, False).answers if a.question == "meet"]
    creeps = {sample: Creep(w) for sample, w in correction.approach.items()}
    twin = Twin(trial.bench, trial.truth, scene, trial.seed, before(model.chain, correction.motion.q[0]))
    board = TwinBoard(model.bench, twin)
    run = play(model, correction.motion, board, "corrected", creeps)
    assert twin.watch is not None
    outcome = outcome_of(trial.bench, routine, scene, taught, run, twin.watch.seen(), board.loads)
    first = outcome.events[0].words if outcome.events else ""
    return outcome.works, first, f"{said[0].verdict} ({said[0].room:.2f})" if said else "not asked"


def passes(seeds: list[int]) -> None:
    """The pass of every seed, uncalibrated and calibrated, and how many work."""
    worked = {"as it is": 0, "calibrated": 0}
    for seed in seeds:
        with tempfile.TemporaryDirectory() as place:
            trial = Trial(seed, Path(place))
            for way in worked:
                model, measured = (trial.model, ())
                if way == "calibrated":
                    model, measured = trial.measured_model(trial.calibration)
                works, first, said = passed(trial, model, measured)
                worked[way] += works
                print(f"{seed:>5}  {way:12}{'works' if works else 'fails':7} meet {said:16} {first}", flush=True)
    for way, count in worked.items():
        print(f"{way:12} {count} of {len(seeds)} work")


def main() -> None:
    """Print every trial and the medians."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="1:21", help="FIRST:LAST+1")
    parser.add_argument("--ways", default=";".join(WAYS))
    parser.add_argument("--pass", dest="passing", action="store_true", help="the pass, in physics")
    given = parser.parse_args()
    first, _, last = given.seeds.partition(":")
    if given.passing:
        passes(list(range(int(first), int(last))))
        return
    ways = tuple(given.ways.split(";"))
    found = trials(list(range(int(first), int(last))), ways)
    for way in ways:
        mine = [c for c in found if c.way == way]
        print(
            f"median {way:24}{np.median([c.rms for c in mine]):7.2f} mm rms, "
            f"worst {max(c.rms for c in mine):.2f} mm rms, of {len(mine)}"
        )


if __name__ == "__main__":
    main()
