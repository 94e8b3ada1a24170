"""How numerical kernels are compiled, where the compiled code is kept, and how work is shared by threads.

Kernels live in files whose name ends in `_kernels.py`. `@kernel(signature)` compiles an entry point for
exactly that signature and keeps the machine code on disk; `@inner` marks a helper that is only called from
kernels. The disk cache does not notice a change in a helper of another file, so the folder's name carries a
hash of all kernel sources and of the versions that shape the machine code.

HANDFAST_PLAIN=1 runs the same code as ordinary Python, to debug it or to check the compiler.
"""

from __future__ import annotations

import hashlib
import os
import sys
from collections.abc import Callable
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from concurrent.futures import ThreadPoolExecutor

Compiled = Callable[..., Any]

PLAIN = os.environ.get("HANDFAST_PLAIN") == "1"
PACKAGE = Path(__file__).parent

if not PLAIN:
    import llvmlite
    import numba
    import numba.core.config
    import numpy

    _settings: Any = numba.core.config


def cache_folder() -> Path:
    """Folder of the compiled kernels: in the user's cache folder, named by sources and versions."""
    digest = hashlib.sha256()
    for path in (Path(__file__), *sorted(PACKAGE.glob("*/*_kernels.py"))):
        digest.update(path.read_bytes())
    versions = (numba.__version__, llvmlite.__version__, numpy.__version__, sys.version)
    digest.update(" ".join(versions).encode())
    root = os.environ.get("HANDFAST_CACHE") or os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return Path(root) / "handfast" / f"kernels-{digest.hexdigest()[:16]}"


def _prepared(folder: Path) -> Path | None:
    """The folder, made if need be; None where nothing can be written."""
    try:
        if not folder.exists():
            folder.mkdir(parents=True)
            print("handfast: compiling the numerical kernels (once; about a minute) ...", file=sys.stderr)
        return folder if os.access(folder, os.W_OK) else None
    except OSError:
        return None


def _without_blas() -> None:
    """Load the part of numba that asks whether linear algebra is at hand, and let it find none.

    It asks by importing scipy.linalg, which takes a third of the time until the first kernel is ready, and our
    kernels multiply no matrices that way. What others compile in this process still finds it when they need it.
    """
    import numba.np.linalg as linear

    def none_needed() -> None:
        raise ImportError

    ask = getattr(linear, "ensure_blas", None)
    if ask is None:  # another numba than we know
        return
    linear.ensure_blas = none_needed
    try:
        import numba.np.arraymath  # noqa: F401
    finally:
        linear.ensure_blas = ask


if not PLAIN:
    _without_blas()
    _folder = _prepared(cache_folder())
    if _folder is None:
        print(
            f"handfast: {cache_folder()} cannot be written, so the kernels compile at every start; "
            "HANDFAST_CACHE names another folder",
            file=sys.stderr,
        )


def kernel(signature: str) -> Callable[[Compiled], Compiled]:
    """Compile an entry point for `signature`, without the interpreter lock, kept on disk."""

    def decorate(function: Compiled) -> Compiled:
        if PLAIN:
            return function
        # numba reads its setting when a function is decorated, and other users of numba in this process
        # have theirs.
        before = _settings.CACHE_DIR
        _settings.CACHE_DIR = str(_folder or before)
        try:
            compiled: Compiled = numba.njit(
                signature, cache=_folder is not None, nogil=True, fastmath=False, error_model="numpy"
            )(function)
        finally:
            _settings.CACHE_DIR = before
        return compiled

    return decorate


def inner(function: Compiled) -> Compiled:
    """Mark a helper that kernels call; it is compiled into them, so that their loops see through it."""
    if PLAIN:
        return function
    compiled: Compiled = numba.njit(nogil=True, error_model="numpy", forceinline=True)(function)
    return compiled


@cache
def _helpers(count: int) -> ThreadPoolExecutor:
    """Threads that wait for work; starting new ones each time would take as long as a short survey."""
    from concurrent.futures import ThreadPoolExecutor

    return ThreadPoolExecutor(count, thread_name_prefix="handfast")


def in_threads(work: Callable[[slice], None], count: int, threads: int) -> None:
    """Call `work` on slices that together cover range(count), the first here and the rest in other threads.

    Worth it where `work` spends its time in kernels, which do not hold the interpreter lock, on arrays that
    it was handed. Returns when all are done; an error in one of them is raised here.
    """
    threads = max(1, min(threads, count))
    if threads == 1:
        work(slice(0, count))
        return
    ends = [count * part // threads for part in range(threads + 1)]
    mine, *others = [slice(a, b) for a, b in pairwise(ends)]
    waiting = [_helpers(threads - 1).submit(work, part) for part in others]
    try:
        work(mine)
    finally:
        failures = [job.exception() for job in waiting]
    for failure in failures:
        if failure is not None:
            raise failure
