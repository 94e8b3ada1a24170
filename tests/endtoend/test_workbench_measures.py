"""The page's other half, in a real browser: rehearse, measure, score, teach, and build a new bench."""

from __future__ import annotations

import json
import os
import re
import tomllib
import urllib.error
import urllib.request

import pytest
from playwright.sync_api import expect

from handfast.bench.folder import BenchFolder, read_bench
from handfast.records.readings import read_readings
from handfast.routine.file import read_routine
from support import simulated
from support.at_a_board import Simulation, nodding_bench
from support.commands import handfast
from support.page import Served, at_the_seedling_bench, opened, violations


def finished(page, kind):
    """Wait for a task; returns what came of it."""
    page.wait_for_function(f"window.handfast.tasks['{kind}']?.going === false")
    assert page.evaluate(f"window.handfast.tasks['{kind}'].error || ''") == ""
    return page.evaluate(f"window.handfast.tasks['{kind}'].result")


def test_rehearse_calibrate_and_score(browser, served, tmp_path):
    """A newcomer's way on from the answers: physics, readings, what they say, and how good it is; all undone."""
    page = opened(browser, served.url)
    at_the_seedling_bench(page)
    page.get_by_role("button", name="Rehearse it", exact=True).click()
    said = finished(page, "rehearse")
    assert said["routine"] == "pass-pot"
    assert said["holding"]
    assert [x["arm"] for x in said["landings"]].count("left") == 5
    words = page.locator(".outcome").inner_text()
    assert ("works" in words) == said["works"]
    assert violations(page) == []

    page.get_by_role("button", name="Measure the bench").click()
    page.wait_for_function("window.handfast.fit")
    assert page.evaluate("window.handfast.fit.readings") == 0
    expect(page.locator(".measure")).to_contain_text("not yet")
    expect(page.locator(".measure")).to_contain_text("Sweep every joint")
    before = page.evaluate("[...window.handfast.picture.q]")
    page.get_by_role("button", name="Show the pose").first.click()
    assert page.evaluate("[...window.handfast.picture.q]") != before
    page.get_by_role("button", name="Let a simulated maker take the standard readings").click()
    found = finished(page, "readings")
    assert found["expected_error_mm"] < found["goal_mm"] < found["expected_error_before_mm"]
    expect(page.locator(".measure")).to_contain_text("good enough")
    expect(page.locator(".measure")).not_to_contain_text("No joint was swept")
    bench = tmp_path / "seedling"
    told = json.loads(handfast("calibrate", "--json", cwd=bench).stdout)
    assert told["expected_error_mm"] == found["expected_error_mm"]
    taught = (bench / "routines" / "pass-pot.toml").read_text()
    page.get_by_role("button", name="Write what was found into the bench").click()
    expect(page.locator("[data-key=calibrate]")).to_be_disabled()
    expect(page.locator(".measure")).to_contain_text("Writing it into the bench")
    page.wait_for_function("window.handfast.fit.last_batch")
    assert (bench / "measured.toml").is_file()
    expect(page.locator(".measure")).to_contain_text("Undo takes it back")
    expect(page.locator(".measure")).not_to_contain_text("Writing it into the bench")
    page.locator("summary", has_text="What was found").click()
    shown = page.locator(".measure table").inner_text()
    assert not [value["key"] for value in found["values"] if value["key"] in shown], "keys of the file, not words"

    page.get_by_role("button", name="Score what it did").click()
    page.get_by_role("button", name="Play it three times").click()
    scored = finished(page, "score arms")
    assert {point["visits"] for point in scored["points"]} == {3}
    again = json.loads(handfast("score", f"scores/{scored['of']}", "--json", cwd=bench).stdout)
    assert again["rms_mm"] == scored["rms_mm"] < 10.0
    assert violations(page) == []
    expect(page.locator(".scored")).not_to_contain_text("Of another routine")
    page.locator("#routine").select_option("carry-tray")
    expect(page.locator(".scored")).to_contain_text("Of another routine: pass-pot")

    page.get_by_role("button", name="Undo").click()
    page.wait_for_function("!window.handfast.state.undo")
    assert not (bench / "measured.toml").exists()
    page.get_by_role("button", name="Calibrate the bench").click()
    expect(page.locator(".measure")).to_contain_text("228 readings")
    expect(page.locator(".measure")).not_to_contain_text("Written into the bench")
    assert (bench / "routines" / "pass-pot.toml").read_text() == taught
    assert page.handfast_errors == []


def test_files_are_handed_in(browser, served, tmp_path):
    """What can be read is kept and used; what cannot is refused in words, and nothing of it is left."""
    page = opened(browser, served.url)
    console = []
    page.on("console", lambda line: console.append(line.text) if line.type == "error" else None)
    at_the_seedling_bench(page)
    bench = tmp_path / "seedling"
    page.get_by_role("button", name="Measure the bench").click()
    page.get_by_role("button", name="Score what it did").click()
    rows = "\n".join(f"a,100,0,50,{100 + i / 10},0.2,49.{i}" for i in range(1, 5))
    good = tmp_path / "mine.csv"
    good.write_text("point,at_x_mm,at_y_mm,at_z_mm,x_mm,y_mm,z_mm\n" + rows + "\n")
    page.locator("#hand-in-points").set_input_files(good)
    said = finished(page, "score points")
    assert said["points"][0]["AP_mm"] > 0.5
    assert (bench / "scores" / "mine.csv").read_text() == good.read_text()
    bad = tmp_path / "bad.csv"
    bad.write_text("point,x\na,1\n")
    page.locator("#hand-in-points").set_input_files(bad)
    expect(page.locator(".note.is-bad")).to_contain_text("bad.csv")
    assert not (bench / "scores" / "bad.csv").exists()
    assert console == [], "a file that is refused is no fault of the page"
    page.get_by_role("button", name="Vet the servos").click()
    page.get_by_role("button", name="Try it with twelve invented servos").click()
    vetted = finished(page, "vet arms")
    assert sum(vetted["counts"].values()) == 12
    expect(page.locator(".measure tbody tr")).to_have_count(12)
    assert violations(page) == []

    # Not by a stranger: another window that does not hold the controls, or another site's page.
    def post(viewer, **headers):
        request = urllib.request.Request(f"{served.url}hand-in/{viewer}/points/x.csv", good.read_bytes(), headers)
        try:
            return urllib.request.urlopen(request).status
        except urllib.error.HTTPError as error:
            return error.code

    you = page.evaluate("window.handfast.you")
    assert post(you + 1) == 422
    assert post(you, Origin="http://elsewhere.example") == 403
    assert not (bench / "scores" / "x.csv").exists()
    assert page.handfast_errors == []


def test_taught_by_hand_in_the_page(browser, served, tmp_path):
    """Poses come to the sheet as they are stored, with lamp and sound; the routine is there when it ends."""
    page = opened(browser, served.url)
    at_the_seedling_bench(page)
    page.locator("details.teaching summary").click()
    page.get_by_label("Name of the routine").fill("taught")
    page.get_by_role("button", name="Begin to teach").click()
    page.wait_for_function("window.handfast.teaching?.going && window.handfast.teaching.q_deg")
    assert page.get_by_role("button", name="Run on simulated arms").is_disabled()
    assert violations(page) == []
    # The maker's own lead, by a button and by the paddle.
    page.evaluate(
        "window.levels = []; setInterval(() => window.levels.push(Number(window.handfast.teaching.lamp)), 20)"
    )
    before = page.evaluate("window.handfast.teaching.q_deg.left")
    page.get_by_role("button", name="lead the TCP on 20 mm along Y").click()
    page.wait_for_function("window.handfast.teaching.told.length === 1")
    expect(page.locator(".told li")).to_have_attribute("data-words", "left pose")
    assert page.evaluate("window.handfast.teaching.q_deg.left") != before
    where = "window.handfast.picture.seen(window.handfast.picture.paddle.position.toArray())"
    x, y = page.evaluate(where)
    page.mouse.move(x, y)
    page.mouse.down()
    for k in range(1, 13):
        page.mouse.move(x + 4 * k, y - 2 * k)
        page.wait_for_timeout(30)
    page.mouse.up()
    page.wait_for_function("window.handfast.teaching.told.length === 2")
    expect(page.locator(".told li")).to_have_count(2)
    # A simulated hand goes through a routine's poses.
    page.get_by_role("button", name="Lead it through").click()
    page.wait_for_function("window.handfast.teaching.told.length >= 5")
    assert "right grip plug-pot" in page.evaluate("window.handfast.teaching.told.map(t => t.words)")
    levels = page.evaluate("window.levels")
    assert min(levels) == 0
    assert max(levels) > 150
    assert page.evaluate("window.handfast.sounder.played").count(1) >= 4
    page.get_by_role("button", name="Take the last one back").click()
    page.wait_for_function("/taken back/.test(window.handfast.teaching.said)")
    assert "undo" not in page.evaluate("window.handfast.teaching.told.map(t => t.words)")
    page.get_by_role("button", name="End, and write the routine").click()
    page.wait_for_function("window.handfast.routine?.name === 'taught' && window.handfast.motion")
    folder = BenchFolder(tmp_path / "seedling")
    routine = read_routine(folder.routines / "taught.toml", read_bench(folder))
    assert [step.do for step in routine.steps][:2] == ["go", "go"]
    assert routine.steps[0].left is not None
    assert page.handfast_errors == []

    # STOP ends it, too; what was recorded stays.
    page.get_by_label("Name of the routine").fill("second")
    page.get_by_role("button", name="Begin to teach").click()
    page.wait_for_function("window.handfast.teaching?.going && window.handfast.teaching.name === 'second'")
    page.get_by_role("button", name="STOP").click()
    page.wait_for_function("!window.handfast.teaching.going")
    assert (folder.recordings / "second.csv").is_file()
    # The arms in the picture stand where the clock says, not where they were let go.
    stands, says = page.evaluate(
        "(({picture: p, motion: m}) => [[...p.q], [...m.q.slice(0, m.joints)]])(window.handfast)"
    )
    assert page.evaluate("window.handfast.picture.time") == 0
    assert stands == pytest.approx(says)


def test_a_bench_is_built_step_by_step(browser, served, tmp_path):
    """Size, arms, table, things; a figure that cannot be is refused in words, and nothing is left half done."""
    page = opened(browser, served.url)
    page.get_by_role("button", name="Build it step by step").click()
    assert violations(page) == []
    page.get_by_label("Name of its folder").fill("../x")
    page.get_by_role("button", name="Go on").click()
    expect(page.locator(".note.is-bad")).to_contain_text("no name for a folder")
    expect(page.locator(".build h2")).to_contain_text("Name and size")
    page.get_by_label("Name of its folder").fill("my-bench")
    page.get_by_label("Joints of the left arm").fill("4")
    on = page.get_by_role("button", name="Go on")
    on.click()
    expect(page.locator(".build h2")).to_contain_text("left arm")
    page.locator("#build-arms-left-joint-1-offset_mm").fill("0, 0, 33")
    page.locator("#build-arms-left-joint-0-servo").select_option("high-torque")
    page.locator("#build-arms-left-joint-1-mass_g").fill("-4")
    assert violations(page) == []
    on.click()
    expect(page.locator(".note.is-bad")).to_contain_text("-4 is out of range")
    expect(page.locator(".build h2")).to_contain_text("left arm")
    page.locator("#build-arms-left-joint-1-mass_g").fill("60,5")
    on.click()
    expect(page.locator(".build h2")).to_contain_text("right arm")
    on.click()
    expect(page.locator(".build h2")).to_contain_text("stand on the table")
    page.locator("#build-arms-left-base_mm").fill("-200, 0")
    page.keyboard.press("Tab")
    on.click()
    expect(page.locator(".build h2")).to_contain_text("stand on the table")
    page.locator("#build-arms-left-base_mm").fill("-9000; 0,5; 0")
    page.keyboard.press("Tab")
    expect(page.locator(".build .band")).to_contain_text("left base stands")
    plan, spot = (page.locator(f".plan{part}").first.bounding_box() for part in ("", " circle"))
    assert plan["x"] <= spot["x"]
    assert spot["x"] + spot["width"] <= plan["x"] + plan["width"]
    page.reload()  # nothing that was filled in is lost
    expect(page.locator(".build h2")).to_contain_text("stand on the table")
    assert page.locator("#build-arms-left-base_mm").input_value() == "-9000, 0.5, 0"
    page.locator("#build-arms-left-base_mm").fill("-200, 0, 0")
    page.keyboard.press("Tab")
    on.click()
    page.get_by_role("button", name="Add it").click()
    page.locator("#build-thing-pot-mass_g").fill("-5")
    page.keyboard.press("Tab")
    on.click()
    expect(page.locator(".note.is-bad")).to_contain_text("mass_g")
    expect(page.locator(".build h2")).to_contain_text("What the arms handle")
    assert not (tmp_path / "my-bench").exists()
    page.locator("#build-thing-pot-mass_g").fill("90")
    page.keyboard.press("Tab")
    on.click()
    expect(page.locator(".build h2")).to_contain_text("Lay it down")
    assert page.locator(".note.is-bad").count() == 0
    page.get_by_role("button", name="Lay it down").click()
    page.wait_for_function("window.handfast.bench")
    expect(page.locator(".sheet")).to_contain_text("no routine yet")
    made = tomllib.loads((tmp_path / "my-bench" / "bench.toml").read_text())
    assert len(made["arms"]["left"]["joint"]) == 4
    assert made["arms"]["left"]["joint"][1]["offset_mm"] == [0, 0, 33]
    assert made["arms"]["left"]["joint"][1]["mass_g"] == 60.5
    assert made["arms"]["left"]["joint"][0]["servo"] == "high-torque"
    assert made["arms"]["left"]["base_mm"] == [-200, 0, 0]
    assert made["thing"]["pot"]["mass_g"] == 90
    assert page.handfast_errors == []


@pytest.mark.parametrize("kind", ["python", "firmware"] if os.environ.get("HANDFAST_SOAK") else ["python"])
def test_the_arms_at_a_port(browser, tmp_path, kind):
    """`handfast open --arms PORT`: a maker's hands teach at the board, and the page runs it there and stops it."""
    bench = nodding_bench(tmp_path / "bench", ((0, 0, 0, 0, 0), (14, 0, 12, 0, 0), (-14, 0, 12, 0, 0)))
    words = ["--seed", "3", "--hand", "hand.txt"]
    if kind == "firmware":
        simulated.build()
        words.append("--firmware")
    with Simulation(bench.root, *words) as simulation:
        served = Served(bench.root, 0, "--arms", simulation.port)
        try:
            page = opened(browser, served.url)
            page.wait_for_function("window.handfast?.bench && window.handfast.arms")
            expect(page.locator(".live")).to_contain_text(simulation.port)
            page.locator("details.teaching summary").click()
            page.get_by_role("button", name="Begin to teach").click()
            page.wait_for_function("window.handfast.teaching?.going && window.handfast.teaching.q_deg")
            assert page.get_by_role("button", name="Lead it through").count() == 0
            for number, angles in enumerate(((-15, -10, 60, 40, 0), (10, -5, 80, 30, 0)), 1):
                with (bench.root / "hand.txt").open("a") as file:
                    file.write("0 left joints 900 " + " ".join(map(str, angles)) + "\n")
                page.wait_for_function(f"window.handfast.teaching.told.length >= {number}")
            page.get_by_role("button", name="End, and write the routine").click()
            page.wait_for_function("window.handfast.routine?.name === 'taught' && window.handfast.motion")
            with (bench.root / "hand.txt").open("a") as file:
                file.write("0 left free\n")
            page.locator("#routine").select_option("nod")
            page.wait_for_function("window.handfast.routine?.name === 'nod' && window.handfast.motion")
            page.get_by_role("button", name="Run on the arms").click()
            page.get_by_role("button", name="Hold down to let it move").dispatch_event("pointerdown")
            page.wait_for_function("window.handfast.live.run?.going && /slowly/.test(window.handfast.live.run.state)")
            page.get_by_role("button", name="STOP").click()
            page.wait_for_function("!window.handfast.live.run.going")
            assert "STOP was pressed" in page.locator(".live .run-line").inner_text()
            assert page.handfast_errors == []
        finally:
            served.kill()


def test_readings_at_a_port(browser, tmp_path):
    """Somebody at the page says what is read at limp arms; what does not fit is refused, and STOP ends it all."""
    bench = nodding_bench(tmp_path / "bench", ((0, 0, 0, 0, 0), (14, 0, 12, 0, 0)))

    def led(*angles):
        with (bench.root / "hand.txt").open("a") as file:
            file.write("0 left joints 700 " + " ".join(map(str, angles)) + "\n")

    def last_is(words):
        page.wait_for_function(f"/{words}/.test(window.handfast.reading.said.at(-1))")

    with Simulation(bench.root, "--seed", "3", "--hand", "hand.txt") as simulation:
        served = Served(bench.root, 0, "--arms", simulation.port)
        try:
            page = opened(browser, served.url)
            page.wait_for_function("window.handfast?.bench && window.handfast.arms")
            page.get_by_role("button", name="Measure the bench").click()
            page.get_by_text("Calibrate the bench").first.click()
            page.wait_for_function("window.handfast.fit && !window.handfast.tasks.fit?.going")
            page.get_by_role("button", name="Take readings at the arms").click()
            page.wait_for_function("window.handfast.reading?.going")
            last_is("ready")
            assert violations(page) == []
            assert page.get_by_role("button", name="Run on the arms").is_disabled()
            led(0, 20, 20, 20, 0)
            page.locator("#read-of").select_option("left elbow")
            page.locator("#read-0").fill("45")
            page.wait_for_timeout(1500)
            page.get_by_role("button", name="Read this").click()
            last_is("hold the left arm still")
            led("-", "-", 45, "-", "-")
            last_is("reading 1 kept: gauge left elbow 45")
            page.locator("#read-0").fill("high")
            page.get_by_role("button", name="Read this").click()
            last_is("does not fit")
            page.locator("#read-kind").select_option("pull")
            page.locator("#read-0").fill("2.1")
            page.locator("#read-1").fill("80")
            page.get_by_role("button", name="Read this").click()
            last_is("reading 2 kept: pull left elbow 2.1 80")
            page.get_by_role("button", name="Take the last one back").click()
            last_is("1 are kept")
            page.get_by_role("button", name="What helps most now?").click()
            expect(page.locator(".reading")).to_contain_text("its answer is worked out")
            page.wait_for_function("window.handfast.reading.said.some((line) => /what helps most/.test(line))")
            expect(page.locator(".reading")).not_to_contain_text("its answer is worked out")
            page.get_by_role("button", name="STOP").click()
            page.wait_for_function("!window.handfast.reading.going")
            page.wait_for_function("window.handfast.fit.readings === 1")
            (path,) = (bench.root / "readings").glob("*.toml")
            assert len(read_readings(path, read_bench(bench)).gauges) == 1
            page.wait_for_function("!window.handfast.tasks.fit?.going")
            for words, seconds in (("joints 500 0 0 0 0 0", 1.5), ("free", 0.0)):
                with (bench.root / "hand.txt").open("a") as file:
                    file.write(f"0 left {words}\n0 right {words}\n")
                page.wait_for_timeout(1e3 * seconds)
            page.get_by_role("button", name="Sweep every joint").click()
            page.wait_for_function("window.handfast.reading?.going && window.handfast.reading.sweeps")
            page.wait_for_timeout(2500)
            page.get_by_role("button", name="STOP").click()
            page.wait_for_function("!window.handfast.reading.going")
            assert "stopped by you" in page.evaluate("window.handfast.reading.ended")
            assert page.handfast_errors == []
        finally:
            served.kill()


def waiting_at_marks(browser, served):
    """A page in which the routine `nod` runs and waits at its poses, whatever fails."""
    page = opened(browser, served.url)
    page.wait_for_function("window.handfast?.bench")
    page.locator("#routine").select_option("nod")
    page.wait_for_function("window.handfast.routine?.name === 'nod' && window.handfast.motion")
    for box in page.locator(".overrule input").all():
        box.check()
    page.get_by_role("button", name="Run, and wait at each pose").click()
    return page


def test_marks_are_nudged_in_the_page(browser, tmp_path):
    """A run that waits at its poses: buttons move a TCP, its mark is learned from, the page shows the bench anew."""
    bench = nodding_bench(tmp_path / "bench", ((0, 40, 40, 20, 0), (8, 46, 34, 20, 0)))
    served = Served(bench.root, 0)
    try:
        page = waiting_at_marks(browser, served)

        def hold():
            page.get_by_role("button", name="Hold down to let it move").dispatch_event("pointerdown")

        hold()
        said = "window.handfast.live.run?.said?.some((line) => /{}/.test(line))"
        page.wait_for_function(said.format("left arm, step 1 .*is its TCP on the mark"))
        assert violations(page) == []
        page.get_by_role("button", name="x forth").click()
        page.wait_for_function(said.format("[+]0.5 [+]0.0 [+]0.0 mm"))
        hold()
        page.get_by_role("button", name="On its mark").click()
        hold()
        page.wait_for_function(said.format("mark 1: its poses were foreseen"))
        page.wait_for_function(said.format("left arm, step 2 .*is its TCP on the mark"))
        page.get_by_role("button", name="Leave out all others").click()
        hold()
        page.wait_for_function("!window.handfast.live.run.going")
        assert "learned from 1 mark" in page.locator(".live").inner_text()
        page.wait_for_function("!!window.handfast.state.undo")
        assert len(read_readings(bench.root / "readings" / "nudges.toml", read_bench(bench)).landings) == 1
        assert page.handfast_errors == []
    finally:
        served.kill()


def test_marks_outlive_a_stop(browser, tmp_path):
    """A press is answered before it is carried out; STOP ends the run, and what was marked by then is learned."""
    bench = nodding_bench(tmp_path / "bench", ((0, 40, 40, 20, 0), (8, 46, 34, 20, 0)))
    served = Served(bench.root, 0)
    try:
        page = waiting_at_marks(browser, served)
        page.get_by_role("button", name="Hold down to let it move").dispatch_event("pointerdown")
        said = "window.handfast.live.run?.said?.some((line) => /{}/.test(line))"
        page.wait_for_function(said.format("left arm, step 1 .*is its TCP on the mark"))
        page.evaluate(
            "window.heard = []; window.handfast.player.tell = () => heard.push(window.handfast.live.run.heard);"
            "for (const key of ['x', 'x', 'z']) document.querySelector(`[data-key=nudge-${key}]`).click()"
        )
        page.wait_for_function("window.heard.some((line) => /x forth 2 times|z forth/.test(line))")
        page.wait_for_function(said.format("[+]1.0 [+]0.0 [+]0.5 mm"))
        page.get_by_role("button", name="On its mark").click()
        page.get_by_role("button", name="Hold down to let it move").dispatch_event("pointerdown")
        page.wait_for_function(said.format("mark 1: its poses were foreseen"))
        page.evaluate("delete window.handfast.player.tell")
        page.get_by_role("button", name="STOP").click()
        page.wait_for_function("!window.handfast.live.run.going")
        words = page.locator(".live").inner_text()
        assert "STOP was pressed" in words
        assert "nod: learned from 1 mark" in words
        assert len(read_readings(bench.root / "readings" / "nudges.toml", read_bench(bench)).landings) == 1
        page.wait_for_function("!!window.handfast.state.undo")
        assert page.handfast_errors == []
    finally:
        served.kill()


def test_what_fails_is_not_played_unless_told(browser, served):
    """A run is refused with the answer that fails; the maker may overrule that one answer."""
    page = opened(browser, served.url)
    at_the_seedling_bench(page, "carry-tray")
    page.get_by_role("button", name="Run on simulated arms").click()
    page.wait_for_function("window.handfast.live.run && !window.handfast.live.run.going")
    assert "together" in page.locator(".live .run-line").inner_text()
    page.get_by_label("overrule together").check()
    page.get_by_role("button", name="Run on simulated arms").click()
    page.get_by_role("button", name="Hold down to let it move").wait_for()
    page.get_by_role("button", name="STOP").click()
    page.wait_for_function("!window.handfast.live.run.going")
    assert "STOP was pressed" in page.locator(".live .run-line").inner_text()
    assert page.handfast_errors == []


def test_what_is_shown_says_what_it_is_of(browser, served, tmp_path):
    """A rehearsal, a run and a bench that cannot be read: nothing of them stands under another routine's name."""
    page = opened(browser, served.url)
    at_the_seedling_bench(page, "write-label")
    page.get_by_role("button", name="Rehearse it", exact=True).click()
    said = finished(page, "rehearse")
    (event,) = [event for event in said["events"] if event["kind"] == "line broken"]
    assert f"step {event['step']} (" in event["what"]
    outcome = page.locator(".outcome")
    expect(outcome.get_by_role("button", name=f"Show step {event['step']} (")).to_be_visible()
    expect(outcome).not_to_contain_text("Of another routine")
    page.locator("summary", has_text="Where poses landed").click()
    page.evaluate("window.handfast.draw()")
    expect(page.locator(".outcome details[open]")).to_have_count(1)
    assert outcome.evaluate("at => at.scrollWidth <= at.clientWidth + 1")
    page.locator("#routine").select_option("carry-tray")
    expect(outcome).to_contain_text("Of another routine: write-label")
    page.wait_for_function("window.handfast.routine?.name === 'carry-tray' && window.handfast.motion")
    page.get_by_role("button", name="Run on simulated arms").click()
    page.wait_for_function("window.handfast.live.run && !window.handfast.live.run.going")
    expect(page.locator(".live .run-line")).to_be_visible()
    page.locator("#routine").select_option("pass-pot")
    page.wait_for_function("window.handfast.routine?.name === 'pass-pot' && window.handfast.motion")
    assert page.evaluate("window.handfast.live.run") is None
    file = tmp_path / "seedling" / "bench.toml"
    text = file.read_text()
    file.write_text(text.replace("mass_g = ", "mass_g = -", 1))
    expect(page.locator(".band.is-bad")).to_contain_text("mass_g")
    expect(page.locator(".slot-left")).to_contain_text("come back as soon as the bench can be read")
    assert page.locator(".hf").inner_text().count("mass_g") == 1
    expect(page.locator(".note").last).to_contain_text("cannot be read as it stands now")
    file.write_text(text)
    page.wait_for_function("window.handfast.routine")
    page.get_by_role("button", name="Show inches").click()
    page.locator(".answer-line[data-question=miss]").click()
    assert " mm" not in page.locator("#answer-miss").inner_text()
    assert not re.search(r"\d, ", page.locator("#answer-miss p").nth(1).inner_text()), "a figure without its unit"
    assert page.handfast_errors == []
