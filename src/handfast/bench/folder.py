"""A bench folder on disk: find it, read it, check that its parts fit together."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from handfast.bench.measured import amended, read_measured
from handfast.bench.parts import SIDES, Bench, Servo
from handfast.bench.servos import with_vetted
from handfast.errors import InputError
from handfast.files.document import Document, Key, parse_document, read_document
from handfast.files.fields import read_table
from handfast.units import DEGREE, counted

BENCH_FILE = "bench.toml"
STOCK_FILE = "stock.toml"
MEASURED_FILE = "measured.toml"
FEWEST_JOINTS, MOST_JOINTS = 4, 7
QUESTIONS = ("reach", "lift", "pace", "clear", "meet", "together", "grip", "miss", "power", "heat")


@dataclass(frozen=True)
class BenchFolder:
    """Paths of one bench."""

    root: Path

    @property
    def file(self) -> Path:
        """The design, edited by hand."""
        return self.root / BENCH_FILE

    @property
    def stock(self) -> Path:
        """The servo classes to choose from."""
        return self.root / STOCK_FILE

    @property
    def measured(self) -> Path:
        """Measured values that override the design."""
        return self.root / MEASURED_FILE

    @property
    def routines(self) -> Path:
        """The routines."""
        return self.root / "routines"

    @property
    def recordings(self) -> Path:
        """What was recorded while teaching."""
        return self.root / "recordings"

    @property
    def readings(self) -> Path:
        """What was measured."""
        return self.root / "readings"

    @property
    def nudges(self) -> Path:
        """What nudges showed: readings that belong to the routines' own poses."""
        return self.readings / "nudges.toml"

    @property
    def set_aside(self) -> Path:
        """Readings that hold no more."""
        return self.readings / "set-aside"

    @property
    def servos(self) -> Path:
        """What vetting found of each servo, one file per serial mark."""
        return self.readings / "servos"

    @property
    def database(self) -> Path:
        """Runs and what was learned from them."""
        return self.root / "bench.sqlite"

    @property
    def out(self) -> Path:
        """Reports and pictures."""
        return self.root / "out"

    def routine_files(self) -> list[Path]:
        """All routines, by name."""
        return sorted(self.routines.glob("*.toml"))


def find_bench(start: Path, given: Path | None = None) -> BenchFolder:
    """The bench folder: `given`, or the nearest folder from `start` upwards that holds a bench.toml."""
    if given is not None:
        root = given.parent if given.name == BENCH_FILE else given
        if root.is_file():
            raise InputError(
                "is a file",
                where=str(root),
                expected=f"a bench folder, or its {BENCH_FILE}",
                next_step="name the folder that the bench is in",
            )
        if not (root / BENCH_FILE).is_file():
            raise InputError(
                f"no {BENCH_FILE} in this folder",
                where=str(root),
                expected="a bench folder",
                next_step=f"handfast new {root} lays one down",
            )
        return BenchFolder(root)
    folder = start.resolve()
    for candidate in (folder, *folder.parents):
        if (candidate / BENCH_FILE).is_file():
            return BenchFolder(candidate)
    raise InputError(
        f"no {BENCH_FILE} here or in any folder above",
        where=str(folder),
        expected="to be inside a bench folder",
        next_step="go into one, name one with --bench DIR, or make one with: handfast new DIR",
    )


def read_stock(path: Path) -> tuple[Servo, ...]:
    """The servo classes of a stock file."""
    return _stock_of(read_document(path))


def _stock_of(document: Document) -> tuple[Servo, ...]:
    for key in document.values:
        if key != "servo":
            raise InputError(
                "unknown key",
                where=document.place((key,)),
                available=["servo"],
                next_step="write [servo.NAME]",
            )
    classes = document.values.get("servo", {})
    if not isinstance(classes, dict) or not classes:
        raise InputError(
            "no servo class",
            where=str(document.path),
            expected="at least one table [servo.NAME]",
            next_step="add one, or take stock.toml from a bench made with: handfast new DIR",
        )
    stock = []
    for name, raw in classes.items():
        if not isinstance(raw, dict):
            raise InputError(
                "is not a table",
                where=document.place(("servo", name)),
                expected="a table [servo.NAME]",
                next_step=f"write [servo.{name}] above the figures of a servo class",
            )
        servo = read_table(Servo, raw, document, ("servo", name), name=name)
        if servo.pulse_high <= servo.pulse_low:
            raise InputError(
                "pulse_high_us is not above pulse_low_us",
                where=document.place(("servo", name)),
                expected="a pulse range from low to high",
                next_step="swap them, or mend one",
            )
        stock.append(servo)
    return tuple(stock)


def read_bench(folder: BenchFolder, measured: bool = True, text: str | None = None) -> Bench:
    """The bench as designed, with vetted servos' tables and measured values in place of the design's.

    text: what its file would say, where that is not written yet.
    """
    document = read_document(folder.file) if text is None else parse_document(text, folder.file)
    return _bench_of(folder, measured, document, read_document(folder.stock), _kept_beside(folder, measured))


def _kept_beside(folder: BenchFolder, measured: bool) -> tuple[str, ...]:
    """The texts of all else that a bench is read from: measured values and vetted servos."""
    paths = sorted(folder.servos.glob("*.toml"))
    if measured and folder.measured.exists():
        paths.append(folder.measured)
    return tuple(f"{path}\n{path.read_text(encoding='utf-8', errors='surrogateescape')}" for path in paths)


@lru_cache(maxsize=16)
def _bench_of(
    folder: BenchFolder, measured: bool, document: Document, stock_document: Document, beside: tuple[str, ...]
) -> Bench:
    """The bench of these texts; the same one for the same texts."""
    stock = _stock_of(stock_document)
    bench = read_table(Bench, document.values, document, (), stock=stock)
    _check_fit(bench, document)
    entries = read_measured(folder.measured) if measured and folder.measured.exists() else ()
    bench = with_vetted(bench, folder.servos, entries)
    if entries:
        bench = amended(bench, entries)
        try:
            _check_fit(bench, document, pulses=False)  # measured pulses say how far a joint really gets
        except InputError as error:
            raise InputError(
                f"with these measured values the bench no longer fits together\n  {error}",
                where=str(folder.measured),
                expected="measured values that fit the bench",
                next_step="take out the entry that does not fit",
            ) from None
    return bench


def _check_pulses(bench: Bench, part: Any, key: Key, document: Document) -> None:
    """A joint's travel must lie inside the pulses that its servo takes, or it would stop short unnoticed."""
    servo = bench.servo_of(part)
    slope = servo.pulse_slope if part.pulse_slope is None else part.pulse_slope
    if part.pulse_rows is not None or slope == 0.0:
        return
    ends = sorted((part.pulse_at_zero + slope * angle) * 1e6 for angle in part.travel)
    if ends[0] < servo.pulse_low * 1e6 - 1.0 or ends[1] > servo.pulse_high * 1e6 + 1.0:
        low, high = sorted((p - part.pulse_at_zero) / slope / DEGREE for p in (servo.pulse_low, servo.pulse_high))
        raise _refuse(
            document,
            (*key, "travel_deg"),
            f"the travel needs pulses from {ends[0]:.0f} to {ends[1]:.0f} µs",
            f"pulses that {servo.name} takes, {servo.pulse_low * 1e6:.0f} to {servo.pulse_high * 1e6:.0f} µs: "
            f"here {low:.0f} to {high:.0f} degrees",
            next_step="shorten travel_deg, or move pulse_at_zero_us to where the servo is really mounted",
        )


def _refuse(document: Document, key: Key, what: str, expected: str, **more: Any) -> InputError:
    return InputError(what, where=document.place(key), expected=expected, **{"next_step": "mend this line", **more})


def _free_channels(bench: Bench) -> str:
    """Channels that no servo asks for."""
    parts = [part for side in SIDES for part in (*bench.arm(side).joints, bench.arm(side).gripper)]
    free = sorted(set(range(bench.controller.channels)) - {part.channel for part in parts})
    return ", ".join(str(channel) for channel in free) or "none; raise controller.channels if it has more"


def _check_fit(bench: Bench, document: Document, pulses: bool = True) -> None:
    """Parts must fit together; each refusal names the place in the file."""
    stock = {servo.name for servo in bench.stock}
    channels: dict[int, str] = {}
    for side in SIDES:
        arm = bench.arm(side)
        top: Key = ("arms", side)
        if not FEWEST_JOINTS <= len(arm.joints) <= MOST_JOINTS:
            raise _refuse(
                document,
                top,
                f"the {side} arm has {counted(len(arm.joints), 'joint')}",
                f"{FEWEST_JOINTS} to {MOST_JOINTS} tables [[arms.{side}.joint]]",
                next_step="add or take out joints",
            )
        names: set[str] = set()
        parts: list[tuple[Any, Key, str]] = [
            (joint, (*top, "joint", i), f"{side} {joint.name}") for i, joint in enumerate(arm.joints)
        ]
        parts.append((arm.gripper, (*top, "gripper"), f"{side} gripper"))
        for part, key, name in parts:
            if part.servo_name not in stock:
                raise _refuse(
                    document,
                    (*key, "servo"),
                    f'no servo class "{part.servo_name}" in {STOCK_FILE}',
                    "the name of a class in stock",
                    available=stock,
                    asked=part.servo_name,
                    next_step=f"choose one of these, or add [servo.{part.servo_name}] to {STOCK_FILE}",
                )
            if part.channel >= bench.controller.channels:
                raise _refuse(
                    document,
                    (*key, "channel"),
                    f"channel {part.channel} does not exist",
                    f"0 to {bench.controller.channels - 1} (controller.channels = {bench.controller.channels})",
                    next_step="choose a free channel, or mend controller.channels",
                )
            if part.channel in channels:
                raise _refuse(
                    document,
                    (*key, "channel"),
                    f"channel {part.channel} is already taken by the {channels[part.channel]}",
                    "a channel of its own for every servo",
                    next_step=f"free channels: {_free_channels(bench)}",
                )
            channels[part.channel] = name
            if part.travel[0] >= part.travel[1]:
                raise _refuse(
                    document,
                    (*key, "travel_deg"),
                    "the travel is empty",
                    "the lowest, then the highest angle",
                )
            if pulses:
                _check_pulses(bench, part, key, document)
            if part.wiper_slope == 0.0:
                raise _refuse(document, (*key, "wiper_counts_per_deg"), "0 counts per degree", "a slope not 0")
            if part.pulse_slope == 0.0:
                raise _refuse(document, (*key, "pulse_us_per_deg"), "0 µs per degree", "a slope not 0")
        for i, joint in enumerate(arm.joints):
            key = (*top, "joint", i)
            if joint.name in names:
                raise _refuse(document, (*key, "name"), f'a second joint "{joint.name}"', "a name of its own")
            names.add(joint.name)
            if np.linalg.norm(joint.axis) < 1e-9:
                raise _refuse(document, (*key, "axis"), "the axis has no length", "a direction, such as [0, 0, 1]")
        g = arm.gripper
        if np.linalg.norm(g.fingers) < 1e-9:
            raise _refuse(document, (*top, "gripper", "fingers"), "fingers has no length", "a direction")
        if np.linalg.norm(np.cross(g.fingers, g.jaws)) < 1e-6:
            raise _refuse(
                document,
                (*top, "gripper", "jaws"),
                "jaws lies along fingers",
                "a direction across the fingers",
            )
        if g.opening[0] >= g.opening[1]:
            raise _refuse(document, (*top, "gripper", "opening_mm"), "no opening", "narrowest, then widest gap")
        if g.angle_shut == g.angle_open:
            raise _refuse(document, (*top, "gripper", "open_deg"), "equals shut_deg", "another angle than shut_deg")
    for question in bench.questions:
        if question.name not in QUESTIONS:
            raise InputError(
                f'no question "{question.name}"',
                where=document.place(("question", question.name)),
                expected="[question.NAME] of a question that is asked",
                available=QUESTIONS,
                asked=question.name,
                next_step="mend the name, or take this table out",
            )
        if question.enough <= question.limit:
            raise _refuse(
                document,
                ("question", question.name, "enough"),
                f"{question.enough:g} is not above the limit",
                f"more than limit = {question.limit:g}",
                next_step="write what is enough, above what just does not fail",
            )
    if any(a >= b for a, b in zip(bench.table_top.low, bench.table_top.high, strict=True)):
        raise _refuse(document, ("table", "high_mm"), "the table has no size", "high_mm above low_mm in x and y")
