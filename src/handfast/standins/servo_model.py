"""The simple stand-in: a pair of servo arms with play, friction and droop, in steps of a millisecond."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import TextIO

import numpy as np

from handfast.errors import FaultError
from handfast.geometry.rigid import Array
from handfast.mechanics.kinematics import tool_poses
from handfast.standins.servo_kernels import RING, advance_kernel
from handfast.standins.truth import Truth

_ROWS = (
    "unseen_play", "seen_play", "dead_band", "full_drive", "compliance", "gear_friction", "joint_friction",
    "stall", "free_speed", "rated_voltage", "rotor", "dead_time", "stall_current", "free_current", "idle_current",
    "offset", "bow", "bow_phase", "bow_span", "follows_supply",
)  # fmt: skip

STOPS = np.radians(2.0)
"""How far beyond the travel the servos' own stops lie, rad."""


def _opened(path: Path) -> TextIO:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        return path.open("w", encoding="ascii", buffering=1)
    except OSError as error:
        raise FaultError(f"{path}: the true positions cannot be written there ({error.strerror})") from error


def pack_servo(truth: Truth) -> Array:
    """The figures of `Truth` as rows of the kernel's `servo` array."""
    S = len(truth.channel)
    packed = np.zeros((28, S))
    for row, name in enumerate(_ROWS):
        packed[row] = getattr(truth, name)
    packed[20, :4] = (truth.supply_voltage, *truth.lead_resistance, truth.supply_resistance)
    packed[21], packed[22] = truth.pulse_zero, truth.pulse_slope
    packed[25] = truth.damping
    # The servo's own stops lie somewhat beyond the travel that the joint is used in.
    packed[26], packed[27] = -np.inf, np.inf
    packed[26, : truth.joints], packed[27, : truth.joints] = (truth.chain.travel + np.array([-STOPS, STOPS])).T
    packed[23], packed[24] = truth.wiper_zero, truth.wiper_slope
    return packed


class ServoArms:
    """A pair of arms that answers pulses with wiper voltages; a context manager if it writes truth.

    `channels` outputs; a channel without a servo reads 0 V. `truth_file`: where the true TCP positions go, one
    line every 20 ms: time in µs, then x y z in mm of the left and of the right TCP.
    """

    def __init__(self, truth: Truth, channels: int, seed: int, start: Array, truth_file: Path | None = None):
        self._truth, self._channels = truth, channels
        self._rng = np.random.default_rng([seed, 7])
        S, K = len(truth.channel), truth.joints
        self._servo = pack_servo(truth)
        self._state = np.zeros((10, S))
        self._state[:5, :K] = np.asarray(start)[None, :]
        self._state[1] = 0.0
        self._forces = np.zeros((4, K, 3))
        self._loads = np.zeros((2, 4))
        self._pushes = np.zeros((2, 3))
        self._ring = np.zeros((S, RING))
        self._clock = np.zeros(1, dtype=np.int64)
        self._stream = None if truth_file is None else _opened(truth_file)
        self._written = -20_000
        if self._stream is not None:
            self._stream.write("# t_us left_x_mm left_y_mm left_z_mm right_x_mm right_y_mm right_z_mm\n")

    def __enter__(self) -> ServoArms:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the truth file."""
        if self._stream is not None:
            self._stream.close()
            self._stream = None

    @property
    def time_us(self) -> int:
        """Simulated time, µs."""
        return int(self._clock[0]) * 1000

    def load(self, side: int, mass: float, offset: Sequence[float] = (0.0, 0.0, 0.0)) -> None:
        """Put `mass` kg into the hand of arm `side`, `offset` m from the TCP in link axes."""
        self._loads[side] = (mass, *offset)

    def push(self, side: int, force: Sequence[float]) -> None:
        """Push the TCP of arm `side` with `force` N, world axes, until told otherwise."""
        self._pushes[side] = force

    def run(self, pulses: Array, led: Array | None = None) -> Array:
        """Advance by one row of `pulses` (N, channels), in seconds, per millisecond.

        led (N, K): link angles rad that a hand imposes, NaN where it does not. Returns (N, channels + 3): wiper
        volts, supply volts, amperes of the left and the right arm.
        """
        N, S, K = len(pulses), len(self._truth.channel), self._truth.joints
        led = np.full((N, K), np.nan) if led is None else np.ascontiguousarray(led)
        noise = self._rng.normal(size=(N, S)) * self._truth.wiper_noise
        out = np.empty((N, S + 3))
        chain = self._truth.chain
        advance_kernel(
            chain.first, chain.bases, chain.offsets, chain.axes, chain.masses, chain.coms, chain.inertias,
            chain.gravity, chain.tools, self._truth.springs, self._servo, self._state, self._forces, self._loads,
            self._pushes, self._ring, self._clock, np.ascontiguousarray(pulses[:, self._truth.channel]), led, noise,
            out,
        )  # fmt: skip
        if self._stream is not None and self.time_us - self._written >= 20_000:
            self._written = self.time_us
            xyz = self.tool_positions() * 1e3
            self._stream.write(f"{self.time_us} " + " ".join(f"{v:.4f}" for v in xyz.ravel()) + "\n")
        wipers = np.zeros((N, self._channels + 3))
        wipers[:, self._truth.channel] = out[:, :S]
        wipers[:, self._channels :] = out[:, S:]
        return wipers

    def advance(self, t_us: int, pulses_us: Sequence[float], relay: bool) -> tuple[list[int], int, tuple[int, int]]:
        """One millisecond, in the units of the stand-in's lines: wiper mV, supply mV, current of each arm mA."""
        pulses = np.array(pulses_us, dtype=float)[None] * (1e-6 if relay else 0.0)
        row = self.run(pulses)[0]
        if not relay:
            return [0] * self._channels, 0, (0, 0)
        mV = [max(0, round(1e3 * v)) for v in row]
        return mV[: self._channels], mV[self._channels], (mV[-2], mV[-1])

    def link_angles(self) -> Array:
        """True joint angles of the links (K,), rad."""
        return self._state[4, : self._truth.joints].copy()

    def slack(self) -> Array:
        """Where each joint's link stands in the play that its feedback does not see (K,), rad, ± half the play."""
        K = self._truth.joints
        return self._state[3, :K] - self._state[2, :K]

    def tool_positions(self) -> Array:
        """True TCP positions (2, 3), m, in world axes."""
        return np.asarray(tool_poses(self._truth.chain, self.link_angles())[0, :, :3, 3])
