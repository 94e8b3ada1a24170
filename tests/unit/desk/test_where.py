"""Where the TCPs are, told from feedback in a file."""

from __future__ import annotations

import json

import numpy as np
import pytest

from handfast.bench.lines import counts_of
from handfast.bench.new import new_bench
from handfast.desk.where import OF_95, whereabouts, whereabouts_plain
from handfast.errors import InputError
from handfast.fitting.calibrate import calibrate
from handfast.landing.flank import resting_offsets
from handfast.mechanics.kinematics import places
from handfast.records.readings import Gauge, Readings, write_readings
from support import seedling
from support.commands import handfast

BENCH, MODEL = seedling.bench(), seedling.model()
POSES = np.radians([[0, 20, 60, 30, 0, 0, 30, 50, 40, 0], [25, 40, 30, -20, 10, -25, 10, 80, 20, 0]])
MOVED = np.array([[1, 1, -1, 1, 1, -1, 1, 1, 1, -1], [-1, -1, 1, 1, -1, 1, -1, 1, -1, 1]])


def counts(q) -> list[float]:
    """Feedback of every channel at angles q (K,)."""
    shown = [512.0] * BENCH.controller.channels
    for joint, angle in zip(BENCH.joints, q, strict=True):
        shown[joint.channel] = round(float(counts_of(joint, angle)), 3)
    return shown


def gauge() -> Gauge:
    """One reading that hardly says anything."""
    return Gauge(
        joint="left elbow", angle=float(POSES[0, 2]), error=0.17, way="+", counts=tuple(counts(POSES[0])), supply=6.0
    )


def written(path, rows, heading=None):
    """A file of counts."""
    heading = heading or ",".join([*(f"ch{c}" for c in range(12)), "moved", "left_g", "name"])
    path.write_text("# where?\n" + heading + "\n" + "\n".join(",".join(map(str, row)) for row in rows) + "\n")
    return path


def signs(row) -> str:
    """Ways as a readings file has them."""
    return " ".join("+" if w > 0 else "-" for w in row)


def test_positions_are_those_of_links_at_rest(tmp_path):
    """With the design's figures a TCP is where the chain puts links that rest on the flank on which load and last
    motion leave them, a load of 200 g too; an interval is 1.96 standard deviations (normal distribution, any table)."""
    calibration = calibrate(BENCH, Readings(gauges=(gauge(),)))
    rows = [
        [*counts(q), signs(m), grams, "ab"[n]]
        for n, (q, m, grams) in enumerate(zip(POSES, MOVED, (0, 200), strict=True))
    ]
    found = whereabouts(calibration, BENCH, written(tmp_path / "c.csv", rows))
    loads = np.array([[0.0, 0.0], [0.2, 0.0]])
    model = calibration.unknowns.model_at(calibration.x)
    rest = resting_offsets(model, POSES, MOVED.astype(float), loads, np.zeros((2, 2, 3)))
    expected = places(model.chain, POSES + rest.mean).X_WT[:, :, :3, 3]
    assert np.array([one.position for one in found]) == pytest.approx(expected, abs=2e-4)
    assert [one.name for one in found] == ["a", "b"]
    plain = whereabouts_plain(found)["poses"][1]["left"]
    assert plain["within_95_percent_mm"] == pytest.approx(1960.0 * found[1].sigma[0], abs=0.01)
    assert pytest.approx(1.96, abs=1e-3) == OF_95


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda r: r[0].__setitem__(3, "x"), "not a number"),
        (lambda r: r[0].__setitem__(0, 1023), "out of range"),
        (lambda r: r[0].__setitem__(12, "+ -"), 'moved "\\+ -" does not fit'),
        (lambda r: r.clear(), "no row"),
    ],
)
def test_what_does_not_fit(tmp_path, change, says):
    """One message that names file and row."""
    calibration = calibrate(BENCH, Readings(gauges=(gauge(),)))
    rows = [[*counts(POSES[0]), signs(MOVED[0]), 0, "a"]]
    change(rows)
    with pytest.raises(InputError, match=says) as raised:
        whereabouts(calibration, BENCH, written(tmp_path / "c.csv", rows))
    assert "c.csv" in str(raised.value)
    with pytest.raises(InputError, match="no column ch0"):
        whereabouts(calibration, BENCH, written(tmp_path / "d.csv", [[1, 2]], "a,b"))


def test_as_a_command(tmp_path):
    """`handfast calibrate --where FILE --json` answers for every row and writes nothing."""
    folder = new_bench(tmp_path / "b")
    (folder.root / "readings").mkdir(exist_ok=True)
    write_readings(folder.root / "readings" / "one.toml", Readings(gauges=(gauge(),)), BENCH)
    file = written(tmp_path / "c.csv", [[*counts(q), signs(m), 0, "p"] for q, m in zip(POSES, MOVED, strict=True)])
    done = handfast("calibrate", "--where", file, "--json", cwd=folder.root)
    assert done.returncode == 0, done.stderr
    poses = json.loads(done.stdout)["poses"]
    assert len(poses) == 2
    assert all(len(pose[side]["tcp_mm"]) == 3 for pose in poses for side in ("left", "right"))
    assert not (folder.root / "measured.toml").exists()
    assert "±" in handfast("calibrate", "--where", file, cwd=folder.root).stdout
