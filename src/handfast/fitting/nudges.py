"""A nudge: where a played pose landed, shown by moving the TCP onto the mark, as a reading for all figures."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.bench.lines import angle_of
from handfast.bench.parts import SIDES, Arm, Side
from handfast.errors import InputError
from handfast.fitting.calibrate import Calibration
from handfast.fitting.equations import Equations
from handfast.geometry.rigid import Array
from handfast.records.readings import LandingRead, Readings
from handfast.records.run import Rest, Run
from handfast.routine.steps import Routine, Taught

NUDGE_ERROR = 0.7e-3
"""How well a maker brings a TCP onto a mark by eye, one standard deviation (common practice, no source)."""

DOUBT = 4.0
"""Standard deviations by which what is left of a nudge may be longer than the nudge (common practice, no source)."""


@dataclass(frozen=True)
class Nudge:
    """The TCP of one arm had to be moved by `way` (3,) m, in the world, to be on its mark in step `step`."""

    step: int
    side: Side
    way: tuple[float, float, float]


def parse_nudge(text: str, routine: Routine) -> Nudge:
    """A nudge as a maker writes it: `6 left 1.2 -0.5 2` (step, arm, mm along x, y, z). Raises InputError."""
    words = text.replace(",", " ").split()
    expected = "STEP ARM X Y Z, such as `6 left 1.2 -0.5 2`: step number, arm, and mm towards the mark"
    try:
        number, side = int(words[0]) - 1, words[1]
        way = (float(words[2]) * 1e-3, float(words[3]) * 1e-3, float(words[4]) * 1e-3)
        fine = len(words) == 5 and side in SIDES and bool(np.all(np.isfinite(way))) and np.linalg.norm(way) < 0.1
    except (ValueError, IndexError):
        fine = False
    if not fine:
        raise InputError(f'"{text}" is no nudge', where="--nudge", expected=expected)
    arm: Side = "left" if side == "left" else "right"
    if not 0 <= number < len(routine.steps) or routine.steps[number].taught(arm) is None:
        taught = [f"{n + 1} {s}" for n, step in enumerate(routine.steps) for s in SIDES if step.taught(s) is not None]
        raise InputError(
            f"step {number + 1} has no taught pose of the {arm} arm",
            where="--nudge",
            expected=expected,
            available=taught,
        )
    return Nudge(number, arm, way)


def reading_of(nudge: Nudge, routine: Routine, run: Run, arm: Arm) -> LandingRead:
    """A nudge as a landing reading, with what the run noted when that pose came to rest, read off the lines of `arm`.

    Raises InputError where the run did not rest there, or does not know its feedback free of the supply's sag.
    """
    said = routine.steps[nudge.step].taught(nudge.side)
    rest = _rest(nudge, run)
    if said is None or said.pose is None:
        raise InputError(
            f"step {nudge.step + 1} is a path", where="--nudge", expected="a pose", next_step="nudge a pose beside it"
        )
    return LandingRead(
        arm=nudge.side,
        off=(-nudge.way[0], -nudge.way[1], -nudge.way[2]),
        error=NUDGE_ERROR,
        taught=said.pose,
        held=said.held,
        arrived=said.arrived,
        feedback=_cleaned(rest, run, arm),
        moved=" ".join("+" if w > 0 else "-" if w < 0 else "0" for w in rest.moved),
        load=rest.load,
    )


def _cleaned(rest: Rest, run: Run, arm: Arm) -> tuple[float, ...]:
    """Angles (joints,) rad that the feedback showed at rest, free of the supply's sag."""
    if rest.counts is not None:
        pairs = zip(arm.joints, rest.counts, strict=True)
        return tuple(float(angle_of(joint, np.asarray(counts))) for joint, counts in pairs)
    if run.mode != "raw":
        return tuple(float(v) for v in rest.feedback)
    raise InputError(
        f"the last run of {run.routine} was raw, and how far its feedback follows the supply was not known",
        where="--nudge",
        expected="a run whose feedback is free of the supply's sag: corrected, trimmed, or raw on a bench that knows "
        "every joint's wiper_follows_supply_pct",
        next_step=f"play it again, handfast run {run.routine}, and nudge what you see then",
    )


def reading_on_mark(
    said: Taught, side: Side, feedback: tuple[float, ...], moved: tuple[int, ...], load: float
) -> LandingRead:
    """A TCP that was moved onto the mark of a taught pose: with this feedback (joints,) rad, its joints having turned
    last in the ways `moved`, and so many kg in its gripper, it stands where it was taught."""
    assert said.pose is not None
    return LandingRead(
        arm=side,
        off=(0.0, 0.0, 0.0),
        error=NUDGE_ERROR,
        taught=said.pose,
        held=said.held,
        arrived=said.arrived,
        feedback=feedback,
        moved=" ".join("+" if w > 0 else "-" if w < 0 else "0" for w in moved),
        load=load,
    )


def _rest(nudge: Nudge, run: Run) -> Rest:
    for rest in run.rests:
        if rest.step == nudge.step and rest.side == nudge.side and not rest.row:
            return rest
    raise InputError(
        f"the last run of {run.routine} did not come to rest at step {nudge.step + 1} of the {nudge.side} arm",
        where="--nudge",
        expected="a run of the routine as it is now",
        next_step=f"play it again: handfast run {run.routine}",
    )


def unexplained(calibration: Calibration, read: LandingRead) -> Array:
    """What is left of a landing (3,) m once the fitted figures have explained what they can."""
    equations = Equations(calibration.unknowns, Readings(landings=(read,)))
    left: Array = equations.landing_misses(calibration.x)[0]
    return left


def refuse_unexplained(nudge: Nudge, left: Array, calibration: Calibration, read: LandingRead, name: str) -> None:
    """Raises InputError where figures that were fitted with a nudge leave more of it, `left` (3,) m, than can be.

    A corrected pose is foreseen on its mark, so what is left of a nudge is no more than its own length. `DOUBT`
    standard deviations of the reading come on top: the eye, the feedback's noise, and flanks that nothing decides.
    name: the routine's.
    """
    # Whitened by its own covariance, so that the length of a unit row is one over its standard deviation.
    row = Equations(calibration.unknowns, Readings(landings=(read,))).residuals(calibration.x)
    size, asked = float(np.linalg.norm(left)), float(np.linalg.norm(nudge.way))
    spread = size / max(float(np.linalg.norm(row)), 1e-9)
    most = asked + DOUBT * spread
    if size <= most:
        return
    raise InputError(
        f"with step {nudge.step + 1} of the {nudge.side} arm nudged by {asked * 1e3:.1f} mm, {size * 1e3:.1f} mm of it "
        "stay unexplained; nothing was written",
        where="--nudge",
        expected=f"no more than {most * 1e3:.1f} mm: the nudge itself, and {DOUBT:g} standard deviations of what was "
        "read",
        next_step="see that step, arm and signs are right, and that it was read after this very run; if they are, "
        f"play it again, handfast run {name}, and read it once more; handfast calibrate names other readings that do "
        "not fit",
    )
