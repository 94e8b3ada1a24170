"""Elements of SVG and HTML as text, and what all pictures share: inks, hatches, line styles, lettering.

Every picture must read without colour: what a colour says, a hatch, a line style or a word says too. The
colours are those of Okabe & Ito (*Color Universal Design*, 2008, from memory), told apart by most eyes.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable

import numpy as np

from handfast.geometry.rigid import Array

INK = "#1f2a24"
RULE = "#8c928a"
FAINT = "#c9ccc4"
PAPER = "#ffffff"
COLOURS = {"left": "#0072B2", "right": "#D55E00", "both": "#009E73", "amber": "#E69F00", "plum": "#CC79A7"}
TINTS = {"left": "#cfe3f1", "right": "#f8ddcb", "both": "#cdebe1"}
DASHES = {"left": None, "right": "7 3", "both": "2 2.5"}
"""Line styles by arm: left solid, right dashed, both dotted."""

FONT = "'Segoe UI', 'Helvetica Neue', 'Noto Sans', 'Liberation Sans', Arial, sans-serif"
SMALL, NORMAL = 10.5, 12.0

_TIED = re.compile(r"(?<=\d)() (?=(?:mm|cm²|kg|kg·cm|g|s|A|V|K|N|°|°C|×|%|joints)(?![\w-]))")
_UNPRINTABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ud800-\udfff\ufffe\uffff]")


def escape(text: object) -> str:
    """Text that may stand in an element or an attribute."""
    said = _UNPRINTABLE.sub("\N{REPLACEMENT CHARACTER}", str(text))
    return said.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace('"', "&quot;")


def prose(text: object) -> str:
    """Text for a page: a number is not parted from its unit at the end of a line."""
    return _TIED.sub("\\1\N{NO-BREAK SPACE}", escape(text))


def brief(value: float, places: int = 2) -> str:
    """A coordinate with no more figures than it needs."""
    said = f"{value:.{places}f}"
    said = said.rstrip("0").rstrip(".") if "." in said else said
    return "0" if said in ("-0", "") else said


def element(name: str, *children: str, **attributes: object) -> str:
    """An element. Children are markup; attributes are text or numbers, `_` in their names stands for `-`.

    `class_` gives class; an attribute that is None is left out.
    """
    said = []
    for key, value in attributes.items():
        if value is None:
            continue
        shown = brief(float(value)) if isinstance(value, float | int | np.floating) else escape(value)
        said.append(f' {key.rstrip("_").replace("_", "-")}="{shown}"')
    head = f"<{name}{''.join(said)}"
    return f"{head}/>" if not children else f"{head}>{''.join(children)}</{name}>"


def width_of(text: str, size: float) -> float:
    """About how wide text stands in the page's sans-serif at `size`, erring on the wide side."""
    wide = {"W": 1.9, "F": 1.9}
    total = 0.0
    for char in text:
        if char in "iljtfrI.,:;'|()[] -":
            total += 0.36
        elif char in "mwMW@%":
            total += 0.92
        else:
            total += 0.60 * wide.get(unicodedata.east_asian_width(char), 1.0) / (1.0 if ord(char) < 0x1100 else 1.05)
    return total * size


def fitted(text: str, room: float, size: float) -> str:
    """The text, shortened with an ellipsis so that it stands in `room`."""
    if width_of(text, size) <= room:
        return text
    kept = text
    while kept and width_of(kept + "…", size) > room:
        kept = kept[:-1]
    return kept.rstrip() + "…"


def points_of(points: Array, places: int = 1) -> str:
    """Points (P, 2) for a path's data: 'x y x y ...'."""
    return " ".join(f"{brief(x, places)} {brief(y, places)}" for x, y in points)


def path_of(polygons: Iterable[Array], closed: bool = True, places: int = 1) -> str:
    """Path data of polygons or open lines [(P, 2), ...]."""
    end = "Z" if closed else ""
    return "".join(f"M{points_of(p, places)}{end}" for p in polygons if len(p) > 1)


class Picture:
    """One picture while it is drawn: its size, its parts in order, and the hatches that it uses."""

    def __init__(self, name: str, width: float, height: float, says: str):
        """`name` makes ids unique on a page; `says` is read out where the picture cannot be seen."""
        self.name, self.width, self.height, self.says = name, width, height, says
        self.parts: list[str] = []
        self._hatches: dict[str, str] = {}
        self._frames: list[str] = []

    def add(self, *parts: str) -> None:
        """Draw on top of what is there."""
        self.parts += parts

    # -- fills -----------------------------------------------------------------------------------------

    def hatch(self, kind: str, colour: str = INK, pitch: float = 6.0, width: float = 0.9) -> str:
        """The fill of a hatch: `rising`, `falling`, `crossed`, `dots` or `level`."""
        name = f"{self.name}-{kind}-{colour.lstrip('#').lower()}-{brief(10 * pitch, 0)}"
        if name not in self._hatches:
            line = {"stroke": colour, "stroke_width": width, "fill": "none"}
            rising = f"M-1 1L1 -1M0 {brief(pitch)}L{brief(pitch)} 0M{brief(pitch - 1)} {brief(pitch + 1)}L" + (
                f"{brief(pitch + 1)} {brief(pitch - 1)}"
            )
            falling = f"M-1 {brief(pitch - 1)}L1 {brief(pitch + 1)}M0 0L{brief(pitch)} {brief(pitch)}M" + (
                f"{brief(pitch - 1)} -1L{brief(pitch + 1)} 1"
            )
            content = {
                "rising": element("path", d=rising, **line),
                "falling": element("path", d=falling, **line),
                "crossed": element("path", d=rising + falling, **line),
                "dots": element("circle", cx=pitch / 2, cy=pitch / 2, r=width, fill=colour),
                "level": element("path", d=f"M0 {brief(pitch / 2)}H{brief(pitch)}", **line),
            }[kind]
            self._hatches[name] = element(
                "pattern", content, id=name, width=pitch, height=pitch, patternUnits="userSpaceOnUse"
            )
        return f"url(#{name})"

    def clipped(self, x: float, y: float, width: float, height: float, parts: list[str]) -> None:
        """Parts of which only what lies in a rectangle is seen."""
        name = f"{self.name}-frame-{len(self._frames) + 1}"
        frame = element("rect", x=x, y=y, width=width, height=height)
        self._frames.append(element("clipPath", frame, id=name))
        self.add(element("g", *(parts or [""]), clip_path=f"url(#{name})"))

    # -- parts -----------------------------------------------------------------------------------------

    def text(
        self,
        x: float,
        y: float,
        said: str,
        size: float = SMALL,
        anchor: str = "start",
        bold: bool = False,
        colour: str = INK,
        room: float | None = None,
        halo: bool = False,
        turn: float | None = None,
    ) -> None:
        """Lettering with its baseline at y. room: shorten to this width. halo: kept readable over lines."""
        shown = said if room is None else fitted(said, room, size)
        more = {"stroke": PAPER, "stroke_width": 3.0, "paint_order": "stroke", "stroke_linejoin": "round"}
        self.add(
            element(
                "text",
                escape(shown) if shown == said else element("title", escape(said)) + escape(shown),
                x=x,
                y=y,
                font_size=size,
                text_anchor=None if anchor == "start" else anchor,
                font_weight="600" if bold else None,
                fill=colour,
                transform=None if turn is None else f"rotate({brief(turn)} {brief(x)} {brief(y)})",
                **(more if halo else {}),
            )
        )

    def line(
        self,
        points: Array | list[tuple[float, float]],
        colour: str = INK,
        width: float = 1.0,
        dash: str | None = None,
        places: int = 1,
        cap: str | None = None,
    ) -> None:
        """An open line through points (P, 2)."""
        self.add(
            element(
                "path",
                d=path_of([np.asarray(points, dtype=float)], closed=False, places=places),
                fill="none",
                stroke=colour,
                stroke_width=width,
                stroke_dasharray=dash,
                stroke_linejoin="round",
                stroke_linecap=cap,
            )
        )

    def shape(
        self,
        polygons: list[Array],
        fill: str = "none",
        colour: str | None = INK,
        width: float = 1.0,
        dash: str | None = None,
    ) -> None:
        """Closed polygons as one shape, holes cut out."""
        self.add(
            element(
                "path",
                d=path_of(polygons),
                fill=fill,
                fill_rule="evenodd",
                stroke=colour,
                stroke_width=width if colour else None,
                stroke_dasharray=dash,
                stroke_linejoin="round",
            )
        )

    def box(
        self,
        x: float,
        y: float,
        width: float,
        height: float,
        fill: str = "none",
        colour: str | None = INK,
        line: float = 1.0,
        dash: str | None = None,
    ) -> None:
        """A rectangle from its upper left corner."""
        self.add(
            element(
                "rect",
                x=x,
                y=y,
                width=max(width, 0.0),
                height=max(height, 0.0),
                fill=fill,
                stroke=colour,
                stroke_width=line if colour else None,
                stroke_dasharray=dash,
            )
        )

    def dot(self, x: float, y: float, radius: float = 2.5, fill: str = INK, colour: str | None = None) -> None:
        """A round mark."""
        self.add(
            element("circle", cx=x, cy=y, r=radius, fill=fill, stroke=colour, stroke_width=1.0 if colour else None)
        )

    def arrow(self, start: Array, end: Array, colour: str = INK, width: float = 1.4, dash: str | None = None) -> None:
        """An arrow; one too short for a head is a line."""
        a, b = np.asarray(start, dtype=float), np.asarray(end, dtype=float)
        length = float(np.linalg.norm(b - a))
        if length < 0.05:
            return
        u = (b - a) / length
        side = np.array([-u[1], u[0]])
        head = min(6.0, 0.6 * length)
        neck = b - head * u
        self.line([tuple(a), tuple(neck if length > head else b)], colour, width, dash)
        self.add(
            element(
                "path", d=path_of([np.array([b, neck + 0.45 * head * side, neck - 0.45 * head * side])]), fill=colour
            )
        )

    # -- the whole -------------------------------------------------------------------------------------

    def markup(self, alone: bool = False) -> str:
        """The svg element; `alone` as a file of its own."""
        shared = [*self._hatches.values(), *self._frames]
        defs = element("defs", *shared) if shared else ""
        backing = element("rect", width=self.width, height=self.height, fill=PAPER) if alone else ""
        attributes: dict[str, object] = {"xmlns": "http://www.w3.org/2000/svg"} if alone else {"class": "picture"}
        head = element(
            "svg",
            element("title", escape(self.says)) + defs + backing + "".join(self.parts),
            **attributes,
            viewBox=f"0 0 {brief(self.width)} {brief(self.height)}",
            width=self.width,
            height=self.height,
            font_family=FONT,
            role="img",
        )
        return head + ("\n" if alone else "")
