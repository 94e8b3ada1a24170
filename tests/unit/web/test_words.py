"""What went wrong, as the page says it: nothing that is typed elsewhere, no line of a file that nobody edits there."""

from __future__ import annotations

import pytest

from handfast.bench.folder import BenchFolder
from handfast.bench.new import new_bench
from handfast.desk import work
from handfast.desk.playing import prepare
from handfast.desk.teaching import recording_path
from handfast.errors import HandfastError, InputError
from handfast.sessions.reading_words import asked_for
from handfast.web.place import Place
from handfast.web.words import in_page
from support import seedling


@pytest.fixture
def place(tmp_path):
    """A seedling bench that is open in a page."""
    found = Place(BenchFolder(new_bench(tmp_path / "bench").root))
    found.open()
    yield found
    found.close()


def refused(act, *given, edits=False):
    """The page's words for what an act refuses."""
    with pytest.raises(HandfastError) as caught:
        act(*given)
    words = in_page(caught.value, edits)
    assert "--" not in words
    assert "handfast " not in words
    assert words.split("\n")[0]
    return words


def test_a_figure_of_a_step(place):
    """The step, the figure by the page's name, what fits."""

    def edit(**what):
        return place.edit({"routine": "carry-tray", "version": place.version, "step": 0, **what})

    words = refused(lambda: edit(edit="figure", key="pace", value=9), edits=True)
    assert words.split("\n")[0] == "step 1, pace: 9 is out of range"
    assert "0.02 to 1" in words
    assert "line" not in words
    words = refused(lambda: edit(edit="pose", arm="right", pose_deg=[900, 0, 0, 0, 0]), edits=True)
    assert words.startswith("step 1, right arm: 900")


def test_names_runs_and_readings(place):
    """Names, answers that fail, what was filled in."""
    assert refused(recording_path, place.now, "a/b", False).startswith('"a/b" is no name')
    taken = refused(recording_path, place.now, "pass-pot", False)
    assert "another name" in taken
    assert "wish" not in taken
    ((path, routine),) = work.routines(place.now, ["carry-tray"])
    words = refused(prepare, place.now, path, routine, "corrected", [], False)
    assert "together fails" in words
    assert "tick" in words
    words = refused(asked_for, "gauge left elbow high", seedling.bench())
    assert "gauge left elbow high" in words
    assert "JOINT" not in words


def test_files_keep_their_places():
    """A file that somebody else broke is named with its line; how to start with arms stays."""
    broken = InputError("9 is out of range", where="x.toml:11: step.1.pace", expected="0 to 1", next_step="mend it")
    assert in_page(broken) == str(broken)
    arms = InputError("there are no arms", next_step="handfast open --arms PORT")
    assert "handfast open --arms PORT" in in_page(arms)
