"""`handfast calibrate --read`: a maker says what is read at limp arms, and the rest comes from the wire."""

from __future__ import annotations

import time

import numpy as np
import pytest

from handfast.bench.folder import read_bench
from handfast.bench.lines import angle_of
from handfast.bench.new import new_bench
from handfast.records.readings import read_readings
from handfast.standins.truth import draw_truth
from support.at_a_board import Played, Simulation, hand, start
from support.commands import handfast

SEED = 2


@pytest.fixture
def bench(tmp_path):
    """A seedling bench with an empty file for a hand."""
    folder = new_bench(tmp_path / "bench")
    (folder.root / "hand.txt").write_text("")
    return folder


def led(bench, arm, *angles):
    """A hand leads an arm to joint angles and holds it there."""
    hand(bench, f"{arm} joints 700 " + " ".join(map(str, angles)))
    time.sleep(0.2)


def away(bench, *angles):
    """A hand leads the left arm away, and is on its way once its TCP is 25 mm from where it was."""
    begun = tip(bench)
    led(bench, "left", *angles)
    end = time.monotonic() + 60.0
    while np.linalg.norm(tip(bench) - begun) < 25.0:
        assert time.monotonic() < end
        time.sleep(0.02)


def tip(bench):
    """Where the left TCP is now (3,), mm, by the stand-in's side channel for tests."""
    line = (bench.root / "truth.txt").read_text().rsplit("\n", 2)[-2]
    return np.array(line.split()[1:4], dtype=float)


def settled(bench):
    """Wait until the left TCP has stood for 1.5 s: what is said of where it stands has been said by then."""
    last, since, end = tip(bench), time.monotonic(), time.monotonic() + 60.0
    while time.monotonic() - since < 1.5:
        assert time.monotonic() < end
        time.sleep(0.05)
        now = tip(bench)
        if np.linalg.norm(now - last) > 1.0:
            last, since = now, time.monotonic()


class Session:
    """A session of taking readings at a simulated board, with somebody at its keyboard."""

    def __init__(self, bench, simulation):
        self.played = Played(bench.root, simulation.port, "calibrate", "--read", pressing=False)
        self.played.until("ready: say what you read")

    def say(self, line, until):
        """Type a line, and wait for words that were not there before."""
        self.played.lines.clear()
        self.played.type(line + "\n")
        return self.played.until(until, 60.0)

    def wait(self, until):
        """Wait for words."""
        return self.played.until(until, 60.0)


def test_readings_of_limp_arms(bench):
    """A gauge from both sides, both tips together, pulls, one taken back: counts of where a hand held the links."""
    design = read_bench(bench)
    truth = draw_truth(design, SEED)
    with Simulation(bench.root, "--seed", SEED, "--hand", "hand.txt") as simulation:
        session = Session(bench, simulation)
        for arm in ("left", "right"):
            led(bench, arm, 0, 20, 20, 20, 0)
        time.sleep(2.0)
        session.say("gauge left elbow 45", "onto the stop")
        # A rest on the way is no reading.
        led(bench, "left", "-", "-", -10, "-", "-")
        session.wait("not read: that is 5[0-9] degrees from there")
        led(bench, "left", "-", "-", 45, "-", "-")
        session.wait("reading 1 kept: gauge left elbow 45")
        # Led beyond the stop and back onto it before it is said: Enter takes it where it is.
        led(bench, "left", "-", "-", 55, "-", "-")
        time.sleep(1.5)
        led(bench, "left", "-", "-", 45, "-", "-")
        time.sleep(2.0)
        session.say("gauge left elbow 45 good to 0.3", "there already: Enter")
        session.say("", "reading 2 kept")
        session.say("pull left elbow 2.1 80", "reading 3 kept")
        session.say("meet", "tip to tip")
        for arm in ("left", "right"):
            led(bench, arm, 10, 30, 30, 20, 0)
        # By the bench's figures these TCPs are not tip to tip: the maker says that they are.
        session.wait("not read: that is .* mm from there")
        session.say("", "reading 4 kept: meet")
        session.say("undo", "3 are kept")
        session.say("touch left 100 0 5", "in the dimple")
        led(bench, "left", 0, 20, 20, 20, 0)
        session.wait("not read: that is .* mm from there")
        session.say("no", "left out")
        assert "nearest: left elbow" in session.say("gauge left elbo 3", "available: left elbow")
        session.say("next", "what helps most")
        session.played.type("q\n")
        status, out = session.played.end()
    assert status == 0, session.played.lines
    assert "limp kg·cm" in out
    (path,) = (bench.root / "readings").glob("*.toml")
    readings = read_readings(path, design)
    assert (len(readings), len(readings.meets)) == (3, 0)
    up, down = readings.gauges
    assert (up.way, down.way) == ("+", "-")
    assert (up.error, down.error) == pytest.approx(np.radians([0.2, 0.3]))
    assert up.supply == pytest.approx(design.supply.voltage, abs=0.05)
    # The link leads its feedback by half the play and the windup of limp gears, either way.
    i = design.joint_names.index("left elbow")
    lead = truth.unseen_play[i] / 2 + truth.compliance[i] * truth.gear_friction[i]
    shown = [float(angle_of(design.joints[i], np.array(g.counts[design.joints[i].channel]))) for g in (up, down)]
    # This hand does not tremble: what is left is noise, and the steps of counts.
    assert shown[1] - shown[0] == pytest.approx(2 * lead, abs=np.radians(0.15))
    assert readings.pulls[0].force == 2.1


def test_a_link_rocked_onto_a_stop_that_stays(bench):
    """From one side and the other, as one reading of two gauges at one stop; the same side twice, and another place
    than the stop, are not taken."""
    design = read_bench(bench)
    with Simulation(bench.root, "--seed", SEED, "--hand", "hand.txt", "--truth", "truth.txt") as simulation:
        session = Session(bench, simulation)
        led(bench, "left", 0, 20, 20, 20, 0)
        time.sleep(1.5)
        session.say("rock left elbow 45", "onto the stop")
        led(bench, "left", "-", "-", 45, "-", "-")
        session.wait("now onto it from the other side")
        session.played.lines.clear()
        away(bench, "-", "-", 25, "-", "-")
        led(bench, "left", "-", "-", 45, "-", "-")
        session.wait("came from the same side as before")
        settled(bench)
        session.played.lines.clear()
        led(bench, "left", "-", "-", 80, "-", "-")
        session.wait("came from the same side as before")
        settled(bench)
        session.played.lines.clear()
        led(bench, "left", "-", "-", 65, "-", "-")
        session.wait("degrees from the stop")
        led(bench, "left", "-", "-", 45, "-", "-")
        session.wait("reading 1 kept: rock left elbow 45")
        session.say("undo", "0 are kept")
        session.played.type("q\n")
        status, _ = session.played.end()
        assert status == 0
        assert not list((bench.root / "readings").glob("*.toml"))
        session = Session(bench, simulation)
        session.say("rock left elbow 45 good to 0.05", "onto the stop")
        away(bench, "-", "-", 60, "-", "-")
        led(bench, "left", "-", "-", 45, "-", "-")
        session.wait("now onto it from the other side")
        away(bench, "-", "-", 30, "-", "-")
        led(bench, "left", "-", "-", 45, "-", "-")
        session.wait("reading 1 kept")
        session.played.type("q\n")
        assert session.played.end()[0] == 0
    (path,) = (bench.root / "readings").glob("*.toml")
    down, up = read_readings(path, design).gauges
    assert (down.way, up.way) == ("-", "+")
    assert down.stop == up.stop != ""
    assert down.again == pytest.approx(np.radians(0.05))  # never worse than the stop itself


def test_a_weight_on_a_powered_arm(bench):
    """It gets power where it is held, stands, and gives way under the weight; limp readings wait for it to be limp."""
    with Simulation(bench.root, "--seed", SEED, "--hand", "hand.txt", "--truth", "truth.txt") as simulation:
        session = Session(bench, simulation)
        session.say("sag left 150", "it gets power")
        led(bench, "left", 0, 40, 30, 20, 0)
        session.wait("hands off")
        hand(bench, "left free")
        time.sleep(1.0)
        session.say("", "hang on the 150 g")
        before = tip(bench)[2]
        hand(bench, "left load 150")
        time.sleep(1.0)
        session.say("", "by how many mm")
        session.say("much", "is no number")
        down = before - tip(bench)[2]
        session.say(f"{down:.2f}", "reading 1 kept: sag left 150")
        assert "the left arm is powered" in session.say("touch left 100 0 5", "not read")
        session.say("limp left", "limp again")
        session.played.type("q\n")
        status, _ = session.played.end()
    assert status == 0, session.played.lines
    (path,) = (bench.root / "readings").glob("*.toml")
    (sag,) = read_readings(path, read_bench(bench)).sags
    assert sag.mass == 0.150
    assert down > 1.0
    assert sag.down == pytest.approx(down * 1e-3, abs=1e-5)
    # Under the weight servos give way and draw current.
    assert sag.loaded_supply < sag.supply - 0.02
    assert np.abs(np.array(sag.loaded) - np.array(sag.counts)).max() > 2.0


def test_nothing_is_read(bench):
    """A session that ends at once leaves no file; a board without something to do at it is refused."""
    command = start("calibrate", "--read", "--board", "python", cwd=bench.root)
    out, said = command.communicate("q\n", timeout=120)
    assert command.returncode == 0, said
    assert "no reading was taken" in out
    assert not list((bench.root / "readings").glob("*"))
    done = handfast("calibrate", "--read", cwd=bench.root)
    assert done.returncode == 2
    assert "which board?" in done.stderr
