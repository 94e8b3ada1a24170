"""What a user is told of readings that do not fit, and of a batch that cannot be taken back whole."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from handfast.bench.lines import counts_of
from handfast.bench.measured import measured_text
from handfast.bench.new import new_bench
from handfast.desk import measuring
from handfast.desk.history import History
from handfast.desk.work import open_bench
from handfast.landing.flank import lead_of
from handfast.mechanics.model import model_of
from handfast.records.readings import Gauge, Readings, write_readings

DEGREE = np.pi / 180.0


@pytest.fixture
def desk(tmp_path):
    """A seedling bench."""
    return open_bench(new_bench(tmp_path / "bench").root)


def gauged(desk):
    """The left elbow gauged at five angles from either side, as the bench itself would show it."""
    bench, lead = desk.bench, lead_of(model_of(desk.bench))[2]
    joint, found = bench.arms.left.joints[2], []
    for share in (0.1, 0.3, 0.5, 0.7, 0.9):
        angle = joint.travel[0] + share * (joint.travel[1] - joint.travel[0])
        for way in (1.0, -1.0):
            counts = [500.0] * 12
            counts[joint.channel] = float(counts_of(joint, np.array(angle - way * lead)))
            found.append(
                Gauge(
                    joint="left elbow", angle=angle, error=0.1 * DEGREE, way="+" if way > 0 else "-",
                    counts=tuple(counts), supply=6.0,
                )
            )  # fmt: skip
    return found


def test_a_reading_that_does_not_fit_is_found_by_its_file(desk):
    """The fourth gauge of the second file, read 5 degrees wrong: named so, with by how much."""
    right = gauged(desk)
    wrong = [*right[:3], replace(right[3], angle=right[3].angle + 5.0 * DEGREE), *right[4:]]
    files = [desk.folder.readings / name for name in ("a.toml", "b.toml")]
    for path, gauges in zip(files, (right, wrong), strict=True):
        write_readings(path, Readings(gauges=tuple(gauges)), desk.bench)
    fitted = measuring.fit(desk, measuring.read_all(desk, files), advise=False, files=files)
    (said,) = fitted.wild
    assert said.startswith("gauge 4 at left elbow in b.toml: ")
    size, unit, *rest = said.partition(": ")[2].split()
    assert (float(size), unit) == (pytest.approx(5.0, abs=0.7), "°")
    assert " ".join(rest).endswith(" of its standard errors")


def test_undo_says_what_it_cannot_take_back(desk):
    """Nothing was kept of a batch beside its figures: they go, and what nudges left is told with where it stands."""
    desk.folder.measured.write_text(
        measured_text(
            "", [("left elbow", "unseen_play_deg", 0.5, 0.1, True)], "2026-11-01", "2 nudges at pass-pot", "old 1"
        )
    )
    done = measuring.undo(open_bench(desk.folder.root))
    assert open_bench(desk.folder.root).measured == ()
    assert done.batch == "old 1"
    assert done.restored == []
    assert "batch old 1" in done.left[0]
    assert "the last 2 [[landing]] tables of readings/nudges.toml" in done.left[1]
    assert "nudge_mm of routine pass-pot are still there" in done.left[1]


def test_the_page_takes_the_readings_of_nudges_back_too(desk):
    """They belong to the routine's poses: one edit with the figures, undone and done again with them."""
    history = History(desk.folder)
    desk.folder.nudges.parent.mkdir(exist_ok=True)
    desk.folder.nudges.write_text("# one\n")
    desk.folder.measured.write_text("# two\n")
    entry = history.look("a mark learned")
    assert sorted(entry.after) == ["measured.toml", "readings/nudges.toml"]
    history.undo()
    assert not desk.folder.nudges.exists()
    history.redo()
    assert desk.folder.nudges.read_text() == "# one\n"
