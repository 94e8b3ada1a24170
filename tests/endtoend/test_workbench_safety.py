"""The page and arms that move: whoever goes, lets go or presses STOP stops them, wherever the page is scrolled to."""

from __future__ import annotations

import contextlib

import pytest
from playwright.sync_api import expect

from support.at_a_board import Simulation, nodding_bench, upright
from support.page import Served, at_the_seedling_bench, opened, violations

NODS = ((0, 0, 0, 0, 0), (14, 0, 12, 0, 0))
RUN = "window.handfast.live.run"


@contextlib.contextmanager
def at_a_port(tmp_path, nods=NODS):
    """A server for arms at a simulated board, and their bench."""
    bench = nodding_bench(tmp_path / "bench", nods)
    with Simulation(bench.root, "--seed", "3", "--hand", "hand.txt") as simulation:
        served = Served(bench.root, 0, "--arms", simulation.port)
        try:
            yield bench, served
        finally:
            served.kill()


def at_a_run(page, waits=False):
    """A first run of the chosen routine, until it asks to be held down."""
    page.get_by_role("button", name="Run, and wait" if waits else "Run on", exact=False).first.click()
    page.get_by_role("button", name="Hold down to let it move").wait_for()


def test_a_sweep_ends_with_its_page(browser, tmp_path):
    """Another page sees that arms are swept, and Esc there ends it; so does the page that began it when it goes."""
    with at_a_port(tmp_path) as (bench, served):
        first = opened(browser, served.url)
        first.wait_for_function("window.handfast?.motion")

        def sweeps():
            upright(bench)
            first.wait_for_function("!window.handfast.starting.size && !window.handfast.tasks.fit?.going")
            first.evaluate("window.handfast.ask('sweep')")
            first.wait_for_function("window.handfast.reading?.going && window.handfast.reading.sweeps")

        sweeps()
        second = opened(browser, served.url)
        second.wait_for_function("window.handfast?.reading?.going")
        expect(second.locator(".live")).to_contain_text("The arms are being swept")
        second.keyboard.press("Escape")
        second.wait_for_function("!window.handfast.reading.going")
        first.wait_for_function("!window.handfast.reading.going")
        sweeps()
        second.wait_for_function("window.handfast.reading.going")
        first.context.close()
        second.wait_for_function("!window.handfast.reading.going")
        assert second.handfast_errors == []


def test_taking_the_controls_ends_a_sweep(browser, tmp_path):
    """Arms that move by themselves do not go on under somebody else."""
    with at_a_port(tmp_path) as (bench, served):
        first = opened(browser, served.url)
        first.wait_for_function("window.handfast?.motion")
        upright(bench)
        first.evaluate("window.handfast.ask('sweep')")
        first.wait_for_function("window.handfast.reading?.going")
        second = opened(browser, served.url)
        second.get_by_role("button", name="Take the controls").click()
        first.wait_for_function("!window.handfast.reading.going")


def test_hold_to_run_is_let_go_wherever(browser, served):
    """Also where the focus has gone on; another button of the mouse holds nothing; a page that hangs lets go.

    Whoever is at the keys stays there: on the button to hold, and afterwards on nothing that would start it.
    """
    page = opened(browser, served.url)
    at_the_seedling_bench(page)
    page.get_by_role("button", name="Run on simulated arms").focus()
    page.keyboard.press("Enter")
    page.wait_for_function("document.activeElement?.dataset.key === 'hold'")
    waits, goes = f"/waiting for you/.test({RUN}.state)", f"/^slowly/.test({RUN}.state)"
    page.wait_for_function(waits)
    page.keyboard.down("Space")
    page.wait_for_function(goes)
    page.keyboard.press("Tab")
    page.wait_for_function(waits)
    page.keyboard.up("Space")
    assert not page.evaluate("window.handfast.live.holding")
    page.keyboard.press("Shift+Tab")
    page.keyboard.down("Space")
    page.wait_for_function(goes)
    page.keyboard.up("Space")
    page.wait_for_function(waits)
    box = page.locator(".hold").bounding_box()
    page.mouse.move(box["x"] + 20, box["y"] + 20)
    page.mouse.down(button="right")
    page.wait_for_timeout(500)
    assert page.evaluate(waits)
    page.mouse.up(button="right")
    page.mouse.down()
    page.wait_for_function(goes)
    # It hangs for three seconds: the last word that came of it counts for one.
    page.evaluate(f"window.states = []; window.handfast.player.tell = () => states.push({RUN}.state)")
    page.evaluate("() => { for (const end = Date.now() + 3000; Date.now() < end;); }")
    page.wait_for_function("window.states.some((state) => /waiting for you/.test(state))")
    page.mouse.up()
    page.keyboard.press("Escape")
    page.wait_for_function(f"!{RUN}.going")
    assert page.evaluate("document.activeElement.dataset.key || ''") not in ("run", "run-nudges")
    assert page.handfast_errors == []


@pytest.mark.parametrize(("width", "height"), [(390, 844), (683, 384), (1024, 500), (1366, 768)])
def test_stop_stays_in_sight(browser, served, width, height):
    """Wherever a small page is scrolled to while arms move; nothing covers it."""
    page = opened(browser, served.url, width, height)
    at_the_seedling_bench(page)
    at_a_run(page)
    for share in (0.0, 0.5, 1.0):
        page.evaluate(f"scrollTo(0, {share} * document.documentElement.scrollHeight)")
        box = page.get_by_role("button", name="STOP").bounding_box()
        assert box["y"] >= 0
        assert box["y"] + box["height"] <= height
        assert box["x"] + box["width"] <= width
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        assert page.evaluate(f"document.elementFromPoint({x}, {y}).dataset.key") == "stop"
    page.get_by_role("button", name="STOP").click()
    page.wait_for_function(f"!{RUN}.going")


def test_what_is_said_to_fail_is_what_is_refused(browser, served):
    """The answers that hinder a run are those of the routine as it is played, corrected; the words are the page's."""
    page = opened(browser, served.url)
    at_the_seedling_bench(page)
    answers = page.evaluate("window.handfast.routine.answers.answers.map((a) => [a.question, a.verdict])")
    assert ["miss", "fails"] in answers
    assert page.locator(".overrule").count() == 0
    page.locator("#routine").select_option("carry-tray")
    page.wait_for_function("window.handfast.motion?.name === 'carry-tray'")
    assert page.locator(".overrule input").evaluate_all("all => all.map((box) => box.id)") == ["overrule-together"]
    page.get_by_role("button", name="Run on simulated arms").click()
    line = page.locator(".live .run-line")
    expect(line).to_contain_text("together fails")
    words = line.inner_text()
    assert "--" not in words
    assert "handfast" not in words
    assert "\n" in words
    assert page.handfast_errors == []


def test_stop_that_does_not_get_through_is_said_once_and_stays(browser, served, tmp_path):
    """Beside the word that the link is cut, which is said once, too, and goes when the link is there again."""
    page = opened(browser, served.url)
    at_the_seedling_bench(page)
    served.kill()
    cut = page.locator(".note", has_text="The link to handfast was cut")
    cut.wait_for()
    page.get_by_role("button", name="STOP").click()
    stop = page.locator(".note.is-bad", has_text="STOP did not get through")
    expect(stop).to_have_count(1)
    page.wait_for_function("window.handfast.wire.tries > 5")
    expect(cut).to_have_count(1)
    expect(stop).to_have_count(1)
    page.evaluate("for (let n = 0; n < 5; n++) window.handfast.say(`trouble ${n}`, 'bad')")
    expect(stop).to_have_count(1)
    assert page.locator(".notes [role=alert] .note").count() == 4
    again = Served(tmp_path, int(served.url.rsplit(":", 1)[1].strip("/")))
    try:
        expect(page.locator(".notes")).to_contain_text("there again")
        expect(cut).to_have_count(0)
        expect(stop).to_have_count(1)
    finally:
        again.kill()


def test_a_run_is_followed(browser, served):
    """The picture shows where the arms are, the sheet how far they are; the line of words is one node that changes
    with the state alone, and no button is drawn anew meanwhile."""
    page = opened(browser, served.url)
    at_the_seedling_bench(page)
    page.evaluate(
        "window.line = document.querySelector('.live [role=status]'); window.words = [];"
        "new MutationObserver(() => words.push(line.textContent))"
        ".observe(line, {childList: true, characterData: true, subtree: true})"
    )
    at_a_run(page)
    before = page.evaluate("[...window.handfast.picture.q]")
    page.evaluate("window.held = document.querySelector('.hold'); 0")
    box = page.locator(".hold").bounding_box()
    page.mouse.move(box["x"] + 20, box["y"] + 20)
    page.mouse.down()
    page.evaluate("window.handfast.draw()")
    page.wait_for_function("window.handfast.picture.time > 0.1")
    page.mouse.up()
    assert page.evaluate("window.handfast.clock.textContent") != "0.00 s"
    after = page.evaluate("[...window.handfast.picture.q]")
    assert max(abs(a - b) for a, b in zip(before, after, strict=True)) > 0.01
    assert page.evaluate("document.querySelector('.hold') === window.held")
    assert page.evaluate("document.querySelector('.live [role=status]') === window.line")
    words = page.evaluate("window.words")
    assert len(words) == len([w for n, w in enumerate(words) if n == 0 or w != words[n - 1]])
    assert not any(" V," in w for w in words)
    assert " V, " in page.locator(".run-figures").inner_text()
    assert violations(page) == []
    page.get_by_role("button", name="STOP").click()
    page.wait_for_function(f"!{RUN}.going")
    assert page.handfast_errors == []
