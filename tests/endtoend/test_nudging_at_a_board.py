"""`handfast run ROUTINE --nudge`: arms stand at their poses, and somebody at the keys moves TCPs onto their marks."""

from __future__ import annotations

import json
import os
import re
import signal
import statistics
import time

import numpy as np
import pytest

from handfast.bench.folder import read_bench
from handfast.bench.new import new_bench
from handfast.bench.parts import SIDES
from handfast.correction.correct import correct
from handfast.desk import measuring, work
from handfast.mechanics.model import model_of
from handfast.records.readings import read_readings
from handfast.routine.file import read_routine
from handfast.sessions.nudging import AtTheKeys
from handfast.sessions.run import Creep, play
from handfast.standins.direct import DirectBoard
from handfast.standins.servo_model import ServoArms
from handfast.store.live_runs import events_of
from handfast.store.runs import list_runs, load_run
from support import seedling
from support.at_a_board import Played, Simulation, hand, nodding_bench, start, upright
from support.commands import contents, handfast

POSES = {1: (14, 45, 40, 20, 5), 2: (4, 52, 34, 30, 5)}
SOAK = bool(os.environ.get("HANDFAST_SOAK"))


@pytest.fixture
def bench(tmp_path):
    """A seedling bench with an empty file for a hand."""
    folder = new_bench(tmp_path / "bench")
    (folder.root / "hand.txt").write_text("")
    return folder


def place(bench):
    """Where the left TCP is now, mm, by the stand-in's side channel for tests."""
    time.sleep(0.1)
    line = (bench.root / "truth.txt").read_text().rsplit("\n", 2)[-2]
    return np.array([float(v) for v in line.split()[1:4]])


def taught(bench, simulation):
    """Lead the left arm through `POSES`; returns the true places at which they were stored, mm."""
    teaching = Played(bench.root, simulation.port, "teach", "--name", "led", "--hands", "held", pressing=False)
    teaching.until("recording; h shows")
    places = []
    for number, angles in POSES.items():
        time.sleep(0.6)
        hand(bench, "left joints 900 " + " ".join(map(str, angles)))
        teaching.until(f"pose {number} stored: left")
        places.append(place(bench))
    teaching.type("q")
    status, _ = teaching.end()
    assert status == 0, teaching.lines
    return places


def onto(running, bench, mark):
    """Press keys until the TCP is on its mark, as well as an eye sees it; returns how far it was off at first, mm."""
    first = place(bench)
    running.lines.clear()
    running.type("ss")
    running.until("0.2 mm at a press")
    for _ in range(8):
        away = mark - place(bench)
        if np.abs(away).max() < 0.3:
            break
        running.lines.clear()
        presses = [min(12, round(abs(x) / 0.2)) for x in away]
        running.type("".join((a if x > 0 else a.upper()) * n for a, x, n in zip("xyz", away, presses, strict=True)))
        running.until("mm from where it came to rest")
        time.sleep(0.5)
        still(bench)
    running.lines.clear()
    running.type("\n")
    return float(np.linalg.norm(mark - first))


def still(bench):
    """Wait until the TCP has not moved for a while."""
    last, since = place(bench), time.monotonic()
    while time.monotonic() - since < 1.0:
        now = place(bench)
        if np.abs(now - last).max() > 0.05:
            last, since = now, time.monotonic()


@pytest.mark.skipif(not SOAK, reason="two minutes of board time: make soak")
def test_marks_are_learned_from(bench):
    """Two poses, one of them nudged, the other left out: played again, the first lands nearer to its mark."""
    with Simulation(bench.root, "--seed", 4, "--hand", "hand.txt", "--truth", "truth.txt") as simulation:
        marks = taught(bench, simulation)
        assert handfast("correct", "led", cwd=bench.root).returncode == 0
        upright(bench)
        words = ["run", "led", "--nudge", "--overrule", "miss", "--overrule", "clear"]
        running = Played(bench.root, simulation.port, *words)
        off = {}
        for number in POSES:
            said = running.until(rf"left arm, step {number} .*is its TCP on the mark")
            assert "foreseen" in said
            still(bench)
            if number == 2:
                running.type("n")
                running.until("left out")
            else:
                off[number] = onto(running, bench, marks[number - 1])
                assert "with this" in running.until("mark 1: its poses were foreseen")
        status, out = running.end()
        print("\n".join(running.lines), out)
        assert status == 0, running.lines
        assert "learned from 1 mark " in out
        readings = read_readings(bench.root / "readings" / "nudges.toml", read_bench(bench, measured=False))
        assert [len(r.feedback) for r in readings.landings] == [5]
        assert all(np.abs(r.off).max() == 0.0 for r in readings.landings)
        routine = read_routine(bench.routines / "led.toml", read_bench(bench))
        assert [step.left.nudge is not None for step in routine.steps] == [True, False]

        upright(bench)
        again = Played(bench.root, simulation.port, *[word for word in words if word != "--nudge"])
        status, _ = again.end()
        assert status == 0, again.lines
    now = landed(bench, list_runs(bench.database)[-1][0])
    after = {number: float(np.linalg.norm(now[number - 1] - marks[number - 1])) for number in POSES}
    print("off before, mm", off, "after", after)
    assert all(after[number] < max(1.0, 0.6 * before) for number, before in off.items())


def landed(bench, number):
    """True places of the left TCP, mm, at the poses of run `number`."""
    told = " ".join(said for _, said in events_of(bench.database, number))
    begun = re.search(r"from ([\d.]+) s of board time", told)
    assert begun is not None
    table = np.loadtxt(bench.root / "truth.txt", comments="#")
    rests = [rest.time for rest in load_run(bench.database, number).rests if not rest.row]
    return [table[np.argmin(np.abs(table[:, 0] * 1e-6 - float(begun[1]) - time)), 1:4] for time in rests]


class Maker(AtTheKeys):
    """Somebody at the keys whose eyes are an arm's true place: types what brings it there, then Enter; leaves every
    third pose out."""

    def __init__(self, routine, arms, marks):
        super().__init__(routine, {}, self.type, lambda: None, lambda said: None, lambda marks: "")
        self.arms, self.places, self.looked, self.at, self.first = arms, marks, 0, None, {}

    def asks(self, arrival):
        """Looks how far it is off."""
        self.at, self.looked = arrival, 0
        self.first[arrival.step, arrival.side] = self.away()
        return super().asks(arrival)

    def away(self):
        """Way to the mark, m."""
        arm = SIDES.index(self.at.side)
        return self.places[self.at.step, self.at.side] - self.arms.tool_positions()[arm]

    def type(self):
        """Keys for the way that is seen."""
        if len(self.first) % 3 == 0:
            return "n"
        off = self.away()
        self.looked += 1
        if self.looked > 4 or np.abs(off).max() < 0.5e-3:
            return "\n"
        steps = [min(40, round(abs(v) / 0.5e-3)) for v in off]
        return "".join((key if v > 0 else key.upper()) * n for key, v, n in zip("xyz", off, steps, strict=True))


def test_nudged_poses_land_on_their_marks(tmp_path):
    """Simulated arms, an eye that sees half a millimetre: what was nudged lands there when it is played again."""
    seedling_hands = seedling.example("seedling_hands")
    folder = new_bench(tmp_path / "bench")
    truth = seedling_hands.record(folder, "pass-pot", 3, tmp_path)
    desk = work.open_bench(folder.root)
    path, routine, _ = work.teach(desk, folder.recordings / "pass-pot.csv", "pass-pot", True)
    table = np.loadtxt(tmp_path / "pass-pot-taught.txt")
    places = {}
    for number, step in enumerate(routine.steps):
        for side in step.sides:
            said = step.taught(side)
            if said is not None and said.pose is not None:
                row = table[np.argmin(np.abs(table[:, 0] * 1e-6 - said.at))]
                places[number, side] = row[1:].reshape(2, 3)[SIDES.index(side)] * 1e-3

    def play_it(desk, nudged):
        model = model_of(desk.bench)
        correction = correct(model, read_routine(path, desk.bench))
        creeps = {sample: Creep(way) for sample, way in correction.approach.items()}
        arms = ServoArms(truth, 12, 77, seedling_hands.rest_pose(desk.bench))
        maker = Maker(correction.routine, arms, places)
        if not nudged:
            maker.type = lambda: "n"
            maker.keys = maker.type
        play(model, correction.motion, DirectBoard(desk.bench, arms), "corrected", creeps, nudging=maker)
        return correction.motion, maker

    motion, maker = play_it(desk, True)
    assert len(maker.marks) >= 5
    measuring.learn_marks(desk, path, motion, maker.marks)
    _, again = play_it(work.open_bench(folder.root), False)
    nudged = [(mark.step, mark.side) for mark in maker.marks]
    before, after = (np.array([np.linalg.norm(run.first[key]) for key in nudged]) for run in (maker, again))
    print("before", np.round(before * 1e3, 2), "after", np.round(after * 1e3, 2))
    assert np.median(after) < 1.0e-3
    assert np.median(after) < 0.6 * np.median(before)
    assert after.max() < 2.0e-3


def test_keys_at_a_board_in_memory(bench):
    """Two presses and Enter make a mark; then no more is asked. What was learned is written, and taken back again."""
    assert handfast("teach", "--recording", "recordings/pass-pot.csv", "--replace", cwd=bench.root).returncode == 0
    command = start("run", "pass-pot", "--nudge", "--board", "python", "--overrule", "miss", cwd=bench.root)
    out, said = command.communicate("xxs?\ne", timeout=300)
    assert command.returncode == 0, said
    assert "is its TCP on the mark?" in said
    assert "+1.0 +0.0 +0.0 mm from where it came to rest" in said
    assert "2 mm at a press" in said
    assert "'?' says nothing here" in said
    assert "left out, and all others" in said
    assert "learned from 1 mark and corrected anew" in out
    assert len(read_readings(bench.root / "readings" / "nudges.toml", read_bench(bench)).landings) == 1
    # What is foreseen with the mark is what the answers foresee of corrected runs from now on, and no worse for it.
    before, after = (float(v) for v in re.findall(r"foreseen miss of its poses: (\S+) mm.* before, (\S+) mm", out)[0])
    told = json.loads(handfast("check", "pass-pot", "--json", cwd=bench.root).stdout)["routines"][0]["landings"]
    now = statistics.median(row["corrected"]["expected_mm"] for row in told)
    assert after == pytest.approx(now, abs=0.06)
    assert after < before + 0.2
    done = handfast("calibrate", "--undo", cwd=bench.root)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(("typed", "says"), [("x", "the input has ended"), ("q", "stopped by you")])
def test_nobody_is_left_at_the_keys(tmp_path, typed, says):
    """An input that ends, and a q, end the run: one message, status 3, power off, and what was played is kept."""
    bench = nodding_bench(tmp_path / "bench", [(0, 0, 0, 0, 0)])
    command = start("run", "nod", "--nudge", "--board", "python", "--overrule", "miss", cwd=bench.root)
    out, said = command.communicate(typed, timeout=120)
    assert command.returncode == 3, said
    assert out == ""
    assert said.count("handfast: ") - said.count("handfast: compiling") == 1
    assert f"handfast: {says}" in said
    assert ("nothing had been played yet" if typed == "q" else "run 1: kept as far as it came") in said
    if typed != "q":
        assert any(says in text for _, text in events_of(bench.database, 1))


def test_marks_outlive_an_end(bench):
    """Ended from the keyboard after a mark: it is learned from, and said."""
    command = start("run", "pass-pot", "--nudge", "--board", "python", "--overrule", "miss", cwd=bench.root)
    command.stdin.write("x\n")
    command.stdin.flush()
    said = []
    for line in command.stderr:
        said.append(line)
        if "mark 1:" in line:
            command.send_signal(signal.SIGINT)
    assert command.wait(60) != 0
    assert "learned from 1 mark and corrected anew" in "".join(said)
    assert len(read_readings(bench.root / "readings" / "nudges.toml", read_bench(bench)).landings) == 1
    for stream in (command.stdin, command.stdout, command.stderr):
        stream.close()


def test_as_many_presses_as_fit():
    """Of twenty-five presses of 2 mm fifteen are taken, the others said; then it goes on from where it is."""
    keys, said = ["s" + 25 * "x", "XXx\n"], []

    def typed():
        return keys.pop(0) if keys else ""

    maker = AtTheKeys(seedling.routine("pass-pot"), {}, typed, lambda: None, said.append, lambda marks: "")
    assert maker.way(None) == pytest.approx([30e-3, 0, 0])
    assert "10 presses left out" in said[-2]
    assert "+30.0 +0.0 +0.0 mm" in said[-1]
    assert maker.way(None) == pytest.approx([-2e-3, 0, 0])
    assert maker.way(None) is None


def test_what_cannot_be_nudged(bench):
    """Arms that nobody stands beside, a raw run, several runs: refused, nothing written."""
    before = contents(bench.root)
    for words, says in (
        (["pass-pot", "--nudge"], "nothing to nudge"),
        (["pass-pot", "--nudge", "--board", "python", "--way", "raw"], "a run that is raw"),
        (["pass-pot", "--nudge", "--board", "python", "--repeat", "2"], "2 times"),
    ):
        done = handfast("run", *words, cwd=bench.root)
        assert done.returncode == 2
        assert says in done.stderr
        assert "next: " in done.stderr
    assert contents(bench.root) == before
