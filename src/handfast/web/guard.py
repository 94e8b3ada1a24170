"""Who may speak to the page: this machine alone, or whoever has the token, and never another site's page."""

from __future__ import annotations

import hmac
from collections.abc import Awaitable, Callable, MutableMapping
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qs, unquote, urlsplit

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Any]]
Send = Callable[[Any], Awaitable[None]]

COOKIE = "handfast_token"
LOOPBACK = ("127.0.0.1", "localhost", "[::1]")

_HEADERS = (
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"content-security-policy", b"frame-ancestors 'none'; base-uri 'none'; form-action 'self'"),
)


class Guard:
    """Around the whole server, web sockets included.

    hosts: values of the Host header that are ours; None takes any (then a token is asked for). A page of another
    site may make a browser send requests here: they bear its Origin, or say that they come from elsewhere, and are
    refused. A name that another site points at this machine is refused by its Host.
    """

    def __init__(self, app: Any, hosts: frozenset[str] | None, token: str | None):
        if hosts is None and not token:
            raise ValueError("an open address needs a token")
        self.app, self.hosts, self.token = app, hosts, token

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request or socket."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        headers = {name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]}
        why = self._refused(scope, headers)
        if why is not None:
            await _refuse(scope, send, why)
            return
        if self.token is not None and scope["type"] == "http":
            given = parse_qs(scope.get("query_string", b"").decode("latin-1")).get("token", [""])[0]
            if given and scope["path"] == "/" and self._is_token(given):
                await _let_in(send, self.token)
                return
        if self.token is not None and not self._is_token(_cookie(headers.get("cookie", ""))):
            await _refuse(scope, send, "this address asks for the token that was printed when the page was opened")
            return

        async def with_headers(message: Any) -> None:
            if message["type"] == "http.response.start":
                message = {**message, "headers": [*message.get("headers", ()), *_HEADERS]}
            await send(message)

        await self.app(scope, receive, with_headers if scope["type"] == "http" else send)

    def _is_token(self, given: str) -> bool:
        return hmac.compare_digest(given.encode(), (self.token or "").encode())

    def _refused(self, scope: Scope, headers: dict[str, str]) -> str | None:
        host = headers.get("host", "").lower()
        if self.hosts is not None and host not in self.hosts:
            return f"this page is served to {', '.join(sorted(self.hosts))}, not to {host[:80] or 'nobody'}"
        origin = headers.get("origin")
        if origin is not None and urlsplit(origin.lower()).netloc != host:
            return "requests from another site's page are refused"
        if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            return "requests from another site's page are refused; open the address by itself"
        if scope["type"] == "websocket" and origin is None:
            return "a socket is opened by our own page only"
        raw = scope.get("raw_path") or scope["path"].encode()
        path = unquote(unquote(raw.decode("latin-1")))
        if "\\" in path or "\0" in path or any(part in ("..", ".") for part in path.split("/")):
            return "there is no such path"
        return None


def _cookie(text: str) -> str:
    try:
        found = SimpleCookie(text).get(COOKIE)
    except CookieError:
        return ""
    return "" if found is None else found.value


async def _let_in(send: Send, token: str) -> None:
    cookie = f"{COOKIE}={token}; Path=/; HttpOnly; SameSite=Strict"
    headers = [(b"location", b"/"), (b"set-cookie", cookie.encode()), *_HEADERS]
    await send({"type": "http.response.start", "status": 303, "headers": headers})
    await send({"type": "http.response.body", "body": b""})


async def _refuse(scope: Scope, send: Send, why: str) -> None:
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": 4403, "reason": why[:120]})
        return
    body = f"handfast: refused: {why}\n".encode()
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode()), *_HEADERS]
    await send({"type": "http.response.start", "status": 403, "headers": headers})
    await send({"type": "http.response.body", "body": body})
