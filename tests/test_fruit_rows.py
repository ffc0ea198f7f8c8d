"""Which fruit of a season count, and how often: from the plain tables and from the records alike."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pandas as pd
import pytest
from sqlalchemy import Engine

from scorer.errors import RecordsError
from scorer.fruit_rows import (
    FRUIT_ROW_DTYPES,
    NO_CREW,
    NOT_TOLD,
    OTHER_SIDE,
    RETAKE,
    SEEN_LATER,
    TOO_SOON,
    countable,
    fruit_rows,
    rows_of_tables,
)
from scorer.records.checks import keep_checks
from scorer.records.fruit import season_fruit
from scorer.records.keep import keep_score
from scorer.score_tables import TrayScore
from tests.drawn_records import batch_into, joined, tray_score

TABLES = ("photo", "fruit", "marks")
PICKED = datetime(2026, 1, 12, 6, 30)


def tray(photo: str, fruit: int = 3, **about: Any) -> list[dict[str, Any]]:
    """Rows of a tray's fruit: settled, well photographed, the first one downgraded."""
    row = {
        "photo": photo,
        "crew": "Curlew",
        "bin": "T7",
        "side": "a",
        "picked_at": PICKED,
        "taken_at": PICKED + timedelta(days=2, hours=5),
        "hold": "settled",
        "photo_verdict": "good",
        "verdict": "within limits",
        "brown_fraction": 0.01,
    }
    return [row | {"fruit": n, "downgraded": n == 1} | about for n in range(1, fruit + 1)]


def rows(*trays: list[dict[str, Any]]) -> pd.DataFrame:
    return fruit_rows(pd.DataFrame([row for tray in trays for row in tray]))


def test_a_settled_tray_counts_whole() -> None:
    counted = countable(rows(tray("one.jpg")))
    assert counted.left_out == {}
    fruit = counted.fruit
    assert fruit["defective"].tolist() == [True, False, False]
    assert set(fruit["lot"]) == {"T7 2026-01-12 06:30"}
    assert set(fruit["day"]) == {"2026-01-12"}
    assert set(fruit["hour"]) == {6}
    assert counted.sentence == "3 fruit count."


@pytest.mark.parametrize(
    ("about", "reason"),
    [
        ({"crew": None}, NO_CREW),
        ({"photo_verdict": "retake"}, RETAKE),
        ({"hold": "early"}, TOO_SOON),
        ({"hold": "unknown"}, TOO_SOON),
        ({"verdict": "not judged"}, NOT_TOLD),
    ],
)
def test_what_cannot_be_held_against_a_crew_is_left_out_and_told(about: dict[str, Any], reason: str) -> None:
    counted = countable(rows(tray("one.jpg"), tray("two.jpg", bin="T8", **about)))
    assert counted.left_out == {reason: 3}
    assert set(counted.fruit["photo"]) == {"one.jpg"}
    assert counted.sentence == f"3 fruit count. Left out: 3 {reason}."


def test_early_photos_count_when_asked_for() -> None:
    assert len(countable(rows(tray("one.jpg", hold="early")), any_hold=True).fruit) == 3


def test_a_tray_photographed_again_counts_by_its_latest_photo() -> None:
    again = tray("later.jpg", fruit=2, taken_at=PICKED + timedelta(days=3))
    counted = countable(rows(again, tray("first.jpg")))
    assert set(counted.fruit["photo"]) == {"later.jpg"}
    assert counted.left_out == {SEEN_LATER: 3}


def test_a_tray_that_was_turned_over_counts_by_its_first_side() -> None:
    counted = countable(rows(tray("b.jpg", side="b"), tray("a.jpg", side="a")))
    assert set(counted.fruit["photo"]) == {"a.jpg"}
    assert counted.left_out == {OTHER_SIDE: 3}


def test_trays_of_one_bin_that_are_numbered_count_all_and_share_their_lot() -> None:
    counted = countable(rows(tray("1.jpg", tray="1"), tray("2.jpg", tray="2")))
    assert len(counted.fruit) == 6
    assert counted.fruit["lot"].nunique() == 1


def test_the_same_bin_filled_again_is_another_lot() -> None:
    counted = countable(rows(tray("mon.jpg"), tray("tue.jpg", picked_at=PICKED + timedelta(days=1))))
    assert counted.fruit["lot"].nunique() == 2


def test_bins_without_a_name_are_told_apart_by_their_photos() -> None:
    counted = countable(rows(tray("1.jpg", bin=None), tray("2.jpg", bin=None)))
    assert len(counted.fruit) == 6
    assert counted.fruit["lot"].nunique() == 2


def test_no_rows_at_all_count_as_none() -> None:
    counted = countable(fruit_rows(pd.DataFrame()))
    assert counted.fruit.empty
    assert {"lot", "day", "hour", "defective"} <= set(counted.fruit.columns)


def keep(records: Engine, *scores: TrayScore) -> None:
    batch = batch_into(records)
    for score in scores:
        keep_score(batch, score.photo, score.fruit, score.marks)


def test_records_and_tables_give_the_same_rows(records: Engine) -> None:
    scores = [tray_score(f"{name}.jpg", bin=name) for name in ("T-1", "T-2")]
    keep(records, *scores)
    of_tables = rows_of_tables(*(joined([getattr(score, name) for score in scores]) for name in TABLES))
    of_records = season_fruit(records)
    assert len(of_records) > 0
    pd.testing.assert_frame_equal(
        of_records, of_tables.sort_values(["taken_at", "photo", "fruit"], kind="stable").reset_index(drop=True)
    )


def test_empty_records_give_no_rows_but_all_columns(records: Engine) -> None:
    assert season_fruit(records).dtypes.astype(str).to_dict() == FRUIT_ROW_DTYPES


def test_the_newest_word_by_eye_stands_beside_the_score(records: Engine) -> None:
    score = tray_score("one.jpg")
    keep(records, score)
    first = score.fruit.iloc[0]
    said = bool(first["downgraded"])
    for word in (said, not said):
        check = {"photo": "one.jpg", "fruit": first["fruit"], "downgraded": word, "chance": 0.25}
        assert keep_checks(records, pd.DataFrame([check]), who="officer 3") == 1
    row = season_fruit(records).iloc[0]
    assert row["downgraded"] == said, "the score stays"
    assert row["checked_downgraded"] == (not said)
    assert row["check_chance"] == 0.25
    others = season_fruit(records).iloc[1:]
    assert others["checked_downgraded"].isna().all()


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"photo": "other.jpg"}, "other.jpg, fruit 1 is not in the records"),
        ({"fruit": 99}, "fruit 99 is not in the records"),
        ({"chance": 1.5}, "must lie above 0 and up to 1"),
    ],
)
def test_checks_that_do_not_fit_are_refused_as_a_whole(records: Engine, wrong: dict[str, Any], said: str) -> None:
    keep(records, tray_score("one.jpg"))
    right = {"photo": "one.jpg", "fruit": 1, "downgraded": True, "chance": None}
    with pytest.raises(RecordsError, match=said):
        keep_checks(records, pd.DataFrame([right, right | wrong]), who="officer 3")
    assert season_fruit(records)["checked_downgraded"].isna().all()


def test_somebody_must_have_looked(records: Engine) -> None:
    with pytest.raises(RecordsError, match="Nobody is named"):
        keep_checks(records, pd.DataFrame(), who=" ")
