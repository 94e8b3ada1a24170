"""How uncertain the figures of a bench are that nobody has measured.

One standard deviation each, common practice, no source: unmeasured play is taken as anywhere between a third
and one and two thirds of its default, compliance and limp friction as good to a factor of about 1.6, the
pulse line of an unmeasured servo as good to 1.5 degrees. A measured value brings its own uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.bench.measured import Measured
from handfast.bench.parts import SIDES
from handfast.files.fields import specs_of
from handfast.geometry.rigid import Array
from handfast.mechanics.model import Model
from handfast.units import DEGREE

PLAY_SHARE = 0.39
COMPLIANCE_SHARE = 0.5
FRICTION_SHARE = 0.45
DROOP_SHARE = 0.35
PULSE_LINE = 1.5 * DEGREE
SWEPT_LINE = 0.1 * DEGREE
"""What a sweep leaves of the pulse line's error, one standard deviation (from simulated arms, no source)."""


@dataclass(frozen=True)
class Spread:
    """Standard deviations per joint (K,), SI."""

    unseen_play: Array
    compliance: Array
    limp_friction: Array
    droop_share: Array
    pulse_line: Array


def spread_of(model: Model, measured: tuple[Measured, ...] = ()) -> Spread:
    """The uncertainty of every joint's figures: defaults, or what was measured."""
    play = PLAY_SHARE * model.unseen_play
    compliance = COMPLIANCE_SHARE * model.compliance
    limp = FRICTION_SHARE * model.limp_friction
    droop = np.full(len(play), DROOP_SHARE)
    pulse = np.full(len(play), PULSE_LINE)
    names = model.bench.joint_names
    for i, joint in enumerate(model.bench.joints):
        if joint.pulses_measured:
            pulse[i] = SWEPT_LINE
    keys = {"unseen_play_deg": play, "compliance_deg_per_Nm": compliance}
    for entry in measured:
        if entry.of in names and entry.key in keys and entry.uncertainty is not None:
            spec = specs_of(type(model.bench.joints[names.index(entry.of)]))[entry.key][1]
            keys[entry.key][names.index(entry.of)] = spec.unit.factor * entry.uncertainty
        if entry.of in names and entry.key == "full_drive_error_deg" and entry.uncertainty is not None:
            droop[names.index(entry.of)] = entry.uncertainty / max(entry.value, 1e-6)
    assert len(play) == sum(len(model.bench.arm(side).joints) for side in SIDES)
    return Spread(play, compliance, limp, droop, pulse)
