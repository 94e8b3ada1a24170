"""Stand-ins for servos under the incoming test: one on its rig, and whole batches with known faults.

Invented servos, for demonstrations and tests. Nothing here knows how vetting estimates or judges; the only common
ground is the servo class of the stock with what it lets pass.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from handfast.bench.parts import Servo
from handfast.records.sweep import Sweep
from handfast.records.trace import COUNTS, Trace
from handfast.standins.rig_kernels import DELAYS, rig_kernel
from handfast.units import DEGREE

FAULTS = ("weak", "slow", "play", "dead band", "noise", "non-linear", "slipping")
"""What can be wrong with an invented servo."""


@dataclass(frozen=True)
class RigServo:
    """True figures of one servo, SI. `fault` is "" if there is none; `used` says how much of each limit it takes.

    Its electronics compare the pulse with its potentiometer, which sits on the output shaft behind the play of
    the gears; in an `indirect` one they watch the motor's side of the play, and the wiper still shows the shaft.
    """

    mark: str
    servo: str
    fault: str
    used: dict[str, float]
    stall: float
    free: float
    rotor: float
    full: float
    band: float
    friction: float
    play: float
    dead_time: float
    damping: float
    pulse_zero: float
    pulse_slope: float
    bow: float
    phase: float
    bend: float
    span: float
    stall_current: float
    free_current: float
    idle_current: float
    indirect: bool
    stubborn: bool
    slip: float
    slips_on: str
    wiper_zero: float
    wiper_slope: float
    noise: float
    wild_share: float
    wild_size: float
    follows: float
    lead: float
    voltage: float


@dataclass(frozen=True)
class Rig:
    """How a test rig samples: rate Hz, unevenness of its time steps, bits, and what its protractor shows."""

    rate: float = 100.0
    uneven: float = 0.1
    bits: int = 10
    protractor: bool = True
    protractor_error: float = 0.3 * DEGREE
    current: bool = True


def draw_servo(servo: Servo, mark: str, fault: str, rng: np.random.Generator, typical: dict[str, float]) -> RigServo:
    """One servo of a class: sound in every figure (at least a tenth inside its limit) but for its `fault`.

    `typical`: how much of each limit the batch uses on the average. A fault lies 20-60 % past its limit; slipping
    is by 3-8 degrees. Ranges of the rest: dead time 20-60 ms, full drive at 1.5-5 degrees, gear friction 2-10 %
    of stall, feedback following the supply by 0-100 % (common practice, no source).
    """
    limits = servo.limits
    used = {name: float(np.clip(typical[name] + 0.12 * rng.normal(), 0.2, 0.9)) for name in typical}
    name_of = {"play": "play", "dead band": "dead band", "noise": "noise", "non-linear": "linearity"}
    past = 1.0 + rng.uniform(0.2, 0.6)
    if fault in name_of:
        used[name_of[fault]] = past
    time = limits.time * (past if fault == "slow" else rng.uniform(0.72, 0.9))
    holding = limits.holding / past if fault == "weak" else limits.holding * rng.uniform(1.1, 1.8)
    used["time"], used["holding"] = time / limits.time, limits.holding / holding
    stall = holding * servo.stall_torque
    full = rng.uniform(1.5, 5.0) * DEGREE
    band = used["dead band"] * limits.dead_band / servo.pulse_slope
    friction = min(rng.uniform(0.02, 0.10) * servo.stall_torque, 0.9 * band / (2.0 * full) * stall)
    friction = max(friction, 0.025 * servo.stall_torque)
    free = servo.no_load_speed / time / (1.0 - friction / stall)
    rotor = servo.reflected_inertia * rng.uniform(0.8, 1.3)
    damping = max(0.0, 2.0 * rng.uniform(0.7, 1.1) * np.sqrt(rotor * full / stall) - full / free)
    phase = rng.uniform(0.0, 2.0 * np.pi)
    shape = rng.uniform(-1.0, 1.0)
    span = servo.travel
    bow, bend = _scaled(used["linearity"] * limits.linearity, phase, shape, span)
    volts = rng.uniform(0.36, 0.6)  # share of the input's range that the whole travel takes
    return RigServo(
        mark=mark,
        servo=servo.name,
        fault=fault,
        used=used,
        stall=stall,
        free=free,
        rotor=rotor,
        full=full,
        band=band,
        friction=friction,
        play=used["play"] * limits.play,
        dead_time=rng.uniform(0.020, 0.060),
        damping=float(damping),
        pulse_zero=0.5 * (servo.pulse_low + servo.pulse_high) + rng.uniform(-5, 5) * DEGREE * servo.pulse_slope,
        pulse_slope=servo.pulse_slope * rng.uniform(0.97, 1.03),
        bow=bow,
        phase=phase,
        bend=bend,
        span=span,
        stall_current=servo.stall_current * rng.uniform(0.8, 1.2),
        free_current=servo.no_load_current,
        idle_current=servo.idle_current,
        indirect=False,
        stubborn=False,
        slip=rng.uniform(3.0, 8.0) * DEGREE if fault == "slipping" else 0.0,
        slips_on="potentiometer" if rng.random() < 0.5 else "gear",
        wiper_zero=rng.uniform(0.45, 0.55),
        wiper_slope=volts / servo.travel * (1.0 if rng.random() < 0.7 else -1.0),
        noise=used["noise"] * limits.noise / COUNTS,
        wild_share=float(rng.choice([0.0, 0.0, 0.0, 1e-4])),
        wild_size=0.8 * limits.wild / COUNTS,
        follows=rng.uniform(0.0, 1.0),
        lead=0.03,
        voltage=servo.rated_voltage,
    )


def _scaled(wanted: float, phase: float, shape: float, span: float) -> tuple[float, float]:
    """Sizes of the sine and of the square of a potentiometer's bow that departs from a line by `wanted` in all.

    `wanted`: largest departure from the best line (the one that keeps it least), of the span, over its middle 80 %.
    """
    x = np.linspace(-0.4, 0.4, 401)
    y = np.sin(2.0 * np.pi * x + phase) + 2.0 * shape * x**2
    slopes = np.linspace(-20.0, 20.0, 4001)[:, None]
    away = 0.5 * float(np.ptp(y - slopes * x, axis=1).min())
    size = wanted * 0.8 * span / away
    return size, 2.0 * shape * size


def run_rig(truth: RigServo, servo: Servo, sweep: Sweep, rig: Rig, rng: np.random.Generator) -> Trace:
    """What the rig records while this servo goes through a sweep."""
    part = sweep.joined()
    ms = np.arange(round(part.duration * 1e3))
    at = np.searchsorted(part.t, ms * 1e-3 + 1e-9, side="right") - 1
    rows = np.column_stack([part.pulse[at], part.load[at], part.push[at].astype(float)])
    slips = np.zeros((len(ms), 2))
    if truth.slip:
        hits = rng.random(len(ms)) < 0.002
        signs = np.where(rng.random(len(ms)) < 0.5, -1.0, 1.0)
        slips[:, 0 if truth.slips_on == "potentiometer" else 1] = hits * signs * truth.slip
    half = 0.5 * truth.span
    figures = np.array([
        truth.stall, truth.free, truth.rotor, truth.full, truth.band, truth.friction, truth.play,
        0.01 * servo.stall_torque, round(truth.dead_time * 1e3), truth.damping, truth.pulse_zero, truth.pulse_slope,
        truth.bow, truth.phase, truth.span, truth.bend, truth.stall_current, truth.free_current,
        truth.idle_current, float(truth.indirect), float(truth.stubborn), 20.0, -1.1 * half, 1.1 * half, 0.28,
        (part.pulse[0] - truth.pulse_zero) / truth.pulse_slope,
    ])  # fmt: skip
    out = np.empty((len(ms), 4))
    rig_kernel(figures, np.ascontiguousarray(rows), slips, np.zeros(DELAYS), out)
    count = int(part.duration * rig.rate)
    t = (np.arange(count) + rng.uniform(-0.5, 0.5, count) * rig.uneven) / rig.rate
    index = np.clip(np.round(t * 1e3).astype(int), 0, len(ms) - 1)
    pot, shaft, current, _ = out[index].T
    supply = truth.voltage - truth.lead * current
    wiper = truth.wiper_zero + truth.wiper_slope * pot
    wiper = wiper * (1.0 + truth.follows * (supply / truth.voltage - 1.0))
    wiper = wiper + rng.normal(size=count) * truth.noise
    wild = rng.random(count) < truth.wild_share
    wiper = wiper + wild * rng.choice([-1.0, 1.0], count) * truth.wild_size
    step = 2.0**-rig.bits
    wiper = np.clip(np.round(wiper / step) * step, 0.0, 1.0 - step)
    horn = np.full(count, np.nan)
    if rig.protractor:
        ends = np.append(part.t[1:], part.duration)[part.protractor]
        for end in ends:
            k = int(np.searchsorted(t, end)) - 2
            seen = shaft[k] + rng.normal() * rig.protractor_error
            horn[k] = round(seen / (0.5 * DEGREE)) * 0.5 * DEGREE
    return Trace(
        mark=truth.mark,
        servo=servo.name,
        t=np.round(t, 6),
        pulse=part.pulse[at[index]],
        wiper=wiper,
        load=part.load[at[index]],
        push=part.push[at[index]],
        horn=horn,
        current=current if rig.current else None,
        supply=np.round(supply, 3),
        bits=rig.bits,
        invented=True,
    )


def draw_batch(servo: Servo, count: int, bad: int, seed: int) -> list[RigServo]:
    """A batch of `count` servos of one class, `bad` of them with a fault, in a drawn order."""
    rng = np.random.default_rng([seed, 40])
    typical = {name: rng.uniform(0.4, 0.7) for name in ("play", "dead band", "noise", "linearity")}
    indirect = bool(rng.random() < 0.3)
    faults = [""] * count
    wrong = rng.permutation(np.resize(rng.permutation(FAULTS), bad))
    for place, fault in zip(rng.permutation(count)[:bad], wrong, strict=True):
        faults[place] = str(fault)
    return [
        replace(draw_servo(servo, f"X{seed:02d}-{number + 1:02d}", fault, rng, typical), indirect=indirect)
        for number, fault in enumerate(faults)
    ]
