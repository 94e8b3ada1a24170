"""Rehearsals: a routine played on the twin of the bench, once or many times over."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from handfast.desk.work import check_seed
from handfast.errors import InputError
from handfast.records.run import MODES, Mode
from handfast.units import counted

if TYPE_CHECKING:
    from handfast.bench.parts import Bench
    from handfast.records.run import Run
    from handfast.rehearsal.beside import Holding, Place
    from handfast.rehearsal.outcome import Outcome
    from handfast.rehearsal.scene import Scene
    from handfast.rehearsal.taught import TaughtLinks
    from handfast.rehearsal.watch import Seen
    from handfast.rehearsal.whole import Figure
    from handfast.routine.steps import Routine
    from handfast.standins.truth import Truth


@dataclass(frozen=True)
class Rehearsed:
    """One rehearsal with all that was seen in it. planned: how long the routine's motion is, s."""

    bench: Bench
    routine: Routine
    truth: Truth
    scene: Scene
    taught: TaughtLinks
    run: Run
    seen: Seen
    outcome: Outcome
    holdings: tuple[Holding, ...]
    places: tuple[Place, ...]
    figures: tuple[Figure, ...]
    planned: float


def without_tables(bench: Bench) -> Bench:
    """The bench with straight pulse and feedback lines: the twin's own are straight where the design's are."""
    arms = bench.arms
    for side in ("left", "right"):
        arm = bench.arm(side)
        joints = tuple(replace(j, pulse_rows=None, wiper_rows=None) for j in arm.joints)
        gripper = replace(arm.gripper, pulse_rows=None, wiper_rows=None)
        new = replace(arm, joints=joints, gripper=gripper)
        arms = replace(arms, left=new) if side == "left" else replace(arms, right=new)
    return replace(bench, arms=arms)


def rehearse(
    bench: Bench,
    routine: Routine,
    mode: Mode = "corrected",
    seed: int | None = None,
    progress: Callable[[float], None] | None = None,
) -> Rehearsed:
    """Play a routine on the twin. seed None: the arms are as the bench says; else drawn around it by that seed."""
    import numpy as np

    from handfast.answers.facts import facts_of
    from handfast.correction.correct import as_corrected, uncorrected
    from handfast.correction.correct import correct as corrected
    from handfast.landing.predict import land
    from handfast.mechanics.model import model_of
    from handfast.motion.plan import plan
    from handfast.motion.taught_poses import taught_poses
    from handfast.rehearsal.beside import beside, holdings
    from handfast.rehearsal.board import TwinBoard
    from handfast.rehearsal.outcome import outcome_of
    from handfast.rehearsal.scene import scene_of
    from handfast.rehearsal.taught import taught_again, taught_here
    from handfast.rehearsal.twin import Twin, before, physics
    from handfast.rehearsal.whole import whole_figures
    from handfast.sessions.run import Creep, play
    from handfast.standins.truth import design_truth, draw_truth

    if seed is not None:
        check_seed(seed)
    if mode not in MODES:
        raise InputError(f'"{mode}" is no way to play', expected="one of the ways", available=MODES, asked=mode)
    physics()
    bench = without_tables(bench)
    truth = design_truth(bench)
    taught = taught_here(bench, truth, routine)
    if seed is not None:
        truth = draw_truth(bench, seed)
        routine, taught = taught_again(bench, truth, routine, taught)
    scene = scene_of(bench, routine, taught.tools)
    model = model_of(bench)
    creeps: dict[int, Creep] = {}
    if mode == "corrected":
        correction = corrected(model, routine)
        motion = correction.motion
        creeps = {sample: Creep(way) for sample, way in correction.approach.items()}
    else:
        motion = plan(model, uncorrected(routine))
    twin = Twin(bench, truth, scene, 0 if seed is None else seed, before(model.chain, motion.q[0]))
    board = TwinBoard(bench, twin)
    run = play(model, motion, board, mode, creeps, progress)
    assert twin.watch is not None
    seen = twin.watch.seen()
    outcome = outcome_of(bench, routine, scene, taught, run, seen, board.loads)
    poses = taught_poses(model, motion)
    landings = land(model, as_corrected(model, poses) if mode == "corrected" else poses, way_of(mode))
    places = beside(bench, truth, model, poses, landings, outcome.landed, run, seen)
    held = holdings(bench, model, run, seen)
    facts = facts_of(bench, motion.routine, motion=motion)
    currents = np.column_stack([facts.currents, facts.grip_currents])
    figures = whole_figures(
        bench, model, run, seen, motion.t, motion.q, facts.link_torque, currents, facts.gaps, motion.loads, board.handed
    )
    return Rehearsed(
        bench,
        routine,
        truth,
        scene,
        taught,
        run,
        seen,
        outcome,
        held,
        tuple(places),
        figures,
        motion.duration,
    )


def way_of(mode: Mode) -> Literal["raw", "trimmed"]:
    """How landings are predicted for a way to play: what is corrected is trimmed, too."""
    return "raw" if mode == "raw" else "trimmed"


def export(bench: Bench, routine: Routine, folder: Path) -> list[Path]:
    """Write the twin of a routine's scene as MJCF, both arms as URDF and the motion as CSV; returns the files."""
    from handfast.bench.parts import SIDES
    from handfast.files.atomic import write_text
    from handfast.mechanics.model import model_of
    from handfast.motion.plan import plan
    from handfast.rehearsal.formats import motion_csv, urdf
    from handfast.rehearsal.mjcf import mjcf
    from handfast.rehearsal.scene import scene_of
    from handfast.rehearsal.taught import taught_here
    from handfast.standins.truth import design_truth

    bench = without_tables(bench)
    truth = design_truth(bench)
    scene = scene_of(bench, routine, taught_here(bench, truth, routine).tools)
    texts = {"twin.xml": mjcf(bench, truth.chain, scene) + "\n"}
    texts |= {f"{side}.urdf": urdf(bench, side) for side in SIDES}
    texts[f"{routine.name}.csv"] = motion_csv(bench, plan(model_of(bench), routine))
    for name, text in texts.items():
        write_text(folder / name, text)
    return [folder / name for name in texts]


@dataclass(frozen=True)
class DrawResult:
    """One draw: whether it worked, what spoiled it first, the misses of its poses m, and each joint's share in them."""

    seed: int
    works: bool
    spoilers: tuple[tuple[str, str], ...]
    misses: tuple[float, ...]
    shares: dict[str, float]


@dataclass(frozen=True)
class Drawn:
    """Many rehearsals of one routine."""

    routine: str
    way: str
    seed: int
    results: tuple[DrawResult, ...]
    interval: tuple[float, float]

    @property
    def worked(self) -> int:
        """How many worked."""
        return sum(r.works for r in self.results)

    @property
    def chance(self) -> float:
        """Share that worked."""
        return self.worked / len(self.results)

    @property
    def spoilers(self) -> list[tuple[str, str, int]]:
        """What spoiled the draws that failed, most often first: kind, joint or grip, how many draws."""
        count = Counter(spoiler for r in self.results for spoiler in set(r.spoilers))
        return [(kind, part, n) for (kind, part), n in sorted(count.items(), key=lambda x: (-x[1], x[0]))]

    @property
    def _misses(self) -> list[float]:
        return sorted(m for r in self.results for m in r.misses)

    @property
    def middle_miss(self) -> float:
        """Median miss of all poses of all draws, m."""
        found = self._misses
        return found[len(found) // 2] if found else 0.0

    @property
    def bad_miss(self) -> float:
        """Miss that nine in ten poses keep, m."""
        found = self._misses
        return found[int(0.9 * (len(found) - 1))] if found else 0.0

    @property
    def joint(self) -> str | None:
        """The joint that moves the landings most, over all draws."""
        total: Counter[str] = Counter()
        for r in self.results:
            total.update(r.shares)
        return max(total, key=lambda name: total[name]) if total else None

    def plain(self) -> dict[str, Any]:
        """As plain values, for JSON."""
        return {
            "routine": self.routine,
            "way": self.way,
            "first_seed": self.seed,
            "draws": len(self.results),
            "worked": self.worked,
            "chance": round(self.chance, 4),
            "interval": [round(x, 4) for x in self.interval],
            "interval_is": "Wilson score, 95 %",
            "spoiled_by": [{"kind": k, "part": p, "draws": n} for k, p, n in self.spoilers],
            "miss_middle_mm": round(self.middle_miss * 1e3, 3),
            "miss_nine_in_ten_mm": round(self.bad_miss * 1e3, 3),
            "joint_that_moves_landings_most": self.joint,
            "each": [
                {"seed": r.seed, "works": r.works, "spoiled_by": [" ".join(x) for x in r.spoilers],
                 "worst_miss_mm": round(max(r.misses, default=0.0) * 1e3, 3)}
                for r in self.results
            ],
        }  # fmt: skip


def _draw(job: tuple[Bench, Routine, Mode, int]) -> DrawResult:
    """One draw; in a process of its own."""
    import numpy as np

    from handfast.bench.parts import SIDES
    from handfast.mechanics.kinematics import places

    bench, routine, mode, seed = job
    done = rehearse(bench, routine, mode, seed)
    outcome = done.outcome
    first = outcome.events[:1]
    shares: dict[str, float] = {}
    for x in outcome.landed:
        if x.row:
            continue
        arm = SIDES.index(x.side)
        J = places(done.truth.chain.only(arm), x.links[None]).J[0, :, 3:]
        turned = x.links - done.taught.links[x.step, x.side][x.row or 0]
        for joint, size in zip(bench.arm(x.side).joints, np.linalg.norm(J * turned[:, None], axis=1), strict=True):
            name = f"{x.side} {joint.name}"
            shares[name] = shares.get(name, 0.0) + float(size)
    return DrawResult(
        seed,
        outcome.works,
        tuple((e.kind, e.part) for e in first),
        tuple(x.distance for x in outcome.landed if not x.row),
        shares,
    )


def draws(
    bench: Bench,
    routine: Routine,
    mode: Mode,
    count: int,
    seed: int = 0,
    jobs: int | None = None,
    progress: Callable[[float], None] | None = None,
) -> Drawn:
    """Rehearse `count` times on arms drawn by seeds from `seed` on, shared by `jobs` processes."""
    import multiprocessing

    from handfast.rehearsal.chance import wilson
    from handfast.rehearsal.twin import physics

    if count < 1:
        raise InputError(
            f"{counted(count, 'draw shows', 'draws show')} nothing",
            where="--draws",
            expected="a whole number from 1",
            next_step="ask for 20",
        )
    check_seed(seed)
    if jobs is not None and jobs < 1:
        raise InputError(f"{jobs} jobs do nothing", where="--jobs", expected="a whole number from 1")
    physics()
    jobs = min(count, jobs or len(os.sched_getaffinity(0)))
    work = [(bench, routine, mode, seed + k) for k in range(count)]
    found: list[DrawResult] = []
    if jobs == 1:
        for job in work:
            found.append(_draw(job))
            if progress is not None:
                progress(len(found) / count)
    else:
        with multiprocessing.get_context("spawn").Pool(jobs) as pool:
            for result in pool.imap(_draw, work):
                found.append(result)
                if progress is not None:
                    progress(len(found) / count)
    worked = sum(r.works for r in found)
    return Drawn(routine.name, mode, seed, tuple(found), wilson(worked, count))
