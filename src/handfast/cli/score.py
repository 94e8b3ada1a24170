"""`handfast score`: read options, call the desk, print."""

from __future__ import annotations

import json
from argparse import ArgumentParser, Namespace
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from handfast.desk.scoring import PointScore
    from handfast.scoring.split import Split


def options(score: ArgumentParser) -> None:
    """The options of `handfast score`."""
    score.add_argument("file", nargs="?", type=Path, metavar="FILE", help="measured points, CSV (docs/scoring.md)")


def score(given: Namespace) -> int:
    """`handfast score`."""
    from handfast.desk import scoring, work
    from handfast.errors import InputError

    if given.file is None:
        raise InputError(
            "nothing to score", expected="a CSV of points", next_step="docs/scoring.md shows what it may hold"
        )
    desk = work.open_bench(Path.cwd(), given.bench)
    found = scoring.score_points(given.file)
    plain = points_plain(found)
    kept = scoring.keep(desk, str(given.file), plain)
    if given.json:
        print(json.dumps({**plain, "stored": str(kept)}, indent=2, ensure_ascii=False))
    else:
        print(points_text(found))
        print(f"stored in {kept}")
    return 0


def _mm(value: float) -> float:
    return round(value * 1e3, 4)


def points_plain(found: PointScore) -> dict[str, Any]:
    """A score of points as plain values."""
    return {
        "style": "in the style of ISO 9283 and ISO 230-2; neither cycles, load nor cube are checked",
        "rms_mm": _mm(found.rms),
        "points": [
            {
                "point": p.name,
                "visits": f.count,
                "AP_mm": _mm(f.accuracy),
                "off_mm": [_mm(v) for v in f.off],
                "RP_mm": _mm(f.repeatability),
                **({"vAP_mm": _mm(found.variation[p.name])} if p.name in found.variation else {}),
            }
            for p, f in zip(found.points, found.poses, strict=True)
        ],
        "distances": [{"from": a, "to": b, "AD_mm": _mm(x), "RD_mm": _mm(y)} for a, b, x, y in found.distances],
        "reversal": {axis: {f"{k}_mm": _mm(v) for k, v in vars(r).items()} for axis, r in found.reversal.items()},
        **split_plain(found.split),
    }


def split_plain(split: Split) -> dict[str, Any]:
    """The parts of an error as plain values."""
    parts = [{"part": p.name, "rms_mm": _mm(p.rms), "value": p.says} for p in split.parts]
    return {"parts": parts, "untold": list(split.untold)}


def split_text(split: Split) -> str:
    """The parts of an error as lines."""
    lines = ["where it comes from, root mean square mm"]
    lines += [f"  {p.name:15} {1e3 * p.rms:7.2f}  {p.says}" for p in split.parts]
    lines += [f"  cannot be told: {why}" for why in split.untold]
    return "\n".join(lines)


def points_text(found: PointScore) -> str:
    """A score of points as a table."""
    wide = max(5, *(len(p.name) for p in found.points))
    lines = [
        "accuracy and repeatability in the style of ISO 9283, mm",
        f"  {'point':{wide}}  visits      AP      RP     vAP",
    ]
    for p, f in zip(found.points, found.poses, strict=True):
        name = f"{p.name:{wide}}"
        varied = f"{1e3 * found.variation[p.name]:7.2f}" if p.name in found.variation else "      -"
        lines.append(f"  {name}  {f.count:6}  {1e3 * f.accuracy:6.2f}  {1e3 * f.repeatability:6.2f} {varied}")
    if found.distances:
        worst = max(found.distances, key=lambda d: abs(d[2]))
        lines.append(f"  worst distance: {worst[0]} to {worst[1]}, AD {1e3 * worst[2]:+.2f}, RD ±{1e3 * worst[3]:.2f}")
    for axis, r in found.reversal.items():
        lines.append(
            f"  reversal along {axis} in the style of ISO 230-2: B {1e3 * r.B:.2f}, M {1e3 * r.M:.2f}, "
            f"E {1e3 * r.E:.2f}, R {1e3 * r.R:.2f}, A {1e3 * r.A:.2f}"
        )
    lines += [f"all visits: root mean square {1e3 * found.rms:.2f} mm from their places", split_text(found.split)]
    return "\n".join(lines)
