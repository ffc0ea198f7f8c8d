"""The gate before everything the server answers: right place, own pages only, and in a network a token of the day.

Pure ASGI, around pages, static files, uploads and sockets alike, so that nothing behind it can be reached past it.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import UTC, datetime
from html import escape
from pathlib import Path
from typing import Final
from urllib.parse import parse_qsl, quote, urlencode, urlsplit

from starlette.datastructures import MutableHeaders
from starlette.requests import HTTPConnection
from starlette.responses import HTMLResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from app.settings import LOOPBACK_NAMES
from scorer.access.lan import is_loopback
from scorer.access.tokens import LetIn, let_in
from scorer.errors import AccessError
from scorer.language import language_asked_for, message

TOKEN_PARAMETER: Final = "token"
POLICY_VIOLATION: Final = 1008
"""Why a socket is closed (RFC 6455, 7.4.1)."""
_CHANGES_NOTHING: Final = ("GET", "HEAD", "OPTIONS")
"""Safe methods (RFC 9110, 9.2.1)."""
_HEADERS: Final = {
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
    "Content-Security-Policy": "frame-ancestors 'self'",
}
_NO_TOKEN: Final = message(
    "This page opens only with today's address for your role: scan its code on the computer that shares the pages."
)
_VOID_TOKEN: Final = message(
    "This way in has ended or was taken back: scan today's code on the computer that shares the pages."
)


@dataclass(frozen=True)
class Door:
    """What the gate lets through.

    Parameters
    ----------
    hosts : names and IP addresses that are ours, besides loopback.
    origins : origins of pages that are ours though a proxy names another host, such as https://scorer.shed.example.
    tokens_file : tokens that let somebody in; None where none is asked for.
    cookie : name of the cookie that holds a token.
    farewell : sent through a socket before it is closed for its token's sake.
    """

    hosts: frozenset[str] = frozenset()
    origins: frozenset[str] = frozenset()
    tokens_file: Path | None = None
    cookie: str = "scorer_token"
    farewell: bytes | None = None


class Gate:
    """ASGI middleware that answers itself whatever the door does not let through."""

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self._app = app
        self._door = door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let one request or socket through, or answer it."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        asked = HTTPConnection(scope)
        answer = _misplaced(asked, self._door) or _without_token(asked, self._door)
        if scope["type"] == "http":
            await (answer or self._app)(scope, receive, _with_headers(send))
        elif answer:
            await send({"type": "websocket.close", "code": POLICY_VIOLATION})
        else:
            await self._app(scope, *_watched(asked, self._door, receive, send))


def _misplaced(asked: HTTPConnection, door: Door) -> Response | None:
    """The answer to what was meant for another server, or was sent by another's page; None if neither is so."""
    hosts = asked.headers.getlist("host")
    if len(hosts) != 1:
        return _page(asked, 400, message("Which server is meant is not said once and clearly (RFC 9112, 3.2)."))
    # A name that a stranger points at this computer makes a browser read our pages for his (DNS rebinding).
    if _name(hosts[0]) not in {*LOOPBACK_NAMES, *door.hosts}:
        return _page(
            asked, 421, message("These pages are not served under this address; open the one that the computer shows.")
        )
    if asked.scope["type"] == "http" and asked.scope["method"] in _CHANGES_NOTHING:
        return None
    for origin in asked.headers.getlist("origin"):
        if _place(origin) != hosts[0].lower() and origin not in door.origins:
            return _page(asked, 403, message("Another server's page asked for this; open the pages themselves."))
    return None


def _without_token(asked: HTTPConnection, door: Door) -> Response | None:
    """The answer to somebody who is not let in yet; None for one who is."""
    if door.tokens_file is None:
        return None
    shown = asked.query_params.get(TOKEN_PARAMETER)
    if shown is not None and asked.scope["type"] == "http" and asked.scope["method"] in ("GET", "HEAD"):
        holder = _holder(shown, asked, door)
        return _take_in(asked, door, shown, holder) if holder else _page(asked, 403, _VOID_TOKEN)
    kept = asked.cookies.get(door.cookie)
    if kept is None:
        return _page(asked, 403, _NO_TOKEN)
    return None if _holder(kept, asked, door) else _page(asked, 403, _VOID_TOKEN)


def _holder(token: str, asked: HTTPConnection, door: Door) -> LetIn | None:
    assert door.tokens_file is not None
    try:
        holder = let_in(door.tokens_file, token, datetime.now(UTC))
    except AccessError as refusal:
        logging.getLogger(__name__).error("%s", refusal)
        return None
    if holder and holder.role is None and not (asked.client and is_loopback(asked.client.host)):
        return None  # the computer's own token is for itself, should somebody read it off the screen
    return holder


def _take_in(asked: HTTPConnection, door: Door, token: str, holder: LetIn) -> Response:
    """Keep the token in a cookie, and send on to the address without it, so that no history or Referer keeps it."""
    # One slash alone begins the path: after two, a browser would read the name of another server.
    path = "/" + quote(str(asked.scope["path"]).lstrip("/\\"))
    rest = [(key, value) for key, value in parse_qsl(asked.url.query, True) if key != TOKEN_PARAMETER]
    answer = RedirectResponse(path + (f"?{urlencode(rest)}" if rest else ""), 303, {"Cache-Control": "no-store"})
    answer.set_cookie(
        door.cookie,
        token,
        max_age=int((holder.ends_at - datetime.now(UTC)).total_seconds()),
        path="/",
        secure=asked.url.scheme == "https",
        httponly=True,
        samesite="lax",
    )
    return answer


def _watched(asked: HTTPConnection, door: Door, receive: Receive, send: Send) -> tuple[Receive, Send]:
    """A socket that is closed at the first message after its token ended or was taken back.

    It is closed before the message arrives: what a page does on a click would be done before the page asks again who
    is there.
    """
    closed = False

    async def receive_while_let_in() -> Message:
        nonlocal closed
        message = await receive()
        if message["type"] != "websocket.receive" or _without_token(asked, door) is None:
            return message
        closed = True
        if door.farewell is not None:
            await send({"type": "websocket.send", "bytes": door.farewell})
        await send({"type": "websocket.close", "code": POLICY_VIOLATION})
        return {"type": "websocket.disconnect", "code": POLICY_VIOLATION}

    async def send_until_closed(message: Message) -> None:
        if not closed:
            await send(message)

    return receive_while_let_in, send_until_closed


def _with_headers(send: Send) -> Send:
    async def send_with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in _HEADERS.items():
                headers.setdefault(name, value)
        await send(message)

    return send_with_headers


def _name(host: str) -> str | None:
    """Name in a Host header (RFC 9110, 7.2), in lower case; None if it is not written as one."""
    try:
        parts = urlsplit(f"//{host}")
        name, _ = parts.hostname, parts.port
    except ValueError:
        return None
    return name if parts.netloc == host and "@" not in host else None


def _place(origin: str) -> str | None:
    """Host and port of an origin (RFC 6454, 6.1), in lower case; None if it is not written as one."""
    try:
        return urlsplit(origin).netloc.lower()
    except ValueError:
        return None


def _page(asked: HTTPConnection, status: int, sentence: str) -> HTMLResponse:
    """A sentence as a page, in the language that the browser asks for: nobody has chosen one yet."""
    language = language_asked_for(asked.headers.get("accept-language", ""))
    title = escape(language.text("Not open"))
    return HTMLResponse(
        f'<!doctype html><html lang="{language.code}"><meta charset="utf-8">'
        f'<meta name="viewport" content="width=device-width"><title>{title}</title>'
        '<body style="font:1.25rem/1.5 sans-serif;color:#111;background:#fff;max-width:32em;margin:auto;padding:2em">'
        f"<main><h1>{title}</h1><p>{escape(language.text(sentence))}</p></main></body></html>",
        status,
        {"Cache-Control": "no-store"},
    )
