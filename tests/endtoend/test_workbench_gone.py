"""Files that go or break while the page shows what they said, and the moment that it shows, in words."""

from __future__ import annotations

import re

from playwright.sync_api import expect

from support.page import at_the_seedling_bench, opened


def test_a_routine_that_is_gone_or_broken_is_not_run(browser, served, tmp_path):
    """Its name says so, and any other can be chosen; what stood in the files before is not played."""
    page = opened(browser, served.url)
    at_the_seedling_bench(page)
    run = page.get_by_role("button", name="Run on simulated arms")
    bench = tmp_path / "seedling"
    file = bench / "routines" / "pass-pot.toml"
    text = file.read_text()
    file.write_text(text + "\n[[step\n")
    expect(page.locator(".sheet .band")).to_contain_text("pass-pot.toml")
    assert run.is_disabled()
    file.write_text(text)
    expect(run).to_be_enabled(timeout=20_000)
    said = (bench / "bench.toml").read_text()
    (bench / "bench.toml").write_text("[" + said)
    expect(page.locator(".band.is-bad").first).to_be_visible()
    assert run.is_disabled()
    (bench / "bench.toml").write_text(said)
    expect(run).to_be_enabled(timeout=20_000)
    file.unlink()
    expect(page.locator("#routine option:checked")).to_have_text("pass-pot (gone)")
    assert run.is_disabled()
    first = page.evaluate("window.handfast.bench.routines[0]")
    page.locator("#routine").select_option(first)
    page.wait_for_function(f"window.handfast.motion?.name === '{first}'")
    assert page.locator("#routine option:checked").inner_text() == first
    expect(run).to_be_enabled()
    assert page.handfast_errors == []


def test_the_moment_is_said(browser, served):
    """The slider of the time goes on by a tenth of a second, and says what the arms do then."""
    page = opened(browser, served.url)
    at_the_seedling_bench(page)
    slider = page.get_by_label("Moment of the routine")
    slider.focus()
    for _ in range(12):
        page.keyboard.press("ArrowRight")
    assert page.evaluate("window.handfast.picture.time") == 1.2
    words = slider.get_attribute("aria-valuetext")
    assert re.match(r"1\.2 seconds, (left|right) arm \d+ \(go \d+\)", words)
    assert page.handfast_errors == []
