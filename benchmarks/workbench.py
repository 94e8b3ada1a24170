"""The workbench in a real browser: from an edit to fresh answers, dragging, and playing a motion in the picture.

Measured in the page itself, by its own clock. Software drawing (no graphics card) makes the picture slow here; the
traffic and the answers do not depend on it.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import cache
from pathlib import Path

import numpy as np
from playwright.sync_api import Page, sync_playwright

from handfast.bench.folder import read_bench
from handfast.bench.new import new_bench
from handfast.routine.file import write_routine
from ratios import Row
from support import seedling
from support.page import CHROMIUM, FLAGS, Served, opened

THINGS = 40
EDITS = 9
ROUTINES = ("pass-pot", "carry-tray", "write-label", "long")


def bench_with_much(root: Path) -> None:
    """The seedling bench with a routine of 60 s, `long`, and 40 things."""
    folder = new_bench(root / "seedling")
    text = folder.file.read_text(encoding="utf-8")
    for i in range(THINGS - text.count("[thing.")):
        text += f"\n[thing.box-{i}]\nsize_mm = [30, 30, {30 + i}]\nmass_g = {20 + i}\ngrip_width_mm = 30\n"
    folder.file.write_text(text, encoding="utf-8")
    rng = np.random.default_rng(5)
    steps = []
    for i in range(84):
        yaw, wrist = rng.uniform(-30, 30), rng.uniform(40, 75)
        steps.append(seedling.go(("left", "right")[i % 2], yaw, -15, 75, wrist, 0, time=1.5))
    bench = read_bench(folder)
    write_routine(folder.routines / "long.toml", seedling.routine_of(*steps), bench, "60 s, for measuring")


@contextmanager
def page_of() -> Iterator[Page]:
    """A window at that bench."""
    with tempfile.TemporaryDirectory() as place:
        bench_with_much(Path(place))
        served = Served(Path(place))
        try:
            with sync_playwright() as play:
                browser = play.chromium.launch(executable_path=CHROMIUM, args=[*FLAGS, "--enable-precise-memory-info"])
                page = opened(browser, served.url)
                page.get_by_role("button", name="seedling bench", exact=True).click()
                yield page
                browser.close()
        finally:
            with suppress(ProcessLookupError):
                served.kill()


def chosen(page: Page, name: str) -> None:
    """Open a routine, and wait until its changes have been tried, so that nothing else is at work."""
    page.locator("#routine").select_option(name)
    page.wait_for_function(
        f"window.handfast?.routine?.name === '{name}' && window.handfast.motion && window.handfast.routine.tried"
    )


EDIT = """async () => {
    const app = window.handfast, step = app.routine.sheet.steps.findIndex(s => s.do === 'go');
    const version = app.routine.version, begun = performance.now();
    const value = 0.2 + 0.001 * (version % 700);
    let failed = null;
    const edit = {edit: 'figure', step, key: 'dwell_s', value, routine: app.chosen, version};
    app.wire.ask('edit', edit).catch(e => (failed = e));
    while (!failed && !(app.routine && app.routine.version > version)) await new Promise(r => setTimeout(r, 1));
    if (failed) throw failed;
    return app.answered - begun;
}"""

DRAG = """async () => {
    const app = window.handfast;
    const steps = app.routine.sheet.steps, first = steps.findIndex(s => s.do === 'go');
    app.mark(first, steps[first].arms[0]);
    const arm = app.marked.arm, tool = app.picture.tools[arm], begun = performance.now();
    app.solves = 0;
    while (performance.now() - begun < 3000) {
        const a = (performance.now() - begun) / 300;
        app.drag({arm, R: tool.R, p_mm: [tool.p[0] + 8 * Math.sin(a), tool.p[1] + 8 * Math.cos(a), tool.p[2]]});
        await new Promise(r => setTimeout(r, 8));
    }
    app.held = null;
    return app.solves / 3;
}"""

PLAY = """async () => {
    const app = window.handfast, socket = app.wire.socket;
    let traffic = 0;
    const heard = () => (traffic += 1), send = socket.send;
    socket.addEventListener('message', heard);
    socket.send = function (...all) { traffic += 1; return send.apply(this, all); };
    let blank = 0;
    app.picture.play(true);
    const begun = performance.now();
    await new Promise(done => {
        const tick = now => { blank += 1; now - begun < 4000 ? requestAnimationFrame(tick) : done(); };
        requestAnimationFrame(tick);
    });
    const shown = app.picture.frameTimes.length;
    app.picture.play(false);
    socket.removeEventListener('message', heard);
    delete socket.send;
    const memory = performance.memory ? performance.memory.usedJSHeapSize / 2 ** 20 : NaN;
    return {traffic, per_s: shown / 4, share: shown / blank, memory};
}"""


@cache
def figures() -> dict[str, float]:
    """All of it in one window."""
    found: dict[str, float] = {}
    with page_of() as page:
        for name in ROUTINES:
            chosen(page, name)
            times = []
            for _ in range(EDITS + 1):
                times.append(page.evaluate(EDIT))
                page.wait_for_function("window.handfast.routine.tried && window.handfast.motion")
                page.wait_for_timeout(300)
            found[f"edit {name}"] = float(np.median(times[1:]))
        found["seconds long"] = page.evaluate("window.handfast.routine.answers.duration_s")
        found["solves"] = page.evaluate(DRAG)
        page.wait_for_timeout(500)
        played = page.evaluate(PLAY)
        found |= {"traffic": played["traffic"], "frames": played["per_s"], "share": played["share"]}
        found["memory"] = played["memory"]
        found["things"] = page.evaluate("window.handfast.bench.things.length")
    return found


ROWS = [
    *(
        Row(
            f"page: from an edit of {name} to fresh answers",
            150,
            100,
            lambda n=name: figures()[f"edit {n}"],
            "ms",
            True,
        )
        for name in ROUTINES[:3]
    ),
    Row("page: the same for a routine of 60 s", 400, 300, lambda: figures()["edit long"], "ms", True),
    Row("page: solves per second while the paddle is dragged", 30, 35, lambda: figures()["solves"], "/s"),
    Row("page: playing, frames shown of those the screen asks for", 0.95, 0.99, lambda: figures()["share"]),
    Row("page: playing, messages over the wire in 4 s", 0, 0, lambda: figures()["traffic"], "", True),
    Row("page: 60 s and 40 things, frames per second", 10, 30, lambda: figures()["frames"], "/s"),
    Row("page: 60 s and 40 things, memory of its scripts", 300, 100, lambda: figures()["memory"], "MB", True),
]
