"""`handfast plan`: the meeting of a pass with the most room."""

from __future__ import annotations

import json
from argparse import ArgumentParser, Namespace
from pathlib import Path

from handfast.units import counted


def options(parser: ArgumentParser) -> None:
    """What `handfast plan` takes."""
    parser.add_argument("routine", metavar="ROUTINE", help="a path, or a name inside the bench")
    parser.add_argument("--taught", action="store_true", help="go back to the taught meeting")


def plan(given: Namespace) -> int:
    """`handfast plan`."""
    from handfast.desk import pair, work

    start = Path(given.routine).resolve().parent if Path(given.routine).exists() else Path.cwd()
    desk = work.open_bench(start, given.bench)
    ((path, routine),) = work.routines(desk, [given.routine])
    if given.taught:
        count = pair.taught_passes(desk, path, routine)
        if given.json:
            print(json.dumps({"routine": routine.name, "taught_again": count}, indent=2))
        else:
            print(f"{path}: {counted(count, 'pass is as it was', 'passes are as they were')} taught")
        return 0
    done = pair.plan_passes(desk, path, routine)
    if given.json:
        rows = [
            {"step": d.step, "before": d.before.plain(), "after": d.after.plain(), "corrected": d.corrected,
             "stands": d.stands}
            for d in done
        ]  # fmt: skip
        print(json.dumps({"routine": routine.name, "passes": rows}, indent=2, ensure_ascii=False))
    else:
        for d in done:
            print(f"{path}: step {d.step} meets where both hands have most room; taught poses are kept beside it")
            print(
                f"  meet: {d.before.verdict} ({d.before.margin_text}) before, "
                f"{d.after.verdict} ({d.after.margin_text}) {'once it is corrected' if d.corrected else 'now'}"
            )
            print(f"  {d.after.finding.why}")
            if d.stands:
                print(f"  {d.stands}")
        first = "handfast correct; " if any(d.corrected for d in done) else ""
        print(f"next: {first}handfast check; handfast plan --taught goes back")
    return 0
