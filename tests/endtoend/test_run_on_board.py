"""`handfast run` behind the wire: on a Python board in memory, and over a pseudo-terminal with keys."""

from __future__ import annotations

import json
import os
import re
import time

import numpy as np
import pytest

from handfast.store.live_runs import events_of
from handfast.store.runs import list_runs, load_run
from support.at_a_board import Played, Simulation, nodding_bench
from support.commands import handfast, said

OVERRULE = ("--overrule", "miss")
NODS = ((0, 0, 0, 0, 0), (14, 0, 12, 0, 0), (-14, 0, 12, 0, 0), (14, 0, 12, 0, 0))
"""Poses of the left arm, degrees."""


@pytest.fixture
def bench(tmp_path):
    """The seedling bench, with a short routine near where simulated arms are found."""
    return nodding_bench(tmp_path / "bench", NODS)


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
    # Both stop trimming at 0.05° per joint, or after 16 rounds; noise of a reading adds.
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
    assert re.search(r"miss fails: \w+ arm, step \d+ \(.*: lands [\d.]+ mm off", done.stderr)
    assert "--overrule miss" in done.stderr
    assert not bench.database.exists()
    done = handfast("run", "pass-pot", "--overrule", "mis", "--board", "python", cwd=bench.root)
    assert done.returncode == 2
    assert "(nearest: miss)" in done.stderr
    done = handfast("run", "pass-pot", "--way", "raw", *OVERRULE, "--port", "/dev/none", cwd=bench.root)
    assert done.returncode == 2
    assert said(done).startswith("handfast: /dev/none: cannot be opened")
    assert "relay" not in done.stderr
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
        played = Played(bench.root, simulation.port, "run", *words)
        played.until(r"0\.7 s of motion")
        played.until(r"\d % go [234]")
        played.pressing = False
        waiting = played.until(r"WAITING FOR YOU")
        time.sleep(1.5)
        share = [line.split("%")[0] for line in played.lines if "WAITING" in line]
        assert len(share) < 2 or share[-1] == share[-2], (waiting, played.lines)
        played.lines.clear()
        played.pressing = True
        played.until(r"\d % go [34]")
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
    (bench.root / "hand.txt").write_text("")
    with Simulation(bench.root, "--seed", "2", "--hand", "hand.txt") as simulation:
        for says in ("0.7 s of motion", "once to start"):
            # Limp arms sink past their travel: a hand brings them back to where they balance.
            with (bench.root / "hand.txt").open("a") as hand:
                for arm in ("left", "right"):
                    hand.write(f"0 {arm} joints 900 0 0 0 0 0\n")
            time.sleep(2.0)
            with (bench.root / "hand.txt").open("a") as hand:
                hand.write("0 left free\n0 right free\n")
            played = Played(bench.root, simulation.port, "run", *words)
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
        played = Played(bench.root, simulation.port, "run", "nod", "--way", "raw", *OVERRULE)
        played.until(r"\d % go [234]")
        if how == "input":
            simulation.order("stop 1")
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
