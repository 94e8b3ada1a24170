"""The workbench as a maker has it: a server in a folder, a window at its page, and an open checker of what it shows."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

CHROMIUM = "/usr/bin/chromium"
FLAGS = ["--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader", "--disable-background-networking"]
PATIENCE = 90_000
"""ms: a busy machine may compile kernels first."""


class Served:
    """`handfast open` in a folder."""

    def __init__(self, root: Path, port: int = 0, *more: str):
        words = [sys.executable, "-m", "handfast", "open", "--no-browser", "--port", str(port), *more]
        self.process = subprocess.Popen(words, cwd=root, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
        assert self.process.stdout is not None
        found = re.search(r"http://\S+", self.process.stdout.readline())
        assert found is not None
        self.url = found.group()

    def kill(self) -> None:
        """As a power cut would."""
        if self.process.poll() is None:
            os.kill(self.process.pid, signal.SIGKILL)
        self.process.wait()
        assert self.process.stdout is not None
        self.process.stdout.close()


def opened(browser, url: str, width: int = 1366, height: int = 768, scheme: str = "light") -> Page:
    """A fresh window at the page; an error in a script fails the test that sees it."""
    page = browser.new_context(viewport={"width": width, "height": height}, color_scheme=scheme).new_page()
    page.set_default_timeout(PATIENCE)
    page.handfast_errors = []
    page.on("pageerror", lambda error: page.handfast_errors.append(str(error)))
    page.goto(url)
    return page


def at_the_seedling_bench(page: Page, routine: str = "pass-pot") -> None:
    """Through the first page to a routine's answers."""
    page.get_by_role("button", name="Open the seedling bench").click()
    page.locator("#routine").select_option(routine)
    expect(page.locator("#routine")).to_have_value(routine)
    page.wait_for_function(f"window.handfast?.routine?.name === '{routine}' && window.handfast.motion")


AXE = Path(__file__).resolve().parents[2] / ".venv" / "axe" / "node_modules" / "axe-core" / "axe.min.js"
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


def violations(page: Page) -> list[str]:
    """What the open checker axe-core finds against WCAG 2.2 AA and good practice on the page as it is."""
    if not AXE.exists():
        pytest.fail(f"{AXE} is missing: make test fetches it with npm")
    page.evaluate(AXE.read_text(encoding="utf-8"))
    found = page.evaluate("rules => axe.run(document, {runOnly: {type: 'tag', values: rules}})", RULES)
    assert len(found["passes"]) > 20
    return [f"{v['id']}: {v['help']} ({v['nodes'][0]['html'][:120]})" for v in found["violations"]]
