"""The real firmware in the AVR simulator, as a child process that `make firmware` builds."""

from __future__ import annotations

import contextlib
import subprocess
from collections.abc import Callable
from pathlib import Path

from handfast.errors import FaultError, InputError

BUILD = Path(__file__).resolve().parents[3] / "firmware" / "build"


def built(elf: Path | None) -> tuple[Path, Path]:
    """The simulator and the firmware. Raises InputError if they have not been built."""
    firmware = elf or BUILD / "handfast.elf"
    simulator = firmware.parent / "simulate"
    for path in (firmware, simulator):
        if not path.is_file():
            raise InputError(
                "is not there",
                where=str(path),
                expected="the firmware and its simulator",
                next_step="make firmware builds both (it needs gcc-avr, avr-libc, libsimavr-dev and libelf-dev)",
            )
    return simulator, firmware


def serve(simulator: Path, firmware: Path, stand_in: str, ready: Callable[[str], None]) -> int:
    """Run until interrupted; lines on stdin go to the simulator. `ready` gets the name of the port."""
    child = subprocess.Popen(
        [str(simulator), "--elf", str(firmware), "--stand-in", stand_in], stdout=subprocess.PIPE, text=True
    )
    assert child.stdout is not None
    try:
        first = child.stdout.readline().split()
        if len(first) != 2 or first[0] != "port":
            child.wait(5.0)
            raise FaultError(f"the simulator ended with status {child.returncode} before it was ready")
        ready(first[1])
        child.stdout.read()  # until it ends
        status = child.wait()
    except KeyboardInterrupt:
        status = 0
    finally:
        if child.poll() is None:
            child.terminate()
            with contextlib.suppress(subprocess.TimeoutExpired):
                child.wait(5.0)
            if child.poll() is None:
                child.kill()
                child.wait()
        child.stdout.close()
    if status:
        raise FaultError(f"the simulator ended with status {status}")
    return 0
