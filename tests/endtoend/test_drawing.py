"""A square and a circle, drawn by unseen arms and scored from a photo of the card: raw, and after calibration.

The corner is taught by a hand that leads the arms of a stand-in; what it draws is where its TCP truly went. The photo
is rendered with perspective, blur, noise and uneven light, and only the photo is scored.
"""

from __future__ import annotations

import json
import os

import numpy as np
import pytest

from handfast.bench.new import new_bench
from handfast.correction.correct import correct
from handfast.motion.drawing import tip_path
from handfast.motion.plan import plan
from handfast.scoring.lines import score_lines
from handfast.scoring.photo import read_ink
from handfast.sessions.run import Creep, play
from handfast.standins.direct import DirectBoard
from handfast.standins.hand import Lead, Say
from handfast.teaching.routine_from import routine_from
from support import seedling
from support.commands import handfast
from support.photos import photographed, sheet

SOAK = bool(os.environ.get("HANDFAST_SOAK"))
SVG = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 100 100" width="100mm" height="100mm">'
    '<rect width="100" height="100"/><circle cx="50" cy="50" r="30"/></svg>'
)
SEEDS = range(301, 309) if SOAK else range(304, 305)


def script():
    """What the hand does: above the corner, onto it, and it says what shall be drawn there."""
    left = seedling.example("seedling_hands").left
    return [Lead(left(-160, -50, 84, lean=20)), Lead(left(-160, -50, 62, lean=20)), Say("left draw square.svg")]


def trial(root, seed, monkeypatch):
    """An unseen pair of arms, taught the corner (benchmarks/truth.py)."""
    truth = seedling.example("truth", "benchmarks")
    monkeypatch.setattr(truth.seedling_hands, "SCRIPTS", {"label": script})
    return truth.Trial(seed, root)


def drawn(made, way, root):
    """Ink mm from the corner as truly taught, by run and row, and the lines of the drawing."""
    truth = seedling.example("truth", "benchmarks")
    model = made.model if way == "raw" else made.measured_model(made.calibration)[0]
    (root / "drawings").mkdir(exist_ok=True)
    (root / "drawings" / "square.svg").write_text(SVG)
    routine, _ = routine_from(made.recordings["label"], model, "label")
    from handfast.routine.file import read_routine, write_routine

    (root / "routines").mkdir(exist_ok=True)
    write_routine(root / "routines" / "label.toml", routine, model.bench)
    routine = read_routine(root / "routines" / "label.toml", model.bench)
    step = routine.steps[-1]
    assert (step.do, len(step.lines)) == ("draw", 2)
    creeps = {}
    if way == "raw":
        motion = plan(model, routine)
    else:
        corrected = correct(model, routine)
        motion = corrected.motion
        creeps = {sample: Creep(ways) for sample, ways in corrected.approach.items()}
    with made.arms(4, root / "run.txt") as arms:
        run = play(model, motion, DirectBoard(model.bench, arms), "raw" if way == "raw" else "corrected", creeps)
    t, p = truth.true_positions(root / "run.txt")
    taught_t, taught_p = made.taught["label"]
    corner = taught_p[np.argmin(np.abs(taught_t - step.left.at)), 0, :2]
    _, _, down = tip_path(step)
    passed = {r.row: r.time for r in run.rests if r.step == len(routine.steps) - 1 and r.row is not None}
    inside = np.zeros(len(t), dtype=int)
    pieces, number = [], 0
    for row in sorted(passed):
        if row and down[row] and down[row - 1]:
            inside[(t > passed[row - 1]) & (t <= passed[row])] = number + 1
        elif not down[row]:
            number += 1
    for k in np.unique(inside[inside > 0]):
        pieces.append(p[inside == k, 0, :2] - corner)
    return pieces, [np.array(line) * 1e3 for line in step.lines]


def true_rms(pieces, lines):
    """Root mean square distance mm of the ink from the lines, evenly along the ink, by a search of its own."""
    from scipy.spatial import cKDTree

    def finely(line, step):
        along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
        at = np.arange(0.0, along[-1], step)
        return np.column_stack([np.interp(at, along, line[:, i]) for i in range(2)])

    tree = cKDTree(np.concatenate([finely(line, 0.05) for line in lines]))
    off, _ = tree.query(np.concatenate([finely(piece, 0.2) for piece in pieces]))
    return float(np.sqrt((off**2).mean()))


def test_drawn_and_scored(tmp_path, monkeypatch):
    """Corrected after calibration: a quarter of the raw error at most (median); photos right to 0.3 mm."""
    ratios = []
    for seed in SEEDS:
        root = tmp_path / str(seed)
        root.mkdir()
        made = trial(root, seed, monkeypatch)
        rms = {}
        for way in ("raw", "calibrated"):
            pieces, lines = drawn(made, way, root)
            photographed(sheet(pieces), root / f"{way}.png", seed)
            ink = read_ink(root / f"{way}.png")
            score = score_lines(ink.points, [line * 1e-3 for line in lines])
            rms[way] = score.rms * 1e3
            true = true_rms(pieces, lines)
            print(f"seed {seed}, {way}: photo {rms[way]:.2f} mm, truth {true:.2f} mm")
            assert rms[way] == pytest.approx(true, abs=0.3)
        ratios.append(rms["calibrated"] / rms["raw"])
    print("ratios", [round(r, 3) for r in ratios])
    assert np.median(ratios) <= 0.25


def test_the_commands_of_a_drawing(tmp_path, monkeypatch):
    """From a recording: teach, check, run; a photo scored by command, learnt from, and what is wrong with a photo."""
    folder = new_bench(tmp_path / "bench")
    (folder.root / "drawings" / "square.svg").write_text(SVG)
    hands = seedling.example("seedling_hands")
    monkeypatch.setitem(hands.SCRIPTS, "label", script)
    hands.record(folder, "label", 3)
    done = handfast("teach", "--recording", "recordings/label.csv", cwd=folder.root)
    assert done.returncode == 0, done.stderr
    done = handfast("check", "label", "--json", cwd=folder.root)
    assert done.returncode in (0, 1), done.stderr
    done = handfast("score", "--card", cwd=folder.root)
    assert done.returncode == 0
    assert (folder.root / "target-card.svg").exists()
    square = np.array([[0, 0], [100, 0], [100, 100], [0, 100], [0, 0]], dtype=float)
    circle = np.array([[50 + 30 * np.cos(a), 50 + 30 * np.sin(a)] for a in np.linspace(0, 2 * np.pi, 181)])
    shift = np.array([2.0, -1.0])
    photographed(sheet([square + shift, circle + shift]), folder.root / "photo.png")
    words = ("score", "--photo", "photo.png", "--routine", "label")
    done = handfast(*words, "--line", "100", "--json", "--learn", cwd=folder.root)
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert told["offset_mm"] == pytest.approx([2.0, -1.0], abs=0.2)
    assert told["shape_rms_mm"] < 0.2
    text = (folder.routines / "label.toml").read_text()
    assert "nudge_mm = [-" in text
    for more, says in (
        ((), "--line: the card's scale is not known\n"),
        (("--line", "96"), "printed at 96.0 %"),
        (("--line", "-5"), "--line: a line of -5 mm"),
        (("--line", "nan"), "--line: a line of nan mm"),
        (("--line", "100", "--drawing", "drawings/square.svg"), "--routine, --drawing: a routine and a drawing"),
    ):
        done = handfast(*words, *more, cwd=folder.root)
        assert done.returncode == 2
        assert says in done.stderr
    done = handfast("score", "--photo", "photo.png", cwd=folder.root)
    assert done.returncode == 2
    assert "--line, --routine: the card's scale is not known, nor which drawing it is" in done.stderr
    assert "--routine NAME of one that draws, or --drawing FILE" in done.stderr
    before = sorted(p.name for p in (folder.root / "scores").iterdir())
    photographed(sheet([square], without=(0, 4)), folder.root / "photo.png")
    done = handfast(*words, "--line", "100", cwd=folder.root)
    assert done.returncode == 2
    assert "the upper left and middle left marks of the card are not to be seen" in done.stderr
    assert sorted(p.name for p in (folder.root / "scores").iterdir()) == before
