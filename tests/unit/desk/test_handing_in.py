"""Files that are handed in: kept where they belong under a free name, or refused whole."""

from __future__ import annotations

import pytest

from handfast.bench.new import new_bench
from handfast.desk.handing_in import MOST, keep_given
from handfast.desk.work import open_bench
from handfast.errors import InputError

POINTS = b"point,at_x_mm,at_y_mm,x_mm,y_mm\n" + b"".join(b"a,100,0,100.%d,0.2\n" % n for n in range(4))


@pytest.fixture
def desk(tmp_path):
    """A seedling bench."""
    return open_bench(new_bench(tmp_path / "bench").root)


def files(desk):
    """Every file of the bench folder."""
    return sorted(str(p.relative_to(desk.folder.root)) for p in desk.folder.root.rglob("*") if p.is_file())


def test_what_can_be_read_is_kept_and_nothing_is_overwritten(desk):
    """The same name twice: both stay."""
    assert keep_given(desk, "points", "mine.csv", POINTS) == "mine.csv"
    assert keep_given(desk, "points", "mine.csv", POINTS + b"a,100,0,101,0.3\n") == "mine-2.csv"
    assert (desk.folder.root / "scores" / "mine.csv").read_bytes() == POINTS


@pytest.mark.parametrize(
    ("kind", "name", "data", "says"),
    [
        ("points", "mine.csv", b"point,x\na,1\n", "mine.csv"),
        ("points", "mine.exe", POINTS, "ends in .csv"),
        ("points", "..", POINTS, "ends in .csv"),
        ("points", ".hidden.csv", POINTS, "ends in .csv"),
        ("points", "mine.csv", b"", "nothing is in it"),
        ("points", "mine.csv", b"x" * (MOST + 1), "MiB"),
        ("readings", "new.toml", b"[[touch]]\narm = 'middle'\n", "new.toml"),
        ("readings", "new.toml", b"\xff\xfe", "new.toml"),
        ("sweep", "one.csv", b"nonsense", "one.csv"),
        ("photo", "card.png", b"no picture", "card.png"),
        ("recipe", "one.csv", POINTS, "nothing that can be handed in"),
    ],
)
def test_what_cannot_be_read_leaves_nothing(desk, kind, name, data, says):
    """One message that names the file; no file more than before."""
    before = files(desk)
    with pytest.raises(InputError, match=says.replace(".", r"\.")) as refused:
        keep_given(desk, kind, name, data)
    assert "/tmp" not in str(refused.value).replace(str(desk.folder.root), "")
    assert files(desk) == before


def test_a_way_out_of_the_folder_is_only_a_name(desk):
    """Whatever stands before the last slash is left out."""
    assert keep_given(desk, "points", "../../out.csv", POINTS) == "out.csv"
    assert keep_given(desk, "points", "..\\..\\win.csv", POINTS) == "win.csv"
    assert {"scores/out.csv", "scores/win.csv"} <= set(files(desk))


def test_readings_of_a_name_count_once(desk):
    """Handed in again under the same name, they are refused, not counted twice."""
    text = b"[[pull]]\njoint = 'left elbow'\nforce_N = 1.0\nlever_mm = 80\nerror_N = 0.1\n"
    assert keep_given(desk, "readings", "mine.toml", text) == "mine.toml"
    with pytest.raises(InputError, match="there already"):
        keep_given(desk, "readings", "mine.toml", text)
