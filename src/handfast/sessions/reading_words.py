"""What a maker types to take a reading, as a request: which kind, where, the numbers, and what they are good for."""

from __future__ import annotations

from dataclasses import dataclass

from handfast.bench.parts import SIDES, Bench, Side
from handfast.errors import InputError
from handfast.files.fields import specs_of
from handfast.fitting.advice import GAUGE_ERROR, LIGHT_SHARE, PULL_SHARE, SAG_ERROR, SCALE, TOUCH_ERROR
from handfast.records.readings import LEAST_PUSH, Bar, Gauge, Level, Meet, Pull, Push, Sag, Touch
from handfast.units import DEGREE

KINDS = {
    "touch": ("touch ARM X Y Z", "a limp TCP in a dimple at X Y Z mm"),
    "meet": ("meet", "both limp TCPs tip to tip"),
    "bar": ("bar LENGTH", "both limp TCPs at the ends of a bar, mm"),
    "rock": ("rock JOINT ANGLE", "a limp link led onto a stop of known angle from both sides, degrees; the stop stays"),
    "gauge": ("gauge JOINT ANGLE", "a limp link led onto a stop of known angle from one side, degrees"),
    "level": ("level JOINT TILT", "a level along a limp link that a hand holds, degrees"),
    "pull": ("pull JOINT N MM", "the pull, N, at a lever of so many mm that just turns a limp joint"),
    "loose": ("loose JOINT N MM", "the light pull that moves a limp link within its play only"),
    "sag": ("sag ARM GRAMS", "a weight to be hung on a powered arm, which stands where it is held now"),
    "push": ("push ARM X Y Z", "a powered arm to be pushed with N along x, y, z, then the other way"),
}
"""What each kind looks like, and what it is."""

GOOD_TO = {
    "touch": 1e3 * TOUCH_ERROR, "meet": 0.5, "bar": 0.5, "rock": GAUGE_ERROR / DEGREE, "gauge": GAUGE_ERROR / DEGREE,
    "level": 0.3, "sag": 1e3 * SAG_ERROR, "push": 0.3,
}  # fmt: skip
"""One standard deviation of a reading where nobody says better, mm or degrees: what the advice goes by, and beside that
common practice, no source."""

_NUMBERS = {
    "touch": 3, "meet": 0, "bar": 1, "rock": 1, "gauge": 1, "level": 1, "pull": 2, "loose": 2, "sag": 1, "push": 3,
}  # fmt: skip

_LIMITS: dict[str, tuple[type, tuple[str, ...], str]] = {
    "touch": (Touch, ("at_mm",) * 3, "error_mm"), "meet": (Meet, (), "error_mm"),
    "bar": (Bar, ("length_mm",), "error_mm"),
    "rock": (Gauge, ("angle_deg",), "error_deg"), "gauge": (Gauge, ("angle_deg",), "error_deg"),
    "level": (Level, ("tilt_deg",), "error_deg"),
    "pull": (Pull, ("force_N", "lever_mm"), "error_N"), "loose": (Pull, ("force_N", "lever_mm"), "error_N"),
    "sag": (Sag, ("mass_g",), "error_mm"), "push": (Push, ("force_N",) * 3, "error_mm"),
}  # fmt: skip
"""Where the readings file has the limits of each kind: its table, the keys of what is typed, and that of its error."""


@dataclass(frozen=True)
class Asked:
    """A reading to be taken. of: arm or joint, or nothing; numbers as they were typed; error in the kind's own unit."""

    kind: str
    of: str
    numbers: tuple[float, ...]
    error: float

    @property
    def side(self) -> Side:
        """The arm that it is taken at; the left one, where both are."""
        return "right" if self.of.startswith("right") else "left"

    @property
    def sides(self) -> tuple[Side, ...]:
        """The arms that have to be still."""
        return SIDES if self.kind in ("meet", "bar") else (self.side,)


def asked_for(line: str, bench: Bench) -> Asked:
    """The reading that a line asks for: `gauge left elbow 45`, `touch left -120 60 0 good to 0.3`.

    Raises InputError naming what does not fit.
    """
    words = line.split()
    kind = words[0].lower() if words else ""
    if kind not in KINDS:
        raise InputError(
            f'no reading "{kind}"', where="what you typed", available=list(KINDS),
            asked=kind, next_step="type one of these, or h",
        )  # fmt: skip
    shape = KINDS[kind][0]
    rest = words[1:]
    error = None
    if len(rest) >= 3 and [w.lower() for w in rest[-3:-1]] == ["good", "to"]:
        error = _number(rest[-1])
        rest = rest[:-3]
        if error is None or not 0.01 <= error <= 50.0:
            raise InputError(
                f'good to "{words[-1]}"', where="what you typed", expected="one standard deviation, 0.01 to 50",
                next_step="say how far off the reading may well be",
            )  # fmt: skip
    first = next((n for n, word in enumerate(rest) if _number(word) is not None), len(rest))
    named = rest[:first]
    numbers = tuple(value for word in rest[first:] if (value := _number(word)) is not None)
    count = _NUMBERS[kind]
    of = " ".join(named).lower()
    known = {"touch": SIDES, "sag": SIDES, "push": SIDES, "meet": ("",), "bar": ("",)}.get(kind, bench.joint_names)
    fits = len(numbers) == len(rest) - first == count
    if not fits or of not in known:
        wrong = fits and of != "" and known != ("",)
        raise InputError(
            f'no {"arm" if known == SIDES else "joint"} "{of}"' if wrong else f'"{line.strip()}" does not fit',
            where="what you typed", expected=shape, available=list(known) if known != ("",) else [],
            asked=of if wrong else "", next_step=f"type {shape}: {KINDS[kind][1]}",
        )  # fmt: skip
    if error is None:
        error = GOOD_TO.get(kind, 0.0)
        if kind in ("pull", "loose"):
            share = PULL_SHARE if kind == "pull" else LIGHT_SHARE
            error = (share**2 * numbers[0] ** 2 + SCALE**2) ** 0.5
    _check_limits(kind, numbers, error)
    return Asked(kind, of, numbers, error)


def _check_limits(kind: str, numbers: tuple[float, ...], error: float) -> None:
    """Refuse at once what the readings file would refuse once the reading is taken."""
    table, keys, error_key = _LIMITS[kind]
    specs = specs_of(table)
    for value, key in [*zip(numbers, keys, strict=True), (error, error_key)]:
        spec = specs[key][1]
        if not spec.low <= value <= spec.high:
            raise InputError(
                f"{kind} {value:g} is out of range", where="what you typed",
                expected=f"{spec.low:g} to {spec.high:g} {spec.unit.symbol}: {spec.why}",
                next_step=f"type {KINDS[kind][0]} again",
            )  # fmt: skip
    if kind == "push" and sum(v**2 for v in numbers) < LEAST_PUSH**2:
        raise InputError(
            "no push", where="what you typed", expected=f"a force of at least {LEAST_PUSH:g} N",
            next_step=f"type {KINDS[kind][0]}: the force of the first push, in N along x, y and z of the world",
        )  # fmt: skip


def _number(word: str) -> float | None:
    """The number that a word is, with a point or a comma; None if it is none."""
    try:
        value = float(word.replace(",", "."))
    except ValueError:
        return None
    return value if abs(value) < 1e5 else None
