"""The server: the page's files, one socket per viewer, on the loopback address unless told otherwise."""

from __future__ import annotations

import asyncio
import ipaddress
import secrets
import socket
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fastapi import Request, WebSocket  # the framework reads annotations of this module's names
from fastapi.responses import JSONResponse

from handfast.bench.folder import BenchFolder
from handfast.errors import FaultError, HandfastError, InputError

if TYPE_CHECKING:
    from fastapi import FastAPI

    from handfast.web.hub import Hub

BUSY_S = 180.0
"""s for which the server may be too busy to answer while a page is being loaded, before the page begins anew."""

PAGE = Path(__file__).parent / "page"
SHORTEST_TOKEN = 16


@dataclass(frozen=True)
class Where:
    """Address and port to serve at, and the token that another address asks for."""

    address: str
    port: int
    token: str | None

    @property
    def url(self) -> str:
        """What to open in a browser."""
        host = f"[{self.address}]" if ":" in self.address else self.address
        return f"http://{host}:{self.port}/" + (f"?token={self.token}" if self.token else "")


def where_to_serve(address: str, port: int, others: bool, token: str | None) -> Where:
    """Settle the address: loopback, or another one with the wish for it and a token."""
    try:
        loopback = address == "localhost" or ipaddress.ip_address(address).is_loopback
    except ValueError:
        raise InputError(
            f'"{address}" is no address', where="--address", expected="a numeric address such as 127.0.0.1",
            next_step="leave it out: then only this machine is served",
        ) from None  # fmt: skip
    if not 0 <= port <= 65535:
        raise InputError(f"{port} is no port", where="--port", expected="0 to 65535; 0 takes a free one")
    if token is not None and (len(token) < SHORTEST_TOKEN or not token.isalnum() or not token.isascii()):
        raise InputError(
            "this token is too easy to guess", where="--token",
            expected=f"at least {SHORTEST_TOKEN} letters and figures", next_step="leave it out: a good one is made",
        )  # fmt: skip
    if loopback:
        return Where(address, port, token)
    if not others:
        raise InputError(
            f"{address} can be reached from other machines",
            where="--address",
            expected="the loopback address: whoever reaches this page can move the arms",
            next_step="leave --address out, or add --serve-others if you mean it: a token is asked for then",
        )
    return Where(address, port, token or secrets.token_hex(16))


def build(hub: Hub, where: Where) -> Any:
    """The whole server as an ASGI application."""
    from fastapi import FastAPI
    from fastapi.staticfiles import StaticFiles
    from nicegui import ui

    from handfast.desk.handing_in import MOST
    from handfast.web.guard import LOOPBACK, Guard
    from handfast.web.words import in_page

    server: FastAPI = FastAPI(docs_url=None, redoc_url=None, openapi_url=None)
    server.mount("/workbench", StaticFiles(directory=PAGE), name="workbench")

    @server.websocket("/wire")
    async def wire(socket: WebSocket) -> None:
        await hub.serve(socket)

    @server.post("/hand-in/{viewer}/{kind}/{name}")
    async def hand_in(viewer: int, kind: str, name: str, request: Request) -> JSONResponse:
        size = request.headers.get("content-length", "")
        if not size.isdigit() or int(size) > MOST:
            return JSONResponse({"error": f"too large: at most {MOST // 2**20} MiB"}, 413)
        try:
            return JSONResponse(await hub.hand_in(viewer, kind, name, await request.body()))
        except HandfastError as error:
            return JSONResponse({"error": in_page(error)}, 422)

    _page()
    ui.run_with(
        server, title="handfast", language="en-US", dark=None, tailwind=False, show_welcome_message=False,
        favicon="🤝", cache_control_directives="no-cache", reconnect_timeout=BUSY_S,
    )  # fmt: skip
    loopback = where.token is None or where.address in ("localhost", "::1") or where.address.startswith("127.")
    names = {*LOOPBACK, where.address, f"[{where.address}]"}
    hosts = frozenset(f"{name}:{where.port}" for name in names) if loopback else None
    return Guard(server, hosts, where.token)


_DRAWN: list[Callable[..., Any]] = []


def _page() -> None:
    """The one page: a component of our own, drawn in the browser by the modules in page/."""
    if _DRAWN:
        return
    import nicegui.elements.scene  # noqa: F401 - its bundle brings the 3-D library
    from nicegui import ui

    class Workbench(ui.element, component=PAGE / "workbench.js"):
        """The whole page."""

    @ui.page("/")
    def page() -> None:
        ui.add_head_html('<link rel="stylesheet" href="/workbench/look.css">')
        Workbench()

    _DRAWN.append(page)


def serve(
    root: Path, first: BenchFolder | None, arms: str | None, where: Where, started: Callable[[Where], None]
) -> None:
    """Serve until it is interrupted. `started` is called with the address once it can be opened.

    arms: serial port of the board that moves the arms; None for simulated ones.
    """
    import uvicorn

    from handfast.web.hub import Hub

    family = socket.AF_INET6 if ":" in where.address else socket.AF_INET
    listening = socket.socket(family, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((where.address, where.port))
    except OSError as error:
        raise FaultError(
            f"{where.address} port {where.port} cannot be served ({error.strerror})\n"
            "  next: --port 0 takes a free port; or close what uses this one"
        ) from error
    where = Where(where.address, listening.getsockname()[1], where.token)
    hub = Hub(root, first, arms)

    class Server(uvicorn.Server):
        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            self.watching = asyncio.create_task(hub.watch())
            started(where)

    config = uvicorn.Config(
        build(hub, where),
        log_level="warning",
        ws_max_size=1 << 20,
        ws_ping_timeout=180,
        timeout_graceful_shutdown=1,
        lifespan="on",
    )
    try:
        asyncio.run(Server(config).serve(sockets=[listening]))
    except KeyboardInterrupt:
        print("handfast: the page is closed", file=sys.stderr)
    finally:
        hub.close()
