"""What a batch of measured values changed beside measured.toml, kept so that the whole of it can be taken back.

It stands in out/batches.jsonl, one line per batch: the texts of every other file that the batch wrote, before and
after. A file that was edited since keeps those edits: only what the batch itself put there is taken out of it.
"""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from handfast.bench.folder import BenchFolder
from handfast.desk.history import Texts, text_of
from handfast.errors import FaultError
from handfast.files.atomic import write_text


@dataclass(frozen=True)
class TakenBack:
    """Files that are again as they were before a batch, those it never changed, and a sentence for each other one."""

    files: tuple[Path, ...]
    same: tuple[Path, ...]
    left: tuple[str, ...]


def _record(folder: BenchFolder) -> Path:
    return folder.out / "batches.jsonl"


def texts(folder: BenchFolder, paths: Iterable[Path]) -> Texts:
    """What files inside the bench folder say, by their path in it; None for those that are not there."""
    return {str(path.relative_to(folder.root)): text_of(path) for path in paths}


def keep(folder: BenchFolder, batch: str, before: Texts) -> None:
    """Note what a batch has changed, now that all of it is written. before: from `texts`."""
    line = {"batch": batch, "before": before, "after": texts(folder, (folder.root / name for name in before))}
    path = _record(folder)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("a", encoding="utf-8") as stream:
            stream.write(json.dumps(line, ensure_ascii=False) + "\n")
    except OSError as error:
        raise FaultError(
            f"{path}: cannot be written ({error.strerror}); batch {batch} stands, but --undo will take its figures "
            "back only"
        ) from error


def take_back(folder: BenchFolder, batch: str) -> TakenBack | None:
    """Put the files that a batch wrote back as they were; None if nothing was kept of it."""
    found = _kept(folder, batch)
    if found is None:
        return None
    before, after = found
    files: list[Path] = []
    same: list[Path] = []
    left: list[str] = []
    for name, was in before.items():
        path = folder.root / name
        now = text_of(path)
        text: str | None
        if now == was:
            same.append(path)
            continue
        if now == after[name]:
            text = was
        elif now is None:
            left.append(f"{name} was taken away since: it stays so")
            continue
        else:
            text = _without(name, now, was, after[name])
            if text is None:
                left.append(f"{name} was edited since: it stays as it is, and what this batch wrote in it with it")
                continue
            if text == now:
                continue
        if text is None:
            path.unlink(missing_ok=True)
            if path.parent == folder.set_aside:
                with contextlib.suppress(OSError):  # others may be in it
                    path.parent.rmdir()
        else:
            write_text(path, text)
        # One that keeps later edits is still to be read off the old lines.
        if text == was:
            files.append(path)
    return TakenBack(tuple(files), tuple(same), tuple(left))


def _kept(folder: BenchFolder, batch: str) -> tuple[Texts, Texts] | None:
    """Texts before and after the last batch of that name. A line that a crash cut short says nothing."""
    found = None
    for line in (text_of(_record(folder)) or "").splitlines():
        try:
            said = json.loads(line)
            if said["batch"] == batch:
                found = said["before"], said["after"]
        except (ValueError, KeyError, TypeError):
            continue
    return found


def _without(name: str, now: str, was: str | None, after: str | None) -> str | None:
    """A file's text without what a batch put there, all later edits kept; None where that cannot be told apart."""
    import tomlkit

    if name.startswith("routines/"):
        take: Callable[[Any, Any, Any], None] = _take_nudges
    elif name.startswith("readings/"):
        take = _take_landings
    else:
        return None
    try:
        document: Any = tomlkit.parse(now)
        take(document, tomlkit.parse(was or ""), tomlkit.parse(after or ""))
    except (ValueError, KeyError, TypeError, AttributeError):
        return None
    return str(tomlkit.dumps(document))


def _take_nudges(now: Any, was: Any, after: Any) -> None:
    """Nudges of a routine that are still those of the batch become what they were, wherever their steps stand now."""
    for old, new in zip(was["step"], after["step"], strict=True):
        for side in ("left", "right"):
            put = new.get(side, {}).get("nudge_mm")
            kept = old.get(side, {}).get("nudge_mm")
            if put is None or put == kept:
                continue
            for step in now["step"]:
                said = step.get(side, {})
                if said.get("nudge_mm") == put and said.get("at_s") == new[side].get("at_s"):
                    if kept is None:
                        del said["nudge_mm"]
                    else:
                        said["nudge_mm"] = kept


def _take_landings(now: Any, was: Any, after: Any) -> None:
    """Landings that the batch added go out of a file of readings, each once."""
    old = [dict(row) for row in was.get("landing", [])]
    added = [dict(row) for row in after.get("landing", [])][len(old) :]
    rows = now.get("landing", [])
    for row in added:
        place = next((n for n in reversed(range(len(rows))) if dict(rows[n]) == row), None)
        if place is not None:
            del rows[place]
    if "landing" in now and not len(rows):
        del now["landing"]
