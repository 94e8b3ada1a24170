"""Rooms keep apart: who may import whom, who writes the truth, and that nobody reads it."""

from __future__ import annotations

import ast
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from support import seedling

ROOT = seedling.ROOT
PACKAGE = ROOT / "src" / "handfast"


def lint(folder: Path) -> subprocess.CompletedProcess[str]:
    """The rooms' contracts, of a copy of the package in `folder`."""
    code = "import sys; from importlinter.cli import lint_imports_command; lint_imports_command()"
    return subprocess.run(
        [sys.executable, "-c", code, "--no-cache", "--config", str(folder / "pyproject.toml")],
        cwd=folder, env={"PYTHONPATH": str(folder / "src"), "PATH": "/usr/bin:/bin", "HOME": str(folder)},
        text=True, capture_output=True, timeout=120, check=False,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("room", "other"),
    [
        (None, None),
        ("standins/hand.py", "landing.flank"),  # a stand-in must not share the flank code that it tests
        ("standins/truth.py", "correction.correct"),
        ("landing/flank.py", "standins.truth"),
        ("bench/parts.py", "mechanics.model"),
        ("answers/ask.py", "desk.work"),
        ("answers/ask.py", "store.runs"),
    ],
)
def test_the_contract_holds_and_would_be_broken(tmp_path, room, other):
    """As it is, the contract is kept; one import upwards or sideways breaks it, by name."""
    shutil.copytree(PACKAGE, tmp_path / "src" / "handfast", ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    if room is not None:
        path = tmp_path / "src" / "handfast" / room
        path.write_text(path.read_text() + f"\nimport handfast.{other}  # noqa\n")
    done = lint(tmp_path)
    if room is None:
        assert done.returncode == 0, done.stdout
    else:
        assert done.returncode == 1, done.stdout + done.stderr
        mine = "handfast." + room.removesuffix(".py").split("/")[0]
        assert f"{mine} is not allowed to import handfast.{other.split('.')[0]}" in done.stdout


def modules() -> list[tuple[str, ast.Module]]:
    """Every module of the package by its path, parsed."""
    return [
        (str(path.relative_to(PACKAGE)), ast.parse(path.read_text(encoding="utf-8")))
        for path in sorted(PACKAGE.rglob("*.py"))
    ]


def test_only_stand_ins_name_a_truth_file():
    """The path of true positions is handed to a stand-in by the desk and the command line, and opened there only."""
    named = {
        path.split("/")[0]
        for path, tree in modules()
        for node in ast.walk(tree)
        if "truth_file" in (getattr(node, "id", None), getattr(node, "arg", None))
    }
    assert named == {"standins", "rehearsal"}


def test_only_stand_ins_see_true_figures():
    """`Truth` and where true tips are: no other module takes them apart; the desk makes and hands on.

    The simulated maker with a ruler and gauges is the instrument in front of a stand-in: it reads true places, and
    writes down readings with the errors that it states. A rehearsal is a stand-in as a whole: all of its arms are
    made up, and telling where they really went is what it is for.
    """
    private = {"tool_positions", "link_angles", "pack_servo", "Truth"}
    users: dict[str, set[str]] = {}
    for path, tree in modules():
        for node in ast.walk(tree):
            name = node.attr if isinstance(node, ast.Attribute) else node.id if isinstance(node, ast.Name) else None
            if name in private:
                users.setdefault(path, set()).add(name)
    outside = {path for path in users if not path.startswith(("standins/", "rehearsal/"))}
    assert outside <= {"sessions/measure.py", "desk/rehearsing.py"}, users


AUDIT = """
import sys
from pathlib import Path
truth, package = Path(sys.argv[1]).resolve(), Path(sys.argv[2]).resolve()
seen = []
def watch(event, args):
    if event == "open" and isinstance(args[0], (str, bytes)) and Path(str(args[0])).resolve() == truth:
        frame = sys._getframe(1)
        while frame is not None and package not in Path(frame.f_code.co_filename).parents:
            frame = frame.f_back
        where = frame.f_code.co_filename if frame is not None else "?"
        seen.append((args[1], Path(where).relative_to(package).parts[0]))
sys.addaudithook(watch)
from handfast.cli.main import main
status = [main(words.split()) for words in sys.argv[3:]]
print(status, seen)
"""


def test_what_is_true_is_written_by_the_stand_in_and_read_by_nobody(tmp_path):
    """Every opening of the truth file during the whole job is watched: one, to write, from a stand-in."""
    from handfast.bench.new import new_bench

    folder = new_bench(tmp_path / "b")
    truth = tmp_path / "truth.txt"
    bench = f"--bench {folder.root}"
    words = [
        f"run carry-tray {bench} --way trimmed --truth {truth}", f"correct carry-tray {bench}",
        f"check carry-tray {bench} --no-changes",
    ]  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-c", AUDIT, str(truth), str(PACKAGE), *words],
        text=True, capture_output=True, timeout=300, check=False, cwd=tmp_path,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[-1] == "[0, 0, 1] [('w', 'standins')]"
    assert truth.stat().st_size > 1000


def test_behind_the_wire_the_truth_is_written_by_the_stand_in_too(tmp_path):
    """A board in memory with the simple stand-in: the same rule, watched the same way; no board names such a file."""
    from handfast.bench.new import new_bench

    folder = new_bench(tmp_path / "b")
    truth = tmp_path / "truth.txt"
    hand = tmp_path / "hand.txt"
    hand.write_text("1500 left joints 900 20 -10 30 40 5\n")
    bench = f"--bench {folder.root} --board python --truth {truth}"
    words = [f"board probe {bench}", f"teach {bench} --name led --hand {hand} --for 5"]
    done = subprocess.run(
        [sys.executable, "-c", AUDIT, str(truth), str(PACKAGE), *words],
        text=True, capture_output=True, timeout=300, check=False, cwd=tmp_path, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[-1] == "[0, 0] [('w', 'standins'), ('w', 'standins')]"
    assert truth.stat().st_size > 1000
    for room in ("board", "sessions"):
        for path in (PACKAGE / room).glob("*.py"):
            assert "truth_file" not in path.read_text(encoding="utf-8")


def test_modules_stay_readable():
    """Under 600 lines each."""
    assert [path for path in PACKAGE.rglob("*.py") if len(path.read_text(encoding="utf-8").splitlines()) >= 600] == []
