"""Units at the edges: the ending of a key's name says its unit; inside, everything is SI.

`stall_torque_kgcm = 9.0` is read as 0.8826 N·m because its name ends in `_kgcm`. A key without a known
ending carries a plain number.

Source: 1 kgf = 9.80665 N exactly (3rd CGPM, 1901); the rest follows from the SI definitions.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

STANDARD_GRAVITY = 9.80665
"""m/s², exact by definition (3rd CGPM, 1901)."""


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit as written at an edge. `factor` takes it to SI; `reciprocal` units are turned over first."""

    symbol: str
    factor: float
    shift: float = 0.0
    reciprocal: bool = False

    def to_si(self, value: float) -> float:
        """The SI value of `value` in this unit."""
        if self.reciprocal:
            return self.factor / value if value else math.inf
        return value * self.factor + self.shift

    def from_si(self, value: float) -> float:
        """`value` (SI) as a number in this unit."""
        if self.reciprocal:
            return self.factor / value if value else math.inf
        return (value - self.shift) / self.factor


DEGREE = math.pi / 180.0
KGF_CM = STANDARD_GRAVITY * 0.01

# The longest ending that fits wins, so compound units stand beside their parts.
UNITS: dict[str, Unit] = {
    "mm": Unit("mm", 1e-3),
    "deg": Unit("°", DEGREE),
    "g": Unit("g", 1e-3),
    "kgcm": Unit("kg·cm", KGF_CM),
    "kgcm_per_deg": Unit("kg·cm/°", KGF_CM / DEGREE),
    "deg_per_Nm": Unit("°/N·m", DEGREE),
    "s_per_60deg": Unit("s/60°", math.pi / 3.0, reciprocal=True),
    "us": Unit("µs", 1e-6),
    "us_per_deg": Unit("µs/°", 1e-6 / DEGREE),
    "counts_per_deg": Unit("counts/°", 1.0 / DEGREE),
    "ms": Unit("ms", 1e-3),
    "s": Unit("s", 1.0),
    "V": Unit("V", 1.0),
    "A": Unit("A", 1.0),
    "ohm": Unit("Ω", 1.0),
    "N": Unit("N", 1.0),
    "pct": Unit("%", 0.01),
    "K": Unit("K", 1.0),
    "K_per_W": Unit("K/W", 1.0),
    "C": Unit("°C", 1.0, shift=273.15),
    "mm_per_s": Unit("mm/s", 1e-3),
    "m": Unit("m", 1.0),
    "awg": Unit("AWG", 1.0),
    "Hz": Unit("Hz", 1.0),
    "g_per_cm3": Unit("g/cm³", 1000.0),
}
PLAIN = Unit("", 1.0)


@cache
def unit_of(key: str) -> Unit:
    """The unit that the ending of `key` names, or a plain number."""
    words = key.split("_")
    for first in range(len(words)):
        unit = UNITS.get("_".join(words[first:]))
        if unit is not None and first > 0:
            return unit
    return PLAIN


def wire_resistance(gauge: float, length: float) -> float:
    """Resistance of a copper wire of American wire gauge `gauge` and `length` m at 20 °C, in ohm.

    Diameter 0.127 mm · 92^((36 - gauge)/39) (ASTM B258); annealed copper 1.724138e-8 Ω·m (IEC 60028, from
    memory). Stranded wire of the same gauge number differs by a few per cent.
    """
    diameter = 0.127e-3 * 92.0 ** ((36.0 - gauge) / 39.0)
    return float(1.724138e-8 * length / (math.pi * diameter**2 / 4.0))


def counted(count: int, one: str, many: str = "") -> str:
    """So many of something in words: '1 servo', '3 servos', and with `many` '2 passes'."""
    return f"{count} {one if count == 1 else many or one + 's'}"
