"""Bench folders for tests: the one in `plain`, and variations of its text."""

from __future__ import annotations

import shutil
from pathlib import Path

from handfast.bench.folder import BenchFolder, read_bench
from handfast.bench.parts import Bench

PLAIN_BENCH = Path(__file__).parent / "plain"


def lay_down(folder: Path, *changes: tuple[str, str], stock: tuple[tuple[str, str], ...] = ()) -> BenchFolder:
    """The plain bench in `folder`, with pieces of its text replaced; a piece must be there."""
    folder.mkdir(parents=True, exist_ok=True)
    for name, edits in (("bench.toml", changes), ("stock.toml", stock)):
        shutil.copy(PLAIN_BENCH / name, folder / name)
        text = (folder / name).read_text(encoding="utf-8")
        for old, new in edits:
            assert old in text, f"the plain bench has no {old!r}"
            text = text.replace(old, new, 1)
        (folder / name).write_text(text, encoding="utf-8")
    return BenchFolder(folder)


def plain_bench(folder: Path, *changes: tuple[str, str]) -> Bench:
    """The plain bench, read."""
    return read_bench(lay_down(folder, *changes))


def line_with(path: Path, text: str, count: int = 1) -> int:
    """Number of the line on which `text` stands for the `count`th time."""
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
        if text in line:
            count -= 1
            if count == 0:
                return number
    raise AssertionError(f"{path} has no {text!r}")
