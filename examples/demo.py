"""The whole job on the seedling bench, from hand-led recordings to a page, on a simulated pair of arms.

    python examples/demo.py [--seed N] [--only ROUTINE] [--bench DIR]

The arms are a stand-in whose true play, friction, offsets and lengths are drawn by seed and stand in no file of
the bench. Only the comparison at the end reads where they really were.
"""

from __future__ import annotations

import argparse
import json
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import seedling_hands

from handfast.bench.folder import BenchFolder, read_bench
from handfast.geometry.rigid import Array
from handfast.records.run import MODES
from handfast.routine.file import read_routine

ROOT = Path(__file__).resolve().parent.parent
BENCH = ROOT / "out" / "demo-bench"
SEED = 1


def handfast(*words: str, allow: tuple[int, ...] = (0,)) -> str:
    """Run a handfast command as a maker would; returns what it printed."""
    print(f"$ handfast {' '.join(words)}", flush=True)
    done = subprocess.run(
        [sys.executable, "-m", "handfast", *words],
        cwd=BENCH if BENCH.exists() else ROOT,
        text=True,
        stdout=subprocess.PIPE,
    )
    if done.returncode not in allow:
        raise SystemExit(f"handfast {words[0]} ended with {done.returncode}")
    return done.stdout


def true_positions(file: Path) -> tuple[Array, Array]:
    """Times (N,) s and TCP positions (N, 2, 3) mm of a truth file."""
    table = np.loadtxt(file)
    return table[:, 0] * 1e-6, table[:, 1:].reshape(-1, 2, 3)


def misses(folder: BenchFolder, name: str, truth: Path) -> dict[str, list[float]]:
    """Distance in mm, at every taught pose, between where the TCP was taught and where it came to rest."""
    routine = read_routine(folder.routines / f"{name}.toml", read_bench(folder))
    taught_t, taught_p = true_positions(truth / f"{name}-taught.txt")
    found: dict[str, list[float]] = {}
    for way in MODES:
        file = truth / f"{name}-{way}.txt"
        run = json.loads(handfast("run", name, "--way", way, "--seed", str(SEED), "--truth", str(file), "--json"))
        t, p = true_positions(file)
        found[way] = []
        for rest in run["rests"]:
            step = routine.steps[rest["step"] - 1]
            # A drawing begins above its corner, where nobody taught anything.
            if rest["row"] or step.do == "draw":
                continue
            said = step.taught(rest["arm"])
            assert said is not None
            assert said.at is not None
            arm = ("left", "right").index(rest["arm"])
            was = taught_p[np.argmin(abs(taught_t - said.at)), arm]
            now = p[np.argmin(abs(t - rest["time_s"])), arm]
            found[way].append(float(np.linalg.norm(now - was)))
    return found


def main() -> None:
    """Lay down, lead, teach, check, correct, run three ways, report, compare."""
    global BENCH, SEED
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=1, help="which simulated pair of arms")
    parser.add_argument("--only", choices=seedling_hands.SCRIPTS, help="one of the three routines")
    parser.add_argument("--bench", type=Path, metavar="DIR", help="a new folder (else out/demo-bench, made anew)")
    given = parser.parse_args()
    SEED = given.seed
    names = [given.only] if given.only else list(seedling_hands.SCRIPTS)
    if given.bench is not None:
        BENCH = given.bench.resolve()
    else:
        shutil.rmtree(BENCH, ignore_errors=True)
    print(f"The seedling bench, arms of seed {SEED}. All figures are invented; see the bench's files.\n")
    handfast("new", str(BENCH))
    folder = BenchFolder(BENCH)
    truth = BENCH / "out" / "truth"
    truth.mkdir(parents=True)
    for name in names:
        print(f"(hands lead the arms through {name} and the wire is recorded)")
        seedling_hands.record(folder, name, SEED, truth)
        print(handfast("teach", "--recording", f"recordings/{name}.csv", "--replace"))
    print(handfast("check", *names, allow=(0, 1)))
    landings = {name: misses(folder, name, truth) for name in names}
    for name in names:
        print(handfast("correct", name))
    answers = json.loads(handfast("check", *names, "--json", allow=(0, 1)))
    page = handfast("report").strip()

    print("\nAnswers after correction (room: below 0 fails, 0 to 1 tight, from 1 holds)")
    # Not every question is asked of every routine; the one with most of them gives the order.
    longest = max(answers["routines"], key=lambda routine: len(routine["answers"]))
    questions = [a["question"] for a in longest["answers"]]
    print(f"  {'routine':14}" + "".join(f"{q:>14}" for q in questions))
    for routine in answers["routines"]:
        said = {a["question"]: f"{a['verdict']} {a['room']:.2f}" for a in routine["answers"]}
        cells = "".join(f"{said.get(question, '-'):>14}" for question in questions)
        print(f"  {routine['routine']:14}{cells}")

    print("\nLandings: distance between where the TCP was taught and where it came to rest, mm, middle (worst)")
    print(f"  {'routine':14}{'poses':>6}" + "".join(f"{way:>18}" for way in MODES))
    every: dict[str, list[float]] = {way: [] for way in MODES}
    for name, found in landings.items():
        cells = "".join(f"{f'{np.median(found[way]):.1f} ({max(found[way]):.1f})':>18}" for way in MODES)
        print(f"  {name:14}{len(found['raw']):6}{cells}")
        for way in MODES:
            every[way] += found[way]
    cells = "".join(f"{f'{np.median(every[way]):.1f} ({max(every[way]):.1f})':>18}" for way in MODES)
    print(f"  {'all':14}{len(every['raw']):6}{cells}")
    print(f"\nReport: {page}")


if __name__ == "__main__":
    main()
