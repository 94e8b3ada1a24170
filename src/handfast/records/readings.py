"""What was read while measuring a bench: touches, gauges, pulls, sags, pushes and landings, each with its stated error.

A readings file is TOML under BENCH/readings, one table per reading:

    [[touch]]                     # a limp arm's TCP led by hand onto a point of known place, and held there
    arm = "left"
    at_mm = [-120, -60, 0]        # in the world: the card's own axes where a card lies on the table
    error_mm = 0.4                # one standard deviation of the place, hand and dimple together
    counts = [512.3, ...]         # feedback of every channel at that moment
    supply_V = 5.98
    arrived = "+ - 0 + -"         # way each joint of that arm last moved; 0 where it cannot be told

    [[meet]]                      # both limp arms led tip to tip
    [[bar]]                       # both limp TCPs at the ends of a bar of known length, led about
    [[level]]                     # a level, such as a phone's, laid along a limp arm's link
    [[gauge]]                     # one limp joint's link led against a stop of known angle
    [[pull]]                      # force at a lever that just turns a limp joint, or moves it within its play
    [[sag]]                       # a weight hung on the TCP of a powered arm, and how far the TCP went down
    [[push]]                      # the TCP of a powered arm pushed to and fro, and how far apart it stood
    [[sweep]]                     # a powered joint stepped over its travel, up and down
    [[follow]]                    # how far a joint's feedback follows the servo supply
    [[landing]]                   # where a played pose landed, against where it was taught
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from pathlib import Path

from handfast.bench.parts import SIDES, Bench, Vector
from handfast.errors import InputError
from handfast.files.atomic import write_text
from handfast.files.document import Document, parse_document, read_document
from handfast.files.fields import choice, flag, number, read_table, table_of, tables, text, vector


@dataclass(frozen=True, kw_only=True)
class Touch:
    """A limp arm's TCP held by hand on a point of known place."""

    arm: str = choice("arm", ..., SIDES, "which arm")
    at: Vector = vector("at_mm", ..., "the point, in the world", 3, -5000, 5000)
    error: float = number("error_mm", ..., 0.01, 50, "one standard deviation of the point and the hand")
    counts: Vector = vector("counts", ..., "feedback of every channel", None, 0, 70000)
    supply: float = number("supply_V", ..., 0, 60, "servo supply at that moment")
    arrived: str = text("arrived", "", "way each joint of that arm last moved: + - or 0")


@dataclass(frozen=True, kw_only=True)
class Meet:
    """Both limp arms led tip to tip."""

    error: float = number("error_mm", ..., 0.01, 50, "one standard deviation of how well the tips meet")
    counts: Vector = vector("counts", ..., "feedback of every channel", None, 0, 70000)
    supply: float = number("supply_V", ..., 0, 60, "servo supply at that moment")
    arrived: str = text("arrived", "", "way each joint last moved, left arm first: + - or 0")


@dataclass(frozen=True, kw_only=True)
class Bar:
    """Both limp arms hold the ends of one bar: their TCPs are its length apart, wherever it is led."""

    length: float = number("length_mm", ..., 5, 5000, "distance of the two TCPs, from hole to hole")
    error: float = number("error_mm", ..., 0.01, 50, "one standard deviation of that distance, hands included")
    counts: Vector = vector("counts", ..., "feedback of every channel", None, 0, 70000)
    supply: float = number("supply_V", ..., 0, 60, "servo supply at that moment")
    arrived: str = text("arrived", "", "way each joint last moved, left arm first: + - or 0")


@dataclass(frozen=True, kw_only=True)
class Level:
    """A level along a limp arm's link, from its joint's axis to the next joint's (or the TCP), while a hand holds it.

    The table counts as level: tilt is measured against it.
    """

    joint: str = text("joint", ..., "the joint at the link's beginning, such as `left elbow`")
    tilt: float = number("tilt_deg", ..., -90, 90, "how steeply the link rises; negative if it falls")
    error: float = number("error_deg", ..., 0.01, 10, "one standard deviation of the level and how it lies")
    counts: Vector = vector("counts", ..., "feedback of every channel", None, 0, 70000)
    supply: float = number("supply_V", ..., 0, 60, "servo supply at that moment")
    arrived: str = text("arrived", "", "way each joint of that arm last moved: + - or 0")


@dataclass(frozen=True, kw_only=True)
class Gauge:
    """A limp joint's link led against a stop of known angle, and how it came there.

    Where a link is led onto one stop from both sides, the stop's own error is the same both times and says nothing
    about play: what tells of play is good to `again`.
    """

    joint: str = text("joint", ..., "which joint, such as `left elbow`")
    angle: float = number("angle_deg", ..., -720, 720, "joint angle at the stop")
    error: float = number("error_deg", ..., 0.01, 10, "one standard deviation of the stop's angle")
    way: str = choice("way", ..., ("+", "-"), "way in which the link moved onto the stop")
    stop: str = text("stop", "", "name of a stop that stayed where it was; readings at it share its error")
    again: float = number("again_deg", 0.1, 0.01, 10, "how far off two readings at a stop that stayed are, beside that")
    counts: Vector = vector("counts", ..., "feedback of every channel", None, 0, 70000)
    supply: float = number("supply_V", ..., 0, 60, "servo supply at that moment")


@dataclass(frozen=True, kw_only=True)
class Pull:
    """A spring scale at a lever that just turns a limp joint, its own weight balanced or level, or taken out as the
    mean of both ways. Where it is `loose`, its link is moved no farther than its play, and no gear turns with it."""

    joint: str = text("joint", ..., "which joint")
    force: float = number("force_N", ..., 0, 500, "force that just moves it, mean of both ways")
    lever: float = number("lever_mm", ..., 1, 2000, "distance of the hook from the joint's axis")
    error: float = number("error_N", ..., 0.001, 50, "one standard deviation of the force")
    loose: bool = flag("loose", False, "whether the link moved within its play only, while its gears stood still")


@dataclass(frozen=True, kw_only=True)
class Sag:
    """A weight hung on the TCP of a powered arm at rest; counts before and after."""

    arm: str = choice("arm", ..., SIDES, "which arm")
    mass: float = number("mass_g", ..., 1, 20000, "the weight")
    down: float = number("down_mm", ..., -500, 500, "how far the TCP went down")
    error: float = number("error_mm", ..., 0.01, 20, "one standard deviation of that reading")
    counts: Vector = vector("counts", ..., "feedback of every channel without the weight", None, 0, 70000)
    loaded: Vector = vector("loaded_counts", ..., "feedback of every channel with the weight", None, 0, 70000)
    supply: float = number("supply_V", ..., 0, 60, "servo supply without the weight")
    loaded_supply: float = number("loaded_supply_V", ..., 0, 60, "servo supply with the weight")


LEAST_PUSH = 0.05
"""A weaker push, N, is none: it has no line along which anything could be read."""


@dataclass(frozen=True, kw_only=True)
class Push:
    """The TCP of a powered arm at rest pushed along a line, first one way, then the other, with a scale in between."""

    arm: str = choice("arm", ..., SIDES, "which arm")
    force: Vector = vector("force_N", ..., "the first push, on the TCP, in the world; the second is its opposite", 3)
    off: float = number("off_mm", ..., -500, 500, "how far along the first push the TCP stood from the second one")
    error: float = number(
        "error_mm", ..., 0.01, 20, "one standard deviation of that reading, the scale's error included"
    )
    counts: Vector = vector("counts", ..., "feedback of every channel under the first push", None, 0, 70000)
    back: Vector = vector("back_counts", ..., "feedback of every channel under the second", None, 0, 70000)
    supply: float = number("supply_V", ..., 0, 60, "servo supply under the first push")
    back_supply: float | None = number("back_supply_V", None, 0, 60, "under the second one, if it is another")


@dataclass(frozen=True, kw_only=True)
class Sweep:
    """One powered joint stepped over its travel, up and down, the others at rest; read after each step."""

    joint: str = text("joint", ..., "which joint")
    pulses: Vector = vector("pulses_us", ..., "pulse of every step", None, 200, 3500)
    counts: Vector = vector("counts", ..., "its feedback at rest after every step, the supply's sag taken out", None)
    ways: str = text("ways", ..., "way of every step: + or -")
    at: Vector = vector("at_deg", ..., "where the feedback shows the other joints", None, -720, 720)
    supply: float = number("supply_V", ..., 0, 60, "servo supply, its mean")


@dataclass(frozen=True, kw_only=True)
class Follow:
    """How far a joint's feedback follows the servo supply, seen while it stood still and the supply changed."""

    joint: str = text("joint", ..., "which joint")
    share: float = number("follows_pct", ..., 0, 100, "change of the counts, of the change of the voltage")
    error: float = number("error_pct", ..., 0.1, 100, "one standard deviation of that")
    leads: float = number("leads_pct", 100, 0, 300, "resistance of the leads as it showed, of what the bench says")


@dataclass(frozen=True, kw_only=True)
class LandingRead:
    """Where a played pose landed against where it was taught, read by card, ruler or nudge."""

    arm: str = choice("arm", ..., SIDES, "which arm")
    off: Vector = vector("off_mm", ..., "landed minus taught, in the world", 3, -500, 500)
    error: float = number("error_mm", ..., 0.01, 50, "one standard deviation of each of the three")
    taught: Vector = vector("taught_deg", ..., "taught angles of that arm, as the feedback showed them", None)
    held: str = choice("held", "unknown", ("held", "let go", "unknown"), "how it was held while it was taught")
    arrived: str = text("arrived", "", "way each joint last moved by hand: + - or 0")
    feedback: Vector = vector("feedback_deg", ..., "angles at which the feedback came to rest", None)
    moved: str = text("moved", "", "way each joint was last driven: + - or 0")
    load: float = number("load_g", 0, 0, 20000, "mass in the gripper")


@dataclass(frozen=True, kw_only=True)
class Readings:
    """Everything that was read in one or more sessions."""

    touches: tuple[Touch, ...] = tables("touch", Touch, "points touched")
    meets: tuple[Meet, ...] = tables("meet", Meet, "tips brought together")
    bars: tuple[Bar, ...] = tables("bar", Bar, "samples of a bar held by both arms")
    levels: tuple[Level, ...] = tables("level", Level, "tilts of links")
    gauges: tuple[Gauge, ...] = tables("gauge", Gauge, "links against gauges")
    pulls: tuple[Pull, ...] = tables("pull", Pull, "limp joints pulled")
    sags: tuple[Sag, ...] = tables("sag", Sag, "weights hung on")
    pushes: tuple[Push, ...] = tables("push", Push, "TCPs pushed to and fro")
    sweeps: tuple[Sweep, ...] = tables("sweep", Sweep, "joints stepped over their travel")
    landings: tuple[LandingRead, ...] = tables("landing", LandingRead, "landings read")
    follows: tuple[Follow, ...] = tables("follow", Follow, "feedback that follows the supply")

    def __add__(self, other: Readings) -> Readings:
        return Readings(**{f.name: getattr(self, f.name) + getattr(other, f.name) for f in fields(self)})

    def __len__(self) -> int:
        return sum(len(getattr(self, f.name)) for f in fields(self))


def read_readings(path: Path, bench: Bench) -> Readings:
    """The readings in a file, checked against the bench."""
    document = read_document(path)
    return checked(read_table(Readings, document.values, document, ()), bench, document)


def checked(readings: Readings, bench: Bench, document: Document) -> Readings:
    """Refuse what does not belong to this bench: channels, joints, numbers of signs, clipped feedback."""
    top = 2.0**bench.controller.wiper_bits - 1.0

    def refuse(kind: str, number_: int, key: str, what: str, expected: str, **more: object) -> InputError:
        return InputError(what, where=document.place((kind, number_, key)), expected=expected, **more)  # type: ignore[arg-type]

    counted: tuple[tuple[str, Sequence[object]], ...] = (
        ("touch", readings.touches),
        ("meet", readings.meets),
        ("bar", readings.bars),
        ("level", readings.levels),
        ("gauge", readings.gauges),
        ("sag", readings.sags),
        ("push", readings.pushes),
    )
    for n, push in enumerate(readings.pushes):
        if sum(f**2 for f in push.force) < LEAST_PUSH**2:
            raise refuse(
                "push", n, "force_N", "no push", f"a force of at least {LEAST_PUSH:g} N",
                next_step="write the force of the first push, in N along x, y and z of the world",
            )  # fmt: skip
    for spec_name, items in counted:
        for n, item in enumerate(items):
            for key in ("counts", "loaded", "back"):
                counts = getattr(item, key, None)
                if counts is None:
                    continue
                name = key if key == "counts" else f"{key}_counts"
                if len(counts) != bench.controller.channels:
                    raise refuse(
                        spec_name, n, name, f"{len(counts)} values",
                        f"{bench.controller.channels}, one for each channel of the controller",
                    )  # fmt: skip
                used = [joint.channel for joint in bench.joints]
                clipped = [c for c in used if counts[c] <= 0.5 or counts[c] >= top - 0.5]
                if clipped:
                    raise refuse(
                        spec_name, n, name, f"channel {clipped[0]} reads {counts[clipped[0]]:g}: clipped",
                        f"between 1 and {top - 1:g} counts",
                        next_step="check the wiper's wire and the reference voltage, then read again",
                    )  # fmt: skip
    counts_of: dict[str, int] = {side: len(bench.arm(side).joints) for side in SIDES}
    for n, touch in enumerate(readings.touches):
        _check_signs(touch.arrived, counts_of[touch.arm], document, ("touch", n, "arrived"))
    for n, meet in enumerate(readings.meets):
        _check_signs(meet.arrived, sum(counts_of.values()), document, ("meet", n, "arrived"))
    for n, bar in enumerate(readings.bars):
        _check_signs(bar.arrived, sum(counts_of.values()), document, ("bar", n, "arrived"))
    jointed: tuple[tuple[str, Sequence[Level | Gauge | Pull | Sweep | Follow]], ...] = (
        ("level", readings.levels),
        ("gauge", readings.gauges),
        ("pull", readings.pulls),
        ("sweep", readings.sweeps),
        ("follow", readings.follows),
    )
    for kind, of_joints in jointed:
        for n, reading in enumerate(of_joints):
            if reading.joint not in bench.joint_names:
                raise refuse(
                    kind, n, "joint", f'the bench has no joint "{reading.joint}"', "a joint of this bench",
                    available=bench.joint_names, asked=reading.joint,
                )  # fmt: skip
    for n, level in enumerate(readings.levels):
        _check_signs(level.arrived, counts_of[level.joint.split()[0]], document, ("level", n, "arrived"))
    for n, sweep in enumerate(readings.sweeps):
        steps = len(sweep.pulses)
        if steps < 6:
            raise refuse("sweep", n, "pulses_us", f"{steps} steps", "at least 6, up and down")
        if len(sweep.counts) != steps:
            raise refuse("sweep", n, "counts", f"{len(sweep.counts)} values", f"{steps}, one for each pulse")
        if len(sweep.at) != len(bench.joints):
            raise refuse("sweep", n, "at_deg", f"{len(sweep.at)} angles", f"{len(bench.joints)}, all joints")
        _check_signs(sweep.ways, steps, document, ("sweep", n, "ways"))
    for n, landing in enumerate(readings.landings):
        for key, values in (("taught_deg", landing.taught), ("feedback_deg", landing.feedback)):
            if len(values) != counts_of[landing.arm]:
                raise refuse(
                    "landing", n, key, f"{len(values)} angles", f"{counts_of[landing.arm]}, one for each joint"
                )
        _check_signs(landing.arrived, counts_of[landing.arm], document, ("landing", n, "arrived"))
        _check_signs(landing.moved, counts_of[landing.arm], document, ("landing", n, "moved"))
    return readings


def _bare(signs: str) -> str:
    """One character for each joint; what is in doubt counts as not known."""
    return signs.replace(" ", "").replace("+?", "0").replace("-?", "0")


def _check_signs(signs: str, count: int, document: Document, key: tuple[str, int, str]) -> None:
    bare = _bare(signs)
    if bare and (len(bare) != count or set(bare) - set("+-0")):
        raise InputError(f'"{signs}" does not fit', where=document.place(key), expected=f"{count} signs out of + - 0")


def signs_of(text_: str, count: int) -> tuple[int, ...]:
    """The signs as +1, -1, 0; all 0 if none are given."""
    bare = _bare(text_)
    return tuple({"+": 1, "-": -1, "0": 0}[c] for c in bare) if bare else (0,) * count


def write_readings(path: Path, readings: Readings, bench: Bench, heading: str = "") -> None:
    """Write readings as a new file, whole or not at all."""
    import tomlkit

    document = tomlkit.document()
    for line in heading.splitlines():
        document.add(tomlkit.comment(line))
    for name, rows in table_of(readings).items():
        array = tomlkit.aot()
        for row in rows:
            entry = tomlkit.table()
            entry.update(row)
            array.append(entry)
        document.add(name, array)
    text_ = tomlkit.dumps(document)
    parsed = parse_document(text_, path)
    checked(read_table(Readings, parsed.values, parsed, ()), bench, parsed)
    write_text(path, text_)
