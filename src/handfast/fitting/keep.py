"""Verdicts kept: one file per serial mark, a history of its vettings, written whole or not at all."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import tomlkit

from handfast.bench.servos import FigureRow, ServoRecord, Vetting, read_record, record_path
from handfast.errors import InputError
from handfast.files.atomic import write_text
from handfast.files.fields import rounded, table_of
from handfast.fitting.verdict import Judged

_HEADING = "What vetting found of this servo. The last [[vetting]] counts; take it out to go back to the one before."


def vetting_of(judged: Judged, date: str) -> Vetting:
    """One judged servo as an entry of its file."""
    e = judged.examined
    return Vetting(
        date=e.date or date,
        verdict=judged.verdict,
        reasons=tuple(reason.words for reason in judged.reasons),
        remarks=judged.remarks,
        not_tested=judged.not_tested,
        invented=e.invented,
        sources=e.sources,
        reference=e.reference,
        angles_from=e.angles_from,
        feedback=e.feedback,
        pulses=e.pulses,
        figures=tuple(
            FigureRow(key=key, value=rounded(figure.shown[0]), uncertainty=rounded(figure.shown[1]))
            for key, figure in e.figures.items()
        ),
    )


def records_with(judged: Sequence[Judged], folder: Path, date: str) -> list[tuple[Path, ServoRecord]]:
    """Each servo's file as it will stand: its history and the new vetting. Nothing is written yet.

    Raises InputError where a mark is known under another class, or cannot be a file's name.
    """
    found = []
    for j in judged:
        path = record_path(folder, j.examined.mark)
        record = ServoRecord(mark=j.examined.mark, servo_name=j.examined.servo)
        if path.exists():
            record = read_record(path)
            if record.servo_name != j.examined.servo:
                raise InputError(
                    f"servo {record.mark} was vetted before as {record.servo_name}, and now as {j.examined.servo}",
                    where=str(path),
                    expected="one class for one serial mark",
                    next_step="mend the class in the heading, or give this servo another mark; nothing was written",
                )
        entries = (*record.vettings, vetting_of(j, date))
        found.append((path, ServoRecord(mark=record.mark, servo_name=record.servo_name, vettings=entries)))
    return found


def record_text(record: ServoRecord) -> str:
    """The file of one servo as TOML; tables one row per line."""
    document = tomlkit.document()
    document.add(tomlkit.comment(_HEADING))
    plain = table_of(record)
    for key in ("serial_mark", "class", "layout"):
        if key in plain:
            document.add(key, plain[key])
    entries = tomlkit.aot()
    for vetting in plain.get("vetting", []):
        entry = tomlkit.table()
        for key, value in vetting.items():
            if key == "figure":
                continue
            long = isinstance(value, list) and bool(value) and isinstance(value[0], (list, str))
            item = tomlkit.item(value)
            entry.add(key, item.multiline(True) if long and len(value) > 1 else item)
        figures = tomlkit.aot()
        for row in vetting.get("figure", []):
            figures.append(tomlkit.item(row))
        if len(figures):
            entry.add("figure", figures)
        entries.append(entry)
    document.add("vetting", entries)
    return tomlkit.dumps(document)


def write_records(records: Sequence[tuple[Path, ServoRecord]]) -> None:
    """Write the files of all servos."""
    for path, record in records:
        write_text(path, record_text(record))


def play_grown(record: ServoRecord) -> float | None:
    """Change of play, degrees, from the vetting before to the last one; None if either lacks it."""
    if len(record.vettings) < 2:
        return None
    before, now = (vetting.figure("play_deg") for vetting in record.vettings[-2:])
    return None if before is None or now is None else now.value - before.value
