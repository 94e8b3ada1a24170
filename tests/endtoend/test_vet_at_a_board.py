"""`handfast vet --channel N`: a servo on its rig is put through the standard sweep by a board, and judged."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import threading
from pathlib import Path

import numpy as np
import pytest

from handfast.bench.new import new_bench
from handfast.records.trace import read_trace
from support.commands import contents, handfast

STAND_IN = Path(__file__).resolve().parent.parent / "support" / "rig_standin.py"
CHANNEL = 7
SOAK = bool(os.environ.get("HANDFAST_SOAK"))


@pytest.fixture
def bench(tmp_path):
    """The seedling bench, for its stock."""
    return new_bench(tmp_path / "bench")


class Person:
    """Somebody at the rig: does what is asked, and presses Enter; reads the protractor of the stand-in's pulse line."""

    def __init__(self, bench, figures=(), mark="A07", leaves_out=(), stops_at=None):
        self.hand = bench.root / "hand.txt"
        self.hand.write_text("")
        self.leaves_out, self.stops_at = leaves_out, stops_at
        command = " ".join([sys.executable, "-S", str(STAND_IN), str(CHANNEL), str(self.hand), *figures])
        words = ["vet", "--channel", str(CHANNEL), "--mark", mark, "--class", "standard-metal", "--board", "python"]
        self.process = subprocess.Popen(
            [sys.executable, "-W", "error", "-m", "handfast", *words, "--stand-in", command],
            cwd=bench.root, text=True, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip
        self.lines: list[str] = []
        self._thread = threading.Thread(target=self._answer)
        self._thread.start()

    def _answer(self):
        part = ""
        for line in self.process.stderr:
            self.lines.append(line.rstrip())
            found = re.match(r"part \d+ of \d+: (.*?), \d+ s", line)
            part = found[1] if found else part
            if self.stops_at == part:
                self._type("q")
            elif "s leaves this part out" in line:
                self._type("s" if part in self.leaves_out else "")
            elif "protractor" in line:
                self._type("")
            elif found := re.search(r"([\d.]+) kg·cm, pulling (the way|the other)", line):
                self._do(f"load {float(found[1]) * (1 if found[2] == 'the way' else -1)}")
            elif "turn the horn by hand" in line:
                self._do(f"push {1 if 'the way longer' in line else -1}")
            elif "nothing on the horn" in line:
                self._do("load 0")

    def _do(self, words):
        with self.hand.open("a") as file:
            file.write(words + "\n")
        self._type("")

    def _type(self, line):
        self.process.stdin.write(line + "\n")
        self.process.stdin.flush()

    def end(self):
        """Exit status and what was printed."""
        out = self.process.stdout.read()
        status = self.process.wait(timeout=300)
        self._thread.join()
        for stream in (self.process.stdin, self.process.stdout, self.process.stderr):
            stream.close()
        return status, out


def test_a_sound_servo(bench):
    """What was recorded says the stand-in's own figures, and it is accepted."""
    status, out = (person := Person(bench)).end()
    assert status == 0, person.lines
    assert re.search(r"A07\b.*accept", out)
    trace = read_trace(bench.root / "sweeps" / "A07.csv")
    assert (trace.mark, trace.servo) == ("A07", "standard-metal")
    assert np.unique(trace.push).tolist() == [-1, 0, 1]
    torque, time, play, _, dead, *_ = (float(v) for v in re.search(r"A07.*accept\s+(.*)", out)[1].split())
    # The stand-in's own figures: 11 of 10 kg·cm, 60 degrees at 420 a second and what friction takes, 0.35° at 11.1 µs.
    assert torque == pytest.approx(110.0, abs=5.0)
    assert time == pytest.approx(1e3 * 60 / 420 / (1 - 0.5 / 11), abs=15.0)
    assert play == pytest.approx(0.25, abs=0.06)
    assert dead == pytest.approx(0.35 * 11.1, abs=1.0)


@pytest.mark.skipif(not SOAK, reason="half a minute more: make soak")
def test_a_slow_servo(bench):
    """Less than half the speed: rejected."""
    status, out = (person := Person(bench, ("speed=190",), "A08")).end()
    assert status == 1, person.lines
    assert re.search(r"A08\b.*reject", out)


def test_a_sweep_that_is_stopped(bench):
    """It is kept as far as it came; a part that is left out is not in it."""
    person = Person(bench, mark="B1", stops_at="full sweep", leaves_out=("rest",))
    status, _ = person.end()
    assert status == 3, person.lines
    assert any("B1.csv: kept" in line for line in person.lines)
    trace = read_trace(bench.root / "sweeps" / "B1.csv")
    assert trace.t[-1] > 60.0
    # It begins with the second part's wide moves; `rest` would stand at some 20 degrees below the middle first.
    assert trace.pulse[0] > 2.0e-3


def test_what_cannot_be_vetted(bench):
    """One message each, nothing written."""
    before = contents(bench.root)
    board = ["--board", "python"]
    for words, says in (
        (["--channel", "12", "--mark", "A1", "--class", "standard-metal", *board], "channel 12"),
        (["--channel", "3", "--class", "standard-metal", *board], "which servo?"),
        (["--channel", "3", "--mark", "A1", *board], "which class of servo?"),
        (["--channel", "3", "--mark", "../A1", "--class", "standard-metal", *board], "is no serial mark"),
        (["--channel", "3", "--mark", "A1", "--class", "metal", *board], 'no servo class "metal"'),
        (["--channel", "3", "--mark", "A1", "--class", "standard-metal"], "which board?"),
        (["--mark", "A1", *board], "which channel?"),
        (["--channel", "3", "--mark", "A1", "a.csv", *board], "files and a board together"),
    ):
        done = handfast("vet", *words, cwd=bench.root)
        assert done.returncode == 2, done.stderr
        assert says in done.stderr
        assert "Traceback" not in done.stderr
    assert contents(bench.root) == before
