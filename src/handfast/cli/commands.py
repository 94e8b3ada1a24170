"""The commands: read options, call the desk, print."""

from __future__ import annotations

import json
import sys
import textwrap
from argparse import Namespace
from collections.abc import Callable, Sequence
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING

from handfast.cli.board import command as board
from handfast.cli.layout import layout
from handfast.cli.open import open_page
from handfast.cli.planning import plan
from handfast.cli.rehearse import rehearse
from handfast.cli.running import run
from handfast.cli.score import score
from handfast.cli.tables import answers_text, landings_text, width
from handfast.cli.teaching import teach
from handfast.cli.vetting import vet
from handfast.desk import work
from handfast.units import counted

if TYPE_CHECKING:
    from handfast.landing.predict import Landing


def _desk(given: Namespace, routine: str | None = None) -> work.Desk:
    start = Path.cwd()
    if routine and Path(routine).exists():
        start = Path(routine).resolve().parent
    return work.open_bench(start, given.bench)


def _print_json(value: object) -> None:
    print(json.dumps(value, indent=2, ensure_ascii=False))


def new(given: Namespace) -> int:
    """`handfast new`."""
    from handfast.bench.folder import read_bench
    from handfast.bench.new import new_bench
    from handfast.board.wiring import beyond_a_board

    folder = new_bench(given.dir, given.left, given.right, given.side_by_side)
    names = [path.stem for path in folder.routine_files()]
    print(f"{folder.root}: a bench with {counted(len(names), 'routine')}" + (f" ({', '.join(names)})" if names else ""))
    for line in textwrap.wrap(beyond_a_board(read_bench(folder)), width(), initial_indent="note: "):
        print(line)
    if names:
        print(f"next: handfast check --bench {folder.root}")
    else:
        print(f"next: put your arms' figures into {folder.file}, then teach a routine")
    return 0


def check(given: Namespace) -> int:
    """`handfast check`."""
    from handfast.bench.doubts import doubts
    from handfast.desk.aside import overridden

    desk = _desk(given, given.routine[0] if given.routine else None)
    doubtful = doubts(desk.bench)
    found = [work.check(desk, r, not given.no_changes) for _, r in work.routines(desk, given.routine)]
    for said in overridden(desk):
        print(f"note: {said}", file=sys.stderr)
    if given.json:
        landed = [_landings_plain(work.landings(desk, r)) for _, r in work.routines(desk, given.routine)]
        told = [{**answers.plain(), **landings} for answers, landings in zip(found, landed, strict=True)]
        _print_json({"bench": desk.bench.about.name, "doubtful_figures": list(doubtful), "routines": told})
    else:
        print("\n\n".join([*(answers_text(answers, desk.bench.about.name) for answers in found), *_doubted(doubtful)]))
    return 1 if any(answers.fails for answers in found) else 0


def _doubted(doubtful: Sequence[str]) -> list[str]:
    if not doubtful:
        return []
    lines = ["look at these figures again, the answers above rest on them:"]
    for said in doubtful:
        lines += textwrap.wrap(said, width(), initial_indent="  - ", subsequent_indent="    ")
    return ["\n".join(lines)]


def calibrate(given: Namespace) -> int:
    """`handfast calibrate`."""
    from handfast.cli.tables import fitted_text
    from handfast.desk import measuring
    from handfast.desk.plain import fitted_plain
    from handfast.errors import InputError

    desk = _desk(given, str(given.readings[0]) if given.readings else None)
    if given.undo:
        done = measuring.undo(desk)
        print(f"{desk.folder.measured}: took back the batch of {done.batch}")
        for path in done.restored:
            print(f"  {path}: as it was before" if path.exists() else f"  {path}: taken away, as before")
        if done.again:
            many = counted(len(done.again), "routine")
            print(f"  {many} read off the old lines; they were edited since, or are newer")
        for said in done.left:
            print(f"  {said}")
        return 0
    if given.simulated is not None:
        path = measuring.take_simulated(desk, given.simulated, lambda text: print(text, file=sys.stderr))
        print(f"{path}: readings taken at a stand-in")
        given.readings = given.readings or [path]
    told_board = any(told is not None for told in (given.port, given.board, given.stand_in, given.hand))
    if (given.joint and not given.sweep) or (told_board and not given.sweep and not given.read):
        raise InputError(
            "a board, and nothing to do at it",
            where="calibrate --port, --board, --stand-in, --hand, --joint",
            expected="--sweep or --read with it",
            next_step="handfast calibrate --sweep --port PORT sweeps the joints of powered arms; --read takes what you "
            "read at limp ones",
        )
    if given.read:
        read = _read(given, desk)
        print(f"{read}: taken" if read else "no reading was taken", file=sys.stderr if given.json else sys.stdout)
        if read is None and not given.sweep:
            return 0
    if given.sweep:
        path = _sweep(given, desk)
        print(f"{path}: joints swept", file=sys.stderr if given.json else sys.stdout)
    if given.plan and not given.readings and not list((desk.folder.root / "readings").glob("*.toml")):
        from handfast.records.readings import Readings

        files, readings = [], Readings()
    else:
        files = measuring.reading_files(desk, given.readings)
        readings = measuring.read_all(desk, files)
    fitted = measuring.fit(desk, readings, advise=given.where is None, files=files)
    if given.where is not None:
        from handfast.bench.folder import read_bench
        from handfast.desk.where import whereabouts, whereabouts_plain, whereabouts_text

        # Readings, and these counts, are of the design's own lines.
        found = whereabouts(fitted.calibration, read_bench(desk.folder, measured=False), given.where)
        if given.json:
            _print_json(whereabouts_plain(found))
        else:
            print(whereabouts_text(found))
        return 0
    if given.json:
        _print_json(fitted_plain(fitted))
    else:
        print(fitted_text(fitted, measuring.GOAL))
    if given.apply and not given.plan:
        batch, again = measuring.apply(desk, fitted, counted(len(readings), "reading"))
        print(
            f"\n{desk.folder.measured}: {counted(len(fitted.values), 'value')}, batch {batch}; "
            f"{counted(len(again), 'routine')} read anew"
        )
        print("next: handfast check, then handfast correct ROUTINE")
    elif not given.json and len(readings):
        print("\nnothing was written; next: --apply writes these figures")
    return 0


def _read(given: Namespace, desk: work.Desk) -> Path | None:
    """Take readings at limp arms, as the maker says them."""
    from handfast.bench.cautions import before_motion
    from handfast.cli.board import RELAY, where
    from handfast.desk.board import Simulated, opened
    from handfast.desk.measuring import read_at_board
    from handfast.sessions.operator import Lines
    from handfast.sessions.read_live import HELP

    def say(text: str) -> None:
        print(text, file=sys.stderr, flush=True)

    port = where(given)
    with opened(desk, port, Simulated(given.stand_in, given.seed, given.hand)) as found, Lines() as lines:
        say(before_motion(desk.bench))
        say(RELAY + " Limp arms sink when they are let go.")
        say(HELP)
        path = read_at_board(desk, found, lines.typed, lines.ends, say)
    say("the servo power is off; arms may sink")
    return path


def _sweep(given: Namespace, desk: work.Desk) -> Path:
    """Sweep the joints of powered arms, as long as the operator lets them move."""
    from handfast.bench.cautions import SPEED_WITH_PEOPLE, before_motion
    from handfast.cli.board import RELAY, where
    from handfast.desk.board import Simulated, opened
    from handfast.desk.measuring import joints_named, sweep_at_board
    from handfast.sessions.operator import Always, Keys

    def say(text: str) -> None:
        print(text, file=sys.stderr, flush=True)

    port, joints = where(given), joints_named(desk, given.joint)
    minutes = 2 + round(0.8 * len(joints))
    many = "one joint goes as far as it can" if len(joints) == 1 else f"{len(joints)} joints go as far as they can"
    with (
        opened(desk, port, Simulated(given.stand_in, given.seed)) as found,
        Keys(False, lambda: found.board.known().pedal) as keys,
    ):
        say(before_motion(desk.bench, SPEED_WITH_PEOPLE))
        say(f"the arms go up and stir; then {many}, with room to spare: some {minutes} minutes in all")
        say(RELAY)
        if port is not None:
            say("press the space bar or the pedal once to start; Esc or q stops, and so does the board's stop input")
        path = sweep_at_board(desk, found, keys if port is not None else Always(), say, given.joint)
    if port is not None:
        say("done: the servo power is off; arms may sink")
    return path


def correct(given: Namespace) -> int:
    """`handfast correct`."""
    desk = _desk(given, given.routine)
    ((path, routine),) = work.routines(desk, [given.routine])
    if given.nudge:
        return _nudge(given, desk, path)
    correction = work.correct(desk, path, routine)
    rows = work.landings(desk, correction.routine)
    if given.json:
        _print_json(_landings_plain(rows))
        return 0
    print(f"{path}: commands rewritten, taught poses unchanged")
    print(landings_text(routine, rows))
    return 0


def _nudge(given: Namespace, desk: work.Desk, path: Path) -> int:
    from handfast.desk import measuring

    done = measuring.nudge(desk, path, given.nudge)
    if given.json:
        _print_json(
            {
                "batch": done.batch,
                "run": done.run,
                "unexplained_mm": [
                    {"step": step + 1, "arm": side, "mm": round(size * 1e3, 4)}
                    for (step, side), size in done.beside.items()
                ],
                "expected_before_mm": [round(v * 1e3, 4) for v in done.before],
                "expected_after_mm": [round(v * 1e3, 4) for v in done.after],
            }
        )
        return 0
    print(f"{path}: learned from {counted(len(given.nudge), 'nudge')} after {done.run}; corrected anew")
    was, now = (f"{1e3 * median(x):.1f} mm (worst {1e3 * max(x):.1f})" for x in (done.before, done.after))
    print(f"  expected miss of its poses, played corrected: {was} before, {now} now")
    for line in done.beside_words():
        print(f"  {line}")
    print(f"  readings in {done.readings_file}; figures in measured.toml, batch {done.batch}")
    print("  next: handfast run " + path.stem + "; handfast calibrate --undo takes all of it back")
    return 0


def _landings_plain(rows: list[work.LandingRow]) -> dict[str, object]:
    def plain(landing: Landing) -> dict[str, object]:
        return {
            "expected_mm": round(landing.expected * 1e3, 3),
            "miss_mm": [round(x * 1e3, 3) for x in landing.miss],
            "not_known_mm": round(landing.sigma * 1e3, 3),
            "undecided_mm": [round(x * 1e3, 3) for x in landing.undecided.along],
            "largest_undecided_mm": round(landing.undecided.largest * 1e3, 3),
            "within_95_percent_mm": round(landing.within * 1e3, 3),
            "worst_mm": round(landing.worst * 1e3, 3),
            "dead_motion_mm": [round(x * 1e3, 3) for x in landing.dead.both.along],
            "dead_motion_unseen_mm": [round(x * 1e3, 3) for x in landing.dead.unseen.along],
            "dead_motion_band_mm": [round(x * 1e3, 3) for x in landing.dead.band.along],
            "largest_dead_motion_mm": round(landing.dead.both.largest * 1e3, 3),
        }

    return {
        "landings": [
            {
                "step": row.raw.step + 1,
                "arm": row.raw.side,
                "row": row.raw.row,
                "raw": plain(row.raw),
                "trimmed": plain(row.trimmed),
                "corrected": plain(row.corrected),
            }
            for row in rows
        ]
    }


def report(given: Namespace) -> int:
    """`handfast report`."""
    desk = _desk(given, given.routine[0] if given.routine else None)
    # A bench without a routine has a page too: what its arms can do is worth showing before anything is taught.
    asked = work.routines(desk, given.routine) if given.routine or desk.folder.routine_files() else []
    page = work.report(desk, [routine for _, routine in asked], given.picture)
    if given.json:
        _print_json({"page": str(page), "routines": [routine.name for _, routine in asked]})
    else:
        print(page)
    return 0


COMMANDS: dict[str, Callable[[Namespace], int]] = {
    "new": new,
    "check": check,
    "teach": teach,
    "calibrate": calibrate,
    "correct": correct,
    "run": run,
    "vet": vet,
    "rehearse": rehearse,
    "layout": layout,
    "plan": plan,
    "board": board,
    "score": score,
    "report": report,
    "open": open_page,
}
