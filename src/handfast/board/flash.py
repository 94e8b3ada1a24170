"""Writing the firmware into the chip, by the usual open tool for it."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

from handfast.errors import FaultError, InputError

TOOL = "avrdude"


def image(given: Path | None) -> Path:
    """The firmware's image: the one that is named, or the one that `make firmware` leaves."""
    if given is not None:
        candidates = [given]
    else:
        root = Path(__file__).resolve().parents[3]
        candidates = [root / "firmware" / "build" / name for name in ("handfast.hex", "handfast.elf")]
    for path in candidates:
        if path.is_file():
            return path
    raise InputError(
        "there is no firmware image",
        where=str(candidates[0]),
        expected="an image for the ATmega2560",
        next_step="make firmware builds it; or name one with --image FILE",
    )


def command(port: str, path: Path, programmer: str) -> list[str]:
    """What is run: no erase of the whole chip (-D), as a boot loader needs it, and the image read back and compared."""
    kind = "e" if path.suffix == ".elf" else "i"
    return [TOOL, "-p", "m2560", "-c", programmer, "-P", port, "-b", "115200", "-D", "-U", f"flash:w:{path}:{kind}"]


def flash(port: str, path: Path, programmer: str) -> None:
    """Write and compare. Raises FaultError if that fails; the arms' supply should be off."""
    if shutil.which(TOOL) is None:
        raise InputError(f"{TOOL} is not installed", next_step=f"install the package {TOOL}, then try again")
    done = subprocess.run(command(port, path, programmer), check=False)
    if done.returncode != 0:
        raise FaultError(
            f"{port}: writing failed (status {done.returncode}); the board may hold half a firmware and not answer\n"
            "  next: see the lines above; press the board's reset just before writing, then try again"
        )
