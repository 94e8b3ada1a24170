"""The twin in the clothes that the board knows: lines in and out, or called directly.

`python -m handfast.rehearsal --bench DIR` is a command for `handfast board simulate --stand-in`.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import numpy as np

from handfast.bench.folder import find_bench, read_bench
from handfast.bench.parts import Bench
from handfast.errors import HandfastError
from handfast.geometry.rigid import Array
from handfast.rehearsal.scene import Scene
from handfast.rehearsal.twin import Twin
from handfast.standins.command import CHANNELS, SimpleStandIn, resting, serve
from handfast.standins.side_channels import Hand, HandLine
from handfast.standins.truth import design_truth, draw_truth

TRUTH_EVERY = 20
"""Milliseconds between two lines of the truth file."""


class _Hand(Hand):
    """A hand that can also push."""

    def push(self, line: HandLine) -> None:
        """Push a TCP until the next line of its arm."""
        assert isinstance(self._arms, Twin)
        self._arms.push_tcp(line.arm, np.array(line.numbers))

    def _do(self, line: HandLine, now: int) -> None:
        if line.verb != "read" and isinstance(self._arms, Twin):
            self._arms.push_tcp(line.arm, np.zeros(3))
        super()._do(line, now)


class TwinStandIn(SimpleStandIn):
    """The twin with the three side channels: as the bench says (seed None), or drawn around it."""

    def __init__(
        self,
        bench: Bench,
        seed: int | None = None,
        hand: Path | None = None,
        readings: Path | None = None,
        truth_file: Path | None = None,
        start: Array | None = None,
    ):
        truth = design_truth(bench) if seed is None else draw_truth(bench, seed)
        self.twin = Twin(bench, truth, Scene(), seed or 0, resting(bench) if start is None else start, watched=False)
        rng = np.random.default_rng([seed or 0, 11])
        self._hand = _Hand(bench, truth, self.twin, rng, hand, readings)
        self._truth_stream = None
        if truth_file is not None:
            truth_file.parent.mkdir(parents=True, exist_ok=True)
            self._truth_stream = truth_file.open("w", encoding="ascii", buffering=1)
            self._truth_stream.write("# t_us left_x_mm left_y_mm left_z_mm right_x_mm right_y_mm right_z_mm\n")

    def close(self) -> None:
        """Close the files."""
        self._hand.close()
        if self._truth_stream is not None:
            self._truth_stream.close()

    def run(self, t_us: int, pulses_us: Array, relay: bool) -> np.ndarray:
        """Advance one ms per row of pulses (N, 12) µs; returns (N, 15): wiper mV, supply mV, two currents mA."""
        n = len(pulses_us)
        out = self.twin.run(pulses_us * (1e-6 if relay else 0.0), self._hand.led(n))
        if self._truth_stream is not None and self.twin.time_us // 1000 % TRUTH_EVERY < n:
            xyz = self.twin.tool_positions().ravel() * 1e3
            self._truth_stream.write(f"{self.twin.time_us} " + " ".join(f"{v:.4f}" for v in xyz) + "\n")
        if not relay:
            return np.zeros((n, CHANNELS + 3), dtype=int)
        return np.asarray(np.maximum(0, np.rint(1e3 * out)), dtype=int)


def main(arguments: list[str] | None = None) -> int:
    """The twin as a command; returns the exit status."""
    parser = argparse.ArgumentParser(prog="python -m handfast.rehearsal", description=__doc__)
    parser.add_argument("--bench", type=Path, metavar="DIR", help="the bench folder (else the nearest)")
    parser.add_argument("--seed", type=int, help="arms drawn around the bench's design (else exactly as it says)")
    parser.add_argument("--hand", type=Path, metavar="FILE", help="lines that say what a hand does")
    parser.add_argument("--readings", type=Path, metavar="FILE", help="where instruments write what they show")
    parser.add_argument("--truth", type=Path, metavar="FILE", help="where the true TCP positions go")
    given = parser.parse_args(arguments)
    try:
        bench = read_bench(find_bench(Path.cwd(), given.bench), measured=False)
        with TwinStandIn(bench, given.seed, given.hand, given.readings, given.truth) as stand_in:
            serve(stand_in, sys.stdin, sys.stdout)
    except HandfastError as error:
        print(f"twin: {error}", file=sys.stderr)
        return error.exit_status
    except OSError as error:
        print(f"twin: {error.filename}: {error.strerror}", file=sys.stderr)
        return 3
    except KeyboardInterrupt:
        pass
    return 0
