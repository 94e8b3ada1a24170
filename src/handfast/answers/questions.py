"""The questions: each gives a margin, where and when it is worst, and why.

reach   is every pose inside the joints' travel           degrees to the nearest stop
lift    can every servo carry its load at every instant   available / needed torque
pace    can the joints keep up with this timing           time asked / shortest time that would work
clear   do arms, table and things keep apart              mm left, dead motion taken off
meet, together and grip, in files of their own
miss    how far from the taught pose does the TCP land    tolerance / predicted miss
power   do supply, wires and fuse carry the current       available / peak current
heat    how warm do servos get when it is repeated        degrees below the limit
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from handfast.answers.facts import Facts
from handfast.answers.grip_question import grip
from handfast.answers.judging import MOST, Finding
from handfast.answers.pair_questions import as_things_land, meet, together
from handfast.bench.parts import SIDES, Servo, Servoed
from handfast.geometry.rigid import Array
from handfast.landing.predict import Landing
from handfast.mechanics.kinematics import places
from handfast.mechanics.model import Model
from handfast.motion.plan import DT, REACHED
from handfast.units import DEGREE, KGF_CM


def reach(facts: Facts) -> Finding:
    """Degrees to the nearest stop, over all samples; what cannot be reached counts as its angle at the arm."""
    m = facts.motion
    travel = facts.model.chain.travel
    room = np.minimum(m.q - travel[:, 0], travel[:, 1] - m.q)
    curve = (m.t, room.min(axis=1) / DEGREE)
    if m.shortfalls:
        worst = max(m.shortfalls, key=lambda s: max(s.beyond, s.short / facts.model.reach[SIDES.index(s.side)]))
        arm = SIDES.index(worst.side)
        margin = -max(worst.beyond, worst.short / facts.model.reach[arm]) / DEGREE
        said = f"{worst.short * 1e3:.1f} mm too far" if worst.short > REACHED else f"{-margin:.1f}° past a stop"
        samples = np.nonzero(m.step[:, arm] == worst.step)[0]
        when = float(m.t[samples[len(samples) // 2]]) if len(samples) else None
        return Finding(
            margin, when, f"{worst.side} arm, step {facts.routine.title(worst.step)}, {worst.part}",
            f"the place that this step needs is {said}", {"side": worst.side, "step": worst.step}, curve,
        )  # fmt: skip
    n, i = np.unravel_index(int(np.argmin(room)), room.shape)
    name = facts.bench.joint_names[i]
    side = name.split(" ")[0]
    angle, stop = (
        m.q[n, i] / DEGREE,
        travel[i, 0 if m.q[n, i] - travel[i, 0] < travel[i, 1] - m.q[n, i] else 1] / DEGREE,
    )
    return Finding(
        float(room[n, i] / DEGREE),
        float(m.t[n]),
        facts.place(int(n), side),
        f"{name} at {angle:.1f}°, its stop at {stop:.0f}°",
        {"joint": int(i), "side": side, "step": int(m.step[n, SIDES.index(side)])},
        curve,
    )


def lift(facts: Facts) -> Finding:
    """Available over needed torque at every instant, at the voltage and speed of that instant."""
    m = facts.motion
    ratio = facts.available / np.maximum(np.abs(facts.torque), 1e-9)
    n, i = np.unravel_index(int(np.argmin(ratio)), ratio.shape)
    name = facts.bench.joint_names[i]
    side = name.split(" ")[0]
    arm = SIDES.index(side)
    return Finding(
        float(min(ratio[n, i], MOST)),
        float(m.t[n]),
        facts.place(int(n), side),
        f"{name} needs {abs(facts.torque[n, i]) / KGF_CM:.2f} kg·cm and has {facts.available[n, i] / KGF_CM:.2f} "
        f"at {abs(m.qd[n, i]) / DEGREE:.0f}°/s and {facts.volts[n, arm]:.2f} V",
        {"joint": int(i), "side": side, "step": int(m.step[n, arm])},
        (m.t, np.minimum(ratio.min(axis=1), 10.0)),
    )


def pace(facts: Facts) -> Finding:
    """Time taken over the shortest time that the torque-speed line allows, for the tightest motion."""
    timings = facts.motion.timings
    if not timings:
        return Finding(MOST, None, "no motion", "nothing moves")
    ratios = [t.planned / t.shortest if t.possible and t.shortest > 0 else 0.0 for t in timings]
    worst = int(np.argmin(ratios))
    timing = timings[worst]
    if not timing.possible:
        why = "no timing is possible: a joint cannot even hold its load on this way"
    else:
        why = f"{timing.part} takes {timing.planned:.2f} s; {timing.shortest:.2f} s is the shortest that would work"
    arms = " and ".join(timing.sides)
    t = np.array([x for timing in timings for x in (timing.start, timing.start + max(timing.planned, DT))])
    r = np.repeat(np.minimum(ratios, 10.0), 2)
    return Finding(
        float(min(ratios[worst], MOST)),
        timing.start,
        f"{arms} arm{'s' if len(timing.sides) > 1 else ''}, step {facts.routine.title(timing.step)}",
        why,
        {"step": timing.step, "side": timing.sides[0]},
        (t, r),
    )


def pair_dead_motion(model: Model, q: Array, passed: Array, chosen: np.ndarray | None = None) -> Array:
    """How much of each pair's clearance may be dead motion, m (N, pairs), at samples q (N, K).

    Each joint between the two bodies (of one arm) or below either of them (of two arms, or of an arm and the
    world) may stand off by half its play and by its sag under `passed` N·m (N, K); their levers add up. chosen:
    the pairs to look at, else all.
    """
    place = places(model.chain, q)
    bodies, chain = model.bodies, model.chain
    pairs = bodies.pairs if chosen is None else bodies.pairs[chosen]
    half = model.unseen_play / 2.0 + model.compliance * np.abs(passed)
    z = np.einsum("nkrc,kc->nkr", place.R, chain.axes)
    # lever[n, b, i]: how far the farther end of body b moves per rad of joint i
    lever = np.zeros((len(q), len(bodies.links), chain.joints))
    for b in np.unique(np.concatenate([pairs[:, 1], pairs[pairs[:, 0] == 0, 2]])):
        R, p = place.R[:, bodies.links[b]], place.p[:, bodies.links[b]]
        for end in (bodies.froms[b], bodies.tos[b]):
            away = (R @ end + p)[:, None] - place.p
            along = np.einsum("nkr,nkr->nk", z, away)
            across = np.einsum("nkr,nkr->nk", away, away) - along**2
            lever[:, b] = np.maximum(lever[:, b], np.sqrt(np.maximum(across, 0.0)))
    result: Array = np.einsum("npi,ni->np", _lever_of_pairs(model, lever, pairs), half)
    return result


def _lever_of_pairs(model: Model, lever: Array, pairs: np.ndarray) -> Array:
    """Levers (N, pairs, K) of pairs from those of bodies (N, bodies, K): the joints that part the two of a pair."""
    bodies, chain = model.bodies, model.chain
    arm_of = np.searchsorted(chain.first, np.arange(chain.joints), side="right") - 1
    below = (np.arange(chain.joints)[None] <= bodies.links[:, None]) & (arm_of[None] == arm_of[bodies.links][:, None])
    lever = np.where(below, lever, 0.0)
    kind, a, b = pairs[:, 0], pairs[:, 1], pairs[:, 2]
    second = np.where(kind == 0, b, a)
    same = (kind == 0) & (arm_of[bodies.links[a]] == arm_of[bodies.links[second]])
    between = below[second] & ~below[a]
    own = np.where(same[:, None], np.where(between, lever[:, second], 0.0), lever[:, a])
    other = np.where(((kind == 0) & ~same)[:, None], lever[:, second], 0.0)
    return np.asarray(own + other)


def most_dead_motion(model: Model, passed: Array) -> Array:
    """A bound (pairs,) m of `pair_dead_motion` over any poses, under torques passed (N, K): arms stretched straight."""
    bodies, chain = model.bodies, model.chain
    along = np.linalg.norm(chain.offsets, axis=1)
    out = np.maximum(np.linalg.norm(bodies.froms, axis=1), np.linalg.norm(bodies.tos, axis=1))
    joints = np.arange(chain.joints)
    # From joint i out to the link of body b, the members in between laid end to end.
    within = (joints[None, None] > joints[None, :, None]) & (joints[None, None] <= bodies.links[:, None, None])
    lever = (within * along).sum(axis=2) + out[:, None]
    half = model.unseen_play / 2.0 + model.compliance * np.abs(passed).max(axis=0)
    result: Array = _lever_of_pairs(model, lever[None], bodies.pairs)[0] @ half
    return result


def clear(facts: Facts) -> Finding:
    """Millimetres between the nearest bodies, less how far both may stand off their places.

    Along the motion, and where a run goes beside it (`Facts.aside`).
    """
    m, bodies = facts.motion, facts.model.bodies
    if not len(bodies.pairs):
        return Finding(MOST, None, "nothing to touch", "no pair of bodies is watched")
    nearest = facts.gaps.min(axis=1)
    # The least that can be left; what is left where that is smallest bounds what is worth looking at.
    least = facts.gaps - most_dead_motion(facts.model, facts.link_torque)
    first = int(np.argmin(least.min(axis=1)))
    bound = (
        facts.gaps[first] - pair_dead_motion(facts.model, m.q[first][None], facts.link_torque[first][None])[0]
    ).min()
    candidates = least <= bound
    samples, pairs = np.flatnonzero(candidates.any(axis=1)), np.flatnonzero(candidates.any(axis=0))
    taken = pair_dead_motion(facts.model, m.q[samples], facts.link_torque[samples], pairs)
    left = facts.gaps[np.ix_(samples, pairs)] - taken
    row, column = np.unravel_index(int(np.argmin(left)), left.shape)
    n, k = int(samples[row]), int(pairs[column])
    left_, taken_, gap = (float(x) for x in (left[row, column], taken[row, column], facts.gaps[n, k]))
    when = "as planned"
    beside = facts.aside
    taken = pair_dead_motion(facts.model, beside.q, facts.link_torque[beside.sample])
    left = beside.gaps - taken
    row, column = np.unravel_index(int(np.argmin(left)), left.shape)
    if left[row, column] < left_:
        n, k, when = int(beside.sample[row]), int(column), beside.words[row]
        left_, taken_, gap = (float(x[row, column]) for x in (left, taken, beside.gaps))
    name = bodies.pair_name(k)
    side = name.split(" ")[0]
    return Finding(
        left_ * 1e3,
        float(m.t[n]),
        facts.place(n, side),
        f"{name}: {gap * 1e3:.1f} mm {when}, {taken_ * 1e3:.1f} mm of that may be dead motion and sag",
        {"side": side, "step": int(m.step[n, SIDES.index(side)]), "pair": name},
        (m.t, np.minimum(nearest * 1e3, 200.0)),
    )


def played_way(facts: Facts) -> str:
    """How the routine will be played: corrected where it has been corrected, else trimmed from the feedback."""
    return "corrected" if facts.corrected else "trimmed"


def miss(facts: Facts) -> Finding:
    """Tolerance over the predicted distance between landing and taught place, the worst of all poses."""
    landings = as_things_land(facts, facts.landings("trimmed"))
    if not landings:
        return Finding(MOST, None, "no taught pose", "nothing to miss")
    ratios = [facts.routine.tolerance_of(x.step) / max(x.expected, 1e-6) for x in landings]
    worst = int(np.argmin(ratios))
    landing = landings[worst]
    arrival = facts.motion.arrivals[worst]
    return Finding(
        float(min(ratios[worst], MOST)),
        float(facts.motion.t[arrival.sample]),
        f"{landing.side} arm, step {facts.routine.title(landing.step)}",
        f"lands {landing.expected * 1e3:.1f} mm off when {played_way(facts)} ({_parts(facts, landing)}); "
        f"{facts.routine.tolerance_of(landing.step) * 1e3:.1f} mm are allowed",
        {"side": landing.side, "step": landing.step, "joint": _largest(facts, landing)},
        (
            np.array([facts.motion.t[a.sample] for a in facts.motion.arrivals]),
            np.array([x.expected * 1e3 for x in landings]),
        ),
    )


def _largest(facts: Facts, landing: Landing) -> int:
    return int(facts.bench.columns(landing.side).start + np.argmax(landing.share))


def _parts(facts: Facts, landing: Landing) -> str:
    names = [joint.name for joint in facts.bench.arm(landing.side).joints]
    order = np.argsort(landing.share)[::-1][:2]
    said = ", ".join(f"{names[i]} {landing.share[i] * 1e3:.1f} mm" for i in order if landing.share[i] > 1e-4)
    return (f"of which {said}; " if said else "") + f"{landing.sigma * 1e3:.1f} mm not known"


def surge(facts: Facts) -> Array:
    """Extra current (N, 2) of each arm at the moments when joints start from rest.

    A servo that starts has no counter-voltage yet: it draws the stall current that the supply's voltage gives times its
    drive. The target has moved on by half the acceleration times the dead time squared before it stirs, and friction
    must be broken.
    """
    m, model = facts.motion, facts.model
    servos = [facts.bench.servo_of(joint) for joint in facts.bench.joints]
    delay = np.array([s.dead_time for s in servos])
    stall_current = np.array([s.stall_current for s in servos])
    moving = np.abs(m.qd) > 1e-6
    starts = moving[1:] & ~moving[:-1]
    ahead = np.zeros_like(m.q)
    for i in range(len(servos)):
        later = min(max(1, round(float(delay[i]) / DT)), len(m.t) - 1)
        ahead[:-later, i] = np.abs(m.q[later:, i] - m.q[:-later, i])
    most = facts.bench.supply.voltage / model.rated_voltage
    drive = most * np.minimum((ahead + model.dead_band / 2.0) / model.full_drive, 1.0)
    drive = np.maximum(drive, np.minimum((np.abs(facts.torque) + model.limp_friction) / model.stall, most))
    extra = np.zeros((len(m.t), 2))
    for arm, side in enumerate(SIDES):
        part = facts.bench.columns(side)
        extra[1:, arm] = np.where(
            starts[:, part], np.maximum(0.0, drive[1:, part] * stall_current[part] - facts.currents[1:, part]), 0.0
        ).sum(axis=1)
    return extra


def power(facts: Facts) -> Finding:
    """Available over needed current: supply against the peak, fuse against the mean over a second.

    A fuse is planned to three quarters of its rating (common practice; a fuse may carry 135 % of its rating for
    an hour, UL 248-14, from memory).
    """
    m, bench = facts.motion, facts.bench
    total = (facts.arm_currents + surge(facts)).sum(axis=1)
    n = int(np.argmax(total))
    found = [
        Finding(
            float(min(bench.supply.limit / max(total[n], 1e-9), MOST)),
            float(m.t[n]),
            "both arms"
            if min(facts.arm_currents[n]) > 0.3
            else facts.place(n, SIDES[int(np.argmax(facts.arm_currents[n]))]),
            f"{total[n]:.1f} A at once from a supply of {bench.supply.limit:.0f} A",
            {"part": "supply", "step": int(m.step[n, 0])},
            (m.t, bench.supply.limit / np.maximum(total, bench.supply.limit / 10.0)),
        )
    ]
    window = max(1, min(round(1.0 / DT), len(m.t)))
    for arm, side in enumerate(SIDES):
        mean = np.convolve(facts.arm_currents[:, arm], np.ones(window) / window, mode="same")
        k = int(np.argmax(mean))
        fuse = bench.arm(side).wire.fuse
        found.append(
            Finding(
                float(min(0.75 * fuse / max(mean[k], 1e-9), MOST)),
                float(m.t[k]),
                facts.place(k, side),
                f"{mean[k]:.1f} A over a second through the {side} arm's {fuse:.1f} A fuse, of which 75 % is planned",
                {"part": "fuse", "side": side, "step": int(m.step[k, arm])},
                found[0].curve,
            )
        )
    return min(found, key=lambda f: f.margin)


def steady_heat(loss: Array, resistance: float, time: float, pause: float, dt: float = DT) -> tuple[Array, float]:
    """Temperature rise (N,) K of a single body over a cycle that is repeated for ever, and its peak.

    dT/dt = (loss·resistance - T)/time (first-order body, as in IEC 60034-1). loss (N,) W at steps of dt, then
    `pause` s without loss. One cycle takes T0 to T0·a + b, so the steady state starts from b/(1 - a).
    """
    decay = np.exp(-dt / time)
    rise = np.empty(len(loss))
    start = 0.0
    # T_k = decay·T_k-1 + (1 - decay)·x_k, summed in stretches short enough not to overflow decay^-k.
    stretch = max(1, int(300.0 * time / dt))
    for first in range(0, len(loss), stretch):
        x = loss[first : first + stretch] * resistance
        power = decay ** np.arange(1, len(x) + 1)
        rise[first : first + stretch] = power * (start + (1.0 - decay) * np.cumsum(x / power))
        start = rise[first + len(x) - 1]
    through = decay ** len(loss)
    rest = np.exp(-pause / time)
    start = rise[-1] * rest / (1.0 - through * rest)
    level: Array = rise + start * decay ** np.arange(1, len(loss) + 1)
    return level, float(level.max())


def time_to_warm(
    loss: Array, resistance: float, time: float, pause: float, allowed: float, dt: float = DT
) -> float | None:
    """Time, s, after which a body that begins at the air's temperature first passes a rise of `allowed` K.

    The body and its cycles are those of `steady_heat`; whole cycles are told, those of the pause included; None if it
    never does.
    """
    steady, peak = steady_heat(loss, resistance, time, pause, dt)
    if peak <= allowed:
        return None
    fading = np.exp(-dt / time) ** np.arange(1, len(loss) + 1)
    cycle = len(loss) * dt + pause
    # Each cycle begins nearer to the steady one's beginning by the same factor.
    through = np.exp(-cycle / time)
    begins = float(steady[-1] * np.exp(-pause / time))
    over = steady > allowed
    with np.errstate(divide="ignore"):
        cycles = np.log((steady[over] - allowed) / (begins * fading[over])) / np.log(through)
    return float(max(0, int(np.ceil(cycles.min()))) + 1) * cycle


def heat(facts: Facts) -> Finding:
    """Degrees below the servo's limit at the hottest moment, the routine repeated until it is steady.

    The joints' servos and the grippers', which press as long as they hold something. It is the temperature that is
    judged: a class's torque for ever is a rule of thumb for steady loads, and knows neither of a routine's length nor
    of its pause.
    """
    m, bench = facts.motion, facts.bench
    parts: list[Servoed] = [*bench.joints, *(bench.arm(side).gripper for side in SIDES)]
    names = [*bench.joint_names, *(f"{side} gripper" for side in SIDES)]
    currents = np.column_stack([facts.currents, facts.grip_currents])
    pause = facts.routine.about.rest
    least, hottest = np.inf, (0, np.zeros(0), np.zeros(0))
    for i, (part, amps) in enumerate(zip(parts, currents.T, strict=True)):
        servo = bench.servo_of(part)
        loss = amps**2 * servo.winding_resistance
        level, peak = steady_heat(loss, servo.thermal_resistance, servo.thermal_time, pause)
        margin = servo.limit_temperature - bench.ambient_temperature - peak
        if margin < least:
            least, hottest = margin, (i, loss, level)
    i, loss, level = hottest
    servo, n = bench.servo_of(parts[i]), int(np.argmax(level))
    side = names[i].split(" ")[0]
    if i < len(bench.joints):
        share = float(np.sqrt((facts.torque[:, i] ** 2).mean()) / facts.model.stall[i])
    else:
        share = float(np.sqrt((currents[:, i] ** 2).mean()) / servo.stall_current)
    room = servo.limit_temperature - bench.ambient_temperature
    return Finding(
        float(least),
        float(m.t[n]),
        f"{names[i]} servo, {facts.place(n, side)}",
        f"reaches {servo.limit_temperature - least - 273.15:.0f} °C of {servo.limit_temperature - 273.15:.0f} °C, "
        f"repeated without end{_paused(pause)}; {_too_long(loss, servo, pause, room)}while it plays it carries "
        f"{100 * share:.0f} % of its stall torque on average",
        {"joint": i, "side": side} if i < len(bench.joints) else {"gripper": side, "side": side},
        (m.t, room - level),
    )


def _paused(pause: float) -> str:
    return f" with pauses of {pause:g} s" if pause > 0.0 else ""


def _too_long(loss: Array, servo: Servo, pause: float, room: float) -> str:
    """After what time it is too hot, with the pauses or at least without them; empty where it never is."""
    for rest, words in ((pause, ""), (0.0, "without the pauses ")):
        after = time_to_warm(loss, servo.thermal_resistance, servo.thermal_time, rest, room)
        if after is not None:
            span = f"{after / 60.0:.0f} minutes" if after >= 90.0 else f"{after:.0f} s"
            return f"{words}more than {span} of it would be too much; "
    return ""


QUESTIONS: dict[str, Callable[[Facts], Finding]] = {
    "reach": reach,
    "lift": lift,
    "pace": pace,
    "clear": clear,
    "meet": meet,
    "together": together,
    "grip": grip,
    "miss": miss,
    "power": power,
    "heat": heat,
}

ASKED_OF = {"meet": ("pass",), "together": ("carry",), "grip": ("grip", "pass")}
"""Questions that are only asked of routines with such a step."""
