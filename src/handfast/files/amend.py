"""Change single values of a TOML text; everything else in it, comments too, stays as it was."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from handfast.files.document import Key


def differences(old: Any, new: Any, key: Key = ()) -> Iterator[tuple[Key, Any]]:
    """Key and new value wherever two tables differ; the value is None where `new` leaves a key out."""
    if isinstance(old, dict) and isinstance(new, dict):
        for name in [*old, *(n for n in new if n not in old)]:
            yield from differences(old.get(name), new.get(name), (*key, name))
    elif _tables(old) and _tables(new) and len(old) == len(new):
        for index, (a, b) in enumerate(zip(old, new, strict=True)):
            yield from differences(a, b, (*key, index))
    elif old != new:
        yield key, new


def _tables(value: Any) -> bool:
    return isinstance(value, list) and bool(value) and all(isinstance(entry, dict) for entry in value)


def amend(text: str, changes: Iterable[tuple[Key, Any]]) -> str:
    """`text` with values put in, or taken out where the new value is None."""
    import tomlkit

    document: Any = tomlkit.parse(text)
    for key, value in changes:
        table = document
        for part in key[:-1]:
            if isinstance(part, str) and part not in table:
                table[part] = tomlkit.table()
            table = table[part]
        last = key[-1]
        if value is None:
            if last in table:
                del table[last]
        elif isinstance(value, list) and value and isinstance(value[0], list):
            rows = tomlkit.array()
            rows.extend(value)
            table[last] = rows.multiline(True)
        else:
            table[last] = value
    return tomlkit.dumps(document)
