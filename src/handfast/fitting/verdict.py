"""Accept, watch or reject: each servo beside the limits of its class and beside its batch, in a maker's words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import theilslopes

from handfast.bench.parts import Servo
from handfast.bench.servos import verdict_text
from handfast.fitting.examine import WORDS, Examined, Figure
from handfast.geometry.statistics import OUTLIER, modified_z
from handfast.units import DEGREE, unit_of

SURE = 2.0
"""A figure is past its limit for sure by this many standard errors."""

UNSURE = 1.2
"""A figure that may, within its standard error, be this far past its limit is watched."""

_FAR_OUT, _FAR = 8.0, 1.6
_NEAR = 0.95
_TELLING = ("droop_deg_per_Nm", "lag_ms", "dead_time_ms", "starting_current_A")
# Figures without a limit of their own class (or only an upper one) that tell of a weak or ailing servo by themselves.
_EVENTS = ("slip_deg", "unequal_pct")  # seen or not: being unsure of them is no reason to watch
_FEWEST = 6
_FEWEST_FOR_LINK = 8
_WILD_SHARE = 0.002


@dataclass(frozen=True)
class Reason:
    """Why a servo is watched or rejected: level, figure, words."""

    level: str
    key: str
    words: str


@dataclass(frozen=True)
class Judged:
    """One servo judged. used: value over limit of every figure that has one (above 1: past it)."""

    examined: Examined
    verdict: str
    reasons: tuple[Reason, ...]
    remarks: tuple[str, ...]
    not_tested: tuple[str, ...]
    used: dict[str, float]

    @property
    def verdict_text(self) -> str:
        """The verdict, and what it rests on where that is not all."""
        return verdict_text(self.verdict, self.not_tested)


@dataclass(frozen=True)
class Batch:
    """All servos of one run of the test, and what was noticed of the batch as a whole."""

    servos: tuple[Judged, ...]
    remarks: tuple[str, ...]

    def count(self, verdict: str) -> int:
        """How many servos have that verdict."""
        return sum(1 for judged in self.servos if judged.verdict == verdict)


@dataclass(frozen=True)
class Limit:
    """Limit of a figure, SI; `least`: the figure must not fall below it. `says`: what is wrong, in one phrase."""

    key: str
    value: float
    says: str
    least: bool = False


def limits_of(servo: Servo) -> dict[str, Limit]:
    """Every limit of a class, by the figure's key."""
    a = servo.limits
    found = [
        Limit("time_60deg_ms", a.time * 60.0 * DEGREE / servo.no_load_speed, "slow: 60 degrees take {value}"),
        Limit("unequal_pct", a.unequal, "one way it is faster than the other by {value}"),
        Limit("torque_pct", a.holding, "weak: it lifts like a servo with {value} of the claimed torque", least=True),
        Limit("dead_band_us", a.dead_band, "stubborn: it ignores pulse changes of {value}"),
        Limit("play_deg", a.play, "sloppy gears: {value} of play"),
        Limit("reversal_deg", a.reversal, "it stops elsewhere from the other side: {value}"),
        Limit("repeatability_deg", a.repeatability, "it does not come back to the same place: {value} of scatter"),
        Limit("noise_counts", a.noise, "noisy feedback: single readings scatter by {value}"),
        Limit("loaded_noise_counts", a.noise, "noisy feedback while it holds a load: {value}"),
        Limit("linearity_pct", a.linearity, "crooked feedback: it leaves a straight line by {value} of its span"),
        Limit("slip_deg", a.slip, "something slips (potentiometer, gear or horn): {value}, {note}"),
        Limit("drift_deg", a.drift, "it wanders while it works: {value} {note}"),
        Limit("starting_current_A", a.stall_current * servo.stall_current, "it draws {value} when it starts"),
    ]
    return {limit.key: limit for limit in found}


_TESTS = {
    "time_60deg_ms": "speed",
    "torque_pct": "torque",
    "dead_band_us": "dead band",
    "play_deg": "play",
    "reversal_deg": "reversal",
    "repeatability_deg": "repeatability",
    "noise_counts": "noise",
    "linearity_pct": "linearity",
    "drift_deg": "drift",
    "starting_current_A": "current",
}


def shown(figure: Figure | None, key: str, value: float | None = None) -> str:
    """A figure (or a limit) as text with its unit."""
    unit = unit_of(key)
    si = figure.value if value is None and figure is not None else float(value or 0.0)
    number = unit.from_si(si)
    if key.endswith("counts"):
        return f"{number:.2f} counts"
    digits = 0 if abs(number) >= 100 else 1 if abs(number) >= 10 else 2
    gap = "" if unit.symbol == "°" else " "
    return f"{number:.{digits}f}{gap}{unit.symbol}"


def judge(examined: Sequence[Examined], classes: dict[str, Servo]) -> Batch:
    """Judge a batch: every servo by the limits of its class, then classes of six or more by their own middle."""
    servos: list[Judged] = []
    remarks: list[str] = []
    for name in sorted({e.servo for e in examined}):
        alike = [e for e in examined if e.servo == name]
        alike, said = _without_play(alike)
        remarks += said
        limits = limits_of(classes[name])
        judged = [_by_limits(e, limits, classes[name], len(said) > 0) for e in alike]
        judged = _by_batch(judged, limits)
        remarks += _whole_batch(judged, limits, name)
        servos += judged
    order = {e.mark: i for i, e in enumerate(examined)}
    return Batch(tuple(sorted(servos, key=lambda j: order[j.examined.mark])), tuple(remarks))


def _by_limits(e: Examined, limits: dict[str, Limit], servo: Servo, settled: bool) -> Judged:
    reasons: list[Reason] = []
    remarks: list[str] = []
    used: dict[str, float] = {}
    for key, limit in limits.items():
        figure = e.figures.get(key)
        if figure is None:
            continue
        value, error = max(figure.value, 1e-9), figure.error
        share = limit.value / value if limit.least else value / limit.value
        unsure = share * error / value if limit.least else error / limit.value
        used[key] = share
        sure = share - SURE * unsure > 1.0
        doubtful = share > 1.0 + 0.25 * unsure or (key not in _EVENTS and share + unsure > UNSURE)
        if not (sure or doubtful):
            continue
        bound = "at least" if limit.least else "limit"
        words = limit.says.format(value=shown(figure, key), note=figure.note)
        words += f" ({bound} {shown(None, key, limit.value)})"
        level = "reject" if sure else "watch"
        if not sure and share <= 1.0:
            words += f"; it is known to ±{shown(None, key, figure.error)} only, so measure again"
        if key in ("loaded_noise_counts", "unequal_pct"):
            level = "watch"
        reasons.append(Reason(level, key, words))
    reasons, remarks = _second_thoughts(reasons, remarks, e, used, servo, settled)
    holding = servo.limits.holding
    if 0.0 < e.lost <= holding * 1.02:
        words = f"weak: it gives way under {100 * e.lost:.0f} % of the claimed torque (at least {100 * holding:.0f} %)"
        reasons.insert(0, Reason("reject", "torque_pct", words))
        used["torque_pct"] = max(used.get("torque_pct", 0.0), holding / e.lost * 1.01)
    if e.wild > max(1.0, _WILD_SHARE * e.rested):
        words = (
            f"wild feedback: {e.wild} of {e.rested} readings at rest lie more than {servo.limits.wild:g} counts off "
            "(worn track or loose wire)"
        )
        reasons.append(Reason("watch", "wild_counts", words))
    if e.limp is False:
        words = "it does not go limp when pulses stop: fit it only where no hand leads it"
        reasons.append(Reason("watch", "limp", words))
    not_tested = [word for key, word in _TESTS.items() if key not in e.figures]
    if e.held > 0.0 or e.lost > 0.0:
        not_tested = [word for word in not_tested if word != "torque"]
    if e.limp is None:
        not_tested.append("going limp")
    return Judged(e, _worst(reasons), tuple(reasons), tuple(remarks), tuple(not_tested), used)


def _second_thoughts(
    reasons: list[Reason], remarks: list[str], e: Examined, used: dict[str, float], servo: Servo, settled: bool
) -> tuple[list[Reason], list[str]]:
    """Where one figure explains another, it is not held against a servo twice."""
    within = all(key in used and used[key] <= 1.0 for key in ("play_deg", "dead_band_us"))
    kept = []
    for reason in reasons:
        if reason.key == "reversal_deg" and within:
            # Play and dead band, each in order, may add up to more than the plain limit of the reversal.
            most = servo.limits.play + servo.limits.dead_band / servo.pulse_slope
            if (e.value("reversal_deg") or 0.0) <= most:
                remarks.append(f"{reason.words}; its play and its dead band are each in order")
                continue
        if reason.key == "dead_band_us" and not settled:
            band, play = e.value("dead_band_us") or 0.0, (e.value("play_deg") or 0.0) * servo.pulse_slope
            if band - play < servo.limits.dead_band and reason.level == "reject" and play > 0.3 * band:
                kept.append(Reason("watch", reason.key, reason.words + "; some of it may be play"))
                continue
        kept.append(reason)
    return kept, remarks


def _worst(reasons: Sequence[Reason]) -> str:
    levels = {reason.level for reason in reasons}
    return "reject" if "reject" in levels else "watch" if "watch" in levels else "accept"


def _without_play(alike: list[Examined]) -> tuple[list[Examined], list[str]]:
    """Take play out of the dead bands of a class whose potentiometers sit behind the play.

    Fine steps turn round within the dead band; whether the play is crossed besides depends on which side of it
    the electronics watch, and no single servo can tell. In a batch it shows: dead band then grows with play,
    one for one. The slope is Theil and Sen's, with its 90 % interval.
    """
    pairs = [(e.value("play_deg"), e.value("dead_band_us")) for e in alike]
    both = [(p, b) for p, b in pairs if p is not None and b is not None]
    if len(both) < _FEWEST_FOR_LINK:
        return alike, []
    play, band = np.array(both).T
    per_angle = _per_angle(alike)
    if np.ptp(play) <= 0.0 or per_angle is None:
        return alike, []
    slope, _, low, _ = theilslopes(band / per_angle, play, alpha=0.9)
    if not (slope > 0.5 and low > 0.2):
        return alike, []
    changed = []
    for e in alike:
        p, b = e.figures.get("play_deg"), e.figures.get("dead_band_us")
        if p is not None and b is not None:
            less = max(b.value - p.value * per_angle, 0.0)
            error = float(np.hypot(b.error, p.error * per_angle))
            figure = Figure("dead_band_us", less, error, b.count, "play taken out")
            e = replace(e, figures={**e.figures, "dead_band_us": figure})
        changed.append(e)
    said = f"{alike[0].servo}: dead band grows with play, so the feedback sits behind the play; play is taken out of it"
    return changed, [said]


def _per_angle(alike: Sequence[Examined]) -> float | None:
    """Pulse per angle of a class, s/rad, as its tables have it."""
    slopes = []
    for e in alike:
        if e.pulses is not None and len(e.pulses) > 1:
            rows = np.array(e.pulses)
            slopes.append(float((rows[-1, 1] - rows[0, 1]) / (rows[-1, 0] - rows[0, 0])))
    if slopes:
        return float(np.median(slopes))
    return alike[0].pulse_slope if alike else None


# Figures that are compared within a batch, and which direction is the bad one (0: either).
_COMPARED = {
    "time_60deg_ms": 1, "torque_pct": -1, "dead_band_us": 1, "play_deg": 1, "reversal_deg": 1,
    "repeatability_deg": 1, "noise_counts": 1, "linearity_pct": 1, "droop_deg_per_Nm": 1, "lag_ms": 1,
    "dead_time_ms": 1, "spin_up_ms": 1, "starting_current_A": 0, "idle_current_A": 1,
}  # fmt: skip


def _by_batch(judged: list[Judged], limits: dict[str, Limit]) -> list[Judged]:
    """Add what stands out in the batch: close to a limit, or far beyond all others, it is watched."""
    result = list(judged)
    for key, way in _COMPARED.items():
        held = [(i, j.examined.figures[key]) for i, j in enumerate(result) if key in j.examined.figures]
        if len(held) < _FEWEST:
            continue
        values = np.array([figure.value for _, figure in held])
        middle = float(np.median(values))
        z = modified_z(values)
        for (i, figure), score in zip(held, z, strict=True):
            # Less than its own uncertainty away, a figure does not stand out.
            if abs(score) <= OUTLIER or score * way < 0 or abs(figure.value - middle) < 3.0 * figure.error:
                continue
            result[i] = _stands_out(result[i], key, figure, middle, float(score), limits)
    return result


def _stands_out(j: Judged, key: str, figure: Figure, middle: float, z: float, limits: dict[str, Limit]) -> Judged:
    if any(reason.key == key for reason in j.reasons):
        return j
    words = f"{WORDS[key]} {shown(figure, key)} stands out: the middle of the batch is {shown(None, key, middle)}"
    ratio = figure.value / middle if middle > 0 else np.inf
    far = abs(z) > _FAR_OUT and (ratio > _FAR or ratio < 1.0 / _FAR)
    near = key in limits and j.used.get(key, 0.0) > _NEAR
    if near or (far and key in _TELLING):
        reasons = (*j.reasons, Reason("watch", key, words))
        return replace(j, reasons=reasons, verdict=_worst(reasons))
    return replace(j, remarks=(*j.remarks, words))


def _whole_batch(judged: Sequence[Judged], limits: dict[str, Limit], name: str) -> list[str]:
    """A limit that most of a batch fails says more about the rig or the class than about each servo."""
    said: list[str] = []
    if len(judged) < _FEWEST:
        return said
    for key, limit in limits.items():
        past = [j for j in judged if any(r.key == key for r in j.reasons)]
        if len(past) > 0.5 * len(judged):
            said.append(
                f"{name}: {len(past)} of {len(judged)} are past the limit of {WORDS[key]} "
                f"({shown(None, key, limit.value)}): look at the rig, the voltage at the plug and the class's figures "
                "in stock.toml before you send them all back"
            )
    return said
