"""Ask for the season to be scored again by the model in use, see how far that is, and stop it: what pages call.

::

    inbox/rescoring.json            who asked, when, for which photos, and who stopped it
          rescoring_progress.json   how far it is; written by whoever works it off, see `scorer.arrivals.rescoring_work`

The process that scores arriving photos works it off whenever no new photo waits.
"""

from __future__ import annotations

import secrets
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from sqlalchemy import Engine

from scorer.access.roles import Person, Right
from scorer.arrivals.store import PhotoStore
from scorer.arrivals.to_rescore import photos_to_rescore
from scorer.arrivals.whole_files import read_json, write_json
from scorer.errors import ArrivalError, OutputError
from scorer.kinds import load_model
from scorer.model_shelf.history import in_use
from scorer.model_shelf.shelf import Shelf
from scorer.results import reason_of

REQUEST_FILE: Final = "rescoring.json"
PROGRESS_FILE: Final = "rescoring_progress.json"


@dataclass(frozen=True)
class RescoringAhead:
    """What scoring the season again would do.

    Parameters
    ----------
    photos : how many would be scored; neither of the others is among them.
    spoken_of : how many are left out unless asked for, because somebody has said something of their newest score.
    not_kept : how many cannot be scored again, because the photo store does not have them.
    """

    photos: int
    spoken_of: int
    not_kept: int


@dataclass(frozen=True)
class RescoringState:
    """How far scoring the season again is.

    Parameters
    ----------
    asked_by, asked_at : who asked for it, and when (UTC).
    also_spoken_of : whether photos that somebody has said something of are scored again as well.
    done : photos that are done, the ``failed`` ones included.
    of : photos that there were to be scored; None until the work has begun.
    left_out : photos left out because somebody has said something of them; None until the work has begun.
    finished : whether nothing of it is left to do.
    stopped_by : who stopped it; None where nobody did.
    failed : why a photo could not be scored again, a sentence by its SHA-256; each keeps the score it has.
    model_sha256 : the model that scores; "" until the work has begun.
    """

    asked_by: str
    asked_at: datetime
    also_spoken_of: bool
    done: int
    of: int | None
    left_out: int | None
    finished: bool
    stopped_by: str | None = None
    failed: Mapping[str, str] = field(default_factory=dict)
    model_sha256: str = ""

    @property
    def goes_on(self) -> bool:
        """Whether it is still to be worked at."""
        return not self.finished and self.stopped_by is None


@dataclass(frozen=True)
class Request:
    """What was asked for, as it lies on disk.

    Parameters
    ----------
    key : tells this request from all others.
    asked_by, asked_at, also_spoken_of, stopped_by : see `RescoringState`.
    """

    key: str
    asked_by: str
    asked_at: datetime
    also_spoken_of: bool
    stopped_by: str | None = None


@dataclass(frozen=True)
class Progress:
    """How far a request is, as it lies on disk.

    Parameters
    ----------
    key : of the request.
    model_sha256, done, of, left_out, failed, finished : see `RescoringState`.
    """

    key: str
    model_sha256: str
    done: int
    of: int
    left_out: int
    failed: dict[str, str] = field(default_factory=dict)
    finished: bool = False


def rescoring_ahead(person: Person, engine: Engine, store: PhotoStore, shelf: Shelf) -> RescoringAhead:
    """How many photos the model in use has not scored yet.

    Raises
    ------
    AccessError : the person may not put models to use.
    ModelError : the model in use cannot be used.
    RecordsError : the records cannot be read.
    """
    person.must(Right.PROMOTE)
    found = photos_to_rescore(engine, store, load_model(in_use(shelf)).sha256)
    return RescoringAhead(len(found.photos), found.left_out, found.not_kept)


def ask_for_rescoring(person: Person, inbox: Path, *, also_spoken_of: bool = False) -> None:
    """Ask for all photos of the store to be scored again that the model in use has not scored yet.

    Parameters
    ----------
    inbox : the one whose deliveries are scored; `scorer.arrivals.deliveries.inbox_beside`.
    also_spoken_of : whether to score photos again that somebody has said something of as well; what they said stays in
        the records, but belongs to the old score and counts no more.

    Raises
    ------
    AccessError : the person may not put models to use.
    ArrivalError : nobody is named, or the season is being scored again already.
    OutputError : it cannot be written down.
    """
    who = _who(person)
    now = state_at(inbox)
    if now is not None and now.goes_on:
        raise ArrivalError(
            f"The season is being scored again already, as {now.asked_by} asked at {now.asked_at:%Y-%m-%d %H:%M} UTC; "
            "wait for its end, or stop it first."
        )
    try:
        inbox.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{inbox} cannot be made ({reason_of(error)}); check the disk.") from error
    write_request(inbox, Request(secrets.token_hex(8), who, datetime.now(UTC), also_spoken_of))


def stop_rescoring(person: Person, inbox: Path) -> None:
    """End it after the photo in hand; what is scored stays so, and asking again goes on with the rest.

    Raises
    ------
    AccessError : the person may not put models to use.
    ArrivalError : nobody is named, or the season is not being scored again.
    OutputError : it cannot be written down.
    """
    who = _who(person)
    request, now = read_request(inbox), state_at(inbox)
    if request is None or now is None or not now.goes_on:
        raise ArrivalError("The season is not being scored again at the moment, so there is nothing to stop.")
    asked = (request.key, request.asked_by, request.asked_at, request.also_spoken_of)
    write_request(inbox, Request(*asked, stopped_by=who))


def rescoring_state(person: Person, inbox: Path) -> RescoringState | None:
    """How far the newest request is; None where nobody ever asked.

    Raises
    ------
    AccessError : the person may not train and compare models.
    """
    person.must(Right.TRAIN)
    return state_at(inbox)


def state_at(inbox: Path) -> RescoringState | None:
    """`rescoring_state` for those who ask for nobody, as the work itself does."""
    request = read_request(inbox)
    if request is None:
        return None
    asked = {name: getattr(request, name) for name in ("asked_by", "asked_at", "also_spoken_of", "stopped_by")}
    progress = read_progress(inbox, request)
    if progress is None:
        return RescoringState(**asked, done=0, of=None, left_out=None, finished=False)
    so_far = {name: value for name, value in asdict(progress).items() if name != "key"}
    return RescoringState(**asked, **so_far)


def read_request(inbox: Path) -> Request | None:
    """The newest request; None where there is none."""
    said = read_json(inbox / REQUEST_FILE)
    return None if said is None else Request(**said | {"asked_at": datetime.fromisoformat(said["asked_at"])})


def write_request(inbox: Path, request: Request) -> None:
    """Put a request in the place of the one before; raises OutputError as `write_json` does."""
    write_json(inbox / REQUEST_FILE, asdict(request) | {"asked_at": request.asked_at.isoformat()})


def read_progress(inbox: Path, request: Request) -> Progress | None:
    """How far a request is; None where nobody has begun to work at it."""
    said = read_json(inbox / PROGRESS_FILE)
    return None if said is None or said.get("key") != request.key else Progress(**said)


def write_progress(inbox: Path, progress: Progress) -> None:
    """Put down how far a request is; raises OutputError as `write_json` does."""
    write_json(inbox / PROGRESS_FILE, asdict(progress))


def _who(person: Person) -> str:
    person.must(Right.PROMOTE)
    if not person.name.strip():
        raise ArrivalError("Nobody is named who has the season scored again; say your name first.")
    return person.name.strip()
