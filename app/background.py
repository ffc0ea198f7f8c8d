"""What goes on behind the pages: a process that scores what is handed in, and figures that are worked out ahead."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from importlib import import_module

from app.settings import AppSettings
from scorer.arrivals.scoring import ScoringPlan
from scorer.arrivals.scoring_process import ScoringProcess
from scorer.errors import ScorerError


@contextmanager
def at_work(settings: AppSettings) -> Iterator[None]:
    """Score what is handed in for as long as the server runs, and begin with the season at hand."""
    from app.desk import the_desk
    from app.screens import crews

    import_module("app.sections")  # all pages, so that no visitor waits for their parts either
    with scoring(settings):
        _unless_refused(lambda: crews.work_out_ahead(the_desk()))
        rest = threading.Thread(
            target=_unless_refused, args=(lambda: crews.work_out_the_rest(the_desk()),), daemon=True
        )
        rest.start()
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


def _unless_refused(work: Callable[[], object]) -> None:
    """Work ahead; what the records refuse now, the pages refuse in words once somebody asks."""
    try:
        work()
    except ScorerError as refusal:
        logging.getLogger(__name__).warning("%s", refusal)
