"""What goes on behind the pages: a process that scores what is handed in, and figures that are worked out ahead."""

from __future__ import annotations

import gc
import logging
from collections.abc import Iterator
from contextlib import contextmanager
from importlib import import_module

from app.settings import AppSettings
from scorer.arrivals.scoring import ScoringPlan
from scorer.arrivals.scoring_process import ScoringProcess
from scorer.errors import ScorerError


@contextmanager
def at_work(settings: AppSettings) -> Iterator[None]:
    """Work out the season at hand ahead, then score what is handed in for as long as the server runs."""
    _work_out_ahead()
    with scoring(settings):
        yield


@contextmanager
def scoring(settings: AppSettings) -> Iterator[ScoringProcess]:
    """Score what is handed in, for as long as the server runs."""
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
        yield process
    finally:
        process.stop()


def _work_out_ahead() -> None:
    """Read the season and all pages before anybody is let in, so that the first visitor waits for neither."""
    from app.desk import the_desk
    from app.screens import crews

    try:
        import_module("app.sections")
        crews.work_out_ahead(the_desk())
    except ScorerError as refusal:  # the pages say it in words once somebody asks
        logging.getLogger(__name__).warning("%s", refusal)
    gc.freeze()  # Streamlit collects garbage after each run of a page: it need not go through all this every time
