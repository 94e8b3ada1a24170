"""Photos of target cards, rendered with known ink: seen aslant, blurred, noisy, unevenly lit."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from handfast.scoring.card import CELLS, CROSS, MARK, SHEET, marks, pattern, printed

FINE = 16.0
"""Places per mm of the sheet as drawn, before it is photographed."""


def _at(place: np.ndarray) -> np.ndarray:
    """mm on the sheet as places of the image, in 1/16 of a pixel as OpenCV's drawing wants them."""
    p = np.atleast_2d(place) * np.array([FINE, -FINE]) + np.array([0.0, SHEET[1] * FINE]) - 0.5
    return np.rint(p * 16.0).astype(np.int32)


def sheet(ink: list[np.ndarray], width_mm: float = 0.6, without: tuple[int, ...] = ()) -> np.ndarray:
    """The card with ink, each line (M, 2) mm from the cross; `without`: marks that are missing."""
    image = np.full((round(SHEET[1] * FINE), round(SHEET[0] * FINE)), 245, dtype=np.uint8)
    cell = MARK / CELLS
    for mark in marks():
        if mark.number in without:
            continue
        for (row, column), black in np.ndenumerate(pattern(mark.number)):
            if black:
                x, y = mark.corners[0] + np.array([column, -row]) * cell
                a, b = np.rint(np.array([x * FINE, (SHEET[1] - y) * FINE])).astype(int)
                c, d = np.rint(np.array([(x + cell) * FINE, (SHEET[1] - y + cell) * FINE])).astype(int)
                image[b:d, a:c] = 20
    for ends, width in printed():
        cv2.polylines(image, [_at(ends)], False, 60, round(width * FINE), cv2.LINE_AA, 4)
    for line in ink:
        cv2.polylines(image, [_at(line + np.array(CROSS))], False, 50, round(width_mm * FINE), cv2.LINE_AA, 4)
    return image


def photographed(
    image: np.ndarray, path: Path, seed: int = 1, aslant: float = 0.06, pixels_per_mm: float = 7.0
) -> None:
    """Write a photo of a sheet: seen from aside, a little out of focus, darker towards one corner, with noise."""
    rng = np.random.default_rng(seed)
    h, w = image.shape
    scale = pixels_per_mm / FINE
    corners = np.array([[0, 0], [w, 0], [w, h], [0, h]], dtype=np.float32)
    size = np.array([w, h]) * scale
    there = corners * scale + rng.uniform(-aslant, aslant, (4, 2)).astype(np.float32) * size + 0.1 * size
    H = cv2.getPerspectiveTransform(corners, there.astype(np.float32))
    out = (round(1.2 * size[0]), round(1.2 * size[1]))
    soft = cv2.GaussianBlur(image, (0, 0), 0.5 / scale)
    seen = cv2.warpPerspective(soft, H, out, flags=cv2.INTER_AREA, borderValue=120).astype(float)
    seen = cv2.GaussianBlur(seen, (0, 0), 0.8)
    y, x = np.mgrid[0 : out[1], 0 : out[0]]
    light = 1.0 - 0.35 * x / out[0] - 0.2 * y / out[1]
    seen = seen * light + rng.normal(0.0, 3.0, seen.shape)
    cv2.imwrite(str(path), np.clip(seen, 0, 255).astype(np.uint8))
