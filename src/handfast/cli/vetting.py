"""`handfast vet`: read options, call the desk, print."""

from __future__ import annotations

import json
import sys
import textwrap
import time
from argparse import ArgumentParser, Namespace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from handfast.cli.tables import width
from handfast.units import counted

if TYPE_CHECKING:
    from handfast.bench.parts import Servo
    from handfast.desk.vetting import Fitted, Vetted
    from handfast.desk.work import Desk
    from handfast.fitting.assign import Assignment
    from handfast.records.sweep import Sweep

CAUTION = (
    "Caution: clamp the servo; keep fingers, hair and cables clear of horn and drum; wear eye protection when "
    "weights hang; a servo under test gets hot enough to burn; cut the power before you reach in."
)

RELAY = "the relay goes on: the servo gets power but no pulses, and may twitch. Nothing else may be plugged in."

_COLUMNS = (
    ("torque_pct", "torque %"),
    ("time_60deg_ms", "60° ms"),
    ("play_deg", "play °"),
    ("reversal_deg", "revers. °"),
    ("dead_band_us", "dead µs"),
    ("noise_counts", "noise"),
    ("linearity_pct", "bend %"),
)


def options(vet: ArgumentParser) -> None:
    """The options of `handfast vet`."""
    vet.add_argument("files", nargs="*", type=Path, metavar="FILE", help="sweeps of servos, CSV (docs/vetting.md)")
    vet.add_argument(
        "--class",
        dest="servo_class",
        default="",
        metavar="NAME",
        help="class of files that do not say, or of the servo at --channel",
    )
    vet.add_argument("--simulated", type=int, metavar="N", help="invent a batch of N servos and vet it")
    vet.add_argument("--seed", type=int, default=1, help="which invented batch")
    vet.add_argument("--sweeps", type=Path, metavar="DIR", help="with --simulated: keep the invented sweeps there")
    vet.add_argument("--plan", metavar="CLASS", help="print the standard sweep of a class as CSV, and do nothing else")
    vet.add_argument(
        "--warm", type=float, default=0.0, metavar="MIN", help="with --plan or --channel: minutes of warming up"
    )
    vet.add_argument(
        "--channel", type=int, metavar="N", help="play the standard sweep on this channel of a board, and judge it"
    )
    vet.add_argument("--mark", default="", help="with --channel: the servo's serial mark, such as A07")
    vet.add_argument("--port", metavar="PORT", help="with --channel: the port of the board")
    vet.add_argument("--board", choices=["python"], help="with --channel: instead of a port, a Python board in memory")
    vet.add_argument("--stand-in", metavar="COMMAND", help="with --board: any stand-in; see docs/stand-ins.md")
    vet.add_argument("--limits", action="store_true", help="print what each class must keep, and do nothing else")
    vet.add_argument("--assign", action="store_true", help="say which vetted servo goes into which joint")
    vet.add_argument("--watched", action="store_true", help="with --assign: use servos on watch too")
    vet.add_argument("--fit", action="store_true", help="with --assign: write the serial marks into bench.toml")


def vet(given: Namespace) -> int:
    """`handfast vet`."""
    from handfast.desk import vetting, work
    from handfast.errors import InputError

    desk = work.open_bench(Path.cwd(), given.bench)
    if given.plan is not None:
        _print_plan(vetting.sweep_for(desk, given.plan, given.warm), given.json)
        return 0
    if given.limits:
        _print_limits(desk.bench.stock, given.json)
        return 0
    if given.files and given.simulated is not None:
        raise InputError("files and --simulated together", expected="one of them", next_step="take one out")
    done: Vetted | None = None
    if given.simulated is not None:
        name = given.servo_class or desk.bench.joints[0].servo_name
        progress = _progress if sys.stderr.isatty() else None
        done = vetting.vet_simulated(desk, given.simulated, given.seed, name, given.sweeps, progress)
    elif given.channel is not None:
        done = vetting.vet_files(desk, [_at_board(given, desk)], "")
    elif given.port or given.board or given.mark or given.stand_in:
        raise InputError(
            "which channel?", where="--channel", expected="--channel N: where the servo is plugged in",
            next_step="add --channel N, --mark MARK and --class NAME",
        )  # fmt: skip
    elif given.files:
        done = vetting.vet_files(desk, given.files, given.servo_class)
    elif not given.assign:
        raise InputError(
            "nothing to vet",
            expected="files of sweeps, --channel N at a board, --simulated N, --plan CLASS, --limits or --assign",
            next_step="play the sweep: handfast vet --channel N --mark MARK --class NAME --port PORT; docs/vetting.md "
            "tells the rest",
        )
    from handfast.desk.plain import vetted_plain

    plain: dict[str, Any] = {"bench": desk.bench.about.name}
    text: list[str] = []
    status = 0
    if done is not None:
        plain |= vetted_plain(done, desk.bench.stock)
        text.append(vetted_text(done))
        status = 1 if done.batch.count("reject") else 0
    if given.assign:
        invented = done.invented if done is not None else False
        chosen, by = vetting.assignment(desk, invented, given.watched)
        plain["assignment"] = assignment_plain(chosen, by)
        text.append(assignment_text(chosen, by))
        status = 1 if chosen.open else status
        if given.fit:
            if invented:
                raise InputError("invented servos cannot be fitted", where="--fit", next_step="vet real ones")
            fitted = vetting.fit_marks(desk, chosen)
            plain["fitted"] = {"new": list(fitted.new), "set_aside": fitted.aside.words}
            text.append(_fitted_text(desk, fitted))
    if given.json:
        print(json.dumps(plain, indent=2, ensure_ascii=False))
    else:
        print("\n\n".join(text))
    return status


def _at_board(given: Namespace, desk: Desk) -> Path:
    """Put the servo on a channel through its sweep, with somebody at the keyboard; returns the file."""
    from handfast.cli.board import where
    from handfast.desk.board import Simulated
    from handfast.desk.vetting import vet_at_board
    from handfast.sessions.operator import Lines

    def say(text: str) -> None:
        print(text, file=sys.stderr, flush=True)

    if given.files or given.simulated is not None:
        from handfast.errors import InputError

        raise InputError("files and a board together", expected="one of them", next_step="take one out")
    port = where(given)
    with Lines() as lines:
        typed: list[str] = []

        def stops() -> bool:
            typed.extend(lines.typed())
            return any(line.strip().lower() == "q" for line in typed) or (lines.ends() and not typed)

        def ask(words: str) -> str:
            say(f"  {words}")
            while not typed and not stops():
                time.sleep(0.02)
            return typed.pop(0) if typed else "q"

        return vet_at_board(
            desk, port, Simulated(given.stand_in), given.channel, given.servo_class, given.mark, given.warm, ask, stops,
            say, (CAUTION, RELAY, "Enter goes on where something was asked; q and Enter stops"),
        )  # fmt: skip


def _fitted_text(desk: Desk, fitted: Fitted) -> str:
    """What writing serial marks has done to a bench."""
    lines = [f"serial marks written into {desk.folder.file}; their tables count where no line was measured in place"]
    aside = fitted.aside
    if aside.batch:
        said = f"set aside, for it was measured with the servos before: {aside.words}"
        lines += textwrap.wrap(said, width(), subsequent_indent="  ")
        lines += [
            "next: fit these servos, then handfast calibrate --sweep --port PORT, what handfast calibrate --plan says,",
            "  handfast calibrate --apply, and handfast correct ROUTINE; handfast calibrate --undo takes it back",
        ]
    return "\n".join(lines)


def _progress(share: float) -> None:
    end = "\n" if share >= 1.0 else ""
    print(f"\rvetting {100 * share:3.0f} %", end=end, file=sys.stderr, flush=True)


def vetted_text(done: Vetted) -> str:
    """A vetted batch as a table, and what is to be said about it."""
    from handfast.bench.servos import VERDICTS

    lines = []
    if done.invented:
        lines += ["invented servos of a simulation; kept apart from real ones", ""]
    head = "".join(f"{title:>11}" for _, title in _COLUMNS)
    lines.append(f"  {'servo':12}{'class':16}{'verdict':9}{head}")
    for j in done.batch.servos:
        cells = ""
        for key, _ in _COLUMNS:
            figure = j.examined.figures.get(key)
            cells += f"{'-' if figure is None else f'{figure.shown[0]:.4g}':>11}"
        lines.append(f"  {j.examined.mark:12.12}{j.examined.servo:16.16}{j.verdict:9}{cells}")
        if j.verdict_text != j.verdict:
            lines += textwrap.wrap(j.verdict_text, width(), initial_indent=" " * 6, subsequent_indent=" " * 8)
        for said in [reason.words for reason in j.reasons]:
            lines += textwrap.wrap(said, width(), initial_indent=" " * 6 + "- ", subsequent_indent=" " * 8)
        for said in j.remarks:
            lines += textwrap.wrap(f"(note: {said})", width(), initial_indent=" " * 8, subsequent_indent=" " * 8)
    counts = []
    for verdict in VERDICTS:
        partly = sum(j.verdict == verdict != j.verdict_text for j in done.batch.servos)
        counts.append(f"{done.batch.count(verdict)} {verdict}" + (f" ({partly} partly tested)" if partly else ""))
    lines += ["", f"{counted(len(done.batch.servos), 'servo')}: {', '.join(counts)}"]
    skipped = sorted({word for j in done.batch.servos for word in j.not_tested})
    if skipped:
        lines.append(f"not tested in all of them: {', '.join(skipped)}")
    for said in (*done.batch.remarks, *done.remarks):
        lines += textwrap.wrap(said, width(), initial_indent="note: ", subsequent_indent="      ")
    many = "the one servo" if done.labelled == 1 else f"all {done.labelled} servos"
    lines.append(f"kept in {done.written[0].parent}; labels of {many} on file, to print: {done.labels}")
    return "\n".join(lines)


def assignment_plain(chosen: Assignment, by: str) -> dict[str, Any]:
    """An assignment as plain values."""
    return {
        "judged_by": by,
        "placed": [
            {
                "seat": p.seat.name,
                "class": p.seat.servo,
                "serial_mark": p.mark,
                "miss_mm": round(p.miss * 1e3, 3),
                "torque_margin": None if p.margin == float("inf") else round(p.margin, 2),
                "lever_mm_per_rad": round(p.seat.lever * 1e3, 1),
                "torque_Nm": round(p.seat.torque, 4),
            }
            for p in chosen.placed
        ],
        "open": [{"seat": seat.name, "class": seat.servo} for seat in chosen.open],
        "spares": {name: list(marks) for name, marks in chosen.spares.items()},
        "lacking": chosen.lacking,
        "expected_mm": round(chosen.expected * 1e3, 3),
        "by_chance_mm": round(chosen.by_chance * 1e3, 3),
    }


def assignment_text(chosen: Assignment, by: str) -> str:
    """An assignment as a table."""
    lines = [f"which servo goes where (judged by: {by})", ""]
    lines.append(f"  {'joint':20}{'class':18}{'servo':14}{'miss mm':>9}{'torque':>9}")
    for p in chosen.placed:
        margin = "-" if p.margin == float("inf") else f"{p.margin:.1f}x"
        lines.append(f"  {p.seat.name:20}{p.seat.servo:18}{p.mark:14}{p.miss * 1e3:9.2f}{margin:>9}")
    for seat in chosen.open:
        lines.append(f"  {seat.name:20}{seat.servo:18}{'none':14}")
    lines += [
        "",
        "miss: what a servo's play, reversal and scatter cost at the TCP. All together "
        f"{chosen.expected * 1e3:.2f} mm; placed by chance {chosen.by_chance * 1e3:.2f} mm.",
        "torque: what it gives over the most that its joint asks for at rest; 2x is enough.",
    ]
    for name, marks in sorted(chosen.spares.items()):
        if marks:
            lines.append(f"spares of {name}: {', '.join(marks)}")
    for name, count in sorted(chosen.lacking.items()):
        lines.append(f"buy {count} more {name} (one spare of each class in use is reckoned in)")
    return "\n".join(lines)


def _print_plan(sweep: Sweep, as_json: bool) -> None:
    from handfast.units import KGF_CM

    if as_json:
        parts = [
            {
                "name": part.name,
                "ask": part.ask,
                "expects": part.expects,
                "duration_s": round(part.duration, 3),
                "rows": [
                    {
                        "time_ms": round(float(t) * 1e3, 3),
                        "pulse_us": round(float(pulse) * 1e6, 3),
                        "load_kgcm": round(float(load) / KGF_CM, 5),
                        "push": int(push),
                        "read_protractor": bool(read),
                    }
                    for t, pulse, load, push, read in zip(
                        part.t, part.pulse, part.load, part.push, part.protractor, strict=True
                    )
                ],
            }
            for part in sweep.parts
        ]
        print(json.dumps({"class": sweep.servo, "caution": CAUTION, "parts": parts}, indent=2, ensure_ascii=False))
        return
    print(f"# standard sweep of {sweep.servo}: {sweep.duration:.0f} s. Each row holds until the next one.")
    print(f"# {CAUTION}")
    begin = 0.0
    for part in sweep.parts:
        print(f"# {begin:8.2f} s  {part.name}: {part.ask + ' ' if part.ask else ''}Sound if {part.expects}.")
        begin += part.duration
    print("time_ms,pulse_us,load_kgcm,push,read_protractor,part")
    begin = 0.0
    for part in sweep.parts:
        for t, pulse, load, push, read in zip(part.t, part.pulse, part.load, part.push, part.protractor, strict=True):
            print(f"{(begin + t) * 1e3:.3f},{pulse * 1e6:.3f},{load / KGF_CM:.5g},{push:d},{int(read)},{part.name}")
        begin += part.duration
    print(f"{begin * 1e3:.3f},{sweep.parts[-1].pulse[-1] * 1e6:.3f},0,0,0,end")


def _print_limits(stock: tuple[Servo, ...], as_json: bool) -> None:
    from handfast.fitting.examine import WORDS
    from handfast.fitting.verdict import limits_of, shown
    from handfast.units import unit_of

    if as_json:
        plain = {
            servo.name: {key: round(unit_of(key).from_si(limit.value), 5) for key, limit in limits_of(servo).items()}
            for servo in stock
        }
        print(json.dumps({"limits": plain, "at_least": ["torque_pct"]}, indent=2, ensure_ascii=False))
        return
    for servo in stock:
        print(servo.name)
        for key, limit in limits_of(servo).items():
            bound = "at least" if limit.least else "at most"
            print(f"  {WORDS[key]:40}{bound} {shown(None, key, limit.value)}")
