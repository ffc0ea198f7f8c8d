"""The server with all its parts: pages, photos in and out, and the process that scores what is handed in."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

import streamlit as st

from app.routes import routes
from app.serve import build_app
from app.settings import AppSettings
from scorer.arrivals.scoring import ScoringPlan
from scorer.arrivals.scoring_process import ScoringProcess
from scorer.arrivals.store import PhotoStore


def whole_app(settings: AppSettings, on_ready: Callable[[], object] | None = None) -> st.App:
    """The server as `scorer app` starts it; see ``build_app``."""
    ways = routes(settings.inbox_folder, PhotoStore(settings.store_folder))
    return build_app(settings, routes=ways, background=lambda: _scoring(settings), on_ready=on_ready)


@contextmanager
def _scoring(settings: AppSettings) -> Iterator[None]:
    process = ScoringProcess(
        ScoringPlan(
            inbox=settings.inbox_folder,
            store_folder=settings.store_folder,
            records_url=settings.records,
            limits=settings.limits,
            model_folder=settings.model_folder,
            site=settings.site,
            zone_if_new=settings.zone,
        )
    )
    process.start()
    try:
        yield
    finally:
        process.stop()
