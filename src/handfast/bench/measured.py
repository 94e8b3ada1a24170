"""Measured values: what they override, how sure they are, when and how they were found.

`measured.toml` is a list. Later entries win over earlier ones for the same quantity, so taking the last
batch out undoes it.

    [[value]]
    of = "left shoulder"               # a joint or gripper, or "left base", "supply", "thing plug-pot"
    key = "unseen_play_deg"            # a key as in bench.toml
    value = 0.83
    uncertainty = 0.10                 # one standard deviation, in the key's unit; left out if unknown
    date = 2026-11-25
    source = "post contact, both sides, 6 readings"
    batch = "2026-11-25 calibrate 1"
    known = true                       # false where the readings hardly moved the first guess

An entry with `set_aside = true` and no value takes what was measured of this quantity so far out of force: a base was
moved, or another servo fitted. The design's figure holds again until the quantity is measured anew.
"""

from __future__ import annotations

import dataclasses
import datetime
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from handfast.bench.parts import SIDES, Arm, Bench
from handfast.errors import InputError
from handfast.files.document import Document, read_document
from handfast.files.fields import read_value, shown, specs_of


@dataclass(frozen=True)
class Measured:
    """One measured value as it stands in the file."""

    of: str
    key: str
    value: Any
    uncertainty: float | None
    date: str
    source: str
    batch: str
    known: bool
    index: int
    document: Document


def read_measured(path: Path) -> tuple[Measured, ...]:
    """All entries of a measured.toml that are in force, oldest first: those that were set aside later are left out."""
    document = read_document(path)
    for key in document.values:
        if key != "value":
            raise InputError(
                "unknown key",
                where=document.place((key,)),
                available=["value"],
                asked=key,
                next_step="write [[value]] tables, or take this one out",
            )
    entries: list[Measured] = []
    raw_entries = document.values.get("value", [])
    if not isinstance(raw_entries, list):
        raise InputError(
            "is not a list",
            where=document.place(("value",)),
            expected="[[value]] tables",
            next_step="write [[value]] above each measured value",
        )
    allowed = ("of", "key", "value", "uncertainty", "date", "source", "batch", "known", "set_aside")
    for index, raw in enumerate(raw_entries):
        where = ("value", index)
        if not isinstance(raw, dict):
            raise InputError(
                "is not a table",
                where=document.place(where),
                expected="[[value]] tables",
                next_step="write [[value]] above each measured value",
            )
        for name in raw:
            if name not in allowed:
                raise InputError(
                    "unknown key",
                    where=document.place((*where, name)),
                    available=allowed,
                    asked=name,
                    next_step="mend the name, or take the line out",
                )
        aside = raw.get("set_aside", False)
        if not isinstance(aside, bool) or (aside and "value" in raw):
            raise InputError(
                "set_aside and a value together" if isinstance(aside, bool) else f"{shown(aside)} does not fit",
                where=document.place((*where, "set_aside")),
                expected="true, and no value; or a value, and no set_aside",
                next_step="take one of them out",
            )
        for name in ("of", "key", "date", "source") if aside else ("of", "key", "value", "date", "source"):
            if name not in raw:
                raise InputError(
                    f"{name} is missing",
                    where=document.place(where),
                    expected="of, key, value, date and source",
                    next_step="add it, or take this entry out",
                )
        if aside:
            entries = [e for e in entries if (e.of, e.key) != (str(raw["of"]), str(raw["key"]))]
            continue
        date = raw["date"]
        uncertainty = raw.get("uncertainty")
        if uncertainty is not None and (
            isinstance(uncertainty, bool) or not isinstance(uncertainty, (int, float)) or uncertainty < 0
        ):
            raise InputError(
                f"{shown(uncertainty)} does not fit",
                where=document.place((*where, "uncertainty")),
                expected="one standard deviation in the unit of the key, at least 0",
                next_step="write a number, or take the line out where it is not known",
            )
        known = raw.get("known", True)
        if not isinstance(known, bool):
            raise InputError(
                f"{shown(known)} does not fit",
                where=document.place((*where, "known")),
                expected="true or false",
                next_step="write one of them, or take the line out",
            )
        entries.append(
            Measured(
                of=str(raw["of"]),
                key=str(raw["key"]),
                value=raw["value"],
                uncertainty=None if uncertainty is None else float(uncertainty),
                date=date.isoformat() if isinstance(date, (datetime.date, datetime.datetime)) else str(date),
                source=str(raw["source"]),
                batch=str(raw.get("batch", "")),
                known=known,
                index=index,
                document=document,
            )
        )
    return tuple(entries)


def measured_text(
    old: str, values: list[tuple[str, str, Any, float | None, bool]], date: str, source: str, batch: str
) -> str:
    """The text of a measured.toml with more values at its end: (of, key, value, uncertainty, known) each."""
    import tomlkit

    document: Any = tomlkit.parse(old)
    entries = document.get("value")
    if entries is None:
        entries = tomlkit.aot()
        document.add("value", entries)
    for of, key, value, uncertainty, known in values:
        entry = tomlkit.table()
        entry.update({"of": of, "key": key, "value": value})
        if uncertainty is not None:
            entry.add("uncertainty", uncertainty)
        entry.add("date", datetime.date.fromisoformat(date))
        entry.update({"source": source, "batch": batch, "known": known})
        entries.append(entry)
    return str(tomlkit.dumps(document))


def aside_text(old: str, quantities_: list[tuple[str, str]], date: str, source: str, batch: str) -> str:
    """The text of a measured.toml in which what was measured of some quantities, (of, key), is set aside."""
    import tomlkit

    document: Any = tomlkit.parse(old)
    if "value" not in document:
        document.add("value", tomlkit.aot())
    for of, key in quantities_:
        entry = tomlkit.table()
        entry.update({"of": of, "key": key, "set_aside": True})
        entry.add("date", datetime.date.fromisoformat(date))
        entry.update({"source": source, "batch": batch})
        document["value"].append(entry)
    return str(tomlkit.dumps(document))


def next_batch(old: str, date: str, what: str) -> str:
    """A name for the next batch of a measured.toml, such as `2026-11-25 calibrate 2`."""
    import tomlkit

    document: Any = tomlkit.parse(old)
    return f"{date} {what} {1 + len({str(entry.get('batch', '')) for entry in document.get('value', [])})}"


def source_of(old: str, batch: str) -> str:
    """Where the values of a batch come from, as a measured.toml says; '' where there is no such batch."""
    import tomlkit

    document: Any = tomlkit.parse(old)
    found = [str(entry.get("source", "")) for entry in document.get("value", []) if entry.get("batch", "") == batch]
    return found[-1] if found else ""


def without_last_batch(old: str) -> tuple[str, str]:
    """The text of a measured.toml without its last batch, and that batch's name ('' if there was none)."""
    import tomlkit

    document: Any = tomlkit.parse(old)
    entries = document.get("value", [])
    if not entries:
        return old, ""
    batch = str(entries[-1].get("batch", ""))
    while entries and str(entries[-1].get("batch", "")) == batch:
        del entries[-1]
    if not entries:
        document.remove("value")
    return str(tomlkit.dumps(document)), batch


_KNOWN = {"pulse_table": "pulses_known", "wiper_table": "wiper_known"}

MEASURABLE = ("number", "whole", "text", "flag", "choice", "vector", "matrix", "rows")
"""Kinds of keys that one measured value can replace; a whole table is not one value."""


def quantities(bench: Bench) -> tuple[str, ...]:
    """What a measured value can be `of`."""
    names = [f"{side} {joint.name}" for side in SIDES for joint in bench.arm(side).joints]
    names += [f"{side} {part}" for side in SIDES for part in ("gripper", "base", "wire")]
    return (*names, "supply", "ambient", *(f"thing {t.name}" for t in bench.things))


def amended(bench: Bench, entries: tuple[Measured, ...]) -> Bench:
    """The bench with measured values in place; raises InputError naming the entry that does not fit."""
    for entry in entries:
        bench = _amend(bench, entry)
    return bench


def _amend(bench: Bench, entry: Measured) -> Bench:
    side, _, rest = entry.of.partition(" ")
    if side in SIDES and rest:
        arm = _amend_arm(bench.arm(side), rest, entry, bench)
        return dataclasses.replace(bench, arms=dataclasses.replace(bench.arms, **{side: arm}))
    if entry.of == "supply":
        return dataclasses.replace(bench, supply=_with(bench.supply, entry))
    if entry.of == "ambient" and bench.ambient is not None:
        return dataclasses.replace(bench, ambient=_with(bench.ambient, entry))
    if side == "thing" and any(thing.name == rest for thing in bench.things):
        things = tuple(_with(t, entry) if t.name == rest else t for t in bench.things)
        return dataclasses.replace(bench, things=things)
    raise _no_such(entry, bench)


def _amend_arm(arm: Arm, part: str, entry: Measured, bench: Bench) -> Arm:
    if part == "base":
        moved: Arm = _with(arm, entry)
        return moved
    if part == "gripper":
        return dataclasses.replace(arm, gripper=_with(arm.gripper, entry))
    if part == "wire":
        return dataclasses.replace(arm, wire=_with(arm.wire, entry))
    if part not in [joint.name for joint in arm.joints]:
        raise _no_such(entry, bench)
    joints = tuple(_with(j, entry) if j.name == part else j for j in arm.joints)
    return dataclasses.replace(arm, joints=joints)


def _no_such(entry: Measured, bench: Bench) -> InputError:
    return InputError(
        f'the bench has no "{entry.of}"',
        where=entry.document.place(("value", entry.index, "of")),
        available=quantities(bench),
        asked=entry.of,
        next_step="mend the name, or take this entry out",
    )


def _with(part: Any, entry: Measured) -> Any:
    specs = {key: found for key, found in specs_of(type(part)).items() if found[1].kind in MEASURABLE}
    if entry.key not in specs:
        raise InputError(
            f'"{entry.of}" has no {entry.key}',
            where=entry.document.place(("value", entry.index, "key")),
            available=specs,
            asked=entry.key,
            next_step="mend the key, or take this entry out",
        )
    name, spec, _ = specs[entry.key]
    value = read_value(spec, entry.value, entry.document, ("value", entry.index, "value"))
    more = {_KNOWN[entry.key]: entry.known} if entry.key in _KNOWN else {}
    return dataclasses.replace(part, **{name: value, **more})
