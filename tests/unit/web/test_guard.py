"""Who is let in: our own page on this machine, and nobody who comes by another name, site or path."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass

import pytest

from handfast.errors import InputError
from handfast.web.guard import Guard
from handfast.web.server import where_to_serve

HOST = "127.0.0.1:8317"


@dataclass
class Answer:
    """What came back: a status (or the code a socket was closed with), headers, words."""

    status: int
    headers: dict[str, str]
    text: str


async def app(scope, receive, send):
    """Answers everything with yes."""
    if scope["type"] == "websocket":
        await send({"type": "websocket.accept"})
        return
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": b"yes"})


def ask(path: str = "/", token: str | None = None, socket: bool = False, query: str = "", **headers: str) -> Answer:
    """One request of a browser at the guard, as a server hands it on (ASGI)."""
    guard = Guard(app, frozenset({HOST}) if token is None else None, token)
    sent = {"host": HOST} | {name.replace("_", "-"): value for name, value in headers.items()}
    scope = {
        "type": "websocket" if socket else "http", "path": path, "raw_path": path.encode(),
        "query_string": query.encode(),
        "headers": [(name.encode(), value.encode()) for name, value in sent.items()],
    }  # fmt: skip
    answer = Answer(0, {}, "")

    async def receive():
        return {"type": "http.request", "body": b""}

    async def send(message):
        if message["type"] == "websocket.accept":
            answer.status = 101
        elif message["type"] == "websocket.close":
            answer.status = message["code"]
        elif message["type"] == "http.response.start":
            answer.status = message["status"]
            answer.headers = {name.decode(): value.decode() for name, value in message["headers"]}
        else:
            answer.text += message.get("body", b"").decode()

    asyncio.run(guard(scope, receive, send))
    return answer


def test_our_own_page_is_served_and_may_not_be_framed():
    """Status 200, and headers that keep other sites from framing it or guessing types."""
    answer = ask()
    assert answer.status == 200
    assert answer.headers["x-frame-options"] == "DENY"
    assert "frame-ancestors 'none'" in answer.headers["content-security-policy"]


@pytest.mark.parametrize(
    ("path", "headers", "says"),
    [
        ("/", {"host": "evil.example:8317"}, "not to evil.example"),
        ("/", {"origin": "http://evil.example"}, "another site"),
        ("/", {"sec_fetch_site": "cross-site"}, "another site"),
        ("/%2e%2e/bench.toml", {}, "no such path"),
        ("/workbench/%252e%252e/%252e%252e/etc/passwd", {}, "no such path"),
        ("/workbench/..%5c..%5cbench.toml", {}, "no such path"),
    ],
)
def test_everything_else_is_refused(path, headers, says):
    """403 and one line that says why."""
    answer = ask(path, **headers)
    assert answer.status == 403
    assert says in answer.text


def test_a_socket_needs_our_own_page():
    """With our origin it opens; with another's or with none it is closed at once."""
    assert ask("/wire", socket=True, origin=f"http://{HOST}").status == 101
    assert ask("/wire", socket=True).status == 4403
    assert ask("/wire", socket=True, origin="http://evil.example").status == 4403


def test_a_token_lets_in_once_and_becomes_a_cookie():
    """Without it 403; with it a redirect that sets a cookie no script can read; then 200."""
    token = "a" * 20
    assert ask(token=token).status == 403
    assert ask(token=token, query="token=" + "b" * 20).status == 403
    let_in = ask(token=token, query=f"token={token}")
    assert let_in.status == 303
    cookie = let_in.headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie
    assert ask(token=token, cookie=cookie.split(";")[0]).status == 200


def test_only_loopback_unless_told_otherwise():
    """Another address needs the wish for it, and then asks for a token."""
    assert where_to_serve("127.0.0.1", 0, False, None).token is None
    assert where_to_serve("::1", 0, False, None).url.startswith("http://[::1]:")
    with pytest.raises(InputError, match="can be reached from other machines"):
        where_to_serve("0.0.0.0", 8317, False, None)
    assert len(where_to_serve("0.0.0.0", 8317, True, None).token or "") == 32
    with pytest.raises(InputError, match="too easy to guess"):
        where_to_serve("0.0.0.0", 8317, True, "short")
    with pytest.raises(InputError, match="is no address"):
        where_to_serve("example", 8317, False, None)
    with pytest.raises(InputError, match="is no port"):
        where_to_serve("127.0.0.1", 70000, False, None)
