"""Write wire_table.h and wire_table.c, the C side of protocol/wire.toml: `make_wire.py TABLE FOLDER`.

Each message becomes a struct, a function that reads it with its ranges checked, and one that writes it.
"""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path

BYTES = {"u8": 1, "i8": 1, "u16": 2, "i16": 2, "u32": 4, "text": 1}
C_KINDS = {
    "u8": "uint8_t",
    "i8": "int8_t",
    "u16": "uint16_t",
    "i16": "int16_t",
    "u32": "uint32_t",
    "text": "char",
}
FULL = {"u8": (0, 255), "i8": (-128, 127), "u16": (0, 65535), "i16": (-32768, 32767), "u32": (0, 2**32 - 1)}


def length(message: dict) -> int:
    """Bytes of the payload."""
    return sum(BYTES[f["kind"]] * f.get("count", 1) for f in message["fields"])


def outside(field: dict, value: str) -> str:
    """A C condition that is true if a value is out of its range; empty if every value is allowed."""
    low, high = FULL[field["kind"]]
    parts = []
    if field.get("low", low) > low:
        parts.append(f"{value} < {field['low']}")
    if field.get("high", high) < high:
        parts.append(f"{value} > {field['high']}")
    condition = " || ".join(parts)
    if condition and "zero" in field:
        condition = f"{value} != 0 && ({condition})"
    return condition


def read_one(kind: str, at: str) -> str:
    """A C expression that takes one number from the payload."""
    return {
        "u8": f"p[{at}]",
        "i8": f"(int8_t)p[{at}]",
        "u16": f"hf_get16(p + {at})",
        "i16": f"(int16_t)hf_get16(p + {at})",
        "u32": f"hf_get32(p + {at})",
    }[kind]


def reader(message: dict) -> list[str]:
    """The function that reads one message."""
    name = message["name"]
    lines = [f"bool hf_read_{name}(const uint8_t *p, hf_msg_{name} *m, uint8_t *where)", "{"]
    if not message["fields"]:
        lines += ["    (void)p;", "    (void)m;"]
    lines.append("    (void)where;")
    at = 0
    for index, field in enumerate(message["fields"]):
        count, size, kind = field.get("count", 1), BYTES[field["kind"]], field["kind"]
        member = f"m->{field['name']}"
        fail = f"{{ *where = {index}; return false; }}"
        if kind == "text":
            lines.append(f"    if (!hf_text_ok(p + {at}, {count})) {fail}")
            lines.append(f"    for (uint8_t i = 0; i < {count}; i++) {member}[i] = (char)p[{at} + i];")
        elif count > 1:
            lines.append(f"    for (uint8_t i = 0; i < {count}; i++) {{")
            lines.append(f"        {member}[i] = {read_one(kind, f'{at} + {size} * i')};")
            if condition := outside(field, f"{member}[i]"):
                lines.append(f"        if ({condition}) {fail}")
            lines.append("    }")
        else:
            lines.append(f"    {member} = {read_one(kind, str(at))};")
            if condition := outside(field, member):
                lines.append(f"    if ({condition}) {fail}")
        at += size * count
    return [*lines, "    return true;", "}", ""]


def writer(message: dict) -> list[str]:
    """The function that writes one message."""
    name = message["name"]
    lines = [f"uint8_t hf_write_{name}(uint8_t *p, const hf_msg_{name} *m)", "{"]
    if not message["fields"]:
        lines += ["    (void)p;", "    (void)m;"]
    at = 0
    put = {"u8": "p[{}] = {};", "i8": "p[{}] = (uint8_t){};", "text": "p[{}] = (uint8_t){};"}
    for field in message["fields"]:
        count, size, kind = field.get("count", 1), BYTES[field["kind"]], field["kind"]
        member = f"m->{field['name']}"
        one = put.get(kind, f"hf_put{8 * size}(p + {{}}, (uint{8 * size}_t){{}});")
        if count > 1:
            step = f"{at} + i" if size == 1 else f"{at} + {size} * i"
            lines.append(f"    for (uint8_t i = 0; i < {count}; i++) " + one.format(step, f"{member}[i]"))
        else:
            lines.append("    " + one.format(at, member))
        at += size * count
    return [*lines, f"    return {at};", "}", ""]


def header(table: dict) -> str:
    """The text of wire_table.h."""
    out = ["/* Made from protocol/wire.toml by make_wire.py. */", "#ifndef HF_WIRE_TABLE_H", "#define HF_WIRE_TABLE_H"]
    out += ["#include <stdbool.h>", "#include <stdint.h>", ""]
    out.append(f"#define HF_VERSION {table['frame']['version']}")
    out.append(f"#define HF_LONGEST_BODY {table['frame']['longest_body']}")
    out.append(f"#define HF_SEQUENCE_WINDOW {table['frame']['sequence_window']}")
    out.append(f"#define HF_BAUD {table['frame']['baud']}UL")
    # An int of the 8-bit controller has 16 bits: what is larger, or could be doubled past it, is a long.
    for key, value in table["limits"].items():
        out.append(f"#define HF_{key.upper()} {value}" + ("L" if value > 16000 else ""))
    groups = {"states": "STATE", "channel_states": "CHANNEL", "causes": "CAUSE", "reasons": "REASON"}
    for group, prefix in (groups | {"events": "EVENT", "cues": "CUE"}).items():
        out.append("enum { " + ", ".join(f"HF_{prefix}_{k.upper()} = {v}" for k, v in table[group].items()) + " };")
    out.append("enum { " + ", ".join(f"HF_TYPE_{m['name'].upper()} = {m['type']}" for m in table["message"]) + " };")
    out.append("")
    for message in table["message"]:
        out.append("typedef struct {")
        for field in message["fields"]:
            count = f"[{field['count']}]" if field.get("count", 1) > 1 else ""
            out.append(f"    {C_KINDS[field['kind']]} {field['name']}{count};  /* {field['unit']} */")
        if not message["fields"]:
            out.append("    uint8_t nothing;")
        name = message["name"]
        out.append(f"}} hf_msg_{name};")
        out.append(f"#define HF_LENGTH_{name.upper()} {length(message)}")
        out.append(f"bool hf_read_{name}(const uint8_t *p, hf_msg_{name} *m, uint8_t *where);")
        out.append(f"uint8_t hf_write_{name}(uint8_t *p, const hf_msg_{name} *m);")
        out.append("")
    out.append("uint16_t hf_get16(const uint8_t *p);")
    out.append("uint32_t hf_get32(const uint8_t *p);")
    out.append("void hf_put16(uint8_t *p, uint16_t value);")
    out.append("void hf_put32(uint8_t *p, uint32_t value);")
    out.append("/* Length of a type's payload, -1 if there is no such type. */")
    out.append("int16_t hf_payload_length(uint8_t type);")
    out.append("/* True if hosts send this type. */")
    out.append("bool hf_is_for_board(uint8_t type);")
    out.append(
        "/* True if every field of a payload is in range; else `where` is the index of the first that is not. */"
    )
    out.append("bool hf_in_range(uint8_t type, const uint8_t *p, uint8_t *where);")
    out.append("/* Reads a payload and writes it anew; false, with the field's index, if a value is out of range. */")
    out.append("bool hf_recode(uint8_t type, const uint8_t *p, uint8_t *out, uint8_t *where);")
    return "\n".join([*out, "#endif", ""])


def source(table: dict) -> str:
    """The text of wire_table.c."""
    out = ["/* Made from protocol/wire.toml by make_wire.py. */", '#include "wire_table.h"', ""]
    out += ["uint16_t hf_get16(const uint8_t *p) { return (uint16_t)(p[0] | (uint16_t)p[1] << 8); }"]
    out += ["uint32_t hf_get32(const uint8_t *p) { return (uint32_t)hf_get16(p + 2) << 16 | hf_get16(p); }"]
    out += ["void hf_put16(uint8_t *p, uint16_t v) { p[0] = (uint8_t)v; p[1] = (uint8_t)(v >> 8); }"]
    out += [
        "void hf_put32(uint8_t *p, uint32_t v) { hf_put16(p, (uint16_t)v); hf_put16(p + 2, (uint16_t)(v >> 16)); }",
        "",
        "static bool hf_text_ok(const uint8_t *p, uint8_t count)",
        "{",
        "    uint8_t i = 0;",
        "    while (i < count && p[i] >= 0x20 && p[i] <= 0x7e) i++;",
        "    while (i < count && p[i] == 0) i++;",
        "    return i == count;",
        "}",
        "",
    ]
    for message in table["message"]:
        out += reader(message) + writer(message)
    out += ["int16_t hf_payload_length(uint8_t type)", "{", "    switch (type) {"]
    out += [f"    case {m['type']}: return {length(m)};" for m in table["message"]]
    out += ["    default: return -1;", "    }", "}", ""]
    out += ["bool hf_is_for_board(uint8_t type)", "{", "    switch (type) {"]
    out += [f"    case {m['type']}:" for m in table["message"] if m["direction"] == "to_board"]
    out += ["        return true;", "    default: return false;", "    }", "}", ""]
    out += ["bool hf_recode(uint8_t type, const uint8_t *p, uint8_t *out, uint8_t *where)", "{", "    switch (type) {"]
    for m in table["message"]:
        name = m["name"]
        out.append(f"    case {m['type']}: {{ hf_msg_{name} m; if (!hf_read_{name}(p, &m, where)) return false;")
        out.append(f"        hf_write_{name}(out, &m); return true; }}")
    out += ["    default: return false;", "    }", "}", ""]
    out += ["bool hf_in_range(uint8_t type, const uint8_t *p, uint8_t *where)", "{", "    switch (type) {"]
    for m in table["message"]:
        out.append(f"    case {m['type']}: {{ hf_msg_{m['name']} m; return hf_read_{m['name']}(p, &m, where); }}")
    out += ["    default: return false;", "    }", "}", ""]
    return "\n".join(out)


def main(table_path: str, folder: str) -> None:
    """Write both files."""
    table = tomllib.loads(Path(table_path).read_text(encoding="utf-8"))
    Path(folder).mkdir(parents=True, exist_ok=True)
    (Path(folder) / "wire_table.h").write_text(header(table), encoding="utf-8")
    (Path(folder) / "wire_table.c").write_text(source(table), encoding="utf-8")


if __name__ == "__main__":
    main(*sys.argv[1:])
