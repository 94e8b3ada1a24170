"""How long the command line takes from its start to its end, kernels compiled and kept."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
from functools import cache
from pathlib import Path

from handfast.bench.new import new_bench
from ratios import Row


def seconds(words: list[str], cwd: str | None = None) -> float:
    """Seconds of computing, of a process and what it starts; waiting for a busy machine is not counted."""
    before = os.times()
    subprocess.run(words, cwd=cwd, check=False, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    after = os.times()
    return after.children_user + after.children_system - before.children_user - before.children_system


def help_over_numpy() -> float:
    """`handfast --help` over `python -c "import numpy"`: the median of eleven pairs."""
    script = Path(sys.executable).with_name("handfast")
    ours = [str(script), "--help"]
    theirs = [sys.executable, "-c", "import numpy"]
    for words in (ours, theirs):
        seconds(words)
    return statistics.median(seconds(ours) / seconds(theirs) for _ in range(11))


@cache
def bench() -> str:
    """A seedling bench to check."""
    place = tempfile.mkdtemp()
    new_bench(Path(place) / "bench")
    return str(Path(place) / "bench")


def check_seconds(routine: str) -> float:
    """A whole `handfast check ROUTINE`, changes tried too: the median of five processes after a first one."""
    words = [str(Path(sys.executable).with_name("handfast")), "check", routine]
    seconds(words, bench())
    return statistics.median(seconds(words, bench()) for _ in range(5))


ROWS = [
    Row('`handfast --help` over `python -c "import numpy"`', 1.6, 0.6, help_over_numpy, at_most=True),
    *(
        Row(f"`handfast check {name}`, whole process", 1.0, 0.8, lambda name=name: check_seconds(name), "s", True)
        for name in ("pass-pot", "carry-tray", "write-label")
    ),
]
