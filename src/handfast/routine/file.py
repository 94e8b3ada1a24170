"""Routine files: read with every part checked against the bench, written whole, comments kept."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from handfast.bench.folder import BenchFolder
from handfast.bench.parts import SIDES, Bench
from handfast.errors import InputError
from handfast.files.atomic import write_text
from handfast.files.document import Document, Key, parse_document, read_document
from handfast.files.fields import read_table, table_of
from handfast.routine.drawings import find_drawing, read_drawing
from handfast.routine.steps import HOLDS, Routine, Step, Taught, signs
from handfast.units import DEGREE, counted


def find_routines(folder: BenchFolder, given: list[str]) -> list[Path]:
    """Paths of the routines asked for: a path, or a name inside the bench; none means all."""
    if not given:
        found = folder.routine_files()
        if not found:
            raise InputError(
                "this bench has no routine",
                where=str(folder.routines),
                expected="at least one .toml file",
                next_step="teach one: handfast teach --recording FILE",
            )
        return found
    paths = []
    for name in given:
        inside = folder.routines / f"{name}.toml"
        if inside.is_file():
            paths.append(inside)
        elif Path(name).suffix == ".toml" or Path(name).is_file():
            paths.append(Path(name))
        else:
            raise InputError(
                f'no routine "{name}"',
                where=str(folder.routines),
                expected="a path, or the name of a routine of this bench",
                available=[path.stem for path in folder.routine_files()],
                asked=name,
                next_step="choose one of these, or give a path",
            )
    return paths


def read_routine(path: Path, bench: Bench) -> Routine:
    """The routine in a file, checked against the bench it is for."""
    return routine_of(read_document(path), bench)


_READ: OrderedDict[tuple[int, int], tuple[Document, Bench, Routine]] = OrderedDict()
"""Routines read last, by what they were read from, which is kept so that it stays the same object."""
MOST_READ = 16


def routine_of(document: Document, bench: Bench) -> Routine:
    """The routine of a document that is already parsed; the same one for the same document and bench."""
    key = (id(document), id(bench))
    known = _READ.get(key)
    if known is not None:
        return known[2]
    routine = _routine_of(document, bench)
    if all(step.drawing is None for step in routine.steps):  # a drawing is read from a file of its own
        _READ[key] = (document, bench, routine)
        while len(_READ) > MOST_READ:
            _READ.popitem(last=False)
    return routine


def _routine_of(document: Document, bench: Bench) -> Routine:
    routine = read_table(Routine, document.values, document, ())
    routine = replace(routine, steps=tuple(_with_lines(s, n, document) for n, s in enumerate(routine.steps)))
    if not routine.steps:
        raise InputError(
            "no step",
            where=str(document.path),
            expected="at least one [[step]]",
            next_step="add one, or teach the routine",
        )
    names: set[str] = set()
    for number, step in enumerate(routine.steps):
        _check_step(step, number, names, bench, document)
        names.add(step.name)
    return routine


def with_lines(routine: Routine, path: Path) -> Routine:
    """A routine that stands in no file yet, with the lines of its drawings, as they would be read for `path`."""
    steps = [
        step
        if step.drawing is None
        else replace(step, lines=read_drawing(find_drawing(step.drawing, path), step.width))
        for step in routine.steps
    ]
    return replace(routine, steps=tuple(steps))


def _with_lines(step: Step, number: int, document: Document) -> Step:
    """A step with the lines of its drawing."""
    key: Key = ("step", number)
    if step.do != "draw":
        if step.drawing is not None:
            raise InputError(
                f"a drawing in a step {step.do}", where=document.place((*key, "drawing")), expected='do = "draw"',
                next_step="mend this step",
            )  # fmt: skip
        return step
    if step.drawing is None:
        raise InputError(
            "drawing is missing", where=document.place(key), expected='drawing = "NAME.svg", a file in drawings/',
            next_step="mend this step",
        )  # fmt: skip
    if len([side for side in SIDES if step.taught(side) is not None]) != 1:
        raise InputError(
            "a draw needs the pose of the one arm that draws",
            where=document.place(key),
            expected="[step.left] or [step.right]: the pen's tip on the paper, at the drawing's lower left corner",
            next_step="mend this step, or teach it again",
        )
    path = find_drawing(step.drawing, document.path)
    return replace(step, lines=read_drawing(path, step.width))


def _check_step(step: Step, number: int, names: set[str], bench: Bench, document: Document) -> None:
    key: Key = ("step", number)

    def refuse(part: Key, what: str, expected: str, **more: Any) -> InputError:
        more = {"next_step": "mend this step, or teach it again", **more}
        return InputError(what, where=document.place((*key, *part)), expected=expected, **more)

    for side in ("left", "right"):
        taught = step.taught(side)
        if taught is not None:
            _check_taught(taught, side, bench, document, (*key, side), step.do)
    poses = [side for side in ("left", "right") if step.taught(side) is not None]
    if step.do in ("go", "stroke") and not poses:
        raise refuse(("do",), f"{step.do} without a pose", "a table [step.left] or [step.right], or both")
    if step.do == "pass" and len(poses) < 2:
        raise refuse(("do",), "pass needs both arms", "tables [step.left] and [step.right]")
    if step.do == "carry":
        _check_carry(step, len(poses), refuse)
    if step.do == "pass" and step.giver is None:
        raise refuse((), "giver is missing", 'giver = "left" or giver = "right"')
    if step.do in ("grip", "release") and step.arm is None:
        raise refuse((), "arm is missing", 'arm = "left", "right" or "both"')
    if step.do in ("grip", "pass") and step.thing is None:
        raise refuse(
            (), "thing is missing", "the name of a thing of the bench", available=[t.name for t in bench.things]
        )
    if step.thing is not None and step.thing not in [t.name for t in bench.things]:
        raise refuse(
            ("thing",),
            f'the bench has no thing "{step.thing}"',
            "the name of a thing of the bench",
            available=[t.name for t in bench.things],
            asked=step.thing,
        )
    if step.do == "wait" and step.time is None:
        raise refuse((), "time_s is missing", "how long to wait, time_s = SECONDS")
    if step.after is not None and step.after not in names:
        raise refuse(
            ("after",), f'no earlier step "{step.after}"', "the name of an earlier step",
            available=[n for n in names if n], asked=step.after,
        )  # fmt: skip


def _check_carry(step: Step, poses: int, refuse: Callable[..., InputError]) -> None:
    """A carry is told by both taught poses, by the path of the thing, or by the arm that leads."""
    if step.keep == "mirror":
        if step.moves_thing or poses == 0 or step.taught(step.leader) is None:
            raise refuse(
                ("keep",),
                "a carry that mirrors needs the pose of the arm that leads",
                'a table [step.left] or [step.right], and arm = "left" or "right" if both are there',
            )
    elif poses and step.moves_thing:
        raise refuse(
            ("do",),
            "carry has taught poses and a path of the thing",
            "either tables [step.left] and [step.right], or raise_mm, shift_mm, tilt_deg, swing_deg",
        )
    elif poses != 2 and not step.moves_thing:
        raise refuse(
            ("do",),
            "carry needs both arms, or a path of the thing",
            "tables [step.left] and [step.right]; or raise_mm, shift_mm, tilt_deg, swing_deg",
        )
    if step.keep == "taught" and poses != 2:
        raise refuse(("keep",), 'keep = "taught" without taught poses', "tables [step.left] and [step.right]")


def _check_taught(taught: Taught, side: str, bench: Bench, document: Document, key: Key, do: str) -> None:
    count = len(bench.arm(side).joints)

    def refuse(part: str, what: str, expected: str) -> InputError:
        return InputError(
            what,
            where=document.place((*key, part)),
            expected=expected,
            next_step="teach it again, or mend the line",
        )

    if do == "stroke":
        if taught.path is None or taught.times is None:
            raise refuse("path_deg", "the path is missing", "path_deg and path_s")
        if len(taught.path) != len(taught.times) or len(taught.path) < 4:
            raise refuse(
                "path_s",
                f"{counted(len(taught.times), 'time')} for {counted(len(taught.path), 'row')}",
                "a time for each of at least 4 rows",
            )
        if np.any(np.diff(taught.times) <= 0):
            raise refuse("path_s", "the times do not rise", "rising times")
        wide = [("path_deg", len(row)) for row in taught.path]
        if taught.path_command is not None:
            if len(taught.path_command) != len(taught.path):
                raise refuse("path_command_deg", "not as long as the path", f"{len(taught.path)} rows")
            wide += [("path_command_deg", len(row)) for row in taught.path_command]
    else:
        if taught.pose is None:
            raise refuse("pose_deg", "pose_deg is missing", f"{count} angles")
        wide = [("pose_deg", len(taught.pose))]
        wide += [("command_deg", len(taught.command))] if taught.command is not None else []
    wide += [("taught_deg", len(taught.kept))] if taught.kept is not None else []
    wide += [("spread_deg", len(taught.spread))] if taught.spread is not None else []
    for part, width in wide:
        if width != count:
            raise refuse(part, f"{width} angles are given", f"{count}, one for each joint of the {side} arm")
    if taught.kept is not None and taught.kept_held not in HOLDS:
        raise refuse("taught_held", f'"{taught.kept_held}" is no way to hold a pose', ", ".join(HOLDS))
    if taught.arrived:
        told = signs(taught.arrived)
        if len(told) != count or set(told) - {"+", "-", "0", "+?", "-?"}:
            raise refuse("arrived", f'"{taught.arrived}" does not fit', f"{count} signs out of + - 0 +? -?")


def routine_text(routine: Routine, heading: str = "") -> str:
    """A routine as the text of a new file."""
    import tomlkit

    document = tomlkit.document()
    for line in heading.splitlines():
        document.add(tomlkit.comment(line))
    values = table_of(routine)
    head = tomlkit.table()
    head.update(values.get("routine", {}))
    document.add("routine", head)
    steps = tomlkit.aot()
    for raw in values.get("step", []):
        entry = tomlkit.table()
        for name, value in raw.items():
            if isinstance(value, dict):
                inner = tomlkit.table()
                for part, content in value.items():
                    inner.add(part, _long(content) if part.startswith("path") else content)
                entry.add(name, inner)
            else:
                entry.add(name, value)
        steps.append(entry)
    document.add("step", steps)
    return tomlkit.dumps(document)


def _long(rows: list[Any]) -> Any:
    """A long list over several lines."""
    import tomlkit

    array = tomlkit.array()
    array.extend(rows)
    return array.multiline(True)


def write_routine(path: Path, routine: Routine, bench: Bench, heading: str = "") -> None:
    """Write a new routine; it is read back first, so that no unreadable file is ever left behind."""
    text = routine_text(routine, heading)
    routine_of(parse_document(text, path), bench)
    write_text(path, text)


def rewrite_commands(path: Path, routine: Routine, bench: Bench) -> None:
    """Put the commands of `routine` into its file; taught poses, order and comments stay as they are."""
    import tomlkit

    document: Any = tomlkit.parse(path.read_text(encoding="utf-8"))
    for raw, step in zip(document["step"], routine.steps, strict=True):
        for side in ("left", "right"):
            taught = step.taught(side)
            if taught is None:
                continue
            values = table_of(taught)
            for name in ("command_deg", "path_command_deg"):
                # What a drawing sends is worked out anew each time.
                if name in values and step.do != "draw":
                    raw[side][name] = _long(values[name]) if name.startswith("path") else values[name]
                elif name in raw[side]:
                    del raw[side][name]
    text = tomlkit.dumps(document)
    routine_of(parse_document(text, path), bench)
    write_text(path, text)


def rewrite_meeting(path: Path, routine: Routine, number: int, bench: Bench) -> None:
    """Put the poses of step `number` into its file, both arms'; all else, comments too, stays as it is."""
    import tomlkit

    document: Any = tomlkit.parse(path.read_text(encoding="utf-8"))
    for side in ("left", "right"):
        taught = routine.steps[number].taught(side)
        if taught is None:
            continue
        values, raw = table_of(taught), document["step"][number][side]
        for name in [key for key in raw if key not in values]:
            del raw[name]
        for name, value in values.items():
            raw[name] = value
    text = tomlkit.dumps(document)
    routine_of(parse_document(text, path), bench)
    write_text(path, text)


def reexpress(path: Path, old: Bench, new: Bench) -> bool:
    """Write a routine's taught angles anew after the bench's feedback lines have changed; False if none did.

    What was taught is what the feedback showed: the same counts, read off the new lines. Corrected commands
    belong to the old figures and are taken out. Comments and order stay.
    """
    import tomlkit

    from handfast.bench.lines import angle_of, counts_of

    document: Any = tomlkit.parse(path.read_text(encoding="utf-8"))
    changed = False
    for raw in document.get("step", []):
        for side in ("left", "right"):
            if side not in raw:
                continue
            joints = list(zip(old.arm(side).joints, new.arm(side).joints, strict=True))

            def again(row: Any, joints: list[Any] = joints) -> list[float]:
                return [
                    round(float(angle_of(after, counts_of(before, np.array(angle * DEGREE))) / DEGREE), 5)
                    for angle, (before, after) in zip(row, joints, strict=True)
                ]

            taught = raw[side]
            for key in ("pose_deg", "path_deg", "taught_deg"):
                # A planned pose is a place of the link, not a reading.
                if key not in taught or (key == "pose_deg" and taught.get("held") == "planned"):
                    continue
                was = taught[key].unwrap()
                now = [again(row) for row in was] if key == "path_deg" else again(was)
                if not np.allclose(was, now, atol=1e-4):
                    taught[key] = _long(now) if key == "path_deg" else now
                    changed = True
            for key in ("command_deg", "path_command_deg"):
                if key in taught:
                    del taught[key]
                    changed = True
    if changed:
        text = tomlkit.dumps(document)
        routine_of(parse_document(text, path), new)
        write_text(path, text)
    return changed


def write_nudges(path: Path, nudges: dict[tuple[int, str], tuple[float, ...]], bench: Bench) -> None:
    """Put what nudges showed beyond the bench's figures beside their poses: (step, arm) -> way (3,) m."""
    import tomlkit

    document: Any = tomlkit.parse(path.read_text(encoding="utf-8"))
    for (number, side), way in nudges.items():
        document["step"][number][side]["nudge_mm"] = [round(v * 1e3, 3) for v in way]
    text = tomlkit.dumps(document)
    routine_of(parse_document(text, path), bench)
    write_text(path, text)
