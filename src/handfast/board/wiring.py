"""The wiring sheet of a bench: which wire goes where on the controller, and what belongs between.

Names of pins are those of the chip's data sheet (ATmega640/1280/2560, 2549): the 12 compare outputs of the 16-bit
timers and the 16 inputs of the converter. Rules without a source beside them are common practice.
"""

from __future__ import annotations

from dataclasses import dataclass

from handfast.bench.parts import SIDES, Bench
from handfast.errors import InputError

OUTPUTS = (
    ("PB5", "OC1A"), ("PB6", "OC1B"), ("PB7", "OC1C"), ("PE3", "OC3A"), ("PE4", "OC3B"), ("PE5", "OC3C"),
    ("PH3", "OC4A"), ("PH4", "OC4B"), ("PH5", "OC4C"), ("PL3", "OC5A"), ("PL4", "OC5B"), ("PL5", "OC5C"),
)  # fmt: skip
WIPERS = tuple(f"PF{n} (ADC{n})" if n < 8 else f"PK{n - 8} (ADC{n})" for n in range(16))
CHANNELS = len(OUTPUTS)


@dataclass(frozen=True)
class Row:
    """One servo's three wires."""

    channel: int
    label: str
    servo: str
    output: str
    wiper: str


def fits(bench: Bench) -> None:
    """Refuse a bench that asks for more outputs than the board has. Raises InputError."""
    if bench.controller.channels > CHANNELS:
        raise InputError(
            f"the bench has {bench.controller.channels} channels",
            where="controller.channels in bench.toml",
            expected=f"at most {CHANNELS}, the outputs of a board, real or in memory; what needs none works with more",
            next_step="play it on simulated arms: handfast run ROUTINE without --port and without --board; or leave "
            "servos out",
        )


def beyond_a_board(bench: Bench) -> str:
    """What cannot be done with a bench that asks for more outputs than a board has; empty if it does not."""
    if bench.controller.channels <= CHANNELS:
        return ""
    return (
        f"{bench.controller.channels} channels are more than the {CHANNELS} outputs of a board. Refused for this "
        "bench: handfast board, whatever takes --port or --board python (run, teach, calibrate --sweep and --read, vet "
        "--channel), and runs, teaching and readings in the workbench. The rest works, on simulated arms: check, "
        "correct, run without --port and --board, rehearse, layout, plan, report, teach --recording"
    )


def rows(bench: Bench) -> list[Row]:
    """Every servo of the bench in order of its channel. Labels are letters and numbers, so no colour is needed."""
    fits(bench)
    found = []
    for side in SIDES:
        arm = bench.arm(side)
        parts = [(f"{side[0].upper()}{i}", joint.name, joint) for i, joint in enumerate(arm.joints, 1)]
        parts.append((f"{side[0].upper()}G", "gripper", arm.gripper))  # type: ignore[arg-type]
        for mark, name, part in parts:
            pin, compare = OUTPUTS[part.channel]
            found.append(
                Row(part.channel, f"{mark} {side} {name}", part.servo_name, f"{pin} ({compare})", WIPERS[part.channel])
            )
    return sorted(found, key=lambda row: row.channel)


def sheet(bench: Bench) -> str:
    """The whole sheet as text."""
    lines = [f"Wiring of {bench.about.name}", ""]
    lines.append(f"{'channel':>7}  {'label (both ends of the lead)':32}{'servo':18}{'pulse out':13}wiper in")
    for row in rows(bench):
        lines.append(f"{row.channel:7}  {row.label:32}{row.servo:18}{row.output:13}{row.wiper}")
    lines += [
        "",
        "Labels, not colours: write the label on both ends of each lead; knots, one per channel number, help too.",
        "",
        "Measuring inputs (through a divider of two resistors if a voltage may pass the reference of "
        f"{bench.controller.reference:g} V):",
        f"  {WIPERS[12]}: servo supply at the left arm, halved by two 10 kΩ resistors",
        f"  {WIPERS[13]}: current of the left arm    {WIPERS[14]}: current of the right arm (0.1 V per A)",
        f"  {WIPERS[15]}: top of one servo's potentiometer",
        "  The debug port shares ADC4 to ADC7: its fuse must be off, or these four wipers read wrong.",
        "  Each wiper: 1 kΩ to 10 kΩ in series, then 0.1 µF to ground, at the controller's end.",
        "",
        "Supply",
    ]
    for side in SIDES:
        wire = bench.arm(side).wire
        parts = [bench.servo_of(p) for p in (*bench.arm(side).joints, bench.arm(side).gripper)]
        stall = sum(s.stall_current for s in parts)
        bulk = 470 * len(parts)
        lines.append(
            f"  {side} arm: a pair of {wire.gauge:g} AWG, {wire.length:g} m, fuse {wire.fuse:g} A at the supply; "
            f"all stalled {stall:.1f} A; capacitors about {bulk} µF on the supply side of the relay"
        )
        if wire.fuse > wire_rating(wire.gauge):
            lines.append(
                f"    CHECK: a {wire.fuse:g} A fuse does not protect {wire.gauge:g} AWG, which is good for about "
                f"{wire_rating(wire.gauge):.0f} A in open air"
            )
    lines += [
        f"  one supply of {bench.supply.voltage:g} V, {bench.supply.limit:g} A; the controller has a supply of its own",
        "  COMMON GROUND: a thick wire from the supply's minus to the controller's ground, one point, before any pulse",
        "",
        "Stopping",
        "  relay or switch in the servo supply's plus, its coil driven from the controller's relay output",
        "  the stop switch opens the coil circuit (or the supply) by its own contacts; another contact tells the input",
        "  pull-down of 10 kΩ on each of the 12 pulse outputs and on the relay drive: pins float while the chip resets",
        f"  stop category {bench.stop_rule.category}, within {bench.stop_rule.time:g} s; an arm without power falls",
        "  pedal between its input and ground; lamp with its resistor; sounder",
        "",
        "Before power: voltage measured at a servo plug; polarity checked twice; both arms supported; nobody in reach.",
        "Mains parts only closed and finished. Local codes and licensed practice go first.",
    ]
    return "\n".join(lines)


def wire_rating(gauge: float) -> float:
    """Current that one stranded copper wire carries in open air, A (chassis wiring, handbook table, from memory)."""
    import numpy as np

    gauges, amperes = [10, 12, 14, 16, 18, 20, 22, 24, 26], [55, 41, 32, 22, 16, 11, 7, 3.5, 2.2]
    return float(np.exp(np.interp(gauge, gauges, np.log(amperes))))
