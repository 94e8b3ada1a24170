"""Change single values of a TOML text; everything else in it, comments too, stays as it was."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from typing import Any

from handfast.files.document import Key, loaded


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
    wanted = list(changes)
    part = _one_entry(text, wanted)
    if part is None:
        return _amended(text, wanted)
    begin, end, index = part
    inner = [((key[0], 0, *key[2:]), value) for key, value in wanted]
    changed = _amended(text[begin:end], inner)
    whole = text[:begin] + changed + text[end:]
    # Cutting the text is checked by what it comes to: all else must read as before.
    name = str(wanted[0][0][0])
    expected = dict(loaded(text))
    expected[name] = [*expected[name][:index], loaded(changed)[name][0], *expected[name][index + 1 :]]
    return whole if expected == loaded(whole) else _amended(text, wanted)


_HEADING = re.compile(r"^[ \t]*(\[\[?)[ \t]*([A-Za-z_][\w-]*(?:\.[\w-]+)*)[ \t]*\]\]?[ \t]*(?:#.*)?$", re.MULTILINE)


def _one_entry(text: str, changes: list[tuple[Key, Any]]) -> tuple[int, int, int] | None:
    """Where in a text the one entry of a list of tables stands that all changes are in: begin, end, its index.

    A routine's long paths take far longer to parse, with every comment kept, than the step that changes.
    """
    if not changes or any(len(key) < 3 or not isinstance(key[1], int) for key, _ in changes):
        return None
    name, index = changes[0][0][:2]
    if any(key[:2] != (name, index) for key, _ in changes):
        return None
    headings = [(m.start(), m.group(1), m.group(2)) for m in _HEADING.finditer(text)]
    entries = [n for n, (_, brackets, said) in enumerate(headings) if brackets == "[[" and said == name]
    listed = loaded(text).get(str(name))
    if not isinstance(index, int) or not isinstance(listed, list) or not 0 <= index < len(entries) == len(listed):
        return None  # the last: a heading inside of a text is none
    end = len(text)
    for start, _, said in headings[entries[index] + 1 :]:
        if said == name or not said.startswith(f"{name}."):
            end = start
            break
    return headings[entries[index]][0], end, index


def _amended(text: str, changes: list[tuple[Key, Any]]) -> str:
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
