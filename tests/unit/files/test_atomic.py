"""Files are written whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from handfast.errors import FaultError
from handfast.files import atomic
from handfast.files.atomic import write_bytes, write_text


def test_a_file_is_written_with_its_folders(tmp_path: Path):
    """Folders on the way are made, and nothing else is left behind."""
    path = tmp_path / "a" / "b" / "c.txt"
    write_text(path, "grüße\n")
    assert path.read_text(encoding="utf-8") == "grüße\n"
    assert os.listdir(path.parent) == ["c.txt"]


def test_the_old_file_stays_when_writing_fails(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """A full disk: the old text is still there, nothing half-written lies about, and the message says so."""
    path = tmp_path / "a.txt"
    write_text(path, "old")

    def full(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(atomic.os, "fsync", full)
    with pytest.raises(FaultError, match=r"a\.txt: cannot be written \(No space left on device\); nothing was"):
        write_text(path, "new")
    assert path.read_text() == "old"
    assert os.listdir(tmp_path) == ["a.txt"]


def test_a_cancelled_write_leaves_nothing_behind(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    """Control-C while writing is passed on, and the file is as it was."""

    def interrupted(_descriptor: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(atomic.os, "fsync", interrupted)
    with pytest.raises(KeyboardInterrupt):
        write_bytes(tmp_path / "a.txt", b"new")
    assert os.listdir(tmp_path) == []


def test_a_place_that_cannot_be_written_is_a_fault(tmp_path: Path):
    """A file where a folder should be."""
    (tmp_path / "a").write_text("x")
    with pytest.raises(FaultError, match="nothing was changed"):
        write_text(tmp_path / "a" / "b.txt", "y")
    assert (tmp_path / "a").read_text() == "x"


def test_the_permissions_of_a_file_are_kept(tmp_path: Path):
    """A private file stays private; a new one can be read by all."""
    path = tmp_path / "a.txt"
    write_text(path, "1")
    assert path.stat().st_mode & 0o777 == 0o644
    path.chmod(0o600)
    write_text(path, "2")
    assert path.stat().st_mode & 0o777 == 0o600


def test_a_link_stays_a_link(tmp_path: Path):
    """A bench file may be a link into a folder under version control: what it names is written."""
    target, link = tmp_path / "kept" / "bench.toml", tmp_path / "bench.toml"
    target.parent.mkdir()
    target.write_text("old")
    link.symlink_to(target)
    write_text(link, "new")
    assert link.is_symlink()
    assert target.read_text() == "new"
