"""What was edited in a bench folder, kept on disk: undo and redo without limit, and nothing from outside is lost."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from handfast.bench.folder import BenchFolder
from handfast.errors import FaultError, InputError
from handfast.files.atomic import write_text

Texts = dict[str, str | None]
"""Text of each file by its path inside the bench folder; None where there is no such file."""


@dataclass(frozen=True)
class Entry:
    """One edit: what it did in words, the files' texts before and after, and whether it came from outside."""

    label: str
    before: Texts
    after: Texts
    outside: bool = False


class History:
    """All edits of one bench folder, oldest first; `at` of them are in force.

    It lives in out/edits.jsonl, one line per happening, so that it outlasts the program. What is found on disk
    and was not written here is an edit from outside: it gets an entry of its own and can be undone like any other.
    """

    def __init__(self, folder: BenchFolder):
        self.folder = folder
        self.file = folder.out / "edits.jsonl"
        self.entries: list[Entry] = []
        self.at = 0
        self.texts = self._on_disk()
        self._read()
        self.look()

    # -- what is on disk ---------------------------------------------------------------------------------

    def _watched(self) -> list[Path]:
        f = self.folder
        return [f.file, f.stock, f.measured, f.nudges, *f.routine_files()]

    def _on_disk(self) -> Texts:
        found: Texts = {}
        for path in self._watched():
            text = text_of(path)
            if text is not None:
                found[str(path.relative_to(self.folder.root))] = text
        return found

    def look(self, did: str | None = None) -> Entry | None:
        """Notice what was changed since the last look; returns its entry, None if nothing was.

        did: what our own work did to the files, in words; None where they were edited from outside.
        """
        now = self._on_disk()
        names = [name for name in {**self.texts, **now} if self.texts.get(name) != now.get(name)]
        if not names:
            return None
        entry = Entry(
            did or f"edited outside: {', '.join(sorted(names))}",
            {name: self.texts.get(name) for name in names},
            {name: now.get(name) for name in names},
            outside=did is None,
        )
        self.texts = now
        self._push(entry)
        return entry

    # -- edits -------------------------------------------------------------------------------------------

    def write(self, label: str, after: Mapping[str, str | None]) -> Entry | None:
        """Put texts into their files, all or none, and remember what was there. None if nothing changes."""
        before: Texts = {name: self.texts.get(name) for name in after}
        if before == dict(after):
            return None
        entry = Entry(label, before, dict(after))
        self._put(entry.after, entry.before)
        self._push(entry)
        return entry

    @property
    def undoable(self) -> str | None:
        """What undo would take back."""
        return self.entries[self.at - 1].label if self.at else None

    @property
    def redoable(self) -> str | None:
        """What redo would do again."""
        return self.entries[self.at].label if self.at < len(self.entries) else None

    def undo(self) -> Entry:
        """Take the last edit back."""
        if not self.at:
            raise InputError("nothing is left to undo", where=str(self.folder.root))
        entry = self.entries[self.at - 1]
        self._put(entry.before, entry.after)
        self.at -= 1
        self._note({"did": "undo"})
        return entry

    def redo(self) -> Entry:
        """Do again what was undone last."""
        if self.at >= len(self.entries):
            raise InputError("nothing is left to redo", where=str(self.folder.root))
        entry = self.entries[self.at]
        self._put(entry.after, entry.before)
        self.at += 1
        self._note({"did": "redo"})
        return entry

    def _put(self, new: Texts, old: Texts) -> None:
        done: list[str] = []
        try:
            for name, text in new.items():
                self._put_one(name, text)
                done.append(name)
        except (FaultError, OSError) as error:
            for name in done:
                self._put_one(name, old[name])
            if isinstance(error, OSError):
                raise FaultError(f"{self.folder.root}: cannot be written ({error.strerror})") from error
            raise
        for name, text in new.items():
            if text is None:
                self.texts.pop(name, None)
            else:
                self.texts[name] = text

    def _put_one(self, name: str, text: str | None) -> None:
        path = self.folder.root / name
        if text is None:
            path.unlink(missing_ok=True)
        else:
            write_text(path, text)

    # -- the file of happenings --------------------------------------------------------------------------

    def _push(self, entry: Entry) -> None:
        """A new entry takes the place of all that was undone before it."""
        del self.entries[self.at :]
        self.entries.append(entry)
        self.at += 1
        self._note({"did": entry.label, "outside": entry.outside, "before": entry.before, "after": entry.after})

    def _note(self, happening: dict[str, Any]) -> None:
        try:
            self.file.parent.mkdir(parents=True, exist_ok=True)
            with self.file.open("a", encoding="utf-8") as stream:
                stream.write(json.dumps(happening, ensure_ascii=False) + "\n")
        except OSError as error:
            raise FaultError(
                f"{self.file}: cannot be written ({error.strerror}); the edit was done, but cannot be undone later"
            ) from error

    def _read(self) -> None:
        """Follow the happenings so far; a line that a crash cut short ends them."""
        text = text_of(self.file)
        if text is None:
            return
        for line in text.splitlines():
            try:
                happening = json.loads(line)
                did = happening["did"]
                if did == "undo":
                    self.at = max(0, self.at - 1)
                elif did == "redo":
                    self.at = min(len(self.entries), self.at + 1)
                else:
                    entry = Entry(did, happening["before"], happening["after"], bool(happening["outside"]))
                    del self.entries[self.at :]
                    self.entries.append(entry)
                    self.at += 1
            except (ValueError, KeyError, TypeError):
                break
        # The texts as the last happening left them, so that `look` sees what was changed since.
        for entry in self.entries[: self.at]:
            for name, after in entry.after.items():
                self._as_left(name, after)
        for entry in reversed(self.entries[self.at :]):
            for name, before in entry.before.items():
                self._as_left(name, before)

    def _as_left(self, name: str, text: str | None) -> None:
        if text is None:
            self.texts.pop(name, None)
        else:
            self.texts[name] = text


def text_of(path: Path) -> str | None:
    """What a file says, None where there is none to read."""
    try:
        # Bytes that are no text are kept apart from all others by their escapes, and refused when they are read.
        return path.read_text(encoding="utf-8", errors="surrogateescape")
    except OSError:
        return None
