"""A bench, a routine and its answers as plain values for a page. Lengths in mm, angles in degrees, times in s.

Arrays that are played (angles, gaps) are sent once, as little-endian 32-bit floats in base64.
"""

from __future__ import annotations

import base64
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from handfast.bench.parts import SIDES
from handfast.desk.work import Desk
from handfast.units import DEGREE

if TYPE_CHECKING:
    from handfast.answers.ask import Answer, Answers
    from handfast.answers.facts import Facts
    from handfast.landing.predict import Landing

ASKS = {
    "reach": "is every pose inside the joints' travel",
    "lift": "can every servo carry its load at every instant, at the voltage it really gets",
    "pace": "can the joints keep up with this timing",
    "clear": "do arms, table and things keep apart, dead motion included",
    "meet": "do both grippers fit on the thing at each pass, and does it get to the taker",
    "together": "do both hands keep their places on the thing while they carry it",
    "grip": "do the jaws hold it, and does it stand where it is put down",
    "miss": "how far from the taught pose does the TCP land",
    "power": "do supply, wires and fuse carry the current",
    "heat": "how warm do the servos get when the routine repeats",
}

CURVE_POINTS = 240
"""Points of an answer's plot: more than its width in pixels would show nothing more."""


def _mm(values: Any) -> list[float]:
    return [round(float(v) * 1e3, 3) for v in values]


def _deg(values: Any) -> list[float]:
    return [round(float(v) / DEGREE, 4) for v in values]


def _floats(array: Any) -> str:
    return base64.b64encode(np.ascontiguousarray(array, dtype="<f4").tobytes()).decode("ascii")


def bench_shown(desk: Desk) -> dict[str, Any]:
    """What stands on the table: arms as their bodies, boxes, things."""
    from handfast.mechanics.model import base_pose, model_of

    bench = desk.bench
    model = model_of(bench)
    chain, bodies = model.chain, model.bodies
    arms: dict[str, Any] = {}
    for number, side in enumerate(SIDES):
        arm, part = bench.arm(side), chain.columns(number)
        X_WB = base_pose(arm)
        turn = chain.tool_turns[number]
        arms[side] = {
            "base": [[round(float(x), 9) for x in row] for row in X_WB[:3, :3]],
            "base_mm": _mm(arm.base),
            "tcp_mm": _mm(chain.tools[number]),
            "turn": [[round(float(x), 9) for x in row] for row in turn],
            "finger_length_mm": arm.gripper.finger_length * 1e3,
            "finger_width_mm": arm.gripper.finger_width * 1e3,
            "opening_mm": _mm(arm.gripper.opening),
            "first": part.start,
            "joints": [
                {
                    "name": joint.name,
                    "offset_mm": _mm(joint.offset),
                    "axis": [float(x) for x in chain.axes[part.start + i]],
                    "travel_deg": _deg(joint.travel),
                    "servo": joint.servo_name,
                }
                for i, joint in enumerate(arm.joints)
            ],
        }
    return {
        "name": bench.about.name,
        "invented": bench.about.invented,
        "folder": str(desk.folder.root),
        "arms": arms,
        "bodies": [
            {
                "link": int(bodies.links[b]),
                "from_mm": _mm(bodies.froms[b]),
                "to_mm": _mm(bodies.tos[b]),
                "radius_mm": float(bodies.radii[b]) * 1e3,
                "name": bodies.names[b],
            }
            for b in range(len(bodies.links))
        ],
        "table": {"low_mm": _mm(bench.table_top.low), "high_mm": _mm(bench.table_top.high)},
        "obstacles": [
            {"name": o.name, "center_mm": _mm(o.center), "size_mm": _mm(o.size), "yaw_deg": o.yaw / DEGREE}
            for o in bench.obstacles
        ],
        "things": [
            {
                "name": t.name,
                "size_mm": _mm(t.size),
                "mass_g": t.mass * 1e3,
                "grip_width_mm": t.grip_width * 1e3,
                "grip_height_mm": t.grip_height * 1e3,
                "grip_span_mm": t.grip_span * 1e3,
            }
            for t in bench.things
        ],
        "routines": [path.stem for path in desk.folder.routine_files()],
        "measured": len(desk.measured),
        "cautions": cautions(desk),
    }


def reach_shown(desk: Desk) -> dict[str, Any]:
    """Rims of what each TCP and of what both reach, level over the table."""
    from handfast.mechanics.model import model_of
    from handfast.report.bench_picture import reaches

    found = reaches(model_of(desk.bench))
    one, other = found.level

    def rims(section: Any) -> list[list[list[float]]]:
        return [[_mm(point) for point in rim] for rim in section.outlines]

    return {
        "height_mm": found.height * 1e3,
        "left": rims(one),
        "right": rims(other),
        "both": rims(one.shared(other)),
        "shared_cm2": round(found.shared * 1e4, 1),
    }


def cautions(desk: Desk, facts: Facts | None = None) -> list[dict[str, str]]:
    """What to mind before anything moves."""
    from handfast.bench.cautions import DEFERS
    from handfast.bench.cautions import cautions as all_of

    fastest = None if facts is None else fastest_tip(facts)
    nearest = None if facts is None or not facts.gaps.size else float(facts.gaps.min())
    said = [{"title": c.danger, "text": c.text, "source": c.source} for c in all_of(desk.bench, fastest, nearest)]
    return [*said, {"title": "Who decides", "text": DEFERS, "source": ""}]


def fastest_tip(facts: Facts) -> float:
    """Highest speed of a TCP, m/s."""
    speeds = [
        np.linalg.norm(np.einsum("nkr,nk->nr", facts.J[:, c, 3:], facts.motion.qd[:, c]), axis=1)
        for c in (facts.bench.columns(side) for side in SIDES)
    ]
    return float(max(s.max() for s in speeds))


def answer_shown(answer: Answer) -> dict[str, Any]:
    """One answer as `check --json` gives it, with its plot and what it hangs on."""
    said = answer.plain()
    curve = answer.finding.curve
    if curve is not None and len(curve[0]):
        t, v = np.asarray(curve[0], dtype=float), np.asarray(curve[1], dtype=float)
        if len(t) > CURVE_POINTS:
            # Of each stretch its smallest value, so that the worst moment is never left out.
            edges = np.linspace(0, len(t), CURVE_POINTS + 1).astype(int)
            pick = [a + int(np.argmin(v[a:b])) for a, b in pairwise(edges) if b > a]
            t, v = t[pick], v[pick]
        said["curve"] = [[round(float(a), 3), round(float(b), 4)] for a, b in zip(t, v, strict=True)]
    else:
        said["curve"] = []
    subject = answer.finding.subject
    said["step"] = subject.get("step") if isinstance(subject.get("step"), int) else None
    said["arm"] = subject.get("side") if isinstance(subject.get("side"), str) else None
    return said


def answers_shown(answers: Answers) -> dict[str, Any]:
    """All answers; the same numbers as `check --json`."""
    said = answers.plain()
    said["answers"] = [{**answer_shown(a), "asks": ASKS.get(a.question, "")} for a in answers.answers]
    return said


def sheet_shown(facts: Facts, answers: Answers) -> dict[str, Any]:
    """The routine as its sheet: steps, and what each arm does when."""
    from handfast.files.fields import table_of
    from handfast.report.gather import RoutineView
    from handfast.report.sheet import blocks, said

    m, routine = facts.motion, facts.routine
    last = len(m.t) - 1

    def at(sample: int) -> float:
        return round(float(m.t[min(sample, last)]), 3)

    steps = []
    for number, step in enumerate(routine.steps):
        written = table_of(step)
        steps.append(
            {
                "do": step.do,
                "name": step.name,
                "thing": step.thing,
                "title": routine.title(number),
                "arms": list(step.sides),
                "said": {side: said(routine, number, side) for side in step.sides},
                "figures": {k: written.get(k) for k in ("time_s", "dwell_s", "pace", "tolerance_mm")},
                "pose_deg": {side: written[side]["pose_deg"] for side in SIDES if "pose_deg" in written.get(side, {})},
                "path": any("path_deg" in written.get(side, {}) for side in SIDES),
                "corrected": any(k.endswith("command_deg") for s in SIDES for k in written.get(s, {})),
            }
        )
    about = table_of(routine.about)
    return {
        "routine": routine.name,
        "duration_s": round(m.duration, 3),
        "figures": {
            "pace": routine.about.pace,
            "tolerance_mm": about.get("tolerance_mm", 5),
            "rest_s": about.get("rest_s", 2),
        },
        "corrected": facts.corrected,
        "steps": steps,
        "blocks": [
            {
                "step": b.step,
                "arm": b.side,
                "start_s": at(b.first),
                "end_s": at(b.last),
                "moving": [[at(a), at(z)] for a, z in b.moving],
                "jaws": [[at(a), at(z)] for a, z in b.gripping],
            }
            for b in blocks(RoutineView(facts, answers, {}))
        ],
    }


def _landing_shown(facts: Facts, n: int, landing: Landing) -> dict[str, Any]:
    arrival = facts.motion.arrivals[n]
    return {
        "step": landing.step,
        "arm": landing.side,
        "row": landing.row,
        "time_s": round(float(facts.motion.t[arrival.sample]), 3),
        "taught_mm": _mm(landing.taught),
        "miss_mm": _mm(landing.miss),
        "expected_mm": round(landing.expected * 1e3, 3),
        "not_known_mm": round(landing.sigma * 1e3, 3),
        "worst_mm": round(landing.worst * 1e3, 3),
        "dead_motion_mm": _mm(landing.dead.both.along),
        "allowed_mm": round(facts.routine.tolerance_of(landing.step) * 1e3, 3),
    }


def motion_shown(facts: Facts) -> dict[str, Any]:
    """The whole motion, to be played where it is shown; landings of all poses; what is in the hands when."""
    from handfast.motion.plan import DT

    m = facts.motion
    return {
        "dt_s": DT,
        "samples": len(m.t),
        "joints": m.q.shape[1],
        "q_rad": _floats(m.q),
        "gaps_mm": _floats(m.gaps * 1e3),
        "held": _held(facts),
        "landings": [_landing_shown(facts, n, x) for n, x in enumerate(facts.landings("trimmed"))],
        "jumps": [
            {"time_s": round(j.time, 3), "arm": j.side, "joint": j.joint, "size_mm": round(j.size * 1e3, 3)}
            for j in facts.jumps
        ],
        "fastest_mm_per_s": round(fastest_tip(facts) * 1e3, 1),
        "cautions": cautions_of(facts),
    }


def cautions_of(facts: Facts) -> list[str]:
    """The lines to read before this motion is played."""
    from handfast.bench.cautions import before_motion

    return before_motion(facts.bench, fastest_tip(facts)).splitlines()


def _held(facts: Facts) -> list[dict[str, Any]]:
    """Stretches of time in which a hand holds something, and what."""
    m, found = facts.motion, []
    for arm, side in enumerate(SIDES):
        edges = np.flatnonzero(np.diff((m.loads[:, arm] > 0).astype(int), prepend=0, append=0))
        for first, last in zip(edges[::2], edges[1::2], strict=True):
            number = int(m.step[first, arm])
            thing = facts.routine.steps[number].thing
            if thing is None:
                before = [s.thing for s in facts.routine.steps[: number + 1] if s.thing and side in s.sides]
                thing = before[-1] if before else None
            if thing is not None:
                end = float(m.t[min(int(last), len(m.t) - 1)])
                found.append(
                    {"arm": side, "thing": thing, "from_s": round(float(m.t[first]), 3), "to_s": round(end, 3)}
                )
    return found
