"""Write a file whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from handfast.errors import FaultError


def write_text(path: Path, text: str) -> None:
    """Put `text` into `path`: written beside it first, then renamed, so that no half file is ever seen."""
    write_bytes(path, text.encode())


def write_bytes(path: Path, data: bytes) -> None:
    """Put `data` into `path`: written beside it first, then renamed. A link stays; what it names is written."""
    path = path.resolve()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    except OSError as error:
        raise FaultError(f"{path}: cannot be written ({error.strerror}); nothing was changed") from error
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        os.chmod(name, path.stat().st_mode & 0o777 if path.exists() else 0o644)
        os.replace(name, path)
    except BaseException as error:
        Path(name).unlink(missing_ok=True)
        if isinstance(error, OSError):
            raise FaultError(f"{path}: cannot be written ({error.strerror}); nothing was changed") from error
        raise


def free_path(path: Path) -> Path:
    """`path`, or, where it is taken, the first of its kind with a number that is not."""
    found, n = path, 2
    while found.exists():
        found, n = path.with_name(f"{path.stem}-{n}{path.suffix}"), n + 1
    return found
