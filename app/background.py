"""What goes on behind the pages: a process that scores what is handed in."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from app.settings import AppSettings
from scorer.arrivals.scoring import ScoringPlan
from scorer.arrivals.scoring_process import ScoringProcess


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
