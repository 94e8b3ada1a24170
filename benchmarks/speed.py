"""Speed as ratios within one run: `make speed`, or `python benchmarks/speed.py [WORD ...]` for some rows only.

Every other file in this folder that holds a list ROWS adds its rows; that is all there is to adding one. One
thread unless a row says otherwise. A goal must be met; an aim is what is hoped for on a quiet machine.
"""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent / "tests")]

from ratios import Row  # noqa: E402 (the folder has just been added to the path)


def rows() -> list[Row]:
    """The rows of all files, file by file."""
    found: list[Row] = []
    for path in sorted(HERE.glob("*.py")):
        if path.stem not in ("speed", "ratios"):
            found += getattr(importlib.import_module(path.stem), "ROWS", [])
    return found


def main(words: list[str]) -> int:
    """Measure and print, row by row."""
    wanted = [row for row in rows() if all(word in row.name for word in words)]
    width = max((len(row.name) for row in wanted), default=3)
    print(f"{'row':{width}} | measured |     goal |      aim | met")
    print(f"{'-' * width}-|----------|----------|----------|----")
    for row in wanted:
        measured = row.measure()
        figures = [f"{value:.4g}{row.unit}" for value in (measured, row.goal, row.aim)]
        print(f"{row.name:{width}} | " + " | ".join(f"{f:>8}" for f in figures) + f" | {row.met(measured)}", flush=True)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
