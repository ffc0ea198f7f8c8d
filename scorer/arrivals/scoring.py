"""Score photos as they arrive; run as ``python -m scorer.arrivals.scoring`` it is a process of its own.

Each photo is scored by the model that is in use at that moment. Where none waits and somebody has asked for the season
to be scored again, a photo of it is.

That process reads from its standard input what to do, as one line of JSON, and ends when that input does: so it also
ends when whoever started it dies. A refusal that stops it is the last line it writes.
"""

from __future__ import annotations

import json
import os
import signal
import sys
from collections.abc import Callable
from dataclasses import asdict, dataclass
from functools import partial
from importlib.metadata import version
from pathlib import Path
from threading import Event, Thread
from typing import Final

import cv2
from sqlalchemy import Engine
from sqlalchemy.engine import make_url

from scorer.arrivals.batches import DeliveryBatches
from scorer.arrivals.lock import lock_held
from scorer.arrivals.model_in_use import model_in_use
from scorer.arrivals.one_photo import Bench, deal_with
from scorer.arrivals.rescoring_work import RescoringInTurn
from scorer.arrivals.store import PhotoStore
from scorer.arrivals.turns import Turns
from scorer.batch.task import LOG_NAME, ScoreOne
from scorer.errors import OutputError, ScorerError
from scorer.records.database import open_records
from scorer.records.keep import DEFAULT_SITE
from scorer.results import reason_of
from scorer.tray import DEFAULT_LIMITS

LOOK_EVERY_S: Final = 0.5
POLITENESS: Final = 10
"""How far the process stands behind others that want the processor: pages must answer while photos are scored."""
STOPPED_BY_REFUSAL: Final = 3
ALL_WELL: Final = "all well"
LOCK: Final = "scoring.lock"


@dataclass(frozen=True)
class ScoringPlan:
    """What photos are scored from, with and into.

    Parameters
    ----------
    inbox : holds the deliveries.
    store_folder : of the photo store.
    records_url : address of the records, with its password.
    limits : name of the limit table, or a path to one.
    model_folder : folder of a model to score with whatever is in use; None scores with the model in use.
    site : packing shed that the photos are recorded for.
    zone_if_new : time zone of a site that the records do not know yet.
    """

    inbox: Path
    store_folder: Path
    records_url: str
    limits: str = DEFAULT_LIMITS
    model_folder: Path | None = None
    site: str = DEFAULT_SITE
    zone_if_new: str = "UTC"

    def to_json(self) -> str:
        """The plan as one line."""
        return json.dumps(asdict(self), default=str)

    @classmethod
    def from_json(cls, line: str) -> ScoringPlan:
        """The plan from one line."""
        said = json.loads(line)
        paths = {name: Path(said[name]) for name in ("inbox", "store_folder", "model_folder") if said[name] is not None}
        return cls(**(said | paths))


def score_arrivals(
    plan: ScoringPlan, stop: Event, score: ScoreOne | None = None, on_well: Callable[[], None] = lambda: None
) -> None:
    """Score photos of all deliveries in turn as they arrive, until told to stop; holds no more than one photo.

    While another process does the same for this inbox, it waits.

    Parameters
    ----------
    stop : ends the work after the photo in hand.
    score : scores one photo; None scores with the plan's limits and the model in use.
    on_well : told each time that a photo was dealt with, or that none waits.

    Raises
    ------
    RecordsError, OutputError : records, store or inbox cannot be written.
    CardError, LimitsError, ModelError, ClockError : what every photo is scored with cannot be used; photos wait on, for
        no other model takes the place of the one in use.
    """
    try:
        plan.inbox.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{plan.inbox} cannot be made ({reason_of(error)}); check the disk.") from error
    with lock_held(plan.inbox / LOCK, stop.is_set) as held:
        if not held:
            return
        engine = open_records(make_url(plan.records_url))
        try:
            _score_until(stop, plan, engine, score, on_well)
        finally:
            engine.dispose()


def _score_until(
    stop: Event, plan: ScoringPlan, engine: Engine, score: ScoreOne | None, on_well: Callable[[], None]
) -> None:
    turns, store = Turns(plan.inbox), PhotoStore(plan.store_folder)
    used_now = partial(model_in_use, plan.records_url, plan.model_folder)
    used_now()  # what cannot be used is told before a photo waits for it
    batches = _batches(plan, engine)
    again = RescoringInTurn(engine, store, plan.inbox, used_now, score)
    try:
        while not stop.is_set():
            batches.close_quiet()
            item = turns.next()
            if item is None:
                worked = again.one_more()
                on_well()
                if not worked:
                    stop.wait(LOOK_EVERY_S)
                continue
            used = used_now()
            batch = batches.of(item, used.model)
            in_zone = score or used.scores(plan.limits, batch.zone.key)
            batches.count(item, deal_with(item, batch, Bench(engine, store, in_zone, plan.inbox / LOG_NAME)))
            on_well()
    finally:
        again.close()
        batches.close_all()


def _batches(plan: ScoringPlan, engine: Engine) -> DeliveryBatches:
    return DeliveryBatches(
        engine,
        software=version("mango-tray-scorer"),
        limits=plan.limits,
        site=plan.site,
        zone_if_new=plan.zone_if_new,
    )


def _main() -> int:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for whoever started it, and ends the input
    if hasattr(os, "nice"):
        os.nice(POLITENESS)
    cv2.setNumThreads(1)
    stop = Event()
    plan = ScoringPlan.from_json(sys.stdin.readline())
    Thread(target=_set_at_end_of_input, args=(stop,), daemon=True).start()
    try:
        score_arrivals(plan, stop, on_well=_SaidOnce(ALL_WELL))
    except ScorerError as refusal:
        print(refusal, flush=True)
        return STOPPED_BY_REFUSAL
    return 0


class _SaidOnce:
    """Prints a line the first time it is called."""

    def __init__(self, line: str) -> None:
        self._line = line

    def __call__(self) -> None:
        if self._line:
            print(self._line, flush=True)
            self._line = ""


def _set_at_end_of_input(stop: Event) -> None:
    sys.stdin.read()
    stop.set()


if __name__ == "__main__":
    sys.exit(_main())
