"""What the pictures show: the sheet, the landing, the bench."""

import re
import shutil
import xml.etree.ElementTree as ET
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from shapely.geometry import MultiPoint

from handfast.answers.ask import ask
from handfast.answers.facts import facts_of
from handfast.answers.pair_questions import meetings, relation
from handfast.bench.folder import BenchFolder, read_bench
from handfast.correction.correct import correct
from handfast.mechanics.kinematics import places
from handfast.motion.drawing import without_drawings
from handfast.report.bench_picture import WIDTH, _axes, bench_picture, hull, reaches, telling
from handfast.report.charts import Panel, _strikes
from handfast.report.curves import clearance_picture, current_picture, jump_picture, room_picture, told, torque_picture
from handfast.report.gather import WAYS, RoutineView, gather, heaviest
from handfast.report.landing_pictures import arrow_picture, bar_pictures, exaggeration
from handfast.report.pair_pictures import carry_picture, grip_picture, holds, meeting_picture, passes
from handfast.report.routine_sheets import Plates, _torque
from handfast.report.sheet import MOST_LINES, blocks, said, sheet_pictures, spaced
from handfast.report.svg import SMALL, Picture, width_of
from handfast.routine.file import read_routine


def routine(view, name):
    """One routine of a view."""
    return next(one for one in view.routines if one.routine.name == name)


def words(picture) -> str:
    """All lettering of a picture."""
    return " ".join("".join(e.itertext()) for e in ET.fromstring(picture.markup()).iter("text"))


def test_labels_are_spread_and_stay_in_order():
    """Wanted places too near to each other end at least one line apart, inside the sheet, in order."""
    found = spaced([10.0, 11.0, 12.0, 90.0, 99.0], 14.0, 0.0, 100.0)
    assert np.all(np.diff(found) >= 14.0 - 1e-9)
    assert found[0] >= 0.0
    assert found[-1] <= 100.0
    assert spaced([10.0, 50.0], 14.0, 0.0, 100.0) == [10.0, 50.0]


def test_a_pass_begins_and_ends_for_both_arms_at_once(seedling):
    """Blocks of a step of both arms have the same first and last sample; others follow without overlap."""
    view = routine(seedling, "pass-pot")
    found = blocks(view)
    number = next(k for k, step in enumerate(view.routine.steps) if step.do == "pass")
    first, second = (b for b in found if b.step == number)
    assert (first.first, first.last) == (second.first, second.last)
    for side in ("left", "right"):
        mine = sorted((b for b in found if b.side == side), key=lambda b: b.first)
        assert all(a.last <= b.first for a, b in pairwise(mine))


def test_blocks_tell_motion_from_standing(seedling):
    """In every block the stretches called moving are those in which a joint of that arm turns."""
    view = routine(seedling, "pass-pot")
    m = view.facts.motion
    for block in blocks(view):
        columns = seedling.bench.columns(block.side)
        turning = np.abs(m.qd[block.first : block.last, columns]).max(axis=1) > 1e-6
        told_so = np.zeros(block.last - block.first, dtype=bool)
        for a, b in block.moving:
            told_so[a - block.first : b - block.first] = True
        assert np.array_equal(turning, told_so)


def test_every_step_of_an_arm_has_its_place(seedling):
    """Also a step that finds its arm already there is on the sheet, and an arm that has ended has no block."""
    for view in seedling.routines:
        found = {(b.step, b.side) for b in blocks(view)}
        assert found == {(k, side) for k, step in enumerate(view.routine.steps) for side in step.sides}
        text = " ".join(words(p) for p in sheet_pictures(view, "s"))
        for k, step in enumerate(view.routine.steps):
            assert len(re.findall(rf"\b{k + 1} {step.do}", text)) == len(step.sides)
    view = routine(seedling, "pass-pot")
    last = max((b for b in blocks(view) if b.side == "right"), key=lambda b: b.last)
    assert last.last < 0.9 * len(view.facts.motion.t)  # the right arm has ended before the left one


def test_sheet_heights_are_durations(seedling):
    """The tallest block of the sheet is the longest step: heights are to one scale."""
    view = routine(seedling, "carry-tray")
    (picture,) = sheet_pictures(view, "s")
    root = ET.fromstring(picture.markup())
    drawn = [float(r.get("height")) for r in root.iter("rect") if r.get("width") == "86" and r.get("fill") == "none"]
    spans = [b.last - b.first for b in blocks(view)]
    assert len(drawn) == len(spans)
    scale = max(drawn) / max(spans)
    # Nothing is drawn thinner than a point, and the last sample is an end without a length of its own.
    assert np.array(drawn) == pytest.approx(np.maximum(scale * np.array(spans), 1.0), abs=1.2 * scale)


def test_sheet_says_who_gives_and_who_takes(seedling):
    """In a pass one column gives and the other one takes."""
    view = routine(seedling, "pass-pot")
    number = next(k for k, step in enumerate(view.routine.steps) if step.do == "pass")
    assert "gives plug-pot" in said(view.routine, number, "right")
    assert "takes plug-pot" in said(view.routine, number, "left")
    assert "gives plug-pot" in words(sheet_pictures(view, "s")[0])


def test_a_long_sheet_is_carried_over(seedling_folder, make_routine, tmp_path):
    """More steps than fit on a piece of paper go on to further pieces, each step on one of them at least."""
    folder = BenchFolder(shutil.copytree(seedling_folder.root, tmp_path / "bench"))
    make_routine(folder, "long", steps=2 * MOST_LINES + 5)
    bench = read_bench(folder)
    facts = facts_of(bench, read_routine(folder.routines / "long.toml", bench))
    view = RoutineView(facts, ask(facts, try_changes=False), {})
    pieces = sheet_pictures(view, "s")
    assert len(pieces) == 3
    text = " ".join(words(p) for p in pieces)
    for number in range(len(view.routine.steps)):
        assert re.search(rf"\b{number + 1} (go|carry|stroke)", text)
    for picture in pieces:
        assert picture.height < 1000  # one sheet of A4 between its margins


def test_torque_pictures_tell_the_least_ratio_of_each_joint(seedling):
    """Each joint's panel carries the least of available over needed, to two places."""
    view = routine(seedling, "pass-pot")
    f = view.facts
    for side in ("left", "right"):
        text = words(torque_picture(view, side, "t"))
        columns = seedling.bench.columns(side)
        ratio = f.available[:, columns] / np.maximum(np.abs(f.torque[:, columns]), 1e-9)
        for joint, least in zip(seedling.bench.arm(side).joints, ratio.min(axis=0), strict=True):
            assert joint.name in text
            assert (f"{least:.2f} ×" if least < 99.0 else "over 99 ×") in text


def test_a_joint_that_nothing_loads_has_no_ratio(seedling):
    """An upright yaw at rest: no made-up figure stands there, and the sheet says so of a whole arm."""
    view = routine(seedling, "pass-pot")
    facts = replace(view.facts)
    torque = np.zeros_like(view.facts.torque)
    torque[:, 1] = view.facts.torque[:, 1]
    facts.__dict__["torque"] = torque
    idle = replace(view, facts=facts)
    text = words(torque_picture(idle, "left", "t"))
    assert text.count("not loaded") == len(seedling.bench.arms.left.joints) - 1
    assert "99.00" not in text
    assert "No joint of it is loaded." in _torque(idle, "right", "t", Plates())


def test_words_beside_curves_are_not_struck_through():
    """A curve that trembles about its limit: the words of limit and mark stand where neither runs, inside the panel."""
    t = np.linspace(0.0, 10.0, 400)
    for peak in (0.4, 5.0, 9.7):
        values = 10.0 + np.sin(9.0 * t) - 5.0 * np.exp(-((t - peak) ** 2))
        picture = Picture("p", 500, 200, "")
        panel = Panel(picture, 40, 10, 440, 160, (0.0, 10.0), (0.0, 60.0))
        panel.curve(t, values, "#000000")
        panel.curve(t, 40.0 + 2.0 * np.sin(t), "#000000")
        lines = list(panel._drawn)
        panel.level(10.0, "enough 10 mm")
        panel.mark(peak, float(values.min()), "6.5 mm left, dead motion taken off")
        for label in ET.fromstring(picture.markup()).iter("text"):
            wide = width_of(label.text, float(label.get("font-size")))
            x, y = float(label.get("x")), float(label.get("y"))
            left = x - wide if label.get("text-anchor") == "end" else x
            box = (left, y - 9.0, left + wide, y + 2.0)
            assert 40 <= box[0]
            assert box[2] <= 480
            assert [_strikes(line, box) for line in lines] == [0.0, 0.0], (peak, label.text)


def test_a_leap_of_a_curve_strikes_what_it_runs_through():
    """A step from 0 to 10 at x = 5 runs through a box that no end of it lies in."""
    step = np.array([[0.0, 0.0], [5.0, 0.0], [5.2, 10.0], [20.0, 10.0]])
    assert _strikes(step, (2.0, 4.0, 9.0, 6.0)) > 0
    assert _strikes(step, (7.0, 4.0, 19.0, 6.0)) == 0
    assert _strikes(step, (30.0, 4.0, 40.0, 6.0)) == 0


def test_axes_of_turned_bases_are_named_inside_the_picture(seedling):
    """Where the upright plane through both bases lies along no axis, its long name has room."""
    picture = Picture("p", WIDTH, 100, "")
    _axes(picture, WIDTH - 64, 50, ("left to right", "z"))
    said = next(text for text in ET.fromstring(picture.markup()).iter("text") if text.text == "left to right")
    assert float(said.get("x")) + width_of("left to right", SMALL) <= WIDTH


def test_clearance_and_current_tell_their_worst(seedling):
    """The smallest gap of each kind and the peak current stand in the pictures."""
    view = routine(seedling, "carry-tray")
    text = words(clearance_picture(view, "c"))
    for kind, gap in view.nearest.items():
        assert f"{kind}: {gap.min() * 1e3:.1f}".rstrip("0").rstrip(".") in text
    assert view.answers.of("clear").margin_text in text
    assert f"left arm, {view.facts.arm_currents[:, 0].max():.1f} A" in words(current_picture(view, "c"))


def test_one_mark_per_jump(seedling):
    """Each jump that is told has a stem."""
    view = routine(seedling, "write-label")
    root = ET.fromstring(jump_picture(view, "j").markup())
    stems = [p for p in root.iter("path") if p.get("stroke-width") == "1.2"]
    assert len(stems) == len(told(view))


def test_bars_are_as_long_as_the_predictions(seedling):
    """Widths of the bars are the predicted distances at one scale, three per pose, the tolerance beside them."""
    view = routine(seedling, "pass-pot")
    (picture,) = bar_pictures(view, "b")
    root = ET.fromstring(picture.markup())
    bars = [float(r.get("width")) for r in root.iter("rect") if r.get("height") == "7"]
    expected = [view.landings[way][n].expected for n in view.poses for way in WAYS]
    assert len(bars) == len(expected)
    scale = np.array(bars) / np.array(expected)
    assert np.ptp(scale) / scale.mean() < 1e-2  # widths are written to a hundredth of a point
    text = words(picture)
    for n in view.poses:
        assert " / ".join(f"{view.landings[way][n].expected * 1e3:.1f}" for way in WAYS) in text


def test_arrows_point_where_the_tcp_lands_and_say_their_factor(seedling):
    """One arrow per pose and way; its shaft runs along the predicted miss seen from above."""
    view = routine(seedling, "carry-tray")
    picture, factor = arrow_picture(view, seedling, "a")
    assert f"{factor:g} × as long" in words(picture)
    root = ET.fromstring(picture.markup())
    shafts = [p.get("d") for p in root.iter("path") if p.get("stroke-width") == "1.5" and p.get("stroke") == "#1f2a24"]
    drawn = [np.array(re.findall(r"-?[\d.]+", d), dtype=float).reshape(-1, 2) for d in shafts]
    directions = [np.diff(d[[0, -1]], axis=0)[0] for d in drawn]
    wanted = [view.landings[way][n].miss[:2] * [1.0, -1.0] for way in WAYS for n in range(len(view.landings["raw"]))]
    wanted = [w for w in wanted if np.linalg.norm(w) * factor > 2e-3]
    for w in wanted:
        w = w / np.linalg.norm(w)
        # Points are written to a tenth, shafts are a few points long: a few degrees at worst.
        assert max(float(d @ w / np.linalg.norm(d)) for d in directions if np.linalg.norm(d) > 1.0) > 0.99


@pytest.mark.parametrize(
    ("longest", "room", "factor"), [(0.01, 0.055, 5.0), (0.001, 0.055, 50.0), (0.2, 0.055, 0.2), (0.0, 1, 1)]
)
def test_exaggeration_is_round_and_fits(longest, room, factor):
    """The factor is 1, 2 or 5 times a power of ten, and no arrow is longer than its room."""
    assert exaggeration(longest, room) == pytest.approx(factor)


def test_room_bar_marks_its_place():
    """From -1 to 3 along the bar: 1 stands in the middle, and more than 3 is shown at its end."""

    def place(room: float) -> float:
        root = ET.fromstring(room_picture(room, "r").markup())
        (mark,) = (p for p in root.iter("path") if p.get("stroke-width") == "3")
        return float(re.findall(r"[\d.]+", mark.get("d"))[0])

    assert place(1.0) == pytest.approx(48.0)
    assert place(-1.0) < place(0.0) < place(3.0) == place(50.0)


def test_hull_of_random_points_as_shapely_has_it():
    """Andrew's chain against shapely; points are taken to 1e-9, which moves the rim by that much."""
    points = np.random.default_rng(1).normal(size=(60, 2))
    found = hull(points)
    assert MultiPoint(points).convex_hull.symmetric_difference(MultiPoint(found).convex_hull).area < 1e-7
    assert len(found) == len(MultiPoint(points).convex_hull.exterior.coords) - 1


def test_bench_picture_shows_a_pass_with_the_thing_between_the_hands(seedling):
    """The moment shown is the first pass; the pot lies midway between both TCPs."""
    view = seedling
    moment = telling(view)
    assert "pass" in moment.words or "carry" in moment.words
    ((thing, X_WO),) = moment.held
    tips = places(view.model.chain, moment.q).X_WT[0, :, :3, 3]
    assert X_WO[:3, 3] == pytest.approx(tips.mean(axis=0) - [0, 0, thing.grip_height], abs=1e-9)
    found = reaches(view.model)
    text = words(bench_picture(view, found, moment))
    for word in ("left arm", "right arm", "table", "compost-crate", "both reach"):
        assert word in text


def test_reach_of_the_pair_is_told_to_a_percent(seedling):
    """A finer grid moves the areas by less than 1 %: the picture's grid is fine enough for its numbers."""
    from handfast.report import bench_picture as module

    coarse = reaches(seedling.model)
    module._STEPS, kept_steps = 90, module._STEPS
    try:
        fine = reaches(seedling.model)
    finally:
        module._STEPS = kept_steps
    assert np.array([*coarse.areas, coarse.shared]) == pytest.approx(np.array([*fine.areas, fine.shared]), rel=0.01)


def test_heaviest_thing_is_one_that_can_be_held(seedling):
    """Neither what two arms carry, nor what is too heavy, is taken for the speeds."""
    assert heaviest(seedling.bench, 1.0).name == "plug-pot"
    assert heaviest(seedling.bench, 0.01).name == "pen"
    assert heaviest(seedling.bench, 0.001) is None


def test_grips_tell_what_is_needed_and_given(seedling):
    """Both hands' curves, the given press as a level, and the answer's own figure at the mark."""
    view = routine(seedling, "pass-pot")
    held = holds(view)
    assert {(h.side, h.thing.name) for h in held} == {("left", "plug-pot"), ("right", "plug-pot")}
    told = words(grip_picture(view, held, "g"))
    answer = next(a for a in view.answers.answers if a.question == "grip")
    assert f"least: {answer.margin_text}" in told
    assert f"given {held[0].given:.2f} N" in told
    assert "plug-pot, right hand: needed" in told


def test_a_carry_shows_its_error_up_to_the_worst_of_the_answer(seedling):
    """The highest point of the expected curves is what `together` says."""
    view = routine(seedling, "carry-tray")
    carries = view.facts.motion.carries
    worst = max(float(relation(view.facts, c).error.max()) for c in carries) * 1e3
    answer = next(a for a in view.answers.answers if a.question == "together")
    assert f"{worst:.1f} mm against each other" in answer.finding.why
    told = words(carry_picture(view, carries, "t"))
    assert f"allowed {view.routine.tolerance_of(carries[0].step) * 1e3:g} mm" in told
    for c in carries:
        assert view.routine.title(c.step) in told


def test_meetings_are_drawn_where_they_are_judged(seedling):
    """Without measured lines `meet` is not asked and nothing is drawn; asked of it, three bars tell three rooms."""
    view = routine(seedling, "pass-pot")
    assert passes(view) == []
    (met,) = meetings(view.facts)
    told = words(meeting_picture(view, [met], "m"))
    for value in met.values:
        assert f"{value * 1e3:.1f} mm" in told
    assert "between the open pads" in told


def test_a_corrected_drawing_is_shown_as_it_is_drawn(seedling):
    """A routine as its file has it holds nothing of what its drawing sends; the page corrects it anew."""
    view = routine(seedling, "write-label")
    stored = without_drawings(correct(view.facts.model, view.routine).routine)
    (shown,) = gather(view.facts.bench, [stored]).routines
    assert shown.facts.corrected
    assert shown.answers.of("miss").margin > 1.5 * view.answers.of("miss").margin
