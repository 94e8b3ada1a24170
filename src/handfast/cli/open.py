"""`handfast open`: the workbench in a browser."""

from __future__ import annotations

import sys
from argparse import ArgumentParser, Namespace
from pathlib import Path
from typing import TYPE_CHECKING

from handfast.errors import FaultError

if TYPE_CHECKING:
    from handfast.web.server import Where


def options(parser: ArgumentParser) -> None:
    """What `handfast open` takes."""
    parser.add_argument("folder", nargs="?", type=Path, metavar="BENCH", help="the bench folder (else the nearest)")
    parser.add_argument("--port", type=int, default=8317, help="port to serve at; 0 takes a free one")
    parser.add_argument("--address", default="127.0.0.1", help="address to serve at (default: this machine alone)")
    parser.add_argument("--serve-others", action="store_true", help="let other machines reach it, with a token")
    parser.add_argument("--token", help="the token to ask for (else one is made)")
    parser.add_argument("--arms", metavar="PORT", help="serial port of the board to run and teach at (else simulated)")
    parser.add_argument("--no-browser", action="store_true", help="print the address and open no browser")


def open_page(given: Namespace) -> int:
    """`handfast open [BENCH]`."""
    from handfast.bench.folder import find_bench
    from handfast.errors import InputError

    try:
        import nicegui  # noqa: F401

        from handfast.web.server import serve, where_to_serve
    except ImportError as error:
        raise FaultError(
            f"the page needs a package that is not installed ({error.name})\n  next: pip install 'handfast[page]'"
        ) from error
    where = where_to_serve(given.address, given.port, given.serve_others, given.token)
    named = given.folder or given.bench
    root = Path.cwd()
    if named is not None:
        first = find_bench(root, named)
        if root.resolve() not in (first.root.resolve(), *first.root.resolve().parents):
            root = first.root.resolve().parent
    else:
        try:
            first = find_bench(root)
        except InputError:
            first = None
    serve(root, first, given.arms, where, lambda at: _started(at, given.no_browser))
    return 0


def _started(where: Where, quiet: bool) -> None:
    print(f"the workbench is at {where.url}", flush=True)
    print("  Ctrl-C closes it. Arms that it moves are stopped by the wired switch, not by the page.", file=sys.stderr)
    if not quiet:
        import webbrowser

        webbrowser.open(where.url)
