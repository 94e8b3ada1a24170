"""Where the TCPs are, told from feedback: the fit's figures put to any counts, with what is not known of them."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from handfast.bench.parts import SIDES, Bench
from handfast.errors import InputError
from handfast.records.readings import signs_of

if TYPE_CHECKING:
    from handfast.fitting.calibrate import Calibration
    from handfast.geometry.rigid import Array

OF_95 = 1.959964
"""Half the width of an interval that holds 95 % of a normal distribution, in standard deviations."""


@dataclass(frozen=True)
class Whereabouts:
    """Rows of counts, and both TCPs at each: name, position (2, 3) m, standard deviation (2, 3) m."""

    name: str
    position: Array
    sigma: Array


def whereabouts(calibration: Calibration, bench: Bench, path: Path) -> list[Whereabouts]:
    """Where powered arms at rest have their TCPs, for every row of a CSV.

    Columns: ch0, ch1, ... for every channel of the controller, as recordings have them, of limp arms' voltage; moved
    (optional): the way in which each joint was driven last, + - or 0, left arm first; left_g, right_g (optional): what
    is in the grippers; name (optional). Raises InputError naming file and line.
    """
    from handfast.fitting.calibrate import tcp_from_feedback

    channels, K = bench.controller.channels, len(bench.joints)
    needed = [f"ch{c}" for c in range(channels)]
    try:
        lines = [line for line in path.read_text().splitlines() if line.strip() and not line.startswith("#")]
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            f"cannot be read ({getattr(error, 'strerror', None) or 'not text'})",
            where=str(path),
            expected="a CSV of counts",
            next_step=f"a heading {needed[0]},{needed[1]},...,moved and a row for each pose",
        ) from None
    rows = list(csv.DictReader(lines))
    missing = [name for name in needed if not rows or name not in rows[0]]
    if missing:
        raise InputError(
            f"no column {missing[0]}" if rows else "no row", where=str(path),
            expected=f"columns ch0 to ch{channels - 1}, and a row for each pose",
            next_step="docs/calibrating.md says which columns there may be",
        )  # fmt: skip
    counts, moved, loads = np.zeros((len(rows), channels)), np.zeros((len(rows), K)), np.zeros((len(rows), 2))
    top = 2.0**bench.controller.wiper_bits - 1.0
    for n, row in enumerate(rows):
        where = f"{path}: row {n + 1}"
        try:
            counts[n] = [float(row[name]) for name in needed]
            loads[n] = [1e-3 * float(row.get(f"{side}_g") or 0.0) for side in SIDES]
        except (TypeError, ValueError):
            raise InputError("not a number", where=where, expected="numbers", next_step="mend this row") from None
        used = counts[n, [joint.channel for joint in bench.joints]]
        if not np.all((used > 0.5) & (used < top - 0.5)) or not np.all((loads[n] >= 0.0) & (loads[n] < 20.0)):
            raise InputError(
                "counts or loads out of range", where=where, expected=f"counts from 1 to {top - 1:g}, loads in g",
                next_step="take averages of the feedback at rest, in counts",
            )  # fmt: skip
        signs = (row.get("moved") or "").replace(" ", "")
        if signs and (len(signs) != K or set(signs) - set("+-0")):
            raise InputError(
                f'moved "{row["moved"]}" does not fit', where=where, expected=f"{K} signs out of + - 0",
                next_step="one for each joint, left arm first; leave it out if it is not known",
            )  # fmt: skip
        moved[n] = signs_of(signs, K)
    position, sigma = tcp_from_feedback(calibration, counts, moved, loads)
    return [Whereabouts(row.get("name") or f"{n + 1}", position[n], sigma[n]) for n, row in enumerate(rows)]


def whereabouts_plain(found: list[Whereabouts]) -> dict[str, object]:
    """The same as plain values: mm, and half the width of the 95 % interval of every coordinate."""
    return {
        "poses": [
            {
                "name": one.name,
                **{
                    side: {
                        "tcp_mm": [round(1e3 * float(v), 4) for v in one.position[arm]],
                        "within_95_percent_mm": [round(1e3 * OF_95 * float(v), 4) for v in one.sigma[arm]],
                    }
                    for arm, side in enumerate(SIDES)
                },
            }
            for one in found
        ]
    }


def whereabouts_text(found: list[Whereabouts]) -> str:
    """The same as a table."""
    wide = max(4, *(len(one.name) for one in found))
    lines = [f"{'pose':{wide}}  arm    {'x, mm':>18}{'y, mm':>18}{'z, mm':>18}   (95 % of cases are within this)"]
    for one in found:
        for arm, side in enumerate(SIDES):
            cells = zip(1e3 * one.position[arm], 1e3 * OF_95 * one.sigma[arm], strict=True)
            lines.append(f"{one.name:{wide}}  {side:5}  " + "".join(f"{v:+10.1f} ± {s:4.1f} " for v, s in cells))
    return "\n".join(lines)
