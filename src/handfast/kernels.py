"""How numerical kernels are compiled, and where the compiled code is kept.

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
from pathlib import Path
from typing import Any

Compiled = Callable[..., Any]

PLAIN = os.environ.get("HANDFAST_PLAIN") == "1"
PACKAGE = Path(__file__).parent


def cache_folder() -> Path:
    """Folder of the compiled kernels: in the user's cache folder, named by sources and versions."""
    import importlib.metadata as metadata

    digest = hashlib.sha256()
    for path in sorted(PACKAGE.glob("*/*_kernels.py")):
        digest.update(path.read_bytes())
    for library in ("numba", "llvmlite", "numpy"):
        digest.update(metadata.version(library).encode())
    digest.update(sys.version.encode())
    root = os.environ.get("HANDFAST_CACHE") or os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    return Path(root) / "handfast" / f"kernels-{digest.hexdigest()[:16]}"


if not PLAIN:
    _folder = cache_folder()
    _first_run = not _folder.exists()
    os.environ["NUMBA_CACHE_DIR"] = str(_folder)
    try:
        _folder.mkdir(parents=True, exist_ok=True)
    except OSError:
        print("handfast: the cache folder cannot be written; kernels compile at every start", file=sys.stderr)
    if _first_run:
        print("handfast: compiling the numerical kernels (once; about a minute) ...", file=sys.stderr)
    import numba


def kernel(signature: str) -> Callable[[Compiled], Compiled]:
    """Compile an entry point for `signature`, without the interpreter lock, kept on disk."""

    def decorate(function: Compiled) -> Compiled:
        if PLAIN:
            return function
        compiled: Compiled = numba.njit(signature, cache=True, nogil=True, fastmath=False, error_model="numpy")(
            function
        )
        return compiled

    return decorate


def inner(function: Compiled) -> Compiled:
    """Mark a helper that kernels call; it is compiled into them."""
    if PLAIN:
        return function
    compiled: Compiled = numba.njit(nogil=True, error_model="numpy")(function)
    return compiled
