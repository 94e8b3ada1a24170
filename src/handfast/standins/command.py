"""The simple stand-in in the clothes that the board knows: lines in and out, or called directly.

`python -m handfast.standins --bench DIR --seed N` is a command for `handfast board simulate --stand-in`.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterable
from pathlib import Path
from types import TracebackType
from typing import TextIO

import numpy as np

from handfast.bench.folder import find_bench, read_bench
from handfast.bench.parts import SIDES, Bench
from handfast.errors import HandfastError, InputError
from handfast.geometry.rigid import Array
from handfast.mechanics.clearance import clearances
from handfast.mechanics.dynamics import gravity_torques
from handfast.mechanics.model import model_of
from handfast.standins.servo_model import ServoArms
from handfast.standins.side_channels import Hand
from handfast.standins.truth import draw_truth

CHANNELS = 12
"""Pulses and wipers in a line; a bench with fewer leaves the last ones alone."""


def resting(bench: Bench) -> Array:
    """A pose (K,) rad in which limp arms stay by themselves: least load on the gears, and nothing touched."""
    model = model_of(bench)
    rng = np.random.default_rng(5)
    low, high = (model.chain.travel * 0.9).T
    tries = np.vstack([np.clip(np.zeros(len(low)), low, high), rng.uniform(low, high, (1500, len(low)))])
    tau = gravity_torques(model.chain, tries)
    share = np.abs(tau) / np.maximum(model.limp_friction + model.friction, 1e-9)
    free = clearances(model.chain, model.bodies, tries).min(axis=1)
    # Each arm rests by itself, so the best half of one try may go with the best half of another.
    result = np.empty(len(low))
    for side in SIDES:
        part = bench.columns(side)
        cost = share[:, part].max(axis=1) + 100.0 * np.maximum(0.0, 0.04 - free)
        result[part] = tries[int(np.argmin(cost)), part]
    return result


class SimpleStandIn:
    """A pair of servo arms drawn by `seed`, with the three side channels; a context manager."""

    def __init__(
        self,
        bench: Bench,
        seed: int,
        hand: Path | None = None,
        readings: Path | None = None,
        truth_file: Path | None = None,
        start: Array | None = None,
    ):
        truth = draw_truth(bench, seed)
        self.arms = ServoArms(truth, CHANNELS, seed, resting(bench) if start is None else start, truth_file)
        self._hand = Hand(bench, truth, self.arms, np.random.default_rng([seed, 11]), hand, readings)
        self._power = 0

    def __enter__(self) -> SimpleStandIn:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the files."""
        self._hand.close()
        self.arms.close()

    def run(self, t_us: int, pulses_us: Array, relay: bool) -> np.ndarray:
        """Advance one ms per row of pulses (N, 12) µs; returns (N, 15): wiper mV, supply mV, two currents mA.

        Without power nothing is driven and nothing can be read.
        """
        n = len(pulses_us)
        out = self.arms.run(pulses_us * (1e-6 if relay else 0.0), self._hand.led(n))
        if not relay:
            return np.zeros((n, CHANNELS + 3), dtype=int)
        return np.asarray(np.maximum(0, np.rint(1e3 * out)), dtype=int)


def serve(stand_in: SimpleStandIn, lines: Iterable[str], out: TextIO) -> None:
    """Answer every line of `lines` by one line to `out`, until they end. Raises InputError for what is no such line."""
    for line in lines:
        try:
            numbers = [int(word) for word in line.split()]
        except ValueError:
            numbers = []
        if len(numbers) != CHANNELS + 2:
            raise InputError(
                f"{line.strip()!r} is no line for a stand-in",
                where="stdin",
                expected=f"t_us, {CHANNELS} pulse widths in µs, relay 0 or 1: {CHANNELS + 2} whole numbers",
                next_step="start this command through: handfast board simulate --stand-in COMMAND",
            )
        row = stand_in.run(numbers[0], np.array(numbers[1:-1], dtype=float)[None], bool(numbers[-1]))[0]
        out.write(" ".join(map(str, row)) + "\n")
        out.flush()


def main(arguments: list[str] | None = None) -> int:
    """The stand-in as a command; returns the exit status."""
    parser = argparse.ArgumentParser(prog="python -m handfast.standins", description=__doc__)
    parser.add_argument("--bench", type=Path, metavar="DIR", help="the bench folder (else the nearest)")
    parser.add_argument("--seed", type=int, default=1, help="which pair of arms")
    parser.add_argument("--hand", type=Path, metavar="FILE", help="lines that say what a hand does")
    parser.add_argument("--readings", type=Path, metavar="FILE", help="where instruments write what they show")
    parser.add_argument("--truth", type=Path, metavar="FILE", help="where the true TCP positions go")
    given = parser.parse_args(arguments)
    try:
        bench = read_bench(find_bench(Path.cwd(), given.bench), measured=False)
        with SimpleStandIn(bench, given.seed, given.hand, given.readings, given.truth) as stand_in:
            serve(stand_in, sys.stdin, sys.stdout)
    except HandfastError as error:
        print(f"stand-in: {error}", file=sys.stderr)
        return error.exit_status
    except (KeyboardInterrupt, BrokenPipeError):
        pass
    return 0
