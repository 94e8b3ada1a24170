"""The whole job by command, in fresh folders: statuses, what is printed, what is left on the disk."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from handfast.bench.folder import BenchFolder, read_bench
from handfast.routine.file import read_routine
from handfast.store.runs import list_runs, load_run
from support import seedling
from support.commands import contents, handfast, said

QUESTIONS = ["reach", "lift", "pace", "clear", "grip", "miss", "power", "heat"]
"""Those that every routine is asked."""


@pytest.fixture(scope="module")
def taught(tmp_path_factory) -> Path:
    """A new seedling bench with a recording of one routine, led by seed 5, and what `teach` said about it."""
    place = tmp_path_factory.mktemp("taught")
    done = handfast("new", "bench", cwd=place)
    assert (done.returncode, said(done)) == (0, "")
    assert "bench: a bench with 3 routines (carry-tray, pass-pot, write-label)" in done.stdout
    bench = place / "bench"
    (place / "truth").mkdir()
    seedling.example("seedling_hands").record(BenchFolder(bench), "pass-pot", 5, place / "truth")
    return bench


@pytest.fixture(scope="module")
def routine(taught) -> Path:
    """The routine that was taught under a name of its own."""
    done = handfast("teach", "--recording", "recordings/pass-pot.csv", "--name", "mine", cwd=taught)
    assert (done.returncode, said(done)) == (0, "")
    assert "mine.toml: " in done.stdout
    assert "next: handfast check mine" in done.stdout
    return taught / "routines" / "mine.toml"


def test_the_help_is_there_without_heavy_libraries(tmp_path):
    """Status 0, every command, and neither numpy nor numba loaded for it."""
    done = handfast("--help", cwd=tmp_path)
    assert done.returncode == 0
    for command in ("new", "check", "teach", "correct", "run"):
        assert f"    {command} " in done.stdout
    loads = "import sys; from handfast.cli.main import parser; parser(); print({'numpy', 'numba'} & set(sys.modules))"
    assert subprocess.check_output([sys.executable, "-c", loads], text=True).strip() == "set()"


def test_a_taught_routine_says_what_was_done(routine):
    """Every step of the script, in order, with its poses."""
    bench = read_bench(BenchFolder(routine.parents[1]))
    found = read_routine(routine, bench)
    assert [step.do for step in found.steps].count("pass") == 1
    assert [s.do for s in found.steps][:3] == ["go", "go", "grip"]
    assert routine.read_text().startswith("# Taught by hand: recordings/pass-pot.csv.")
    assert found.about.recording == "recordings/pass-pot.csv"


def test_an_old_routine_is_not_replaced_unasked(routine):
    """Status 2 and the way out; with --replace it is."""
    bench = routine.parents[1]
    before = contents(bench)
    done = handfast("teach", "--recording", "recordings/pass-pot.csv", "--name", "mine", cwd=bench)
    assert done.returncode == 2
    assert "this routine is already there" in done.stderr
    assert "--replace" in done.stderr
    assert contents(bench) == before
    done = handfast("teach", "--recording", "recordings/pass-pot.csv", "--name", "mine", "--replace", cwd=bench)
    assert done.returncode == 0
    assert contents(bench) == before


def test_check_prints_answers_and_ends_with_1_where_one_fails(routine):
    """A freshly taught routine misses by more than it may: status 1, and the change that turns it."""
    done = handfast("check", "mine", "--json", cwd=routine.parents[1])
    assert (done.returncode, said(done)) == (1, "")
    found = json.loads(done.stdout)
    (only,) = found["routines"]
    assert only["routine"] == "mine"
    assert [a["question"] for a in only["answers"]] == QUESTIONS
    miss = only["answers"][QUESTIONS.index("miss")]
    assert miss["verdict"] == "fails"
    assert miss["changes"][0]["change"].startswith("correct the routine")
    text = handfast("check", routine, "--no-changes", cwd=routine.parents[2])
    assert text.returncode == 1
    for question in QUESTIONS:
        assert f"\n  {question} " in text.stdout


def test_correct_rewrites_commands_only_and_check_then_looks_at_them(routine):
    """Taught poses stay; the file is read back; predicted misses shrink; the question is asked of the corrected one."""
    bench_folder = routine.parents[1]
    bench = read_bench(BenchFolder(bench_folder))
    before = read_routine(routine, bench)
    done = handfast("correct", "mine", "--json", cwd=bench_folder)
    assert (done.returncode, said(done)) == (0, "")
    landings = json.loads(done.stdout)["landings"]
    after = read_routine(routine, bench)
    for a, b in zip(before.steps, after.steps, strict=True):
        for side in a.sides:
            one, other = a.taught(side), b.taught(side)
            if one is not None:
                assert (one.pose, one.held, one.arrived, one.at) == (other.pose, other.held, other.arrived, other.at)
                assert other.command is not None
    middle = {way: np.median([x[way]["expected_mm"] for x in landings]) for way in ("raw", "trimmed", "corrected")}
    assert middle["corrected"] < middle["trimmed"] < middle["raw"]
    checked = json.loads(handfast("check", "mine", "--json", "--no-changes", cwd=bench_folder).stdout)
    miss = next(a for a in checked["routines"][0]["answers"] if a["question"] == "miss")
    assert "when corrected" in miss["why"]
    worst = max(x["corrected"]["expected_mm"] for x in landings)
    assert miss["margin"] == pytest.approx(5.0 / worst, rel=2e-3)


@pytest.mark.parametrize("way", ["raw", "trimmed", "corrected"])
def test_run_plays_and_stores(routine, tmp_path, way):
    """Three ways; every taught pose is noted; the run is in the database as it was printed; the truth where asked."""
    bench = routine.parents[1]
    truth = tmp_path / "t" / "truth.txt"
    done = handfast("run", "mine", "--way", way, "--seed", "5", "--truth", truth, "--json", cwd=bench)
    assert (done.returncode, said(done)) == (0, "")
    found = json.loads(done.stdout)
    stored = load_run(bench / "bench.sqlite", found["run"])
    assert (stored.mode, stored.routine) == (way, "mine")
    assert len(stored.rests) == len(found["rests"])
    poses = sum(1 for s in read_routine(routine, read_bench(BenchFolder(bench))).steps for t in (s.left, s.right) if t)
    assert len(found["rests"]) == poses
    assert np.degrees(stored.rests[0].target) == pytest.approx(found["rests"][0]["target_deg"], abs=1e-4)
    assert any("seed 5" in note for note in stored.notes)
    times = np.loadtxt(truth)[:, 0] * 1e-6
    assert times[-1] == pytest.approx(found["duration_s"], abs=0.05)


def test_runs_are_told_in_words(routine):
    """Without --json: number, way, how near the feedback came, and where it is stored."""
    bench = routine.parents[1]
    before = len(list_runs(bench / "bench.sqlite"))
    done = handfast("run", "mine", "--way", "trimmed", cwd=bench)
    assert done.returncode == 0
    assert f"run {before + 1}: mine, trimmed, on simulated arms, in memory" in done.stdout
    assert "feedback came to rest within" in done.stdout
    assert "bench.sqlite" in done.stdout


def test_the_demo_bench_holds_a_routine_that_fails_nothing(tmp_path):
    """Status 0 needs no answer to fail: the shipped carry with a wide tolerance."""
    assert handfast("new", "b", cwd=tmp_path).returncode == 0
    file = tmp_path / "b" / "routines" / "carry-tray.toml"
    text = file.read_text().replace("[routine]\n", "[routine]\ntolerance_mm = 40\n")
    assert text.count("tolerance_mm") == 1
    file.write_text(text)
    done = handfast("check", "carry-tray", "--no-changes", cwd=tmp_path / "b")
    assert (done.returncode, said(done)) == (0, "")


def test_all_routines_are_checked_if_none_is_named(tmp_path):
    """From a folder inside the bench, the nearest bench upwards."""
    assert handfast("new", "b", cwd=tmp_path).returncode == 0
    done = handfast("check", "--no-changes", "--json", cwd=tmp_path / "b" / "routines")
    assert done.returncode == 1
    names = [r["routine"] for r in json.loads(done.stdout)["routines"]]
    assert names == ["carry-tray", "pass-pot", "write-label"]


def test_hardware_and_disk_faults_end_with_3(tmp_path):
    """A database that cannot be used, a truth file that cannot be written: before anything is played."""
    assert handfast("new", "b", cwd=tmp_path).returncode == 0
    bench = tmp_path / "b"
    (bench / "bench.sqlite").mkdir()
    before = contents(bench)
    done = handfast("run", "pass-pot", cwd=bench)
    assert done.returncode == 3
    assert "the database cannot be used" in done.stderr
    assert "Traceback" not in done.stderr
    assert contents(bench) == before
    (bench / "bench.sqlite").rmdir()
    done = handfast("run", "pass-pot", "--truth", ".", cwd=bench)
    assert done.returncode == 3
    assert "the true positions cannot be written there" in done.stderr


def test_a_reader_that_goes_away_is_no_error(tmp_path):
    """A pipe that nobody reads any more: quiet, and no traceback."""
    assert handfast("new", "b", cwd=tmp_path).returncode == 0
    words = f"set -o pipefail; {sys.executable} -m handfast check --no-changes --json | true"
    done = subprocess.run(
        ["bash", "-c", words], cwd=tmp_path / "b", capture_output=True, text=True, check=False
    )  # fmt: skip
    assert (done.returncode, done.stdout, said(done)) == (0, "", "")
