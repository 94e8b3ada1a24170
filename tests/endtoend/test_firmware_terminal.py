"""The simulator as a serial port: a pseudo-terminal behind a link, commands on its standard input."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

from support import simulated, wire


class Reader:
    """Frames from a port, one after the other."""

    def __init__(self, port: int) -> None:
        self.port, self.held = port, b""

    def until(self, name: str, seconds: float = 20, **fields: int) -> dict[str, Any]:
        """Read on until a frame of that name with these fields comes; what came behind it is kept."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            part, found, rest = self.held.partition(b"\0")
            if not found:
                try:
                    self.held += os.read(self.port, 4096)
                except BlockingIOError:
                    time.sleep(0.005)
                continue
            self.held = rest
            frame = wire.decode(part) if part else {"name": ""}
            if frame["name"] == name and all(frame[k] == v for k, v in fields.items()):
                return frame
        raise AssertionError(f"no {name}")


def test_a_host_on_the_pseudo_terminal(tmp_path: Path) -> None:
    """Open the link, identify, read status, see pedal and stop input; SIGTERM ends it and takes the link away."""
    simulated.build()
    link = tmp_path / "port"
    command = [str(simulated.BUILD / "simulate"), "--elf", str(simulated.BUILD / "handfast.elf"), "--link", str(link)]
    command += ["--stand-in", simulated.PLAIN]
    process = subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )
    assert process.stdin
    assert process.stdout
    assert process.stdout.readline() == f"port {link}\n"
    port = os.open(link, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    reader = Reader(port)
    try:
        time.sleep(0.2)
        os.write(port, b"\0" + wire.encode("identify", 1, nonce=77, protocol=1))
        assert reader.until("identity")["nonce"] == 77
        first = reader.until("status")
        assert reader.until("status")["board_us"] > first["board_us"]
        kind = wire.TABLE["events"]
        process.stdin.write("pedal 1\n")
        process.stdin.flush()
        reader.until("event", kind=kind["pedal"], value=1)
        process.stdin.write("stop 1\n")
        process.stdin.flush()
        reader.until("event", kind=kind["stop_input"], value=1)
        os.write(port, wire.encode("clock_ask", 2, token=5))
        told = reader.until("clock_tell")
        assert told["token"] == 5
        assert 0 <= told["told_us"] - told["heard_us"] < 20_000
    finally:
        os.close(port)
        process.send_signal(signal.SIGTERM)
        _, errors = process.communicate(timeout=20)
    assert process.returncode == 0
    assert "simulated" in errors
    assert not link.is_symlink()


def refused(*options: str) -> str:
    """What the simulator says when it ends with status 2."""
    done = subprocess.run(
        [str(simulated.BUILD / "simulate"), *options], capture_output=True, text=True, input="run 9999\n"
    )
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    return done.stderr


def test_wrong_options_and_broken_stand_ins_end_in_one_message() -> None:
    """No firmware, a missing file, an unknown option, a stand-in that ends, or that says something else."""
    simulated.build()
    elf = str(simulated.BUILD / "handfast.elf")
    assert "--elf" in refused()
    assert "make firmware" in refused("--elf", "/nowhere/handfast.elf")
    assert "README" in refused("--elf", elf, "--colour", "red")
    assert "ended" in refused("--elf", elf, "--step", "--stand-in", f"{sys.executable} -c pass")
    talk = f"{sys.executable} -uc \"import sys; [print('hello') for _ in sys.stdin]\""
    assert "15 whole numbers" in refused("--elf", elf, "--step", "--stand-in", talk)
