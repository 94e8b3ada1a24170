"""Edits in the workbench's page, pressed as people press: quickly, twice, with a comma, or not at all well."""

from __future__ import annotations

import tomllib

import pytest
from playwright.sync_api import Page, expect

from support.page import at_the_seedling_bench, opened

IDLE = "!window.handfast.edits.going && !window.handfast.edits.waiting.length"
STEPS = "window.handfast.routine.sheet.steps"


def at_step(page: Page, number: int, routine: str = "pass-pot") -> None:
    """The seedling bench with one step chosen."""
    at_the_seedling_bench(page, routine)
    page.locator(f".step[data-step='{number}']").first.click()


def settled(page: Page) -> None:
    """Wait until all edits are written."""
    page.wait_for_timeout(60)
    page.wait_for_function(IDLE)


def titles(page: Page) -> list[str]:
    """Names of the steps without their numbers."""
    return page.evaluate(f"{STEPS}.map(s => s.name)")


def test_figures_with_a_comma_and_what_is_no_number(browser, served, tmp_path):
    """A comma is a decimal comma; what is no number, or out of range, is said, and the field shows the file again."""
    page = opened(browser, served.url)
    at_step(page, 1)
    file = tmp_path / "seedling" / "routines" / "pass-pot.toml"

    def typed(field: str, text: str) -> str:
        page.locator(field).fill(text)
        page.keyboard.press("Enter")
        settled(page)
        return page.locator(field).input_value()

    def written() -> dict[str, object]:
        return tomllib.loads(file.read_text())["step"][1]

    for text, value in (("0,5", 0.5), ("2,5", 2.5), ("1.25", 1.25)):
        assert float(typed("#figure-time_s", text)) == value
        assert written()["time_s"] == value
    before = file.read_text()
    assert typed("#figure-time_s", "3e") == "1.25"
    expect(page.locator(".note.is-bad").last).to_contain_text("“3e” is no number")
    assert typed("#figure-pace", "9") == ""
    expect(page.locator(".note.is-bad").last).to_contain_text("0.02 to 1")
    assert "0.02 to 1" in page.locator("label[for=figure-pace]").get_attribute("title")
    assert file.read_text() == before
    assert typed("#figure-time_s", "") == ""
    assert "time_s" not in written()
    page.get_by_role("button", name="Show inches").click()
    typed("#figure-tolerance_mm", "0,2")
    assert written()["tolerance_mm"] == 5.08
    # What is half typed outlasts news that draw the page anew.
    page.locator("#figure-dwell_s").fill("0,")
    page.evaluate("window.handfast.draw()")
    page.keyboard.type("25")
    page.keyboard.press("Enter")
    settled(page)
    assert written()["dwell_s"] == 0.25
    page.get_by_role("button", name="Measure the bench").click()
    page.get_by_role("button", name="Score what it did").click()
    assert typed("#card-line", "100,5") == "100.5"
    for text in ("-5", "0", "x"):
        assert typed("#card-line", text) == "100.5"
        expect(page.locator(".note.is-bad").last).to_contain_text("not taken")
    assert page.handfast_errors == []


def test_presses_in_quick_succession(browser, served):
    """None is lost and none is refused; each is of the step that was in sight, and the mark goes with its step."""
    page = opened(browser, served.url)
    at_step(page, 1)
    names = titles(page)

    def twice(words: str) -> None:
        page.get_by_role("button", name=words).dblclick()
        settled(page)

    def marked() -> int:
        return page.evaluate("window.handfast.marked.step")

    twice("Later")
    assert titles(page) == [names[0], *names[2:4], names[1], *names[4:]]
    assert marked() == 3
    twice("Earlier")
    assert titles(page) == names
    assert marked() == 1
    twice("Wait 0.5 s after it")
    assert page.evaluate(f"{STEPS}.map(s => s.do)")[2:4] == ["wait", "wait"]
    twice("Double it")
    assert titles(page)[1:4] == 3 * [names[1]]
    count = len(titles(page))
    twice("Take it out")
    assert len(titles(page)) == count - 1, "the second press was of a step that is gone"
    before = page.evaluate(f"{STEPS}[1].pose_deg.right")
    place = "window.handfast.picture.tools.right.p[2]"
    page.locator(".step[data-step='1']").first.click()
    height = page.evaluate(place)
    for _ in range(4):
        page.get_by_role("button", name="TCP on 5 mm along Z").click()
    settled(page)
    page.locator(".step[data-step='0']").first.click()
    page.locator(".step[data-step='1']").first.click()
    assert page.evaluate(place) == pytest.approx(height + 20.0, abs=0.2)
    for _ in range(4):
        page.get_by_role("button", name="Undo").click()
    settled(page)
    assert page.evaluate(f"{STEPS}[1].pose_deg.right") == before
    start = float(page.locator("#joint-1").input_value())
    page.locator("#joint-1").focus()
    for _ in range(6):
        page.keyboard.press("ArrowRight")
        page.wait_for_timeout(40)
    settled(page)
    assert page.evaluate(f"{STEPS}[1].pose_deg.right")[1] == pytest.approx(start + 3.0)
    assert float(page.locator("#joint-1").input_value()) == start + 3.0
    assert page.locator(".note.is-bad").count() == 0
    assert page.handfast_errors == []


def drag(page: Page, x: float, y: float) -> None:
    """The paddle, by so many pixels; it is still held."""
    page.wait_for_function("window.handfast.picture.paddle && window.handfast.picture.tools")
    at = page.evaluate("window.handfast.picture.seen(window.handfast.picture.paddle.position.toArray())")
    page.mouse.move(*at)
    page.mouse.down()
    for k in range(1, 11):
        page.mouse.move(at[0] + x * k / 10, at[1] + y * k / 10)
        page.wait_for_timeout(25)
    page.wait_for_function("!window.handfast.posing.solving && window.handfast.posing.found")


def test_a_drag_that_goes_too_far_or_is_given_up(browser, served, tmp_path):
    """Nothing is written, the pose goes back; the words on it stand in the picture while the hand is there."""
    page = opened(browser, served.url)
    at_step(page, 0)
    before = (tmp_path / "seedling" / "routines" / "pass-pot.toml").read_text()
    pose = page.evaluate("[...window.handfast.picture.q]")
    for cancel in (False, True):
        drag(page, -330, -150)
        told = page.locator(".tell")
        expect(told).to_contain_text("cannot reach")
        box, view = told.bounding_box(), page.locator(".view").bounding_box()
        assert view["x"] <= box["x"]
        assert view["y"] <= box["y"]
        if cancel:
            page.keyboard.press("Escape")
            assert page.evaluate("[...window.handfast.picture.q]") == pose
        page.mouse.up()
        settled(page)
        expect(told).to_have_text("")
        assert page.evaluate("[...window.handfast.picture.q]") == pose
        expect(page.locator(".note.is-bad")).to_have_count(1)
        expect(page.locator(".note.is-bad")).to_contain_text("cannot reach there")
    assert (tmp_path / "seedling" / "routines" / "pass-pot.toml").read_text() == before
    assert page.evaluate("window.handfast.state.undo") is None
    assert page.handfast_errors == []


def test_undo_says_what_it_took_back(browser, served, tmp_path):
    """By its words; a file that goes with it is named."""
    page = opened(browser, served.url)
    at_step(page, 0, "carry-tray")
    page.get_by_role("button", name="Double it").click()
    settled(page)
    page.get_by_role("button", name="Undo").click()
    expect(page.locator(".note").last).to_contain_text("Taken back: step 1 (go 1) doubled.")
    page.get_by_role("button", name="Redo").click()
    expect(page.locator(".note").last).to_contain_text("Done again: step 1 (go 1) doubled.")
    settled(page)
    routines = tmp_path / "seedling" / "routines"
    text = (routines / "pass-pot.toml").read_text()
    (routines / "second.toml").write_text(text.replace('name = "pass-pot"', 'name = "second"'))
    expect(page.locator("#routine option")).to_have_count(4)
    page.get_by_role("button", name="Undo").click()
    expect(page.locator(".note").last).to_contain_text("With it, routines/second.toml is gone; Redo brings it back.")
    assert not (routines / "second.toml").exists()
    page.get_by_role("button", name="Redo").click()
    settled(page)
    assert (routines / "second.toml").exists()
    assert page.handfast_errors == []


CUT = """() => [...document.querySelectorAll('.step')].flatMap(card => {
  const box = card.getBoundingClientRect();
  return [...card.querySelectorAll('span')].filter(said => {
    const own = said.getBoundingClientRect();
    return own.bottom > box.bottom + 0.5 || own.right > box.right + 0.5 || said.scrollWidth > said.clientWidth + 1;
  }).map(said => said.textContent);
})"""
OVER = """() => {
  const cards = [...document.querySelectorAll('.sheet-body > .step')];
  const boxes = cards.map(card => card.getBoundingClientRect());
  return boxes.flatMap((a, i) => boxes.flatMap((b, k) => k > i && a.left < b.right - 1 && b.left < a.right - 1
    && a.top < b.bottom - 1 && b.top < a.bottom - 1 ? [[cards[i].textContent, cards[k].textContent]] : []));
}"""


@pytest.mark.parametrize(("width", "height"), [(1366, 768), (390, 844)])
def test_cards_hold_their_words(browser, served, width, height):
    """No line of a card is cut, corrected or not, and none lies under another, though a step takes no time at all."""
    page = opened(browser, served.url, width, height)
    at_the_seedling_bench(page, "write-label")
    blocks = page.evaluate("window.handfast.routine.sheet.blocks")
    assert any(block["start_s"] == block["end_s"] for block in blocks)
    assert page.evaluate(OVER) == []
    for routine in ("write-label", "carry-tray"):
        page.locator("#routine").select_option(routine)
        page.wait_for_function(f"window.handfast.routine?.name === '{routine}' && window.handfast.motion")
        page.get_by_role("button", name="Correct the landing").click()
        page.wait_for_function("window.handfast.routine?.sheet.corrected")
        expect(page.locator(".step", has_text="corr").first).to_be_visible()
        assert page.evaluate(CUT) == []
        assert page.evaluate(OVER) == []
    page.evaluate("window.handfast.say('/a/folder/of/a/maker/whose/name-is-long/routines/carry-tray.toml', 'bad')")
    note = page.locator(".note.is-bad").bounding_box()
    for part in (".note.is-bad span", ".note.is-bad button"):
        box = page.locator(part).bounding_box()
        assert note["x"] <= box["x"]
        assert box["x"] + box["width"] <= note["x"] + note["width"] <= width
    first, second = (page.locator(f"[data-key={key}]").bounding_box() for key in ("run", "run-nudges"))
    assert second["y"] - first["y"] - first["height"] >= 4 or second["x"] >= first["x"] + first["width"] + 4
    assert page.handfast_errors == []
