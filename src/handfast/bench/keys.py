"""Every key of `bench.toml` and `stock.toml`, as a page, from where the keys are declared.

`make keys` writes docs/bench.md with it; a test holds that it is fresh.
"""

from __future__ import annotations

import dataclasses
from typing import Any

from handfast.bench.folder import QUESTIONS
from handfast.bench.parts import Bench, Servo
from handfast.files.fields import Spec, rounded

HEAD = """\
# Every key of bench.toml and stock.toml

*Written by `make keys` from where the keys are declared; change it there.*

A bench is described by hand in `bench.toml`, its servo classes in `stock.toml`. A key's ending is its unit: `_mm`,
`_deg`, `_g`, `_us`, `_kgcm` and so on. World axes: z up, the origin on the table top. An arm's figures hold at zero
pose, where it stands straight up and all its frames are parallel to its base. What was measured stands in
`measured.toml` and takes the place of the figure here. "must be given" means that there is no usual value. A key with
"-" is left out where it does not apply, and for a joint or gripper of a known servo: then its class's figure counts.
"""


def keys_page() -> str:
    """The page, Markdown."""
    lines = [HEAD]
    lines += _tables(Bench, "", "bench.toml")
    lines += ["## stock.toml", ""]
    lines += _tables(Servo, "servo.NAME", "a class of servo, as it is sold")
    return "\n".join(lines).rstrip() + "\n"


def _tables(cls: type, heading: str, why: str) -> list[str]:
    """One table's own keys, then the tables within it."""
    specs = [(field.metadata["spec"], field.default) for field in dataclasses.fields(cls) if field.metadata.get("spec")]
    own = [(spec, default) for spec, default in specs if spec.of is None]
    lines = []
    if heading and own:
        lines += [f"### `{_bracketed(heading)}`", "", f"{why[0].upper()}{why[1:]}.", ""]
        if heading == "question.NAME":
            lines += ["NAME is one of " + ", ".join(f"`{name}`" for name in QUESTIONS) + ".", ""]
    elif not heading:
        lines += [f"## {why}", ""]
    if own:
        lines += ["| key | what it is | what may stand there | if left out |", "|---|---|---|---|"]
        lines += [
            f"| `{spec.key}` | {spec.why} | {spec.expectation} | {_default(spec, default)} |" for spec, default in own
        ]
        lines.append("")
    for spec, _ in specs:
        # Both arms have the same keys.
        if spec.of is not None and spec.key != "right":
            end = {"tables": f"{spec.key}]]", "named": f"{spec.key}.NAME"}.get(spec.kind, spec.key)
            inner = f"{heading}.{end}" if heading else end
            both = ("arms.left", "the left arm; `[arms.right]` has the same keys")
            lines += _tables(spec.of, inner, both[1] if inner == both[0] else spec.why)
    return lines


def _bracketed(heading: str) -> str:
    """`[a.b]`, or `[[a.b]]` for a table of which there are several."""
    return f"[[{heading}" if heading.endswith("]]") else f"[{heading.replace(']]', '')}]"


def _default(spec: Spec, default: Any) -> str:
    if default is dataclasses.MISSING:
        return "must be given"
    match spec.kind:
        case "number" if default is not None:
            return f"{rounded(spec.unit.from_si(default)):g}"
        case "vector" if default is not None:
            return f"[{', '.join(f'{rounded(spec.unit.from_si(x)):g}' for x in default)}]"
        case "flag":
            return "true" if default else "false"
        case "whole":
            return str(default)
        case _:
            return "-"


if __name__ == "__main__":
    print(keys_page(), end="")
