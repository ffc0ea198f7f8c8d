"""Start the server: the pages, what it answers besides them, the gate before both, and the work in the background."""

from __future__ import annotations

import socket
import sys
from collections.abc import AsyncIterator, Callable, Sequence
from contextlib import AbstractContextManager, asynccontextmanager, nullcontext
from pathlib import Path
from typing import Any, Final

import streamlit as st
from starlette.middleware import Middleware
from starlette.routing import BaseRoute
from streamlit.proto.ForwardMsg_pb2 import ForwardMsg

from app.gate import Door, Gate
from app.mishaps import on_page, on_request
from app.settings import AppSettings, Mode
from app.theme import THEME
from scorer.access.lan import is_loopback
from scorer.access.sign_in import read_sign_in
from scorer.errors import AccessError

PAGES: Final = Path(__file__).with_name("main.py")
KEPT_S: Final = 3600
"""How long what a phone had open is kept while it sleeps in a pocket."""


def build_app(
    settings: AppSettings,
    *,
    script: Path = PAGES,
    routes: Sequence[BaseRoute] = (),
    background: Callable[[], AbstractContextManager[object]] = nullcontext,
    on_ready: Callable[[], object] | None = None,
) -> st.App:
    """The whole server as an ASGI application.

    Parameters
    ----------
    settings : how it is started.
    script : that every visit runs.
    routes : what it answers besides pages.
    background : work that begins and ends with the server.
    on_ready : called once when all of that has begun.

    Raises
    ------
    AccessError : the file that says who may sign in cannot be used.
    """

    @asynccontextmanager
    async def alive(_: st.App) -> AsyncIterator[None]:
        with background():
            if on_ready:
                on_ready()
            yield

    return st.App(
        script,
        secrets=_secrets(settings),
        lifespan=alive,
        routes=routes,
        middleware=[Middleware(Gate, door=door_of(settings))],
        on_script_error=on_page(settings.log_file),
        exception_handlers=on_request(settings.log_file),
    )


def run_app(settings: AppSettings, app: st.App) -> None:
    """Serve until Ctrl-C.

    Raises
    ------
    AccessError : the port is taken, or the address would open the pages to others who are neither asked for a token
        nor to sign in.
    """
    check_address(settings)
    settings.publish()
    # Streamlit takes the folder of whatever started it for one of modules; that of the command holds other things.
    sys.argv = [str(app.script_path)]
    app.run(config=config_of(settings))


def check_address(settings: AppSettings) -> None:
    """Refuse an address that cannot be listened on, or that would let in everybody; raises as ``run_app`` does."""
    if settings.mode is Mode.LOOPBACK and not is_loopback(settings.address):
        raise AccessError(
            f"Listening on {settings.address} would open the pages to everybody in the network; "
            "add --lan for tokens or --sign-in for a provider."
        )
    with socket.socket(socket.AF_INET6 if ":" in settings.address else socket.AF_INET) as tried:
        tried.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            tried.bind((settings.address, settings.port))
        except OSError as error:
            raise AccessError(
                f"Port {settings.port} cannot be listened on at {settings.address} ({error.strerror}); "
                "give another with --port."
            ) from error


def door_of(settings: AppSettings) -> Door:
    """What the gate lets through; raises as ``build_app`` does."""
    hosts, origins = frozenset(name.lower() for name in settings.hosts), frozenset[str]()
    if settings.mode is Mode.SIGN_IN and settings.sign_in_file:
        sign_in = read_sign_in(settings.sign_in_file)
        hosts, origins = hosts | {sign_in.host}, frozenset({sign_in.origin})
    if settings.mode is Mode.LAN and settings.tokens_file is None:
        raise AccessError("There is no file for tokens, so no phone can be let in; start the pages with `scorer app`.")
    return Door(
        hosts=hosts,
        origins=origins,
        tokens_file=settings.tokens_file if settings.mode is Mode.LAN else None,
        cookie=settings.token_cookie,
        farewell=_load_anew(),
    )


def config_of(settings: AppSettings) -> dict[str, Any]:
    """Options of Streamlit; also those that a file of the user's could otherwise loosen."""
    return {
        "server.address": settings.address,
        "server.port": settings.port,
        "server.headless": True,
        "server.fileWatcherType": "none",
        "server.enableXsrfProtection": True,
        "server.enableCORS": True,
        "server.corsAllowedOrigins": [],
        "server.trustedUserHeaders": {},
        "server.enableAgentApi": False,
        "server.enableStaticServing": False,
        "server.baseUrlPath": "",
        "server.disconnectedSessionTTL": KEPT_S,
        "browser.gatherUsageStats": False,
        "client.showErrorDetails": "none",
        "client.showErrorLinks": False,
        "client.toolbarMode": "minimal",
        "client.allowedOrigins": [],
        "global.developmentMode": False,
        "logger.hideWelcomeMessage": True,  # to greet, Streamlit would ask the internet for its own address
        "secrets.files": [],
        **THEME,
    }


def _secrets(settings: AppSettings) -> dict[str, Any] | None:
    if settings.mode is not Mode.SIGN_IN:
        return None
    if settings.sign_in_file is None:
        raise AccessError("Nobody may sign in, for no list of who may was given; start the pages with --sign-in.")
    return {"auth": dict(read_sign_in(settings.sign_in_file).provider)}


def _load_anew() -> bytes:
    """Makes the browser load the page anew, where the gate then says in words that its way in is closed."""
    message = ForwardMsg()
    message.auth_redirect.url = "/"
    return bytes(message.SerializeToString())
