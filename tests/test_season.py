"""A season kept in memory: always what the records say, and read anew only where they have changed."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import Engine, func, select

from scorer.access.roles import Person, Role
from scorer.errors import RecordsError
from scorer.fruit_rows import FRUIT_ROW_DTYPES, countable
from scorer.records import inventory, season
from scorer.records.checks import say_fruit
from scorer.records.database import open_records, records_url
from scorer.records.fruit import season_fruit
from scorer.records.keep import keep_score, refresh_photo
from scorer.records.mark_words import say_kind, say_missed, take_back, words_of
from scorer.records.season import Season
from scorer.records.tables import Base, Bin, Crew, Decision, Fruit, Mark, Photo, Score
from scorer.tag import Tag
from tests.drawn_records import MODEL, OTHER_MODEL, batch_into, fresh_records
from tests.large_season import CREWS, DAYS, fill_large_season
from tests.test_mark_words import SQUARE, scaled_score

OFFICER = Person("Finch", frozenset({Role.OFFICER}))
PHOTOS = 4


def keep(records: Engine, number: int, model: str = MODEL, limits: str = "shed") -> str:
    """Score a photo of four; those with odd numbers were taken at an unknown time."""
    score = scaled_score(f"tray_{number}.jpg")
    taken_at = pd.Timestamp(datetime(2026, 1, 14, 8) + timedelta(hours=number % 3)) if number % 2 == 0 else pd.NaT
    keep_score(
        batch_into(records, model, limits=limits), score.photo.assign(taken_at=taken_at), score.fruit, score.marks
    )
    return str(score.photo["sha256"].iloc[0])


def assert_as_read_afresh(kept: Season) -> None:
    for as_said in (True, False):
        afresh = season_fruit(kept.engine, as_said=as_said)
        pd.testing.assert_frame_equal(kept.rows(as_said=as_said), afresh)


def complete(records: Engine, sha256: str, number: int) -> None:
    tag = Tag(bin=f"T-{number}", crew="Brolga", taken_at=datetime(2026, 1, 15, number), cultivar="Amber", side="b")
    refresh_photo(batch_into(records), sha256, f"moved/{number}.jpg", tag)


def say_anything(records: Engine, sha256: str, what: int) -> None:
    """Some word on the photo, or one of its words taken back."""
    words = words_of(OFFICER, records, sha256)
    free = words[words["counts"] & (words["field"] != "verdict")]
    if what % 4 == 0 and len(free):
        take_back(OFFICER, records, int(free["decision_id"].iloc[-1]))
    elif what % 4 == 1:
        say_missed(OFFICER, records, sha256, 2, ("cut", "sap_burn")[what % 2], SQUARE)
    elif what % 4 == 2:
        say_fruit(OFFICER, records, sha256, 1 + what % 2, what % 3 == 0, 0.5)
    else:
        say_kind(OFFICER, records, (sha256, 1, 1 + what % 2), ("not a mark", "crease", "cut")[what % 3])


STEPS = st.lists(
    st.tuples(st.sampled_from(["score", "rescore", "word", "complete", "prune", "look"]), st.integers(0, 47)),
    max_size=20,
)


@settings(max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(STEPS)
def test_whatever_happens_the_rows_are_those_read_afresh(
    tmp_path_factory: pytest.TempPathFactory, steps: list[tuple[str, int]]
) -> None:
    records = fresh_records("sqlite", tmp_path_factory.mktemp("season"), str)
    kept = Season(records)
    scored: dict[int, str] = {}
    for what, which in steps:
        number = which % PHOTOS
        if what == "look":
            kept.rows()
        elif what == "prune":
            inventory.prune(records, model_sha256=(None, MODEL, OTHER_MODEL)[which % 3], remove=True)
            with records.connect() as connection:
                there = set(connection.scalars(select(Photo.sha256)))
            scored = {of: sha256 for of, sha256 in scored.items() if sha256 in there}
        elif what == "score" or number not in scored:
            scored[number] = keep(records, number)
        elif what == "rescore":
            keep(records, number, model=OTHER_MODEL)
        elif what == "complete":
            complete(records, scored[number], which % 24)
        else:
            say_anything(records, scored[number], which)
        if what != "look":
            assert_as_read_afresh(kept)
    assert_as_read_afresh(kept)
    records.dispose()


CHANGES: dict[str, Callable[[Engine, str], Any]] = {
    "a new photo": lambda records, _: keep(records, 1),
    "a new score of a photo": lambda records, _: keep(records, 0, model=OTHER_MODEL),
    "a word on a mark": lambda records, sha256: say_kind(OFFICER, records, (sha256, 1, 1), "crease"),
    "a missed mark": lambda records, sha256: say_missed(OFFICER, records, sha256, 2, "cut", SQUARE),
    "a word on a fruit": lambda records, sha256: say_fruit(OFFICER, records, sha256, 2, True, 0.1),
    "a completed tag": lambda records, sha256: complete(records, sha256, 3),
    "another name": lambda records, sha256: refresh_photo(batch_into(records), sha256, "moved.jpg", None),
    "a side told": lambda records, sha256: refresh_photo(batch_into(records), sha256, "tray_0.jpg", Tag(side="b")),
    "a time told": lambda records, sha256: refresh_photo(
        batch_into(records), sha256, "tray_0.jpg", Tag(taken_at=datetime(2026, 1, 12, 9))
    ),
}


@pytest.mark.parametrize("what", CHANGES)
def test_every_change_gives_another_stamp_and_other_rows_and_no_change_keeps_both(records: Engine, what: str) -> None:
    sha256 = keep(records, 0)
    kept = Season(records)
    stamp, rows = kept.stamp, kept.rows()
    assert kept.stamp == stamp
    CHANGES[what](records, sha256)
    assert kept.stamp != stamp
    assert what == "a new score of a photo" or not kept.rows().equals(rows)
    assert_as_read_afresh(kept)


def test_a_word_that_is_taken_back_is_forgotten_here_too(records: Engine) -> None:
    sha256 = keep(records, 0)
    word = say_kind(OFFICER, records, (sha256, 1, 1), "not a mark")
    kept = Season(records)
    assert not kept.rows()["downgraded"].iloc[0]
    take_back(OFFICER, records, word)
    assert kept.rows()["downgraded"].iloc[0]
    assert_as_read_afresh(kept)


def test_fruit_keep_to_their_own_photo_whatever_order_photos_come_in(records: Engine) -> None:
    for number in (3, 2, 1, 0):
        sha256 = keep(records, number)
        complete(records, sha256, 10 + number)
        say_fruit(OFFICER, records, sha256, 2, True, (1 + number) / 10)
    rows = season_fruit(records)
    assert rows["check_chance"].dropna().tolist() == [0.1, 0.2, 0.3, 0.4]
    assert rows["photo"].tolist() == [f"moved/{number}.jpg" for number in (10, 10, 11, 11, 12, 12, 13, 13)]
    assert rows["bin"].tolist() == [f"T-{number}" for number in (10, 10, 11, 11, 12, 12, 13, 13)]
    assert rows["fruit"].tolist() == [1, 2] * 4


def test_two_seasons_never_share_a_stamp(records: Engine) -> None:
    assert Season(records).stamp != Season(records).stamp


def test_a_limit_table_that_was_changed_is_heard(records: Engine, tmp_path: Path) -> None:
    import scorer

    own = tmp_path / "own.toml"
    shed = (Path(scorer.__path__[0]).parent / "shared" / "limits" / "shed.toml").read_text()
    own.write_text(shed)
    sha256 = keep(records, 0, limits=str(own))
    say_kind(OFFICER, records, (sha256, 1, 1), "crease")
    kept = Season(records)
    stamp = kept.stamp
    assert not kept.rows()["downgraded"].iloc[0], "110 mm2 are within the 2 cm2 of the table"
    own.write_text(shed.replace("area_cm2 = 2\n", "area_cm2 = 1\n"))
    assert kept.rows()["downgraded"].iloc[0]
    assert kept.stamp != stamp
    assert_as_read_afresh(kept)


def test_rows_may_be_changed_by_whoever_gets_them(records: Engine) -> None:
    keep(records, 0)
    kept = Season(records)
    rows = kept.rows()
    rows["crew"] = "Quandong"
    rows.loc[:, "downgraded"] = False
    assert_as_read_afresh(kept)


def test_empty_records_are_a_season_of_no_fruit(records: Engine) -> None:
    assert Season(records).rows().dtypes.astype(str).to_dict() == FRUIT_ROW_DTYPES


def test_many_changes_at_once_are_read_as_a_whole(records: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    kept = Season(records)
    keep(records, 0)
    kept.rows()
    monkeypatch.setattr(season, "MOST_EXCHANGED", 1)
    for number in (1, 2, 3):
        keep(records, number)
    assert_as_read_afresh(kept)


def test_threads_that_come_at_once_while_somebody_writes_find_whole_trays(records: Engine) -> None:
    kept, found, troubles = Season(records), [], []
    done = threading.Event()

    def look() -> None:
        try:
            while not done.is_set():
                found.append(kept.rows())
        except Exception as trouble:  # told below, in the test's own thread
            troubles.append(trouble)

    threads = [threading.Thread(target=look) for _ in range(3)]
    for thread in threads:
        thread.start()
    for number in range(PHOTOS):
        complete(records, keep(records, number), number)
    done.set()
    for thread in threads:
        thread.join()
    assert troubles == []
    for rows in found:
        assert (rows.groupby("photo").size() == 2).all(), "a tray has two fruit here"
    assert_as_read_afresh(kept)


def test_records_that_cannot_be_read_are_one_sentence_and_heard_again_afterwards(tmp_path: Path) -> None:
    path = tmp_path / "season.sqlite"
    records = open_records(records_url(path))
    keep(records, 0)
    kept = Season(records)
    kept.rows()
    records.dispose()
    aside = path.rename(tmp_path / "aside.sqlite")
    path.mkdir()
    with pytest.raises(RecordsError):
        kept.rows()
    path.rmdir()
    aside.rename(path)
    keep(records, 1)
    assert_as_read_afresh(kept)
    records.dispose()


def rows_in(records: Engine, table: type[Base]) -> int:
    with records.connect() as connection:
        return connection.execute(select(func.count()).select_from(table)).scalar_one()


def test_a_drawn_season_is_what_it_is_said_to_be(records: Engine) -> None:
    fill_large_season(records, fruit=6000, seed=4)
    assert [rows_in(records, table) for table in (Fruit, Photo, Score, Bin, Crew)] == [6000, 600, 600, 300, 12]
    rows = season_fruit(records)
    assert set(rows["crew"]) == set(CREWS)
    assert rows["picked_at"].dt.date.nunique() in (DAYS, DAYS + 1), "an evening in UTC is the next day's morning"
    assert 0.08 < rows["downgraded"].mean() < 0.12
    assert rows_in(records, Mark) > 0
    assert len(countable(rows).fruit) == 6000
    of_bin = rows.groupby("bin")["downgraded"].mean()
    assert of_bin.var() > 1.3 * rows["downgraded"].var() / 20, "bins differ by more than luck (binomial variance)"
    assert rows_in(records, Decision) == 0
    assert_as_read_afresh(Season(records))
