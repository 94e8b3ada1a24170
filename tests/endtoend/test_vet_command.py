"""`handfast vet` as a user runs it."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest


def handfast(*words: str, at: Path) -> subprocess.CompletedProcess[str]:
    """Run one command."""
    return subprocess.run(
        [sys.executable, "-m", "handfast", *words], cwd=at, capture_output=True, text=True, check=False
    )


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A seedling bench, and the sweeps of six invented servos as files in `sweeps`."""
    root = tmp_path_factory.mktemp("vet") / "bench"
    assert handfast("new", str(root), at=root.parent).returncode == 0
    done = handfast(
        "vet", "--simulated", "6", "--seed", "2", "--class", "nine-gram", "--sweeps", "sweeps", "--json", at=root
    )
    assert done.returncode in (0, 1), done.stderr
    found = json.loads(done.stdout)
    assert found["invented"] is True
    assert len(found["servos"]) == 6
    return root


def real(bench: Path, name: str, folder: Path) -> Path:
    """An invented sweep as if it had been measured."""
    text = (bench / "sweeps" / name).read_text().replace("# invented: true\n", "")
    path = folder / name
    path.write_text(text)
    return path


def test_files_give_what_the_simulation_gave(bench: Path, tmp_path: Path) -> None:
    """The same sweeps through CSV: same verdicts; kept under their marks, labels printed, history grows."""
    files = [str(real(bench, path.name, tmp_path)) for path in sorted((bench / "sweeps").glob("*.csv"))]
    done = handfast("vet", *files, "--json", at=bench)
    assert done.returncode in (0, 1), done.stderr
    servos = json.loads(done.stdout)["servos"]
    for servo in servos:
        kept = (bench / "readings" / "servos" / f"{servo['serial_mark']}.toml").read_text()
        invented = (bench / "readings" / "servos-simulated" / f"{servo['serial_mark']}.toml").read_text()
        assert f'verdict = "{servo["verdict"]}"' in kept
        assert f'verdict = "{servo["verdict"]}"' in invented
    labels = (bench / "out" / "labels.html").read_text()
    assert all(servo["serial_mark"] in labels for servo in servos)
    done = handfast("vet", files[0], at=bench)
    assert done.returncode in (0, 1)
    assert "\n1 servo: " in done.stdout
    assert "labels of all 6 servos on file" in done.stdout
    labels = (bench / "out" / "labels.html").read_text()
    assert [labels.count(f"<span>{servo['serial_mark']}</span>") for servo in servos] == [1] * 6
    done = handfast("vet", files[0], files[0], at=bench)
    assert done.returncode == 2
    assert "the same recording of servo" in done.stderr
    assert (bench / "readings" / "servos" / f"{servos[0]['serial_mark']}.toml").read_text().count(
        "\n[[vetting]]\n"
    ) == 2


def test_what_was_not_tested_is_said_beside_the_verdict(bench: Path, tmp_path: Path) -> None:
    """A sweep without loads, pushes and fine steps: in the table, among the counts, in --json and on the label."""
    source = real(bench, sorted((bench / "sweeps").glob("*.csv"))[0].name, tmp_path)
    lines = source.read_text().splitlines()
    start = next(n for n, line in enumerate(lines) if line.startswith("time_ms"))
    names = lines[start].split(",")
    load, push, time = (names.index(name) for name in ("load_kgcm", "push", "time_ms"))
    cells = [line.split(",") for line in lines[start + 1 :]]
    first = next(n for n, row in enumerate(cells) if float(row[load] or 0) or float(row[push] or 0))
    head = [line.replace("X02-01", "PART") for line in lines[: start + 1]]
    assert float(cells[first][time]) > 60e3
    part = tmp_path / "part.csv"
    part.write_text("\n".join([*head, *lines[start + 1 : start + 1 + first]]) + "\n")
    done = handfast("vet", str(part), at=bench)
    assert done.returncode in (0, 1), done.stderr
    verdict = re.search(r"^ +((accept|watch), partly tested: no torque, no play)$", done.stdout, re.M)
    assert verdict, done.stdout
    assert f"1 {verdict[2]} (1 partly tested)" in done.stdout
    assert "<div>partly tested: no torque, no play</div>" in (bench / "out" / "labels.html").read_text()
    told = json.loads(handfast("vet", str(part), "--json", at=bench).stdout)["servos"][0]
    assert told["verdict_text"] == verdict[1]
    whole = handfast("vet", str(source), at=bench)
    assert "partly" not in whole.stdout


def test_assign_and_fit(bench: Path, tmp_path: Path) -> None:
    """Accepted grippers' servos find their seats, and their marks stand in bench.toml, which still reads."""
    files = [str(real(bench, path.name, tmp_path)) for path in sorted((bench / "sweeps").glob("*.csv"))]
    handfast("vet", *files, at=bench)
    done = handfast("vet", "--assign", "--fit", at=bench)
    assert done.returncode == 1, done.stderr  # the joints of other classes stay open
    assert "buy 3 more high-torque" in done.stdout
    text = (bench / "bench.toml").read_text()
    assert text.count("serial_mark") == 2
    assert text.startswith("# The seedling bench")
    again = handfast("vet", "--assign", "--json", at=bench)
    assert again.returncode == 1, again.stderr


def test_one_bad_file_and_nothing_is_written(bench: Path, tmp_path: Path) -> None:
    """A batch with a bad file: its message alone, status 2, no file of any servo."""
    good = real(bench, sorted((bench / "sweeps").glob("*.csv"))[0].name, tmp_path)
    fresh = good.with_name("fresh.csv")
    fresh.write_text(good.read_text().replace("# serial_mark: X02-01", "# serial_mark: NEW1"))
    bad = tmp_path / "bad.csv"
    bad.write_text(good.read_text().replace("time_ms", "time_s"))
    done = handfast("vet", str(fresh), str(bad), at=bench)
    assert done.returncode == 2
    assert "bad.csv" in done.stderr
    assert "Traceback" not in done.stderr
    assert not (bench / "readings" / "servos" / "NEW1.toml").exists()


def test_plan_and_limits(bench: Path) -> None:
    """The plan can be played by anyone: rows rise in time; limits are those of the stock."""
    plan = handfast("vet", "--plan", "mini-metal", at=bench)
    assert plan.returncode == 0
    rows = [line.split(",") for line in plan.stdout.splitlines() if line and line[0].isdigit()]
    times = [float(row[0]) for row in rows]
    assert times == sorted(times)
    assert {row[5] for row in rows} >= {"rest", "speed", "rock", "lift", "again"}
    limits = json.loads(handfast("vet", "--limits", "--json", at=bench).stdout)["limits"]
    assert limits["nine-gram"]["dead_band_us"] == 15
    assert limits["mini-metal"]["time_60deg_ms"] == pytest.approx(108.0)  # 120 % of 0.09 s


def test_nothing_to_do_is_said(bench: Path) -> None:
    """Without files it says what it takes."""
    done = handfast("vet", at=bench)
    assert done.returncode == 2
    assert "--plan CLASS" in done.stderr
