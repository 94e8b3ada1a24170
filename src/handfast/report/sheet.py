"""The sheet of a routine: two columns, left arm and right arm, read from top to bottom, as high as things last."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from handfast.bench.parts import SIDES, Side
from handfast.motion.plan import DT
from handfast.report.charts import fill_sample, legend, ticks
from handfast.report.gather import RoutineView
from handfast.report.svg import COLOURS, FAINT, INK, NORMAL, RULE, SMALL, TINTS, Picture, brief, fitted, width_of
from handfast.routine.steps import Routine

Down = Callable[[float], float]
"""From a sample to its height on the sheet."""

WIDTH = 720.0
COLUMN = 86.0
MIDDLE = 64.0
LINE = 14.0
"""Distance of two lines of lettering."""

MOST_LINES = 44
"""Steps of one arm on one piece of the sheet; more are carried over to the next."""


@dataclass(frozen=True)
class Block:
    """One step of one arm: from and to which sample, and the parts in which it moves or works its jaws."""

    step: int
    side: Side
    first: int
    last: int
    moving: tuple[tuple[int, int], ...]
    gripping: tuple[tuple[int, int], ...]


def blocks(view: RoutineView) -> list[Block]:
    """What each arm does in order; where an arm only waits for the other one there is no block.

    A step that finds its arm already there takes no time and still has its place.
    """
    m = view.facts.motion
    steps = view.routine.steps
    runs: dict[tuple[int, Side], tuple[int, int]] = {}
    for arm, side in enumerate(SIDES):
        numbers = m.step[:, arm]
        for first, last in _runs(np.ones(len(numbers), dtype=bool), numbers):
            if side in steps[int(numbers[first])].sides:
                runs[int(numbers[first]), side] = (first, last)
    found = []
    for side in SIDES:
        end = 0
        for number, step in enumerate(steps):
            if side not in step.sides:
                continue
            if (number, side) not in runs:
                at = min(end, len(m.t) - 1)
                found.append(Block(number, side, at, at, (), ()))
                continue
            last = runs[number, side][1]
            # A step of both arms begins when the later one is ready; until then the other one waits.
            first = min(max(runs[number, s][0] for s in step.sides if (number, s) in runs), last - 1)
            block = _block_of(view, number, side, first, last)
            found.append(block)
            end = block.last
    return found


def _block_of(view: RoutineView, number: int, side: Side, first: int, last: int) -> Block:
    m, step = view.facts.motion, view.routine.steps[number]
    arm, columns = SIDES.index(side), view.facts.bench.columns(side)
    moves = np.abs(m.qd[first:last, columns]).max(axis=1) > 1e-6
    jaws = np.abs(np.diff(m.gaps[first:last, arm], prepend=m.gaps[max(first - 1, 0), arm])) > 1e-9
    busy = np.nonzero(moves | jaws)[0]
    if step.do not in ("wait", "pass", "carry") and len(busy):
        # What follows the last motion and its rest is waiting for the other arm, no part of the step.
        last = min(last, first + int(busy[-1]) + 2 + round(step.dwell / DT))
    count = last - first
    return Block(number, side, first, last, _within(moves[:count], first), _within(jaws[:count], first))


def _runs(on: np.ndarray, value: np.ndarray) -> list[tuple[int, int]]:
    """Stretches [first, last) in which `on` is true and `value` stays the same."""
    edges = [0, *(np.nonzero((value[1:] != value[:-1]) | (on[1:] != on[:-1]))[0] + 1), len(on)]
    return [(int(a), int(b)) for a, b in pairwise(edges) if on[a]]


def _within(on: np.ndarray, offset: int) -> tuple[tuple[int, int], ...]:
    return tuple((a + offset, b + offset) for a, b in _runs(on, np.zeros(len(on))))


def said(routine: Routine, number: int, side: Side) -> str:
    """What a step means for one arm, in a few words."""
    step = routine.steps[number]
    name = "" if not step.name or step.name.startswith(step.do) else f" {step.name}"
    thing = f" {step.thing}" if step.thing else ""
    match step.do:
        case "pass":
            what = f"pass{name}: {'gives' if side == step.giver else 'takes'}{thing}"
        case "carry":
            what = f"carry{name}:{thing or ' together'}, both arms"
        case "grip":
            what = f"grip{name}{thing}"
        case _:
            what = step.do + name
    return f"{number + 1} {what}"


def sheet_pictures(view: RoutineView, name: str) -> list[Picture]:
    """The sheet, in as many pieces as it needs to be readable on paper."""
    found = blocks(view)
    end = len(view.facts.motion.t)
    per_arm = [[b for b in found if b.side == side] for side in SIDES]
    most = max((len(column) for column in per_arm), default=0)
    pieces = max(1, -(-most // MOST_LINES))
    cuts = [0, *(_cut(per_arm, end, k, pieces) for k in range(1, pieces)), end]
    cuts = sorted(set(cuts))
    return [
        _piece(view, found, (a, b), f"{name}-{k + 1}", f" ({k + 1} of {len(cuts) - 1})" if len(cuts) > 2 else "")
        for k, (a, b) in enumerate(pairwise(cuts))
    ]


def _cut(per_arm: list[list[Block]], end: int, piece: int, pieces: int) -> int:
    """A sample at which a new block begins, so that pieces hold about equally many."""
    longer = max(per_arm, key=len)
    at = min(len(longer) - 1, round(piece * len(longer) / pieces))
    return longer[at].first if longer else end


def _piece(view: RoutineView, found: list[Block], span: tuple[int, int], name: str, part: str) -> Picture:
    m, routine = view.facts.motion, view.routine
    shown = [b for b in found if b.first < span[1] and (b.last > span[0] or b.first == b.last >= span[0])]
    lines = max((sum(b.side == side for b in shown) for side in SIDES), default=0)
    t0, t1 = float(m.t[span[0]]), float(m.t[min(span[1], len(m.t) - 1)])
    duration = max(t1 - t0, 1e-3)
    tall = max(190.0, 1.3 * LINE * lines, min(440.0, 60.0 * duration))
    head, foot = 40.0, 46.0
    picture = Picture(name, WIDTH, head + tall + foot, f"Sheet of {routine.name}: its steps from top to bottom{part}")
    left = 0.5 * WIDTH - 0.5 * MIDDLE - COLUMN
    columns = {"left": left, "right": left + COLUMN + MIDDLE}

    def down(sample: float) -> float:
        t = float(np.interp(sample, np.arange(len(m.t)), m.t))
        return head + (min(max(t, t0), t1) - t0) / duration * tall

    for side in SIDES:
        x = columns[side]
        picture.text(x + COLUMN / 2, 14, f"{side} arm", NORMAL, "middle", bold=True, colour=COLOURS[side])
        picture.line([(x + COLUMN / 2, head), (x + COLUMN / 2, head + tall)], FAINT, 1.0, "2 3")
    picture.text(0.5 * WIDTH, 14, "time", SMALL, "middle")
    _tie(picture, view, shown, columns, down)
    for t in ticks(t0, t1, max(3, min(12, int(tall / 50)))):
        y = head + (t - t0) / duration * tall
        for x in (left + COLUMN, left + COLUMN + MIDDLE - 8):
            picture.line([(x + 1, y), (x + 7, y)], RULE, 0.8)
        picture.text(0.5 * WIDTH, y + 3.5, f"{brief(t)} s", SMALL - 0.5, "middle", halo=True)
    for block in shown:
        _block(picture, block, columns[block.side], down)
    for side in SIDES:
        _labels(picture, view, [b for b in shown if b.side == side], columns[side], (head, head + tall), down)
    _key(picture, head + tall + 30)
    return picture


def _tie(picture: Picture, view: RoutineView, shown: list[Block], columns: dict[str, float], down: Down) -> None:
    """Steps of both arms: a pass or a carry spans both columns, a shared move is tied across."""
    for number in sorted({b.step for b in shown}):
        pair = [b for b in shown if b.step == number]
        if len({b.side for b in pair}) < 2:
            continue
        first, last = min(b.first for b in pair), max(b.last for b in pair)
        x, right = columns["left"], columns["right"] + COLUMN
        y0, y1 = down(first), down(last)
        if view.routine.steps[number].do in ("pass", "carry"):
            picture.box(x - 4, y0, right - x + 8, y1 - y0, TINTS["both"], INK, 1.8)
        else:
            y = 0.5 * (y0 + y1)
            picture.line([(x + COLUMN, y), (columns["right"], y)], RULE, 1.2)


def _block(picture: Picture, block: Block, x: float, down: Down) -> None:
    y0, y1 = down(block.first), down(block.last)
    picture.box(x, y0, COLUMN, max(y1 - y0, 1.0), "#ffffff", None)
    for a, b in block.moving:
        picture.box(x, down(a), COLUMN, down(b) - down(a), TINTS[block.side], None)
        picture.box(x, down(a), COLUMN, down(b) - down(a), _moving(picture, block.side), None)
    for a, b in block.gripping:
        picture.box(x, down(a), COLUMN, down(b) - down(a), picture.hatch("dots", INK, 4.5, 0.9), None)
    picture.box(x, y0, COLUMN, max(y1 - y0, 1.0), "none", INK, 1.0)


def _labels(
    picture: Picture, view: RoutineView, mine: list[Block], x: float, span: tuple[float, float], down: Down
) -> None:
    """Words beside a column, pushed apart where steps are short, each tied to its block."""
    if not mine:
        return
    wanted = [0.5 * (down(b.first) + down(b.last)) for b in mine]
    ys = spaced(wanted, LINE, span[0] + 4, span[1] + 2)
    side = mine[0].side
    sign = -1.0 if side == "left" else 1.0
    edge = x if side == "left" else x + COLUMN
    room = x - 30.0 if side == "left" else WIDTH - edge - 30.0
    t = view.facts.motion.t
    for block, at, y in zip(mine, wanted, ys, strict=True):
        seconds = float(t[min(block.last, len(t) - 1)] - t[block.first])
        time = f", {seconds:.2f} s"
        words = said(view.routine, block.step, side)
        picture.line([(edge + sign * 1, at), (edge + sign * 14, y), (edge + sign * 19, y)], RULE, 0.8)
        shown = fitted(words, room - width_of(time, SMALL), SMALL) + time
        picture.text(edge + sign * 23, y + 3.5, shown, SMALL, "end" if side == "left" else "start")


def spaced(wanted: list[float], least: float, low: float, high: float) -> list[float]:
    """Places as near to the wanted ones (in rising order) as `least` apart and between low and high allows."""
    found: list[float] = []
    for y in wanted:
        found.append(max(y, low, found[-1] + least if found else low))
    for k in range(len(found) - 1, -1, -1):
        ceiling = high if k == len(found) - 1 else found[k + 1] - least
        found[k] = min(found[k], ceiling)
    return found


def _key(picture: Picture, y: float) -> None:
    moves = [
        (fill_sample(picture, TINTS[side], INK, 1.0, _moving(picture, side)), f"{side} arm moves") for side in SIDES
    ]
    legend(
        picture, 56.0, y, WIDTH - 62.0,
        [
            *moves,
            (fill_sample(picture, "#ffffff", INK, 1.0, picture.hatch("dots", INK, 4.5, 0.9)), "jaws open or close"),
            (fill_sample(picture, "#ffffff"), "stands still"),
            (fill_sample(picture, TINTS["both"], INK, 1.8), "pass or carry"),
        ],
    )  # fmt: skip


def _moving(picture: Picture, side: Side) -> str:
    return picture.hatch("rising" if side == "left" else "falling", COLOURS[side], 7.0, 0.6)
