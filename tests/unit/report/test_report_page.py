"""The page as a whole: one file, well formed, true to the answers, for any bench."""

import re
import xml.etree.ElementTree as ET
from dataclasses import replace

import html5lib
import numpy as np
import pytest

from handfast.answers.ask import ask
from handfast.answers.facts import facts_of
from handfast.bench.new import new_bench
from handfast.desk import work
from handfast.mechanics.capacity import most_load
from handfast.report.bench_picture import reaches
from handfast.report.first_sheet import can_and_cannot, change_first, grams
from handfast.report.gather import WAYS
from handfast.report.page import page


def tree(text: str) -> ET.Element:
    """The page as XML, which HTML of this kind also is."""
    return ET.fromstring(text.removeprefix("<!DOCTYPE html>\n"))


def spoken(element: ET.Element) -> str:
    """All text in an element, spaces made equal."""
    return " ".join("".join(element.itertext()).replace("\N{NO-BREAK SPACE}", " ").split())


def check_whole(text: str) -> ET.Element:
    """Valid HTML by html5lib's strict parser, well formed, self-contained, every reference met, every id single."""
    html5lib.HTMLParser(strict=True).parse(text)
    root = tree(text)
    assert "http" not in text
    for word in ("<script", "src=", "@import", "<link", "<iframe", "javascript:"):
        assert word not in text
    ids = [e.get("id") for e in root.iter() if e.get("id")]
    assert len(ids) == len(set(ids))
    asked = set(re.findall(r"url\(#([^)]+)\)", text)) | {a.get("href").removeprefix("#") for a in root.iter("a")}
    assert asked <= set(ids)
    for picture in root.iter("svg"):
        assert picture.find("title") is not None
        numbers = [float(x) for x in picture.get("viewBox").split()]
        assert np.all(np.isfinite(numbers))
    assert not re.search(r'[" ,MLHV](nan|inf|-inf)\b', " ".join(e.get("d") or "" for e in root.iter("path")))
    for figure in root.iter("figure"):
        assert len(spoken(figure.find("figcaption"))) > 20
    return root


def test_page_is_whole(seedling_page):
    """The seedling bench's page stands by itself."""
    check_whole(seedling_page)


def test_order_of_the_sheets(seedling_page):
    """What it can and cannot do first, then the bench, each routine, the pose store, and last the cautions."""
    found = [s.get("id") for s in tree(seedling_page).iter("section")]
    assert found == ["pair", "bench", "routine-1", "routine-2", "routine-3", "poses", "cautions"]
    root = tree(seedling_page)
    assert root.find(".//h1").text == "What this pair can and cannot do"
    heads = [spoken(h) for h in root.find(".//section[@id='routine-1']").iter("h3")]
    assert heads == [
        "Sheet", "Answers", "Torque", "Clearance and current", "Hands", "Landing", "Dead motion", "Jumps",
    ]  # fmt: skip


def test_same_bench_same_page(seedling, seedling_page):
    """Nothing random and no date is in it."""
    assert page(seedling) == seedling_page


def test_answers_are_those_of_check(seedling, seedling_page):
    """Every margin, verdict, reason and change on the page is what asking the questions afresh says."""
    root = tree(seedling_page)
    for k, view in enumerate(seedling.routines):
        afresh = ask(facts_of(seedling.bench, view.routine))
        section = root.find(f".//section[@id='routine-{k + 1}']")
        rows = {row.find("th").text: row for row in section.findall(".//table[@class='answers']/tbody/tr")}
        assert set(rows) == {a.question for a in afresh.answers}
        for answer in afresh.answers:
            text = spoken(rows[answer.question])
            assert answer.verdict in text
            assert answer.margin_text in text
            assert f"room {answer.room:.2f}" in text
            assert " ".join(answer.finding.why.split()) in text
            for change in answer.changes if answer.verdict != "holds" else ():
                assert change.words in text
                assert f"(room {change.room:.2f})" in text


def test_first_sheet_numbers_are_the_model_s(seedling, seedling_page):
    """Reach, loads, landings and worst answers on the first sheet are those of the rooms that compute them."""
    text = spoken(tree(seedling_page).find(".//section[@id='pair']"))
    for arm in seedling.arms:
        assert f"{arm.reach * 1e3:.0f} mm" in text
        assert grams(most_load(seedling.model, arm.side, arm.full.q, 1.5).amount) in text
        assert grams(most_load(seedling.model, arm.side, arm.half.q, 1.5).amount) in text
        for speed in arm.speeds.values():
            assert f"{speed.amount * 1e3:.0f} mm/s" in text
    for way in WAYS:
        assert f"{np.median(seedling.missing(way)) * 1e3:.1f} mm" in text
        assert f"{seedling.missing(way).max() * 1e3:.1f} mm" in text
    found = reaches(seedling.model)
    assert f"share {found.shared * 1e4:.0f} cm²" in text
    for view in seedling.routines:
        assert f"{view.answers.worst.question} {view.answers.worst.verdict} {view.answers.worst.margin_text}" in text
        assert " ".join(change_first(view.answers).split()) in text


def test_landings_are_those_of_the_correct_command(seedling, seedling_folder):
    """Raw, trimmed and corrected, pose by pose, as `handfast correct` prints them."""
    desk = work.open_bench(seedling_folder.root, seedling_folder.root)
    for view in seedling.routines:
        rows = work.landings(desk, view.routine)
        for way in WAYS:
            told = [getattr(row, way).expected for row in rows]
            assert [landing.expected for landing in view.landings[way]] == pytest.approx(told, rel=1e-9)


def test_landing_gets_better_from_way_to_way(seedling):
    """On the demonstration bench: corrected in the middle below trimmed, trimmed below raw."""
    raw, trimmed, corrected = (float(np.median(seedling.missing(way))) for way in WAYS)
    assert corrected < trimmed < raw


def test_invented_and_unmeasured_are_said(seedling_page):
    """A page for showing others says where its figures come from."""
    text = spoken(tree(seedling_page).find(".//section[@id='pair']"))
    assert "invented for a demonstration" in text
    assert "Nothing has been measured on this bench yet" in text


def test_pose_store_lists_every_taught_pose(seedling, seedling_page):
    """Held, let go or unknown, and the directions, for each taught pose and path."""
    section = tree(seedling_page).find(".//section[@id='poses']")
    rows = section.findall(".//tbody/tr")
    stored = [t for v in seedling.routines for s in v.routine.steps for t in (s.left, s.right) if t is not None]
    assert len(rows) == len(stored)
    for row, taught in zip(sorted(rows, key=spoken), sorted(rows, key=spoken), strict=True):
        assert spoken(row) == spoken(taught)
    words = [spoken(row.findall("td")[1]) for row in rows]
    assert {w: words.count(w) for w in set(words)} == {
        h: sum(t.held == h for t in stored) for h in {t.held for t in stored}
    }


def test_cautions_stand_last_and_defer(seedling, seedling_page):
    """Figures of the standards, the bench's own fastest motion, and that local codes go first."""
    text = spoken(tree(seedling_page).findall(".//section")[-1])
    for said in (
        "25 mm",
        "100 mm",
        "250 mm/s",
        "ISO 13854",
        "ISO 10218-1",
        "IEC 60204-1",
        "no conformity",
        "Local codes",
    ):
        assert said in text
    assert f"{seedling.fastest * 1e3:.0f} mm/s" in text


@pytest.mark.parametrize(("left", "right", "side_by_side"), [(4, 4, True), (6, 5, False), (7, 4, False)])
def test_benches_of_other_arms(tmp_path, make_view, make_routine, left, right, side_by_side):
    """Arms of 4 to 7 joints, unlike, opposed or side by side, no things, no boxes: first bare, then with a routine."""
    folder = new_bench(tmp_path / "bench", left, right, side_by_side)
    bare = check_whole(page(make_view(folder)))
    assert "no routine yet" in spoken(bare.find(".//section[@id='pair']"))
    assert [s.get("id") for s in bare.iter("section")] == ["pair", "bench", "cautions"]
    make_routine(folder, "plain")
    view = make_view(folder)
    root = check_whole(page(view))
    panels = spoken(root.find(".//section[@id='routine-1']"))
    for side in ("left", "right"):
        for joint in view.bench.arm(side).joints:
            assert f"{joint.name}, {joint.servo_name}" in panels
    for arm in view.arms:
        assert arm.full is not None
        assert arm.half is not None


def test_what_cannot_be_reached_is_said_before_the_pictures(tmp_path, make_view, make_routine):
    """A pose past a stop: the page says so, the answer fails, and the pictures are still whole."""
    folder = new_bench(tmp_path / "bench", 5, 5)
    make_routine(folder, "too-far", beyond=25.0)
    view = make_view(folder)
    root = check_whole(page(view))
    text = spoken(root.find(".//section[@id='routine-1']"))
    assert view.routines[0].answers.of("reach").verdict == "fails"
    assert "reach" in next(line for line in can_and_cannot(view, reaches(view.model))[1] if "too-far" in line)
    assert text.index("Not all of it can be done") < text.index("Plate 2")


def test_names_that_need_care(tmp_path, make_view, make_routine):
    """Markup, quotes, control signs, long words and other scripts in names neither break nor widen the page."""
    folder = new_bench(tmp_path / "bench", 4, 5)
    text = folder.file.read_text(encoding="utf-8")
    text = text.replace('name = "bench"', 'name = "<b>Bench</b> & \\"co\\" \\u0001 双臂 ' + "w" * 300 + '"', 1)
    text += '\n[thing."a-thing-with-quite-a-long-name-and-<signs>"]\nsize_mm = [300, 300, 300]\nmass_g = 9000\n'
    text += "grip_width_mm = 300\n"
    folder.file.write_text(text, encoding="utf-8")
    make_routine(folder, "an-unreasonably-long-name-of-a-routine-" * 4, "a-thing-with-quite-a-long-name-and-<signs>")
    root = check_whole(page(make_view(folder)))
    assert "<b>Bench</b>" in spoken(root.find(".//title"))
    assert "wider than the 60 mm to which the pads open: a-thing" in spoken(root.find(".//section[@id='pair']"))


def test_many_routines_are_told_in_one_line(tmp_path, make_view, make_routine):
    """Ten routines (ten times the same): the lists on the first sheet stay short, the table has a line for each."""
    folder = new_bench(tmp_path / "bench", 5, 5)
    make_routine(folder, "routine-x", steps=1)
    view = make_view(folder)
    view = replace(view, routines=view.routines * 10)
    root = check_whole(page(view))
    can, cannot = can_and_cannot(view, reaches(view.model))
    assert sum("routine-" in line for line in can + cannot) <= 5
    lines = [spoken(a) for a in root.findall(".//section[@id='pair']//a")]
    assert lines == [v.routine.name for v in view.routines]
