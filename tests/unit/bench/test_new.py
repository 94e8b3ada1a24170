"""New bench folders."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest

from handfast.bench.folder import read_bench
from handfast.bench.new import new_bench
from handfast.errors import FaultError, InputError
from handfast.mechanics.clearance import clearances
from handfast.mechanics.model import model_of


def test_the_bench_that_ships_fits_together(tmp_path: Path):
    """It is read as it stands, says that it is invented, and brings routines along."""
    folder = new_bench(tmp_path / "bench")
    assert read_bench(folder).about.invented
    assert folder.routine_files()


@pytest.mark.parametrize("left", [4, 5, 6, 7])
@pytest.mark.parametrize("right", [4, 5, 6, 7])
def test_blank_benches_of_every_size(tmp_path: Path, left: int, right: int):
    """Unlike arms too; upright they stand apart from each other and above the table."""
    bench = read_bench(new_bench(tmp_path / "bench", left, right))
    assert [len(bench.arms.left.joints), len(bench.arms.right.joints)] == [left, right]
    model = model_of(bench)
    assert clearances(model.chain, model.bodies, np.zeros(left + right)).min() > 0.0


def test_what_is_there_is_left_alone(tmp_path: Path):
    """A folder with something in it, and a file of that name."""
    (tmp_path / "notes.txt").write_text("mine")
    with pytest.raises(InputError, match="is there already and not empty"):
        new_bench(tmp_path)
    with pytest.raises(InputError, match="is there already"):
        new_bench(tmp_path / "notes.txt")
    assert os.listdir(tmp_path) == ["notes.txt"]


def test_too_many_joints(tmp_path: Path):
    """Eight are one too many, and nothing is made."""
    with pytest.raises(InputError, match="8 joints"):
        new_bench(tmp_path / "bench", 8, 5)
    assert not (tmp_path / "bench").exists()


def test_a_place_where_nothing_can_be_made(tmp_path: Path):
    """Inside a file."""
    (tmp_path / "file").write_text("")
    with pytest.raises(FaultError, match="cannot be made"):
        new_bench(tmp_path / "file" / "bench")
