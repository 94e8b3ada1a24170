"""How a ratio of speeds is taken, and how a row of the table looks."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Row:
    """One line of the table: what is compared, what it must and should come to, and the measuring.

    As a rule a number of times faster, the more the better; with `at_most` something that must stay below its
    goal, such as a start in seconds (unit "s").
    """

    name: str
    goal: float
    aim: float
    measure: Callable[[], float]
    unit: str = "x"
    at_most: bool = False

    def met(self, measured: float) -> str:
        """Whether the goal is met, and perhaps the aim, in words."""
        sign = -1.0 if self.at_most else 1.0
        if sign * measured < sign * self.goal:
            return "no"
        return "yes" if sign * measured < sign * self.aim else "yes, and the aim"


def times_faster(
    ours: Callable[[], object],
    theirs: Callable[[], object],
    pairs: int = 11,
    clock: Callable[[], float] = time.thread_time,
) -> float:
    """How many times longer `theirs` takes than `ours`: the median over pairs run one after the other.

    Taken turn about, both sides meet the same weather on the machine, and the median forgets a disturbed pair.
    `clock` counts the seconds that this thread computes, so that waiting for a busy machine is not counted; for
    work in several threads, time.perf_counter. The shorter side is run often enough to take about a quarter of
    the longer one's time. Each is run once beforehand, so that nothing is compiled or loaded on the clock.
    """

    def seconds(work: Callable[[], object], times: int) -> float:
        start = clock()
        for _ in range(times):
            work()
        return (clock() - start) / times

    def often(work: Callable[[], object], long: float) -> int:
        return max(1, min(200, int(0.25 * long / max(seconds(work, 1), 1e-6))))

    first, second = seconds(ours, 1), seconds(theirs, 1)
    mine, others = often(ours, second), often(theirs, first)
    ratios = []
    for _ in range(pairs):
        fast = seconds(ours, mine)
        ratios.append(seconds(theirs, others) / fast)
    return statistics.median(ratios)
