"""What an edit says that it did."""

from __future__ import annotations

import pytest

from handfast.bench.new import new_bench
from handfast.desk.editing import Editing


@pytest.mark.parametrize(
    ("part", "value", "said"),
    [
        ("time_s", 2.5, "takes 2.5 s"),
        ("time_s", None, "takes as long as is sound"),
        ("dwell_s", 0.5, "then stays 0.5 s"),
        ("dwell_s", None, "does not stay after it"),
        ("pace", 0.5, "pace 0.5"),
        ("tolerance_mm", 5.08, "may miss by 5.08 mm"),
        ("tolerance_mm", None, "may miss by as much as the routine says"),
    ],
)
def test_a_figure_is_said_with_its_unit(tmp_path, part, value, said):
    """So is what holds where it is left out."""
    editing = Editing(new_bench(tmp_path / "bench"))
    desk = editing.desk()
    if value is None:
        editing.set_figure(desk, "pass-pot", 1, part, 3.0)
    entry = editing.set_figure(desk, "pass-pot", 1, part, value)
    assert entry.label == f"step 2 (go 2): {said}"


def test_a_routines_figure_is_said_too(tmp_path):
    """As usual, where it is left out."""
    editing = Editing(new_bench(tmp_path / "bench"))
    desk = editing.desk()
    assert editing.set_figure(desk, "pass-pot", None, "tolerance_mm", 4).label == "pass-pot: may miss by 4 mm"
    assert editing.set_figure(desk, "pass-pot", None, "tolerance_mm", None).label == "pass-pot: tolerance as usual"
