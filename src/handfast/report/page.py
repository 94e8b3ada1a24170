"""The whole page: one file of HTML that needs nothing else, on a screen or on paper."""

from __future__ import annotations

from pathlib import Path

from handfast.bench.cautions import DEFERS, cautions
from handfast.report.bench_picture import Reaches, bench_picture, reaches, telling
from handfast.report.first_sheet import first_sheet
from handfast.report.gather import PairView
from handfast.report.routine_sheets import Plates, pose_store, routine_sheet
from handfast.report.svg import element, prose


def page(view: PairView) -> str:
    """The page about a pair and its routines."""
    found = reaches(view.model)
    plates = Plates()
    parts = [
        first_sheet(view, found),
        _bench(view, found, plates),
        *(routine_sheet(view, k, plates) for k in range(len(view.routines))),
        *([pose_store(view)] if view.routines else []),
        _cautions(view),
    ]
    style = Path(__file__).with_name("page.css").read_text(encoding="utf-8")
    head = element(
        "head",
        '<meta charset="utf-8"/>',
        '<meta name="viewport" content="width=device-width, initial-scale=1"/>',
        element("title", prose(f"{view.bench.about.name}: what this pair can and cannot do")),
        element("style", style),
    )
    return (
        "<!DOCTYPE html>\n"
        + element("html", head, element("body", _contents(view), element("main", *parts)), lang="en")
        + "\n"
    )


def _contents(view: PairView) -> str:
    links = [("pair", "What this pair can and cannot do"), ("bench", "The bench")]
    links += [(f"routine-{k + 1}", one.routine.name) for k, one in enumerate(view.routines)]
    links += [("poses", "Pose store")] if view.routines else []
    links.append(("cautions", "Cautions"))
    entries = (element("li", element("a", prose(said), href=f"#{where}")) for where, said in links)
    return element("nav", element("ol", *entries), aria_label="Contents")


def _bench(view: PairView, found: Reaches, plates: Plates) -> str:
    moment = telling(view)
    shared = found.shared
    areas = found.areas
    share = f", {100 * shared / min(areas):.0f} % of what the one that reaches less has" if shared > 0 else ""
    boxes = ", ".join(o.name for o in view.bench.obstacles)
    parts = [
        element("p", prose(view.bench.about.name), class_="kicker"),
        element("h2", "The bench"),
        plates.figure(
            bench_picture(view, found, moment),
            f"The bench from above and from the side: {moment.words}.",
            f"At {found.height * 1e3:.0f} mm over the table the left TCP reaches {areas[0] * 1e4:.0f} cm², the right "
            f"one {areas[1] * 1e4:.0f} cm², both {shared * 1e4:.0f} cm²{share}. Reach is where the joints' travel lets "
            "the TCP be at all, the fingers pointing anyhow; boxes and the arms themselves are not taken off."
            + (f" Boxes: {boxes}." if boxes else ""),
        ),
    ]
    if view.bench.things:
        body = [
            element(
                "tr",
                element("th", prose(t.name), scope="row"),
                element("td", " × ".join(f"{x * 1e3:.0f}" for x in t.size) + " mm", class_="s"),
                element("td", f"{t.mass * 1e3:.0f} g", class_="n"),
                element("td", f"{t.grip_width * 1e3:.0f} mm", class_="n"),
                element("td", f"{t.crush_force:.0f} N", class_="n"),
            )
            for t in view.bench.things
        ]
        heads = (("thing", None), ("size", None), ("mass", "n"), ("held at a width of", "n"), ("crushed from", "n"))
        parts.append(
            element(
                "table",
                element("caption", "What the arms handle"),
                element("thead", element("tr", *(element("th", h, scope="col", class_=c) for h, c in heads))),
                element("tbody", *body),
                class_="whole",
            )
        )
    return element("section", *parts, id="bench", class_="sheet")


def _cautions(view: PairView) -> str:
    near = [view.narrowest(kind) for kind in ("arm and arm", "arm and table", "arm and boxes", "within an arm")]
    nearest = min((gap for gap in near if gap is not None), default=None)
    listed = []
    for caution in cautions(view.bench, view.fastest, nearest):
        listed.append(element("dt", prose(caution.danger)))
        listed.append(
            element("dd", prose(caution.text), " ", element("span", prose(f"[{caution.source}]"), class_="quiet"))
        )
    return element(
        "section",
        element("h2", "Cautions"),
        element("div", element("p", element("b", prose(DEFERS))), class_="press"),
        element("dl", *listed),
        id="cautions",
        class_="sheet",
    )
