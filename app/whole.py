"""The server with all its parts: pages, photos in and out, and the process that scores what is handed in."""

from __future__ import annotations

from collections.abc import Callable

import streamlit as st

from app.background import at_work
from app.routes import routes
from app.serve import build_app
from app.settings import AppSettings
from scorer.arrivals.store import PhotoStore


def whole_app(settings: AppSettings, on_ready: Callable[[], object] | None = None) -> st.App:
    """The server as `scorer app` starts it; see ``build_app``."""
    ways = routes(settings.inbox_folder, PhotoStore(settings.store_folder))
    return build_app(settings, routes=ways, background=lambda: at_work(settings), on_ready=on_ready)
