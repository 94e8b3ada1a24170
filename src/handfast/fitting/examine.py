"""One servo's trace turned into figures with uncertainty, or refused with one clear message."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.bench.parts import Rows, Servo
from handfast.errors import InputError
from handfast.fitting.dead_band import dead_band
from handfast.fitting.holds import Cleaned, Holds, cleaned, holds_of
from handfast.fitting.loads import currents, goes_limp, play, torque
from handfast.fitting.moves import MoveFit, fit_moves
from handfast.fitting.resting import Found, drift, drift_of_shaft, noise, repeatability, reversal, slip
from handfast.fitting.scale import Departure, Scale, bends_by_protractor, departure, no_bends, scale_of
from handfast.records.trace import COUNTS, Trace
from handfast.units import DEGREE, unit_of

WORDS = {
    "time_60deg_ms": "time for 60 degrees",
    "unequal_pct": "difference of both directions' speeds",
    "torque_pct": "torque, of what is claimed",
    "dead_time_ms": "dead time",
    "lag_ms": "lag",
    "spin_up_ms": "time to gain speed",
    "dead_band_us": "dead band",
    "play_deg": "play",
    "reversal_deg": "reversal",
    "repeatability_deg": "repeatability",
    "noise_counts": "noise of the feedback",
    "loaded_noise_counts": "noise while holding",
    "wild_counts": "wildest single reading",
    "linearity_pct": "departure from a line",
    "slip_deg": "largest jump",
    "drift_deg": "drift",
    "droop_deg_per_Nm": "droop",
    "starting_current_A": "starting current",
    "idle_current_A": "current at rest",
    "travel_deg": "travel",
}
"""Every figure, by the key it has in files, in a maker's words. The key's ending is its unit."""


@dataclass(frozen=True)
class Figure:
    """One estimated figure, SI (counts: 1/1024 of the range), with its standard error and readings behind it."""

    key: str
    value: float
    error: float
    count: int
    note: str = ""

    @property
    def shown(self) -> tuple[float, float]:
        """Value and standard error in the unit of its key."""
        unit = unit_of(self.key)
        return unit.from_si(self.value) - unit.from_si(0.0), abs(unit.from_si(self.error) - unit.from_si(0.0))


@dataclass(frozen=True)
class Examined:
    """What one trace says about one servo: figures by key, whether it goes limp (None: nobody tried), tables.

    feedback: rows (angle rad, wiper share); pulses: rows (angle rad, pulse s), from the protractor only.
    angles_from: "protractor" or "pulse". held, lost: loads that were held and not, of the claimed torque. wild of
    rested readings were wild. pulse_slope s/rad of the class; reference V of the feedback input.
    """

    mark: str
    servo: str
    figures: dict[str, Figure]
    limp: bool | None
    feedback: Rows
    pulses: Rows | None
    angles_from: str
    held: float
    lost: float
    wild: int
    rested: int
    pulse_slope: float
    reference: float
    date: str
    invented: bool
    sources: tuple[str, ...]

    def value(self, key: str) -> float | None:
        """Value of a figure, SI, or None if it was not measured."""
        figure = self.figures.get(key)
        return None if figure is None else figure.value


def examine(trace: Trace, servo: Servo) -> Examined:
    """All figures of one servo. Raises InputError if the trace cannot be that of a servo that works."""
    clean = cleaned(trace)
    holds = holds_of(trace, clean.wiper, servo)
    where = ", ".join(trace.sources) or f"servo {trace.mark}"
    check_trace(trace, clean, holds, servo, where)
    scale = scale_of(holds, servo, where)
    read = _protractor(trace, holds)
    bends, note = no_bends(scale.half), "against the pulse only; a protractor shows the bends that it hides"
    ends = (scale.low, scale.high)
    if read is not None:
        # From here on angles are the protractor's; without one they are what the class's pulse slope says.
        at = scale.nominal(holds.pulse[hold_of(holds, read)])
        rate = abs(bends_by_protractor(at, trace.horn[read], scale.half)[1])
        scale = scale.stretched(rate)
        bends, _ = bends_by_protractor(at * rate, trace.horn[read], scale.half)
        note = "by the protractor"
        ends = (float(at.min()) * rate, float(at.max()) * rate)
    straight = departure(scale, bends, ends, len(holds.rest), note)
    scale = scale.straightened(bends)
    figures: dict[str, Figure] = {}

    def put(key: str, found: Found | Departure | None) -> None:
        if found is not None:
            figures[key] = Figure(key, found.value, found.error, found.count, found.note)

    w = clean.wiper
    volts = 1.0 if trace.supply is None else float(np.median(trace.supply)) / servo.rated_voltage
    fit = fit_moves(trace, w, holds, scale, servo)
    if fit is not None:
        _put_moves(figures, fit, volts, read is not None)
    band = dead_band(holds, scale, servo)
    if band is not None:
        put("dead_band_us", Found(band.width, band.error, band.places))
    put("play_deg", play(trace, holds, scale, servo))
    put("reversal_deg", reversal(holds, scale, servo))
    put("repeatability_deg", repeatability(holds, scale, servo))
    limit = servo.limits.wild
    quiet, holding = noise(trace, w, holds, False, limit), noise(trace, w, holds, True, limit)
    if quiet is not None:
        put("noise_counts", Found(quiet.spread, quiet.error, quiet.count))
        put("wild_counts", Found(quiet.worst, 0.0, quiet.count, f"{quiet.wild} of {quiet.count} readings"))
    if holding is not None:
        put("loaded_noise_counts", Found(holding.spread, holding.error, holding.count))
    put("linearity_pct", straight)
    put("slip_deg", slip(trace, w, holds, scale, servo))
    shown, seen = drift(holds, scale, servo), drift_of_shaft(trace, holds)
    # What feedback does not show is there all the same, where it is more than a protractor's error.
    hidden = seen is not None and seen.value - 2.0 * seen.error > (0.0 if shown is None else shown.value)
    put("drift_deg", seen if hidden else shown)
    loads = torque(trace, w, holds, scale, servo, fit)
    put("droop_deg_per_Nm", loads.droop)
    claim = servo.stall_torque * volts
    if loads.lifting is not None:
        # What its gears' friction takes is given back: a claim is of torque held, and there friction helps.
        given = 0.5 * servo.limp_friction
        found = loads.lifting
        note = "from the speed under load"
        figures["torque_pct"] = Figure(
            "torque_pct", found.value / claim + given, found.error / claim, found.count, note
        )
    starting, idle = currents(trace, w, holds, servo)
    put("starting_current_A", starting)
    put("idle_current_A", idle)
    figures["travel_deg"] = Figure("travel_deg", scale.high - scale.low, 2.0 * DEGREE, len(scale.angle))
    feedback, pulses = _tables(trace, holds, scale, read)
    wild = quiet.wild if quiet is not None else 0
    return Examined(
        mark=trace.mark,
        servo=servo.name,
        figures={key: figures[key] for key in WORDS if key in figures},
        limp=goes_limp(holds, scale, servo),
        feedback=feedback,
        pulses=pulses,
        angles_from="pulse" if read is None else "protractor",
        held=loads.held / claim,
        lost=loads.lost / claim,
        wild=wild,
        rested=quiet.count if quiet is not None else 0,
        pulse_slope=servo.pulse_slope,
        reference=trace.reference,
        date=trace.date,
        invented=trace.invented,
        sources=trace.sources,
    )


def _put_moves(figures: dict[str, Figure], fit: MoveFit, volts: float, shaft: bool) -> None:
    """Figures of the moves, speed at the class's rated voltage."""
    n = fit.moves
    way, slowest = min(fit.speed.items(), key=lambda item: item[1])
    time = 60.0 * DEGREE / slowest * volts
    figures["time_60deg_ms"] = Figure("time_60deg_ms", time, time * fit.speed_error[way] / slowest, n)
    figures["dead_time_ms"] = Figure("dead_time_ms", fit.dead_time, fit.dead_time_error, n)
    figures["lag_ms"] = Figure("lag_ms", fit.lag, 0.1 * fit.lag, n)
    figures["spin_up_ms"] = Figure("spin_up_ms", fit.spin_up, 0.1 * fit.spin_up, n)
    if len(fit.speed) == 2:
        mean = 0.5 * (fit.speed[1] + fit.speed[-1])
        # Each direction shows its full speed on another stretch of the track. Unless a protractor told the
        # track's bends, they look like a difference in speed.
        error = float(np.hypot(np.hypot(fit.speed_error[1], fit.speed_error[-1]) / mean, 0.01 if shaft else 0.05))
        figures["unequal_pct"] = Figure("unequal_pct", abs(fit.speed[1] - fit.speed[-1]) / mean, error, n)


def _protractor(trace: Trace, holds: Holds) -> np.ndarray | None:
    """Samples with a protractor reading at rest without load, if they suffice for a table."""
    read = np.nonzero(np.isfinite(trace.horn))[0]
    if not len(read):
        return None
    hold = hold_of(holds, read)
    read = read[holds.free[hold] & (holds.length[hold] >= 0.3)]
    if len(read) < 8 or np.ptp(trace.horn[read]) < 60.0 * DEGREE:
        return None
    return np.asarray(read)


def hold_of(holds: Holds, samples: np.ndarray) -> np.ndarray:
    """The hold to which each sample belongs."""
    return np.asarray(np.searchsorted(holds.first, samples, side="right") - 1)


def _tables(trace: Trace, holds: Holds, scale: Scale, read: np.ndarray | None) -> tuple[Rows, Rows | None]:
    """Feedback table and pulse table over the shaft's angle, zero at the middle of the class's pulse range."""
    inside = (scale.angle >= scale.low - 1e-9) & (scale.angle <= scale.high + 1e-9)
    nominal, wiper = scale.angle[inside], scale.wiper[inside]
    if read is None:
        return tuple((float(a), float(x)) for a, x in zip(nominal, wiper, strict=True)), None
    x = scale.nominal(holds.pulse[hold_of(holds, read)])
    keep = (nominal >= x.min() - 0.09) & (nominal <= x.max() + 0.09)
    nominal, wiper, angle = nominal[keep], wiper[keep], scale.shaft[inside][keep]
    pulse = scale.middle + nominal / scale.per_pulse
    return (
        tuple((float(a), float(v)) for a, v in zip(angle, wiper, strict=True)),
        tuple((float(a), float(p)) for a, p in zip(angle, pulse, strict=True)),
    )


def check_trace(trace: Trace, clean: Cleaned, holds: Holds, servo: Servo, where: str) -> None:
    """Refuse what cannot be judged: no motion, clipped feedback, pulses outside the class."""
    pulses = holds.pulse[holds.pulse > 0]
    if not len(pulses):
        raise InputError(
            "there are no pulses", where=where, expected="pulses of 300 to 3500 µs", next_step="record the sweep again"
        )
    far = np.nonzero((pulses < servo.pulse_low - 50e-6) | (pulses > servo.pulse_high + 50e-6))[0]
    if len(far):
        raise InputError(
            f"a pulse of {pulses[far[0]] * 1e6:.0f} µs",
            where=where,
            expected=f"{servo.pulse_low * 1e6:.0f} to {servo.pulse_high * 1e6:.0f} µs, as {servo.name} takes",
            next_step="mend the class in the heading, or the pulse range in stock.toml",
        )
    heavy = float(np.abs(trace.load).max())
    if heavy > 3.0 * servo.stall_torque:
        raise InputError(
            f"a load of {heavy:.3g} N·m, {heavy / servo.stall_torque:.0f} times what {servo.name} can hold",
            where=where,
            expected="the torque on the shaft: weight times the radius of the drum",
            next_step="mend the column's unit: load_kgcm or load_Nm",
        )
    if trace.current is not None:
        peak = float(trace.current.max())
        if peak > 20.0 * servo.stall_current:
            raise InputError(
                f"a current of {peak:.4g} A",
                where=where,
                expected=f"about {servo.stall_current:g} A at most for {servo.name}",
                next_step="mend the column's unit: current_mA or current_A",
            )
    _check_motion(trace, clean, holds, servo, where)
    _check_clipped(trace, holds, servo, where)


def _check_motion(trace: Trace, clean: Cleaned, holds: Holds, servo: Servo, where: str) -> None:
    used = (holds.pulse > 0) & holds.whole & ~holds.ramp & (holds.load == 0) & (holds.push == 0)
    if np.count_nonzero(used) < 4:
        return
    asked = np.ptp(holds.pulse[used]) / servo.pulse_slope
    if asked < 10.0 * DEGREE:
        return
    low, high = np.percentile(holds.rest[used], [2, 98])
    went = float(high - low)
    # A potentiometer spans a good part of the input; a hundredth of that over a wide motion is none at all.
    least = max(0.01 * asked / (180 * DEGREE), 4.0 * clean.noise / np.sqrt(10.0), 3.0 * trace.step)
    # From one rest to the next: feedback that wanders by itself may well resemble the pulse over minutes.
    pulse, rest = np.diff(holds.pulse[used]), np.diff(holds.rest[used])
    wide = np.abs(pulse) > 2.0 * DEGREE * servo.pulse_slope
    linked = abs(float(np.corrcoef(pulse[wide], rest[wide])[0, 1])) if went > 0 and wide.sum() > 2 else 1.0
    if went < least or linked < 0.5:
        raise InputError(
            f"the pulses ask for {asked / DEGREE:.0f} degrees and the feedback does not follow "
            f"(it goes through {went * COUNTS:.1f}/1024 of its range)",
            where=where,
            expected="feedback that moves with the pulse",
            next_step="see whether the servo moves: if so, look at the feedback wire and the channel; if not, it is "
            "dead or without supply. Leave its file out",
        )


def _check_clipped(trace: Trace, holds: Holds, servo: Servo, where: str) -> None:
    """Feedback that stands exactly at its largest or smallest value while the pulse goes on is cut off."""
    usual = float(np.median(holds.spread[holds.whole])) if holds.whole.any() else 0.0
    for end, words in ((float(trace.wiper.max()), "top"), (float(trace.wiper.min()), "bottom")):
        at_end = np.abs(trace.wiper - end) < 0.5 * trace.step
        rail = end >= 1.0 - 1.5 * trace.step if words == "top" else end <= 0.5 * trace.step
        count = int(np.count_nonzero(at_end))
        inside = holds.free & holds.whole
        stuck = np.array(
            [bool(at_end[holds.settled[i] : holds.last[i]].mean() > 0.9) if inside[i] else False
             for i in range(len(holds.pulse))]
        )  # fmt: skip
        span = np.ptp(holds.pulse[stuck]) / servo.pulse_slope if stuck.any() else 0.0
        quiet = usual > 1.2 * trace.step / np.sqrt(12.0)
        in_a_row = int(np.count_nonzero(at_end[1:] & at_end[:-1]))
        if (rail and count > max(20, 0.002 * len(at_end)) and in_a_row > 10) or (quiet and span > 4.0 * DEGREE):
            raise InputError(
                f"the feedback is cut off at its {words} ({end * COUNTS:.0f}/1024 of the range, {count} samples)",
                where=where,
                expected="feedback inside the input's range over the whole travel",
                next_step="use a higher reference, or a divider on the wiper; a shorter sweep also helps",
            )
