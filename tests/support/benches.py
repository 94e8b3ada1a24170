"""Bench folders for tests: the seedling bench as it ships, and variations of its text."""

from __future__ import annotations

import shutil
from pathlib import Path

import handfast.bench
from handfast.bench.folder import BenchFolder, read_bench
from handfast.bench.parts import Bench

TEMPLATES = Path(handfast.bench.__file__).parent / "templates"


def lay_down(folder: Path, *changes: tuple[str, str], stock: tuple[tuple[str, str], ...] = ()) -> BenchFolder:
    """The seedling bench in `folder`, with pieces of its text replaced; a piece must be there."""
    folder.mkdir(parents=True, exist_ok=True)
    for source, name, edits in (
        (TEMPLATES / "seedling" / "bench.toml", "bench.toml", changes),
        (TEMPLATES / "stock.toml", "stock.toml", stock),
    ):
        shutil.copy(source, folder / name)
        text = (folder / name).read_text(encoding="utf-8")
        for old, new in edits:
            assert old in text, f"the template has no {old!r}"
            text = text.replace(old, new, 1)
        (folder / name).write_text(text, encoding="utf-8")
    return BenchFolder(folder)


def seedling(folder: Path, *changes: tuple[str, str]) -> Bench:
    """The seedling bench, read."""
    return read_bench(lay_down(folder, *changes))


def line_with(path: Path, text: str, count: int = 1) -> int:
    """Number of the line on which `text` stands for the `count`th time."""
    for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
        if text in line:
            count -= 1
            if count == 0:
                return number
    raise AssertionError(f"{path} has no {text!r}")
