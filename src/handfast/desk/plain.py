"""What was found, as plain values: what `--json` prints and what the page is told are the same."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from handfast.units import DEGREE

if TYPE_CHECKING:
    from handfast.bench.parts import Servo
    from handfast.desk.measuring import Fitted
    from handfast.desk.rehearsing import Rehearsed
    from handfast.desk.scoring import DrawingScore, PointScore
    from handfast.desk.vetting import Vetted
    from handfast.scoring.split import Split


def _mm(value: float) -> float:
    return round(value * 1e3, 4)


def points_plain(found: PointScore) -> dict[str, Any]:
    """A score of points as plain values."""
    return {
        "style": "in the style of ISO 9283 and ISO 230-2; neither cycles, load nor cube are checked",
        "rms_mm": _mm(found.rms),
        "points": [
            {
                "point": p.name,
                "visits": f.count,
                "AP_mm": _mm(f.accuracy),
                "off_mm": [_mm(v) for v in f.off],
                "RP_mm": _mm(f.repeatability),
                **({"vAP_mm": _mm(found.variation[p.name])} if p.name in found.variation else {}),
            }
            for p, f in zip(found.points, found.poses, strict=True)
        ],
        "distances": [{"from": a, "to": b, "AD_mm": _mm(x), "RD_mm": _mm(y)} for a, b, x, y in found.distances],
        "reversal": {axis: {f"{k}_mm": _mm(v) for k, v in vars(r).items()} for axis, r in found.reversal.items()},
        **split_plain(found.split),
    }


def split_plain(split: Split) -> dict[str, Any]:
    """The parts of an error as plain values."""
    parts = [{"part": p.name, "rms_mm": _mm(p.rms), "value": p.says} for p in split.parts]
    return {"parts": parts, "untold": list(split.untold)}


def photo_plain(found: DrawingScore) -> dict[str, Any]:
    """A drawing's score from a photo as plain values."""
    s = found.score
    return {
        "drawing": found.drawing, "rms_mm": _mm(s.rms), "worst_mm": _mm(s.worst), "drawn_pct": round(100 * s.share, 1),
        "offset_mm": [_mm(float(v)) for v in s.offset], "turn_deg": round(s.turn / DEGREE, 3),
        "scale_pct": round(100 * s.scale, 3), "shape_rms_mm": _mm(s.shape), "ink_width_mm": _mm(found.ink.width),
        "marks_left_over_mm": _mm(found.ink.left_over), "pixels_per_mm": round(found.ink.scale, 2),
    }  # fmt: skip


def fitted_plain(fitted: Fitted) -> dict[str, Any]:
    """A fit as plain values."""
    return {
        "misfit": round(fitted.calibration.misfit, 4),
        "expected_error_before_mm": round(fitted.before * 1e3, 4),
        "expected_error_mm": round(fitted.after * 1e3, 4),
        "wild": list(fitted.wild),
        "swept": len(fitted.calibration.readings.sweeps) > 0,
        "values": [
            {"of": v.of, "key": v.key, "value": v.value, "uncertainty": v.uncertainty, "known": v.known}
            for v in fitted.values
        ],
        "advice": [
            {"reading": a.words, "before_mm": round(a.before * 1e3, 4), "after_mm": round(a.after * 1e3, 4)}
            for a in fitted.advice
        ],
    }


def vetted_plain(done: Vetted, stock: tuple[Servo, ...]) -> dict[str, Any]:
    """A vetted batch as plain values, each figure in the unit that its key ends in."""
    from handfast.fitting.verdict import limits_of
    from handfast.units import unit_of

    classes = {servo.name: servo for servo in stock}
    servos = []
    for j in done.batch.servos:
        limits = limits_of(classes[j.examined.servo])
        figures = {}
        for key, figure in j.examined.figures.items():
            value, error = figure.shown
            row: dict[str, Any] = {"value": round(value, 4), "uncertainty": round(error, 4), "readings": figure.count}
            if figure.note:
                row["note"] = figure.note
            if key in limits:
                row["limit"] = round(unit_of(key).from_si(limits[key].value), 4)
                row["used"] = round(j.used.get(key, 0.0), 4)
            figures[key] = row
        servos.append(
            {
                "serial_mark": j.examined.mark,
                "class": j.examined.servo,
                "verdict": j.verdict,
                "verdict_text": j.verdict_text,
                "reasons": [{"level": r.level, "figure": r.key, "words": r.words} for r in j.reasons],
                "remarks": list(j.remarks),
                "not_tested": list(j.not_tested),
                "goes_limp": j.examined.limp,
                "held_pct": round(100 * j.examined.held, 1),
                "lost_pct": round(100 * j.examined.lost, 1),
                "figures": figures,
            }
        )
    return {
        "invented": done.invented,
        "servos": servos,
        "counts": {verdict: done.batch.count(verdict) for verdict in ("accept", "watch", "reject")},
        "remarks": [*done.batch.remarks, *done.remarks],
        "written": [str(path) for path in (*done.written, done.labels)],
    }


def rehearsed_plain(done: Rehearsed, seed: int | None) -> dict[str, Any]:
    """A rehearsal as plain values."""
    import numpy as np

    from handfast.records.run import why_longer
    from handfast.rehearsal.advice import next_step

    routine = done.routine
    plain = done.outcome.plain()
    for event, said in zip(done.outcome.events, plain["events"], strict=True):
        if event.step is not None:
            said["step"] = event.step + 1
            continue
        # The step that either arm was at, by the run's own clock.
        row = int(np.searchsorted(done.run.t, event.when).clip(0, len(done.run.t) - 1))
        said["step"] = int(done.run.step[row].max()) + 1
    held = [h.plain(routine.title(h.step)) for h in done.holdings]
    places = [p.plain() for p in done.places]
    whole = [f.plain() for f in done.figures]
    notes = list(done.scene.notes)
    return {
        **plain, "planned_s": round(done.planned, 2), "why_longer": why_longer(done.run.mode),
        "landing_beside": places, "holding": held, "whole_motion": whole, "notes": notes, "seed": seed,
        "next": next_step(done.outcome, done.scene),
    }  # fmt: skip
