"""A recording on its way to the disk: whole rows, taken up again, never written over."""

from __future__ import annotations

import numpy as np
import pytest

from handfast.errors import InputError
from handfast.records.recording import read_recording
from handfast.records.recording_file import RecordingFile


def fill(file, seconds, start=5.0):
    """Samples every 10 ms; counts say which."""
    for k in range(round(seconds * 100)):
        file.add(start + 0.01 * k, np.full(3, k % 900, dtype=float))


def test_rows_are_there_before_it_is_closed(tmp_path):
    """All but the last fifth of a second, without closing it; times start at zero."""
    path = tmp_path / "a.csv"
    with RecordingFile(path, 3, "held", ("made for a test",), resume=False) as file:
        fill(file, 2.0)
        rows = path.read_text().splitlines()
        assert rows[:4] == [
            "# handfast recording, layout 1",
            "# made for a test",
            "# hands: held",
            "t_ms,ch0,ch1,ch2,event",
        ]
        assert rows[4] == "0,0,0,0,"
        assert float(rows[-1].split(",")[0]) >= 1990 - 200 - 10
        file.say("note end; here")
    read = read_recording(path, 3)
    assert (len(read.t), read.hands) == (201, "held")
    # What was said after the last sample is not lost.
    assert (read.events[-1].text, read.events[-1].time) == ("note end, here", pytest.approx(1.991))


def test_a_cut_off_recording_goes_on(tmp_path):
    """Half a row is cut off; time goes on where it stood; an event says so; the rest is unchanged."""
    path = tmp_path / "a.csv"
    with RecordingFile(path, 3, "held", (), resume=False) as file:
        fill(file, 1.0)
    whole = path.read_bytes()
    path.write_bytes(whole + b"1000,5,")
    with RecordingFile(path, 3, "held", (), resume=True) as file:
        fill(file, 1.0, start=99.0)
    assert path.read_bytes().startswith(whole)
    read = read_recording(path, 3)
    assert len(read.t) == 200
    assert [(e.text, e.time) for e in read.events] == [("note resumed", pytest.approx(1.01))]
    assert np.diff(read.t).max() < 0.03


@pytest.mark.parametrize(
    ("text", "resume", "says"),
    [
        ("x", False, "already there"),
        (None, True, "no recording to go on with"),
        ("a,b\n1,2\n", True, "no recording of this bench"),
        ("t_ms,ch0,ch1,ch2,event\nx,1,1,1,\n", True, "its last row is 'x,1,1,1,'"),
    ],
)
def test_what_is_there_is_never_written_over(tmp_path, text, resume, says):
    """Each with its own message, and not a byte changed."""
    path = tmp_path / "a.csv"
    if text is not None:
        path.write_text(text)
    with pytest.raises(InputError, match=says):
        RecordingFile(path, 3, "held", (), resume)
    assert (path.read_text() if path.exists() else None) == text
