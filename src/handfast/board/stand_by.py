"""A process of its own that keeps the heartbeat going over a short stall of the program.

The program's own heartbeat comes from a thread, and a thread of a busy program on a small computer now and then waits
for longer than the link timeout (0.27 s was seen with four busy programs on two cores). The link is not lost then, and
somebody who teaches limp arms should not be thrown out. So this process, which does nothing else, fills in, always
without permission: what moves stops gently and waits, since nobody knows whether it is still wanted. After a second and
a half it gives up, and the board stops of itself. It ends with the program.
"""

from __future__ import annotations

import contextlib
import os
import select
import struct
import subprocess
import sys
import time

from handfast.board.codec import encode

STRIDE = 8
"""The program goes on by so many sequence numbers from one of its frames to the next; those between are for filling in.

Where they do not last, the numbers of its next frame or two are taken: these are then dropped as old, and come again.
"""

LATE, PACE, ENDS = 0.13, 0.1, 1.5
"""A heartbeat that is so late, s, is filled in for, then every so often, s, until the last one is so old, s."""

_TOLD = struct.Struct("BB")


class StandBy:
    """The program's end: starts the process and tells it of every frame. Raises OSError where it cannot be had."""

    def __init__(self, port: int):
        """port: the file descriptor that frames are written to."""
        if os.name != "posix":
            raise OSError("a file descriptor cannot be handed on here")
        theirs, self._ours = os.pipe()
        try:
            os.set_blocking(self._ours, False)
            self._process = subprocess.Popen(
                [sys.executable, "-P", "-m", __name__, str(port), str(theirs)], pass_fds=(port, theirs),
                stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, start_new_session=True,
            )  # fmt: skip
        except BaseException:
            os.close(self._ours)
            raise
        finally:
            os.close(theirs)

    def ready(self, seconds: float) -> bool:
        """Wait until it is there, at most so long, s; whether it is."""
        assert self._process.stdout is not None
        return bool(select.select([self._process.stdout], [], [], seconds)[0])

    def tell(self, sequence: int, heartbeat: bool) -> None:
        """A frame went out."""
        with contextlib.suppress(OSError):
            os.write(self._ours, _TOLD.pack(sequence, heartbeat))

    def close(self) -> None:
        """End the process."""
        os.close(self._ours)
        try:
            self._process.wait(1.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        assert self._process.stdout is not None
        self._process.stdout.close()


def keep(port: int, told: int) -> None:
    """Fill in on file descriptor `port` for what is late by what comes in on `told`, until that ends."""
    last = filled = 0
    beaten = due = float("-inf")
    while True:
        ready, _, _ = select.select([told], [], [], 0.02)
        now = time.monotonic()
        if ready:
            data = os.read(told, 4096)
            if not data:
                return
            frames = list(_TOLD.iter_unpack(data))
            last, filled = frames[-1][0], 0
            if any(heartbeat for _, heartbeat in frames):
                beaten, due = now, now + LATE
        if due <= now < beaten + ENDS and filled < 2 * STRIDE - 1:
            filled += 1
            due = now + PACE
            with contextlib.suppress(OSError):
                os.write(port, encode("heartbeat", (last + filled) & 0xFF, permission=0))


if __name__ == "__main__":
    os.write(1, b".")
    keep(int(sys.argv[1]), int(sys.argv[2]))
    os._exit(0)  # at once: the port is not free before
