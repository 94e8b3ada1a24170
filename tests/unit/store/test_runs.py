"""Runs in SQLite: whole or not at all, and errors of the library in our words."""

from __future__ import annotations

import sqlite3
import threading
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from handfast.errors import FaultError, InputError
from handfast.records.run import Grip, Rest, Run
from handfast.store.runs import LAYOUT, list_runs, load_run, prepare, save_run


def run(**other) -> Run:
    """A small run with two rests."""
    rng = np.random.default_rng(0)
    rests = tuple(
        Rest(n, side, row, 0.5 + n, *rng.normal(size=(5, 5)), 2, 5.9, 0.045)
        for n, (side, row) in enumerate((("left", None), ("right", 7)))
    )
    values = {
        "routine": "a", "mode": "raw", "board": "none", "started": "2026-01-01T00:00:00", "t": np.arange(3) * 0.02,
        "command": rng.normal(size=(3, 10)), "feedback": rng.normal(size=(3, 10)), "supply": np.full((3, 2), 5.9),
        "current": rng.normal(size=(3, 2)), "step": np.zeros((3, 2), dtype=int), "rests": rests, "notes": ("x", "y"),
        "grips": (Grip(2, "right", 1.5, 0.0345, 0.05, True), Grip(5, "left", 9.25, 0.031, 0.0, False)),
    }  # fmt: skip
    return Run(**{**values, **other})


def test_a_run_comes_back_as_it_was_stored(tmp_path):
    """Every array, rest and note, bit for bit."""
    path = tmp_path / "bench.sqlite"
    stored = run()
    number = save_run(path, stored)
    found = load_run(path, number)
    assert number == 1
    for name in ("t", "command", "feedback", "supply", "current", "step"):
        assert np.array_equal(getattr(found, name), getattr(stored, name))
    assert (found.routine, found.mode, found.board, found.started, found.notes) == (
        stored.routine, stored.mode, stored.board, stored.started, stored.notes,
    )  # fmt: skip
    assert [(r.step, r.side, r.row, r.time, r.trims, r.supply, r.load) for r in found.rests] == [
        (r.step, r.side, r.row, r.time, r.trims, r.supply, r.load) for r in stored.rests
    ]
    assert found.grips == stored.grips
    for a, b in zip(found.rests, stored.rests, strict=True):
        for name in ("target", "feedback", "command", "noise", "moved"):
            assert np.array_equal(getattr(a, name), getattr(b, name))


def test_counts_as_limp_arms_would_show_them_come_back_where_they_are_known(tmp_path):
    """Beside their own rest, stored out of the order of time; a rest without them has none, nor has an old database."""
    path = tmp_path / "bench.sqlite"
    late, early = run().rests[::-1]
    number = save_run(path, run(rests=(replace(late, counts=np.array([512.25, 300.0])), early)))
    assert [None if r.counts is None else r.counts.tolist() for r in load_run(path, number).rests] == [
        None, [512.25, 300.0],
    ]  # fmt: skip
    with sqlite3.connect(path) as connection:
        connection.execute("DROP TABLE limp_feedback")
    assert [r.counts for r in load_run(path, number).rests] == [None, None]


def test_a_database_from_before_grips_were_kept_is_read_and_added_to(tmp_path):
    """Its runs have none; the next one that is stored has its own."""
    path = tmp_path / "bench.sqlite"
    old = save_run(path, run(grips=()))
    with sqlite3.connect(path) as connection:
        connection.execute("DROP TABLE grip")
    assert load_run(path, old).grips == ()
    assert len(load_run(path, save_run(path, run())).grips) == 2


def test_runs_are_listed_oldest_first(tmp_path):
    """And none where nothing was stored; asking makes no file."""
    path = tmp_path / "bench.sqlite"
    assert list_runs(path) == []
    assert not path.exists()
    for name in ("a", "b"):
        save_run(path, run(routine=name, notes=()))
    assert [(n, name) for n, _, name, _, _ in list_runs(path)] == [(1, "a"), (2, "b")]
    assert load_run(path, 2).notes == ()


def test_a_run_that_is_not_there(tmp_path):
    """What was asked for, and the numbers there are; asking makes no file."""
    path = tmp_path / "bench.sqlite"
    with pytest.raises(InputError, match="no run is stored"):
        load_run(path, 1)
    assert not path.exists()
    save_run(path, run())
    with pytest.raises(InputError, match=r"no run 7\n.*\n  available: 1\n  next: "):
        load_run(path, 7)


def test_a_database_of_another_layout_is_left_alone(tmp_path):
    """The message names its layout and ours; the file keeps every byte."""
    path = tmp_path / "bench.sqlite"
    with sqlite3.connect(path) as other:
        other.execute(f"PRAGMA user_version = {LAYOUT + 1}")
    other.close()
    before = path.read_bytes()
    for use in (prepare, lambda p: save_run(p, run()), lambda p: load_run(p, 1), list_runs):
        with pytest.raises(InputError, match=rf"layout {LAYOUT + 1}\n  expected: layout {LAYOUT}"):
            use(path)
    assert path.read_bytes() == before


@pytest.mark.parametrize("kind", ["folder", "text", "blocked"])
def test_a_database_that_cannot_be_used_is_a_fault(tmp_path, kind):
    """A folder, some other file, or a folder on the way that is a file: one message, nothing changed."""
    path = tmp_path / "bench.sqlite"
    if kind == "folder":
        path.mkdir()
    elif kind == "text":
        path.write_text("not a database, and long enough to be looked at as one" * 10)
    else:
        (tmp_path / "file").write_text("")
        path = tmp_path / "file" / "bench.sqlite"
    before = sorted(p.name for p in tmp_path.iterdir())
    for use in (prepare, lambda p: save_run(p, run())):
        with pytest.raises(FaultError, match="the database cannot be used") as caught:
            use(path)
        assert str(path) in str(caught.value)
    assert sorted(p.name for p in tmp_path.iterdir()) == before


def test_a_run_that_cannot_be_stored_whole_is_not_stored(tmp_path):
    """A rest that the table refuses takes the run's own row with it."""
    path = tmp_path / "bench.sqlite"
    save_run(path, run())
    bad = run(rests=(Rest(0, None, None, 0.0, *np.zeros((5, 5)), 0, 6.0, 0.0),))  # type: ignore[arg-type]
    with pytest.raises(FaultError):
        save_run(path, bad)
    assert len(list_runs(path)) == 1


def test_two_programs_may_start_on_a_new_database_at_once(tmp_path):
    """Eight threads store a run each in a database that is not there yet."""
    path = tmp_path / "bench.sqlite"
    failed: list[BaseException] = []

    def store() -> None:
        try:
            save_run(path, run())
        except BaseException as error:
            failed.append(error)

    threads = [threading.Thread(target=store) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    assert len(list_runs(path)) == 8


def test_preparing_twice_changes_nothing(tmp_path):
    """It may be called before every run."""
    path = Path(tmp_path) / "new" / "bench.sqlite"
    prepare(path)
    prepare(path)
    assert list_runs(path) == []
