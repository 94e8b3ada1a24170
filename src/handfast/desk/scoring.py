"""Scoring: figures from measured points, kept in the bench."""

from __future__ import annotations

import datetime
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from handfast.desk.work import Desk

if TYPE_CHECKING:
    from handfast.scoring.accuracy import Pose, Reversal
    from handfast.scoring.points import Visits
    from handfast.scoring.split import Split


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


def keep(desk: Desk, source: str, plain: dict[str, Any]) -> Path:
    """Store a score's figures in the bench, as SCORES/TIME-NAME.json; an older one is never overwritten."""
    from handfast.files.atomic import write_text

    now = datetime.datetime.now().astimezone()
    folder = desk.folder.root / "scores"
    stem = f"{now:%Y%m%d-%H%M%S}-{Path(source).stem}"
    target, n = folder / f"{stem}.json", 2
    while target.exists():
        target, n = folder / f"{stem}-{n}.json", n + 1
    whole = {"scored": now.isoformat(timespec="seconds"), "source": source, **plain}
    write_text(target, json.dumps(whole, indent=2, ensure_ascii=False) + "\n")
    return target
