"""Where poses land: bars per pose in three ways, arrows on a plan of the table, and the dead motion."""

from __future__ import annotations

import numpy as np

from handfast.bench.parts import SIDES
from handfast.geometry.rigid import Array
from handfast.mechanics.kinematics import places
from handfast.report.charts import fill_sample, legend, round_down, ticks, top_of
from handfast.report.gather import WAYS, PairView, RoutineView
from handfast.report.svg import COLOURS, FAINT, INK, NORMAL, RULE, SMALL, Picture, brief, element, fitted, width_of
from handfast.routine.steps import Routine

WIDTH = 720.0
MOST_ROWS = 20
MOST_ARROWS = 10
"""Arrows drawn along one taught path."""

_BAR = 7.0


def pose_name(routine: Routine, step: int, side: str, row: int | None, room: float | None = None) -> str:
    """A pose in a few words: '6 (pass 1) left'; the name of the step is shortened where there is little room."""
    end = f" {side}" + ("" if row is None else ", worst of path")
    title = routine.title(step)
    return (title if room is None else fitted(title, room - width_of(end, SMALL), SMALL)) + end


def bar_pictures(view: RoutineView, name: str) -> list[Picture]:
    """Predicted distance from the taught place, each pose in three ways, with the tolerance as a line."""
    rows = view.poses
    every = np.array([[view.landings[way][n].expected * 1e3 for n in rows] for way in WAYS])
    tolerances = np.array([view.routine.tolerance_of(view.landings["raw"][n].step) * 1e3 for n in rows])
    top = top_of(every, 1.1 * tolerances) if len(rows) else 1.0
    return [
        _bars(view, rows[k : k + MOST_ROWS], top, f"{name}-{k // MOST_ROWS + 1}")
        for k in range(0, len(rows), MOST_ROWS)
    ]


def _bars(view: RoutineView, rows: list[int], top: float, name: str) -> Picture:
    words, numbers, pitch = 190.0, 112.0, 29.0
    picture = Picture(
        name, WIDTH, 16 + pitch * len(rows) + 46, "Predicted distance from the taught place, pose by pose"
    )
    x0, x1 = words, WIDTH - numbers
    foot = 16 + pitch * len(rows)

    def across(mm: float) -> float:
        return x0 + mm / top * (x1 - x0)

    picture.text(WIDTH - 6, 8, "raw / trimmed / corrected, mm", SMALL - 0.5, "end")
    for mark in ticks(0.0, top, 6):
        picture.line([(across(mark), 10), (across(mark), foot)], FAINT, 0.6)
        picture.text(across(mark), foot + 13, f"{brief(mark)} mm", SMALL - 0.5, "middle")
    for k, n in enumerate(rows):
        y = 14 + pitch * k
        landings = [view.landings[way][n] for way in WAYS]
        one = landings[0]
        picture.text(x0 - 8, y + 15, pose_name(view.routine, one.step, one.side, one.row, words - 12), SMALL, "end")
        for i, landing in enumerate(landings):
            width = across(landing.expected * 1e3) - x0
            fill = ("#ffffff", picture.hatch("rising", INK, 4.0, 0.9), COLOURS["both"])[i]
            picture.box(x0, y + i * (_BAR + 1), width, _BAR, fill, INK, 0.8)
        tolerance = view.routine.tolerance_of(one.step) * 1e3
        picture.line([(across(tolerance), y - 3), (across(tolerance), y + 3 * _BAR + 5)], INK, 2.2)
        said = " / ".join(f"{landing.expected * 1e3:.1f}" for landing in landings)
        over = landings[2].expected * 1e3 > tolerance
        picture.text(WIDTH - 6, y + 15, said + (" !" if over else ""), SMALL, "end", bold=over)
    picture.line([(x0, 10), (x0, foot)], RULE, 1.0)
    fills = ("#ffffff", picture.hatch("rising", INK, 4.0, 0.9), COLOURS["both"])
    entries = [(fill_sample(picture, fill, INK, 0.8), way) for fill, way in zip(fills, WAYS, strict=True)]
    entries.append((lambda x, y: picture.line([(x + 13, y - 8), (x + 13, y + 8)], INK, 2.2), "allowed"))
    entries.append((lambda x, y: picture.text(x + 11, y + 4, "!", SMALL, bold=True), "over it even when corrected"))
    legend(picture, x0, foot + 34, WIDTH - x0, entries)
    return picture


def _shown(view: RoutineView) -> list[int]:
    """Arrivals that get an arrow: every pose, and a few points of each taught path."""
    found: list[int] = []
    paths: dict[tuple[int, str], list[int]] = {}
    for n, landing in enumerate(view.landings["raw"]):
        if landing.row is None:
            found.append(n)
        else:
            paths.setdefault((landing.step, landing.side), []).append(n)
    for rows in paths.values():
        found += [rows[i] for i in np.unique(np.linspace(0, len(rows) - 1, MOST_ARROWS).astype(int))]
    return sorted(found)


def exaggeration(longest: float, room: float) -> float:
    """A round factor, 1, 2 or 5 times a power of ten, at which arrows up to `longest` fit into `room`."""
    return round_down(room / longest) if longest > 1e-9 else 1.0


def arrow_picture(view: RoutineView, pair: PairView, name: str) -> tuple[Picture, float]:
    """Three plans of the table, one per way: from each taught place an arrow to where the TCP lands.

    Returns the picture and the factor by which the arrows are longer than they would be at the plan's scale.
    """
    shown = _shown(view)
    taught = np.array([view.landings["raw"][n].taught[:2] for n in shown]).reshape(-1, 2)
    way = places(pair.model.chain, view.facts.motion.q[:: max(1, len(view.facts.motion.t) // 300)]).X_WT[:, :, :2, 3]
    seen = np.concatenate([taught, way.reshape(-1, 2)])
    low, high = seen.min(axis=0) - 0.03, seen.max(axis=0) + 0.03
    middle = 0.5 * (low + high)
    cell = WIDTH / 3 - 8
    # One shape for all three ways, neither flat nor tall.
    width, height = high - low
    width, height = max(width, height / 1.4), max(height, width / 1.2)
    scale = cell / width
    tall = height * scale
    lengths = [float(np.linalg.norm(view.landings["raw"][n].miss[:2])) for n in shown]
    # A few wild ones must not make the others too short to see; they are cut instead.
    factor = exaggeration(float(np.percentile(lengths, 80)) if lengths else 0.0, 0.15 * width)
    most = 0.4 * cell
    cut = False
    picture = Picture(
        name, WIDTH, tall + 64, f"Where the poses land, seen from above, arrows {brief(factor)} times as long"
    )

    for k, w in enumerate(WAYS):
        x0, y0 = k * (WIDTH / 3) + 4, 22.0

        def at(p: Array, x0: float = x0, y0: float = y0) -> Array:
            center = np.array([x0 + cell / 2, y0 + tall / 2])
            result: Array = center + (np.asarray(p) - middle) * scale * np.array([1.0, -1.0])
            return result

        found = [view.landings[w][n] for n in shown]
        worst = max((x.expected for x in found), default=0.0)
        picture.text(x0, 14, w, NORMAL, bold=True)
        picture.text(x0 + cell, 14, f"worst {worst * 1e3:.1f} mm", SMALL, "end")
        picture.box(x0, y0, cell, tall, "#ffffff", RULE, 0.8)
        for arm, side in enumerate(SIDES):
            picture.line(at(way[:, arm]), COLOURS[side], 0.7, DASH_WAY[side])
        rings = []
        for landing in found:
            end = at(landing.taught[:2]) + landing.miss[:2] * scale * factor * np.array([1.0, -1.0])
            rings.append(_ring(end, landing.sigma * scale * factor))
        picture.clipped(x0, y0, cell, tall, rings)
        for landing in found:
            start = at(landing.taught[:2])
            along = landing.miss[:2] * scale * factor * np.array([1.0, -1.0])
            longer = float(np.linalg.norm(along)) > most
            cut = cut or longer
            end = start + (along * most / float(np.linalg.norm(along)) if longer else along)
            if landing.side == "left":
                picture.dot(float(start[0]), float(start[1]), 2.6, COLOURS["left"])
            else:
                picture.box(float(start[0]) - 2.6, float(start[1]) - 2.6, 5.2, 5.2, "#ffffff", COLOURS["right"], 1.4)
            picture.arrow(start, end, INK, 1.5, "3 2" if longer else None)
    bar = round_down(26.0 / scale)
    bar_says = f"{brief(bar * 1e3)} mm of the plan"
    legend(
        picture, 4, tall + 42, WIDTH - 8,
        [
            (lambda x, y: picture.dot(x + 13, y, 2.6, COLOURS["left"]), "taught, left"),
            (lambda x, y: picture.box(x + 10, y - 2.6, 5.2, 5.2, "#ffffff", COLOURS["right"], 1.4), "taught, right"),
            (
                lambda x, y: picture.arrow(np.array([x, y]), np.array([x + 26, y]), INK, 1.5),
                f"to where it lands, {brief(factor)} × as long",
            ),
            (lambda x, y: picture.add(_ring(np.array([x + 13, y]), 7.0)), "not known (one standard deviation)"),
            *([(lambda x, y: picture.line([(x, y), (x + 26, y)], INK, 1.5, "3 2"), "longer")] if cut else []),
            (lambda x, y: picture.line([(x, y - 3), (x, y), (x + bar * scale, y), (x + bar * scale, y - 3)]), bar_says),
        ],
    )  # fmt: skip
    return picture, factor


DASH_WAY = {"left": "1 2.5", "right": "3 3"}


def _ring(center: Array, radius: float) -> str:
    return element(
        "circle", cx=float(center[0]), cy=float(center[1]), r=max(radius, 0.5), fill="none", stroke=RULE,
        stroke_width=0.8, stroke_dasharray="2 2",
    )  # fmt: skip


def width_picture(width: float, most: float, name: str) -> Picture:
    """A small bar for a table: one width among others up to `most`, mm."""
    picture = Picture(name, 90.0, 12.0, f"{width:.1f} mm")
    picture.box(1, 2, 88, 8, "#ffffff", FAINT, 0.8)
    picture.box(1, 2, 88 * min(width / max(most, 1e-9), 1.0), 8, picture.hatch("rising", INK, 4.0, 0.8), INK, 0.8)
    return picture
