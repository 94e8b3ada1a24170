"""Measured points: figures of sets with known errors, and files with one thing wrong in them."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from handfast.bench.new import new_bench
from handfast.cli.main import main
from handfast.errors import InputError
from handfast.scoring.points import read_points
from handfast.scoring.split import split_points
from support.commands import contents

PLACES = {"a": (0.0, 0, 50), "b": (120.0, 10, 50), "c": (20.0, 90, 60), "d": (110.0, 100, 90)}


def lines_of(scale: float = 1.0, turn: float = 0.0, play: float = 0.0, noise: float = 0.2, seed: int = 1) -> list[str]:
    """A file of four points, six visits each, three from either side, with these errors about z."""
    rng = np.random.default_rng(seed)
    R = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    found = ["point,at_x_mm,at_y_mm,at_z_mm,x_mm,y_mm,z_mm,way"]
    for name, place in PLACES.items():
        for visit in range(6):
            way = 1.0 if visit % 2 else -1.0
            p = scale * R @ np.array(place) + [3.0, -1, 2] + [0.5 * play * way, 0, 0] + rng.normal(0, noise, 3)
            cells = [*place, *p]
            found.append(f"{name},{','.join(f'{v:.4f}' for v in cells)},{'+' if way > 0 else '-'}")
    return found


def written(folder: Path, lines: list[str]) -> Path:
    """The lines as a file."""
    path = folder / "points.csv"
    path.write_text("\n".join(lines) + "\n")
    return path


def test_the_split_finds_what_was_put_in(tmp_path: Path) -> None:
    """Known scale, turn and play come back within three standard errors of 24 visits with 0.05 mm of noise."""
    points = read_points(written(tmp_path, lines_of(scale=1.01, turn=0.02, play=1.6, noise=0.05)))
    found = {part.name: part for part in split_points(points).parts}
    assert float(found["scale"].says.split()[0]) == pytest.approx(1.0, abs=0.07)
    assert float(found["turn"].says.removesuffix("°")) == pytest.approx(np.degrees(0.02), abs=0.05)
    assert float(found["play"].says.split()[1].rstrip(",")) == pytest.approx(1.6, abs=0.07)
    assert found["noise"].rms == pytest.approx(0.05e-3 * np.sqrt(3.0), rel=0.35)
    assert found["place by place"].rms < 0.1e-3


def test_the_command_prints_and_keeps(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`--json` on the screen and in the bench agree; a second score does not replace the first."""
    folder = new_bench(tmp_path / "bench")
    path = written(tmp_path, lines_of(play=1.6))
    for _ in range(2):
        assert main(["score", str(path), "--bench", str(folder.root), "--json"]) == 0
        said = json.loads(capsys.readouterr().out)
        kept = json.loads(Path(said["stored"]).read_text())
        assert kept["points"] == said["points"]
    assert len(list((folder.root / "scores").iterdir())) == 2
    # Half of 1.6 mm each way along x, the mean of either side known to 0.2/√3.
    assert said["reversal"]["x"]["mean_mm"] == pytest.approx(1.6, abs=0.25)
    assert said["points"][0]["vAP_mm"] == pytest.approx(1.6, abs=0.5)
    # The offset put in is (3, -1, 2): 3.74 mm; play averages out.
    assert said["points"][0]["AP_mm"] == pytest.approx(np.sqrt(14.0), abs=0.3)
    assert main(["score", str(path), "--bench", str(folder.root)]) == 0
    assert "reversal along x" in capsys.readouterr().out


def changed(lines: list[str], heading: str | None = None, rows: object = None) -> list[str]:
    """The lines with another heading, or each row's cells passed through `rows`."""
    body = lines[1:] if rows is None else [",".join(rows(line.split(","))) for line in lines[1:]]  # type: ignore[operator]
    return [heading or lines[0], *body]


GOOD = lines_of()
WRONG = {
    "empty": ([], "nothing in it", "heading"),
    "metres in the heading": (changed(GOOD, GOOD[0].replace(",x_mm", ",x_m")), 'column "x_m"', "in mm"),
    "no unit": (changed(GOOD, GOOD[0].replace(",y_mm", ",y")), 'column "y"', "in mm"),
    "no z": (changed(GOOD, GOOD[0].replace(",z_mm", ",note")), "no column z_mm", "at_z_mm"),
    "odd column": (changed(GOOD, GOOD[0].replace("way", "side")), 'column "side"', "each once"),
    "words": ([*GOOD, "a,0,0,50,zero,0,50,+"], "'zero' is not a number", "decimals"),
    "nan": ([*GOOD, "a,0,0,50,nan,0,50,+"], "'nan' is not a number", "decimals"),
    "short row": ([*GOOD, "a,0,0,50,1,0"], "6 columns", "8"),
    "moved target": ([*GOOD, "a,1,0,50,1,0,50,+"], "another place", "one commanded place"),
    "too few visits": ([*GOOD, "e,1,0,50,1,0,50,+"], 'point "e" was visited 1 time', "at least 3"),
    "metres": (changed(GOOD, rows=lambda c: [*c[:4], *(str(float(v) / 1e3) for v in c[4:7]), c[7]]), "0.001", "in mm"),
    "inches": (changed(GOOD, rows=lambda c: [*c[:4], *(str(float(v) / 25.4) for v in c[4:7]), c[7]]), "0.039", "in mm"),
    "swapped": (changed(GOOD, rows=lambda c: [*c[:4], c[5], c[4], *c[6:]]), "x_mm and y_mm look swapped", "named"),
    "targets and places": (
        changed(GOOD, rows=lambda c: [c[0], *c[4:7], *c[1:4], c[7]]), "another place", "changed places"
    ),
    "one place": (changed(GOOD, rows=lambda c: [c[0], "0", "0", "50", *c[4:]]), "one and the same place", "one name"),
    "same to the last digit": (changed(GOOD, rows=lambda c: [*c[:4], *c[1:4], c[7]]), "very same place", "measured"),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_what_is_wrong_is_said_once_and_nothing_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    """One message with file and expectation, exit status 2, and not a file changed."""
    lines, what, expected = WRONG[name]
    folder = new_bench(tmp_path / "bench")
    path = written(tmp_path, lines)
    before = contents(tmp_path)
    assert main(["score", str(path), "--bench", str(folder.root)]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.count("handfast:") == 1
    assert "points.csv" in said.err
    assert what in said.err
    assert expected in said.err
    assert contents(tmp_path) == before


def test_points_on_a_line_do_not_tell_a_turn(tmp_path: Path) -> None:
    """Three points on one line leave the turn about it open, and the split says so instead of naming one."""
    rows = ["point,at_x_mm,at_y_mm,at_z_mm,x_mm,y_mm,z_mm"]
    rows += [f"p{k},{40 * k},0,10,{40 * k + 0.1 * v},0.2,10.1" for k in range(3) for v in range(3)]
    split = split_points(read_points(written(tmp_path, rows)))
    assert [part.name for part in split.parts] == ["offset", "place by place", "noise"]
    assert any("on one line" in why for why in split.untold)


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    """The message names the path."""
    with pytest.raises(InputError, match="no such file"):
        read_points(tmp_path / "none.csv")
