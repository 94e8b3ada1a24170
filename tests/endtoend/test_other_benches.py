"""Two more benches through the same commands: 4-joint arms side by side, and two unlike 6-joint arms.

A stand-in drawn by seed is led by hand through a pick, a pass, a carry and a stroke; the recording becomes a routine,
which is checked, corrected and run. The true places are read here and nowhere else.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

import numpy as np
import pytest

from handfast.bench.folder import BenchFolder, read_bench
from handfast.bench.parts import SIDES, Bench
from handfast.mechanics.kinematics import tool_poses
from handfast.mechanics.model import model_of
from handfast.motion.plan import plan
from handfast.records.recording import write_recording
from handfast.routine.file import read_routine
from handfast.standins.hand import Draw, Hands, Lead, Part, Say, Take, tool_pose
from handfast.standins.servo_model import ServoArms
from handfast.standins.truth import draw_truth
from support.commands import handfast, said

THINGS = """
[thing.plug-pot]
size_mm = [40, 40, 48]
mass_g = 30
grip_width_mm = 40

[thing.board]
size_mm = [200, 60, 8]
mass_g = 60
grip_width_mm = 8
grip_span_mm = 200
"""


@dataclass(frozen=True)
class Kind:
    """A bench of some kind: how it is laid down, what is edited, where arms rest, meet and carry (world, mm)."""

    words: tuple[str, ...]
    edits: tuple[tuple[str, str], ...]
    channels: int
    rest_deg: dict[str, tuple[float, ...]]
    meet: dict[str, tuple[float, float, float]]
    carry: tuple[dict[str, tuple[float, float, float]], dict[str, tuple[float, float, float]]]
    carry_lean: float
    pick: tuple[float, float, float]
    draw: tuple[float, float, float]


FOUR = Kind(
    words=("--left", "4", "--right", "4", "--side-by-side"),
    edits=(),
    channels=10,
    rest_deg={"left": (0, -15, 75, 60), "right": (0, -15, 75, 60)},
    meet={"left": (190, 26, 150), "right": (190, -26, 150)},
    carry=({"left": (170, 100, 110), "right": (170, -100, 110)}, {"left": (200, 110, 140), "right": (200, -90, 140)}),
    carry_lean=45.0,
    pick=(170, 260, 70),
    draw=(180, 200, 80),
)
UNLIKE = Kind(
    words=("--left", "6", "--right", "6"),
    # The right arm: a longer upper arm, a stronger and heavier elbow, and a yaw that turns the other way.
    edits=(
        ("[[arms.right.joint]]\nname = \"elbow\"\naxis = [0, 1, 0]\noffset_mm = [0, 0, 100]",
         "[[arms.right.joint]]\nname = \"elbow\"\naxis = [0, 1, 0]\noffset_mm = [0, 0, 118]"),
        ("[[arms.right.joint]]\nname = \"forearm roll\"\naxis = [0, 0, 1]\noffset_mm = [0, 0, 50]",
         "[[arms.right.joint]]\nname = \"forearm roll\"\naxis = [0, 0, 1]\noffset_mm = [0, 0, 62]"),
        ("[[arms.right.joint]]\nname = \"yaw\"\naxis = [0, 0, 1]",
         "[[arms.right.joint]]\nname = \"yaw\"\naxis = [0, 0, -1]"),
    ),
    channels=14,
    rest_deg={"left": (0, -15, 75, 0, 60, 0), "right": (0, -15, 75, 0, 60, 0)},
    meet={"left": (-10, 0, 160), "right": (12, 0, 150)},
    carry=(
        {"left": (-95, -50, 90), "right": (85, -50, 90)}, {"left": (-85, 40, 110), "right": (95, 40, 110)}
    ),
    carry_lean=55.0,
    pick=(-110, -80, 70),
    draw=(-110, 0, 80),
)  # fmt: skip
KINDS = {"4 joints, side by side": FOUR, "6 joints, unlike": UNLIKE}


def script(kind: Kind, bench: Bench) -> list[Part]:
    """What the hands do."""

    def at(side: str, place: tuple[float, float, float], lean: float) -> dict[str, np.ndarray]:
        base = np.array(bench.arm(side).base) * 1e3
        bearing = np.degrees(np.arctan2(place[1] - base[1], place[0] - base[0]))
        return {side: tool_pose(place, lean, float(bearing))}

    x, y, z = kind.pick
    dx, dy, dz = kind.draw
    line = np.array([dx, dy, dz]) + np.linspace(0, 1, 40)[:, None] * np.array([25.0, 10.0, 0.0])
    first, last = kind.carry
    return [
        Lead(at("left", (x, y, z + 50), 55)),
        Lead(at("left", kind.pick, 30)),
        Say("left grip plug-pot"),
        Take("left", "plug-pot"),
        Lead(at("left", (x, y, z + 60), 60)),
        Say("pass left"),
        # Not quite level: forearm, wrist and fingers in one line are a singular place of the arms of six joints.
        Lead({**at("left", kind.meet["left"], 80), **at("right", kind.meet["right"], 80)}),
        Take("left", None),
        Take("right", "plug-pot"),
        Lead({**at("left", first["left"], 60), **at("right", first["right"], 60)}),
        Say("right release"),
        Take("right", None),
        Lead({side: at(side, first[side], kind.carry_lean)[side] for side in SIDES}),
        Say("both grip board"),
        Say("carry board"),
        Lead({side: at(side, last[side], kind.carry_lean)[side] for side in SIDES}),
        Say("both release"),
        Lead(at("left", kind.draw, 30)),
        Draw("left", line * 1e-3, 5.0),
    ]


@pytest.fixture(scope="module", params=KINDS)
def job(request, tmp_path_factory):
    """The bench laid down, edited, recorded, taught and checked; what each command said."""
    kind = KINDS[request.param]
    place = tmp_path_factory.mktemp("other")
    done = {"new": handfast("new", "bench", *kind.words, cwd=place)}
    root = place / "bench"
    text = (root / "bench.toml").read_text(encoding="utf-8") + THINGS
    for old, new in kind.edits:
        assert old in text
        text = text.replace(old, new, 1)
    (root / "bench.toml").write_text(text, encoding="utf-8")
    folder = BenchFolder(root)
    bench = read_bench(folder)
    rest = np.radians([*kind.rest_deg["left"], *kind.rest_deg["right"]])
    truth = draw_truth(bench, 31)
    with ServoArms(truth, bench.controller.channels, 31, rest, place / "taught.txt") as arms:
        hands = Hands(bench, truth, arms, np.random.default_rng(31), lets_go=False)
        hands.do(script(kind, bench))
        write_recording(folder.recordings / "all.csv", hands.recording(("invented",)))
    done["teach"] = handfast("teach", "--recording", "recordings/all.csv", "--json", cwd=root)
    done["check"] = handfast("check", "all", "--json", "--no-changes", cwd=root)
    done["correct"] = handfast("correct", "all", "--json", cwd=root)
    for way in ("raw", "trimmed", "corrected"):
        words = ("run", "all", "--way", way, "--seed", "31", "--truth", place / f"{way}.txt", "--json")
        done[way] = handfast(*words, cwd=root)
    return kind, place, bench, done


def test_every_command_does_its_work(job):
    """Status 0 throughout, except that answers may fail; nothing on stderr."""
    kind, _, bench, done = job
    for name, command in done.items():
        assert command.returncode in ((0, 1) if name == "check" else (0,)), (name, command.stderr)
        assert said(command) == ""
    assert bench.controller.channels == kind.channels
    steps = [s["do"] for s in json.loads(done["teach"].stdout)["steps"]]
    assert steps == [
        "go",
        "go",
        "grip",
        "go",
        "pass",
        "go",
        "release",
        "go",
        "grip",
        "carry",
        "release",
        "go",
        "stroke",
    ]
    asked = {answer["question"] for answer in json.loads(done["check"].stdout)["routines"][0]["answers"]}
    assert asked >= {"reach", "lift", "pace", "clear", "together", "miss", "power", "heat"}


def test_the_arms_can_do_what_the_hands_did(job):
    """What was taught, and the ways that pass and carry add, can be reached, lifted and kept up with.

    Feedback is off by up to 5°, so a pose led to a joint's stop may show that much past it.
    """
    _, _, _, done = job
    answers = {a["question"]: a for a in json.loads(done["check"].stdout)["routines"][0]["answers"]}
    assert "too far" not in answers["reach"]["why"], answers["reach"]["why"]
    assert answers["reach"]["margin"] > -5.5, answers["reach"]["why"]
    assert answers["lift"]["verdict"] != "fails", answers["lift"]["why"]
    assert answers["pace"]["verdict"] != "fails", answers["pace"]["why"]


def test_motions_are_smooth_and_a_carry_keeps_its_distance(job):
    """No joint leaps between branches on the straight ways of pass and carry; both grips stay as far apart."""
    _, place, bench, _ = job
    model = model_of(bench)
    routine = read_routine(place / "bench" / "routines" / "all.toml", bench)
    motion = plan(model, routine)
    # 10 ms at most at the free speed of the fastest servo.
    assert np.all(np.abs(np.diff(motion.q, axis=0)) <= model.free_speed * 0.01 + 1e-9)
    for number, step in enumerate(routine.steps):
        if step.do not in ("pass", "carry"):
            continue
        inside = np.flatnonzero(motion.step[:, 0] == number)
        travelled = np.abs(np.diff(motion.q[inside], axis=0)).sum(axis=0)
        straight = np.ptp(motion.q[inside], axis=0)
        # A way there and one back at most, which a leap to another branch and back would far exceed.
        assert np.all(travelled <= 3.0 * straight + np.radians(5)), step.do
        if step.do == "carry":
            moving = inside[np.abs(motion.qd[inside]).max(axis=1) > 1e-9]
            tips = tool_poses(model.chain, motion.q[moving])[:, :, :3, 3]
            apart = np.linalg.norm(tips[:, 1] - tips[:, 0], axis=1)
            # What is kept is the place of the links; targets give way to their sag and where a link changes its side
            # of its play, by the play at most: 0.9° at a lever of 0.3 m are 5 mm.
            assert np.ptp(apart) < 5e-3
            assert next(c for c in motion.carries if c.step == number).error < 5e-4


def test_correction_helps_on_these_arms_too(job):
    """Where the true TCPs came to rest: corrected nearer than raw in the middle of all poses, by far."""
    _, place, bench, done = job
    routine = read_routine(place / "bench" / "routines" / "all.toml", bench)
    table = np.loadtxt(place / "taught.txt")
    taught_t, taught_p = table[:, 0] * 1e-6, table[:, 1:].reshape(-1, 2, 3)
    middle = {}
    for way in ("raw", "trimmed", "corrected"):
        table = np.loadtxt(place / f"{way}.txt")
        t, p = table[:, 0] * 1e-6, table[:, 1:].reshape(-1, 2, 3)
        misses = []
        for rest in json.loads(done[way].stdout)["rests"]:
            taught = routine.steps[rest["step"] - 1].taught(rest["arm"])
            if rest["row"] or taught is None or taught.at is None:
                continue
            arm = SIDES.index(rest["arm"])
            was = taught_p[np.argmin(abs(taught_t - taught.at)), arm]
            misses.append(np.linalg.norm(p[np.argmin(abs(t - rest["time_s"])), arm] - was))
        middle[way] = float(np.median(misses))
    # On the seedling bench it is a quarter of raw in the middle of many seeds; one seed and 14 poses scatter, and
    # played raw, errors of pulse and play may happen to take each other off.
    assert middle["corrected"] < 0.6 * middle["trimmed"], middle
    assert middle["corrected"] < 0.75 * middle["raw"], middle
