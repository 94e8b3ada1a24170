"""How right the tool is about arms that it has never seen: `make truth SEED=n` (one pair), or `SEED=a:b`.

Each pair of arms is a stand-in drawn by seed. The tool gets only what the wire shows and what a maker reads off
instruments with stated errors; truth stays inside the stand-in and is read here alone.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))
sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "examples"))
import seedling_hands

from handfast.answers.facts import facts_of
from handfast.bench.folder import BenchFolder, read_bench
from handfast.bench.measured import amended, measured_text, read_measured
from handfast.bench.new import new_bench
from handfast.bench.parts import SIDES, Bench
from handfast.correction.correct import as_corrected, correct
from handfast.fitting.calibrate import Calibration, calibrate, tcp_from_feedback
from handfast.fitting.pulses import fit_pulses, pulse_values
from handfast.fitting.values import values_of
from handfast.landing.dead_motion import at_rest
from handfast.landing.flank import holding_torques
from handfast.landing.predict import land
from handfast.mechanics.kinematics import places, tool_poses
from handfast.mechanics.model import Model, model_of
from handfast.motion.laid_down import Motion
from handfast.motion.plan import plan
from handfast.motion.taught_poses import taught_poses
from handfast.records.readings import LandingRead, Readings
from handfast.records.recording import Recording, read_recording
from handfast.records.run import Run
from handfast.routine.file import with_lines
from handfast.routine.steps import Routine
from handfast.sessions.measure import Errors, MakerAtStandIn, standard_readings
from handfast.sessions.powered import Powered
from handfast.sessions.run import Creep, play
from handfast.standins.direct import DirectBoard
from handfast.standins.servo_model import ServoArms
from handfast.standins.truth import Truth, draw_truth
from handfast.teaching.routine_from import routine_from
from other_arms import take_the_place_of_the_stand_in

WAYS = ("raw", "trimmed", "corrected", "calibrated")


@dataclass
class Landed:
    """One pose as played: true miss (3,) mm, predicted miss (3,) mm, predicted distance mm, and where it was.

    `at`: time of the pose in its recording, s, by which it is found again where another calibration read one more.
    """

    routine: str
    step: int
    side: str
    at: float
    miss: np.ndarray
    predicted: np.ndarray
    expected: float
    read: LandingRead | None = None


@dataclass
class Trial:
    """One unseen pair of arms at the seedling bench."""

    seed: int
    root: Path
    folder: BenchFolder = field(init=False)

    def __post_init__(self) -> None:
        self.folder = new_bench(self.root / "bench")
        self.bench: Bench = read_bench(self.folder)
        self.model: Model = model_of(self.bench)
        self.truth = draw_truth(self.bench, self.seed)
        self.start = seedling_hands.rest_pose(self.bench)
        self.recordings: dict[str, Recording] = {}
        self.taught: dict[str, tuple[np.ndarray, np.ndarray]] = {}
        for name in seedling_hands.SCRIPTS:
            seedling_hands.record(self.folder, name, self.seed, self.root)
            channels = self.bench.controller.channels
            self.recordings[name] = read_recording(self.folder.recordings / f"{name}.csv", channels)
            self.taught[name] = true_positions(self.root / f"{name}-taught.txt")

    def arms(self, number: int, truth_file: Path | None = None) -> ServoArms:
        """The pair of arms, with its own noise for each use."""
        return ServoArms(self.truth, self.bench.controller.channels, 1000 * number + self.seed, self.start, truth_file)

    # -- calibration -------------------------------------------------------------------------------------

    @cached_property
    def readings(self) -> Readings:
        """The maker's standard readings."""
        maker = MakerAtStandIn(self.bench, self.truth, self.arms(1), np.random.default_rng([self.seed, 3]), Errors())
        return standard_readings(maker, self.model)

    @cached_property
    def calibration(self) -> Calibration:
        """The fit to them."""
        return calibrate(self.bench, self.readings)

    def measured_model(self, calibration: Calibration, pulses: bool = True) -> tuple[Model, tuple]:
        """The bench with a calibration's values in place."""
        values = values_of(calibration)
        if pulses:
            values += pulse_values([fit_pulses(calibration, s) for s in calibration.readings.sweeps])
        rows = [(v.of, v.key, v.value, v.uncertainty, v.known) for v in values]
        path = self.root / "measured.toml"
        path.write_text(measured_text("", rows, "2026-01-01", "trial", "trial"))
        measured = read_measured(path)
        return model_of(amended(self.bench, measured)), measured

    def with_true_figures(self, model: Model) -> Model:
        """A model with the arms' true play, give and friction: what no reading could do better at."""
        t, K = self.truth, self.truth.joints
        return replace(
            model, unseen_play=t.unseen_play[:K], compliance=t.compliance[:K], limp_friction=t.gear_friction[:K],
            friction=t.joint_friction[:K],
        )  # fmt: skip

    def held_out(self, count: int = 30) -> tuple[np.ndarray, np.ndarray]:
        """Distances mm (count, 2) from predicted to true TCP at poses never read, and |error|/sigma (count, 2, 3).

        The pitch joints are preloaded by gravity; the others come to rest from a known side.
        """
        rng = np.random.default_rng([self.seed, 5])
        arms = self.arms(2)
        wire = Powered(self.bench, DirectBoard(self.bench, arms))
        q = self.start
        wire.attach()
        wire.ramp(q)
        wire.loosen()
        low, high = self.model.chain.travel.T
        loaded_axes = np.abs(self.model.chain.axes[:, 2]) < 0.5
        counts, moved, true = [], [], []
        while len(counts) < count:
            goal = rng.uniform(low + 0.15 * (high - low), high - 0.15 * (high - low))
            yaws = [self.bench.columns(side).start for side in SIDES]
            goal[yaws] = rng.uniform(-0.8, 0.8, 2)
            tau = holding_torques(self.model, goal, np.zeros((1, 2)), np.zeros((1, 2, 3)))[0]
            if np.any(np.abs(tau[loaded_axes]) < 2.5 * self.model.friction[loaded_axes]):
                continue
            if tool_poses(self.model.chain, goal)[0, :, 2, 3].min() < 0.03:
                continue
            wire.ramp(goal, 1.0)
            wire.hold(goal, 1.0)
            seen = []
            for _ in range(25):
                wire.send(goal)
                seen.append(wire.clean_counts())
            counts.append(np.mean(seen, axis=0))
            moved.append(np.sign(goal - q))
            true.append(arms.tool_positions())
            q = goal
        found, sigma = tcp_from_feedback(self.calibration, np.array(counts), np.array(moved), np.zeros((count, 2)))
        off = found - np.array(true)
        return np.linalg.norm(off, axis=-1) * 1e3, np.abs(off) / sigma

    def base_error(self) -> tuple[float, float]:
        """Error of the right base in the left base: mm and degrees."""

        def relative(bases: np.ndarray) -> np.ndarray:
            return np.linalg.inv(bases[0]) @ bases[1]

        fitted = relative(self.calibration.unknowns.model_at(self.calibration.x).chain.bases)
        true = relative(self.truth.chain.bases)
        turn = np.degrees(np.arctan2(fitted[1, 0], fitted[0, 0]) - np.arctan2(true[1, 0], true[0, 0]))
        return float(np.linalg.norm((fitted - true)[:3, 3]) * 1e3), float(abs((turn + 180) % 360 - 180))

    # -- landings ----------------------------------------------------------------------------------------

    def taught_from(self, recording: Recording, model: Model, name: str) -> Routine:
        """The routine that a recording teaches with a model's lines."""
        return with_lines(routine_from(recording, model, name)[0], self.folder.routines / f"{name}.toml")

    def played(self, way: str, model: Model, measured: tuple = (), number: int = 4) -> list[Landed]:
        """Teach from the recordings with this model's lines, play every routine, and compare with the truth."""
        landed: list[Landed] = []
        for name, recording in self.recordings.items():
            routine = self.taught_from(recording, model, name)
            creeps: dict[int, Creep] = {}
            if way in ("corrected", "calibrated"):
                correction = correct(model, routine)
                motion = correction.motion
                creeps = {sample: Creep(w) for sample, w in correction.approach.items()}
            else:
                motion = plan(model, routine)
            file = self.root / "run.txt"
            with self.arms(number, file) as arms:
                mode = "corrected" if way == "calibrated" else way
                run = play(model, motion, DirectBoard(model.bench, arms), mode, creeps)
            landed += self._compare(name, model, motion, run, file, way, measured)
        return landed

    def _compare(
        self, name: str, model: Model, motion: Motion, run: Run, file: Path, way: str, measured: tuple
    ) -> list[Landed]:
        t, p = true_positions(file)
        taught_t, taught_p = self.taught[name]
        poses = taught_poses(model, motion)
        if way in ("corrected", "calibrated"):
            poses = as_corrected(model, poses)
        predicted = land(model, poses, "raw" if way == "raw" else "trimmed", measured)
        landed = []
        for n, arrival in enumerate(motion.arrivals):
            # A drawing begins above its corner, where nobody taught anything.
            if arrival.row or motion.routine.steps[arrival.step].do == "draw":
                continue
            rest = next(r for r in run.rests if (r.step, r.side, r.row) == (arrival.step, arrival.side, arrival.row))
            said = motion.routine.steps[arrival.step].taught(arrival.side)
            assert said is not None
            assert said.at is not None
            arm = SIDES.index(arrival.side)
            was = taught_p[np.argmin(np.abs(taught_t - said.at)), arm]
            now = p[np.argmin(np.abs(t - rest.time)), arm]
            read = None
            if said.pose is not None:
                read = LandingRead(
                    arm=arrival.side, off=tuple((now - was) * 1e-3), error=0.7e-3, taught=said.pose, held=said.held,
                    arrived=said.arrived, feedback=tuple(rest.feedback), load=rest.load,
                    moved=" ".join("+" if w > 0 else "-" if w < 0 else "0" for w in rest.moved),
                )  # fmt: skip
            landed.append(
                Landed(
                    name,
                    arrival.step,
                    arrival.side,
                    said.at,
                    now - was,
                    predicted[n].miss * 1e3,
                    predicted[n].expected * 1e3,
                    read,
                )
            )
        return landed

    # -- dead motion and jumps ---------------------------------------------------------------------------

    def dead_motions(self, model: Model) -> list[tuple[float, float]]:
        """Largest widths mm of the dead motion as said and in truth, at every taught pose, with what is held.

        A pose where nothing is loose, as said and in truth, counts for nothing.
        """
        true = replace(model, chain=self.truth.chain)
        found = []
        for name, recording in self.recordings.items():
            routine = self.taught_from(recording, model, name)
            poses = taught_poses(model, plan(model, routine))
            tau = holding_torques(true, poses.target, poses.loads, poses.load_offsets)
            J = places(self.truth.chain, poses.target).J[..., 3:]
            K = self.truth.joints
            t = self.truth
            pressed = np.abs(tau) > t.joint_friction[:K]
            for n, landing in enumerate(land(model, poses, "trimmed")):
                part = model.chain.columns(SIDES.index(landing.side))
                slack = (t.unseen_play[part], t.seen_play[part], t.dead_band[part])
                was = at_rest(J[n, part], pressed[n, part], *slack).both.largest
                if max(was, landing.dead.both.largest) > 2e-4:
                    found.append((landing.dead.both.largest * 1e3, was * 1e3))
        return found

    def jumped(self, model: Model, least: float = 1e-3) -> tuple[int, int, int]:
        """Jumps of a TCP of at least `least` m along the corrected runs: true ones, those foretold, false alarms.

        A true one: a link crosses its slack from one side to the other and stays there. Foretold: the same joint,
        within 0.3 s of the motion, its stops taking no time.
        """
        true_count = hits = alarms = 0
        for name, recording in self.recordings.items():
            routine = self.taught_from(recording, model, name)
            correction = correct(model, routine)
            motion = correction.motion
            creeps = {sample: Creep(w) for sample, w in correction.approach.items()}
            with self.arms(6) as arms:
                watched = Watched(arms)
                run = play(model, motion, DirectBoard(model.bench, arms), "corrected", creeps, on_frame=watched)
            all_true = crossings(run.t, run.sample, np.array(watched.slack), self.truth, motion)
            true = [(at, i) for at, i, size, lasts in all_true if size >= least and lasts]
            names = model.bench.joint_names
            said = facts_of(model.bench, correction.routine, motion=motion).jumps
            told = [(j.time, names.index(f"{j.side} {j.joint}"), j.size) for j in said]
            true_count += len(true)
            hits += sum(any(i == k and abs(t - u) < 0.3 for t, i, _ in told) for u, k in true)
            alarms += sum(
                size > least and not any(i == k and abs(t - u) < 0.3 for u, k, _, _ in all_true) for t, i, size in told
            )
        return true_count, hits, alarms

    def nudged(self, count: int = 8) -> tuple[float, ...]:
        """Middle miss mm at poses that were not nudged: trimmed, corrected, corrected after `count` nudges, and
        corrected with true figures; then the same where no thing is carried by both hands, whose places hang on both
        bases, too."""
        plain, before = self.played("trimmed", self.model), self.played("corrected", self.model)
        known = self.played("corrected", self.with_true_figures(self.model))
        rng = np.random.default_rng([self.seed, 8])
        # A carried thing sets its own ends, so its poses are no marks to nudge onto.
        able = [i for i, x in enumerate(before) if x.read is not None and x.routine != "carry-tray"]
        picked: list[int] = []
        for side in SIDES:
            own = [i for i in able if before[i].side == side]
            picked += list(rng.choice(own, count // 2, replace=False))
        reads = []
        for i in picked:
            read = before[i].read
            assert read is not None
            reads.append(replace(read, off=tuple(np.array(read.off) + rng.normal(0.0, read.error, 3))))
        model, measured = self.measured_model(calibrate(self.bench, Readings(landings=tuple(reads))))
        after = self.played("corrected", model, measured)
        every = [i for i in range(len(before)) if i not in picked]
        free = [i for i in every if before[i].routine != "carry-tray"]
        return tuple(float(np.median(sizes([way[i] for i in rest]))) for rest in (every, free)
                     for way in (plain, before, after, known))  # fmt: skip


class Watched:
    """Notes after every frame where the links of arms are in their play, rad."""

    def __init__(self, arms: ServoArms):
        self.arms, self.slack = arms, list[np.ndarray]()

    def __call__(self, *_: object) -> None:
        """A frame has passed."""
        self.slack.append(self.arms.slack())


LASTING = 0.25
"""A link that comes back sooner, s, has rattled in its play and not jumped."""


def crossings(t: np.ndarray, sample: np.ndarray, slack: np.ndarray, truth: Truth, motion: Motion) -> list:
    """Where links went over in a run: time in the motion s, joint, how far the TCP went m, and whether it lasted."""
    found = []
    J = places(truth.chain, motion.q[sample]).J[..., 3:]
    for i in range(slack.shape[1]):
        b = truth.unseen_play[i]
        side = np.where(slack[:, i] > 0.35 * b, 1, np.where(slack[:, i] < -0.35 * b, -1, 0))
        decided = np.nonzero(side)[0]
        over = decided[1:][np.diff(side[decided]) != 0]
        ends = np.append(t[over], t[-1])
        for k, n in enumerate(over):
            since = t[over[k - 1]] if k else -np.inf
            lasts = ends[k + 1] - t[n] >= LASTING and t[n] - since >= LASTING
            found.append((float(motion.t[sample[n]]), i, float(np.linalg.norm(J[n, i]) * b), lasts))
    return found


def true_positions(file: Path) -> tuple[np.ndarray, np.ndarray]:
    """Times (N,) s and TCP positions (N, 2, 3) mm of a truth file."""
    table = np.loadtxt(file)
    return table[:, 0] * 1e-6, table[:, 1:].reshape(-1, 2, 3)


def sizes(landed: list[Landed]) -> np.ndarray:
    """Distances, mm."""
    return np.array([np.linalg.norm(x.miss) for x in landed])


def worsened(now: list[Landed], before: list[Landed]) -> float:
    """Largest growth of a pose's distance, mm."""
    old = {(x.routine, x.side, x.at): np.linalg.norm(x.miss) for x in before}
    grown = [np.linalg.norm(x.miss) - old[key] for x in now if (key := (x.routine, x.side, x.at)) in old]
    return float(max(grown))


def spread(values: list[float] | np.ndarray) -> str:
    """Median, 90th percentile and worst."""
    v = np.asarray(values, dtype=float)
    return f"median {np.median(v):6.2f}   90th percentile {np.percentile(v, 90):6.2f}   worst {v.max():6.2f}"


@dataclass(frozen=True)
class Tried:
    """What came out of one pair of arms."""

    held: np.ndarray
    covered: np.ndarray
    base: tuple[float, float]
    landings: dict[str, list[Landed]]
    nudged: tuple[float, ...]
    widths: list[tuple[float, float]]
    jumped: tuple[int, int, int]

    def middle(self, way: str) -> float:
        """Middle distance of all poses, mm."""
        return float(np.median(sizes(self.landings[way])))


def tried(seed: int) -> Tried:
    """Everything about one pair."""
    with tempfile.TemporaryDirectory() as folder:
        trial = Trial(seed, Path(folder))
        distance, z = trial.held_out()
        measured_model, measured = trial.measured_model(trial.calibration)
        landings = {way: trial.played(way, trial.model) for way in WAYS[:3]}
        landings["calibrated"] = trial.played("calibrated", measured_model, measured)
        for way in ("raw", "trimmed"):
            landings[f"{way}, calibrated"] = trial.played(way, measured_model, measured)
        landings["true figures"] = trial.played("calibrated", trial.with_true_figures(measured_model), measured)
        return Tried(
            distance,
            z < 1.96,
            trial.base_error(),
            landings,
            trial.nudged(),
            trial.dead_motions(measured_model),
            trial.jumped(measured_model),
        )


def main() -> None:
    """Run the trials and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seeds", default="1", help="one seed, or first:last+1")
    parser.add_argument("--other-arms", action="store_true", help="arms of another make: see benchmarks/other_arms.py")
    asked = parser.parse_args()
    given = asked.seeds
    if asked.other_arms:
        take_the_place_of_the_stand_in()
    first, _, last = given.partition(":")
    try:
        seeds = range(int(first), int(last or int(first) + 1))
    except ValueError:
        seeds = range(0)
    if not seeds:
        parser.error(f"--seeds {given}: no pair of arms; expected one seed, or first:last+1 such as 1:21")
    done: list[Tried] = []
    # Kernels are compiled once, before others would do the same beside it.
    done.append(tried(seeds[0]))
    _say(seeds[0], done[0])
    if len(seeds) > 1:
        other = take_the_place_of_the_stand_in if asked.other_arms else None
        with ProcessPoolExecutor(os.cpu_count(), initializer=other) as pool:
            for seed, one in zip(seeds[1:], pool.map(tried, seeds[1:]), strict=True):
                done.append(one)
                _say(seed, one)
    _tell(done)


def _say(seed: int, one: Tried) -> None:
    base, turn = one.base
    print(
        f"arms {seed}: TCP from feedback {np.median(one.held):.2f} mm, base {base:.2f} mm {turn:.2f}°; landings "
        + ", ".join(f"{way} {one.middle(way):.2f}" for way in WAYS)
        + f" mm; nudged {one.nudged[0]:.2f} -> {one.nudged[1]:.2f} -> {one.nudged[2]:.2f} mm",
        flush=True,
    )


def _tell(done: list[Tried]) -> None:
    held, covered = [one.held for one in done], [one.covered for one in done]
    bases, turns = ([one.base[k] for one in done] for k in (0, 1))
    landings = {way: [x for one in done for x in one.landings[way]] for way in done[0].landings}
    medians = {way: [one.middle(way) for one in done] for way in WAYS}
    worse = [worsened(one.landings["calibrated"], one.landings["raw"]) for one in done]
    nudges = [one.nudged for one in done]
    widths = [width for one in done for width in one.widths]
    jumped = list(zip(*(one.jumped for one in done), strict=True))
    print(f"\n{len(held)} pairs of arms")
    print("TCP predicted from feedback at 30 held-out poses, mm")
    print("  pair by pair     ", spread([float(np.median(d)) for d in held]))
    print("  all poses        ", spread(np.concatenate([d.ravel() for d in held])))
    print(f"  inside the stated 95 % interval: {100 * np.mean(covered):.1f} %")
    print("base to base, mm   ", spread(bases))
    print("base to base, deg  ", spread(turns))
    print("\nTaught to played, mm")
    for way in WAYS:
        print(f"  {way:17}", spread(sizes(landings[way])))
    ratio = {way: np.median(medians[way]) / np.median(medians["calibrated"]) for way in WAYS}
    print(f"  calibrated and corrected: {ratio['raw']:.1f} times below raw, {ratio['trimmed']:.1f} below trim alone")
    print("  the same with true play, give and friction:", spread(sizes(landings["true figures"])))
    got_worse = sum(c > r for c, r in zip(medians["calibrated"], medians["raw"], strict=True))
    print(f"  pairs whose middle got worse than raw: {got_worse}")
    print(f"  largest worsening of one pose against raw: {max(worse):.2f} mm")
    told = (
        ("trimmed", "nothing measured", "trimmed"),
        ("raw", "calibrated", "raw, calibrated"),
        ("trimmed", "calibrated", "trimmed, calibrated"),
        ("corrected", "calibrated", "calibrated"),
    )
    for played, said, key in told:
        off = np.array([np.linalg.norm(x.miss - x.predicted) for x in landings[key]])
        size = sizes(landings[key])
        print(f"\nLanding of {played} poses predicted beforehand ({said}), distance from the true landing, mm")
        print("                   ", spread(off), f"  of landings with middle {np.median(size):.2f}")
        middle, most = off / np.maximum(0.10 * size, 1.0), off / np.maximum(0.25 * size, 2.5)
        print(f"  against the larger of 10 % and 1 mm: median {np.median(middle):.2f};", end=" ")
        print(f"against the larger of 25 % and 2.5 mm: 90th percentile {np.percentile(most, 90):.2f}")
    said, was = np.array(widths).T
    off = np.abs(said - was) / np.maximum(was, 1e-9)
    print(f"\nDead motion at {len(was)} poses where something is loose (largest width, middle {np.median(was):.2f} mm)")
    print(f"  said against true: median {100 * np.median(off):.0f} % off; off by more than 50 %: ", end="")
    print(f"{100 * np.mean(off > 0.5):.0f} % of poses")
    there, hits, alarms = (sum(x) for x in jumped)
    print(
        f"Jumps of a TCP by 1 mm or more: {there}; foretold with joint and time: {hits} ({100 * hits / there:.0f} %);"
    )
    print(f"  foretold ones that did not come: {alarms}")
    n = np.array(nudges)
    print("\nEight nudges, middle miss at poses that were not nudged, mm (median of pairs)")
    for k, where in enumerate(("all routines", "no thing carried by both")):
        plain, before, after, known = np.median(n[:, 4 * k : 4 * k + 4], axis=0)
        print(f"  {where:25} trimmed {plain:.2f}, corrected {before:.2f}, after nudges {after:.2f};", end=" ")
        print(f"with true play, give and friction {known:.2f}")


if __name__ == "__main__":
    main()
