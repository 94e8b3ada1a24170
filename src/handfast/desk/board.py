"""What a user does with a board: simulate one, look at it, give it power for the first time.

Whatever needs a board takes a serial port by name, or none for a board in memory with the simple stand-in.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from handfast.bench.folder import read_bench
from handfast.desk.work import Desk, check_seed
from handfast.errors import InputError

if TYPE_CHECKING:
    from handfast.bench.parts import Gripper, Joint
    from handfast.board.attached import StandIn
    from handfast.board.device import PythonBoard
    from handfast.board.host import HostBoard
    from handfast.board.limits import ChannelLimits
    from handfast.sessions.operator import Operator
    from handfast.sessions.power_up import PoweredUp
    from handfast.sessions.probe import Finding, Seen, Wiggle


@dataclass(frozen=True)
class Simulated:
    """What stands at the pins of a simulated board: any command, or the simple pair of arms with its side channels."""

    stand_in: str | None = None
    seed: int = 1
    hand: Path | None = None
    readings: Path | None = None
    truth: Path | None = None


@dataclass(frozen=True)
class Open:
    """A connected board, with this bench's limits loaded. `device` is there if it is one of ours in memory.

    stamp: of these limits, as the board keeps it with a stored routine.
    """

    board: HostBoard
    limits: dict[int, ChannelLimits]
    device: PythonBoard | None
    stamp: int


def attached(desk: Desk, simulated: Simulated) -> StandIn:
    """The stand-in that is asked for. It is drawn around the design: what was measured of it must not change it."""
    from handfast.board.attached import ChildStandIn

    if simulated.stand_in is not None:
        given = [name for name in ("hand", "readings", "truth") if getattr(simulated, name) is not None]
        if given:
            raise InputError(
                f"--{given[0]} belongs to the simple stand-in",
                where="--stand-in",
                expected="side channels on the stand-in's own command line",
                next_step=f'put the file into --stand-in "{simulated.stand_in} ..."; see docs/stand-ins.md',
            )
        return ChildStandIn(simulated.stand_in)
    from handfast.standins.command import SimpleStandIn

    check_seed(simulated.seed)
    design = read_bench(desk.folder, measured=False)
    s = simulated
    return SimpleStandIn(design, s.seed, s.hand, s.readings, s.truth)


@contextlib.contextmanager
def opened(desk: Desk, port: str | None, simulated: Simulated | None = None, load: bool = True) -> Iterator[Open]:
    """A connected board with limits loaded: at a port, or in memory. When it is left with power on, it is stopped."""
    from handfast.board.host import open_port
    from handfast.board.loading import limits_of
    from handfast.board.simulate import in_memory

    limits, channels = limits_of(desk.bench)
    with contextlib.ExitStack() as stack:
        device = None
        if port is not None:
            board = stack.enter_context(open_port(port))
        else:
            asked = simulated or Simulated()
            stand_in = stack.enter_context(contextlib.closing(attached(desk, asked)))
            name = f"Python board in memory, {asked.stand_in or f'simple arms of seed {asked.seed}'}"
            board, device = in_memory(stand_in, name, desk.bench.controller.reference)
            stack.enter_context(board)
        if load:
            board.load(limits, channels)
        yield Open(board, channels, device, limits.stamp)


def simulate(desk: Desk, simulated: Simulated, say: Callable[[str], None], ready: Callable[[str], None]) -> None:
    """Run a Python board at a pseudo-terminal until interrupted; `ready` gets the name of the port."""
    from handfast.board.device import PythonBoard
    from handfast.board.loading import limits_of
    from handfast.board.simulate import PseudoTerminal, serve

    limits_of(desk.bench)  # a bench that no board can serve is refused here, too
    with contextlib.closing(attached(desk, simulated)) as stand_in:
        board = PythonBoard(stand_in, round(desk.bench.controller.reference * 1e3))
        terminal = PseudoTerminal()
        with contextlib.closing(terminal):
            ready(terminal.path)
            serve(board, terminal, say)


def simulate_firmware(desk: Desk, simulated: Simulated, elf: Path | None, ready: Callable[[str], None]) -> int:
    """Run the real firmware in the AVR simulator at a pseudo-terminal until interrupted."""
    import shlex
    import sys

    from handfast.board.firmware import built, serve
    from handfast.board.loading import limits_of

    limits_of(desk.bench)
    simulator, firmware = built(elf)
    command = simulated.stand_in
    if command is None:
        words = [sys.executable, "-m", "handfast.standins", "--bench", str(desk.folder.root.resolve())]
        words += ["--seed", str(simulated.seed)]
        for name in ("hand", "readings", "truth"):
            if getattr(simulated, name) is not None:
                words += [f"--{name}", str(Path(getattr(simulated, name)).resolve())]
        command = shlex.join(words)
    return serve(simulator, firmware, command, ready)


def servos_named(desk: Desk, asked: list[str], where: str = "", besides: str = "") -> dict[str, Joint | Gripper]:
    """Every servo of the bench by its name. Raises InputError if one of `asked` is neither these nor `besides`."""
    from handfast.sessions.probe import parts

    named = {name: part for _, name, part in parts(desk.bench)}
    known = [*named, besides] if besides else list(named)
    for name in asked:
        if name not in known:
            raise InputError(
                f'no servo "{name}"', where=where, available=known, asked=name, next_step="choose one of these"
            )
    return named


@dataclass(frozen=True)
class Probed:
    """What a probe found."""

    board: dict[str, object]
    seen: Seen | None
    wiggles: tuple[Wiggle, ...]
    findings: tuple[Finding, ...]


def probe(
    desk: Desk, open_: Open, power: bool, wiggled: list[str], patience: float, say: Callable[[str], None],
    skip: Callable[[], bool],
) -> Probed:  # fmt: skip
    """Look at a board: who it is, and with power what its wipers show; then joints that are wiggled by hand."""
    from handfast.sessions.probe import look_at, swapped, wiggle

    board = open_.board
    identity = dict(board.identity.values) if board.identity else {}
    named = servos_named(desk, wiggled, "--wiggle", "all")
    board.sleep(1.2)  # the clock needs an exchange or two
    counters = board.ask("counters_ask")
    about: dict[str, object] = {
        **{
            key: identity[key] for key in ("name", "protocol", "channels", "queue", "knots", "reset") if key in identity
        },
        "version": f"{identity.get('major')}.{identity.get('minor')}.{identity.get('patch')}",
        "clock_drift_pct": round(100.0 * board.clock.drift, 4),
        "clock_uncertain_ms": round(1e3 * board.clock.uncertain, 3),
        "counters": dict(counters.values) if counters else {},
        "stop_input": "open" if board.known().stop_open else "closed",
        "pedal": "pressed" if board.known().pedal else "released",
    }
    if not power:
        return Probed(about, None, (), ())
    board.power_on()
    seen = look_at(board, desk.bench, open_.limits)
    wiggles = []
    for name in list(named) if wiggled == ["all"] else wiggled:
        say(f"move the {name} by hand, to and fro by 10 to 20 degrees; nothing else")
        found = wiggle(board, desk.bench, named[name], name, patience, skip)
        say(f"  channel {found.moved} moved" if found.moved is not None else "  nothing moved clearly")
        wiggles.append(found)
    board.power_off()
    return Probed(about, seen, tuple(wiggles), (*seen.findings, *swapped(desk.bench, wiggles)))


def power_up(
    desk: Desk, open_: Open, names: list[str], by_hand: bool, operator: Operator, say: Callable[[str], None],
    skip: Callable[[], bool], patience: float,
) -> list[PoweredUp]:  # fmt: skip
    """First power for servos, one after another; all of the bench's if none is named."""
    from handfast.sessions.power_up import PowerUp

    named = servos_named(desk, names)
    open_.board.power_on()
    session = PowerUp(desk.bench, open_.board, open_.limits, operator, say, skip, patience)
    found = []
    for name in names or list(named):
        found.append(session.one(name, named[name], by_hand))
        say(f"  {name}: {found[-1].trouble or 'good'}")
    open_.board.power_off()
    return found
