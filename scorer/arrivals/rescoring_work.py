"""Score known photos again by the model in use, beside the scores they have; a death at any instant spoils nothing.

For each photo: the try is noted, the photo scored, the score recorded beside the old ones, the masks replaced, the note
removed. A photo that cannot be scored again, or that somebody has said something of meanwhile, keeps the score it has.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from importlib.metadata import version
from pathlib import Path
from typing import Final

from sqlalchemy import Engine

from scorer.access.roles import Person, Right
from scorer.arrivals.batches import close_broken_off
from scorer.arrivals.in_hand import note_of, noted, notes_in
from scorer.arrivals.lock import lock_held
from scorer.arrivals.model_in_use import ModelInUse
from scorer.arrivals.one_photo import MOST_TRIES, add_to_log, masks_that_fit
from scorer.arrivals.rescoring import Progress, Request, read_progress, read_request, state_at, write_progress
from scorer.arrivals.store import PhotoStore
from scorer.arrivals.to_rescore import KnownPhoto, known_photo, models_of_scores, photos_to_rescore
from scorer.batch.task import LOG_NAME, Outcome, ScoreOne, Task, Wanted
from scorer.batch.workers import OUT_OF_MEMORY, outcomes_of
from scorer.errors import ArrivalError, LimitsError, OutputError
from scorer.limits import load_limits
from scorer.records.keep import OpenImport, close_import, keep_score_again, open_import
from scorer.records.scores import score_of_photo
from scorer.results import reason_of

SCORED_AGAIN: Final = "Photos scored again for"
LOCK: Final = "rescoring.lock"
NOTES_FOLDER: Final = "rescoring_in_hand"


@dataclass(frozen=True)
class Became:
    """What became of a photo.

    Parameters
    ----------
    why_not : why it could not be scored again, in a sentence; "" where it was.
    left_out : whether it was left out, for somebody has said something of it meanwhile.
    """

    why_not: str = ""
    left_out: bool = False


@dataclass(frozen=True)
class Rescored:
    """What scoring a season again gave.

    Parameters
    ----------
    done : photos that have a score by the model in use now.
    left_out : photos left out because somebody has said something of them.
    not_kept : photos that the store does not have.
    failed : a sentence for each photo that could not be scored again, behind its name.
    """

    done: int
    left_out: int
    not_kept: int
    failed: tuple[str, ...]


class Rescorer:
    """Scores photos again by one model, for whoever holds the lock; to be closed."""

    def __init__(
        self, engine: Engine, store: PhotoStore, inbox: Path, used: ModelInUse, who: str, score: ScoreOne | None = None
    ) -> None:
        """Begin; batches that an earlier one left open when it died are closed.

        Parameters
        ----------
        engine, store : the records and the photos.
        inbox : holds the notes.
        used : the model.
        who : asked for it.
        score : scores one photo; None scores with the model.

        Raises
        ------
        RecordsError : the records cannot be written.
        """
        self._engine, self._store, self._inbox = engine, store, inbox
        self._used, self._who, self._score = used, who, score
        self._batches: dict[tuple[str, str], _Batch] = {}
        close_broken_off(engine, SCORED_AGAIN)

    @property
    def model_sha256(self) -> str:
        """The model that scores."""
        return self._used.model.sha256

    def one(self, photo: KnownPhoto, *, also_spoken_of: bool) -> Became:
        """Score a photo again and keep that.

        Raises
        ------
        RecordsError, OutputError : records or store cannot be written.
        CardError, ModelError : what every photo is scored with cannot be used.
        """
        note = note_of(self._notes, photo.sha256, self.model_sha256)
        if note.deaths >= MOST_TRIES:
            note.drop()
            return Became(OUT_OF_MEMORY)
        why_not = self.why_not(photo)
        if why_not:
            return Became(why_not)
        with noted(note):
            return self._kept(photo, self.task(photo)(), also_spoken_of)

    def keep(self, photo: KnownPhoto, outcome: Outcome, *, also_spoken_of: bool) -> Became:
        """Keep what a task gave that was done elsewhere; raises as ``one`` does."""
        with noted(note_of(self._notes, photo.sha256, self.model_sha256)):
            return self._kept(photo, outcome, also_spoken_of)

    def why_not(self, photo: KnownPhoto) -> str:
        """Why a photo cannot be scored again, as far as that can be told before; "" where nothing speaks against it."""
        try:
            load_limits(photo.limits)
        except LimitsError as refusal:
            return str(refusal)
        return "" if self._store.photo_path(photo.sha256) else "The photo store does not have it any more."

    def task(self, photo: KnownPhoto) -> Task:
        """The work of scoring a photo again, judged by the limits that its newest score was judged by."""
        path = self._store.photo_path(photo.sha256)
        assert path is not None, "why_not has asked"
        score = self._score or self._used.scores(photo.limits, photo.zone)
        return Task(path, photo.name, photo.tag, photo.sha256, score, Wanted(masks=True))

    def finish_broken_off(self, *, forget_tries: bool = False) -> None:
        """Let the masks of photos fit their newest score again, where a death came between the two.

        Parameters
        ----------
        forget_tries : whether nobody goes on with photos that were not recorded yet.
        """
        for note in notes_in(self._notes):
            models = models_of_scores(self._engine, note.sha256)
            if note.model_sha256 not in models:
                if forget_tries or note.model_sha256 != self.model_sha256 or not note.deaths:
                    note.drop()
                continue
            if models[0] == note.model_sha256 != self._store.model_of_masks(note.sha256):
                photo = known_photo(self._engine, note.sha256)
                again = note.deaths <= MOST_TRIES and note.model_sha256 == self.model_sha256
                if photo is not None and again and not self.why_not(photo):
                    with noted(note):
                        self._put_masks(photo, self.task(photo)())
                else:
                    self._store.replace_masks(note.sha256, {}, "")
            note.drop()

    def close(self) -> None:
        """End all batches."""
        for key in list(self._batches):
            one = self._batches.pop(key)
            close_import(one.batch, scored=one.counts["scored"], known=0, refused=one.counts["failed"])

    @property
    def _notes(self) -> Path:
        return self._inbox / NOTES_FOLDER

    def _kept(self, photo: KnownPhoto, outcome: Outcome, also_spoken_of: bool) -> Became:
        batch = self._batch_of(photo)
        if outcome.refused:
            if outcome.trace:
                add_to_log(self._inbox / LOG_NAME, photo.name, outcome.trace)
            batch.counts["failed"] += 1
            return Became(str(outcome.photo["reasons"].iloc[0]))
        # asked once more: photos wait for hours, and people say something of them meanwhile
        still = photos_to_rescore(
            self._engine, self._store, self.model_sha256, also_spoken_of=also_spoken_of, only=photo.sha256
        )
        if not still.photos:
            return Became(left_out=still.left_out > 0)
        keep_score_again(batch.batch, photo.sha256, outcome.photo, outcome.fruit, outcome.marks)
        batch.counts["scored"] += 1
        self._put_masks(photo, outcome)
        return Became()

    def _put_masks(self, photo: KnownPhoto, outcome: Outcome) -> None:
        kept = score_of_photo(self._engine, photo.sha256, self.model_sha256)
        self._store.replace_masks(photo.sha256, masks_that_fit(outcome, kept), self.model_sha256)

    def _batch_of(self, photo: KnownPhoto) -> _Batch:
        key = (photo.site, photo.limits)
        if key not in self._batches:
            batch = open_import(
                self._engine,
                source=f"{SCORED_AGAIN} {self._who}",
                model_sha256=self.model_sha256,
                model_card=self._used.model.card,
                software=version("mango-tray-scorer"),
                limits=photo.limits,
                site=photo.site,
                zone_if_new=photo.zone,
            )
            self._batches[key] = _Batch(batch)
        return self._batches[key]


@dataclass(frozen=True)
class _Batch:
    batch: OpenImport
    counts: Counter[str] = field(default_factory=Counter)


@dataclass
class _Session:
    """A request that is being worked off."""

    request: Request
    rescorer: Rescorer
    photos: deque[KnownPhoto]
    progress: Progress


class RescoringInTurn:
    """Works off what pages asked for, a photo whenever it is called."""

    def __init__(
        self,
        engine: Engine,
        store: PhotoStore,
        inbox: Path,
        used_now: Callable[[], ModelInUse],
        score: ScoreOne | None = None,
    ) -> None:
        """Begin nothing yet.

        Parameters
        ----------
        engine, store, inbox, score : as for `Rescorer`.
        used_now : the model in use at the moment; where it changes, the rest is scored by the new one.
        """
        self._engine, self._store, self._inbox = engine, store, inbox
        self._used_now, self._score = used_now, score
        self._held = ExitStack()
        self._holds = False
        self._session: _Session | None = None

    def one_more(self) -> bool:
        """Score a photo again, if there is one to be; whether there may be more.

        Raises
        ------
        RecordsError, OutputError : records, store or inbox cannot be written.
        CardError, ModelError : what every photo is scored with cannot be used.
        """
        request, state = read_request(self._inbox), state_at(self._inbox)
        goes_on = request is not None and state is not None and state.goes_on
        if not goes_on and (self._holds or not notes_in(self._inbox / NOTES_FOLDER)):
            self.close()
            return False
        if not self._hold():
            return False
        used = self._used_now()
        if request is None or not goes_on:  # somebody else has left something unfinished
            self._rescorer(used, "nobody").finish_broken_off(forget_tries=True)
            return False
        session = self._session
        if session is None or (session.request.key, session.rescorer.model_sha256) != (request.key, used.model.sha256):
            session = self._begin(request, used)
        if session.photos:
            self._next(session)
        if not session.photos:
            write_progress(self._inbox, replace(session.progress, finished=True))
            self.close()
        return True

    def close(self) -> None:
        """End the batches and let others work; what is left is gone on with at the next call."""
        session, self._session = self._session, None
        try:
            if session is not None:
                session.rescorer.close()
        finally:
            self._held.close()
            self._holds = False

    def _hold(self) -> bool:
        if not self._holds:
            self._holds = self._held.enter_context(lock_held(self._inbox / LOCK, lambda: True))
            if not self._holds:
                self._held.close()
        return self._holds

    def _begin(self, request: Request, used: ModelInUse) -> _Session:
        if self._session is not None:
            self._session.rescorer.close()
        rescorer = self._rescorer(used, request.asked_by)
        rescorer.finish_broken_off()
        before = read_progress(self._inbox, request)
        same = before is not None and before.model_sha256 == rescorer.model_sha256
        failed = dict(before.failed) if before and same else {}
        found = photos_to_rescore(
            self._engine, self._store, rescorer.model_sha256, also_spoken_of=request.also_spoken_of
        )
        photos = deque(photo for photo in found.photos if photo.sha256 not in failed)
        done = before.done if before else 0
        if before and same:
            done = max(done, before.of - len(photos))  # a death may have come before the last one was counted
        progress = Progress(
            request.key, rescorer.model_sha256, done, done + len(photos), found.left_out, failed, finished=False
        )
        write_progress(self._inbox, progress)
        self._session = _Session(request, rescorer, photos, progress)
        return self._session

    def _next(self, session: _Session) -> None:
        photo = session.photos[0]
        became = session.rescorer.one(photo, also_spoken_of=session.request.also_spoken_of)
        session.photos.popleft()
        before = session.progress
        if became.left_out:
            session.progress = replace(before, of=before.of - 1, left_out=before.left_out + 1)
        else:
            failed = {photo.sha256: f"{photo.name}: {became.why_not}"} if became.why_not else {}
            session.progress = replace(before, done=before.done + 1, failed=before.failed | failed)
        if session.photos:
            write_progress(self._inbox, session.progress)

    def _rescorer(self, used: ModelInUse, who: str) -> Rescorer:
        return Rescorer(self._engine, self._store, self._inbox, used, who, self._score)


def rescore_now(
    person: Person,
    engine: Engine,
    store: PhotoStore,
    inbox: Path,
    used: ModelInUse,
    *,
    also_spoken_of: bool = False,
    jobs: int = 1,
    score: ScoreOne | None = None,
    on_found: Callable[[int], None] = lambda photos: None,
    on_done: Callable[[str, str], None] = lambda name, why_not: None,
) -> Rescored:
    """Score all photos of the store again that the model has not scored yet, here and now.

    Broken off at any instant, the next call goes on with the rest.

    Parameters
    ----------
    engine, store : the records and the photos.
    inbox : the one beside the records, for notes and the lock.
    used : the model in use.
    also_spoken_of : see `scorer.arrivals.rescoring.ask_for_rescoring`.
    jobs : photos scored at once, each by a process of its own.
    score : scores one photo; None scores with the model.
    on_found : told how many photos there are before the first is scored.
    on_done : told of each photo's name, and why it could not be scored again, or "".

    Raises
    ------
    AccessError : the person may not put models to use.
    ArrivalError : the season is being scored again by somebody else at the moment.
    RecordsError, OutputError : records, store or inbox cannot be written.
    CardError, ModelError : what every photo is scored with cannot be used.
    """
    person.must(Right.PROMOTE)
    try:
        inbox.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{inbox} cannot be made ({reason_of(error)}); check the disk.") from error
    with lock_held(inbox / LOCK, lambda: True) as held:
        if not held:
            raise ArrivalError(
                "The season is being scored again at the moment, by the pages or by another command; wait for its end."
            )
        rescorer = Rescorer(engine, store, inbox, used, person.name or "somebody", score)
        try:
            rescorer.finish_broken_off()
            found = photos_to_rescore(engine, store, rescorer.model_sha256, also_spoken_of=also_spoken_of)
            on_found(len(found.photos))
            done, left_out, failed = 0, found.left_out, []
            for photo, became in _all_of(rescorer, found.photos, also_spoken_of, jobs):
                done += not became.why_not and not became.left_out
                left_out += became.left_out
                failed += [f"{photo.name}: {became.why_not}"] if became.why_not else []
                on_done(photo.name, became.why_not)
        finally:
            rescorer.close()
    return Rescored(done, left_out, found.not_kept, tuple(failed))


def _all_of(
    rescorer: Rescorer, photos: Sequence[KnownPhoto], also_spoken_of: bool, jobs: int
) -> Iterator[tuple[KnownPhoto, Became]]:
    """What became of each photo; several processes only score, and all is kept by this one."""
    if jobs == 1:
        for photo in photos:
            yield photo, rescorer.one(photo, also_spoken_of=also_spoken_of)
        return
    able = []
    for photo in photos:
        why_not = rescorer.why_not(photo)
        if why_not:
            yield photo, Became(why_not)
        else:
            able.append(photo)
    for photo, outcome in zip(able, outcomes_of(map(rescorer.task, able), jobs=jobs), strict=True):
        yield photo, rescorer.keep(photo, outcome, also_spoken_of=also_spoken_of)
