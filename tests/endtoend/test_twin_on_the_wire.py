"""The twin behind the wire: led by a hand, taught, and run through the wire, as real arms would be."""

from __future__ import annotations

import io
import json

import numpy as np
import pytest

from handfast.bench.new import new_bench
from handfast.cli.main import main
from handfast.errors import InputError
from handfast.records.recording import write_recording
from handfast.rehearsal.command import TwinStandIn
from handfast.rehearsal.scene import Scene
from handfast.rehearsal.twin import Twin
from handfast.standins.command import serve
from handfast.standins.hand import Hands, Lead
from handfast.standins.truth import design_truth
from support import seedling
from support.commands import handfast


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """The seedling bench with a recording of a hand that leads the twin's left arm through two poses."""
    folder = new_bench(tmp_path_factory.mktemp("wire") / "bench")
    hands_of = seedling.example("seedling_hands")
    truth = design_truth(seedling.bench())
    twin = Twin(seedling.bench(), truth, Scene(), 1, seedling.REST, watched=False)
    hands = Hands(seedling.bench(), truth, twin, np.random.default_rng(2), lets_go=False)
    hands.do([Lead(hands_of.left(-120, -40, 110, lean=30)), Lead(hands_of.left(-110, -10, 90, lean=30))])
    write_recording(folder.recordings / "reach.csv", hands.recording(("invented: a hand leading the twin",)))
    return folder


def test_led_taught_and_run_over_the_wire(bench, tmp_path, monkeypatch, capsys):
    """Hand to recording to routine to a run on the twin through the wire of the Python board.

    Raw, the feedback ends within what the servos lack under their load: 3 degrees of the 3.5 that full drive takes.
    """
    taught = handfast("teach", "--recording", str(bench.recordings / "reach.csv"), "--name", "reach", cwd=bench.root)
    assert taught.returncode == 0, taught.stderr
    truth = tmp_path / "truth.txt"
    made = []

    def attached(desk, _):
        made.append(TwinStandIn(desk.bench, truth_file=truth, start=seedling.REST))
        return made[-1]

    monkeypatch.setattr("handfast.desk.board.attached", attached)
    words = ["run", "reach", "--bench", str(bench.root), "--board", "python", "--way", "raw", "--overrule", "miss"]
    status = main([*words, "--json"])
    said = capsys.readouterr()
    assert status == 0, said.err
    rests = json.loads(said.out)["rests"]
    assert len(rests) == 2
    for rest in rests:
        assert np.abs(np.array(rest["target_deg"]) - np.array(rest["feedback_deg"])).max() < 3.0
    assert len(made) == 1
    rows = np.loadtxt(truth)
    assert np.ptp(rows[:, 1:4], axis=0).max() > 10.0  # the left TCP really moved, mm


def test_the_lines_of_the_board(tmp_path):
    """One line in, one line out, as docs/stand-ins.md has it; without power there is nothing to read."""
    out = io.StringIO()
    with TwinStandIn(seedling.bench(), start=seedling.REST) as twin:
        serve(twin, ["0 " + "0 " * 12 + "1\n", "1000 " + "1500 " * 12 + "0\n"], out)
    first, second = ([int(x) for x in line.split()] for line in out.getvalue().splitlines())
    assert len(first) == len(second) == 15
    assert first[12] == pytest.approx(6000, abs=30)
    assert min(first[:12]) > 500
    assert second == [0] * 15


def test_lines_of_the_hand_file(tmp_path):
    """The twin knows forces: 2 N sideways for half a second move a limp TCP, and `free` ends it."""
    hand, readings = tmp_path / "hand.txt", tmp_path / "readings.txt"
    hand.write_text("0 left force 0 3 0\n400 left free\n500 left read pointer\n")
    with TwinStandIn(seedling.bench(), None, hand, readings, start=seedling.REST) as twin:
        before = twin.twin.tool_positions()[0]
        for ms in range(502):
            twin.run(ms * 1000, np.zeros((1, 12)), True)
        assert (twin.twin.tool_positions()[0] - before)[1] > 0.005
    shown = readings.read_text().split()
    assert shown[1:3] == ["left", "pointer"]
    # Two milliseconds later; it is pushed and falls at a metre or two per second.
    assert np.linalg.norm(np.array(shown[3:6], float) - twin.twin.tool_positions()[0] * 1e3) < 6.0


def test_a_bad_hand_line_is_named(tmp_path):
    """File and line, and what a hand can do."""
    hand = tmp_path / "hand.txt"
    hand.write_text("0 left dance\n")
    with TwinStandIn(seedling.bench(), None, hand, start=seedling.REST) as twin, pytest.raises(InputError, match=":1"):
        twin.run(0, np.zeros((1, 12)), True)
