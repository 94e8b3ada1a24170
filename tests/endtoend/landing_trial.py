"""How far stand-in arms land from where they were taught, played raw, trimmed and corrected, seed by seed.

    python tests/endtoend/landing_trial.py FIRST LAST

Everything happens as a maker would do it: hands lead a stand-in whose true figures no file of the bench holds, the
recordings become routines, and each is played three ways on the same arms. Only here are true positions read.
Bench defaults throughout; the wire's feedback is all that the tool gets.
"""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from types import ModuleType

import numpy as np

from handfast.bench.new import new_bench
from handfast.desk import work
from handfast.records.run import MODES, Mode

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Case:
    """One taught pose, played one way: where it landed, in mm, and what had been predicted."""

    seed: int
    routine: str
    step: int
    side: str
    held: str
    way: Mode
    miss: float
    expected: float
    worst: float


@cache
def example(name: str) -> ModuleType:
    """A script of `examples/`, as a module."""
    spec = importlib.util.spec_from_file_location(name, ROOT / "examples" / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def true_places(file: Path) -> tuple[np.ndarray, np.ndarray]:
    """Times (N,) s and TCP positions (N, 2, 3) mm of a truth file."""
    table = np.loadtxt(file)
    return table[:, 0] * 1e-6, table[:, 1:].reshape(-1, 2, 3)


def teach_all(root: Path, seed: int) -> work.Desk:
    """A new seedling bench whose three routines were taught by hands leading arms of `seed`; truth in root/truth."""
    folder = new_bench(root / "bench")
    truth = root / "truth"
    truth.mkdir()
    hands = example("seedling_hands")
    desk = work.open_bench(folder.root, folder.root)
    for name in hands.SCRIPTS:
        hands.record(folder, name, seed, truth)
        work.teach(desk, folder.recordings / f"{name}.csv", name, replace_old=True)
    return desk


def cases(root: Path, seed: int) -> list[Case]:
    """Every taught pose of the three routines of one seed, three ways."""
    desk = teach_all(root, seed)
    found: list[Case] = []
    for path, routine in work.routines(desk, []):
        taught_t, taught_p = true_places(root / "truth" / f"{path.stem}-taught.txt")
        predicted = {(row.raw.step, row.raw.side, row.raw.row): row for row in work.landings(desk, routine)}
        for way in MODES:
            file = root / "truth" / f"{path.stem}-{way}.txt"
            _, run = work.run_simulated(desk, routine, way, seed, file)
            t, p = true_places(file)
            for rest in run.rests:
                said = routine.steps[rest.step].taught(rest.side)
                if rest.row or said is None or said.at is None or routine.steps[rest.step].do == "draw":
                    continue
                arm = ("left", "right").index(rest.side)
                was = taught_p[np.argmin(abs(taught_t - said.at)), arm]
                now = p[np.argmin(abs(t - rest.time)), arm]
                landing = getattr(predicted[rest.step, rest.side, rest.row], way)
                found.append(
                    Case(
                        seed, path.stem, rest.step, rest.side, said.held, way,
                        float(np.linalg.norm(now - was)), landing.expected * 1e3, landing.worst * 1e3,
                    )
                )  # fmt: skip
    return found


def medians(found: list[Case]) -> dict[str, float]:
    """Median miss of each way, mm."""
    return {way: float(np.median([c.miss for c in found if c.way == way])) for way in MODES}


def honesty(found: list[Case]) -> dict[str, tuple[float, float, float]]:
    """Of each way: predicted over true root mean square miss, share within twice the prediction, within worst."""
    result = {}
    for way in MODES:
        mine = [c for c in found if c.way == way]
        miss, expected, worst = (np.array([getattr(c, name) for c in mine]) for name in ("miss", "expected", "worst"))
        ratio = float(np.sqrt((expected**2).mean() / (miss**2).mean()))
        result[way] = (ratio, float((miss <= 2.0 * expected).mean()), float((miss <= worst).mean()))
    return result


def table(found: list[Case]) -> str:
    """The figures of a trial, one line per seed and one for all."""
    lines = [f"{'seed':>6}{'poses':>7}" + "".join(f"{way:>12}" for way in MODES) + "   median miss, mm"]
    groups: list[tuple[str, list[Case]]] = [
        (str(seed), [c for c in found if c.seed == seed]) for seed in sorted({c.seed for c in found})
    ]
    for name, group in [*groups, ("all", found)]:
        middle = medians(group)
        lines.append(f"{name:>6}{len(group) // 3:>7}" + "".join(f"{middle[way]:>12.2f}" for way in MODES))
    for way, (ratio, twice, worst) in honesty(found).items():
        lines.append(
            f"  {way:10} predicted/true rms {ratio:.2f}; within twice the prediction {100 * twice:.0f} %, "
            f"within the worst case {100 * worst:.0f} %"
        )
    return "\n".join(lines)


if __name__ == "__main__":
    import tempfile

    every: list[Case] = []
    for number in range(int(sys.argv[1]), int(sys.argv[2]) + 1):
        with tempfile.TemporaryDirectory() as place:
            every += cases(Path(place), number)
    print(table(every))
