"""The command line as a maker uses it, and what it leaves on the disk."""

from __future__ import annotations

import hashlib
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def handfast(*words: str | Path, cwd: Path) -> subprocess.CompletedProcess[str]:
    """Run `handfast` with these words in a folder."""
    return subprocess.run(
        [sys.executable, "-W", "error", "-m", "handfast", *map(str, words)],
        cwd=cwd, text=True, capture_output=True, timeout=300, check=False,
    )  # fmt: skip


def contents(folder: Path) -> dict[str, str]:
    """A hash of every file under a folder, by its path; folders too."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else "folder"
        for path in sorted(folder.rglob("*"))
    }


def said(done: subprocess.CompletedProcess[str]) -> str:
    """What it said on stderr, a first start's word about compiling left out."""
    lines = [line for line in done.stderr.splitlines() if not line.startswith("handfast: compiling")]
    return "\n".join(lines)
