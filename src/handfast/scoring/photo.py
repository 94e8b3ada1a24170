"""Ink on a target card, from a photo or scan: found marks straighten it, light is evened out, lines are thinned.

Straightening is the plane projective map (homography) from the marks' corners (Hartley & Zisserman, *Multiple
View Geometry*, ch. 4, from memory); what a lens bends beyond that is measured by what the corners leave over.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from handfast.errors import InputError
from handfast.geometry.rigid import Array
from handfast.scoring.card import CROSS, FIELD, MARK, SHEET, marks, opencv, printed, words_on_card

DOTS = 10.0
"""Places per mm of the straightened card."""
BENT = 0.6
"""Root mean square by which corners may miss their places after straightening, mm."""
DARK = 0.72
"""Share of the paper's brightness below which a place is certainly ink."""
LIGHT = 0.85
"""Nothing lighter than this share is ink, however pale the rest of it is."""
SPECK = 1.5
"""Pieces of ink shorter than this are dirt, mm."""
COARSE = 2.0
"""Fewest pixels of the photo per mm."""


@dataclass(frozen=True)
class Ink:
    """Middle line of the ink: places (N, 2) m from the card's cross, and the width of the line, m.

    left_over m: root mean square by which straightened corners miss their places. scale: pixels of the photo per mm.
    """

    points: Array
    width: float
    left_over: float
    scale: float


def read_ink(path: Path) -> Ink:
    """The ink on the card in an image file. Raises InputError for what is no such photo, and says what to do."""
    cv2: Any = opencv()
    if not path.is_file():
        raise InputError("no such file", where=str(path), expected="a photo or scan of a target card")
    image = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
    if image is None:
        raise InputError(
            "cannot be read as an image", where=str(path), expected="PNG, JPEG or TIFF", next_step="export it again"
        )
    H, left_over, scale = _straightening(cv2, image, str(path))
    size = (round(SHEET[0] * DOTS), round(SHEET[1] * DOTS))
    flat = cv2.warpPerspective(image, _to_pixels() @ H, size, flags=cv2.INTER_CUBIC, borderValue=255)
    dark = _ink(cv2, flat)
    points, width = _thinned(cv2, dark)
    if not len(points):
        raise InputError(
            "shows no ink on the card",
            where=str(path),
            expected=f"a dark line within {FIELD[0]:g} x {FIELD[1]:g} mm of the cross",
            next_step="see whether it was drawn there, or take the photo in better light",
        )
    return Ink((points - np.array(CROSS)) * 1e-3, width * 1e-3, left_over * 1e-3, scale)


def _to_pixels() -> Array:
    """From mm on the sheet to places of the straightened image, whose rows go down; whole numbers are pixel middles."""
    return np.array([[DOTS, 0.0, 0.0], [0.0, -DOTS, SHEET[1] * DOTS], [0.0, 0.0, 1.0]])


def _straightening(cv2: Any, image: np.ndarray, where: str) -> tuple[Array, float, float]:
    """The map from pixels to mm on the sheet, what is left over mm, and pixels per mm."""
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50), settings)
    seen = _seen(detector, image)
    wanted = {mark.number: mark.corners for mark in marks()}
    names = ("upper left", "upper right", "lower right", "lower left", "middle left", "middle right")
    missing = [names[n] for n in wanted if n not in seen]
    if missing:
        mirrored = sum(n in wanted for n in _seen(detector, cv2.flip(image, 1)))
        if mirrored > len(wanted) - len(missing):
            raise InputError(
                f"may be mirrored: {mirrored} of the card's {len(wanted)} marks are seen when it is turned round as in "
                "a mirror",
                where=where,
                expected="a photo as the eye sees the card",
                next_step="mirror it back in a picture editor, or take it again without the camera's mirroring",
            )
        raise InputError(
            f"{_marks(missing, len(wanted))} not to be seen",
            where=where,
            expected="all six marks, whole, sharp and evenly lit",
            next_step="take it again from above, with the whole card in the picture",
        )
    sides = [np.linalg.norm(seen[n] - np.roll(seen[n], 1, axis=0), axis=1).mean() for n in wanted]
    scale = float(np.min(sides)) / MARK
    if scale < COARSE:
        raise InputError(
            f"has {scale:.1f} pixels per mm", where=where, expected=f"at least {COARSE:g}",
            next_step="take it from nearer, or scan it at 200 dots per inch",
        )  # fmt: skip
    pixels = np.concatenate([seen[n] for n in wanted])
    places = np.concatenate([wanted[n] for n in wanted])
    H, _ = cv2.findHomography(pixels, places, 0)
    if H is None:
        raise InputError("the marks lie on one line", where=where, next_step="take it again from above")
    back = cv2.perspectiveTransform(pixels[None], H)[0]
    left_over = float(np.sqrt(((back - places) ** 2).sum(axis=1).mean()))
    if left_over > BENT:
        raise InputError(
            f"the card is bent in the picture: its marks miss their places by {left_over:.1f} mm",
            where=where,
            expected="a flat card, and a lens that keeps lines straight",
            next_step="lay it flat, go further away and use the longer lens, or scan it",
        )
    return np.asarray(H), left_over, scale


def _seen(detector: Any, image: np.ndarray) -> dict[int, Array]:
    """Corners (4, 2) in pixels of every mark that is found, by its number."""
    corners, numbers, _ = detector.detectMarkers(image)
    if not len(corners):
        return {}
    return {int(n): np.array(c[0], dtype=float) for n, c in zip(np.ravel(numbers), corners, strict=True)}


def _marks(missing: list[str], count: int) -> str:
    """'the upper left mark of the card is', 'the upper left and the upper right marks of the card are'."""
    if len(missing) == count:
        return f"the card's {count} marks are"
    if len(missing) == 1:
        return f"the {missing[0]} mark of the card is"
    return f"the {', '.join(missing[:-1])} and {missing[-1]} marks of the card are"


def _ink(cv2: Any, flat: np.ndarray) -> np.ndarray:
    """Where the straightened image is ink: darker than the paper about it, and not printed."""
    # The paper's brightness: what is left when thin dark lines are closed, evened out.
    small = cv2.resize(flat, None, fx=0.2, fy=0.2, interpolation=cv2.INTER_AREA)
    paper = cv2.morphologyEx(small, cv2.MORPH_CLOSE, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (15, 15)))
    paper = cv2.GaussianBlur(paper, (0, 0), 6.0)
    paper = cv2.resize(paper, (flat.shape[1], flat.shape[0]), interpolation=cv2.INTER_LINEAR).astype(float)
    soft = cv2.GaussianBlur(flat, (0, 0), 1.5).astype(float)
    share = soft / np.maximum(paper, 1.0)
    x0, y0 = CROSS[0] - 12.0, CROSS[1] - 12.0
    rows = slice(max(0, round((SHEET[1] - (CROSS[1] + FIELD[1])) * DOTS)), round((SHEET[1] - y0) * DOTS))
    field_ = rows, slice(round(x0 * DOTS), round((CROSS[0] + FIELD[0]) * DOTS))
    # The edge of a line lies halfway between paper and ink, however dark the ink and however soft the picture.
    inked = share[field_][share[field_] < DARK]
    level = 0.5 * (1.0 + float(np.percentile(inked, 20.0))) if len(inked) else DARK
    dark = share < min(level, LIGHT)
    allowed = np.zeros(flat.shape, dtype=bool)
    allowed[field_] = True
    blind = np.zeros(flat.shape, dtype=np.uint8)
    for (a, b), width in printed():
        cv2.line(blind, _pixel(a), _pixel(b), 255, round((width + 1.2) * DOTS))
    for xa, ya, xb, yb in words_on_card():
        cv2.rectangle(blind, _pixel((xa, ya)), _pixel((xb, yb)), 255, -1)
    found: np.ndarray = dark & allowed & (blind == 0)
    return found


def _pixel(place: Any) -> tuple[int, int]:
    return round(float(place[0]) * DOTS), round((SHEET[1] - float(place[1])) * DOTS)


def _thinned(cv2: Any, dark: np.ndarray) -> tuple[Array, float]:
    """Middle line of the ink as places (N, 2) mm on the sheet, and the ink's width mm."""
    from skimage.morphology import skeletonize

    thin = skeletonize(dark)  # type: ignore[no-untyped-call]
    count, labels = cv2.connectedComponents(thin.astype(np.uint8), connectivity=8)
    sizes = np.bincount(labels.ravel(), minlength=count)
    keep = sizes > SPECK * DOTS
    keep[0] = False
    thin = thin & keep[labels]
    rows, columns = np.nonzero(thin)
    if not len(rows):
        return np.zeros((0, 2)), 0.0
    inside = cv2.distanceTransform(dark.astype(np.uint8), cv2.DIST_L2, 5)
    width = 2.0 * float(np.median(inside[rows, columns])) / DOTS
    # OpenCV counts from the middle of the first pixel, as `_to_pixels` does.
    return np.column_stack([columns / DOTS, SHEET[1] - rows / DOTS]), width
