"""The workbench in a real browser: a newcomer's way from the first page to arms that are stopped, and back."""

from __future__ import annotations

import json
import os
import re
import time

import pytest
from playwright.sync_api import Page, expect

from support.commands import handfast
from support.page import PATIENCE, Served, at_the_seedling_bench, opened, violations


def verdicts(page: Page) -> dict[str, str]:
    """Verdict by question, as the page shows them."""
    words = page.locator(".answer").evaluate_all(
        "all => all.map(a => [a.querySelector('.answer-name').textContent,"
        " a.querySelector('.answer-word').textContent.trim().split(' ').at(-1)])"
    )
    return dict(words)


def test_a_newcomers_way(browser, served, tmp_path):
    """Open, read, change answers by moving a TCP, undo, try a change, run, stop twice; the figures are the
    command line's own."""
    page = opened(browser, served.url)
    at_the_seedling_bench(page)
    done = handfast("check", "pass-pot", "--no-changes", "--json", cwd=tmp_path / "seedling")
    told = json.loads(done.stdout)["routines"][0]["answers"]
    assert verdicts(page) == {answer["question"]: answer["verdict"] for answer in told}
    own = page.evaluate("window.handfast.routine.answers.answers.map(a => [a.question, a.margin, a.room])")
    assert own == [[answer["question"], answer["margin"], answer["room"]] for answer in told]
    before = (tmp_path / "seedling" / "routines" / "pass-pot.toml").read_text()

    # A step is chosen and its TCP moved until answers change; every move is an edit of the file.
    page.locator(".step").first.click()
    rooms = page.evaluate("window.handfast.routine.answers.answers.map(a => a.room)")
    version = page.evaluate("window.handfast.routine.version")
    for _ in range(3):
        page.get_by_role("button", name="TCP back 5 mm along Z").click()
        page.wait_for_function(f"window.handfast.routine?.version > {version}")
        version = page.evaluate("window.handfast.routine.version")
    assert page.evaluate("window.handfast.routine.answers.answers.map(a => a.room)") != rooms
    assert (tmp_path / "seedling" / "routines" / "pass-pot.toml").read_text() != before
    for _ in range(3):
        page.get_by_role("button", name="Undo").click()
        page.wait_for_function(f"window.handfast.routine?.version > {version}")
        version = page.evaluate("window.handfast.routine.version")
    assert (tmp_path / "seedling" / "routines" / "pass-pot.toml").read_text() == before

    # A change that was tried is applied, and the answer is what was foretold.
    page.locator(".answer-line[data-question=miss]").click()
    page.get_by_role("button", name="Try it: correct the routine").click()
    page.wait_for_function(f"window.handfast.routine?.version > {version} && window.handfast.routine.sheet.corrected")
    assert verdicts(page)["miss"] != "fails"

    # The first run is held by a button, which says so again and again; STOP ends it, then Esc does, on a page that
    # holds on to it but has fallen silent.
    for stop in ("button", "key"):
        page.get_by_role("button", name="Run on simulated arms").click()
        hold = page.get_by_role("button", name="Hold down to let it move")
        hold.wait_for()
        hold.dispatch_event("pointerdown")
        page.wait_for_function("window.handfast.live.run?.going && /slowly/.test(window.handfast.live.run.state)")
        page.wait_for_timeout(1000)
        assert "slowly" in page.locator(".run-line").inner_text()
        if stop == "button":
            page.get_by_role("button", name="STOP").click()
        else:
            page.evaluate("""() => {
                const { wire } = window.handfast, ask = wire.ask.bind(wire);
                wire.ask = (what, more) => (what === "hold" ? Promise.resolve({}) : ask(what, more));
            }""")
            page.wait_for_function("/waiting for you/.test(window.handfast.live.run.state)")
            page.keyboard.press("Escape")
        page.wait_for_function("window.handfast.live.run && !window.handfast.live.run.going")
        assert "STOP was pressed" in page.locator(".run-line").inner_text()
    assert page.handfast_errors == []


def test_two_windows_and_a_file_edited_outside(browser, served, tmp_path):
    """The second window watches until it takes the controls; an edit in an editor reaches both."""
    first = opened(browser, served.url)
    at_the_seedling_bench(first)
    second = opened(browser, served.url)
    second.get_by_role("button", name="seedling bench", exact=True).click()
    second.wait_for_function("window.handfast?.routine && window.handfast.motion")
    expect(second.locator(".band")).to_contain_text("Another window holds the controls")
    assert second.get_by_role("button", name="Undo").is_disabled()
    second.get_by_role("button", name="Take the controls").click()
    expect(first.locator(".band")).to_contain_text("Another window holds the controls")
    file = tmp_path / "seedling" / "bench.toml"
    version = first.evaluate("window.handfast.state.version")
    file.write_text(file.read_text() + "\n# a note from outside\n")
    for page in (first, second):
        page.wait_for_function(f"window.handfast.state.version > {version}")
        expect(page.locator(".notes")).to_contain_text("outside")
        assert page.handfast_errors == []
    assert file.read_text().endswith("# a note from outside\n")


def test_a_killed_server_loses_nothing(browser, served, tmp_path):
    """Every edit is in the files; the page says that the link is cut, and comes back by itself without moving."""
    page = opened(browser, served.url)
    at_the_seedling_bench(page)
    page.locator(".step").first.click()
    version = page.evaluate("window.handfast.routine.version")
    page.get_by_role("button", name="Wait 0.5 s after it").click()
    page.wait_for_function(f"window.handfast.routine?.version > {version}")
    text = (tmp_path / "seedling" / "routines" / "pass-pot.toml").read_text()
    page.evaluate("window.stillHere = true")
    served.kill()
    expect(page.locator(".notes")).to_contain_text("cut")
    assert page.get_by_role("button", name="Run on simulated arms").is_disabled()
    port = int(served.url.rsplit(":", 1)[1].strip("/"))
    again = Served(tmp_path, port)
    try:
        expect(page.locator(".notes")).to_contain_text("there again", timeout=PATIENCE)
        page.wait_for_function("window.handfast?.routine && !window.handfast.cut")
        assert (tmp_path / "seedling" / "routines" / "pass-pot.toml").read_text() == text
        assert page.evaluate("window.handfast.live.run") is None
        assert page.evaluate("window.stillHere"), "the page was loaded anew"
    finally:
        again.kill()


@pytest.mark.parametrize(
    ("width", "height", "scheme"),
    [(1366, 768, "light"), (1024, 768, "dark"), (1093, 614, "light"), (1920, 1080, "dark")],
)
def test_nothing_is_cut_off(browser, served, width, height, scheme):
    """No sideways scrolling, STOP in sight, and no words outside their buttons (1093 x 614 is 1366 at 125 %).

    With the longest routine, and its last step chosen: a long sheet scrolls by itself, and takes nothing with it.
    """
    page = opened(browser, served.url, width, height, scheme)
    at_the_seedling_bench(page, "write-label")
    page.locator(".step").last.click()
    page.locator(".answer-line[data-question=miss]").click()
    page.evaluate("document.querySelector('.slot-right').scrollTop = 400")
    if width > 1180:
        assert page.evaluate("document.documentElement.scrollHeight <= innerHeight + 1")
    assert page.locator(".view").bounding_box()["height"] < height
    time.sleep(0.5)
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth + 1")
    box = page.get_by_role("button", name="STOP").bounding_box()
    assert box is not None
    assert box["x"] >= 0
    assert box["y"] >= 0
    assert box["x"] + box["width"] <= width
    assert box["y"] + box["height"] <= height
    cut = page.evaluate(
        "[...document.querySelectorAll('.hf button, .hf select')].filter(b => b.offsetParent"
        " && (b.scrollWidth > b.clientWidth + 2 || b.scrollHeight > b.clientHeight + 2)).map(b => b.textContent)"
    )
    assert cut == []
    assert page.handfast_errors == []


@pytest.mark.parametrize("scheme", ["light", "dark"] if os.environ.get("HANDFAST_SOAK") else ["dark"])
def test_the_page_by_an_open_checker(browser, served, scheme):
    """axe-core on the first page, the bench, a chosen step, an answer laid open, and a run that waits: no violation."""
    page = opened(browser, served.url, scheme=scheme)
    page.get_by_role("button", name="Open the seedling bench").wait_for()
    assert violations(page) == []
    at_the_seedling_bench(page)
    assert violations(page) == []
    page.locator(".step").first.click()
    page.locator(".answer-line[data-question=miss]").click()
    page.get_by_role("button", name="Try it: correct the routine").wait_for()
    assert violations(page) == []
    page.get_by_role("button", name="Run on simulated arms").click()
    page.get_by_role("button", name="Hold down to let it move").wait_for()
    assert violations(page) == []
    page.get_by_role("button", name="STOP").click()
    page.wait_for_function("window.handfast.live.run && !window.handfast.live.run.going")


def test_the_paddle_is_dragged_until_an_answer_fails(browser, served, tmp_path):
    """By mouse: the TCP follows, the answers change when it is dropped, one that held fails; undo brings all back."""
    page = opened(browser, served.url)
    at_the_seedling_bench(page)
    file = tmp_path / "seedling" / "routines" / "pass-pot.toml"
    before, held = file.read_text(), verdicts(page)
    page.locator(".step").first.click()
    page.wait_for_function("window.handfast.picture.paddle && window.handfast.picture.tools")
    version = page.evaluate("window.handfast.routine.version")
    where = "(([x, y]) => ({x, y}))(window.handfast.picture.seen(window.handfast.picture.paddle.position.toArray()))"
    at = page.evaluate(where)
    page.mouse.move(at["x"], at["y"])
    page.mouse.down()
    for k in range(1, 16):
        page.mouse.move(at["x"] - 8 * k, at["y"])
        time.sleep(0.02)
    page.wait_for_function("!window.handfast.picture.dragged || window.handfast.picture.dragged.moved")
    page.mouse.up()
    page.wait_for_function(f"window.handfast.routine?.version > {version}")
    assert file.read_text() != before
    worse = [q for q, word in verdicts(page).items() if word == "fails" and held[q] != "fails"]
    assert worse, verdicts(page)
    version = page.evaluate("window.handfast.routine.version")
    page.get_by_role("button", name="Undo").click()
    page.wait_for_function(f"window.handfast.routine?.version > {version}")
    assert file.read_text() == before
    assert verdicts(page) == held
    assert page.handfast_errors == []


def test_a_machine_that_is_busy_loses_nothing(browser, served):
    """A page that hears and says nothing for a while is not loaded anew under the maker's hands."""
    page = opened(browser, served.url)
    at_the_seedling_bench(page)
    page.locator(".step").first.click()
    version = page.evaluate("window.handfast.routine.version")
    page.evaluate("() => { window.stillHere = true; for (const end = Date.now() + 9000; Date.now() < end;); }")
    time.sleep(3.0)
    page.get_by_role("button", name="TCP back 5 mm along Z").click()
    page.wait_for_function(f"!window.stillHere || window.handfast.routine.version > {version}")
    assert page.evaluate("window.stillHere"), "the page was loaded anew"
    assert page.handfast_errors == []


def test_no_press_is_lost(browser, served):
    """What is pressed is not replaced before it is let go, however often news come; STOP acts when it is pressed."""
    page = opened(browser, served.url)
    at_the_seedling_bench(page)
    page.wait_for_function("window.handfast.routine.tried")
    name = "Show inches, N·m"
    page.evaluate("setInterval(() => window.handfast.draw(), 5)")
    for _ in range(2):
        x, y = page.evaluate(
            "(({x, y}) => [x + 8, y + 8])(document.querySelector('[data-key=units]').getBoundingClientRect())"
        )
        page.mouse.move(x, y)
        page.mouse.down()
        page.wait_for_timeout(60)
        page.mouse.up()
        page.wait_for_timeout(60)
        assert page.evaluate("document.querySelector('[data-key=units]').textContent") != name
        name = page.evaluate("document.querySelector('[data-key=units]').textContent")
    page.evaluate("window.halts = 0; window.handfast.halt = () => (window.halts += 1); 0")
    box = page.get_by_role("button", name="STOP").bounding_box()
    page.mouse.move(box["x"] + 8, box["y"] + 8)
    page.mouse.down()
    assert page.evaluate("window.halts") == 1
    page.mouse.up()
    assert page.handfast_errors == []


def test_the_link_is_cut_in_mid_run(browser, served):
    """The run stops by itself and is not taken up again; the page says what happened, and when it is back."""
    page = opened(browser, served.url)
    at_the_seedling_bench(page)
    page.locator(".answer-line[data-question=miss]").click()
    page.get_by_role("button", name="Try it: correct the routine").click()
    page.wait_for_function("window.handfast.routine.sheet.corrected")
    page.get_by_role("button", name="Run on simulated arms").click()
    page.get_by_role("button", name="Hold down to let it move").dispatch_event("pointerdown")
    page.wait_for_function("window.handfast.live.run?.going && /slowly/.test(window.handfast.live.run.state)")
    page.evaluate("window.handfast.wire.socket.close()")
    expect(page.locator(".notes")).to_contain_text("cut")
    expect(page.locator(".notes")).to_contain_text("there again", timeout=PATIENCE)
    page.wait_for_function("!window.handfast.cut && window.handfast.live.run && !window.handfast.live.run.going")
    assert re.search("link was cut|went away", page.locator(".run-line").inner_text())
    time.sleep(1.0)
    assert not page.evaluate("window.handfast.live.run.going"), "nothing goes on by itself"
    assert page.handfast_errors == []
