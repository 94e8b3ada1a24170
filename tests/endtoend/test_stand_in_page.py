"""A stranger who has only docs/stand-ins.md attaches a stand-in, with hand and readings, by the example on the page."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

import pytest

from handfast.bench.new import new_bench
from support.commands import ROOT, handfast

PAGE = ROOT / "docs" / "stand-ins.md"


def example() -> str:
    """The one Python block of the page."""
    blocks = PAGE.read_text(encoding="utf-8").split("```python\n")
    assert len(blocks) == 2
    return blocks[1].split("```")[0]


@pytest.fixture
def bench(tmp_path):
    """The seedling bench with the page's example beside it."""
    folder = new_bench(tmp_path / "bench").root
    (folder / "lag.py").write_text(example(), encoding="utf-8")
    (folder / "hand.txt").write_text("", encoding="utf-8")
    return folder


def test_the_example_has_about_twenty_lines():
    """As the page says."""
    assert 18 <= len([line for line in example().splitlines() if line.strip()]) <= 22


def test_the_page_is_enough(bench):
    """Simulate with the example, probe through the port, move the hand by the file, and read the instrument."""
    command = f"{sys.executable} lag.py hand.txt readings.txt"
    simulate = subprocess.Popen(
        [sys.executable, "-m", "handfast", "board", "simulate", "--stand-in", command],
        cwd=bench, text=True, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    try:
        assert simulate.stdout is not None
        port = simulate.stdout.readline().strip()
        assert port.startswith("/dev/")
        done = handfast("board", "probe", "--port", port, "--json", cwd=bench)
        assert done.returncode == 0, done.stderr
        before = json.loads(done.stdout)
        assert before["supply_V"] == [6.0, 6.0, 6.0]
        # 2500 mV is 512 counts of 1024 at 5 V (data sheet of the ATmega640/1280/2560: floor of 1024 Vin / Vref), and
        # servo n of the example begins at n degrees of 13.2 mV.
        expected = [1024 * round(2500 + 13.2 * n) // 5000 for n in range(12)]
        assert [round(w["counts"]) for w in before["wipers"]] == expected
        with (bench / "hand.txt").open("a") as hand:
            hand.write("0 left joints 500 20 -10 30 0 5\n")
        time.sleep(1.0)
        done = handfast("board", "probe", "--port", port, "--json", cwd=bench)
        assert done.returncode == 0, done.stderr
        after = json.loads(done.stdout)["wipers"]
        # 13.2 mV per degree of the example are 2.703 counts per degree.
        moved = [a["counts"] - b["counts"] for a, b in zip(after, before["wipers"], strict=True)]
        assert moved[:5] == pytest.approx([20 * 2.703, -11 * 2.703, 28 * 2.703, -3 * 2.703, 2.703], abs=1.1)
        assert moved[5:] == [0] * 7
        with (bench / "hand.txt").open("a") as hand:
            hand.write("0 left read pointer\n")
        end = time.monotonic() + 20.0
        while not (bench / "readings.txt").read_text() and time.monotonic() < end:
            time.sleep(0.05)
        _, arm, instrument, *xyz, error = (bench / "readings.txt").read_text().split()
        assert (arm, instrument, float(error)) == ("left", "pointer", 0.1)
        assert [float(v) for v in xyz] == pytest.approx([20, -10, 30], abs=1e-6)
    finally:
        simulate.terminate()
        simulate.communicate(timeout=20)
    assert simulate.returncode == 0


@pytest.mark.parametrize(
    ("code", "says"),
    [
        ("print('ready', flush=True)\nimport sys; sys.stdin.read()", "answered 'ready'"),
        ("raise SystemExit(7)", "it ended with status 7"),
        ("import sys\nfor line in sys.stdin: print('1 2 3', flush=True)", "answered '1 2 3'"),
    ],
)
def test_a_stand_in_that_breaks_its_word_is_named(bench, code, says):
    """The board ends with status 3 and the line that it got."""
    (bench / "bad.py").write_text(code, encoding="utf-8")
    command = f"{sys.executable} {Path('bad.py')}"
    done = handfast("board", "simulate", "--stand-in", command, cwd=bench)
    assert done.returncode == 3
    assert says in done.stderr
    assert "Traceback" not in done.stderr
