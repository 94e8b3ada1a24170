"""`handfast score`: read options, call the desk, print."""

from __future__ import annotations

import json
from argparse import ArgumentParser, Namespace
from pathlib import Path
from typing import TYPE_CHECKING

DEGREES = 57.29577951308232

if TYPE_CHECKING:
    from handfast.desk.scoring import PointScore
    from handfast.desk.work import Desk
    from handfast.scoring.split import Split


def options(score: ArgumentParser) -> None:
    """The options of `handfast score`."""
    score.add_argument("file", nargs="?", type=Path, metavar="FILE", help="measured points, CSV (docs/scoring.md)")
    score.add_argument(
        "--card", nargs="?", type=Path, const=Path(), metavar="SVG", help="write the target card to print"
    )
    score.add_argument("--photo", type=Path, metavar="FILE", help="a photo or scan of the card with a drawing on it")
    score.add_argument("--line", type=float, metavar="MM", help="with a photo: how long the card's check line is")
    score.add_argument("--routine", metavar="NAME", help="with a photo: the routine that drew it")
    score.add_argument("--step", type=int, metavar="N", help="with a photo: its step, where several draw")
    score.add_argument("--drawing", type=Path, metavar="SVG", help="with a photo, instead of a routine: what was drawn")
    score.add_argument("--width", type=float, metavar="MM", help="with a drawing: how wide it was drawn")
    score.add_argument("--turn", type=float, default=0.0, metavar="DEG", help="with a drawing: how it was turned")
    score.add_argument(
        "--simulated",
        type=int,
        metavar="SEED",
        help="with a routine: play it at simulated arms, measure and score it",
    )
    score.add_argument("--visits", type=int, default=3, metavar="N", help="with simulated arms: how often (else 3)")
    score.add_argument(
        "--learn", action="store_true", help="with a routine: draw it next time shifted back by what the photo shows"
    )


def score(given: Namespace) -> int:
    """`handfast score`."""
    from handfast.desk import scoring, work
    from handfast.desk.plain import points_plain
    from handfast.errors import InputError

    simulated = given.simulated is not None
    asked = [given.file is not None, given.card is not None, given.photo is not None, simulated]
    if sum(asked) != 1:
        raise InputError(
            "nothing to score" if not any(asked) else "several things to score",
            expected="a CSV of points, --photo FILE of a card, --simulated SEED, or --card to print a card",
            next_step="docs/scoring.md shows what each may hold",
        )
    desk = work.open_bench(Path.cwd(), given.bench)
    if given.card is not None:
        path = scoring.write_card(desk, given.card if given.card != Path() else None)
        print(f"{path}: print it at 100 %, tape it down flat, teach the tip onto its cross")
        return 0
    if given.photo is not None:
        return _photo(given, desk)
    if simulated:
        if given.routine is None:
            raise InputError("which routine?", where="--simulated", expected="--routine NAME", next_step="name it")
        ((_, routine),) = work.routines(desk, [given.routine])
        given.file = scoring.measure_simulated(desk, routine, given.simulated, given.visits)
    found = scoring.score_points(given.file)
    plain = points_plain(found)
    kept = scoring.keep(desk, str(given.file), plain)
    if given.json:
        print(json.dumps({**plain, "stored": str(kept)}, indent=2, ensure_ascii=False))
    else:
        print(points_text(found))
        print(f"stored in {kept}")
    return 0


def _photo(given: Namespace, desk: Desk) -> int:
    from handfast.desk import scoring
    from handfast.desk.plain import photo_plain

    mm = 1e-3
    found = scoring.score_photo(
        desk, given.photo, None if given.line is None else given.line * mm, given.drawing,
        None if given.width is None else given.width * mm, given.turn / DEGREES, given.routine,
        None if given.step is None else given.step - 1,
    )  # fmt: skip
    s = found.score
    plain = photo_plain(found)
    learnt = scoring.learn_shift(desk, found) if given.learn else None
    kept = scoring.keep(desk, str(given.photo), plain)
    if given.json:
        print(json.dumps({**plain, "stored": str(kept)}, indent=2, ensure_ascii=False))
        return 0
    print(f"{given.photo.name} against {found.drawing}: the ink lies {plain['rms_mm']:.2f} mm off (root mean square)")
    print(f"  worst {plain['worst_mm']:.2f} mm; {plain['drawn_pct']:.0f} % of the lines are drawn")
    x, y = s.offset
    print(
        f"  shifted {1e3 * x:+.2f} mm in x and {1e3 * y:+.2f} mm in y, turned {DEGREES * s.turn:+.2f}°, "
        f"{100 * s.scale:.2f} % of its size; what is left is shape: {1e3 * s.shape:.2f} mm"
    )
    print(
        f"  the card: {found.ink.scale:.1f} pixels per mm, its marks fit to {1e3 * found.ink.left_over:.2f} mm; "
        f"the line is {1e3 * found.ink.width:.1f} mm wide"
    )
    if learnt is not None:
        print(f"  learnt: {learnt.name} draws it shifted back by that; draw and score it again")
    elif found.where is not None and abs(x) + abs(y) > 5e-4:
        print("  next: --learn shifts the next drawing back by that much")
    print(f"stored in {kept}")
    return 0


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
