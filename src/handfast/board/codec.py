"""Messages to frames and back, from the wire table that the firmware is tested against, too.

docs/protocol.md explains the wire. `wire.toml` in this folder is a copy of protocol/wire.toml, so that an installed
package has it; a test holds them equal.
"""

from __future__ import annotations

import struct
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from typing import Any

from handfast.board.framing import CHECK_BYTES, Damaged, opened, sealed

Value = int | tuple[int, ...] | str
_HEAD = 3  # bytes of a body before its payload: version, type, sequence
_FORMATS = {"u8": "B", "i8": "b", "u16": "H", "i16": "h", "u32": "I"}
_RANGES = {"u8": (0, 255), "i8": (-128, 127), "u16": (0, 65535), "i16": (-32768, 32767), "u32": (0, 2**32 - 1)}


class Refused(ValueError):  # noqa: N818 - a finding, not an error of the program
    """A whole frame with something in it that the table does not allow.

    counter: which counter of the table it belongs to; reason, where: as in a nack; of, what: its sequence and type.
    """

    def __init__(self, says: str, counter: str, reason: str = "", where: int = 255, of: int = 0, what: int = 0):
        super().__init__(says)
        self.counter, self.reason, self.where, self.of, self.what = counter, reason, where, of, what


@dataclass(frozen=True)
class Field:
    """One field of a message."""

    name: str
    kind: str
    count: int
    low: int
    high: int
    zero: bool

    def bad(self, value: Value) -> bool:
        """Whether a value is out of range."""
        if self.kind == "text":
            return not isinstance(value, str)
        values = value if isinstance(value, tuple) else (value,)
        return not all(isinstance(v, int) and (self.low <= v <= self.high or (self.zero and v == 0)) for v in values)


@dataclass(frozen=True)
class Kind:
    """One kind of message."""

    name: str
    type: int
    to_board: bool
    answer: str
    fields: tuple[Field, ...]
    layout: struct.Struct


@dataclass(frozen=True)
class Message:
    """A message as it came: its name, sequence number and values by field."""

    name: str
    sequence: int
    values: dict[str, Any] = field(default_factory=dict)

    def __getitem__(self, name: str) -> Any:
        return self.values[name]


class Wire:
    """The table: message kinds by name and by type, and its lists of named numbers."""

    def __init__(self, table: dict[str, Any]):
        self.version: int = table["frame"]["version"]
        # Without the zero that ends them; stuffing adds one byte to a body this short.
        self.longest_frame: int = table["frame"]["longest_body"] + 1 + CHECK_BYTES
        self.shortest_frame: int = _HEAD + 1 + CHECK_BYTES
        self.window: int = table["frame"]["sequence_window"]
        self.baud: int = table["frame"]["baud"]
        self.limits: dict[str, int] = table["limits"]
        self.states, self.channel_states = table["states"], table["channel_states"]
        self.causes, self.reasons = table["causes"], table["reasons"]
        self.events, self.cues = table["events"], table["cues"]
        self.kinds = {k.name: k for k in map(_kind, table["message"])}
        self.types = {k.type: k for k in self.kinds.values()}

    def word(self, which: str, number: int) -> str:
        """The name of a number in one of the lists, such as `causes`, in words."""
        names: dict[str, int] = getattr(self, which)
        return next((name.replace("_", " ") for name, n in names.items() if n == number), f"number {number}")


def _kind(raw: dict[str, Any]) -> Kind:
    fields, layout = [], "<"
    for f in raw["fields"]:
        count = f.get("count", 1)
        if f["kind"] == "text":
            layout += f"{count}s"
            low = high = 0
        else:
            layout += f"{count}{_FORMATS[f['kind']]}"
            low, high = _RANGES[f["kind"]]
        fields.append(Field(f["name"], f["kind"], count, f.get("low", low), f.get("high", high), "zero" in f))
    to_board = raw["direction"] == "to_board"
    return Kind(raw["name"], raw["type"], to_board, raw.get("answer", "none"), tuple(fields), struct.Struct(layout))


@cache
def wire() -> Wire:
    """The wire table of this package."""
    return Wire(tomllib.loads(files("handfast.board").joinpath("wire.toml").read_text(encoding="utf-8")))


def body(name: str, sequence: int, /, **values: Value) -> bytes:
    """Version, type, sequence and payload of a message. ValueError for a value outside the table."""
    table = wire()
    kind = table.kinds[name]
    flat: list[int | bytes] = []
    for f in kind.fields:
        value = values.pop(f.name)
        if f.bad(value):
            raise ValueError(f"{name}.{f.name} = {value!r} is outside the wire table")
        if isinstance(value, str):
            text = value.encode("ascii")
            if len(text) > f.count or not all(0x20 <= c <= 0x7E for c in text):
                raise ValueError(f"{name}.{f.name} = {value!r} does not fit")
            flat.append(text)
        elif isinstance(value, tuple):
            if len(value) != f.count:
                raise ValueError(f"{name}.{f.name} needs {f.count} numbers, not {len(value)}")
            flat += value
        else:
            flat.append(value)
    if values:
        raise ValueError(f"{name} has no field {', '.join(values)}")
    return bytes([table.version, kind.type, sequence & 0xFF]) + kind.layout.pack(*flat)


def encode(name: str, sequence: int, /, **values: Value) -> bytes:
    """A message as it goes over the wire, its end included."""
    return sealed(body(name, sequence, **values)) + b"\x00"


def decode(frame: bytes) -> Message:
    """The message in a frame (without its end). Raises Damaged, or Refused."""
    table = wire()
    if not table.shortest_frame <= len(frame) <= table.longest_frame:
        raise Damaged("too short or too long")
    raw = opened(frame)
    if raw is None:
        raise Refused("the check does not fit", "bad_crc")
    if len(raw) < _HEAD:
        raise Damaged("too short")
    version, type_, sequence = raw[:3]
    if version != table.version:
        raise Refused(f"protocol version {version}", "bad_version", "version", of=sequence, what=type_)
    kind = table.types.get(type_)
    if kind is None:
        raise Refused(f"unknown type {type_}", "bad_type", "unknown_type", of=sequence, what=type_)
    payload = raw[_HEAD:]
    if len(payload) != kind.layout.size:
        raise Refused(f"{len(payload)} bytes in {kind.name}", "bad_length", "bad_length", of=sequence, what=type_)
    flat = list(kind.layout.unpack(payload))
    values: dict[str, Any] = {}
    for index, f in enumerate(kind.fields):
        value: Value
        if f.kind == "text":
            text = flat.pop(0)
            plain = text.rstrip(b"\x00")
            if not all(0x20 <= c <= 0x7E for c in plain):
                raise Refused(f"{kind.name}.{f.name} is no text", "refused", "range", index, sequence, type_)
            value = plain.decode("ascii")
        elif f.count > 1:
            value = tuple(flat[: f.count])
            del flat[: f.count]
        else:
            value = flat.pop(0)
        if f.bad(value):
            raise Refused(f"{kind.name}.{f.name} = {value}", "refused", "range", index, sequence, type_)
        values[f.name] = value
    return Message(kind.name, sequence, values)


class Receiver:
    """Cuts a byte stream into messages; what is damaged is dropped and counted, never acted on.

    to_board: which way it listens. `counts` has the counters of the table. Refusals that deserve a nack are given as
    `Refused` in place of a message.
    """

    def __init__(self, to_board: bool):
        self._to_board = to_board
        self._bytes = bytearray()
        self._skipping = False
        self._last: int | None = None
        names = ("good", "bad_framing", "bad_crc", "bad_version", "bad_type", "bad_length", "old_sequence", "refused")
        self.counts = dict.fromkeys(names, 0)

    def restart(self) -> None:
        """Any sequence number may come next."""
        self._last = None

    def feed(self, data: bytes) -> Iterator[Message | Refused]:
        """Take in bytes; what is whole comes out."""
        longest = wire().longest_frame
        for byte in data:
            if byte != 0:
                if self._skipping:
                    continue
                self._bytes.append(byte)
                if len(self._bytes) > longest:
                    self._skipping = True
                continue
            frame, skipped = bytes(self._bytes), self._skipping
            self._bytes.clear()
            self._skipping = False
            if skipped:
                self.counts["bad_framing"] += 1
            elif frame:
                found = self._one(frame)
                if found is not None:
                    yield found

    def _one(self, frame: bytes) -> Message | Refused | None:
        try:
            message = decode(frame)
        except Damaged:
            self.counts["bad_framing"] += 1
            return None
        except Refused as refused:
            if refused.reason == "range" and refused.what in wire().types:
                kind = wire().types[refused.what]
                if kind.to_board != self._to_board:
                    return self._wrong_way(refused.of, refused.what)
                if self._stale(refused.of, kind.name):
                    self.counts["old_sequence"] += 1
                    return None
                self._last = refused.of
            self.counts[refused.counter] += refused.counter != "refused"  # whoever answers counts those
            return refused if refused.reason else None
        kind = wire().kinds[message.name]
        if kind.to_board != self._to_board:
            return self._wrong_way(message.sequence, kind.type)
        if self._stale(message.sequence, message.name):
            self.counts["old_sequence"] += 1
            # A stop is obeyed however old it is.
            return message if message.name == "stop" else None
        self._last = message.sequence
        self.counts["good"] += 1
        return message

    def _wrong_way(self, sequence: int, type_: int) -> Refused:
        self.counts["bad_type"] += 1
        return Refused("goes the other way", "bad_type", "unknown_type", of=sequence, what=type_)

    def _stale(self, sequence: int, name: str) -> bool:
        if self._last is None or name in ("identify", "identity"):
            return False
        return not 1 <= (sequence - self._last) & 0xFF <= wire().window
