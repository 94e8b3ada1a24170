"""`handfast report` as a maker runs it."""

import json
import subprocess
import sys
import xml.etree.ElementTree as ET

import pytest

from handfast.bench.new import new_bench
from support.page import violations


def handfast(*words, cwd):
    """Run a command; returns what it did."""
    return subprocess.run([sys.executable, "-m", "handfast", *map(str, words)], cwd=cwd, text=True, capture_output=True)


@pytest.fixture
def root(tmp_path):
    """A seedling bench."""
    return new_bench(tmp_path / "bench").root


def test_prints_the_path_of_a_page_with_the_routines_asked_for(root):
    """One routine asked for, from inside the bench: its page only, and the path is printed."""
    done = handfast("report", "pass-pot", cwd=root)
    assert done.returncode == 0, done.stderr
    page = root / "out" / "report.html"
    assert done.stdout.strip().endswith("out/report.html")
    text = page.read_text(encoding="utf-8")
    assert 'id="routine-1"' in text
    assert 'id="routine-2"' not in text
    assert "pass-pot" in text
    assert [p.name for p in (root / "out").iterdir()] == ["report.html"]


def test_bench_picture_alone_and_json(root, tmp_path):
    """--picture writes the bench picture as SVG besides; --json says what was written."""
    picture = tmp_path / "bench.svg"
    done = handfast("report", "carry-tray", "--picture", picture, "--json", "--bench", root, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["routines"] == ["carry-tray"]
    assert ET.parse(picture).getroot().tag.endswith("svg")
    assert picture.stat().st_size < 80_000


def test_an_unknown_routine_leaves_the_old_page_alone(root):
    """Exit status 2, one message without a traceback, the page of before unchanged."""
    page = root / "out" / "report.html"
    page.write_text("old", encoding="utf-8")
    done = handfast("report", "pas-pot", cwd=root)
    assert done.returncode == 2
    assert "pass-pot" in done.stderr
    assert "Traceback" not in done.stderr
    assert page.read_text(encoding="utf-8") == "old"


def test_a_page_that_cannot_be_written_is_a_fault(root):
    """A file where the out folder should be: exit status 3, one message, nothing changed."""
    out = root / "out"
    out.rmdir()
    out.write_text("in the way", encoding="utf-8")
    done = handfast("report", "carry-tray", cwd=root)
    assert done.returncode == 3
    assert "cannot be written" in done.stderr
    assert "Traceback" not in done.stderr
    assert out.read_text(encoding="utf-8") == "in the way"


def test_the_page_by_an_open_checker(browser, root):
    """axe-core on the whole report: no violation."""
    assert handfast("report", cwd=root).returncode == 0
    page = browser.new_page()
    page.goto((root / "out" / "report.html").as_uri())
    assert violations(page) == []


def test_the_page_fits_a_narrow_screen(root, browser):
    """Wide pictures and tables scroll by themselves; the page does not."""
    assert handfast("report", cwd=root).returncode == 0
    page = browser.new_page(viewport={"width": 390, "height": 844})
    page.goto((root / "out" / "report.html").as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
