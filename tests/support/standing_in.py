"""Stand-in arms whose true figures are plain numbers, so that what they do can be worked by hand."""

from __future__ import annotations

from typing import Any

import numpy as np

from handfast.mechanics.model import Chain
from handfast.standins.servo_model import ServoArms
from handfast.standins.truth import Truth
from support import one_joint

PULSE = 1.5e-3
"""Pulse that asks for angle zero, s; 0.5 ms/rad from there on."""


def truth(chain: Chain | None = None, **figures: Any) -> Truth:
    """Ideal servos at the joints of `chain` (two arms of one joint) and two grippers; `figures` replace what is named.

    No play, dead band, friction, compliance, dead time, offset, damping or noise; stall torque 1 N·m at 6 V, free
    speed 6 rad/s, full drive at 0.05 rad, no resistance anywhere.
    """
    chain = one_joint.chain() if chain is None else chain
    K = chain.joints
    values: dict[str, Any] = {
        "unseen_play": 0.0, "seen_play": 0.0, "dead_band": 0.0, "full_drive": 0.05, "compliance": 0.0,
        "gear_friction": 0.0, "joint_friction": 0.0, "stall": 1.0, "free_speed": 6.0, "rated_voltage": 6.0,
        "rotor": 1e-3, "dead_time": 0.0, "damping": 0.0, "stall_current": 2.0, "free_current": 0.2,
        "idle_current": 0.01, "offset": 0.0, "bow": 0.0, "bow_phase": 0.0, "bow_span": 3.0, "follows_supply": 0.0,
        "pulse_zero": PULSE, "pulse_slope": 5e-4, "wiper_zero": 2.5, "wiper_slope": 0.5, "wiper_noise": 0.0,
    }  # fmt: skip
    plain = {name: figures.pop(name) for name in list(figures) if name in values}
    per_servo = {name: np.full(K + 2, float(v)) for name, v in values.items()}
    for name, value in plain.items():
        per_servo[name] = np.array(np.broadcast_to(value, K + 2), dtype=float)
    others: dict[str, Any] = {
        "springs": np.zeros((K, 2)), "channel": np.arange(K + 2), "supply_voltage": 6.0, "supply_resistance": 0.0,
        "lead_resistance": np.zeros(2), **figures,
    }  # fmt: skip
    return Truth(chain=chain, **per_servo, **others)


class Bare:
    """Stand-in arms run by angles instead of pulses."""

    def __init__(self, figures: Truth, start: Any = 0.0):
        self.truth = figures
        self.arms = ServoArms(figures, len(figures.channel), 1, np.array(np.broadcast_to(start, figures.joints), float))

    def ask(self, angles: Any, seconds: float) -> np.ndarray:
        """Ask every servo for an angle, for a while; wiper volts, supply volts and currents of each ms."""
        pulses = self.truth.pulse_zero + self.truth.pulse_slope * np.broadcast_to(angles, len(self.truth.channel))
        return self.arms.run(np.tile(pulses, (round(seconds * 1000), 1)))

    def lead(self, path: np.ndarray) -> np.ndarray:
        """Limp servos, links led along `path` (N, K), a row per ms."""
        return self.arms.run(np.zeros((len(path), len(self.truth.channel))), np.array(path, dtype=float))

    def limp(self, seconds: float) -> np.ndarray:
        """Limp servos and no hand."""
        return self.arms.run(np.zeros((round(seconds * 1000), len(self.truth.channel))))

    def read(self, wipers: np.ndarray) -> np.ndarray:
        """Angles that the wipers show."""
        servos = len(self.truth.channel)
        return (wipers[..., :servos] - self.truth.wiper_zero) / self.truth.wiper_slope

    @property
    def link(self) -> float:
        """True angle of the first arm's link."""
        return float(self.arms.link_angles()[0])
