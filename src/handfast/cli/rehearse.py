"""`handfast rehearse`: a routine on the physics twin of the bench, once, or many times over."""

from __future__ import annotations

import json
import sys
from argparse import ArgumentParser, Namespace
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from handfast.units import counted

if TYPE_CHECKING:
    from handfast.desk.rehearsing import Drawn
    from handfast.rehearsal.beside import Place
    from handfast.rehearsal.outcome import Grip, Outcome


def options(sub: ArgumentParser) -> None:
    """The options of `rehearse`."""
    sub.add_argument("routine", metavar="ROUTINE", help="a path, or a name inside the bench")
    sub.add_argument(
        "--way",
        choices=["raw", "trimmed", "corrected"],
        default="corrected",
        help="how it is played: targets as they are, trimmed from the feedback after arrival, or corrected and trimmed",
    )
    sub.add_argument(
        "--draws", type=int, metavar="N", help="rehearse N times on arms drawn at random around the bench's figures"
    )
    sub.add_argument("--seed", type=int, metavar="N", help="arms drawn by this seed; with --draws: the first seed")
    sub.add_argument(
        "--export", type=Path, metavar="DIR", help="write the twin as MJCF, arms as URDF and the motion as CSV, and end"
    )
    sub.add_argument("--jobs", type=int, metavar="N", help="draws at the same time (else one per processor)")


def rehearse(given: Namespace) -> int:
    """`handfast rehearse`."""
    from handfast.desk import rehearsing, work
    from handfast.desk.plain import rehearsed_plain
    from handfast.rehearsal.advice import next_step
    from handfast.rehearsal.beside import holding_text
    from handfast.rehearsal.whole import whole_text

    start = Path.cwd()
    if Path(given.routine).exists():
        start = Path(given.routine).resolve().parent
    desk = work.open_bench(start, given.bench)
    ((_, routine),) = work.routines(desk, [given.routine])
    if given.export is not None:
        files = [str(path) for path in rehearsing.export(desk.bench, routine, given.export)]
        if given.json:
            _print({"files": files})
        else:
            print("\n".join(files))
        return 0
    progress = _progress(routine.name)
    if given.draws is not None:
        drawn = rehearsing.draws(desk.bench, routine, given.way, given.draws, given.seed or 0, given.jobs, progress)
        if given.json:
            _print(drawn.plain())
        else:
            print(drawn_text(drawn))
        return 0 if drawn.worked == len(drawn.results) else 1
    titles = [routine.title(n) for n in range(len(routine.steps))]
    done = rehearsing.rehearse(desk.bench, routine, given.way, given.seed, progress)
    if given.json:
        _print(rehearsed_plain(done, given.seed))
    else:
        print(outcome_text(done.outcome, done.scene.notes, titles, done.planned))
        lines = [*places_text(done.places, titles), *holding_text(done.holdings, titles), *whole_text(done.figures)]
        step = next_step(done.outcome, done.scene)
        print("\n".join([*lines, *([f"next: {step}"] if step else [])]))
    return 0 if done.outcome.works else 1


def _print(value: Any) -> None:
    print(json.dumps(value, indent=2, ensure_ascii=False))


def outcome_text(outcome: Outcome, notes: tuple[str, ...], titles: list[str], planned: float) -> str:
    """One rehearsal in words. planned: how long the routine's motion is, s."""
    from handfast.records.run import why_longer

    lines = [
        f"{outcome.routine}, {outcome.way}, rehearsed on the twin: {'works' if outcome.works else 'FAILS'} "
        f"({outcome.duration:.0f} s of bench time)",
        f"  {planned:.1f} s of that are the routine's own motion: {why_longer(outcome.way)}",
    ]
    lines += [f"  note: {note}" for note in notes]
    lines += [f"  {event.when:6.1f} s  {event.kind}: {event.words}" for event in outcome.events]
    for g in outcome.grips:
        lines.append(
            f"  {g.side} hand holds {g.thing} from {g.start:.1f} {_until(g)}: {g.press:.2f} N per pad, "
            f"{100 * g.used:.0f} % of the friction used, moved {g.slip * 1e3:.1f} mm and {57.2958 * g.tilt:.1f}° in it"
            if g.gripped
            else f"  {g.side} hand does not get hold of {g.thing}"
        )
    if outcome.together is not None:
        lines.append(
            f"  while both hold it, the distance of the hands changes by up to {outcome.together * 1e3:.1f} mm"
        )
    for s in outcome.stands:
        lines.append(f"  {s.thing} ends {s.beside * 1e3:.1f} mm beside its place, leaning {57.2958 * s.lean:.1f}°")
    for line in outcome.lines:
        lines.append(
            f"  {line.thing} draws {100 * line.share:.0f} % of its line, {line.error * 1e3:.2f} mm off (root mean "
            f"square), worst {line.worst * 1e3:.2f} mm"
        )
    rests = [x for x in outcome.landed if not x.row]
    if rests:
        lines.append("  poses, from where they were taught to where they came to rest:")
        for x in rests:
            miss = ", ".join(f"{v * 1e3:+.1f}" for v in x.miss)
            lines.append(f"    {x.side:5} step {titles[x.step]:24} {x.distance * 1e3:5.1f} mm  ({miss})")
    return "\n".join(lines)


def _until(grip: Grip) -> str:
    if grip.lost is None:
        return f"to {grip.end:.1f} s"
    return f"s and loses it by {grip.lost:.1f} s (meant to hold it to {grip.end:.1f} s)"


def places_text(places: Sequence[Place], titles: list[str]) -> list[str]:
    """Lines of a table: where the fast answer says that each pose lands, and where it did on the twin."""
    if not places:
        return []
    lines = ["  the same landings twice, mm: fast answer, twin, how far apart (and how far they may be)"]
    for p in places:
        both = "  ".join(f"({', '.join(f'{v * 1e3:+.1f}' for v in x)})" for x in (p.fast, p.twin))
        note = f"  {p.why}" if p.why else ""
        lines.append(
            f"    {p.side:5} step {titles[p.step]:24} {both}  {p.apart * 1e3:4.1f} ({p.allowed * 1e3:.1f}"
            f"{'' if p.decided else ', not decided'}){note}"
        )
    return lines


def drawn_text(drawn: Drawn) -> str:
    """Many rehearsals in words."""
    low, high = drawn.interval
    n = len(drawn.results)
    lines = [
        f"{drawn.routine}, {drawn.way}, rehearsed on {counted(n, 'pair')} of arms drawn around the bench's figures "
        f"(seeds {drawn.seed} to {drawn.seed + n - 1})",
        f"  it works in {drawn.worked} of {n}: chance {100 * drawn.chance:.0f} %, between {100 * low:.0f} and "
        f"{100 * high:.0f} % (Wilson, 95 %)",
    ]
    for kind, part, count in drawn.spoilers[:6]:
        lines.append(f"  spoiled {counted(count, 'time')}: {part}, {kind}")
    lines.append(
        f"  poses land {drawn.middle_miss * 1e3:.1f} mm (middle) and {drawn.bad_miss * 1e3:.1f} mm (nine in ten) from "
        "where they were taught"
    )
    if drawn.joint is not None:
        lines.append(f"  what moves them most: {drawn.joint}")
    return "\n".join(lines)


def _progress(name: str) -> Callable[[float], None] | None:
    """A line on stderr that fills while the work goes on, where a person can see it."""
    if not sys.stderr.isatty():
        return None

    def show(share: float) -> None:
        width = 40
        bar = "#" * round(width * share) + "." * (width - round(width * share))
        print(f"\r{name} [{bar}] {100 * share:3.0f} %", end="\n" if share >= 1.0 else "", file=sys.stderr, flush=True)

    return show
