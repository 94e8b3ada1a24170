"""Where things stand, who hands them over, and what is said of hands that do not fit."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from handfast.geometry.rigid import pose, shift
from handfast.rehearsal.mjcf import tab_of, without_jaws
from handfast.rehearsal.scene import Placed, Scene, foot, scene_of
from handfast.rehearsal.taught import taught_here
from handfast.rehearsal.twin import Twin
from handfast.standins.truth import design_truth
from support import rehearsing, seedling

REST = (0.0, -15.0, 75.0, 60.0, 0.0)


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


def rod_between_hands(grip_height: float = 0.0) -> Placed:
    """A rod of 180 x 12 x 12 mm with its foot 10.9 mm up, gripped 140 mm apart."""
    tray = seedling.bench().thing("seed-tray")
    rod = replace(tray, name="rod", size=(0.18, 0.012, 0.012), grip_width=0.012, grip_height=grip_height)
    return Placed(rod, pose(np.eye(3), np.array([0.0, -0.04, 0.0169])), None, 0.14, False)


def test_the_tabs_of_a_thin_rod_do_not_stand_in_its_support():
    """A rod on a block of 11 mm: no tab of it reaches into the block, whose ends it would clamp, nor beside the rod."""
    bench, placed = seedling.bench(), rod_between_hands()
    support = (np.array([0.0, -0.04, 0.0055]), np.array([0.063, 0.0042, 0.0055]))
    twin = Twin(bench, design_truth(bench), Scene((placed,), (support,)), 0, np.radians(np.tile(REST, 2)), False)
    contacts = [
        float(c.dist) for c in twin.data.contact
        if any("tab" in twin.model.geom(g).name for g in (c.geom1, c.geom2))
    ]  # fmt: skip
    assert contacts, "the rod's tabs lie on the block as the rod does"
    assert min(contacts) > -2e-4
    for height in (0.0, -0.005, 0.005):
        for way in (-1.0, 1.0):
            middle, half = tab_of(rod_between_hands(height), way)
            assert half[2] <= 0.006
            assert middle[2] - half[2] >= -0.006 - 1e-12
            assert abs(middle[0]) + half[0] <= 0.09 + 1e-12
            assert abs(middle[0]) - half[0] < 0.07 < abs(middle[0]) + half[0]


def test_the_tabs_of_a_tray_stand_at_its_rims():
    """A tray is higher than a tab: 24 mm each way about the grip place, as thick as it is gripped."""
    (tray,) = scene("carry-tray").things
    middle, half = tab_of(tray, 1.0)
    assert middle == pytest.approx([0.103, 0.0, tray.thing.grip_height])
    assert sorted(half) == pytest.approx(sorted([0.002, 0.012, 0.012]))


def test_hands_that_cannot_have_fitted_are_named():
    """The bench's own recordings were led on arms that nobody measured; the tray's misfit is said, with what to do."""
    bench, routine = seedling.bench(), seedling.routine("carry-tray")
    notes = scene_of(bench, routine, taught_here(bench, design_truth(bench), routine).tools).notes
    assert any("mm away from fitting on seed-tray" in note and "calibrate first" in note for note in notes)


def test_a_hand_that_was_taught_inside_the_table_is_named():
    """The bases 20 mm lower in the bench than where the routine was taught: the pot's foot is 13 mm inside the table.

    The note says so, the pot stands on the table in the twin, and where it is put down is named, too.
    """
    bench, routine = seedling.bench(), rehearsing.taught("pass-pot")
    links = taught_here(bench, design_truth(bench), routine).tools
    low = {key: shift(np.array([0.0, 0.0, -0.02])) @ tools for key, tools in links.items()}
    found = scene_of(bench, routine, low)
    (pot,) = found.things
    under = 0.02 - foot(pot.thing, scene("pass-pot").things[0].X_WO)
    assert foot(pot.thing, pot.X_WO) == pytest.approx(0.0, abs=1e-9)
    assert not found.supports or found.supports[0][0][2] > 0.0
    said = f"by the bench's figures the right hand was taught {under * 1e3:.0f} mm too low"
    assert any(said in note and "calibrate first" in note for note in found.notes), found.notes
    assert not any("too low" in note for note in scene("pass-pot").notes)
    deep = {key: shift(np.array([0.0, 0.0, -0.05 * (key[0] >= 7)])) @ tools for key, tools in links.items()}
    notes = scene_of(bench, routine, deep).notes
    assert any("put down with its lowest corner" in note and "inside the table" in note for note in notes), notes


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
