"""`handfast plan`: the meeting of a pass, planned and taken back, by the command."""

from __future__ import annotations

import json

from support.commands import handfast


def test_plan_and_back(tmp_path):
    """Planned poses stand in the file with the taught ones beside them; --taught brings the angles back."""
    assert handfast("new", str(tmp_path / "b"), cwd=tmp_path).returncode == 0
    bench = tmp_path / "b" / "bench.toml"
    file = tmp_path / "b" / "routines" / "pass-pot.toml"
    before = file.read_text()
    # Fingers of 18 mm leave too little of a pot of 40 mm that is gripped in its middle: refused, with what would help.
    wide = handfast("plan", "pass-pot", "--bench", str(tmp_path / "b"), cwd=tmp_path)
    assert wide.returncode == 2
    assert "mm are missing" in wide.stderr
    assert "fingers" in wide.stderr.split("next:")[1]
    assert file.read_text() == before
    bench.write_text(bench.read_text().replace("finger_width_mm = 18", "finger_width_mm = 12"))
    done = handfast("plan", "pass-pot", "--bench", str(tmp_path / "b"), "--json", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    (row,) = json.loads(done.stdout)["passes"]
    assert row["after"]["margin"] > row["before"]["margin"]
    assert "taught_deg" in file.read_text()
    assert handfast("plan", "pass-pot", "--taught", "--bench", str(tmp_path / "b"), cwd=tmp_path).returncode == 0
    after = file.read_text()
    angles = [line for line in before.splitlines() if line.startswith("pose_deg")]
    assert [line for line in after.splitlines() if line.startswith("pose_deg")] == angles
    assert after.splitlines()[0] == before.splitlines()[0]


def test_what_cannot_be_passed_is_refused_and_nothing_is_written(tmp_path):
    """A routine without a pass; arms bolted a metre apart: one message, exit status 2, the file as it was."""
    assert handfast("new", str(tmp_path / "b"), cwd=tmp_path).returncode == 0
    bench = tmp_path / "b" / "bench.toml"
    none = handfast("plan", "carry-tray", "--bench", str(tmp_path / "b"), cwd=tmp_path)
    assert none.returncode == 2
    assert "this routine has no pass" in none.stderr
    bench.write_text(bench.read_text().replace("base_mm = [-226, 0, 0]", "base_mm = [-900, 0, 0]"))
    file = tmp_path / "b" / "routines" / "pass-pot.toml"
    before = file.read_text()
    far = handfast("plan", "pass-pot", "--bench", str(tmp_path / "b"), cwd=tmp_path)
    assert far.returncode == 2
    assert "reach no common place" in far.stderr
    assert "Traceback" not in far.stderr
    assert file.read_text() == before
