"""Drawings: the paths of an SVG as lines in the plane, in metres.

Reading is left to the package svgelements, which knows shapes, transforms and units (SVG 1.1, W3C). What a pen cannot
do is refused or left out: fills, texts, images.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from handfast.errors import InputError
from handfast.geometry.rigid import Array

PPI = 96.0
"""Points of an SVG without units in an inch (CSS, W3C)."""
INCH = 0.0254
FINE = 5e-5
"""How far the lines may leave the curves, m."""
MOST_POINTS = 20_000
LARGEST = 2.0
"""m, either way: a larger drawing has the wrong unit."""

Lines = tuple[tuple[tuple[float, float], ...], ...]


def find_drawing(name: str, routine: Path) -> Path:
    """The file of a drawing: in the bench's folder `drawings/`, or beside the routine."""
    places = [routine.parent.parent / "drawings" / name, routine.parent / name]
    for place in places:
        if place.is_file():
            return place
    folder = places[0].parent
    raise InputError(
        f'no drawing "{name}"',
        where=str(routine),
        expected=f"an SVG file in {folder}",
        available=[p.name for p in sorted(folder.glob("*.svg"))],
        asked=name,
        next_step="put it there, or mend the name",
    )


def read_drawing(path: Path, width: float | None = None) -> Lines:
    """The lines of an SVG, each (x, y) m, x to the right and y up, the lowest and leftmost ink at 0.

    width: how wide the ink shall be, m; None keeps the size that the file gives (96 units to the inch without one).
    Raises InputError for what is no SVG, or holds nothing that a pen could follow.
    """
    curves = _curves(path)
    if not curves:
        raise InputError(
            "holds no path, line or shape",
            where=str(path),
            expected="outlines: a pen follows lines, no fills, texts or images",
            next_step="turn texts and images into paths in the program that made it",
        )
    everything = np.concatenate(curves)
    if not np.all(np.isfinite(everything)):
        raise InputError("has a place that is no number", where=str(path), next_step="mend it")
    low, high = everything.min(axis=0), everything.max(axis=0)
    size = high - low
    if size.max() <= 0.0:
        raise InputError("is a single dot", where=str(path), expected="lines", next_step="mend it")
    scale = INCH / PPI
    if width is not None:
        if size[0] <= 0.0:
            raise InputError(
                "has no width", where=str(path), expected="ink that is wider than nothing where width_mm is given",
                next_step="leave width_mm out",
            )  # fmt: skip
        scale = width / float(size[0])
    if (size * scale).max() > LARGEST:
        raise InputError(
            f"is {size[0] * scale:.2f} m by {size[1] * scale:.2f} m",
            where=str(path),
            expected=f"at most {LARGEST:g} m",
            next_step="give its step a width_mm",
        )
    lines = []
    for curve in curves:
        points = (curve - np.array([low[0], high[1]])) * np.array([scale, -scale])
        lines.append(_thinned(points))
    if sum(map(len, lines)) > MOST_POINTS:
        raise InputError(
            f"has {sum(map(len, lines))} points", where=str(path), expected=f"at most {MOST_POINTS}",
            next_step="simplify it",
        )  # fmt: skip
    return tuple(tuple((float(x), float(y)) for x, y in line) for line in lines)


def _curves(path: Path) -> list[Array]:
    """Every connected piece of outline as points in user units, y down."""
    import svgelements

    from handfast.files.document import read_text

    read_text(path)  # its message for a file that cannot be read
    try:
        parsed: Any = svgelements.SVG.parse(str(path), ppi=PPI)
    except Exception as error:
        raise InputError(
            f"is no SVG ({type(error).__name__})", where=str(path), expected="an SVG file", next_step="export it again"
        ) from None
    curves: list[Array] = []
    for element in parsed.elements():
        if not isinstance(element, svgelements.Shape) or element.values.get("visibility") == "hidden":
            continue
        for piece in svgelements.Path(element).as_subpaths():
            points: list[tuple[float, float]] = []
            for segment in svgelements.Path(piece):
                if isinstance(segment, svgelements.Move):
                    continue
                straight = isinstance(segment, (svgelements.Line, svgelements.Close))
                if segment.start is None or segment.end is None:
                    continue
                for t in (1.0,) if straight else np.linspace(0.0, 1.0, 65)[1:]:
                    if not points:
                        points.append((float(segment.start.x), float(segment.start.y)))
                    at = segment.point(float(t))
                    points.append((float(at.x), float(at.y)))
            line = np.array(points)
            if len(line):
                keep = np.concatenate([[True], np.linalg.norm(np.diff(line, axis=0), axis=1) > 1e-9])
                if keep.sum() > 1:
                    curves.append(line[keep])
    return curves


def _thinned(points: Array) -> Array:
    """Fewer points that leave the others by no more than `FINE` (Douglas and Peucker 1973)."""
    keep = np.zeros(len(points), dtype=bool)
    keep[[0, -1]] = True
    stack = [(0, len(points) - 1)]
    while stack:
        a, b = stack.pop()
        if b - a < 2:
            continue
        chord = points[b] - points[a]
        away = points[a + 1 : b] - points[a]
        length = float(np.hypot(*chord))
        if length < 1e-12:
            off = np.hypot(away[:, 0], away[:, 1])
        else:
            share = np.clip(away @ chord / length**2, 0.0, 1.0)
            off = np.linalg.norm(away - share[:, None] * chord, axis=1)
        k = int(np.argmax(off))
        if off[k] > FINE:
            keep[a + 1 + k] = True
            stack += [(a, a + 1 + k), (a + 1 + k, b)]
    return points[keep]


__all__ = ["Lines", "find_drawing", "read_drawing"]
