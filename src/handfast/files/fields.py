"""Described fields: each number that a person writes stands once, with unit, range, default and reason.

A frozen dataclass says how its table looks in a file:

    @dataclass(frozen=True)
    class Joint:
        unseen_play: float = number("unseen_play_deg", 0.9, 0, 30, "play that the feedback does not see")

`read_table` turns a table of a file into such an object in SI units, refuses unknown keys, and words every
message; `table_of` turns it back. The unit is read off the key's ending (see `units`).
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, TypeVar

from handfast.errors import InputError
from handfast.files.document import Document, Key
from handfast.units import PLAIN, Unit, counted, unit_of

T = TypeVar("T")
_MISSING = dataclasses.MISSING


@dataclass(frozen=True)
class Spec:
    """How one field looks in a file: key, kind, limits (in the key's unit), choices, and why it is there."""

    key: str
    kind: str  # number, whole, text, flag, choice, vector, matrix, rows, table, tables, named, texts
    why: str
    low: float = -math.inf
    high: float = math.inf
    choices: tuple[str, ...] = ()
    length: int | None = None
    columns: tuple[str, ...] = ()
    of: type | None = None
    optional: bool = False

    @property
    def unit(self) -> Unit:
        """The unit that the key's ending names."""
        return unit_of(self.key)

    @property
    def expectation(self) -> str:
        """What may stand here, in words."""
        symbol = f" {self.unit.symbol}" if self.unit is not PLAIN and self.unit.symbol else ""
        span = _span(self.low, self.high, symbol)
        match self.kind:
            case "number":
                return f"a number{span}"
            case "whole":
                return f"a whole number{span}"
            case "choice":
                return "one of " + ", ".join(f'"{c}"' for c in self.choices)
            case "vector":
                count = f"{self.length} numbers" if self.length else "a list of numbers"
                return f"{count}{span}"
            case "matrix":
                return f"a list of rows of numbers{span}"
            case "rows":
                return f"a list of rows [{', '.join(self.columns)}], the first column rising"
            case "flag":
                return "true or false"
            case "text":
                return "text in quotes"
            case "texts":
                return "a list of texts in quotes"
            case "table":
                return f"a table [{self.key}]"
            case "tables":
                return f"tables [[{self.key}]]"
            case _:
                return f"tables [{self.key}.NAME]"


def _span(low: float, high: float, symbol: str) -> str:
    if math.isfinite(low) and math.isfinite(high):
        return f" from {low:g} to {high:g}{symbol}"
    if math.isfinite(low):
        return f" of at least {low:g}{symbol}"
    if math.isfinite(high):
        return f" of at most {high:g}{symbol}"
    return f" in{symbol}" if symbol else ""


def _field(spec: Spec, default: Any) -> Any:
    if isinstance(default, (list, dict)):
        raise TypeError("defaults are frozen")
    return dataclasses.field(default=default, metadata={"spec": spec})


def number(key: str, default: Any, low: float, high: float, why: str) -> Any:
    """A number in the key's unit. `default` is in that unit too; `...` makes it required, None optional."""
    spec = Spec(key, "number", why, low, high, optional=default is None)
    if default is ...:
        return _field(spec, _MISSING)
    return _field(spec, None if default is None else spec.unit.to_si(default))


def whole(key: str, default: Any, low: float, high: float, why: str) -> Any:
    """A whole number."""
    spec = Spec(key, "whole", why, low, high, optional=default is None)
    return _field(spec, _MISSING if default is ... else default)


def text(key: str, default: Any, why: str) -> Any:
    """A text."""
    spec = Spec(key, "text", why, optional=default is None)
    return _field(spec, _MISSING if default is ... else default)


def texts(key: str, why: str) -> Any:
    """A list of texts, empty if absent."""
    return _field(Spec(key, "texts", why, optional=True), ())


def flag(key: str, default: bool, why: str) -> Any:
    """true or false."""
    return _field(Spec(key, "flag", why), default)


def choice(key: str, default: Any, choices: tuple[str, ...], why: str) -> Any:
    """One of a few words."""
    spec = Spec(key, "choice", why, choices=choices, optional=default is None)
    return _field(spec, _MISSING if default is ... else default)


def vector(
    key: str, default: Any, why: str, length: int | None = 3, low: float = -math.inf, high: float = math.inf
) -> Any:
    """A list of `length` numbers (any number of them if None) in the key's unit."""
    spec = Spec(key, "vector", why, low, high, length=length, optional=default is None)
    if default is ... or default is None:
        return _field(spec, _MISSING if default is ... else None)
    return _field(spec, tuple(spec.unit.to_si(x) for x in default))


def matrix(key: str, why: str, low: float = -math.inf, high: float = math.inf) -> Any:
    """A list of equally long lists of numbers in the key's unit; None if absent."""
    return _field(Spec(key, "matrix", why, low, high, optional=True), None)


def rows(key: str, columns: tuple[str, ...], why: str) -> Any:
    """A table of rows [[a, b], ...], each column in the unit its name ends in; None if absent."""
    return _field(Spec(key, "rows", why, columns=columns, optional=True), None)


def table(key: str, of: type, why: str, optional: bool = False) -> Any:
    """A sub-table [key]."""
    return _field(Spec(key, "table", why, of=of, optional=optional), None if optional else _MISSING)


def tables(key: str, of: type, why: str) -> Any:
    """An array of tables [[key]], empty if absent."""
    return _field(Spec(key, "tables", why, of=of, optional=True), ())


def named(key: str, of: type, why: str) -> Any:
    """Tables [key.NAME]; each object has a field `name`. Empty if absent."""
    return _field(Spec(key, "named", why, of=of, optional=True), ())


def derived(default: Any = "") -> Any:
    """A field that does not stand in the file (a name taken from the table's heading)."""
    return dataclasses.field(default=default, metadata={"spec": None})


def specs_of(cls: type) -> dict[str, tuple[str, Spec, bool]]:
    """For each key of a table: the field's name, its spec, and whether it must be given."""
    found = {}
    for item in dataclasses.fields(cls):
        spec = item.metadata.get("spec")
        if spec is not None:
            found[spec.key] = (item.name, spec, item.default is _MISSING)
    return found


def read_table(cls: type[T], raw: Mapping[str, Any], document: Document, key: Key, **derived_fields: Any) -> T:
    """The object of type `cls` that the table `raw` at `key` describes. Raises InputError with the place."""
    specs = specs_of(cls)
    for name in raw:
        if name not in specs:
            raise InputError(
                "unknown key",
                where=document.place((*key, name)),
                available=specs,
                asked=name,
                next_step="mend the name, or take the line out",
            )
    values: dict[str, Any] = dict(derived_fields)
    for name, (field_name, spec, required) in specs.items():
        if name in raw:
            values[field_name] = read_value(spec, raw[name], document, (*key, name))
        elif required:
            raise InputError(
                f"{name} is missing",
                where=document.place(key) if key else str(document.path),
                expected=f"{name} = {spec.expectation} ({spec.why})",
                next_step="add it",
            )
    return cls(**values)


def shown(value: Any) -> str:
    """A value of a parsed file as it stands there."""
    match value:
        case dict():
            return "a table"
        case list():
            return "a list"
        case bool():
            return "true" if value else "false"
        case str():
            return f'"{value}"'
        case _:
            return str(value)


def _refuse(spec: Spec, value: Any, document: Document, key: Key, what: str = "") -> InputError:
    return InputError(
        what or f"{shown(value)} does not fit",
        where=document.place(key),
        expected=f"{spec.expectation}: {spec.why}",
        next_step="write a value that fits" + ("" if not spec.optional else ", or take the line out"),
    )


def _number(spec: Spec, value: Any, document: Document, key: Key) -> float:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise _refuse(spec, value, document, key)
    try:
        number_ = float(value)
    except OverflowError:  # a whole number of more than 308 digits
        number_ = math.inf
    if not (math.isfinite(number_) and spec.low <= number_ <= spec.high):
        raise _refuse(spec, value, document, key, f"{number_:g} is out of range")
    if spec.unit.reciprocal and number_ == 0:
        raise _refuse(spec, value, document, key, "0 has no reciprocal")
    return number_


def read_value(spec: Spec, value: Any, document: Document, key: Key) -> Any:
    """One value as `spec` describes it, in SI. Raises InputError with the place."""
    reader: Callable[[Spec, Any, Document, Key], Any] = _READERS[spec.kind]
    return reader(spec, value, document, key)


def _read_number(spec: Spec, value: Any, document: Document, key: Key) -> float:
    return spec.unit.to_si(_number(spec, value, document, key))


def _read_whole(spec: Spec, value: Any, document: Document, key: Key) -> int:
    if isinstance(value, bool) or not isinstance(value, int):
        raise _refuse(spec, value, document, key)
    _number(spec, value, document, key)
    return value


def _read_text(spec: Spec, value: Any, document: Document, key: Key) -> str:
    if not isinstance(value, str):
        raise _refuse(spec, value, document, key)
    return value


def _read_texts(spec: Spec, value: Any, document: Document, key: Key) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(entry, str) for entry in value):
        raise _refuse(spec, value, document, key)
    return tuple(value)


def _read_flag(spec: Spec, value: Any, document: Document, key: Key) -> bool:
    if not isinstance(value, bool):
        raise _refuse(spec, value, document, key)
    return value


def _read_choice(spec: Spec, value: Any, document: Document, key: Key) -> str:
    if value not in spec.choices:
        raise _refuse(spec, value, document, key, f"{shown(value)} is not one of them")
    return str(value)


def _read_vector(spec: Spec, value: Any, document: Document, key: Key) -> tuple[float, ...]:
    if not isinstance(value, list):
        raise _refuse(spec, value, document, key)
    if spec.length is not None and len(value) != spec.length:
        raise _refuse(spec, value, document, key, f"{counted(len(value), 'number is', 'numbers are')} given")
    return tuple(spec.unit.to_si(_number(spec, entry, document, (*key, i))) for i, entry in enumerate(value))


def _read_matrix(spec: Spec, value: Any, document: Document, key: Key) -> tuple[tuple[float, ...], ...]:
    if not isinstance(value, list) or not value or not all(isinstance(row, list) for row in value):
        raise _refuse(spec, value, document, key, "a list of rows is needed")
    result = []
    for index, row in enumerate(value):
        place = (*key, index)
        if len(row) != len(value[0]):
            what = f"row {index + 1} has {counted(len(row), 'number')}, row 1 {len(value[0])}"
            raise _refuse(spec, row, document, place, what)
        result.append(tuple(spec.unit.to_si(_number(spec, entry, document, place)) for entry in row))
    return tuple(result)


def _read_rows(spec: Spec, value: Any, document: Document, key: Key) -> tuple[tuple[float, ...], ...]:
    if not isinstance(value, list) or len(value) < 2:
        raise _refuse(spec, value, document, key, "at least two rows are needed")
    units = [unit_of("x_" + column) for column in spec.columns]
    result = []
    for index, row in enumerate(value):
        place = (*key, index)
        if not isinstance(row, list) or len(row) != len(units):
            raise _refuse(spec, row, document, place, f"row {index + 1} does not have {len(units)} numbers")
        numbers = [_number(spec, entry, document, place) for entry in row]
        result.append(tuple(u.to_si(x) for u, x in zip(units, numbers, strict=True)))
    first = [row[0] for row in result]
    if any(b <= a for a, b in pairwise(first)):
        raise _refuse(spec, value, document, key, f"the column {spec.columns[0]} does not rise")
    return tuple(result)


def _read_table(spec: Spec, value: Any, document: Document, key: Key) -> Any:
    if not isinstance(value, dict):
        raise _refuse(spec, value, document, key)
    assert spec.of is not None
    named_here = any(f.name == "name" and f.metadata.get("spec") is None for f in dataclasses.fields(spec.of))
    return read_table(spec.of, value, document, key, **({"name": spec.key} if named_here else {}))


def _read_tables(spec: Spec, value: Any, document: Document, key: Key) -> tuple[Any, ...]:
    if not isinstance(value, list) or not all(isinstance(entry, dict) for entry in value):
        raise _refuse(spec, value, document, key)
    assert spec.of is not None
    return tuple(read_table(spec.of, entry, document, (*key, i)) for i, entry in enumerate(value))


def _read_named(spec: Spec, value: Any, document: Document, key: Key) -> tuple[Any, ...]:
    if not isinstance(value, dict) or not all(isinstance(entry, dict) for entry in value.values()):
        raise _refuse(spec, value, document, key)
    assert spec.of is not None
    return tuple(read_table(spec.of, entry, document, (*key, name), name=name) for name, entry in value.items())


_READERS: dict[str, Callable[[Spec, Any, Document, Key], Any]] = {
    "number": _read_number,
    "whole": _read_whole,
    "text": _read_text,
    "texts": _read_texts,
    "flag": _read_flag,
    "choice": _read_choice,
    "vector": _read_vector,
    "matrix": _read_matrix,
    "rows": _read_rows,
    "table": _read_table,
    "tables": _read_tables,
    "named": _read_named,
}


def table_of(item: Any) -> dict[str, Any]:
    """The table that `read_table` would read as `item`; values equal to their default are left out."""
    result: dict[str, Any] = {}
    for field_ in dataclasses.fields(item):
        spec = field_.metadata.get("spec")
        value = getattr(item, field_.name)
        if spec is None or value is None:
            continue
        if field_.default is not _MISSING and value == field_.default:
            continue
        result[spec.key] = _written(spec, value)
    return result


def rounded(value: float) -> float:
    """A number as a person would write it: six significant digits."""
    return float(f"{value:.6g}")


def _written(spec: Spec, value: Any) -> Any:
    match spec.kind:
        case "number":
            return rounded(spec.unit.from_si(value))
        case "vector":
            return [rounded(spec.unit.from_si(entry)) for entry in value]
        case "matrix":
            return [[rounded(spec.unit.from_si(x)) for x in row] for row in value]
        case "rows":
            units = [unit_of("x_" + column) for column in spec.columns]
            return [[rounded(u.from_si(x)) for u, x in zip(units, row, strict=True)] for row in value]
        case "table":
            return table_of(value)
        case "tables":
            return [table_of(entry) for entry in value]
        case "named":
            return {entry.name: table_of(entry) for entry in value}
        case "texts":
            return list(value)
        case _:
            return value
