"""`handfast run` behind the wire: on a Python board in memory, and over a pseudo-terminal with keys."""

from __future__ import annotations

import contextlib
import json
import os
import re
import subprocess
import sys
import threading
import time

import numpy as np
import pytest

from handfast.bench.new import new_bench
from handfast.routine.file import write_routine
from handfast.store.live_runs import events_of
from handfast.store.runs import list_runs, load_run
from support import seedling
from support.commands import handfast

OVERRULE = ("--overrule", "miss")
NODS = ((0, 0, 0, 0, 0), (14, 0, 12, 0, 0), (-14, 0, 12, 0, 0), (14, 0, 12, 0, 0))
"""Poses of the left arm, degrees."""


@pytest.fixture
def bench(tmp_path):
    """The seedling bench, with a short routine near where simulated arms are found."""
    folder = new_bench(tmp_path / "bench")
    steps = [seedling.go("left", *a, name=f"go {i}") for i, a in enumerate(NODS, 1)]
    write_routine(folder.routines / "nod.toml", seedling.routine_of(*steps, pace=0.5), seedling.bench(), "short")
    return folder


def start(*words, cwd, stdin=subprocess.PIPE):
    """A command that goes on while the test does."""
    return subprocess.Popen(
        [sys.executable, "-W", "error", "-m", "handfast", *map(str, words)],
        cwd=cwd, text=True, stdin=stdin, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip


class Simulation:
    """`handfast board simulate`; a context manager."""

    def __init__(self, folder, *words):
        self._words, self._folder = words, folder

    def __enter__(self):
        self.process = start("board", "simulate", *self._words, cwd=self._folder)
        self.port = self.process.stdout.readline().strip()
        assert self.port.startswith("/dev/"), self.process.stderr.read()
        return self

    def order(self, words):
        """What a hand does at the board."""
        self.process.stdin.write(words + "\n")
        self.process.stdin.flush()

    def __exit__(self, *_):
        self.process.terminate()
        self.said = self.process.communicate(timeout=20)[1]


class Played:
    """A run over a port with somebody at the keys: presses the space bar every so often until told otherwise."""

    def __init__(self, folder, port, *words):
        self.process = start("run", *words, "--port", port, cwd=folder)
        self.lines = []
        self.pressing = True
        self._threads = [threading.Thread(target=work) for work in (self._listen, self._press)]
        for thread in self._threads:
            thread.start()

    def _listen(self):
        for line in self.process.stderr:
            self.lines.append(line.rstrip())

    def _press(self):
        while self.process.poll() is None:
            if self.pressing:
                self.type(" ")
            time.sleep(0.2)

    def type(self, letters):
        """Press keys."""
        with contextlib.suppress(BrokenPipeError, ValueError):
            self.process.stdin.write(letters)
            self.process.stdin.flush()

    def until(self, pattern, seconds=90.0):
        """Wait for a line; returns it."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            for line in list(self.lines):
                if re.search(pattern, line):
                    return line
            time.sleep(0.05)
        raise AssertionError(f"no line like {pattern!r} in:\n" + "\n".join(self.lines))

    def end(self, seconds=120.0):
        """Wait for the end; returns exit status and what it printed."""
        try:
            status = self.process.wait(seconds)
        finally:
            if self.process.poll() is None:
                self.process.kill()
            for thread in self._threads:
                thread.join()
        out = self.process.stdout.read()
        for stream in (self.process.stdin, self.process.stdout, self.process.stderr):
            with contextlib.suppress(BrokenPipeError):
                stream.close()
        return status, out


def test_a_run_behind_the_wire_is_like_one_straight_at_the_arms(bench):
    """The same arms of the same seed: poses are trimmed to within the same bounds, and the run is stored whole."""
    words = ("run", "pass-pot", "--way", "trimmed", "--seed", "4", "--json")
    behind = handfast(*words, "--board", "python", *OVERRULE, cwd=bench.root)
    assert behind.returncode == 0, behind.stderr
    straight = handfast(*words, cwd=bench.root)
    found = [json.loads(done.stdout) for done in (behind, straight)]
    lacking = [
        [max(abs(np.array(r["target_deg"]) - r["feedback_deg"])) for r in run["rests"] if not r["row"]] for run in found
    ]
    assert len(lacking[0]) == len(lacking[1]) == 11
    # Both stop trimming at 0.08° per joint, or after 14 rounds; noise of a reading adds.
    assert np.median(lacking[0]) < 0.25
    assert np.median(lacking[1]) < 0.25
    run = load_run(bench.database, found[0]["run"])
    assert "Python board in memory" in run.board
    assert run.notes[-1] == "overruled: miss"
    assert any("attached" in said for _, said in events_of(bench.database, found[0]["run"]))
    assert "ISO 10218-1" in behind.stderr
    assert behind.stderr.index("before it moves") < behind.stderr.index("the relay goes on")


def test_what_fails_is_refused_before_anything_moves(bench):
    """Status 2, the answer with its reason, and how to overrule; no board is opened, nothing is stored."""
    done = handfast("run", "pass-pot", "--way", "trimmed", "--port", "/dev/none", cwd=bench.root)
    assert done.returncode == 2
    assert "miss fails: left arm, step 6 (pass 1)" in done.stderr
    assert "--overrule miss" in done.stderr
    assert not bench.database.exists()
    done = handfast("run", "pass-pot", "--overrule", "mis", "--board", "python", cwd=bench.root)
    assert done.returncode == 2
    assert "(nearest: miss)" in done.stderr
    done = handfast("run", "pass-pot", "--way", "raw", *OVERRULE, "--port", "/dev/none", cwd=bench.root)
    assert done.returncode == 2
    assert "/dev/none: cannot be opened" in done.stderr
    assert "Traceback" not in done.stderr


def test_two_times_in_a_row(bench):
    """--repeat plays on from where the arms stand; each run is stored."""
    done = handfast("run", "nod", "--way", "raw", "--repeat", "2", "--board", "python", *OVERRULE, "--json",
                    cwd=bench.root)  # fmt: skip
    assert done.returncode == 0, done.stderr
    runs = json.loads(done.stdout)["runs"]
    assert len(runs) == len(list_runs(bench.database)) == 2
    # Every servo is attached once, before the first of them: between the two nothing went limp.
    attached = [sum("attached" in said for _, said in events_of(bench.database, run["run"])) for run in runs]
    assert attached == [12, 0]


def test_over_a_port_with_keys(bench):
    """The first run is slow and only goes on while keys are pressed; the second, unchanged, starts at one press."""
    words = ("nod", "--way", "raw", *OVERRULE)
    with Simulation(bench.root, "--seed", "2") as simulation:
        played = Played(bench.root, simulation.port, *words)
        played.until(r"0\.7 s of motion")
        played.until(r"\d % go 2")
        played.pressing = False
        waiting = played.until(r"WAITING FOR YOU")
        time.sleep(1.5)
        share = [line.split("%")[0] for line in played.lines if "WAITING" in line]
        assert len(share) < 2 or share[-1] == share[-2], (waiting, played.lines)
        played.pressing = True
        played.until(r"\d % go 3")
        assert any(re.search(r"\d V  [\d.]+ A left [\d.]+ A right  \w+ \w+ [\d.]+° behind", x) for x in played.lines)
        played.type("q")
        status, _ = played.end()
        assert status == 3
        assert any("stopped by you" in line for line in played.lines), played.lines
    run = load_run(bench.database, 1)
    assert run.notes == ("ended early: stopped by you; the board ramps down and cuts the servo power",)
    assert len(run.t) > 50


@pytest.mark.soak
@pytest.mark.skipif(not os.environ.get("HANDFAST_SOAK"), reason="long form: make soak")
def test_the_second_run_is_at_full_pace(bench):
    """Played slowly to its end once, an unchanged routine starts at one press of a key and goes at its own pace."""
    words = ("nod", "--way", "raw", *OVERRULE)
    with Simulation(bench.root, "--seed", "2") as simulation:
        for says in ("0.7 s of motion", "once to start"):
            played = Played(bench.root, simulation.port, *words)
            played.until(re.escape(says))
            status, out = played.end(300)
            assert status == 0, played.lines
            assert "test, raw" in out
    paces = [[n for n in load_run(bench.database, k).notes if n.startswith("pace")] for k in (1, 2)]
    assert paces == [["pace 0.35"], ["pace 1.00"]]


@pytest.mark.parametrize("how", ["input", "link"] if os.environ.get("HANDFAST_SOAK") else ["input"])
def test_stopping_in_mid_run(bench, how):
    """By the board's own input, by a lost link: status 3, the cause named, the run kept as far as it came."""
    with Simulation(bench.root, "--seed", "2") as simulation:
        played = Played(bench.root, simulation.port, "nod", "--way", "raw", *OVERRULE)
        played.until(r"\d % go 2")
        if how == "input":
            simulation.order("stop open")
            says = "the board stopped: hardware stop"
        else:
            simulation.process.kill()
            says = "link is gone|fallen silent"
        status, _ = played.end()
        assert status == 3, played.lines
        assert any(re.search(says, line) for line in played.lines), played.lines
        run = load_run(bench.database, 1)
        assert "ended early" in run.notes[0]
        assert len(run.t) > 50
        if how == "input":
            done = handfast("board", "probe", "--no-power", "--port", simulation.port, "--json", cwd=bench.root)
            assert done.returncode == 0, done.stderr
            assert json.loads(done.stdout)["board"]["stop_input"] == "open"
