"""What the hands do in the recordings of the seedling bench, and the recordings themselves.

    python examples/seedling_hands.py BENCH --seed 1 [--truth FOLDER]

leads the arms of a stand-in, drawn by seed, through the three routines and writes BENCH/recordings/*.csv. The
stand-in's true play, friction, offsets and lengths are in no file of the bench; --truth writes the true TCP
positions of the recording, for comparison tables only.
"""

from __future__ import annotations

import argparse
import math
from pathlib import Path

import numpy as np

from handfast.bench.folder import BenchFolder, find_bench, read_bench
from handfast.bench.parts import Bench
from handfast.geometry.rigid import Array
from handfast.records.recording import write_recording
from handfast.standins.hand import Hands, Lead, Part, Say, Take, tool_pose
from handfast.standins.servo_model import ServoArms
from handfast.standins.truth import Truth, draw_truth

REST_DEG = (0.0, -15.0, 75.0, 60.0, 0.0)
"""Both arms rest folded: near their balance, so that limp gears hold them."""


BASES = {"left": -226.0, "right": 226.0}


def goal(side: str, x: float, y: float, z: float, lean: float = 15.0, jaws: float | None = None) -> dict[str, Array]:
    """A goal for one hand in mm and degrees: fingers lean outwards in the arm's own plane.

    jaws: direction about z in which the jaws open, for fingers that point down; None: across that plane.
    """
    bearing = math.degrees(math.atan2(y, x - BASES[side]))
    # Fingers that point down turn the other way round when they are seen from above.
    roll = 0.0 if jaws is None else bearing + 90.0 - jaws
    return {side: tool_pose((x, y, z), lean, bearing, (roll + 180.0) % 360.0 - 180.0)}


def left(x: float, y: float, z: float, lean: float = 15.0, jaws: float | None = None) -> dict[str, Array]:
    """A goal for the left hand."""
    return goal("left", x, y, z, lean, jaws)


def right(x: float, y: float, z: float, lean: float = 15.0, jaws: float | None = None) -> dict[str, Array]:
    """A goal for the right hand."""
    return goal("right", x, y, z, lean, jaws)


def pass_pot() -> list[Part]:
    """Right takes a pot from the table, passes it to left in mid-air, left puts it down on its own side.

    The right hand's pads pivot, so the pot hangs upright from it; the left hand's hold it as they take it.
    """
    return [
        Lead(right(106, -95, 95, lean=40)),
        Lead(right(106, -95, 42, lean=40)),
        Say("right grip plug-pot"),
        Take("right", "plug-pot"),
        Lead(right(106, -95, 95, lean=40)),
        Lead(right(52, -20, 124, lean=45)),
        Say("pass right plug-pot"),
        Lead({**right(2, 0, 124, lean=45), **left(-4, 0, 101, lean=58)}),
        Take("right", None),
        Take("left", "plug-pot"),
        Lead({**right(66, -40, 130, lean=40), **left(-60, -10, 120, lean=58)}),
        Lead(left(-48, -86, 95, lean=58)),
        Lead(left(-48, -86, 42, lean=58)),
        Say("left release"),
        Take("left", None),
        Lead(left(-48, -86, 95, lean=58)),
    ]


def carry_tray() -> list[Part]:
    """Both take a seed tray by its ends, lift it a little, carry it towards the back, set it down."""

    def both(y: float, z: float, wide: float = 103.0) -> dict[str, Array]:
        return {**left(-wide, y, z, lean=10, jaws=0), **right(wide, y, z, lean=10, jaws=0)}

    return [
        Lead(both(-50, 66)),
        Lead(both(-50, 34)),
        Say("both grip seed-tray"),
        Take("left", "seed-tray", 0.5),
        Take("right", "seed-tray", 0.5),
        Say("carry seed-tray"),
        Lead(both(-38, 58)),
        Say("carry seed-tray"),
        Lead(both(42, 58)),
        Say("carry seed-tray"),
        Lead(both(42, 34)),
        Say("both release"),
        Take("left", None),
        Take("right", None),
        Lead(both(42, 66)),
    ]


def write_label() -> list[Part]:
    """Right holds a label down; left sets its pen on it, at the lower left corner of what is to be drawn there."""
    return [
        Lead(right(30, 20, 60, lean=45)),
        Lead(right(14, 10, 24, lean=45)),
        Say("wait 0.2"),
        Say("left grip pen"),
        Take("left", "pen"),
        Lead(left(-112, -12, 84, lean=30)),
        Lead(left(-112, -12, 62, lean=20)),
        Say("left draw sprout.svg"),
        Lead(left(-72, -12, 84, lean=30)),
        Say("wait 0.2"),
        Lead(right(30, 20, 60, lean=45)),
    ]


SCRIPTS = {"pass-pot": pass_pot, "carry-tray": carry_tray, "write-label": write_label}


def rest_pose(bench: Bench) -> Array:
    """Where both arms rest, (K,) rad."""
    return np.radians(np.tile(REST_DEG, 2))


def record(folder: BenchFolder, name: str, seed: int, truth_folder: Path | None = None) -> Truth:
    """Lead the stand-in `seed` through routine `name` and write its recording; returns the stand-in's truth."""
    bench = read_bench(folder)
    truth = draw_truth(bench, seed)
    rng = np.random.default_rng([seed, len(name)])
    file = None if truth_folder is None else truth_folder / f"{name}-taught.txt"
    with ServoArms(truth, bench.controller.channels, seed, rest_pose(bench), file) as arms:
        hands = Hands(bench, truth, arms, rng, lets_go=bool(seed % 2))
        hands.do(SCRIPTS[name]())
        notes = (
            f"invented: hands leading a stand-in with play, friction and noise drawn from seed {seed};",
            "its true values are in no file of this bench",
        )
        write_recording(folder.recordings / f"{name}.csv", hands.recording(notes))
    return truth


def main() -> None:
    """Record all three routines."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("bench", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--truth", type=Path)
    given = parser.parse_args()
    for name in SCRIPTS:
        record(find_bench(given.bench, given.bench), name, given.seed, given.truth)


if __name__ == "__main__":
    main()
