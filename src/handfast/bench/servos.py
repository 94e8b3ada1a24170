"""What vetting found of each servo, one file per serial mark, and its tables where that servo is fitted.

`readings/servos/MARK.toml` is a history: the last [[vetting]] counts.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from handfast.bench.measured import Measured
from handfast.bench.parts import SIDES, Bench, Rows, Servo, Servoed
from handfast.errors import InputError
from handfast.files.document import read_document
from handfast.files.fields import choice, flag, number, read_table, rows, tables, text, texts, whole

VERDICTS = ("accept", "watch", "reject")
TELLING = ("speed", "torque", "dead band", "play", "reversal", "repeatability")
"""Tests without which a servo that is not rejected is only partly tested."""


def verdict_text(verdict: str, not_tested: Sequence[str]) -> str:
    """A verdict, and what it rests on where that is not all: 'accept, partly tested: no torque, no play'."""
    lacking = [word for word in TELLING if word in not_tested]
    if verdict == "reject" or not lacking:
        return verdict
    return f"{verdict}, partly tested: {', '.join(f'no {word}' for word in lacking)}"


_MARK = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]*")


@dataclass(frozen=True, kw_only=True)
class FigureRow:
    """One figure as it was found; its key says the unit."""

    key: str = text("key", ..., "which figure, with its unit")
    value: float = number("value", ..., -1e9, 1e9, "what was found")
    uncertainty: float = number("uncertainty", 0, 0, 1e9, "one standard deviation")


@dataclass(frozen=True, kw_only=True)
class Vetting:
    """One incoming test of one servo. Angles count from the middle of the class's pulse range."""

    date: str = text("date", ..., "when it was vetted")
    verdict: str = choice("verdict", ..., VERDICTS, "what came out")
    reasons: tuple[str, ...] = texts("reasons", "why it was not simply accepted")
    remarks: tuple[str, ...] = texts("remarks", "what else was noticed")
    not_tested: tuple[str, ...] = texts("not_tested", "what the files did not show")
    invented: bool = flag("invented", False, "true if the servo exists in a simulation only")
    sources: tuple[str, ...] = texts("sources", "the files it was judged from")
    reference: float = number("reference_V", 5, 0.5, 30, "reference of the input that read its feedback")
    angles_from: str = choice("angles_from", "pulse", ("pulse", "protractor"), "where the tables' angles come from")
    feedback: Rows | None = rows("feedback_table", ("angle_deg", "share"), "feedback as a share of the input's range")
    pulses: Rows | None = rows("pulse_table", ("angle_deg", "pulse_us"), "pulse for each angle, by a protractor")
    figures: tuple[FigureRow, ...] = tables("figure", FigureRow, "the figures, with uncertainty")

    def figure(self, key: str) -> FigureRow | None:
        """The figure of that key, None if it was not found."""
        return next((row for row in self.figures if row.key == key), None)


@dataclass(frozen=True, kw_only=True)
class ServoRecord:
    """The file of one serial mark."""

    mark: str = text("serial_mark", ..., "serial mark of the servo")
    servo_name: str = text("class", ..., "servo class, a name from stock.toml")
    layout: int = whole("layout", 1, 1, 1, "version of this file's layout")
    vettings: tuple[Vetting, ...] = tables("vetting", Vetting, "its incoming tests, oldest first")

    @property
    def last(self) -> Vetting | None:
        """The vetting that counts."""
        return self.vettings[-1] if self.vettings else None


def record_path(folder: Path, mark: str) -> Path:
    """The file of a serial mark in the folder of servos. Raises InputError for a mark that is no file name."""
    if not _MARK.fullmatch(mark):
        raise InputError(
            f'"{mark}" cannot be a serial mark',
            expected="letters, digits, dots, dashes and underlines, beginning with a letter or digit",
            next_step="mend serial_mark in the file's heading",
        )
    return folder / f"{mark}.toml"


def read_record(path: Path) -> ServoRecord:
    """Read the file of one servo."""
    document = read_document(path)
    return read_table(ServoRecord, document.values, document, ())


def read_records(folder: Path) -> tuple[ServoRecord, ...]:
    """All servos that were vetted, by mark."""
    return tuple(read_record(path) for path in sorted(folder.glob("*.toml")))


def with_vetted(bench: Bench, folder: Path, measured: tuple[Measured, ...] = ()) -> Bench:
    """The bench with each fitted servo's own tables, where it has a serial mark that was vetted.

    A table that bench.toml gives stays, and so does every line or table that was measured in place.
    """
    if not folder.is_dir():
        return bench
    arms: dict[str, Any] = {}
    for side in SIDES:
        arm = bench.arm(side)
        joints = tuple(_with_tables(bench, j, f"{side} {j.name}", folder, measured) for j in arm.joints)
        gripper = _with_tables(bench, arm.gripper, f"{side} gripper", folder, measured)
        arms[side] = dataclasses.replace(arm, joints=joints, gripper=gripper)
    return dataclasses.replace(bench, arms=dataclasses.replace(bench.arms, **arms))


def _with_tables(bench: Bench, part: Any, name: str, folder: Path, measured: tuple[Measured, ...]) -> Any:
    if not part.mark or not _MARK.fullmatch(part.mark):
        return part
    path = record_path(folder, part.mark)
    if not path.is_file():
        return part
    record = read_record(path)
    if record.servo_name != part.servo_name:
        raise InputError(
            f"servo {part.mark} was vetted as {record.servo_name}, but is fitted as {part.servo_name}",
            where=f"{name}: serial_mark",
            expected="the class under which it was vetted",
            next_step=f"mend servo or serial_mark in bench.toml, or class in {path}",
        )
    if record.last is None:
        return part
    keys = {entry.key for entry in measured if entry.of == name}
    pulses, wiper = joint_tables(bench, part, bench.servo_of(part), record.last)
    # On the rig it turned as here, but how it sits on the joint is as the design has it.
    changes: dict[str, Any] = {}
    if pulses is not None and part.pulse_rows is None and not any(key.startswith("pulse") for key in keys):
        changes |= {"pulse_rows": pulses, "pulses_known": False}
    if wiper is not None and part.wiper_rows is None and not keys & set(_WIPER_KEYS):
        changes |= {"wiper_rows": wiper, "wiper_known": False}
    return dataclasses.replace(part, **changes)


_WIPER_KEYS = ("wiper_at_zero_counts", "wiper_counts_per_deg", "wiper_table")


def joint_tables(bench: Bench, part: Servoed, servo: Servo, vetting: Vetting) -> tuple[Rows | None, Rows | None]:
    """(pulse table, feedback table) over the joint's angle from those over the servo's.

    The servo sits on the joint so that `pulse_at_zero` is angle zero; a negative pulse slope turns it round.
    """
    slope = servo.pulse_slope if part.pulse_slope is None else part.pulse_slope
    way = 1.0 if slope > 0 else -1.0
    middle = 0.5 * (servo.pulse_low + servo.pulse_high)
    pulses: Rows | None = None
    if vetting.pulses is not None:
        table = np.array(vetting.pulses)
        zero = float(np.interp(part.pulse_at_zero, table[:, 1], table[:, 0]))
        pulses = _rows(way * (table[:, 0] - zero), table[:, 1])
    if vetting.feedback is None:
        return pulses, None
    table = np.array(vetting.feedback)
    if vetting.angles_from == "protractor" and pulses is not None:
        angle = way * (table[:, 0] - zero)
    else:
        # These angles stand for pulses; the joint's own line says which angle each pulse gives.
        angle = (middle + table[:, 0] * servo.pulse_slope - part.pulse_at_zero) / slope
    counts = table[:, 1] * vetting.reference / bench.controller.reference * 2.0**bench.controller.wiper_bits
    order = np.argsort(angle)
    angle, counts = angle[order], counts[order]
    return pulses, _rows(angle, counts)


def _rows(x: Any, y: Any) -> Rows:
    pairs = sorted(zip(x.tolist(), y.tolist(), strict=True))
    return tuple((float(a), float(b)) for a, b in pairs)
