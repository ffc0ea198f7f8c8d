"""A season scored again by the model in use: beside the old scores, not over people's words, and through any death."""

from __future__ import annotations

import hashlib
import os
import random
import shutil
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from threading import Event, Thread
from typing import Any

import numpy as np
import pytest
from PIL import Image
from sqlalchemy import Engine, select
from sqlalchemy.engine import make_url

from scorer.access.roles import Person, Role
from scorer.arrivals.completing import complete
from scorer.arrivals.deliveries import begin_delivery, inbox_beside
from scorer.arrivals.in_hand import notes_in
from scorer.arrivals.model_in_use import model_in_use
from scorer.arrivals.rescoring import (
    RescoringState,
    ask_for_rescoring,
    rescoring_ahead,
    rescoring_state,
    stop_rescoring,
)
from scorer.arrivals.rescoring_work import NOTES_FOLDER, Became, Rescored, Rescorer, rescore_now
from scorer.arrivals.scoring import ScoringPlan, score_arrivals
from scorer.arrivals.store import PhotoStore
from scorer.arrivals.to_rescore import models_of_scores, photos_to_rescore
from scorer.batch.task import ScoreOne
from scorer.batch.workers import OUT_OF_MEMORY
from scorer.errors import AccessError, ArrivalError, OutputError
from scorer.kinds import load_model
from scorer.model_shelf.history import promote, rollback
from scorer.model_shelf.shelf import Shelf, add_model, shelf_beside
from scorer.records.audit import audit_records
from scorer.records.checks import say_fruit
from scorer.records.database import open_records, records_url
from scorer.records.mark_words import say_kind, take_back
from scorer.records.scores import newest_scores_of, score_of_photo
from scorer.records.tables import Import, Photo, Score
from scorer.score_tables import TrayScore
from scorer.tag import Tag
from tests.drawn_trays import draw_tray, score_by_hand
from tests.other_models import write_other_model
from tests.test_arrivals_scoring import drawn, hand_in, score_all, until
from tests.test_cli import run

OFFICER = Person("Finch", frozenset({Role.OFFICER}))
ANALYST = Person("Jarrah", frozenset({Role.ANALYST}))
MANAGER = Person("Jabiru", frozenset({Role.MANAGER}))
SHIPPED = load_model().sha256


@dataclass(frozen=True)
class ShedSeason:
    """A season of drawn photos that the shipped model has scored, with another model in use since.

    Parameters
    ----------
    plan : what its photos are scored from, with and into.
    photos : SHA-256 of the photos, in the order they were handed in.
    """

    plan: ScoringPlan
    photos: tuple[str, ...]

    @cached_property
    def engine(self) -> Engine:
        return open_records(make_url(self.plan.records_url))

    @property
    def store(self) -> PhotoStore:
        return PhotoStore(self.plan.store_folder)

    @property
    def shelf(self) -> Shelf:
        return shelf_beside(self.plan.records_url)

    @property
    def model(self) -> str:
        """The model in use."""
        return model_in_use(self.plan.records_url).model.sha256

    def rescore(self, score: ScoreOne | None = None, **more: Any) -> Rescored:
        used = model_in_use(self.plan.records_url)
        return rescore_now(ANALYST, self.engine, self.store, self.plan.inbox, used, score=score or dull_eyes, **more)

    def state(self) -> RescoringState:
        state = rescoring_state(ANALYST, self.plan.inbox)
        assert state is not None
        return state


def dull_eyes(source: Path | bytes, name: str, tag: Tag | None) -> TrayScore:
    """What another model might say of a drawn tray: the marks of the first three fruit only."""
    seen = score_by_hand(source, name, tag)
    mask = np.where(seen.mark_mask <= 3, seen.mark_mask, 0).astype(np.uint16)
    fruit = seen.fruit.assign(marks=(seen.fruit["fruit"] <= 3).astype("int64"))
    return replace(seen, fruit=fruit, marks=seen.marks.iloc[:3].reset_index(drop=True), mark_mask=mask)


@pytest.fixture(scope="module")
def other_model(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_other_model(tmp_path_factory.mktemp("fitted") / "dull", shift=8.0)


@pytest.fixture
def season(tmp_path: Path, other_model: Path) -> ShedSeason:
    return season_in(tmp_path, other_model, photos=4)


def season_in(folder: Path, other_model: Path, photos: int) -> ShedSeason:
    url = records_url(folder / "season.sqlite")
    plan = ScoringPlan(inbox_beside(url), folder / "season.photos", str(url), zone_if_new="Australia/Darwin")
    delivery = begin_delivery(OFFICER, plan.inbox)
    paths = [drawn(folder / "phone", number) for number in range(photos)]
    for path in paths:
        hand_in(delivery, path)
    score_all(plan, delivery)
    put_to_use(plan, other_model)
    return ShedSeason(plan, tuple(hashlib.sha256(path.read_bytes()).hexdigest() for path in paths))


def put_to_use(plan: ScoringPlan, model: Path) -> str:
    shelf = shelf_beside(plan.records_url)
    kept = add_model(ANALYST, shelf, model)
    promote(ANALYST, shelf, kept.name, "a trial")
    return kept.sha256


def worked_off(season: ShedSeason, score: ScoreOne = dull_eyes, done: Callable[[], object] | None = None) -> None:
    """Let the pages' scoring work until what was asked for is done."""
    stop, failed = Event(), []

    def work() -> None:
        try:
            score_arrivals(season.plan, stop, score)
        except BaseException as error:
            failed.append(error)

    worker = Thread(target=work)
    worker.start()
    try:
        until(lambda: failed or (done() if done else season.state().finished))
    finally:
        stop.set()
        worker.join()
    if failed:
        raise failed[0]


def marks_by(season: ShedSeason, photo: str, model: str) -> int:
    return len(score_of_photo(season.engine, photo, model).marks)


def is_sound(season: ShedSeason) -> bool:
    """Whether records, masks and notes of all photos fit together."""
    assert [each for each in audit_records(season.engine) if "broken off" not in each] == []
    assert notes_in(season.plan.inbox / NOTES_FOLDER) == ()
    for photo in season.photos:
        mask, numbers = season.store.mark_mask(photo), newest_scores_of(season.engine, photo).marks["mark"]
        assert mask is not None
        assert sorted(set(np.unique(mask).tolist()) - {0}) == sorted(numbers.tolist())
    return True


def test_scores_of_two_models_stand_side_by_side_and_masks_are_those_of_the_newest(season: ShedSeason) -> None:
    told: list[str] = []
    before = [score_of_photo(season.engine, photo, SHIPPED).marks for photo in season.photos]
    gave = season.rescore(on_done=lambda name, why_not: told.append(f"{name}{why_not}"))
    assert gave == Rescored(done=4, left_out=0, not_kept=0, failed=())
    assert sorted(told) == [f"tray_{number}.jpg" for number in range(4)]
    for photo, marks in zip(season.photos, before, strict=True):
        assert score_of_photo(season.engine, photo, SHIPPED).marks.equals(marks)
        assert models_of_scores(season.engine, photo) == [season.model, SHIPPED]
        assert marks_by(season, photo, season.model) == 3
        assert season.store.model_of_masks(photo) == season.model
    assert is_sound(season)
    assert season.rescore() == Rescored(done=0, left_out=0, not_kept=0, failed=()), "nothing is left to do"


def test_a_photo_keeps_its_bytes_by_which_it_is_known_and_all_that_is_known_of_it(
    tmp_path: Path, other_model: Path
) -> None:
    """The store keeps it without the place where it was taken, so with other bytes; crew and time were said by hand."""
    url = records_url(tmp_path / "season.sqlite")
    plan = ScoringPlan(inbox_beside(url), tmp_path / "season.photos", str(url), zone_if_new="Australia/Darwin")
    photo = tmp_path / "tray.jpg"
    notes = Image.Exif()
    notes.get_ifd(0x8825)[1] = "S"  # GPSLatitudeRef, CIPA DC-008 (Exif 2.32), 4.6.6
    Image.fromarray(draw_tray()[0][..., ::-1]).save(photo, exif=notes)
    delivery = begin_delivery(OFFICER, plan.inbox)
    hand_in(delivery, photo)
    score_all(plan, delivery, score=lambda source, name, tag: score_by_hand(source, name, tag or Tag()))
    engine = open_records(url)
    assert complete(OFFICER, engine, delivery, Tag(crew="Brolga", bin="B-9", side="a")) == 1
    sha256 = hashlib.sha256(photo.read_bytes()).hexdigest()
    kept = PhotoStore(plan.store_folder).photo_path(sha256)
    assert kept is not None
    assert hashlib.sha256(kept.read_bytes()).hexdigest() != sha256

    def row() -> Any:
        with engine.connect() as connection:
            (found,) = connection.execute(select(Photo.__table__)).all()
        return tuple(found)

    known, model = row(), put_to_use(plan, other_model)
    tags: list[Tag | None] = []

    def listening(source: Path | bytes, name: str, tag: Tag | None) -> TrayScore:
        tags.append(tag)
        return dull_eyes(source, name, None)

    season = ShedSeason(plan, (sha256,))
    assert season.rescore(listening).done == 1
    assert row() == known
    assert [(tag.crew, tag.bin, tag.side) for tag in tags if tag] == [("Brolga", "B-9", "a")]
    assert models_of_scores(engine, sha256) == [model, SHIPPED]


def test_photos_that_people_spoke_of_are_left_out_unless_asked_for(season: ShedSeason) -> None:
    on_a_mark, on_a_fruit, taken_back, _ = season.photos
    say_kind(OFFICER, season.engine, (on_a_mark, 2, 2), "sap_burn")
    say_fruit(OFFICER, season.engine, on_a_fruit, 1, downgraded=True)
    take_back(OFFICER, season.engine, say_kind(OFFICER, season.engine, (taken_back, 3, 3), "sap_burn"))
    ahead = rescoring_ahead(ANALYST, season.engine, season.store, season.shelf)
    assert (ahead.photos, ahead.spoken_of, ahead.not_kept) == (2, 2, 0)
    gave = season.rescore()
    assert (gave.done, gave.left_out) == (2, 2)
    assert [models_of_scores(season.engine, photo)[0] for photo in season.photos] == [
        SHIPPED,
        SHIPPED,
        season.model,
        season.model,
    ]
    assert season.rescore(also_spoken_of=True) == Rescored(2, 0, 0, ())
    assert all(models_of_scores(season.engine, photo)[0] == season.model for photo in season.photos)
    assert is_sound(season)


def test_a_word_said_while_the_photo_waits_is_not_scored_over(season: ShedSeason) -> None:
    def interrupted(source: Path | bytes, name: str, tag: Tag | None) -> TrayScore:
        if name == "tray_1.jpg":
            say_kind(OFFICER, season.engine, (season.photos[1], 1, 1), "sap_burn")
        return dull_eyes(source, name, tag)

    gave = season.rescore(interrupted)
    assert (gave.done, gave.left_out) == (3, 1)
    assert models_of_scores(season.engine, season.photos[1]) == [SHIPPED]
    assert is_sound(season)


def test_a_photo_that_cannot_be_scored_again_keeps_its_score(season: ShedSeason) -> None:
    damaged, gone = season.photos[:2]
    for photo in (damaged, gone):
        path = season.store.photo_path(photo)
        assert path is not None
        path.write_bytes(path.read_bytes()[:2000]) if photo == damaged else path.unlink()
    gave = season.rescore()
    assert (gave.done, gave.not_kept) == (2, 1)
    (sentence,) = gave.failed
    assert sentence.startswith("tray_0.jpg: ")
    assert "is cut short" in sentence
    assert newest_scores_of(season.engine, damaged).photo["verdict"].tolist() == ["good"]
    assert models_of_scores(season.engine, gone) == [SHIPPED]


def test_each_photo_is_judged_by_the_limits_that_it_was_judged_by(tmp_path: Path, other_model: Path) -> None:
    season = season_in(tmp_path, other_model, photos=1)
    other_limits = replace(season.plan, limits="ffv_45")
    delivery = begin_delivery(OFFICER, season.plan.inbox)
    hand_in(delivery, drawn(tmp_path / "phone", 7))
    score_all(other_limits, delivery)
    rollback(ANALYST, season.shelf, "too dull")
    delivery = begin_delivery(OFFICER, season.plan.inbox)
    hand_in(delivery, drawn(tmp_path / "phone", 8))
    score_all(other_limits, delivery)
    season.rescore()
    with season.engine.connect() as connection:
        pairs = connection.execute(select(Photo.name, Score.limits).join(Score).order_by(Photo.name, Score.id)).all()
    assert [tuple(pair) for pair in pairs] == [
        ("tray_0.jpg", "shed"),
        ("tray_7.jpg", "ffv_45"),
        ("tray_7.jpg", "ffv_45"),
        ("tray_8.jpg", "ffv_45"),
    ]


def killed_in(season: ShedSeason, work: Callable[[], object], after_s: float | None = None) -> int:
    """Do work in a process of its own and kill that with SIGKILL, or let it kill itself; the signal that ended it."""
    season.engine.dispose()
    child = os.fork()
    if child == 0:
        try:
            season.engine.dispose(close=False)
            work()
        finally:
            os._exit(0)
    if after_s is not None:
        time.sleep(after_s)
        os.kill(child, signal.SIGKILL)
    return os.WTERMSIG(os.waitpid(child, 0)[1])


def test_kills_at_random_instants_lose_and_double_nothing(tmp_path: Path, other_model: Path) -> None:
    rng, began = random.Random(11), time.monotonic()
    undisturbed = season_in(tmp_path / "undisturbed", other_model, photos=6)
    began = time.monotonic()
    undisturbed.rescore()
    whole_s = time.monotonic() - began
    kills = 0
    for number in range(4):
        season = season_in(tmp_path / f"season_{number}", other_model, photos=6)
        for _ in range(4):
            kills += killed_in(season, season.rescore, rng.uniform(0, whole_s)) == signal.SIGKILL
        gave = season.rescore()
        passed_over = [each for each in gave.failed if OUT_OF_MEMORY in each]
        assert len(passed_over) == len(gave.failed)
        season.rescore()  # what two kills made look like a photo too large for the memory
        assert [models_of_scores(season.engine, photo) for photo in season.photos] == [[season.model, SHIPPED]] * 6
        assert [marks_by(season, photo, season.model) for photo in season.photos] == [3] * 6
        assert is_sound(season)
        assert audit_records(season.engine) == [], "nor does a batch stay open"
    assert kills, "at least some must have come before the end"


class DeadlyStore(PhotoStore):
    """Kills its process just before masks are replaced, when the score is recorded already."""

    def replace_masks(self, *_: object) -> None:
        os.kill(os.getpid(), signal.SIGKILL)


def test_a_death_between_score_and_masks_is_made_good_by_whoever_comes_next(season: ShedSeason) -> None:
    used = model_in_use(season.plan.records_url)
    deadly = DeadlyStore(season.plan.store_folder)

    def work() -> object:
        return rescore_now(ANALYST, season.engine, deadly, season.plan.inbox, used, score=dull_eyes)

    for _ in range(2):  # by the command, then by the pages
        assert killed_in(season, work) == signal.SIGKILL
        (note,) = notes_in(season.plan.inbox / NOTES_FOLDER)
        assert models_of_scores(season.engine, note.sha256)[0] == season.model
        assert season.store.model_of_masks(note.sha256) == SHIPPED
        worked_off(season, done=lambda: not notes_in(season.plan.inbox / NOTES_FOLDER))
        assert season.store.model_of_masks(note.sha256) == season.model
        assert is_sound(season)
    assert season.rescore() == Rescored(2, 0, 0, ())
    assert is_sound(season)


def test_masks_of_a_dead_process_whose_model_is_no_longer_in_use_are_removed(season: ShedSeason) -> None:
    used = model_in_use(season.plan.records_url)
    deadly = DeadlyStore(season.plan.store_folder)
    killed_in(season, lambda: rescore_now(ANALYST, season.engine, deadly, season.plan.inbox, used, score=dull_eyes))
    (note,) = notes_in(season.plan.inbox / NOTES_FOLDER)
    rollback(ANALYST, season.shelf, "too dull")
    assert season.rescore().done == 0
    assert season.store.mark_mask(note.sha256) is None, "no mask is better than one that another score numbers"
    assert notes_in(season.plan.inbox / NOTES_FOLDER) == ()


def test_a_photo_that_kills_the_process_is_passed_over_the_third_time(season: ShedSeason) -> None:
    def deadly(source: Path | bytes, name: str, tag: Tag | None) -> TrayScore:
        if name == "tray_2.jpg":
            os.kill(os.getpid(), signal.SIGKILL)
        return dull_eyes(source, name, tag)

    ask_for_rescoring(ANALYST, season.plan.inbox)
    for _ in range(2):
        assert killed_in(season, lambda: score_arrivals(season.plan, Event(), deadly)) == signal.SIGKILL
    assert not season.state().finished
    worked_off(season, deadly)
    state = season.state()
    assert (state.done, state.of, state.finished) == (4, 4, True)
    assert dict(state.failed) == {season.photos[2]: f"tray_2.jpg: {OUT_OF_MEMORY}"}
    assert models_of_scores(season.engine, season.photos[2]) == [SHIPPED]
    assert is_sound(season)


def test_a_full_disk_is_no_death(season: ShedSeason) -> None:
    def full(source: Path | bytes, name: str, tag: Tag | None) -> TrayScore:
        raise OutputError("The disk is full; make room.")

    for _ in range(5):
        with pytest.raises(OutputError, match="disk is full"):
            season.rescore(full)
    assert season.rescore() == Rescored(4, 0, 0, ())
    assert is_sound(season)


def test_pages_ask_and_see_how_far_it_is(season: ShedSeason) -> None:
    assert rescoring_state(ANALYST, season.plan.inbox) is None
    say_fruit(OFFICER, season.engine, season.photos[0], 1, downgraded=True)
    ask_for_rescoring(ANALYST, season.plan.inbox)
    asked = season.state()
    assert (asked.asked_by, asked.done, asked.of, asked.left_out, asked.finished) == ("Jarrah", 0, None, None, False)
    worked_off(season)
    state = season.state()
    assert (state.done, state.of, state.left_out, state.finished) == (3, 3, 1, True)
    assert (state.asked_at, state.model_sha256, dict(state.failed)) == (asked.asked_at, season.model, {})
    assert is_sound(season)
    ask_for_rescoring(ANALYST, season.plan.inbox, also_spoken_of=True)
    worked_off(season)
    assert (season.state().done, season.state().of, season.state().left_out) == (1, 1, 0)
    with season.engine.connect() as connection:
        batches = connection.execute(select(Import.source, Import.scored).order_by(Import.id)).all()
    assert [tuple(batch) for batch in batches][1:] == [("Photos scored again for Jarrah", n) for n in (3, 1)]


def test_photos_that_arrive_go_before_photos_that_are_scored_again(season: ShedSeason, tmp_path: Path) -> None:
    order: list[str] = []

    def slow(source: Path | bytes, name: str, tag: Tag | None) -> TrayScore:
        if not order:  # handed in while the first photo is being scored again
            hand_in(begin_delivery(OFFICER, season.plan.inbox), drawn(tmp_path / "phone", 9))
        order.append(name)
        return dull_eyes(source, name, tag)

    ask_for_rescoring(ANALYST, season.plan.inbox)
    worked_off(season, slow)
    assert order[1] == "tray_9.jpg"
    assert len(order) == 5
    assert season.state().done == 4


def test_it_stops_when_asked_and_goes_on_when_asked_again(season: ShedSeason) -> None:
    def stopped_in_the_second(source: Path | bytes, name: str, tag: Tag | None) -> TrayScore:
        if season.state().done == 1:
            stop_rescoring(ANALYST, season.plan.inbox)
        return dull_eyes(source, name, tag)

    ask_for_rescoring(ANALYST, season.plan.inbox)
    worked_off(season, stopped_in_the_second, done=lambda: season.state().done == 2)
    worked_off(season, done=lambda: True)
    state = season.state()
    assert (state.done, state.of, state.finished, state.stopped_by) == (2, 4, False, "Jarrah")
    with pytest.raises(ArrivalError, match="nothing to stop"):
        stop_rescoring(ANALYST, season.plan.inbox)
    ask_for_rescoring(ANALYST, season.plan.inbox)
    worked_off(season)
    assert (season.state().done, season.state().of) == (2, 2)
    assert is_sound(season)


def test_a_model_put_to_use_meanwhile_scores_the_rest(season: ShedSeason, tmp_path: Path) -> None:
    first = season.model
    second = write_other_model(tmp_path / "duller", shift=9.0)

    def promoting(source: Path | bytes, name: str, tag: Tag | None) -> TrayScore:
        if season.state().done == 1 and season.model == first:
            put_to_use(season.plan, second)
        return dull_eyes(source, name, tag)

    ask_for_rescoring(ANALYST, season.plan.inbox)
    worked_off(season, promoting)
    assert season.model != first
    assert all(models_of_scores(season.engine, photo)[0] == season.model for photo in season.photos)
    state = season.state()
    assert (state.done, state.of, state.model_sha256) == (6, 6, season.model), "two of them twice"
    assert is_sound(season)


def test_only_who_may_put_models_to_use_has_a_season_scored_again(season: ShedSeason) -> None:
    used = model_in_use(season.plan.records_url)
    for call in (
        lambda: ask_for_rescoring(MANAGER, season.plan.inbox),
        lambda: stop_rescoring(OFFICER, season.plan.inbox),
        lambda: rescoring_state(OFFICER, season.plan.inbox),
        lambda: rescoring_ahead(OFFICER, season.engine, season.store, season.shelf),
        lambda: rescore_now(MANAGER, season.engine, season.store, season.plan.inbox, used),
    ):
        with pytest.raises(AccessError):
            call()
    with pytest.raises(ArrivalError, match="Nobody is named"):
        ask_for_rescoring(Person(" ", ANALYST.roles), season.plan.inbox)
    ask_for_rescoring(ANALYST, season.plan.inbox)
    with pytest.raises(ArrivalError, match="already, as Jarrah asked"):
        ask_for_rescoring(ANALYST, season.plan.inbox)
    assert photos_to_rescore(season.engine, season.store, season.model).left_out == 0


def test_two_do_not_work_at_it_at_once(season: ShedSeason) -> None:
    def meanwhile(source: Path | bytes, name: str, tag: Tag | None) -> TrayScore:
        with pytest.raises(ArrivalError, match="by the pages or by another command"):
            season.rescore()
        return dull_eyes(source, name, tag)

    assert season.rescore(meanwhile) == Rescored(4, 0, 0, ())


def test_several_processes_give_the_same(season: ShedSeason) -> None:
    assert season.rescore(jobs=2) == Rescored(4, 0, 0, ())
    assert [marks_by(season, photo, season.model) for photo in season.photos] == [3] * 4
    assert is_sound(season)


def test_a_photo_that_is_gone_from_the_store_meanwhile_is_told_of(season: ShedSeason) -> None:
    rescorer = Rescorer(season.engine, season.store, season.plan.inbox, model_in_use(season.plan.records_url), "Jarrah")
    photo = photos_to_rescore(season.engine, season.store, season.model).photos[0]
    shutil.rmtree(season.plan.store_folder)
    became = rescorer.one(photo, also_spoken_of=False)
    assert became == Became("The photo store does not have it any more.")


def test_the_command_scores_a_season_again_for_real(tmp_path: Path, other_model: Path) -> None:
    season = season_in(tmp_path, other_model, photos=2)
    say_fruit(OFFICER, season.engine, season.photos[0], 1, downgraded=True)
    records = tmp_path / "season.sqlite"
    again = run("models", "rescore", "--records", records, "--who", "Jarrah")
    assert again.exit_code == 0, again.output
    assert f"1 photos were scored again by the model {season.model[:12]}." in again.output
    assert "1 were left out" in again.output
    assert "scoring again 1/1 tray_1.jpg" in again.output
    again = run("models", "rescore", "--records", records, "--also-spoken-of", "--jobs", "2")
    assert again.exit_code == 0, again.output
    assert [models_of_scores(season.engine, photo)[0] for photo in season.photos] == [season.model] * 2
    assert run("models", "rescore", "--records", tmp_path / "none.sqlite").exit_code == 1
