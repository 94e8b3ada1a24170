"""Points that were measured: a CSV of where the TCP was asked to go and where it came to, and what is wrong in it.

    point,at_x_mm,at_y_mm,at_z_mm,x_mm,y_mm,z_mm,way
    a,100,0,50,100.4,0.2,49.1,+

One row per visit. `z` may be left out of both; `way` (from which side it was approached: + and -, or any names)
may be left out or empty; further columns: `step`, `arm` (which pose of a routine the point is), `note`.
"""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from handfast.errors import InputError
from handfast.geometry.rigid import Array
from handfast.geometry.statistics import similarity
from handfast.units import counted

FEWEST_VISITS = 3
MOST_ROWS = 100_000
_OTHER_COLUMNS = ("way", "step", "arm", "note")
_UNIT_SLIPS = (
    (1000.0, "these are µm, not mm"),
    (25.4, "these are mm and their targets inches"),
    (10.0, "these are mm and their targets cm"),
    (1.0 / 10.0, "these are cm, not mm"),
    (1.0 / 25.4, "these are inches, not mm"),
    (1.0 / 1000.0, "these are m, not mm"),
)


@dataclass(frozen=True)
class Visits:
    """One point and its n visits, in the file's order. commanded (d,) m, attained (n, d) m; way: n words."""

    name: str
    commanded: Array
    attained: Array
    way: tuple[str, ...]
    step: int | None = None
    arm: str | None = None


def read_points(path: Path) -> list[Visits]:
    """The points of a file, checked. Raises InputError."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise InputError("no such file", where=str(path), next_step="give the path of a CSV of points") from None
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(
            f"cannot be read as text ({error})", where=str(path), expected="a CSV of points in UTF-8"
        ) from None
    lines = [(n, line) for n, line in enumerate(text.splitlines(), 1) if line.strip() and not line.startswith("#")]
    if not lines:
        raise InputError("nothing in it", where=str(path), expected="a heading and one row per visit")
    if len(lines) > MOST_ROWS:
        raise InputError(f"{len(lines)} rows", where=str(path), expected=f"at most {MOST_ROWS}")
    heading = [name.strip() for name in lines[0][1].split(",")]
    axes = _axes(heading, f"{path}:{lines[0][0]}")
    found: dict[str, list[tuple[int, Array, Array, dict[str, str]]]] = {}
    for number, line in lines[1:]:
        where = f"{path}:{number}"
        try:
            cells = [c.strip() for c in next(csv.reader([line], strict=True))]
        except csv.Error as error:
            raise InputError(f"not a row of a table ({error})", where=where, expected="cells with commas") from None
        if len(cells) != len(heading):
            raise InputError(
                counted(len(cells), "column"), where=where, expected=f"{len(heading)}, as in the heading",
                next_step="mend this row, or take it out",
            )  # fmt: skip
        row = dict(zip(heading, cells, strict=True))
        name = row["point"]
        if not name:
            raise InputError("the point has no name", where=f"{where}: point", expected="a name in the first column")
        at = np.array([_number(row[f"at_{a}_mm"], f"{where}: at_{a}_mm") for a in axes]) * 1e-3
        was = np.array([_number(row[f"{a}_mm"], f"{where}: {a}_mm") for a in axes]) * 1e-3
        found.setdefault(name, []).append((number, at, was, row))
    points = [_visits(name, rows, path) for name, rows in found.items()]
    _plausible(points, path, axes)
    return points


def _axes(heading: list[str], where: str) -> str:
    for name in heading:
        bare = name.removeprefix("at_")
        if bare[:1] in ("x", "y", "z") and not bare.endswith("_mm") and bare[1:2] in ("", "_"):
            raise InputError(
                f'column "{name}"', where=where, expected="places in mm: columns whose names end in _mm",
                next_step="convert the column and name it with its unit, such as x_mm",
            )  # fmt: skip
    axes = "xyz" if "z_mm" in heading or "at_z_mm" in heading else "xy"
    needed = ["point", *(f"at_{a}_mm" for a in axes), *(f"{a}_mm" for a in axes)]
    missing = [name for name in needed if name not in heading]
    if missing:
        raise InputError(
            f"no column {', '.join(missing)}", where=where, expected=", ".join([*needed, "and perhaps way"]),
            next_step="add it; docs/scoring.md shows a file",
        )  # fmt: skip
    odd = [name for name in heading if name not in needed and name not in _OTHER_COLUMNS]
    twice = [name for name in heading if heading.count(name) > 1]
    if odd or twice:
        raise InputError(
            f'column "{(odd or twice)[0]}"' + (" stands there twice" if twice and not odd else " is not known"),
            where=where, expected="columns out of these, each once", available=[*needed, *_OTHER_COLUMNS],
            asked=(odd or twice)[0],
        )  # fmt: skip
    return axes


def _number(text: str, where: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value) or abs(value) > 1e7:
        raise InputError(
            f"{text!r} is not a number of mm", where=where, expected="a number with a point for its decimals",
            next_step="mend this row, or take it out",
        )  # fmt: skip
    return value


def _visits(name: str, rows: list[tuple[int, Array, Array, dict[str, str]]], path: Path) -> Visits:
    first, at, _, row = rows[0]
    for number, other, _, _ in rows:
        if np.abs(other - at).max() > 1e-9:
            raise InputError(
                f'point "{name}" was asked for at another place in line {first}',
                where=f"{path}:{number}",
                expected="one commanded place (at_...) per point; what varies is where it came to",
                next_step="give it another name, or swap the columns back if at_ and attained changed places",
            )
    if len(rows) < FEWEST_VISITS:
        raise InputError(
            f"point \"{name}\" was visited {counted(len(rows), 'time')}", where=f"{path}:{first}",
            expected=f"at least {FEWEST_VISITS} visits of every point (30 are customary)",
            next_step="visit it more often, or take it out",
        )  # fmt: skip
    step = row.get("step", "")
    arm = row.get("arm", "")
    if (step or arm) and (not step.isdigit() or int(step) < 1 or arm not in ("left", "right")):
        raise InputError(
            f'step "{step}", arm "{arm}"', where=f"{path}:{first}", expected="a step's number and left or right"
        )
    return Visits(
        name, at, np.array([was for _, _, was, _ in rows]), tuple(r.get("way", "") for _, _, _, r in rows),
        int(step) - 1 if step else None, arm or None,
    )  # fmt: skip


def _plausible(points: list[Visits], path: Path, axes: str) -> None:
    """Refuse what looks like a slip: nothing but one value, other units, columns swapped."""
    if all(np.ptp(p.attained, axis=0).max() == 0.0 for p in points):
        raise InputError(
            "every visit of every point came to the very same place", where=str(path),
            expected="each visit as it was measured, with more digits than its spread",
            next_step="measure every visit by itself",
        )  # fmt: skip
    commanded = np.array([p.commanded for p in points])
    centres = np.array([p.attained.mean(axis=0) for p in points])
    if len(points) > 1 and np.ptp(commanded, axis=0).max() < 1e-9:
        raise InputError(
            f"all {len(points)} points are asked for at one and the same place", where=str(path),
            expected="one name for one place", next_step="give them one name, or mend the at_ columns",
        )  # fmt: skip
    if len(points) < 2:
        return
    size = float(np.sqrt(((commanded - commanded.mean(axis=0)) ** 2).sum(axis=1).mean()))
    wide = float(np.sqrt(((centres - centres.mean(axis=0)) ** 2).sum(axis=1).mean()))
    for factor, words in _UNIT_SLIPS:
        # Two points give no shape to check by, so only a slip that cannot be anything else is called one.
        if abs(wide / size / factor - 1.0) < 0.15:
            fit = similarity(commanded, centres)
            if fit.rms < 0.1 * wide:
                raise InputError(
                    f"the points lie {wide / size:.3g} times as far apart as they were asked for", where=str(path),
                    expected="all places in mm", next_step=f"perhaps {words}: convert them",
                )  # fmt: skip
    if len(points) < 3:
        return
    as_it_is = _misfit(commanded, centres)
    for i in range(len(axes)):
        for j in range(i + 1, len(axes)):
            order = list(range(len(axes)))
            order[i], order[j] = j, i
            swapped = _misfit(commanded, centres[:, order])
            if swapped < 0.2 * as_it_is and as_it_is > 0.15 * size:
                raise InputError(
                    f"{axes[i]}_mm and {axes[j]}_mm look swapped: the points fit {as_it_is / max(swapped, 1e-9):.0f} "
                    "times better the other way round",
                    where=str(path), expected="columns named as they were measured",
                    next_step="change the two names in the heading, or mend the at_ columns",
                )  # fmt: skip


def _misfit(commanded: Array, centres: Array) -> float:
    """What a mere shift leaves between commanded and mean attained places."""
    off = centres - commanded
    return float(np.sqrt(((off - off.mean(axis=0)) ** 2).sum(axis=1).mean()))
