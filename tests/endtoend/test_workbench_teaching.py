"""Teaching in the page: names that are none, poses that are taken back, and a recording that is gone on with."""

from __future__ import annotations

from playwright.sync_api import expect

from handfast.bench.folder import BenchFolder, read_bench
from handfast.routine.file import read_routine
from support.page import at_the_seedling_bench, opened


def test_poses_are_taken_back_and_a_recording_is_gone_on_with(browser, served, tmp_path):
    """No name of spaces, none that no file can have. Poses that are taken back leave the sheet; where nothing is left
    to teach, what was recorded can be gone on with, without another name."""
    page = opened(browser, served.url)
    at_the_seedling_bench(page)
    page.locator("details.teaching summary").click()
    recordings = tmp_path / "seedling" / "recordings"
    before = sorted(path.name for path in recordings.iterdir())
    for name in ("   ", "x" * 300, " a", "a\nb"):
        page.evaluate("(name) => { window.handfast.ask('teach', {name}); }", name)
        expect(page.locator(".note.is-bad").last).to_contain_text("is no name for a routine")
        page.locator(".note.is-bad button").first.click()
    assert not page.evaluate("window.handfast.cut || false")
    assert sorted(path.name for path in recordings.iterdir()) == before

    def begin_and_lead(button, poses):
        page.get_by_role("button", name=button).click()
        page.wait_for_function("window.handfast.teaching?.going && window.handfast.teaching.q_deg")
        page.get_by_role("button", name="lead the TCP on 20 mm along Y").click()
        expect(page.locator(".told li")).to_have_count(poses)

    page.get_by_label("Name of the routine").fill("led")
    begin_and_lead("Begin to teach", 1)
    back = page.get_by_role("button", name="Take the last one back")
    back.click()
    expect(page.locator(".told li")).to_have_count(0)
    back.click()
    expect(page.locator(".teaching .run-line")).to_contain_text("nothing is left to take back")
    page.get_by_role("button", name="End, and write the routine").click()
    page.wait_for_function("window.handfast.teaching.going === false")
    words = page.locator(".teaching .run-line").inner_text()
    assert "--" not in words
    page.wait_for_function("window.handfast.mayEdit")
    begin_and_lead("Go on with it", 1)
    page.get_by_role("button", name="End, and write the routine").click()
    page.wait_for_function("window.handfast.routine?.name === 'led' && window.handfast.motion")
    folder = BenchFolder(tmp_path / "seedling")
    assert [step.do for step in read_routine(folder.routines / "led.toml", read_bench(folder)).steps] == ["go"]
    assert page.handfast_errors == []
