"""Commands at a simulated board: the board as a process, and a command with somebody at its keys."""

from __future__ import annotations

import contextlib
import re
import subprocess
import sys
import threading
import time

from handfast.bench.new import new_bench
from handfast.routine.file import write_routine
from support import seedling


def start(*words, cwd, stdin=subprocess.PIPE):
    """A command that goes on while the test does."""
    return subprocess.Popen(
        [sys.executable, "-W", "error", "-m", "handfast", *map(str, words)],
        cwd=cwd, text=True, stdin=stdin, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip


def nodding_bench(folder, nods):
    """The seedling bench with a short routine of the left arm, `nod`, and an empty file for a hand."""
    found = new_bench(folder)
    steps = [seedling.go("left", *angles, name=f"go {i}") for i, angles in enumerate(nods, 1)]
    write_routine(found.routines / "nod.toml", seedling.routine_of(*steps, pace=0.5), seedling.bench(), "short")
    (found.root / "hand.txt").write_text("")
    return found


def hand(bench, words):
    """What a hand does at the stand-in of a bench, from now on."""
    with (bench.root / "hand.txt").open("a") as file:
        file.write(f"0 {words}\n")


def upright(bench):
    """A hand brings limp arms, which sink past their travel, back to where they balance, and lets go."""
    for arm in ("left", "right"):
        hand(bench, f"{arm} joints 500 0 0 0 0 0")
    time.sleep(1.5)
    for arm in ("left", "right"):
        hand(bench, f"{arm} free")


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
    """A command at a port with somebody at the keys, who presses the space bar every so often while `pressing`."""

    def __init__(self, folder, port, *words, pressing=True):
        self.process = start(*words, "--port", port, cwd=folder)
        self.lines = []
        self.pressing = pressing
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

    def until(self, pattern, seconds=180.0):
        """Wait for a line; returns it."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            for line in list(self.lines):
                if re.search(pattern, line):
                    return line
            time.sleep(0.05)
        self.pressing = False
        self.process.kill()
        self.end()
        raise AssertionError(f"no line like {pattern!r} in:\n" + "\n".join(self.lines))

    def end(self, seconds=240.0):
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
