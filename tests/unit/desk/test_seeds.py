"""Whatever is drawn by a number refuses one that draws nothing, with the option that it was given to."""

from __future__ import annotations

import pytest

from handfast.bench.new import new_bench
from handfast.desk import measuring, rehearsing, scoring, vetting
from handfast.desk.board import Simulated, attached
from handfast.desk.work import open_bench, routines, run_simulated
from handfast.errors import InputError

DRAWN = {
    "run": lambda desk, routine: run_simulated(desk, routine, "raw", -1),
    "score": lambda desk, routine: scoring.measure_simulated(desk, routine, -1),
    "calibrate": lambda desk, routine: measuring.take_simulated(desk, -1),
    "vet": lambda desk, routine: vetting.vet_simulated(desk, 3, -1, desk.bench.joints[0].servo_name),
    "rehearse": lambda desk, routine: rehearsing.rehearse(desk.bench, routine, "raw", -1),
    "draws": lambda desk, routine: rehearsing.draws(desk.bench, routine, "raw", 2, -1),
    "board": lambda desk, routine: attached(desk, Simulated(seed=-1)),
}


@pytest.mark.parametrize("what", DRAWN)
def test_a_seed_below_zero_is_refused(tmp_path, what):
    """In words, before anything is written."""
    desk = open_bench(new_bench(tmp_path / "bench").root)
    ((_, routine),) = routines(desk, ["pass-pot"])
    with pytest.raises(InputError, match="-1 is no seed") as refused:
        DRAWN[what](desk, routine)
    assert "--se" in str(refused.value) or "--simulated" in str(refused.value)
    assert not (desk.folder.root / "scores").exists()
    assert not list((desk.folder.root / "readings").glob("standard*"))
