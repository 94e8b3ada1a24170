"""The demo runs from a fresh folder to its two tables: one routine in `make test`, all three in `make soak`."""

from __future__ import annotations

import os
import re
import subprocess
import sys

from support.commands import ROOT

SOAK = os.environ.get("HANDFAST_SOAK") == "1"


def test_the_demo_ends_with_its_tables(tmp_path):
    """Exit status 0, the table of answers, the table of landings whose figures fall from raw to corrected, the page."""
    words = ["--bench", str(tmp_path / "bench"), *([] if SOAK else ["--only", "pass-pot"])]
    done = subprocess.run(
        [sys.executable, "-W", "error", str(ROOT / "examples" / "demo.py"), *words],
        cwd=tmp_path, text=True, capture_output=True, timeout=600, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    assert "All figures are invented" in done.stdout
    answers = done.stdout[done.stdout.index("Answers after correction") :]
    rows = [line for line in answers.splitlines() if re.match(r"  (pass-pot|carry-tray|write-label) ", line)]
    assert len(rows) == (6 if SOAK else 2)
    verdicts = re.findall(r"(holds|tight|fails) (-?\d+\.\d\d)", rows[0])
    assert len(verdicts) >= 7
    (middle,) = re.findall(r"^  all +\d+((?: +\d+\.\d \(\d+\.\d\)){3})$", answers, re.MULTILINE)
    raw, trimmed, corrected = (float(x.split(" ")[0]) for x in re.findall(r"\d+\.\d \(", middle))
    assert corrected < trimmed < raw
    assert answers.splitlines()[-1].startswith("Report: ")
    # Outside of the folder it was given nothing is left.
    assert [p.name for p in tmp_path.iterdir()] == ["bench"]
