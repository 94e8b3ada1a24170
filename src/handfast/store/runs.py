"""Runs in SQLite: one file per bench, everything of a run in one transaction."""

from __future__ import annotations

import io
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import cast

import numpy as np

from handfast.bench.parts import Side
from handfast.errors import FaultError, InputError
from handfast.geometry.rigid import Array
from handfast.records.run import Grip, Mode, Rest, Run

LAYOUT = 1

_TABLES = """
CREATE TABLE IF NOT EXISTS run (
  id INTEGER PRIMARY KEY, started TEXT NOT NULL, routine TEXT NOT NULL, mode TEXT NOT NULL, board TEXT NOT NULL,
  notes TEXT NOT NULL, t_s BLOB NOT NULL, command_rad BLOB NOT NULL, feedback_rad BLOB NOT NULL,
  supply_V BLOB NOT NULL, current_A BLOB NOT NULL, step BLOB NOT NULL
);
CREATE TABLE IF NOT EXISTS rest (
  run INTEGER NOT NULL REFERENCES run(id) ON DELETE CASCADE, step INTEGER NOT NULL, side TEXT NOT NULL,
  path_row INTEGER, time_s REAL NOT NULL, target_rad BLOB NOT NULL, feedback_rad BLOB NOT NULL,
  command_rad BLOB NOT NULL, noise_rad BLOB NOT NULL, moved BLOB NOT NULL, trims INTEGER NOT NULL,
  supply_V REAL NOT NULL, load_kg REAL NOT NULL
);
CREATE INDEX IF NOT EXISTS rest_of_run ON rest(run);
"""

_LATER = """
CREATE TABLE IF NOT EXISTS grip (
  run INTEGER NOT NULL REFERENCES run(id) ON DELETE CASCADE, step INTEGER NOT NULL, side TEXT NOT NULL,
  time_s REAL NOT NULL, gap_m REAL NOT NULL, behind_rad REAL NOT NULL, felt INTEGER NOT NULL
);
CREATE INDEX IF NOT EXISTS grip_of_run ON grip(run);
CREATE TABLE IF NOT EXISTS limp_feedback (
  run INTEGER NOT NULL REFERENCES run(id) ON DELETE CASCADE, rest INTEGER NOT NULL, counts_limp BLOB NOT NULL
);
CREATE INDEX IF NOT EXISTS limp_feedback_of_run ON limp_feedback(run);
"""
"""What databases of the same layout may lack: made when it is first needed."""


@contextmanager
def _opened(path: Path) -> Iterator[sqlite3.Connection]:
    """The database, made if it is not there; errors of the library become ours."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with closing(sqlite3.connect(path, timeout=10.0)) as connection:
            layout = connection.execute("PRAGMA user_version").fetchone()[0]
            if layout == 0:
                # All at once, so that two programs that start together do not both make it.
                connection.executescript(f"BEGIN IMMEDIATE; {_TABLES} PRAGMA user_version = {LAYOUT}; COMMIT;")
            elif layout != LAYOUT:
                raise InputError(
                    f"this database has layout {layout}",
                    where=str(path),
                    expected=f"layout {LAYOUT}",
                    next_step="use the handfast that wrote it, or move the file away: a new one is made",
                )
            connection.execute("PRAGMA foreign_keys = ON")
            yield connection
    except (sqlite3.DatabaseError, OSError) as error:
        raise FaultError(f"{path}: the database cannot be used ({error}); nothing was changed") from error


def _packed(array: Array | np.ndarray) -> bytes:
    out = io.BytesIO()
    np.save(out, np.asarray(array), allow_pickle=False)
    return out.getvalue()


def _unpacked(blob: bytes) -> Array:
    return cast(Array, np.load(io.BytesIO(blob), allow_pickle=False))


def prepare(path: Path) -> None:
    """Make the database if need be; raises what storing a run would raise, before there is one to lose."""
    with _opened(path) as connection, connection:
        connection.execute("BEGIN IMMEDIATE")


def save_run(path: Path, run: Run) -> int:
    """Store a run; returns its number."""
    with _opened(path) as connection, connection:
        for statement in _LATER.split(";"):
            connection.execute(statement)
        cursor = connection.execute(
            "INSERT INTO run (started, routine, mode, board, notes, t_s, command_rad, feedback_rad, supply_V,"
            " current_A, step) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                run.started, run.routine, run.mode, run.board, "\n".join(run.notes), _packed(run.t),
                _packed(run.command), _packed(run.feedback), _packed(run.supply), _packed(run.current),
                _packed(run.step),
            ),
        )  # fmt: skip
        number = cast(int, cursor.lastrowid)
        connection.executemany(
            "INSERT INTO rest VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                (
                    number, r.step, r.side, r.row, r.time, _packed(r.target), _packed(r.feedback),
                    _packed(r.command), _packed(r.noise), _packed(r.moved), r.trims, r.supply, r.load,
                )
                for r in run.rests
            ],
        )  # fmt: skip
        connection.executemany(
            "INSERT INTO grip VALUES (?, ?, ?, ?, ?, ?, ?)",
            [(number, g.step, g.side, g.time, g.gap, g.behind, int(g.felt)) for g in run.grips],
        )
        connection.executemany(
            "INSERT INTO limp_feedback VALUES (?, ?, ?)",
            [(number, n, _packed(r.counts)) for n, r in enumerate(run.rests) if r.counts is not None],
        )
    return number


def load_run(path: Path, number: int) -> Run:
    """The run of that number. Raises InputError if there is none."""
    if not path.exists():
        raise InputError("no run is stored", where=str(path), next_step="play one: handfast run ROUTINE")
    with _opened(path) as connection:
        row = connection.execute(
            "SELECT started, routine, mode, board, notes, t_s, command_rad, feedback_rad, supply_V, current_A, step"
            " FROM run WHERE id = ?",
            (number,),
        ).fetchone()
        if row is None:
            known = [str(n) for (n,) in connection.execute("SELECT id FROM run ORDER BY id")]
            raise InputError(
                f"no run {number}",
                where=str(path),
                expected="the number of a stored run",
                available=known,
                next_step="choose one of these, or play the routine",
            )
        rests = connection.execute(
            "SELECT step, side, path_row, time_s, target_rad, feedback_rad, command_rad, noise_rad, moved, trims,"
            " supply_V, load_kg"
            " FROM rest WHERE run = ? ORDER BY rowid",
            (number,),
        ).fetchall()
        grips: list[tuple[int, str, float, float, float, int]] = []
        if connection.execute("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'grip'").fetchone():
            grips = connection.execute(
                "SELECT step, side, time_s, gap_m, behind_rad, felt FROM grip WHERE run = ? ORDER BY time_s, rowid",
                (number,),
            ).fetchall()
        limp: dict[int, bytes] = {}
        if connection.execute("SELECT 1 FROM sqlite_master WHERE type = 'table' AND name = 'limp_feedback'").fetchone():
            limp = dict(connection.execute("SELECT rest, counts_limp FROM limp_feedback WHERE run = ?", (number,)))
    started, routine, mode, board, notes, *arrays = row
    t, command, feedback, supply, current, step = (_unpacked(a) for a in arrays)
    return Run(
        routine=routine,
        mode=cast(Mode, mode),
        board=board,
        started=started,
        t=t,
        command=command,
        feedback=feedback,
        supply=supply,
        current=current,
        step=step,
        # In the order of time: where two came to rest at once, as they were stored.
        rests=tuple(
            Rest(
                row[0],
                cast(Side, row[1]),
                row[2],
                row[3],
                _unpacked(row[4]),
                _unpacked(row[5]),
                _unpacked(row[6]),
                _unpacked(row[7]),
                _unpacked(row[8]),
                row[9],
                row[10],
                row[11],
                _unpacked(limp[n]) if n in limp else None,
            )
            for n, row in sorted(enumerate(rests), key=lambda rest: rest[1][3])
        ),
        notes=tuple(notes.split("\n")) if notes else (),
        grips=tuple(Grip(g[0], cast(Side, g[1]), g[2], g[3], g[4], bool(g[5])) for g in grips),
    )


def list_runs(path: Path) -> list[tuple[int, str, str, str, str]]:
    """Number, start, routine, mode and board of every run, oldest first."""
    if not path.exists():
        return []
    with _opened(path) as connection:
        return list(connection.execute("SELECT id, started, routine, mode, board FROM run ORDER BY id"))
