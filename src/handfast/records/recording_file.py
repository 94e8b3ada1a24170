"""A recording while it is being made: whole rows reach the disk several times a second, and a cut-off one is kept."""

from __future__ import annotations

import os
from pathlib import Path
from types import TracebackType

import numpy as np

from handfast.errors import FaultError, InputError
from handfast.geometry.rigid import Array
from handfast.records.recording import HEADING, columns_of, row_of

EVERY = 0.2
"""Rows are handed to the system at least this often, s of recorded time; to the disk once a second."""

GAP = 0.02
"""What a resumed recording counts for the time that it was cut off, s."""


class RecordingFile:
    """Appends samples and events to a recording; a context manager. With `resume` it goes on where the file ends."""

    def __init__(self, path: Path, channels: int, hands: str, notes: tuple[str, ...], resume: bool):
        self.path, self._channels = path, channels
        self._rows: list[str] = []
        self._said: list[str] = []
        self._last: Array | None = None
        self._offset: float | None = None
        self.last = -GAP
        self._flushed = self._synced = -GAP
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            if resume:
                self._take_up()
                self._fd = os.open(path, os.O_WRONLY | os.O_APPEND)
                self._said.append("note resumed")
            else:
                self._fd = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | os.O_EXCL, 0o644)
                head = [f"# {HEADING}", *(f"# {line}" for note in notes for line in note.splitlines())]
                self._write("\n".join([*head, f"# hands: {hands}", ",".join(columns_of(channels))]) + "\n")
        except FileExistsError:
            raise InputError(
                "this recording is already there",
                where=str(path),
                expected="a new name, or the wish to go on with it",
                next_step="give another name; on the command line, --resume goes on with it",
            ) from None
        except OSError as error:
            raise FaultError(f"{path}: cannot be written ({error.strerror})") from error

    def _take_up(self) -> None:
        """Cut a half row off, and see where the time stands."""
        if not self.path.is_file():
            raise InputError(
                "there is no recording to go on with",
                where=str(self.path),
                available=[p.stem for p in self.path.parent.glob("*.csv")],
                asked=self.path.stem,
                next_step="give its --name, or leave out --resume",
            )
        data = self.path.read_bytes()
        whole = data[: data.rfind(b"\n") + 1]
        if len(whole) < len(data):
            os.truncate(self.path, len(whole))
        lines = [line for line in whole.decode(errors="replace").splitlines() if not line.startswith("#")]
        if not lines or lines[0] != ",".join(columns_of(self._channels)):
            raise InputError(
                "this is no recording of this bench",
                where=str(self.path),
                expected=f"the columns t_ms, ch0 to ch{self._channels - 1}, event",
                next_step="give another name",
            )
        if len(lines) > 1:
            try:
                self.last = float(lines[-1].split(",")[0]) / 1e3
            except ValueError:
                raise InputError(
                    f"its last row is {lines[-1][:60]!r}", where=str(self.path), next_step="cut it off, then --resume"
                ) from None
        self._flushed = self._synced = self.last

    def __enter__(self) -> RecordingFile:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def say(self, words: str) -> None:
        """An event; it goes with the next sample."""
        self._said.append(words.replace(";", ","))

    def add(self, time: float, counts: Array) -> float:
        """A sample at a time (s, of any origin, rising); returns its time in the recording."""
        if self._offset is None:
            self._offset = self.last + GAP - time
        at = time + self._offset
        if at <= self.last:
            return self.last
        self.last = at
        self._last = np.asarray(counts)
        self._rows.append(row_of(at, self._last, "; ".join(self._said)))
        self._said.clear()
        if at - self._flushed >= EVERY:
            self.flush(sync=at - self._synced >= 1.0)
        return at

    def flush(self, sync: bool = True) -> None:
        """Hand all rows to the system, and with `sync` to the disk."""
        try:
            if self._rows:
                self._write("".join(self._rows))
                self._rows.clear()
            if sync:
                os.fsync(self._fd)
                self._synced = self.last
        except OSError as error:
            raise FaultError(f"{self.path}: cannot be written ({error.strerror}); what came before is kept") from error
        self._flushed = self.last

    def _write(self, text: str) -> None:
        data = text.encode()
        while data:
            data = data[os.write(self._fd, data) :]

    def close(self) -> None:
        """Everything to the disk. What was said after the last sample goes with one more, a little later."""
        if self._fd >= 0:
            try:
                if self._said and self._last is not None:
                    self.last += 1e-3
                    self._rows.append(row_of(self.last, self._last, "; ".join(self._said)))
                    self._said.clear()
                self.flush()
            finally:
                os.close(self._fd)
                self._fd = -1
