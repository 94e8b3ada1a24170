"""A calibration as measured values: what stands in measured.toml afterwards, with uncertainty and source."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from handfast.bench.parts import SIDES
from handfast.files.fields import rounded
from handfast.fitting.calibrate import Calibration
from handfast.fitting.unknowns import wiper_table
from handfast.geometry.rigid import rotation_vector
from handfast.units import DEGREE, KGF_CM


@dataclass(frozen=True)
class Value:
    """One measured value: of which part, key and value as in bench.toml, one standard deviation, if known."""

    of: str
    key: str
    value: Any
    uncertainty: float | None
    known: bool


def values_of(calibration: Calibration) -> list[Value]:
    """All figures of a calibration. `known` says whether the readings decided it, or mostly the first guess."""
    u, x = calibration.unknowns, calibration.x
    bench = u.bench
    model = u.model_at(x)
    play, compliance, limp, rub = u.figures(x)
    found: list[Value] = []
    for i, (name, joint) in enumerate(zip(bench.joint_names, bench.joints, strict=True)):
        stall = bench.servo_of(joint).stall_torque

        def log(figure: str, value: float, of: str = name) -> tuple[float, bool]:
            index = calibration.index(of, figure)
            return calibration.sigma(index) * value, calibration.known(index)

        middle = calibration.index(name, "wiper 3")
        found.append(Value(name, "wiper_table", wiper_table(u, x, i), None, calibration.known(middle)))
        for figure, key, value, scale in (
            ("unseen play", "unseen_play_deg", play[i], DEGREE),
            ("compliance", "compliance_deg_per_Nm", compliance[i], DEGREE),
            ("limp friction", "limp_friction_kgcm", limp[i], KGF_CM),
            ("joint friction", "joint_friction_pct", rub[i], 0.01 * stall),
        ):
            sigma, known = log(figure, float(value))
            found.append(Value(name, key, rounded(float(value) / scale), rounded(sigma / scale), known))
        tremor = calibration.index("hand", "tremor")
        found.append(
            Value(
                name, "hand_tremor_deg", rounded(float(model.hand_tremor[i]) / DEGREE),
                rounded(calibration.sigma(tremor) / DEGREE), calibration.known(tremor),
            )
        )  # fmt: skip
        length = calibration.index(name, "length")
        found.append(
            Value(
                name, "offset_mm", [rounded(float(v) * 1e3) for v in model.chain.offsets[i]],
                rounded(calibration.sigma(length) * 1e3), calibration.known(length),
            )
        )  # fmt: skip
    for name in bench.joint_names:
        told = [f for f in calibration.readings.follows if f.joint == name]
        if told:
            weights = np.array([f.error**-2.0 for f in told])
            share = float(weights @ [f.share for f in told] / weights.sum())
            # Nothing at all would say that nobody looked.
            share, sigma = max(share, 0.005), float(weights.sum() ** -0.5)
            found.append(
                Value(name, "wiper_follows_supply_pct", rounded(100 * share), rounded(100 * sigma), sigma < 0.1)
            )
    for arm, side in enumerate(SIDES):
        part = u.arm_part(arm).start
        found.append(
            Value(
                f"{side} gripper", "tcp_mm", [rounded(float(v) * 1e3) for v in model.chain.tools[arm]],
                rounded(calibration.sigma(part) * 1e3), calibration.known(part),
            )
        )  # fmt: skip
        sigma = max(calibration.sigma(part + k) for k in (1, 2, 3))
        known = all(calibration.known(part + k) for k in (1, 2))
        position = [rounded(float(v) * 1e3) for v in model.chain.bases[arm][:3, 3]]
        found.append(Value(f"{side} base", "base_mm", position, rounded(sigma * 1e3), known))
        yaw = float(rotation_vector(model.chain.bases[arm][:3, :3])[2]) / DEGREE
        turn = calibration.sigma(part + 4) / DEGREE
        found.append(Value(f"{side} base", "base_yaw_deg", rounded(yaw), rounded(turn), calibration.known(part + 4)))
    assert all(v.uncertainty is None or np.isfinite(v.uncertainty) for v in found)
    return found
