"""Where kernels stand, where their machine code is kept, and how threads share work."""

from __future__ import annotations

import ast
import os
import subprocess
import sys
from pathlib import Path

import pytest

import handfast
from handfast import kernels

PACKAGE = Path(handfast.__file__).parent


def names_of_decorators(tree: ast.Module) -> set[str]:
    """Names of all decorators in a module."""
    found = set()
    for node in ast.walk(tree):
        for decorator in getattr(node, "decorator_list", ()):
            called = decorator.func if isinstance(decorator, ast.Call) else decorator
            found.add(called.attr if isinstance(called, ast.Attribute) else getattr(called, "id", ""))
    return found


@pytest.mark.parametrize("path", sorted(PACKAGE.rglob("*.py")), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_kernels_stand_in_kernel_files(path: Path):
    """@kernel and @inner only in files named *_kernels.py, one folder deep, where the cache looks for changes.

    And nobody but `kernels.py` uses numba directly.
    """
    text = path.read_text(encoding="utf-8")
    tree = ast.parse(text)
    used = names_of_decorators(tree) & {"kernel", "inner", "njit", "jit", "vectorize", "cfunc"}
    if path.name.endswith("_kernels.py"):
        assert path.parent.parent == PACKAGE
        assert used
        assert used <= {"kernel", "inner"}
    else:
        assert not used
    if path != PACKAGE / "kernels.py":
        imported = {
            name.name.split(".")[0] for node in ast.walk(tree) if isinstance(node, ast.Import) for name in node.names
        } | {(node.module or "").split(".")[0] for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
        assert "numba" not in imported


PROBE = """
import sys
if sys.argv[1] == "numba first":
    import numba
import handfast.mechanics.closed_form_kernels as k
import numba
stats = k.five_joint_kernel.stats
print(stats.cache_path, sum(stats.cache_hits.values()), sum(stats.cache_misses.values()), numba.config.CACHE_DIR)
"""


def probe(tmp_path: Path, *how: str, **environment: str) -> subprocess.CompletedProcess[str]:
    """Load one kernel in a process of its own."""
    return subprocess.run(
        [sys.executable, "-c", PROBE, *how],
        env={**os.environ, "HANDFAST_PLAIN": "0", "HANDFAST_CACHE": str(tmp_path / "cache"), **environment},
        capture_output=True,
        text=True,
        check=True,
        timeout=600,
    )


def test_machine_code_is_kept_in_a_folder_of_our_own(tmp_path: Path):
    """Compiled once, with a word about it; then loaded without one, even where numba was there first.

    numba's own setting is left as it was.
    """
    first = probe(tmp_path, "handfast first")
    assert "compiling the numerical kernels" in first.stderr
    for how in ("handfast first", "numba first"):
        again = probe(tmp_path, how)
        path, hits, misses, setting = again.stdout.rstrip("\n").split(" ")
        assert path.startswith(str(tmp_path / "cache" / "handfast" / "kernels-"))
        assert (int(hits), int(misses)) == (1, 0)
        assert setting == ""
        assert again.stderr == ""


def test_without_a_place_to_keep_it_kernels_still_run(tmp_path: Path):
    """A file where the folder should be: a word about it, and the kernels compile anew."""
    (tmp_path / "file").write_text("")
    result = probe(tmp_path, "handfast first", HANDFAST_CACHE=str(tmp_path / "file"))
    assert "cannot be written" in result.stderr
    assert "HANDFAST_CACHE names another folder" in result.stderr


def test_a_changed_kernel_changes_the_folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path):
    """The folder's name carries all kernel sources: one more file, another name."""
    if kernels.PLAIN:
        assert not hasattr(kernels, "numba")
        return
    before = kernels.cache_folder()
    (tmp_path / "room").mkdir()
    (tmp_path / "room" / "some_kernels.py").write_text("x = 1\n")
    monkeypatch.setattr(kernels, "PACKAGE", tmp_path)
    after = kernels.cache_folder()
    (tmp_path / "room" / "some_kernels.py").write_text("x = 2\n")
    assert len({before, after, kernels.cache_folder()}) == 3


@pytest.mark.parametrize(("count", "threads"), [(10, 1), (10, 2), (10, 3), (2, 5), (1, 4), (0, 3)])
def test_threads_share_all_the_work(count: int, threads: int):
    """Every index once, in as many slices as there are threads with work."""
    done = [0] * count
    slices = []

    def work(part: slice) -> None:
        slices.append(part)
        for i in range(count)[part]:
            done[i] += 1

    kernels.in_threads(work, count, threads)
    assert done == [1] * count
    assert len(slices) == max(1, min(count, threads))


@pytest.mark.parametrize("bad", [0, 1])
def test_an_error_in_a_thread_is_raised(bad: int):
    """Whether it happens in the calling thread or in another; the others finish first."""
    finished = []

    def work(part: slice) -> None:
        if part.start == bad * 5:
            raise ValueError("broken")
        finished.append(part)

    with pytest.raises(ValueError, match="broken"):
        kernels.in_threads(work, 10, 2)
    assert len(finished) == 1
