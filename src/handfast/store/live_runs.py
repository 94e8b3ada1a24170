"""Runs while they are played: rows reach the disk within half a second, so that a cut-off run is kept.

Live rows stand in tables of their own; when a run ends they become a run like any other. What a killed program left
is turned into a run, with a note, by `recover`.
"""

from __future__ import annotations

import contextlib
import os
import queue
import sqlite3
import threading
from dataclasses import dataclass
from pathlib import Path
from typing import cast

import numpy as np

from handfast.errors import FaultError
from handfast.geometry.rigid import Array
from handfast.records.run import Mode, Run
from handfast.store.runs import prepare, save_run

EVERY = 0.25
"""Rows are written at least this often, s."""

_TABLES = """
CREATE TABLE IF NOT EXISTS live_run (
  id INTEGER PRIMARY KEY, process INTEGER NOT NULL, started TEXT NOT NULL, routine TEXT NOT NULL, mode TEXT NOT NULL,
  board TEXT NOT NULL, joints INTEGER NOT NULL
);
CREATE TABLE IF NOT EXISTS live_row (run INTEGER NOT NULL, time_s REAL NOT NULL, row BLOB NOT NULL);
CREATE INDEX IF NOT EXISTS live_row_of_run ON live_row(run);
CREATE TABLE IF NOT EXISTS run_event (
  run INTEGER NOT NULL, live INTEGER NOT NULL, time_s REAL NOT NULL, said TEXT NOT NULL
);
CREATE TABLE IF NOT EXISTS played_slowly (routine TEXT PRIMARY KEY, digest TEXT NOT NULL);
"""


@dataclass(frozen=True)
class Row:
    """One frame: time s; command and feedback (K,) rad; supply (2,) V; current (2,) A; step (2,)."""

    time: float
    command: Array
    feedback: Array
    supply: Array
    current: Array
    step: np.ndarray

    def packed(self) -> bytes:
        """As bytes; `unpacked` reads them."""
        parts = (self.command, self.feedback, self.supply, self.current, np.asarray(self.step, dtype=float))
        return np.concatenate(parts).astype("<f8").tobytes()


class LiveRun:
    """A run on its way; a context manager. Rows and events may come from any thread."""

    def __init__(self, path: Path, routine: str, mode: Mode, board: str, started: str, joints: int):
        prepare(path)
        self._path = path
        self._queue: queue.SimpleQueue[tuple[str, float, bytes | str] | None] = queue.SimpleQueue()
        self._failed: str | None = None
        with contextlib.closing(_connected(path)) as connection, connection:
            connection.executescript(_TABLES)
            cursor = connection.execute(
                "INSERT INTO live_run (process, started, routine, mode, board, joints) VALUES (?, ?, ?, ?, ?, ?)",
                (os.getpid(), started, routine, mode, board, joints),
            )
            self.number = cast(int, cursor.lastrowid)
        self._thread = threading.Thread(target=self._write, name="run to disk", daemon=True)
        self._thread.start()

    def add(self, row: Row) -> None:
        """Take in a frame. Raises FaultError once the disk has failed."""
        if self._failed is not None:
            raise FaultError(f"{self._path}: the run cannot be stored ({self._failed}); stopped for that")
        self._queue.put(("row", row.time, row.packed()))

    def event(self, time: float, said: str) -> None:
        """Take in something that happened."""
        self._queue.put(("event", time, said))

    def _write(self) -> None:
        try:
            with contextlib.closing(_connected(self._path)) as connection:
                done = False
                while not done:
                    waiting = []
                    with contextlib.suppress(queue.Empty):
                        item = self._queue.get(timeout=EVERY)
                        while True:
                            if item is None:
                                done = True
                                break
                            waiting.append(item)
                            item = self._queue.get_nowait()
                    if not done:
                        threading.Event().wait(EVERY)
                    with connection:
                        for kind, time, what in waiting:
                            if kind == "row":
                                connection.execute("INSERT INTO live_row VALUES (?, ?, ?)", (self.number, time, what))
                            else:
                                connection.execute(
                                    "INSERT INTO run_event VALUES (0, ?, ?, ?)", (self.number, time, what)
                                )
        except (sqlite3.Error, OSError) as error:
            self._failed = str(error)

    def flush(self) -> None:
        """Put everything on the disk and end the writing."""
        self._queue.put(None)
        self._thread.join()

    def finish(self, run: Run) -> int:
        """The run has ended: store it whole; returns its number."""
        self.flush()
        number = save_run(self._path, run)
        with contextlib.closing(_connected(self._path)) as connection, connection:
            connection.execute("UPDATE run_event SET run = ? WHERE live = ? AND run = 0", (number, self.number))
            connection.execute("DELETE FROM live_row WHERE run = ?", (self.number,))
            connection.execute("DELETE FROM live_run WHERE id = ?", (self.number,))
        return number

    def cut(self, note: str) -> int:
        """The run has ended early: keep what there is, with a note; returns its number, 0 if there was nothing."""
        self.flush()
        with contextlib.closing(_connected(self._path)) as connection:
            return _closed(self._path, connection, self.number, note)


def _connected(path: Path) -> sqlite3.Connection:
    try:
        return sqlite3.connect(path, timeout=10.0)
    except sqlite3.Error as error:
        raise FaultError(f"{path}: the database cannot be used ({error})") from error


def _runs_on(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True


def recover(path: Path) -> list[int]:
    """Turn what cut-off runs left into runs with a note; returns their numbers. Runs still going on are left alone."""
    if not path.exists():
        return []
    found = []
    with contextlib.closing(_connected(path)) as connection:
        try:
            with connection:
                connection.executescript(_TABLES)
            left = connection.execute("SELECT id, process FROM live_run").fetchall()
        except sqlite3.Error as error:
            raise FaultError(f"{path}: the database cannot be used ({error}); nothing was changed") from error
        for live, process in left:
            if not _runs_on(process):
                number = _closed(path, connection, live, "cut off: the program ended in mid-run")
                found += [number] if number else []
    return found


def _closed(path: Path, connection: sqlite3.Connection, live: int, note: str) -> int:
    """Turn the live rows of one run into a run; returns its number, 0 if there were no rows."""
    asked = "SELECT started, routine, mode, board, joints FROM live_run WHERE id = ?"
    started, routine, mode, board, K = connection.execute(asked, (live,)).fetchone()
    rows = connection.execute("SELECT time_s, row FROM live_row WHERE run = ? ORDER BY rowid", (live,)).fetchall()
    number = 0
    if rows:
        table = np.array([np.frombuffer(row, dtype="<f8") for _, row in rows])
        run = Run(
            routine=routine, mode=cast(Mode, mode), board=board, started=started,
            t=np.array([t for t, _ in rows]), command=table[:, :K], feedback=table[:, K : 2 * K],
            supply=table[:, 2 * K : 2 * K + 2], current=table[:, 2 * K + 2 : 2 * K + 4],
            step=table[:, 2 * K + 4 :].astype(int), rests=(), notes=(note,),
        )  # fmt: skip
        number = save_run(path, run)
    with connection:
        connection.execute("UPDATE run_event SET run = ? WHERE live = ? AND run = 0", (number, live))
        connection.execute("DELETE FROM live_row WHERE run = ?", (live,))
        connection.execute("DELETE FROM live_run WHERE id = ?", (live,))
    return number


def played_slowly(path: Path, routine: str, digest: str, done: bool = False) -> bool:
    """Whether a routine, as it is now, has been played slowly to its end; with `done`, note that it has."""
    with contextlib.closing(_connected(path)) as connection, connection:
        connection.executescript(_TABLES)
        if done:
            connection.execute("INSERT OR REPLACE INTO played_slowly VALUES (?, ?)", (routine, digest))
        row = connection.execute("SELECT digest FROM played_slowly WHERE routine = ?", (routine,)).fetchone()
    return row is not None and row[0] == digest


def events_of(path: Path, number: int) -> list[tuple[float, str]]:
    """Time and words of everything that happened in a stored run, in order."""
    if not path.exists():
        return []
    with contextlib.closing(_connected(path)) as connection, connection:
        connection.executescript(_TABLES)
        return list(connection.execute("SELECT time_s, said FROM run_event WHERE run = ? ORDER BY rowid", (number,)))
