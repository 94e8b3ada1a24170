"""Probe, teach with a scripted hand, run and stop, with the same commands, at both boards.

One is the Python board, one the real firmware: the program as it goes into the chip, in the AVR simulator. Both drive
the simple stand-in, and both are reached over a pseudo-terminal as a serial port is.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import re
import signal
import sqlite3
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from handfast.bench.folder import read_bench
from handfast.mechanics.kinematics import tool_poses
from handfast.mechanics.model import model_of
from handfast.records.recording import read_recording
from handfast.routine.file import read_routine
from handfast.store.live_runs import events_of, recover
from handfast.store.runs import list_runs, load_run
from support import simulated
from support.at_a_board import Played, Simulation, hand, nodding_bench, upright
from support.commands import handfast

LED = {1: (20.0, -10.0, 30.0, 40.0, 5.0), 2: (-15.0, 20.0, 40.0, 20.0, 5.0)}
NODS = ((0, 0, 0, 0, 0), (14, 0, 12, 0, 0), (-14, 0, 12, 0, 0), (14, 0, 12, 0, 0))
SOAK = bool(os.environ.get("HANDFAST_SOAK"))


@pytest.fixture
def bench(tmp_path):
    """The seedling bench with a short routine, and empty side channels."""
    return nodding_bench(tmp_path / "bench", NODS)


@pytest.mark.parametrize(
    "kind", ["python", "firmware", *(["python and the twin", "firmware and the twin"] if SOAK else [])]
)
def test_probe_teach_run_and_stop(bench, kind):
    """Arms are found, led through two poses that store themselves, played back, and stopped by key in mid-run.

    The arms are the simple stand-in, in the long form the physics twin, too.
    """
    words = ["--seed", "3", "--hand", "hand.txt"]
    if "twin" in kind:
        twin = f"{sys.executable} -m handfast.rehearsal --bench {bench.root} --seed 3 --hand {bench.root}/hand.txt"
        words = ["--stand-in", twin]
    if "firmware" in kind:
        simulated.build()
        words.append("--firmware")
    with Simulation(bench.root, *words) as simulation:
        port = simulation.port
        done = handfast("board", "probe", "--port", port, "--json", cwd=bench.root)
        assert done.returncode == 0, done.stderr + done.stdout
        probed = json.loads(done.stdout)
        assert (probed["board"]["channels"], probed["board"]["version"]) == (12, "0.1.0")
        assert probed["findings"] == []
        # Simple arms stand upright, the twin's folded; true joints are off by up to 5 degrees and 3 %.
        assert all(abs(w["angle_deg"]) < (90.0 if "twin" in kind else 9.0) for w in probed["wipers"])

        teaching = Played(bench.root, port, "teach", "--name", "led", pressing=False)
        teaching.until("recording; h shows")
        for number, angles in LED.items():
            time.sleep(0.6)
            hand(bench, "left joints 900 " + " ".join(map(str, angles)))
            teaching.until(f"pose {number} stored: left")
        teaching.type("q")
        status, out = teaching.end()
        assert status == 0, teaching.lines
        assert "2 steps, 2 taught poses" in out
        routine = read_routine(bench.routines / "led.toml", read_bench(bench))
        for step, angles in zip(routine.steps, LED.values(), strict=True):
            if "twin" in kind:
                # The twin's hand holds the gripper: it brings the TCP there, joints as they come; 5 degrees are 27 mm.
                chain = model_of(read_bench(bench)).chain.only(0)
                at = [tool_poses(chain, np.array(q))[0, 0, :3, 3] for q in (step.left.pose, np.radians(angles))]
                assert np.linalg.norm(at[1] - at[0]) < 0.05
            else:
                assert np.degrees(step.left.pose) == pytest.approx(angles, abs=9.0)

        upright(bench)
        running = Played(bench.root, port, "run", "led", "--way", "raw", "--overrule", "miss", "--overrule", "clear")
        running.until(r"\d % go [234]")
        running.type("q")
        status, _ = running.end()
        assert status == 3, running.lines
        assert any("stopped by you" in line for line in running.lines)
        run = load_run(bench.database, 1)
        # Where it got to, it went where the targets went: within droop and lag.
        assert np.abs(run.feedback - run.command).max() < np.radians(20.0)
        done = handfast("board", "probe", "--no-power", "--port", port, "--json", cwd=bench.root)
        assert done.returncode == 0, done.stderr


def true_places(file: Path) -> tuple[np.ndarray, np.ndarray]:
    """Board times s (N,) and TCP places mm (N, 2, 3) of a twin's side channel for tests."""
    lines = [line for line in file.read_text().rsplit("\n", 1)[0].splitlines() if not line.startswith("#")]
    table = np.array([[float(word) for word in line.split()] for line in lines])
    return table[:, 0] * 1e-6, table[:, 1:].reshape(-1, 2, 3)


@pytest.mark.skipif(not SOAK, reason="ten minutes of board time: make soak")
@pytest.mark.parametrize("kind", ["python", "firmware"])
def test_the_whole_chain(bench, kind):
    """Hand, teach, sweep and calibrate, correct, run and score, all over the wire, on the physics twin of unseen arms.

    The twin's arms are drawn by seed. Three runs of the corrected routine land within the prediction's worst case, or
    5 mm, of where its poses were taught.
    """
    root = bench.root
    twin = f"{sys.executable} -m handfast.rehearsal --bench {root} --seed 3 --hand {root}/hand.txt"
    twin += f" --truth {root}/truth.txt"
    words = ["--stand-in", twin]
    if kind == "firmware":
        simulated.build()
        words.append("--firmware")
    with Simulation(root, *words) as simulation:
        teaching = Played(root, simulation.port, "teach", "--name", "led", pressing=False)
        teaching.until("recording; h shows")
        taught = []
        for number, angles in LED.items():
            time.sleep(0.6)
            hand(bench, "left joints 900 " + " ".join(map(str, angles)))
            teaching.until(f"pose {number} stored: left")
            taught.append(true_places(root / "truth.txt")[1][-1, 0])
        teaching.type("q")
        status, _ = teaching.end()
        assert status == 0, teaching.lines

        upright(bench)
        sweeping = Played(root, simulation.port, "calibrate", "--sweep", "--joint", "left yaw", "--apply")
        sweeping.until(r"left yaw \(1 of 1\)", 1800.0)
        status, said = sweeping.end()
        assert status == 0, "\n".join(sweeping.lines[-8:])
        assert "pulse_table" in (root / "measured.toml").read_text()
        assert "wiper_follows_supply_pct" in (root / "measured.toml").read_text(), said

        done = handfast("correct", "led", "--json", cwd=root)
        assert done.returncode == 0, done.stderr
        foretold = [row["corrected"]["worst_mm"] for row in json.loads(done.stdout)["landings"]]

        upright(bench)
        running = Played(
            root, simulation.port, "run", "led", "--repeat", "3", "--overrule", "miss", "--overrule", "clear"
        )
        status, _ = running.end(1800.0)
        assert status == 0, running.lines
        t, places = true_places(root / "truth.txt")
    rows = ["point,at_x_mm,at_y_mm,at_z_mm,x_mm,y_mm,z_mm"]
    for number, *_ in list_runs(bench.database):
        told = " ".join(said for _, said in events_of(bench.database, number))
        begun = re.search(r"from ([\d.]+) s of board time", told)
        assert begun is not None
        for k, rest in enumerate(r for r in load_run(bench.database, number).rests if not r.row):
            now = places[np.argmin(np.abs(t - float(begun[1]) - rest.time)), 0]
            rows.append(f"pose {k + 1}," + ",".join(f"{v:.3f}" for v in (*taught[k], *now)))
            assert np.linalg.norm(now - taught[k]) < max(foretold[k], 5.0)
    (root / "points.csv").write_text("\n".join(rows) + "\n")
    done = handfast("score", "points.csv", "--json", cwd=root)
    assert done.returncode == 0, done.stderr
    scored = json.loads(done.stdout)
    print(kind, "rms", scored["rms_mm"], "mm; foretold at worst", foretold, "mm")
    assert scored["rms_mm"] < 8.0


def board_time(bench):
    """Seconds of the board's time, as the stand-in's side channel for tests shows."""
    lines = (bench.root / "truth.txt").read_text().rsplit("\n", 2)
    return float(lines[-2].split()[0]) * 1e-6


def safe(port):
    """The board after its host was killed: relay off, stopped for lack of heartbeats (or not yet powered)."""
    from handfast.board.host import open_port

    with contextlib.closing(open_port(port)) as board:
        board.wait(lambda: board.known().state in ("stopped", "ready"), 3.0)
        status = board.known()
        assert not status.relay
        assert status.pulse == (0,) * 12
        assert (status.state, status.cause) in (("stopped", "link lost"), ("ready", "none"))
        board.clear()


def test_a_program_that_stalls(bench):
    """A heartbeat thread that waits half a second costs the permission, not the link; one that is gone costs both."""
    from handfast.board.host import BoardStopped, open_port
    from handfast.board.loading import limits_of

    with Simulation(bench.root, "--seed", "2") as simulation, contextlib.closing(open_port(simulation.port)) as board:
        board.load(*limits_of(read_bench(bench)))
        board.permission = lambda: True
        board.power_on()
        assert board.wait(lambda: board.known().permission, 1.0)
        beat, board._beat = board._beat, lambda now: None
        assert board.wait(lambda: not board.known().permission, 1.0)
        board.wait(lambda: False, 0.3)
        board.check_live()
        board._beat = beat
        assert board.wait(lambda: board.known().permission, 1.0)
        board._beat = lambda now: None
        assert board.wait(lambda: board.known().state == "stopped", 3.0)
        with pytest.raises(BoardStopped, match="link lost"):
            board.check_live()
        assert not board.known().relay


@pytest.mark.parametrize("what", ["teach", "run"])
def test_killed_at_a_random_moment(bench, what):
    """kill -9: every sample older than a second is on the disk, the file opens, the board goes safe; teach resumes."""
    rng = random.Random(what)
    rounds = 50 if SOAK else {"teach": 4, "run": 2}[what]
    with Simulation(bench.root, "--seed", "2", "--hand", "hand.txt", "--truth", "truth.txt") as simulation:
        for number in range(rounds):
            if what == "teach":
                resume = ["--resume"] if number else []
                words = ["teach", "--name", "cut", *resume]
                command = Played(bench.root, simulation.port, *words, pressing=False)
                before = rows(bench.recordings / "cut.csv") if number else 0.0
                command.until("recording; h shows")
                begun = board_time(bench)
            else:
                upright(bench)
                words = ["run", "nod", "--way", "raw", "--overrule", "miss"]
                command = Played(bench.root, simulation.port, *words)
                command.until(r"\d % go [12]")
            time.sleep(rng.uniform(0.2, 3.0) if what == "teach" else rng.uniform(1.2, 4.0))
            now = board_time(bench)
            os.kill(command.process.pid, signal.SIGKILL)
            status, _ = command.end()
            assert status == -signal.SIGKILL
            if what == "teach":
                assert rows(bench.recordings / "cut.csv") - before >= now - begun - 1.0
                read_recording(bench.recordings / "cut.csv", 12)
            else:
                with contextlib.closing(sqlite3.connect(bench.database)) as connection:
                    said = connection.execute(
                        "SELECT said FROM run_event WHERE said LIKE 'rows count from%'"
                    ).fetchall()
                origin = float(said[-1][0].split()[3])
                (kept,) = recover(bench.database)
                run = load_run(bench.database, kept)
                assert run.notes == ("cut off: the program ended in mid-run",)
                # A run sees a frame 20 ms after its end at the earliest.
                assert origin + run.t[-1] >= now - 1.0 - 0.06
                assert np.all(np.diff(run.t) > 0)
            safe(simulation.port)
        if what == "teach":
            last = Played(bench.root, simulation.port, "teach", "--name", "cut", "--resume", pressing=False)
            last.until("recording; h shows")
            hand(bench, "left joints 900 20 -10 30 40 5")
            last.until("pose 1 stored")
            last.type("q")
            status, out = last.end()
            assert status == 0, last.lines
            assert "1 step, 1 taught pose" in out
        else:
            assert len(list_runs(bench.database)) == rounds


def rows(path: Path) -> float:
    """Time of the last row of a recording, s."""
    return float(path.read_text().rstrip("\n").rsplit("\n", 1)[1].split(",")[0]) / 1e3
