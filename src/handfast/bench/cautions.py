"""The usual cautions for a bench with two servo arms, and the figures that they hang on.

They are reminders from general practice. They make no bench safe by themselves, claim no conformity with any
standard, and give way to local codes and to licensed practice. Standards are named so that they can be looked
up; figures marked so are from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

from handfast.bench.parts import Bench

FINGER_GAP = 0.025
"""Smallest gap that does not crush a finger, m (ISO 13854:2017)."""

HAND_GAP = 0.100
"""Smallest gap that does not crush a hand, wrist or fist, m (ISO 13854:2017)."""

SPEED_WITH_PEOPLE = 0.250
"""Highest speed of the TCP while a person is in reach, m/s (ISO 10218-1, reduced speed)."""

DEFERS = (
    "These are reminders from general practice, not a risk assessment. They claim no conformity with any standard. "
    "Local codes and licensed practice go first; where they say more, do more."
)


@dataclass(frozen=True)
class Caution:
    """One danger: what it is, what to do, and where the rule comes from."""

    danger: str
    text: str
    source: str


def cautions(bench: Bench, fastest: float | None = None, nearest: float | None = None) -> tuple[Caution, ...]:
    """All cautions for this bench.

    fastest: highest TCP speed, m/s, of what is to be played; nearest: smallest gap, m, between an arm and
    anything else while it plays. Both are left out of the words where they are None.
    """
    stop = bench.stop_rule
    hottest = max(servo.limit_temperature for servo in map(bench.servo_of, bench.joints)) - 273.15
    fuses = " and ".join(f"{bench.arm(side).wire.fuse:g} A {side}" for side in ("left", "right"))
    gaps = ""
    if nearest is not None:
        near = f"{max(nearest, 0.0) * 1e3:.0f} mm"
        closed = "nothing is left of that" if nearest <= 0 else f"as planned, {near} is the smallest gap on the way"
        gaps = f" Here {closed}" + (": fingers stay out." if nearest < FINGER_GAP else ".")
    speed = ""
    if fastest is not None:
        speed = f" What is planned here goes up to {fastest * 1e3:.0f} mm/s" + (
            f": with a person in reach, play it at {100 * SPEED_WITH_PEOPLE / fastest:.0f} % of its pace or less."
            if fastest > SPEED_WITH_PEOPLE
            else "."
        )
    if stop.category == 1:
        stopping = f"1 here: the arms ramp down, and the power is cut within {stop.time:g} s"
    else:
        stopping = "0 here: the power is cut at once"
    return (
        Caution(
            "Pinching and crushing",
            "Two arms close on each other, on the table and on themselves, and do not feel what is between. A gap "
            f"narrower than {FINGER_GAP * 1e3:.0f} mm can crush a finger, one narrower than {HAND_GAP * 1e3:.0f} mm a "
            f"hand.{gaps}",
            "ISO 13854:2017",
        ),
        Caution(
            "Speed",
            f"While a person is in reach, no TCP goes faster than {SPEED_WITH_PEOPLE * 1e3:.0f} mm/s and somebody "
            f"holds the button that lets it move.{speed} Play a changed routine slowly first.",
            "ISO 10218-1",
        ),
        Caution(
            "Stopping",
            "A switch that breaks the servo supply by its own wires, without any program, is within reach of a hand "
            f"before anything moves. A stop on a screen is no emergency stop. Stop category {stopping}. "
            "An arm without power falls: nobody's hand, and nothing that breaks, lies under it.",
            "IEC 60204-1",
        ),
        Caution(
            "Unexpected starts",
            "Take the power off before you reach in, untangle or measure. Servos can jump when power or pulses come "
            "back. A person whom you cannot see may start the bench: one pair of hands at the controls.",
            "common practice, no source",
        ),
        Caution(
            "Force",
            "What lifts a load presses a finger just as hard, and in a carry two arms press together. 140 N is taken "
            "as the most that an adult's hand or fingers bear when they are clamped, children far less.",
            "ISO/TS 15066:2016, annex A, from memory",
        ),
        Caution(
            "Heat",
            f"A servo that holds a load or is blocked grows hot; {hottest:.0f} °C is the limit set for these cases, "
            "and that burns skin and softens printed brackets. A servo that smells or buzzes is cut off and left to "
            "cool. Never leave a powered bench alone.",
            "common practice, no source",
        ),
        Caution(
            "Supply and wires",
            f"The supply gives up to {bench.supply.limit:g} A, enough to burn a thin wire: a fuse per arm ({fuses}), "
            "near the supply. Use a closed, finished mains supply with a safety mark; the mains side of anything is "
            "work for a licensed electrician.",
            "common practice, no source; IEC 60364 for installations, from memory",
        ),
        Caution(
            "Lithium cells",
            "If cells feed the bench: with a protection board and a fuse, charged on a charger made for them, watched, "
            "on something that does not burn; swollen, dented or wet ones are taken out of use.",
            "common practice, no source",
        ),
        Caution(
            "Sharp tools and eyes",
            "Pens, needles and blades in a gripper go where the arm goes, also when it goes wrong. Wear eye "
            "protection near moving arms; parts and grip can let go and fly. No blade and no hot tool without a "
            "fixed guard.",
            "common practice, no source; guards: ISO 14120, from memory",
        ),
        Caution(
            "Children, animals, onlookers",
            "This is no toy. Keep children and animals out of reach of both arms, powered or not; figures for adults "
            "do not protect them.",
            "common practice, no source",
        ),
    )


def before_motion(bench: Bench, fastest: float | None = None) -> str:
    """Three lines to read before arms move."""
    stop = bench.stop_rule
    speed = "" if fastest is None else f" This goes up to {fastest * 1e3:.0f} mm/s."
    return (
        "before it moves: hands, hair and faces out of reach of both arms; the wired switch that cuts the servo supply "
        f"in reach of your hand (stop category {stop.category} here; an arm without power falls).\n"
        f"  With a person in reach no faster than {SPEED_WITH_PEOPLE * 1e3:.0f} mm/s (ISO 10218-1).{speed} Gaps under "
        f"{FINGER_GAP * 1e3:.0f} mm crush fingers, under {HAND_GAP * 1e3:.0f} mm hands (ISO 13854).\n"
        f"  {DEFERS}"
    )
