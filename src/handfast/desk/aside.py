"""Measured figures and readings that hold no more, because a base was moved or another servo fitted: set aside.

Nothing is thrown away: figures stay in measured.toml, out of force, readings go to readings/set-aside/, and
`handfast calibrate --undo` takes all of it back.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from handfast.bench.folder import read_bench
from handfast.bench.parts import SIDES
from handfast.desk import batches
from handfast.desk.work import Desk
from handfast.files.atomic import free_path, write_text
from handfast.units import DEGREE, counted

OF_BASE = ("base_mm", "base_yaw_deg")
"""What was measured of where a base stands."""

OF_SERVO = (
    "pulse_at_zero_us", "pulse_us_per_deg", "pulse_table", "wiper_at_zero_counts", "wiper_counts_per_deg",
    "wiper_table", "wiper_noise_counts", "wiper_follows_supply_pct", "unseen_play_deg", "seen_play_deg",
    "compliance_deg_per_Nm", "limp_friction_kgcm", "full_drive_error_deg", "dead_band_deg",
)  # fmt: skip
"""What was measured of a joint that goes with its servo; lengths, and the joint's own friction, stay."""

_NAMES = {"touch": "touches", "push": "pushes"}


@dataclass(frozen=True)
class Aside:
    """What was set aside: the batch's name, of what figures were, how many readings of each kind, and where they are.

    The batch has no name where there was nothing to set aside.
    """

    batch: str
    of: tuple[str, ...]
    readings: dict[str, int]
    folder: Path

    @property
    def words(self) -> str:
        """All of it, as a part of a sentence; '' if there was nothing."""
        said = ["what was measured of " + _listed(f"the {of}" for of in self.of)] if self.of else []
        rows = [counted(n, kind, _NAMES.get(kind, "")) for kind, n in self.readings.items()]
        return " and ".join(said + ([f"{_listed(rows)} (now in {self.folder})"] if rows else []))


def set_aside(
    desk: Desk, bench_text: str, keys: Iterable[tuple[str, str]], spoiled: Callable[[str, Any], bool], what: str,
    source: str, commands: bool,
) -> Aside:  # fmt: skip
    """Write another bench.toml, and set aside what it makes void: one batch, which can be taken back.

    keys: quantities, (of, key), whose measured values hold no more; spoiled: whether a reading does not, told its kind
    and its row; what: one word for the batch's name; source: what made them void; commands: whether corrected commands
    of the routines rest on them, and go too. Raises InputError, nothing written, if the new bench cannot be read.
    """
    from handfast.bench.measured import aside_text, next_batch
    from handfast.routine.file import reexpress

    folder = desk.folder
    design = read_bench(folder, measured=False, text=bench_text)
    keys = list(keys)
    known = {(m.of, m.key) for m in desk.measured}
    void = [place for place in keys if place in known]
    changes: dict[Path, str | None] = {}
    counts: dict[str, int] = {}
    for path in sorted(folder.readings.glob("*.toml")):
        text = path.read_text(encoding="utf-8")
        stays, goes, found = _split(text, spoiled)
        if not found:
            continue
        changes[path] = stays
        changes[free_path(folder.set_aside / path.name)] = goes
        for kind, count in found.items():
            counts[kind] = counts.get(kind, 0) + count
    if not void and not counts:
        write_text(folder.file, bench_text)
        return Aside("", (), {}, folder.set_aside)
    today = datetime.date.today().isoformat()
    old = folder.measured.read_text(encoding="utf-8") if folder.measured.exists() else ""
    batch = next_batch(old, today, what)
    before = batches.texts(folder, [folder.file, *changes, *folder.routine_files()])
    for path, new in sorted(changes.items(), key=lambda change: change[1] is None):
        if new is not None:
            write_text(path, new)
        else:
            path.unlink()
    write_text(folder.measured, aside_text(old, void or keys[:1], today, source, batch))
    write_text(folder.file, bench_text)
    if commands:
        for path in folder.routine_files():
            # Poses stay; only commands that belong to the old figures go.
            reexpress(path, design, design)
    batches.keep(folder, batch, before)
    return Aside(batch, tuple(dict.fromkeys(of for of, _ in void)), counts, folder.set_aside)


def bases_moved(moved: Iterable[str], turned: Iterable[str]) -> Callable[[str, Any], bool]:
    """Which readings tell of the place of bases that were moved, or, in the world's axes, turned: sides of each."""
    moved, turned = set(moved), set(turned)

    def spoiled(kind: str, row: Any) -> bool:
        if kind in ("meet", "bar"):
            return bool(moved)
        return str(row.get("arm", "")) in {"touch": moved, "push": turned, "landing": turned}.get(kind, set())

    return spoiled


def servos_fitted(joints: Iterable[str]) -> Callable[[str, Any], bool]:
    """Which readings rest on the feedback or the gears of servos that were at these joints before."""
    names = set(joints)
    arms = {name.split()[0] for name in names}

    def spoiled(kind: str, row: Any) -> bool:
        joint = str(row.get("joint", ""))
        if kind in ("meet", "bar"):
            return bool(arms)
        if kind in ("gauge", "sweep", "follow"):
            return joint in names
        if kind == "pull":
            return joint in names and not row.get("loose", False)
        return (str(row.get("arm", "")) or joint.partition(" ")[0]) in arms

    return spoiled


def _split(text: str, spoiled: Callable[[str, Any], bool]) -> tuple[str | None, str, dict[str, int]]:
    """A readings file as (what stays, None if nothing does; what goes; how many of each kind go)."""
    import tomlkit

    stays: Any = tomlkit.parse(text)
    goes: Any = tomlkit.parse(text)
    counts: dict[str, int] = {}
    for kind in list(stays):
        rows = stays[kind]
        bad = [spoiled(kind, row) for row in rows]
        if any(bad):
            counts[kind] = sum(bad)
        for document, out in ((stays, bad), (goes, [not b for b in bad])):
            for n in reversed([n for n, gone in enumerate(out) if gone]):
                del document[kind][n]
            if not len(document[kind]):
                del document[kind]
    return (tomlkit.dumps(stays) if len(stays) else None), tomlkit.dumps(goes), counts


def _listed(names: Iterable[str]) -> str:
    """Names in a row."""
    said = list(names)
    return said[0] if len(said) == 1 else f"{', '.join(said[:-1])} and {said[-1]}" if said else ""


def overridden(desk: Desk) -> list[str]:
    """Bases whose measured place is farther from the design's than any fit would move it, one sentence each.

    That comes of bench.toml being edited after it was measured: what it says there does not count.
    """
    import numpy as np

    design = read_bench(desk.folder, measured=False)
    said = []
    for side in SIDES:
        was, now = design.arm(side), desk.bench.arm(side)
        far = float(np.linalg.norm(np.array(now.base) - np.array(was.base)))
        turn = abs((now.yaw - was.yaw + np.pi) % (2.0 * np.pi) - np.pi)
        if far > MOST_OFF or turn > MOST_TURNED:
            said.append(
                f"{desk.folder.measured.name} has the {side} base {far * 1e3:.0f} mm and {turn / DEGREE:.0f}° from "
                f"where {desk.folder.file.name} says, and measured values win: if it was moved since, take its "
                f"{' and '.join(OF_BASE)} out of {desk.folder.measured.name} and measure again"
            )
    return said


MOST_OFF, MOST_TURNED = 20.0e-3, 8.0 * DEGREE
"""Beyond this a measured base is not that of the design, m and rad: six of what a maker's bolting is taken to be off,
one standard deviation (`fitting.unknowns`)."""
