"""The first thing a user does: find a bench, lay down the seedling bench, or build a new one step by step."""

from __future__ import annotations

import shutil
from dataclasses import dataclass, fields
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from handfast.bench.folder import BENCH_FILE, BenchFolder, read_bench, read_stock
from handfast.bench.new import TEMPLATES, blank_bench, new_bench
from handfast.errors import HandfastError, InputError

DEEPEST = 3
MOST_FOUND = 60
_PASSED_OVER = {"node_modules", "__pycache__", "templates"}


@dataclass(frozen=True)
class Found:
    """A bench folder: its path as the user sees it, its name, how many routines, and what is wrong with it."""

    path: str
    name: str
    routines: int
    trouble: str


def benches(root: Path) -> list[Found]:
    """Bench folders in `root` and below it, a few levels deep; hidden folders are passed over."""
    found: list[Found] = []

    def look(folder: Path, depth: int) -> None:
        if len(found) >= MOST_FOUND:
            return
        if (folder / BENCH_FILE).is_file():
            found.append(_found(folder, root))
            return
        if depth >= DEEPEST:
            return
        try:
            inner = sorted(p for p in folder.iterdir() if p.is_dir() and not p.is_symlink())
        except OSError:
            return
        for path in inner:
            if not path.name.startswith(".") and path.name not in _PASSED_OVER:
                look(path, depth + 1)

    look(root, 0)
    return found


def _found(path: Path, root: Path) -> Found:
    folder = BenchFolder(path)
    shown = str(path.relative_to(root))
    try:
        bench = read_bench(folder)
    except HandfastError as error:
        return Found(shown, path.name, 0, str(error))
    return Found(shown, bench.about.name, len(folder.routine_files()), "")


def seedling(root: Path, name: str) -> BenchFolder:
    """The seedling bench, laid down in `root`/`name`; opened where it lies there already."""
    folder = BenchFolder(_new_folder(root, name))
    if folder.file.is_file():
        return folder
    return new_bench(folder.root)


def _new_folder(root: Path, name: str) -> Path:
    if not name or name != Path(name).name or name.startswith(".") or "\\" in name or "\0" in name:
        raise InputError(
            f'"{name}" is no name for a folder',
            expected="a plain name",
            next_step="give a name without a slash that does not begin with a dot",
        )
    return root / name


def explained() -> dict[str, Any]:
    """What every figure of a new bench means, by its key: why it is asked, and what may stand there."""
    from handfast.bench.parts import Arm, Joint, Servo, Supply, Thing

    said: dict[str, Any] = {}
    for kind in (Arm, Joint, Supply, Thing, Servo):
        for field in fields(kind):
            spec = field.metadata.get("spec")
            if spec is not None and spec.key:
                said[f"{kind.__name__.lower()}.{spec.key}"] = {
                    "why": spec.why,
                    "expected": spec.expectation,
                    "unit": spec.unit.symbol,
                }
    return said


def stock() -> list[dict[str, Any]]:
    """The servo classes that a new bench can choose from."""
    from handfast.files.fields import table_of

    return [{"name": servo.name, **table_of(servo)} for servo in read_stock(TEMPLATES / "stock.toml")]


def blank(left: int, right: int, side_by_side: bool) -> dict[str, Any]:
    """The values of a blank bench, to begin with."""
    import tomllib

    return tomllib.loads(blank_bench("new", (left, right), side_by_side))


def lay_down(root: Path, name: str, left: int, right: int, side_by_side: bool, values: dict[str, Any]) -> BenchFolder:
    """A new bench with figures of one's own; nothing is left behind if they do not fit together.

    values: as in bench.toml, laid over a blank bench of that size: tables and named tables by key, joints by their
    number.
    """
    from handfast.files.amend import amend
    from handfast.files.atomic import write_text

    target = _new_folder(root, name)
    folder = new_bench(target, left, right, side_by_side)
    try:
        text = amend(folder.file.read_text(encoding="utf-8"), list(_leaves(values)))
        read_bench(folder, text=text)
        write_text(folder.file, text)
    except Exception:
        shutil.rmtree(target, ignore_errors=True)
        raise
    return folder


def check(root: Path, name: str, left: int, right: int, side_by_side: bool, values: dict[str, Any]) -> None:
    """Refuse what `lay_down` would refuse; nothing is left behind."""
    target = _new_folder(root, name)
    if target.exists() and (not target.is_dir() or any(target.iterdir())):
        raise InputError(
            f'"{name}" is there already and not empty', where=str(root), expected="a new or empty folder",
            next_step="give another name",
        )  # fmt: skip
    with TemporaryDirectory() as beside:
        try:
            lay_down(Path(beside), name, left, right, side_by_side, values)
        except InputError as error:
            raise InputError(str(error).replace(str(Path(beside, name)), name)) from None


def _leaves(values: Any, key: tuple[str | int, ...] = ()) -> Any:
    """Every value with its key; a table whose keys are numbers stands for entries of a list."""
    for name, value in values.items():
        part: str | int = int(name) if isinstance(name, str) and name.isdigit() else name
        if isinstance(value, dict):
            yield from _leaves(value, (*key, part))
        else:
            yield (*key, part), value
