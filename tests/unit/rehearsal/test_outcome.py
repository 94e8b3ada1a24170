"""What is said of a rehearsal: holds that were lost or never had, what is beside what, and what to do next.

What was seen is made by hand: 4 s at 100 looks a second, both hands meant to hold a tray, or one a pot, from 1 to 3 s.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from handfast.cli.rehearse import outcome_text
from handfast.geometry.rigid import pose
from handfast.records.run import Grip as Felt
from handfast.records.run import Run
from handfast.rehearsal.advice import next_step
from handfast.rehearsal.outcome import Outcome, outcome_of
from handfast.rehearsal.scene import Hold, Placed, Scene
from handfast.rehearsal.taught import TaughtLinks
from handfast.rehearsal.watch import Seen
from handfast.routine.steps import Step
from support import seedling

T = np.arange(0.0, 4.0, 0.01)
MEANT = (T >= 1.0) & (T <= 3.0)


def rehearsed(
    name: str, sides: tuple[str, ...], press: np.ndarray, tcp: np.ndarray, gap: float, notes: tuple[str, ...] = ()
) -> tuple[Outcome, Scene, list[str]]:
    """What is made of pads that press so (N, 4) N on a thing at the origin, hands at tcp (N, 2, 3) m."""
    bench = seedling.bench()
    thing = bench.thing(name)
    arm = "both" if len(sides) == 2 else sides[0]
    go = seedling.go("left", 0, 0, 0, 0, 0).with_taught("right", seedling.go("right", 0, 0, 0, 0, 0).right)
    routine = seedling.routine_of(go, Step(do="grip", arm=arm, thing=name), go, Step(do="release", arm=arm))
    X_WO = np.eye(4)
    placed = Placed(thing, X_WO, None, thing.grip_span if len(sides) == 2 else 0.0, True)
    holds = tuple(Hold(name, side, 1, 3, np.eye(4), X_WO) for side in sides)
    scene = Scene((placed,), (), None, holds, notes)
    N, K = len(T), len(bench.joints)
    zero = np.zeros((N, K))
    poses = np.array([[pose(np.eye(3), p) for p in row] for row in tcp])
    seen = Seen(
        T, zero, zero, zero, zero, zero, poses, np.full((N, 2), gap), {name: np.tile(X_WO, (N, 1, 1))}, {name: press},
        {name: np.full((N, 2), 0.5)}, zero, (), {},
    )  # fmt: skip
    run = Run(
        "test", "corrected", "by hand", "", T, zero, zero, np.full((N, 2), 6.0), np.zeros((N, 2)),
        np.zeros((N, 2), dtype=int), (),
    )  # fmt: skip
    held = [thing.mass / len(sides) * MEANT * (side in sides) for side in ("left", "right")]
    loads = list(zip(T, *held, strict=True))
    outcome = outcome_of(bench, routine, scene, TaughtLinks({}, {}), run, seen, loads)
    return outcome, scene, [routine.title(n) for n in range(len(routine.steps))]


def at(left: float, right: float = 0.2) -> np.ndarray:
    """Hands that stand still at these x, m."""
    return np.tile([[left, 0.0, 0.0], [right, 0.0, 0.0]], (len(T), 1, 1))


def test_a_hold_that_was_lost_ends_when_it_was():
    """2 N per pad for a second, then nothing: lost 0.12 s later; the press is that of the time in which it was held."""
    press = np.zeros((len(T), 4))
    press[(T >= 1.0) & (T < 2.0), :2] = 2.0
    outcome, scene, titles = rehearsed("plug-pot", ("left",), press, at(0.0), 0.036)
    (grip,) = outcome.grips
    assert grip.lost == pytest.approx(2.12, abs=0.02)
    assert grip.press == pytest.approx(2.0)
    assert [(e.kind, round(e.when, 2)) for e in outcome.events] == [("dropped", round(grip.lost, 2))]
    text = outcome_text(outcome, (), titles, 3.2)
    assert (
        "left hand holds plug-pot from 1.0 s and loses it by 2.1 s (meant to hold it to 3.0 s): 2.00 N per pad" in text
    )
    assert "3.2 s of that are the routine's own motion" in text
    assert next_step(outcome, scene) == "left grip of plug-pot, dropped: ask handfast check: grip says what the pads " \
        "lack, and what would help"  # fmt: skip


@pytest.mark.parametrize(("held", "changes"), [("both", 0.002), ("both for a second", 0.001), ("nobody", None)])
def test_the_distance_of_two_hands_counts_while_both_hold(held, changes):
    """One hand moves away by 1 mm/s from 1.3 s on: counted only while the pads of both hands press."""
    press = np.zeros((len(T), 4))
    until = {"both": 3.1, "both for a second": 2.3, "nobody": 0.0}[held]
    press[(T >= 1.0) & (T < until)] = 2.0
    tcp = at(-0.103, 0.103)
    tcp[:, 1, 0] += 1e-3 * np.clip(T - 1.3, 0.0, None) * (2.0 / 1.7 if held == "both" else 1.0)
    outcome, _, titles = rehearsed("seed-tray", ("left", "right"), press, tcp, 0.004)
    assert outcome.together == (None if changes is None else pytest.approx(changes, abs=5e-5))
    assert ("the distance of the hands" in outcome_text(outcome, (), titles, 3.0)) == (changes is not None)


@pytest.mark.parametrize(
    ("where", "gap", "said"),
    [
        (0.030, 0.036, "close 12 mm beside plug-pot"),
        (0.0, 0.0391, "close around plug-pot in step 2 (grip 2) and stay 3.1 mm wider than it"),
        (0.0, 0.010, "close past plug-pot in step 2 (grip 2), 26.0 mm narrower than it"),
    ],
)
def test_jaws_that_miss_are_told_apart(where, gap, said):
    """A TCP 30 mm beside the middle of a pot of 36 mm; one in it, the jaws 3.1 mm too wide; and jaws shut past it."""
    outcome, scene, titles = rehearsed("plug-pot", ("left",), np.zeros((len(T), 4)), at(where), gap)
    (event,) = outcome.events
    assert event.kind == "missed"
    assert said in event.words
    assert "left hand does not get hold of plug-pot" in outcome_text(outcome, (), titles, 3.0)
    assert "next" not in next_step(outcome, scene)
    assert "teach it again" in next_step(outcome, scene)


def test_what_to_do_next_begins_with_what_is_not_known():
    """A note that asks for calibration comes before what follows from it; what works needs no step."""
    press = np.zeros((len(T), 4))
    note = "step 2 (grip 1): taught 20 mm too low; calibrate first"
    outcome, scene, _ = rehearsed("plug-pot", ("left",), press, at(0.03), 0.03, (note,))
    assert next_step(outcome, scene).startswith("handfast calibrate")
    press[T >= 1.0, :2] = 2.0
    outcome, scene, _ = rehearsed("plug-pot", ("left",), press, at(0.0), 0.036)
    assert outcome.works, outcome.events
    assert next_step(outcome, scene) == ""


def test_a_run_tells_jaws_that_met_nothing_from_jaws_that_could_not_press():
    """A servo 0.1 degrees behind shows nothing between its jaws; one 2 degrees behind met something."""
    nothing = Felt(2, "left", 1.0, 0.030, np.radians(0.1), False)
    weak = replace(nothing, behind=np.radians(2.0))
    run = Run("test", "raw", "", "", T, T, T, T, T, T.astype(int), (), (), (nothing, weak, replace(weak, felt=True)))
    first, second = run.missed_grips
    assert "felt nothing between them in step 3, down to a gap of 30.0 mm" in first
    assert "met something in step 3" in second
    assert "2.0° behind" in second
