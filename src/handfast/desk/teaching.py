"""Teach by hand on a board: record what is led, and write the routine that it teaches."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from handfast.bench.parts import SIDES, Side
from handfast.desk.work import Desk, check_name
from handfast.errors import InputError

if TYPE_CHECKING:
    from handfast.desk.board import Open
    from handfast.records.recording import Event
    from handfast.sessions.teach_live import Watching


def recording_path(desk: Desk, name: str, resume: bool) -> Path:
    """Where the recording of that name goes. Raises InputError if the name is none, or taken."""
    check_name(name)
    path = desk.folder.recordings / f"{name}.csv"
    if path.exists() and not resume:
        raise InputError(
            "this recording is already there",
            where=str(path),
            expected="a new name, or the wish to go on with it",
            next_step="give another name; on the command line, --resume goes on with it",
        )
    return path


def held_channels(desk: Desk, hold: list[str]) -> list[int]:
    """Channels of servos, or of whole arms, that keep their pulses while others are limp."""
    from handfast.sessions.probe import parts

    named = {name: [part.channel] for _, name, part in parts(desk.bench)}
    for side in SIDES:
        named[side] = [joint.channel for joint in desk.bench.arm(side).joints]
    found: list[int] = []
    for name in hold:
        if name not in named:
            raise InputError(
                f'no servo and no arm "{name}"',
                where="--hold",
                available=list(named),
                asked=name,
                next_step="choose one of these",
            )
        found += named[name]
    return sorted(set(found))


def teach_live(
    desk: Desk,
    open_: Open,
    path: Path,
    *,
    sides: tuple[Side, ...],
    hands: str,
    hold: list[str],
    by_itself: bool,
    resume: bool,
    seconds: float | None,
    keys: Callable[[], str],
    ends: Callable[[], bool],
    say: Callable[[str], None],
    watching: Watching | None = None,
) -> int:
    """Record until it ends; returns how many poses were stored. What was recorded stays, whatever ends it."""
    from handfast.records.recording_file import RecordingFile
    from handfast.sessions.teach_live import Teaching

    channels = held_channels(desk, hold)
    notes = (f"recorded at {open_.board.name}",)
    with RecordingFile(path, desk.bench.controller.channels, hands, notes, resume) as file:
        earlier = _told_before(path, desk.bench.controller.channels) if resume else ()
        if watching is not None:
            for event in earlier:
                watching.event(event.time, event.text)
        session = Teaching(desk.bench, open_.board, open_.limits, file, sides, by_itself, say, watching, earlier)
        open_.board.power_on()
        session.hold(channels)
        session.run(keys, ends, seconds)
    open_.board.power_off()
    return session.poses


def _told_before(path: Path, channels: int) -> tuple[Event, ...]:
    """What a recording that is gone on with was told; nothing, where it cannot be read as a whole yet."""
    from handfast.records.recording import read_recording

    try:
        return read_recording(path, channels).events
    except InputError:
        return ()
