"""The target card: a sheet to print, with six marks that a photo is straightened by and a line that tells its scale.

All in mm on the sheet, x to the right and y up from its lower left corner. A drawing's corner belongs on the cross.
The marks are those of OpenCV's dictionary 4x4_50, numbers 0 to 5.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from handfast.errors import InputError
from handfast.geometry.rigid import Array

SHEET = (210.0, 297.0)
"""A4 (ISO 216)."""
MARK = 20.0
"""Side of a mark."""
EDGE = 15.0
"""Free edge of the sheet: printers leave it white."""
CELLS = 6
"""A mark is so many cells wide, its black frame counted in."""
CROSS = (52.0, 72.0)
"""Where a drawing's lower left corner belongs."""
FIELD = (110.0, 150.0)
"""Room for a drawing, from the cross to the right and upwards."""
LINE = ((55.0, 22.0), (155.0, 22.0))
"""The line that must be 100 mm long."""
LINE_WIDTH = 0.35


@dataclass(frozen=True)
class Mark:
    """A mark's number and corners (4, 2) mm: upper left, upper right, lower right, lower left, as OpenCV has them."""

    number: int
    corners: Array


def marks() -> tuple[Mark, ...]:
    """The marks: at the corners, and halfway up at both sides, where a bent card shows."""
    w, h = SHEET
    found = []
    for number, (x, y) in enumerate(
        (
            (EDGE, h - EDGE),
            (w - EDGE - MARK, h - EDGE),
            (w - EDGE - MARK, EDGE + MARK),
            (EDGE, EDGE + MARK),
            (EDGE, 0.5 * (h + MARK)),
            (w - EDGE - MARK, 0.5 * (h + MARK)),
        )
    ):
        found.append(Mark(number, np.array([[x, y], [x + MARK, y], [x + MARK, y - MARK], [x, y - MARK]])))
    return tuple(found)


def pattern(number: int) -> np.ndarray:
    """Which cells (CELLS, CELLS) of a mark are black, upper row first. Raises InputError without OpenCV."""
    cv2 = opencv()
    image = cv2.aruco.generateImageMarker(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), number, CELLS)
    return np.asarray(image) < 128


def opencv() -> Any:
    """The package OpenCV. Raises InputError if it is not there."""
    try:
        import cv2
    except ImportError:
        raise InputError(
            "OpenCV is not there", expected="the package that reads photos", next_step="pip install 'handfast[photo]'"
        ) from None
    return cv2


def printed() -> Iterator[tuple[Array, float]]:
    """What is printed beside the marks, and may lie in the way of ink: lines (2, 2) mm and their widths."""
    x, y = CROSS
    yield np.array(LINE), LINE_WIDTH
    for end in LINE:
        yield np.array([[end[0], end[1] - 3.0], [end[0], end[1] + 3.0]]), LINE_WIDTH
    # The cross is left open in its middle, where the pen sets out.
    for a, b in (((-8.0, 0.0), (-2.5, 0.0)), ((0.0, -8.0), (0.0, -2.5))):
        yield np.array([[x + a[0], y + a[1]], [x + b[0], y + b[1]]]), LINE_WIDTH


def card_svg() -> str:
    """The card as an SVG page in true size."""
    w, h = SHEET
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{w:g}mm" height="{h:g}mm" viewBox="0 0 {w:g} {h:g}">',
        f'<rect width="{w:g}" height="{h:g}" fill="#fff"/>',
    ]
    cell = MARK / CELLS
    for mark in marks():
        x, y = mark.corners[0]
        parts.append(f'<rect x="{x:.4f}" y="{h - y:.4f}" width="{MARK:g}" height="{MARK:g}" fill="#000"/>')
        for (row, column), black in np.ndenumerate(pattern(mark.number)):
            if not black:
                parts.append(
                    f'<rect x="{x + column * cell:.4f}" y="{h - y + row * cell:.4f}" width="{cell:.4f}" '
                    f'height="{cell:.4f}" fill="#fff" stroke="#fff" stroke-width="0.01"/>'
                )
    for (a, b), width in printed():
        parts.append(
            f'<line x1="{a[0]:.3f}" y1="{h - a[1]:.3f}" x2="{b[0]:.3f}" y2="{h - b[1]:.3f}" stroke="#000" '
            f'stroke-width="{width:g}"/>'
        )
    words = (
        (105.0, 30.0, "Print at 100 %. This line must be 100 mm long: measure it, and tell the score."),
        (105.0, 14.0, "Tape the card down flat. This edge lies along the front edge of the table (its x)."),
        (CROSS[0] + 22.0, CROSS[1] - 8.0, "the drawing begins here: teach the tip onto this place"),
    )
    for x, y, text in words:
        anchor = "start" if x < 100.0 else "middle"
        parts.append(
            f'<text x="{x - (18.0 if anchor == "start" else 0.0):g}" y="{h - y:g}" font-size="3.2" '
            f'font-family="sans-serif" text-anchor="{anchor}" fill="#444">{text}</text>'
        )
    return "\n".join([*parts, "</svg>", ""])


def words_on_card() -> tuple[tuple[float, float, float, float], ...]:
    """Boxes (x0, y0, x1, y1) mm that hold printed words: ink is not looked for there."""
    x, y = CROSS
    return ((20.0, 10.0, 190.0, 35.0), (x - 1.0, y - 10.5, x + 100.0, y - 4.0))
