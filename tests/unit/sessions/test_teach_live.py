"""Teaching live, on ideal servos: what is stored, refused, gripped, drawn and taken back, and the cues for it."""

from __future__ import annotations

import numpy as np
import pytest

from handfast.errors import InputError
from handfast.mechanics.model import model_of
from handfast.records.recording import read_recording
from handfast.records.recording_file import RecordingFile
from handfast.sessions.operator import BUYS, Keys
from handfast.sessions.teach_live import Teaching
from handfast.teaching.routine_from import routine_from
from support.wired import looking


class Session:
    """A teaching session on ideal servos; `script` holds what happens when (s): keys, or a move of the left yaw, or of
    both yaws."""

    def __init__(self, path, script, seconds, by_itself=True, pedal=(), sides=("left", "right"), hold=()):
        self.said, self.cues, self.powered, self.given = [], [], [], []
        with looking() as (board, channels, wired):
            base = board.known().at // 1000 + 20
            moves = [(base + 1000 * t, goal) for t, goal in script if not isinstance(goal, str)]
            typed = [(base + 1000 * t, letters) for t, letters in script if isinstance(letters, str)]

            def move(ms, at):
                for begin, goals in moves:
                    if begin <= ms < begin + 600:
                        for channel, goal in zip((0, 6), goals if isinstance(goals, tuple) else (goals,), strict=False):
                            at[channel] += (goal - at[channel]) / max(begin + 600 - ms, 1)

            def keys():
                now = board.known().at // 1000
                letters = "".join(k for t, k in typed if t <= now)
                typed[:] = [(t, k) for t, k in typed if t > now]
                device.pedal = any(base + 1000 * a <= now < base + 1000 * b for a, b in pedal)
                if device.cues:
                    self.cues.append(device.cues)
                    device.cues = 0
                self.powered.append(tuple(board.known().channel))
                self.given.append(tuple(board.known().pulse))
                return letters

            wired.move = move
            device = board.link._board
            with RecordingFile(path, 12, "held", (), resume=False) as file:
                session = Teaching(wired.bench, board, channels, file, sides, by_itself, self.said.append)
                session.hold(list(hold))
                session.run(keys, lambda: False, seconds)
            self.poses, self.board, self.bench = session.poses, board, wired.bench
        self.recording = read_recording(path, 12)
        self.events = [event.text for event in self.recording.events]

    def steps(self):
        """What the recording teaches."""
        routine, _ = routine_from(self.recording, model_of(self.bench), "r")
        return [step.do for step in routine.steps]


def test_stillness_stores_by_itself_and_is_cued(tmp_path):
    """Two moves, two poses, two low notes; the resting start is none. 100 samples a second."""
    s = Session(tmp_path / "a.csv", [(1.5, 0.3), (4.0, -0.3)], 6.5)
    assert s.events == ["left pose", "left pose"]
    assert s.cues == [1, 1]
    assert s.steps() == ["go", "go"]
    assert np.diff(s.recording.t) == pytest.approx(0.01, abs=1e-6)


def test_by_key_only(tmp_path):
    """A key stores what is still and refuses what is not, each with its cue; stillness alone stores nothing."""
    s = Session(tmp_path / "a.csv", [(1.5, 0.3), (1.8, " "), (4.0, " ")], 5.5, by_itself=False)
    assert s.events == ["left pose"]
    assert s.cues == [2, 1]
    assert any("hold it still" in line for line in s.said)


def test_the_pedal_stores_and_grips(tmp_path):
    """Pressed shortly it stores, held long it grips with the arm that moved last, held long again it lets go."""
    s = Session(
        tmp_path / "a.csv", [(1.5, 0.3)], 10.0, by_itself=False, pedal=[(3.5, 3.8), (4.5, 5.6), (7.5, 8.6)]
    )  # fmt: skip
    assert [e.split()[1] for e in s.events] == ["pose", "grip", "release"]
    assert all(e.startswith("left") for e in s.events)
    gripper = s.bench.arms.left.gripper.channel
    # The gripper is powered from the grip on, through the release; its arm stays limp all the while.
    assert s.powered[-1][gripper] == 2
    assert {p[c] for p in s.powered for c in range(5)} == {0}


def test_undo_strokes_and_words(tmp_path):
    """A pose taken back; a stroke between two keys; words of one's own, also with letters that would stop."""
    script = [(1.5, 0.3), (4.0, "u"), (4.2, "s"), (4.5, -0.3), (6.0, "s"), (6.2, ":note quiet\n"), (6.4, ":nonsense\n")]
    s = Session(tmp_path / "a.csv", script, 8.0)
    assert s.events == ["left pose", "undo", "left stroke begin", "left stroke end", "note quiet"]
    assert s.steps() == ["stroke"]
    assert any('"nonsense" is no event' in line for line in s.said)


def test_no_more_is_taken_back_than_there_is(tmp_path):
    """One pose, then three keys: one is taken back, the others are refused with their cue; a stroke begun is none."""
    s = Session(tmp_path / "a.csv", [(1.5, 0.3), (4.0, "u"), (4.3, "u"), (4.6, "u"), (5.0, "s"), (5.5, "u")], 6.5)
    assert s.events == ["left pose", "undo", "left stroke begin", "undo"]
    assert s.cues == [1, 2, 2]
    assert [line.strip() for line in s.said if "nothing is left" in line] == 2 * ["nothing is left to take back"]
    assert s.poses == 0


def test_held_servos_stay_powered_where_they_stand(tmp_path):
    """What is told to be held has pulses from the start, at its pose; everything else stays limp; the arm is led."""
    s = Session(tmp_path / "a.csv", [(2.5, 0.3)], 6.0, hold=(2, 3))
    assert s.events == ["left pose"]
    assert {(p[2], p[3]) for p in s.powered} == {(2, 2)}
    assert {p[c] for p in s.powered for c in (0, 1, 4, 5, 6, 7, 8, 9, 10, 11)} == {0}
    assert len({(p[2], p[3]) for p in s.given}) == 1


def test_a_pass_hands_the_thing_over(tmp_path):
    """Grip, the key for a pass, both arms led together: there the taker's jaws close, then the giver's open."""
    s = Session(tmp_path / "a.csv", [(1.5, 0.3), (4.0, "a"), (6.0, "p"), (7.0, (-0.3, 0.4)), (12.0, "b")], 14.0)
    thing = s.bench.things[0].name
    assert s.events == ["left pose", f"left grip {thing}", "pass left", "both pose", "right release"]
    assert s.steps() == ["go", "grip", "pass", "release"]
    left, right = (s.bench.arm(side).gripper.channel for side in ("left", "right"))
    both = [k for k, p in enumerate(s.powered) if p[left] and p[right]]
    assert s.powered[both[0] - 1][right] == 0, "the taker's jaws were limp until the pass"
    shut = s.given[both[0]][left]
    assert s.given[both[0] + 3][left] == shut, "the giver holds on for a moment"
    opening = [p[left] for p in s.given[both[0] :]]
    assert opening[-1] != shut
    assert len(set(opening)) > 3, "without a jump"


def test_a_pass_of_nothing_moves_no_jaws(tmp_path):
    """It is said; taught from it, it is refused with what to do."""
    s = Session(tmp_path / "b.csv", [(1.5, 0.3), (4.0, "r"), (5.0, (-0.3, 0.4))], 9.0)
    assert s.events == ["left pose", "pass right", "both pose"]
    assert any("holds nothing yet" in line for line in s.said)
    assert {p[c] for p in s.powered for c in range(12)} == {0}
    with pytest.raises(InputError, match="the right arm passes nothing"):
        s.steps()


def test_the_key_for_a_carry(tmp_path):
    """Both grip, then a carry is told, then both arms are led to where it goes."""
    s = Session(tmp_path / "a.csv", [(1.5, (0.3, 0.3)), (4.0, "c"), (6.0, "k"), (7.0, (-0.3, -0.3))], 10.0)
    assert s.events == ["both pose", f"both grip {s.bench.things[0].name}", "carry", "both pose"]
    assert s.steps() == ["go", "grip", "carry"]


def test_one_arm_at_a_time(tmp_path):
    """With the right arm taught, moves of the left one store nothing, and its strokes are refused."""
    s = Session(tmp_path / "a.csv", [(1.5, 0.3), (4.0, "s")], 5.0, sides=("right",))
    assert s.events == []
    assert any("left arm is not being taught" in line for line in s.said)


def test_a_key_press_buys_so_much_motion_and_the_pedal_as_long_as_it_is_held():
    """0.7 s by the clock; the pedal while it is down; Esc and q end all of it. Not held: one press starts."""
    now, down = [0.0], [False]
    keys = Keys(True, lambda: down[0], lambda: now[0])
    assert not keys.may_move()
    keys.press(" ")
    now[0] = BUYS - 0.01
    assert keys.may_move()
    now[0] = BUYS + 0.01
    assert not keys.may_move()
    down[0] = True
    assert keys.may_move()
    keys.press("q")
    assert keys.stops()
    assert not keys.may_move()
    free = Keys(False, lambda: False, lambda: now[0])
    assert not free.may_move()
    free.press(" ")
    now[0] += 100.0
    assert free.may_move()
