"""Print what the firmware takes of the chip: flash, RAM, and the worst stack: `stack.py ELF OBJECT_FOLDER`.

The worst stack is the deepest chain of calls of the main program plus the deepest interrupt (they do not nest).
Frames are the compiler's own figures (-fstack-usage); where it has none, pushes are counted. Each call adds the
3 bytes of its return address.
"""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

FLASH, RAM, RETURN = 256 * 1024, 8192, 3


def frames(folder: Path) -> dict[str, int]:
    """Bytes of each function's own frame."""
    found: dict[str, int] = {}
    for file in folder.glob("*.su"):
        for line in file.read_text().splitlines():
            place, size, _ = line.split("\t")
            name = place.rsplit(":", 1)[1]
            found[name] = max(found.get(name, 0), int(size))
    return found


def calls(elf: str) -> tuple[dict[str, set[str]], dict[str, int], set[str]]:
    """Who calls whom, pushes of each function, and functions that call through a pointer."""
    text = subprocess.run(["avr-objdump", "-d", elf], check=True, capture_output=True, text=True).stdout
    graph: dict[str, set[str]] = {}
    pushes: dict[str, int] = {}
    indirect: set[str] = set()
    name = ""
    for line in text.splitlines():
        if head := re.match(r"[0-9a-f]+ <(.+)>:", line):
            name = head[1]
            graph.setdefault(name, set())
            continue
        parts = line.split("\t")
        if len(parts) < 3:
            continue
        word = parts[2].strip()
        if word == "push":
            pushes[name] = pushes.get(name, 0) + 1
        if word in ("icall", "eicall"):
            indirect.add(name)
        target = re.search(r"<([^>+]+)(\+0x[0-9a-f]+)?>", line)
        if word in ("call", "rcall") and target and not target[2]:
            graph[name].add(target[1])
        # a jump to another function's start is a call in the last place
        if word in ("jmp", "rjmp") and target and not target[2] and target[1] != name:
            graph[name].add(target[1])
    return graph, pushes, indirect


def main(elf: str, folder: str) -> int:
    """Print the figures; status 1 if RAM and stack together do not fit."""
    graph, pushes, indirect = calls(elf)
    own = frames(Path(folder))
    recursive: set[str] = set()
    depth: dict[str, tuple[int, list[str]]] = {}

    def deepest(name: str, above: tuple[str, ...]) -> tuple[int, list[str]]:
        if name in above:
            recursive.add(name)
            return 0, []
        if name not in depth:
            below = [deepest(callee, (*above, name)) for callee in graph.get(name, ())]
            worst = max(below, key=lambda b: b[0], default=(0, []))
            frame = own.get(re.sub(r"\.(constprop|part|isra)\.\d+", "", name), pushes.get(name, 0))
            depth[name] = (frame + RETURN + worst[0], [name, *worst[1]])
        return depth[name]

    main_depth, chain = deepest("main", ())
    interrupts = {n: deepest(n, ())[0] for n in graph if n.startswith("__vector_")}
    size = subprocess.run(["avr-size", elf], check=True, capture_output=True, text=True).stdout.splitlines()[1].split()
    text, data, bss = (int(v) for v in size[:3])
    stack = main_depth + max(interrupts.values())
    print(f"flash  {text + data:6d} bytes of {FLASH} ({100 * (text + data) / FLASH:.1f} %)")
    print(f"RAM    {data + bss:6d} bytes of {RAM} ({100 * (data + bss) / RAM:.1f} %)")
    print(f"stack  {stack:6d} bytes at worst: {main_depth} by calls, {max(interrupts.values())} by an interrupt on top")
    print(f"free   {RAM - data - bss - stack:6d} bytes")
    print("deepest: " + " > ".join(chain))
    if indirect or recursive:
        print(f"not counted: calls through pointers in {sorted(indirect)}, recursion in {sorted(recursive)}")
    return 0 if data + bss + stack < RAM else 1


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
