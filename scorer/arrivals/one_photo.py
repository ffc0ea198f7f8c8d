"""What is done with one photo that has arrived, in an order that a death at any instant cannot spoil.

The try is noted, the photo scored, the score recorded, photo and masks put into the store, the outcome written, what
was said of the delivery added, the note of the try removed. Each step can be done twice without harm, and the photo
leaves the inbox only for the store, so whoever comes after a death begins again with the first step.
"""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from sqlalchemy import Engine

from scorer.arrivals.completing import complete_one
from scorer.arrivals.deliveries import Item
from scorer.arrivals.outcomes import (
    BEING_SCORED,
    PhotoOutcome,
    State,
    is_written,
    outcome_from_score,
    outcome_of,
    write_outcome,
)
from scorer.arrivals.place import without_place
from scorer.arrivals.store import PhotoStore
from scorer.batch.task import Outcome, ScoreOne, Task, Wanted
from scorer.batch.workers import OUT_OF_MEMORY
from scorer.errors import ArrivalError, OutputError, PhotoError, ScorerError
from scorer.records.keep import OpenImport, is_scored, keep_score, refresh_photo
from scorer.records.photos import name_of_its_own
from scorer.records.scores import ScoreTables, score_of_photo
from scorer.results import MASKS, reason_of, remove_file

MOST_TRIES: Final = 2
GONE: Final = "Its file is no longer there; hand it in again."
LARGEST_LOG_BYTES: Final = 1_000_000


@dataclass(frozen=True)
class Bench:
    """What photos are scored with.

    Parameters
    ----------
    engine, store : where scores and photos are kept.
    score : scores one photo.
    log : file for the developers, where scoring itself fails.
    """

    engine: Engine
    store: PhotoStore
    score: ScoreOne
    log: Path


def deal_with(item: Item, batch: OpenImport, bench: Bench) -> PhotoOutcome:
    """Score a photo, or say what is known of it or why not, and keep all of that.

    Raises
    ------
    RecordsError, OutputError : records, store or inbox cannot be written; the photo waits on.
    CardError, LimitsError, ModelError : what every photo is scored with cannot be used; the photo waits on.
    """
    if not is_written(item):
        with _noted_try(item) as before:
            write_outcome(item, _outcome(item, batch, bench, before))
    complete_one(bench.engine, item)
    remove_file(item.photo)
    remove_file(item.folder / BEING_SCORED)
    return outcome_of(item)


@dataclass(frozen=True)
class _Before:
    """What was tried with a photo before: whether anything, and how many tries ended in a death."""

    begun: bool
    deaths: int


@contextmanager
def _noted_try(item: Item) -> Iterator[_Before]:
    """Note a try while it lasts: a byte for each in a file, so that it can be taken back on a full disk as well."""
    note = item.folder / BEING_SCORED
    before = _Before(note.exists(), note.stat().st_size if note.exists() else 0)
    try:
        with note.open("ab") as file:
            file.write(b".")
    except OSError as error:
        raise OutputError(f"{note} cannot be written ({reason_of(error)}); make room there.") from error
    try:
        yield before
    except ScorerError:  # not a death
        with suppress(OSError):
            os.truncate(note, before.deaths)
        raise


def _outcome(item: Item, batch: OpenImport, bench: Bench, before: _Before) -> PhotoOutcome:
    """What becomes of a photo; once it is back, score, photo and masks are kept."""
    if _is_known(item, batch, bench, again=before.begun):
        return _from_records(item, batch, bench, known=not before.begun)
    if not item.photo.exists():
        return _refused(item, GONE)
    if before.deaths >= MOST_TRIES:
        return _refused(item, OUT_OF_MEMORY)
    scored = _scored(item, bench)
    if scored.trace:
        add_to_log(bench.log, item.shown, scored.trace)
        return outcome_from_score(item, scored.photo, 0)
    new = keep_score(batch, scored.photo, scored.fruit, scored.marks)
    if not scored.refused:
        kept = scored if new else score_of_photo(bench.engine, item.sha256, batch.model_sha256)
        bench.store.keep(item.photo, item.sha256, masks_that_fit(scored, kept), batch.model_sha256)
    if new:
        return _by_its_name(outcome_from_score(item, scored.photo, len(scored.marks)), scored.name)
    return _from_records(item, batch, bench, known=not before.begun)


def _is_known(item: Item, batch: OpenImport, bench: Bench, *, again: bool) -> bool:
    """Whether nothing of this photo is left to do: it was refused, or photo and masks are in the store."""
    if not is_scored(batch, item.sha256):
        return False
    if bench.store.photo_path(item.sha256) is not None:
        return not (again and item.photo.exists())  # broken off, the masks may still be those of another model
    verdict = score_of_photo(bench.engine, item.sha256, batch.model_sha256).photo["verdict"].iloc[0]
    return bool(verdict == "refused")


def _scored(item: Item, bench: Bench) -> Outcome:
    """Score the photo; one that could not be kept without its place is refused."""
    started = time.perf_counter()
    name = name_of_its_own(bench.engine, item.shown, item.sha256)
    task = Task(item.photo, name, None, item.sha256, bench.score, Wanted(masks=True))
    outcome = task()
    if outcome.refused:
        return outcome
    try:
        without_place(item.photo.read_bytes(), item.shown)
    except (ArrivalError, PhotoError) as refusal:
        return task.refused(str(refusal), started)
    return outcome


def masks_that_fit(scored: Outcome, kept: Outcome | ScoreTables) -> dict[str, bytes]:
    """The masks by kind; none where their numbers may not be those of the recorded score."""
    if len(scored.fruit) != len(kept.fruit) or len(scored.marks) != len(kept.marks):
        return {}
    return {Path(path).name.split(".")[1]: data for path, data in scored.files.items() if path.startswith(f"{MASKS}/")}


def _from_records(item: Item, batch: OpenImport, bench: Bench, *, known: bool) -> PhotoOutcome:
    refresh_photo(batch, item.sha256, name_of_its_own(bench.engine, item.shown, item.sha256), None)
    kept = score_of_photo(bench.engine, item.sha256, batch.model_sha256)
    outcome = outcome_from_score(item, kept.photo, len(kept.marks), known=known)
    if outcome.state is not State.REFUSED or not item.photo.exists():
        return outcome
    # its reason calls it by the name that it came under first, which nothing else tells: it is refused once more
    refused = _scored(item, bench)
    if not refused.refused or refused.trace:
        return outcome
    reason = outcome_from_score(item, refused.photo, 0).reasons
    return _by_its_name(replace(outcome, reasons=reason), refused.name)


def _by_its_name(outcome: PhotoOutcome, name: str) -> PhotoOutcome:
    """Let a refusal call the photo what it came under, where the records must call it otherwise."""
    begins = outcome.state is State.REFUSED and outcome.reasons.startswith(f"{name} ")
    return replace(outcome, reasons=outcome.shown + outcome.reasons[len(name) :]) if begins else outcome


def _refused(item: Item, reason: str) -> PhotoOutcome:
    return PhotoOutcome(item.number, item.shown, item.sha256, State.REFUSED, verdict="refused", reasons=reason)


def add_to_log(log: Path, shown: str, trace: str) -> None:
    """Add the trace of a photo for the developers, while the log is not too long."""
    if not log.exists() or log.stat().st_size < LARGEST_LOG_BYTES:
        with suppress(OSError), log.open("a", encoding="utf-8", errors="replace") as file:
            file.write(f"{shown}\n{trace}\n")
