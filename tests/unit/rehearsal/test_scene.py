"""Where things stand, who hands them over, and what is said of hands that do not fit."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from handfast.rehearsal.mjcf import without_jaws
from handfast.rehearsal.scene import Scene, foot, scene_of
from handfast.rehearsal.taught import taught_here
from handfast.standins.truth import design_truth
from support import rehearsing, seedling


def scene(name: str) -> Scene:
    """The scene of a seedling routine, as taught on arms that are as the bench says."""
    bench, routine = seedling.bench(), rehearsing.taught(name)
    return scene_of(bench, routine, taught_here(bench, design_truth(bench), routine).tools)


def test_a_pot_stands_upright_under_the_grip_on_a_support():
    """It is taken 42 mm above the table and gripped 11 mm above its middle: its foot is 7 mm up, on a block."""
    found = scene("pass-pot")
    (pot,) = found.things
    assert pot.handed_to is None
    assert pot.X_WO[:3, 2] == pytest.approx([0, 0, 1])
    assert foot(pot.thing, pot.X_WO) == pytest.approx(0.007, abs=0.004)  # hands place a TCP to 1 mm, the gears hide 2
    assert pot.X_WO[:2, 3] == pytest.approx([0.106, -0.095], abs=0.006)
    at, half = found.supports[0]
    assert at[2] + half[2] == pytest.approx(foot(pot.thing, pot.X_WO))
    assert [(h.side, h.begins, h.ends) for h in found.holds] == [("right", 2, 5), ("left", 5, 9)]


def test_a_pen_is_handed_over_and_stands_on_its_tip_when_the_drawing_begins():
    """Its axis is upright in the hand at the first point of the drawing, and the paper lies where its tip is led."""
    found = scene("write-label")
    (pen,) = found.things
    assert pen.handed_to == "left"
    assert found.paper == pytest.approx(0.002 + 0.0015, abs=0.004)  # 62 mm, less half of 120 mm, pressed 1.5 mm
    bench, routine = seedling.bench(), rehearsing.taught("write-label")
    tools = taught_here(bench, design_truth(bench), routine).tools
    stroke = next(n for n, step in enumerate(routine.steps) if step.do == "draw")
    upright = tools[stroke, "left"][0] @ found.holds[0].X_TO
    assert upright[:3, 2] == pytest.approx([0, 0, 1])
    assert re.search(r"the pad on which left writes lies \d\.\d mm above the table", " ".join(found.notes))
    lower = {key: X - 0.02 * np.eye(4)[2][:, None] * np.eye(4)[3] for key, X in tools.items()}
    assert "the pad on which left writes lies on the table itself" in scene_of(bench, routine, lower).notes


def test_a_tray_lies_level_between_both_hands():
    """Its x runs from the left hand to the right, and its grips are as far apart as the bench says."""
    found = scene("carry-tray")
    (tray,) = found.things
    assert tray.X_WO[2, :2] == pytest.approx([0, 0])
    assert tray.span == pytest.approx(0.206)
    assert not found.notes


def test_hands_that_cannot_have_fitted_are_named():
    """The bench's own recordings were led on arms that nobody measured; the tray's misfit is said, with what to do."""
    bench, routine = seedling.bench(), seedling.routine("carry-tray")
    notes = scene_of(bench, routine, taught_here(bench, design_truth(bench), routine).tools).notes
    assert any("mm away from fitting on seed-tray" in note and "calibrate first" in note for note in notes)


def test_a_thing_that_nobody_can_hold_is_left_out_with_a_note():
    """A grip of an arm without any taught pose has no place; the scene says so."""
    bench, routine = seedling.bench(), rehearsing.taught("pass-pot")
    grip = next(n for n, step in enumerate(routine.steps) if step.do == "grip")
    alone = replace(routine, steps=(routine.steps[0], replace(routine.steps[grip], arm="left")))
    found = scene_of(bench, alone, taught_here(bench, design_truth(bench), alone).tools)
    assert not found.things
    assert "no pose is taught" in found.notes[0]


def test_a_last_link_without_its_jaws_and_the_jaws_make_the_whole():
    """Mass, middle and inertia of a link, taken apart into link and two jaws, add up again (parallel axes)."""
    mass, com, inertia, jaw, at = (
        0.05,
        np.array([0, 0, 0.03]),
        np.diag([4e-5, 4e-5, 1e-5]),
        0.002,
        np.array([0, 0, 0.08]),
    )
    rest, new, left = without_jaws(mass, com, inertia, jaw, at)
    assert rest + 2 * jaw == pytest.approx(mass)
    assert (rest * new + 2 * jaw * at) / mass == pytest.approx(com)

    def about(m, d):
        return m * (d @ d * np.eye(3) - np.outer(d, d))

    assert left + about(rest, new - com) + about(2 * jaw, at - com) == pytest.approx(inertia, abs=1e-12)
