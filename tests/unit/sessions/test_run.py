"""Playing a motion frame by frame: what is sent, what is noted, trimming, and coming home from a known side."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import cache
from itertools import pairwise

import numpy as np
import pytest

from handfast.bench.lines import counts_of, joint_pulses
from handfast.bench.parts import SIDES
from handfast.correction.correct import correct
from handfast.mechanics.kinematics import tool_poses
from handfast.mechanics.model import model_of
from handfast.motion.as_played import LOOSEN
from handfast.motion.plan import plan
from handfast.motion.taught_poses import taught_poses
from handfast.routine.steps import Step, Taught
from handfast.sessions.powered import ATTACH_SPEED, Powered
from handfast.sessions.run import STOP_SHORT, TRIM_TOLERANCE, Creep, play
from handfast.standins.direct import DirectBoard
from handfast.standins.servo_model import ServoArms
from handfast.standins.truth import design_truth, draw_truth
from support import seedling

DEGREE = np.pi / 180.0


@dataclass
class Frame:
    """One frame's answer."""

    time: float
    counts: np.ndarray
    supply: float
    current: np.ndarray


class Obedient:
    """A board whose joints stand where the pulses of the frame before asked them to, short of it by `short` rad.

    `at`: where the arms are before the first pulse.
    """

    name = "obedient"
    feels = False

    def __init__(self, at: np.ndarray, short: np.ndarray | float = 0.0):
        self.bench = seedling.bench()
        self.at, self.short = at.copy(), short
        self.sent: list[np.ndarray] = []
        self.held: list[tuple[int, float]] = []

    def frame(self, pulses: np.ndarray) -> Frame:
        """Answer a frame."""
        self.sent.append(pulses.copy())
        if pulses.any():
            self.at = self.angles(pulses) - self.short
        counts = np.full(self.bench.controller.channels, 512.0)
        for i, joint in enumerate(self.bench.joints):
            counts[joint.channel] = counts_of(joint, self.at[i])
        return Frame(len(self.sent) * 0.02, counts, 6.0, np.zeros(2))

    def holds(self, side: int, mass: float, offset: np.ndarray) -> None:
        """What the hand has."""
        self.held.append((side, mass))

    def angles(self, pulses: np.ndarray) -> np.ndarray:
        """Angles that pulses ask for."""
        base = joint_pulses(self.bench, np.zeros((1, 10)), np.zeros((1, 2)))[0]
        slope = joint_pulses(self.bench, np.full((1, 10), 0.1), np.zeros((1, 2)))[0] - base
        channels = [joint.channel for joint in self.bench.joints]
        return 0.1 * (pulses[channels] - base[channels]) / slope[channels]

    @property
    def commands(self) -> np.ndarray:
        """Commanded angles of all frames with pulses (frames, 10)."""
        return np.array([self.angles(p) for p in self.sent if p.any()])


@cache
def two_poses():
    """Left goes from one pose to another and back at half speed."""
    first, second = (0, -15, 75, 60, 0), (20, 30, 40, 20, 30)
    routine = seedling.routine_of(
        seedling.go("left", *first), seedling.go("left", *second), seedling.go("left", *first), pace=0.5
    )
    return plan(seedling.model(), routine)


def test_raw_sends_the_motion_as_it_is():
    """From the first sample on, every second one (20 ms frames, 10 ms samples), with stops at the poses."""
    motion = two_poses()
    board = Obedient(motion.q[0])
    run = play(seedling.model(), motion, board, "raw")
    sent = board.commands
    wanted = [motion.q[min(k, len(motion.q) - 1)] for k in range(0, len(motion.q) + 1, 2)]
    # Repeated commands are the stops; what is left must be the motion in order.
    kept = [sent[0]] + [b for a, b in pairwise(sent) if np.abs(a - b).max() > 1e-9]
    moving = [wanted[0]] + [b for a, b in pairwise(wanted) if np.abs(a - b).max() > 1e-9]
    assert np.array(kept)[-len(moving) :] == pytest.approx(np.array(moving), abs=1e-9)
    assert run.mode == "raw"
    assert run.board == "obedient"
    assert [r.trims for r in run.rests] == [0, 0, 0]


def test_every_pose_is_noted_where_its_feedback_rests():
    """Step, arm, target, command and time; the feedback of an obedient arm is the target."""
    motion = two_poses()
    run = play(seedling.model(), motion, Obedient(motion.q[0]), "raw")
    assert [(r.step, r.side, r.row) for r in run.rests] == [
        (0, "left", None),
        (1, "left", None),
        (2, "left", None),
    ]
    for rest, arrival in zip(run.rests, motion.arrivals, strict=True):
        assert rest.target == pytest.approx(motion.q[arrival.sample, :5])
        assert rest.feedback == pytest.approx(rest.target, abs=1e-9)
        assert rest.noise == pytest.approx(np.zeros(5), abs=1e-9)
    assert np.all(np.diff([r.time for r in run.rests]) > 1.0)
    assert run.t == pytest.approx(np.sort(run.t))
    assert run.command.shape == run.feedback.shape == (len(run.t), 10)


class Sagging(Obedient):
    """An obedient board at 6 V limp and 5.7 V driven, whose feedback follows that by half."""

    def frame(self, pulses: np.ndarray) -> Frame:
        """Answer a frame."""
        seen = super().frame(pulses)
        supply = 5.7 if pulses.any() else 6.0
        return Frame(seen.time, seen.counts * (1.0 + 0.5 * (supply / 6.0 - 1.0)), supply, seen.current)


@pytest.mark.parametrize("way", ["raw", "trimmed"])
def test_a_rest_knows_its_feedback_as_limp_arms_would_show_it(way):
    """On a bench that was told how far feedback follows the supply, a raw run too, though what it shows is not cleaned;
    where nobody measured that, a raw run does not know it."""
    motion = two_poses()
    bench = seedling.bench()
    sides = {}
    for side in SIDES:
        joints = tuple(dataclasses.replace(joint, follows_supply=0.5) for joint in bench.arm(side).joints)
        sides[side] = dataclasses.replace(bench.arm(side), joints=joints)
    told = model_of(dataclasses.replace(bench, arms=dataclasses.replace(bench.arms, **sides)))
    # Not before limp frames say so is 6 V what feedback is cleaned to.
    run = play(told, motion, Sagging(motion.q[0]), way)
    for rest in run.rests:
        true = [
            float(counts_of(joint, angle)) for joint, angle in zip(bench.arms.left.joints, rest.command, strict=True)
        ]
        assert rest.counts == pytest.approx(true, abs=0.05)
        sagged = np.abs(rest.feedback - rest.command).max()
        assert sagged > np.radians(3) if way == "raw" else sagged < np.radians(0.1)
    assert [r.counts for r in play(seedling.model(), motion, Sagging(motion.q[0]), "raw").rests] == [None] * 3


def test_nothing_jumps():
    """No command leaps from one frame to the next, in any way of playing, wherever the arms are found."""
    motion = two_poses()
    correction = correct(seedling.model(), motion.routine)
    creeps = {sample: Creep(way) for sample, way in correction.approach.items()}
    start = motion.q[0] + np.radians(8)
    for way, its_motion, its_creeps in (
        ("raw", motion, {}), ("trimmed", motion, {}), ("corrected", correction.motion, creeps)
    ):  # fmt: skip
        board = Obedient(start, short=np.radians(1.0))
        play(seedling.model(), its_motion, board, way, its_creeps)
        steps = np.abs(np.diff(board.commands, axis=0)).max(axis=0)
        fastest = np.abs(its_motion.qd).max(axis=0) * 0.02
        # A frame's motion, a trim of at most 3°, and a swing of the stirring (2.5° at 10 rad/s) or a creep back.
        assert np.all(steps <= fastest + np.radians(3.0) + 1e-9), way
        # The first pulses ask for where the arms are.
        assert board.commands[0] == pytest.approx(start, abs=1e-9)


@pytest.mark.parametrize("way", ["trimmed", "corrected"])
def test_no_correction_is_faster_than_the_motion(way):
    """What is said of a first run's speed goes by the motion: trims of 3° and ways back from too far, which would take
    a hand 15 mm in one frame, are spread over as many frames as that needs."""
    model = seedling.model()
    routine = seedling.routine_of(*two_poses().routine.steps, pace=0.1)
    correction = correct(model, routine)
    motion = correction.motion if way == "corrected" else plan(model, routine)
    creeps = {sample: Creep(way) for sample, way in correction.approach.items()} if way == "corrected" else {}
    short = np.radians([-4.0, 4.0, 3.0, -3.0, 2.0] * 2)
    run = play(model, motion, Obedient(motion.q[0], short), way, creeps)
    places = [tool_poses(model.chain, q)[:, 0, :3, 3] for q in (motion.q, run.command)]
    planned, sent = (
        np.linalg.norm(np.diff(p, axis=0), axis=1).max() / dt for p, dt in zip(places, (0.01, 0.02), strict=True)
    )
    assert 0.02 < sent < 1.05 * planned
    # All the same it gets there.
    assert max(np.abs(r.target - r.feedback).max() for r in run.rests) < 0.15 * DEGREE


def test_attaching_goes_slowly():
    """From 8° away at no more than 15°/s; a cubic's peak is 1.5 times its mean."""
    board = Obedient(np.radians(np.full(10, 8.0)))
    wire = Powered(seedling.bench(), board)
    wire.attach()
    wire.ramp(np.zeros(10))
    speed = np.abs(np.diff(board.commands, axis=0)).max() / 0.02
    assert speed <= ATTACH_SPEED * (1 + 1e-6)
    assert speed == pytest.approx(ATTACH_SPEED, rel=0.1)
    assert board.commands[-1] == pytest.approx(np.zeros(10), abs=1e-9)


def test_stirring_moves_every_joint_a_little_and_brings_it_back():
    """2.5° to either side, every other joint of one arm at a time, inside its travel."""
    board = Obedient(np.zeros(10))
    wire = Powered(seedling.bench(), board)
    wire.attach()
    before = len(board.commands)
    wire.loosen()
    stirred = board.commands[before:]
    assert np.abs(stirred).max(axis=0) == pytest.approx(np.full(10, LOOSEN), rel=0.01)
    assert stirred[-1] == pytest.approx(np.zeros(10), abs=1e-9)
    assert np.all((np.abs(stirred) > 1e-6).sum(axis=1) <= 3)


def test_trimming_takes_out_what_the_feedback_lacks():
    """A servo that stops 2° short is asked for 2° more; what is left is within the tolerance."""
    motion = two_poses()
    short = np.radians([2.0, -1.0, 1.5, 0.5, 0.0] * 2)
    run = play(seedling.model(), motion, Obedient(motion.q[0], short), "trimmed")
    for rest in run.rests:
        assert np.abs(rest.target - rest.feedback).max() <= TRIM_TOLERANCE
        assert rest.command - rest.target == pytest.approx(short[:5], abs=TRIM_TOLERANCE + 1e-9)
    assert run.rests[0].trims > 1
    raw = play(seedling.model(), motion, Obedient(motion.q[0], short), "raw")
    for rest in raw.rests:
        assert rest.target - rest.feedback == pytest.approx(short[:5], abs=1e-9)


def test_a_servo_that_does_not_follow_is_not_chased():
    """20° short: the command goes no more than 12° past its target."""
    motion = two_poses()
    run = play(seedling.model(), motion, Obedient(motion.q[0], np.radians([20.0] + [0.0] * 9)), "trimmed")
    assert max(np.abs(r.command - r.target).max() for r in run.rests) <= np.radians(12.0) + 1e-9


@pytest.mark.parametrize("way", [1.0, -1.0])
def test_a_joint_of_undecided_flank_comes_home_from_its_side(way):
    """It stops 2.5° before its target, creeps in that way alone, and never turns back."""
    motion = two_poses()
    stop = motion.arrivals[1].sample
    creep = np.zeros(10)
    creep[0] = way
    board = Obedient(motion.q[0], np.radians(0.4))
    run = play(seedling.model(), motion, board, "corrected", {stop: Creep(creep)})
    yaw = board.commands[:, 0]
    target = motion.q[stop, 0]
    # From where it first stood still for a settling time, a stop's length away, until the pose is noted.
    still = np.abs(np.diff(yaw)) < 1e-9
    stood = [n for n in range(len(still) - 20) if still[n : n + 20].all() and abs(yaw[n] - target) < 4 * DEGREE]
    before = run.rests[0].command[0] - run.rests[0].target[0]
    assert yaw[stood[0]] == pytest.approx(target + before - way * STOP_SHORT, abs=1e-6)
    noted = int(np.argmin(np.abs(run.t - run.rests[1].time))) + len(yaw) - len(run.t)
    rising = np.diff(yaw[stood[0] : noted + 1]) * way
    assert np.all(rising >= -1e-9)
    assert run.rests[1].command[0] == pytest.approx(target + np.radians(0.4), abs=2 * TRIM_TOLERANCE)


def test_every_row_of_a_stroke_is_noted():
    """Rows fall on even and odd samples, two arms' rows on the same one: none is left out."""
    model = seedling.model()
    s = np.linspace(0, 1, 41)
    rows = np.radians(np.column_stack([20 * s, -15 + 10 * s, 75 - 5 * s, 60 * np.ones(41), np.zeros(41)]))
    taught = Taught(
        held="held", path=tuple(map(tuple, rows)), times=tuple(2.0 * s), arrived="+ + - 0 0"
    )  # fmt: skip
    both = Step(do="stroke").with_taught("left", taught).with_taught("right", taught)
    motion = plan(model, seedling.routine_of(both))
    run = play(model, motion, Obedient(motion.q[0]), "raw")
    found = {(r.side, r.row) for r in run.rests}
    assert found == {(side, row) for side in ("left", "right") for row in range(41)}
    for rest in run.rests:
        part = slice(0, 5) if rest.side == "left" else slice(5, 10)
        sample = next(a.sample for a in motion.arrivals if (a.side, a.row) == (rest.side, rest.row))
        assert rest.target == pytest.approx(motion.q[sample, part])


def test_the_stand_in_is_told_what_is_in_hand():
    """A grip's load comes up, a release takes it away."""
    model = seedling.model()
    home = (0, -15, 75, 60, 0)
    grip = Step(do="grip", arm="left", thing="plug-pot")
    motion = plan(model, seedling.routine_of(seedling.go("left", *home), grip, Step(do="release", arm="left")))
    board = Obedient(motion.q[0])
    play(model, motion, board, "raw")
    left = [mass for side, mass in board.held if side == 0]
    assert max(left) == pytest.approx(0.045)
    assert left[-1] == 0.0
    assert max(mass for side, mass in board.held if side == 1) == 0.0


def test_played_on_simulated_arms_the_feedback_comes_to_rest_on_target():
    """Trimmed and corrected, on drawn arms: within half a degree for the middle of all joints, and a few trims."""
    model = seedling.model()
    motion = two_poses()
    correction = correct(model, motion.routine)
    creeps = {sample: Creep(way) for sample, way in correction.approach.items()}
    for way, its_motion, its_creeps in (("trimmed", motion, {}), ("corrected", correction.motion, creeps)):
        with ServoArms(draw_truth(model.bench, 21), 12, 21, seedling.REST) as arms:
            run = play(model, its_motion, DirectBoard(model.bench, arms), way, its_creeps)
        lacking = np.array([np.abs(r.target - r.feedback) for r in run.rests])
        assert np.median(lacking) < 0.25 * DEGREE
        assert lacking.max() < 1.5 * DEGREE


def test_frames_that_are_no_whole_milliseconds_keep_their_time():
    """Eight frames of 2.5 ms take 20 ms of the stand-in's time."""
    bench = seedling.bench()
    controller = dataclasses.replace(bench.controller, frame=0.0025, averaged=2)
    odd = dataclasses.replace(bench, controller=controller)
    arms = ServoArms(draw_truth(bench, 1), 12, 1, seedling.REST)
    board = DirectBoard(odd, arms)
    times = [board.frame(np.zeros(12)).time for _ in range(8)]
    assert times[-1] == pytest.approx(0.020)


def test_untrimmed_arms_rest_where_they_are_foreseen_to():
    """Simulated arms as the bench describes them, which the forecast shares no code with but the torques: how far each
    joint of the moving arm stops short of its target, lifting, let down or unloaded, first pose and later ones."""
    model = seedling.model()
    steps = [seedling.go("left", *pose) for pose in ((0, 20, 60, 30, 0), (25, 60, 25, 10, 15), (-10, 35, 70, -20, 5),
                                                     (-12, 30, 40, 20, -30))]  # fmt: skip
    motion = plan(model, seedling.routine_of(*steps))
    foreseen = taught_poses(model, motion).lacking[:, :5]
    # Without noise a mean of whole counts could not be finer than a count; half of one is cut off on average.
    count = model.bench.controller.reference / 2**model.bench.controller.wiper_bits
    truth = design_truth(model.bench)
    noise = np.full_like(truth.wiper_noise, count)
    truth = dataclasses.replace(truth, wiper_noise=noise, wiper_zero=truth.wiper_zero + 0.5 * count)
    arms = ServoArms(truth, model.bench.controller.channels, 3, motion.q[0] + 2 * DEGREE)
    rests = [r for r in play(model, motion, DirectBoard(model.bench, arms), "raw").rests if not r.row]
    found = np.array([r.target - r.feedback for r in rests])
    off = np.abs(found - foreseen)
    assert np.median(off) < 0.05 * DEGREE
    assert off.max() < 0.3 * DEGREE
    # As large as what is foreseen: a forecast of nothing would be off by some 0.4 degrees.
    assert np.median(np.abs(found)) > 4 * np.median(off)
