"""Scoring: figures from measured points, kept in the bench."""

from __future__ import annotations

import datetime
import json
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from handfast.desk.work import Desk, check_seed
from handfast.errors import InputError
from handfast.units import counted

if TYPE_CHECKING:
    from handfast.routine.steps import Routine
    from handfast.scoring.accuracy import Pose, Reversal
    from handfast.scoring.lines import LineScore
    from handfast.scoring.photo import Ink
    from handfast.scoring.points import Visits
    from handfast.scoring.split import Split


TRUE_LINE = 0.1
"""Length of the card's check line, m."""
PRINTED_WITHIN = 0.01
"""A card that is printed further off its size than this share is refused: its marks and sheet no longer fit."""


@dataclass(frozen=True)
class PointScore:
    """Visited points scored, in the style of ISO 9283 and ISO 230-2; lengths in m."""

    points: list[Visits]
    poses: list[Pose]
    variation: dict[str, float]  # point -> VAP, where it was approached in several ways
    distances: list[tuple[str, str, float, float]]  # two points, AD, RD
    reversal: dict[str, Reversal]  # axis -> figures
    split: Split

    @property
    def rms(self) -> float:
        """Root mean square distance of every visit from its commanded place."""
        return self.split.whole


def score_points(path: Path) -> PointScore:
    """Score the points of a CSV."""
    import numpy as np

    from handfast.geometry.rigid import Array
    from handfast.scoring.accuracy import direction_variation, distance_figures, pose_figures, reversal_figures
    from handfast.scoring.points import read_points
    from handfast.scoring.split import split_points

    points = read_points(path)
    poses = [pose_figures(p.commanded, p.attained) for p in points]
    variation = {}
    for p in points:
        ways = sorted({w for w in p.way if w})
        if len(ways) > 1:
            means = [p.attained[[w == way for w in p.way]].mean(axis=0) for way in ways]
            variation[p.name] = direction_variation(np.array(means))
    distances = []
    for n, a in enumerate(points):
        for b in points[n + 1 :]:
            if len(a.attained) == len(b.attained):
                attained = np.linalg.norm(a.attained - b.attained, axis=1)
                commanded = float(np.linalg.norm(a.commanded - b.commanded))
                distances.append((a.name, b.name, *distance_figures(commanded, attained)))
    reversal = {}
    both = [p for p in points if min(p.way.count("+"), p.way.count("-")) >= 2]
    for axis in range(len(points[0].commanded) if both else 0):
        up: list[Array] = []
        down: list[Array] = []
        for p in both:
            off = p.attained[:, axis] - p.commanded[axis]
            up.append(off[[w == "+" for w in p.way]])
            down.append(off[[w == "-" for w in p.way]])
        reversal["xyz"[axis]] = reversal_figures(up, down)
    return PointScore(points, poses, variation, distances, reversal, split_points(points))


POINTER = 0.2e-3
"""Error of a pointer read against a rule, one standard deviation, m (common practice, no source)."""


def measure_simulated(
    desk: Desk, routine: Routine, seed: int, visits: int = 3, progress: Callable[[float], None] | None = None
) -> Path:
    """Play a routine `visits` times on the simulated arms and read a pointer at every pose; returns the points' CSV.

    The arms are drawn by `seed`. What is read is where the TCP truly is, to within `POINTER`; where it should be is
    where the hand had it at the taught pose, by the bench's figures.
    """
    import tempfile

    import numpy as np

    from handfast.bench.parts import SIDES
    from handfast.desk.work import run_simulated
    from handfast.files.atomic import free_path, write_text
    from handfast.landing.predict import land
    from handfast.mechanics.model import model_of
    from handfast.motion.plan import plan
    from handfast.motion.taught_poses import taught_poses
    from handfast.scoring.points import FEWEST_VISITS

    check_seed(seed, "--simulated")
    if visits < FEWEST_VISITS:
        raise InputError(
            counted(visits, "visit"),
            where="--visits",
            expected=f"at least {FEWEST_VISITS}",
            next_step="let it go more often",
        )
    model = model_of(desk.bench)
    landings = land(model, taught_poses(model, plan(model, routine)), "trimmed")
    taught = {(landing.step, landing.side): 1e3 * landing.taught for landing in landings if not landing.row}
    rng = np.random.default_rng([seed, 23])
    rows = []
    for visit in range(visits):
        with tempfile.TemporaryDirectory() as place:
            truth = Path(place) / "truth.txt"
            _, run = run_simulated(desk, routine, "corrected", seed, truth)
            table = np.loadtxt(truth)
        times, p = table[:, 0] * 1e-6, table[:, 1:].reshape(-1, 2, 3)
        for rest in run.rests:
            said = routine.steps[rest.step].taught(rest.side)
            # A drawing begins above its corner, where nobody taught anything.
            if rest.row or said is None or said.pose is None or routine.steps[rest.step].do == "draw":
                continue
            arm = SIDES.index(rest.side)
            at = taught[rest.step, rest.side]
            was = p[np.argmin(abs(times - rest.time)), arm] + 1e3 * rng.normal(0.0, POINTER, 3)
            numbers = ",".join(f"{v:.3f}" for v in (*at, *was))
            name = f"{rest.side} {routine.title(rest.step)}".replace(",", " ")
            rows.append(f"{name},{numbers},,{rest.step + 1},{rest.side}")
        if progress is not None:
            progress((visit + 1) / visits)
    if not rows:
        raise InputError(
            "comes to rest at no taught pose", where=routine.name, expected="a routine with steps `go`",
            next_step="score another one",
        )  # fmt: skip
    target = free_path(desk.folder.root / "scores" / f"{routine.name}-points.csv")
    heading = "point,at_x_mm,at_y_mm,at_z_mm,x_mm,y_mm,z_mm,way,step,arm"
    note = (
        f"# Invented: a pointer read by a simulated maker, {counted(visits, 'visit')} to each pose, arms drawn from "
        f"seed {seed}."
    )
    write_text(target, "\n".join([note, heading, *rows]) + "\n")
    return target


@dataclass(frozen=True)
class DrawingScore:
    """A drawing on a card scored; score: its figures; ink: what was found; where: routine and step that drew it."""

    score: LineScore
    ink: Ink
    drawing: str
    where: tuple[str, int, str] | None


def write_card(desk: Desk, target: Path | None) -> Path:
    """Write the target card to print, an SVG in true size, into the bench's folder or where it is asked for."""
    from handfast.files.atomic import write_text
    from handfast.scoring.card import card_svg

    path = target or desk.folder.root / "target-card.svg"
    write_text(path, card_svg())
    return path


def score_photo(
    desk: Desk, photo: Path, line: float | None, drawing: Path | None, width: float | None, turn: float,
    routine: str | None, step: int | None,
) -> DrawingScore:  # fmt: skip
    """Score ink on a target card against a drawing: an SVG, or what a routine's step `draw` draws.

    line: length of the card's check line as measured on paper, m.
    """
    import numpy as np

    from handfast.desk.work import routines
    from handfast.motion.drawing import placed_lines
    from handfast.routine.drawings import read_drawing
    from handfast.routine.steps import Step
    from handfast.scoring.lines import score_lines
    from handfast.scoring.photo import read_ink

    neither = drawing is None and routine is None
    if line is None:
        raise InputError(
            "the card's scale is not known" + (", nor which drawing it is" if neither else ""),
            where="--line, --routine" if neither else "--line",
            expected="the length of its check line, measured in mm"
            + ("; and --routine NAME of one that draws, or --drawing FILE" if neither else ""),
            next_step="measure it with a ruler: --line 100 if it is right" + ("; and say what was drawn" * neither),
        )
    if not 0.0 < line < math.inf:
        raise InputError(
            f"a line of {line * 1e3:g} mm", where="--line", expected="a length above 0 in mm, near 100",
            next_step="measure the card's check line with a ruler",
        )  # fmt: skip
    if abs(line - TRUE_LINE) > PRINTED_WITHIN * TRUE_LINE:
        raise InputError(
            f"the card was printed at {100 * line / TRUE_LINE:.1f} % of its size",
            where="--line",
            expected=f"a line of {TRUE_LINE * 1e3:g} mm, to within {100 * PRINTED_WITHIN:g} %",
            next_step='print it again at 100 % ("actual size"), or give what the ruler says in mm',
        )
    if (drawing is None) == (routine is None):
        raise InputError(
            "which drawing?" if neither else "a routine and a drawing",
            where="--routine, --drawing",
            expected="--routine NAME of one that draws, or --drawing FILE",
            next_step="give one of them",
        )
    if routine is not None and (width is not None or turn):
        raise InputError(
            "the routine says how wide and how turned its drawing is",
            where="--width, --turn",
            next_step="leave them out, or give --drawing FILE instead of --routine",
        )
    where = None
    if routine is not None:
        ((_, found),) = routines(desk, [routine])
        drawing_steps = [n for n, s in enumerate(found.steps) if s.do == "draw"]
        numbers = [n for n in drawing_steps if step is None or n == step]
        if not drawing_steps:
            raise InputError(
                "draws nothing", where=found.name, expected="a routine with a step `draw`",
                next_step="name one that draws; or --drawing FILE for ink that no routine drew",
            )  # fmt: skip
        if len(numbers) != 1:
            raise InputError(
                counted(len(numbers), "step draws", "steps draw") if step is None else f"step {step + 1} does not draw",
                where=found.name,
                expected="the number of one step that draws, --step N",
                available=[str(n + 1) for n in drawing_steps],
                next_step="give one of them",
            )
        drawn = found.steps[numbers[0]]
        where = (found.name, numbers[0], drawn.sides[0])
        name = drawn.drawing or ""
    else:
        assert drawing is not None
        drawn = Step(do="draw", lines=read_drawing(drawing, width), turn=turn)
        name = drawing.name
    ink = read_ink(photo)
    scale = line / TRUE_LINE
    figures = score_lines(ink.points * scale, [np.asarray(points) for points in placed_lines(drawn)])
    return DrawingScore(figures, ink, name, where)


def learn_shift(desk: Desk, found: DrawingScore) -> Path:
    """Put what a photo showed beside the drawing's corner: the next time it is drawn that much the other way."""
    import numpy as np

    from handfast.routine.file import find_routines, read_routine, write_nudges

    if found.where is None:
        raise InputError("nothing to learn for", expected="--routine NAME", next_step="name the routine that drew it")
    name, number, side = found.where
    (path,) = find_routines(desk.folder, [name])
    said = read_routine(path, desk.bench).steps[number].taught(side)
    assert said is not None
    before = np.zeros(3) if said.nudge is None else np.array(said.nudge)
    way = before - np.array([*found.score.offset, 0.0])
    write_nudges(path, {(number, side): tuple(float(x) for x in way)}, desk.bench)
    return path


def keep(desk: Desk, source: str, plain: dict[str, Any]) -> Path:
    """Store a score's figures in the bench, as SCORES/TIME-NAME.json; an older one is never overwritten."""
    from handfast.files.atomic import free_path, write_text

    now = datetime.datetime.now().astimezone()
    target = free_path(desk.folder.root / "scores" / f"{now:%Y%m%d-%H%M%S}-{Path(source).stem}.json")
    whole = {"scored": now.isoformat(timespec="seconds"), "source": source, **plain}
    write_text(target, json.dumps(whole, indent=2, ensure_ascii=False) + "\n")
    return target
