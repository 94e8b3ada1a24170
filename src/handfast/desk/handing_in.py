"""Files that a maker hands in, such as a photo from a phone: looked at, then kept in the bench's folder."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

from handfast.desk.work import Desk
from handfast.errors import HandfastError, InputError
from handfast.files.atomic import free_path, write_bytes

MOST = 48 * 1024 * 1024
"""Bytes that a file may have."""


@dataclass(frozen=True)
class Kind:
    """What is handed in: the folder it goes to, how its name ends, and what reads it to see whether it is one."""

    folder: str
    endings: tuple[str, ...]
    look: Callable[[Desk, Path], object]


def _readings(desk: Desk, path: Path) -> object:
    from handfast.records.readings import read_readings

    return read_readings(path, desk.bench)


def _points(desk: Desk, path: Path) -> object:
    from handfast.scoring.points import read_points

    return read_points(path)


def _photo(desk: Desk, path: Path) -> object:
    from handfast.scoring.photo import read_ink

    return read_ink(path)


def _sweep(desk: Desk, path: Path) -> object:
    from handfast.records.trace import read_trace

    return read_trace(path, servo=desk.bench.joints[0].servo_name)


KINDS = {
    "readings": Kind("readings", (".toml",), _readings),
    "points": Kind("scores", (".csv",), _points),
    "photo": Kind("scores", (".png", ".jpg", ".jpeg"), _photo),
    "sweep": Kind("sweeps", (".csv",), _sweep),
}


def keep_given(desk: Desk, kind: str, name: str, data: bytes) -> str:
    """Keep a file in the bench's folder; returns its name there. One that cannot be read is refused, and not kept.

    A file of that name is never overwritten: readings of the same name are refused, since they would count twice;
    others get a free name.
    """
    known = KINDS.get(kind)
    if known is None:
        raise InputError(f'"{kind[:40]}" is nothing that can be handed in', available=list(KINDS))
    plain = Path(name.replace("\\", "/")).name
    if not plain or plain.startswith(".") or "\0" in plain or not plain.lower().endswith(known.endings):
        raise InputError(
            "is not the kind of file that is asked for", where=plain or "the file",
            expected=f"a name that ends in {' or '.join(known.endings)}", next_step="choose another file",
        )  # fmt: skip
    if not data or len(data) > MOST:
        raise InputError(
            "nothing is in it" if not data else f"has {len(data) / 2**20:.0f} MiB", where=plain,
            expected=f"1 byte to {MOST // 2**20} MiB", next_step="choose another file",
        )  # fmt: skip
    folder = desk.folder.root / known.folder
    if kind == "readings" and (folder / plain).exists():
        raise InputError(
            "readings of that name are there already", where=str(folder / plain), expected="a new name",
            next_step="give the file another name if these are other readings",
        )  # fmt: skip
    with TemporaryDirectory() as place:
        trial = Path(place) / plain
        trial.write_bytes(data)
        try:
            known.look(desk, trial)
        except HandfastError as error:
            raise InputError(str(error).replace(f"{place}/", "")) from None
    target = free_path(folder / plain)
    write_bytes(target, data)
    return target.name
