"""What to look at again: doubtful marks come by doubt, fruit by lot, and only the second count as checks."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Engine, select, update

from scorer.access.roles import Person, Role
from scorer.crews.next_checks import draw_checks
from scorer.crews.prediction_powered import shares_from_both
from scorer.errors import AccessError, RecordsError, ScorerError
from scorer.fruit_rows import countable
from scorer.kinds import load_model, name_marks
from scorer.marks.measure import MEASURES
from scorer.records.checks import keep_checks, say_fruit
from scorer.records.keep import keep_score
from scorer.records.mark_words import say_kind, say_missed, take_back
from scorer.records.season import Season
from scorer.records.tables import Photo
from scorer.score_tables import KINDS, UNSURE
from scorer.second_look import LOOK_COLUMNS, fruit_to_check, marks_to_look_at, worth_looking
from tests.drawn_records import OTHER_MODEL, batch_into, tray_score
from tests.large_season import CREWS, fill_large_season
from tests.test_mark_words import SQUARE, scaled_score

OFFICER = Person("Finch", frozenset({Role.OFFICER}))
MANAGER = Person("Jabiru", frozenset({Role.MANAGER}))


def keep(records: Engine, name: str, crew: str, probabilities: list[float], **more: Any) -> str:
    """A tray of six fruit with one mark each, as sure as told; marks left over are sure."""
    score = tray_score(name, crew=crew)
    sure = [*probabilities, *[0.99] * (6 - len(probabilities))]
    marks = score.marks.assign(probability=sure, kind="crease").assign(**more.pop("marks", {}))
    photo = score.photo.assign(**more.pop("photo", {}))
    keep_score(batch_into(records, **more), photo, score.fruit, marks)
    return str(photo["sha256"].iloc[0])


def test_the_least_certain_come_first_and_the_crews_take_turns(records: Engine) -> None:
    keep(records, "one.jpg", "Curlew", [0.31, 0.32, 0.33])
    keep(records, "two.jpg", "Brolga", [0.50, 0.60])
    looked = marks_to_look_at(OFFICER, records, number=5)
    assert list(looked.columns) == list(LOOK_COLUMNS)
    assert looked["crew"].tolist() == ["Curlew", "Brolga", "Curlew", "Brolga", "Curlew"]
    assert looked["probability"].tolist() == [0.31, 0.50, 0.32, 0.60, 0.33]
    assert marks_to_look_at(OFFICER, records, number=2, crew="Brolga")["probability"].tolist() == [0.50, 0.60]


def test_marks_that_somebody_spoke_of_are_done_until_the_word_is_taken_back(records: Engine) -> None:
    sha256 = keep(records, "one.jpg", "Curlew", [0.31, 0.32])
    word = say_kind(OFFICER, records, (sha256, 1, 1), "crease")
    say_missed(OFFICER, records, sha256, 1, "cut", SQUARE)
    assert marks_to_look_at(OFFICER, records)["mark"].tolist()[0] == 2
    assert len(marks_to_look_at(OFFICER, records)) == 5
    take_back(OFFICER, records, word)
    assert marks_to_look_at(OFFICER, records)["mark"].tolist()[0] == 1


def test_a_mark_that_nobody_could_name_is_less_certain_than_its_probability_of_being_one(records: Engine) -> None:
    keep(records, "one.jpg", "Curlew", [0.7, 0.6], marks={"kind": [UNSURE, *["crease"] * 5]})
    assert marks_to_look_at(OFFICER, records)["kind"].tolist()[:2] == [UNSURE, "crease"]


def test_photos_to_be_taken_again_and_scores_of_before_are_left_out(records: Engine) -> None:
    keep(records, "bad.jpg", "Curlew", [0.3], photo={"verdict": "retake"})
    keep(records, "one.jpg", "Curlew", [0.35])
    keep(records, "one.jpg", "Curlew", [0.45], model=OTHER_MODEL)
    looked = marks_to_look_at(OFFICER, records)
    assert set(looked["photo"]) == {"one.jpg"}
    assert looked["probability"].tolist()[0] == 0.45
    assert len(looked) == 6


def test_trays_of_which_nobody_said_whose_they_are_have_their_turn_too(records: Engine) -> None:
    score = tray_score("nobody.jpg", crew=None, bin=None, picked_at=None, method=None)
    keep_score(batch_into(records), score.photo, score.fruit, score.marks)
    keep(records, "one.jpg", "Curlew", [0.35])
    assert marks_to_look_at(OFFICER, records, number=2)["crew"].isna().tolist() == [False, True]


def test_nothing_to_look_at_is_an_empty_queue(records: Engine) -> None:
    looked = marks_to_look_at(OFFICER, records)
    assert (len(looked), list(looked.columns)) == (0, list(LOOK_COLUMNS))
    with pytest.raises(ValueError, match="at least 1, got 0"):
        marks_to_look_at(OFFICER, records, number=0)


@pytest.fixture(scope="module")
def model() -> Any:
    return load_model()


def test_the_second_kind_is_what_the_model_says_of_the_measures(records: Engine, model: Any) -> None:
    """Against ``name_marks``, which gave the first kind."""
    measures = pd.DataFrame(np.random.default_rng(5).gamma(2.0, 1.0, (6, len(MEASURES))), columns=list(MEASURES))
    named = name_marks(measures, model)
    kinds = named["kind"].where(named["kind"] != "not_a_mark", UNSURE)
    score = scaled_score("one.jpg")
    marks = pd.DataFrame({"photo": "one.jpg", "fruit": 1, "mark": range(1, 7), "kind": kinds, "probability": 0.5})
    marks = pd.concat([marks, measures], axis=1)
    keep_score(batch_into(records, model.sha256), score.photo, score.fruit, marks)
    looked = marks_to_look_at(OFFICER, records, model=model).set_index("mark")
    for number, (_, row) in enumerate(named.iterrows(), start=1):
        ranked = row[[f"p_{kind}" for kind in KINDS]].astype(float).sort_values(ascending=False)
        wanted = ranked.index[1].removeprefix("p_")
        assert looked.loc[number, "second_kind"] == wanted
        assert looked.loc[number, "second_probability"] == pytest.approx(ranked.iloc[1])
    assert marks_to_look_at(OFFICER, records)["second_kind"].isna().all(), "not without the model"


def test_the_second_kind_is_missing_where_another_model_scored_or_there_is_no_scale(
    records: Engine, model: Any
) -> None:
    keep(records, "one.jpg", "Curlew", [0.3])
    keep(records, "two.jpg", "Curlew", [0.3], model=model.sha256)
    assert marks_to_look_at(OFFICER, records, model=model)["second_kind"].isna().all()


def checked_season(records: Engine, checked: int, seed: int = 1) -> Season:
    """A drawn season of 2000 fruit, of which some were drawn by lot and checked: the score was right."""
    fill_large_season(records, fruit=2000, seed=seed)
    kept = Season(records)
    if checked:
        drawn = fruit_to_check(OFFICER, kept, checked, seed=seed)
        said = drawn.merge(kept.rows()[["photo", "fruit", "downgraded"]], on=["photo", "fruit"])
        keep_checks(records, said.rename(columns={"check_chance": "chance"}), who="Finch")
    return kept


def test_before_any_check_it_is_told_what_an_interval_needs(records: Engine) -> None:
    worth = worth_looking(OFFICER, checked_season(records, 0))
    assert worth["crew"].tolist() == sorted(CREWS)
    assert not worth["enough"].any()
    assert worth["narrower_by_points"].isna().all()
    assert "needs 20 in 5 bins" in worth["sentence"].iloc[0]


def test_what_more_checks_would_do_is_told_in_points(records: Engine) -> None:
    kept = checked_season(records, 480)
    fruit = countable(kept.rows()).fruit
    figures = shares_from_both(fruit).set_index("crew")
    worth = worth_looking(OFFICER, kept)
    told = worth[worth["narrower_by_points"].notna()]
    assert len(told) > 5
    for row in told.to_dict("records"):
        width = 100 * (figures.loc[row["crew"], "high"] - figures.loc[row["crew"], "low"])
        assert 0 < row["narrower_by_points"] < width
        assert row["enough"] == (row["narrower_by_points"] < 0.05 * width), "less than a twentieth is not worth it"
        assert f"{row['narrower_by_points']:.1f} points" in row["sentence"]
        assert ("enough" in row["sentence"]) == row["enough"]
    one = worth_looking(OFFICER, kept, crew="Curlew")
    assert one["sentence"].tolist() == worth.loc[worth["crew"] == "Curlew", "sentence"].tolist()


def test_when_all_are_checked_only_more_bins_tell_more(records: Engine) -> None:
    worth = worth_looking(OFFICER, checked_season(records, 2000))
    assert worth["enough"].all()
    assert worth["more"].tolist() == [0] * len(worth)
    assert worth["sentence"].str.contains("only more bins would tell more").all()


def test_a_drawn_fruit_is_kept_with_its_chance_and_is_not_drawn_again(records: Engine) -> None:
    kept = checked_season(records, 0)
    drawn = fruit_to_check(OFFICER, kept, 30, seed=7)
    assert "said" not in drawn.columns, "whoever looks is not told what the scorer said"
    counted = countable(kept.rows()).fruit
    same = draw_checks(counted, 30, seed=7).fruit
    pd.testing.assert_frame_equal(drawn.drop(columns="sha256"), same.drop(columns="said"), check_dtype=False)
    for row in drawn.to_dict("records"):
        say_fruit(OFFICER, records, row["sha256"], row["fruit"], False, row["check_chance"])
    rows = kept.rows().merge(drawn[["photo", "fruit", "check_chance"]], on=["photo", "fruit"], suffixes=("", "_drawn"))
    assert len(rows) == 30
    np.testing.assert_allclose(rows["check_chance"], rows["check_chance_drawn"])
    again = fruit_to_check(OFFICER, kept, 30, seed=7)
    assert again.merge(drawn, on=["photo", "fruit"]).empty
    assert set(fruit_to_check(OFFICER, kept, 5, crew="Curlew")["crew"]) == {"Curlew"}
    with pytest.raises(ScorerError, match="no fruit to draw from of Heron"):
        fruit_to_check(OFFICER, kept, 5, crew="Heron")


def test_words_on_marks_are_no_checks_and_do_not_make_the_score_seem_better(records: Engine) -> None:
    """Whoever checks a fruit may put its marks right too: figures from both words must not move by it."""
    kept = checked_season(records, 480)
    before, worth = shares_from_both(countable(kept.rows(as_said=False)).fruit), worth_looking(OFFICER, kept)
    drawn_before = fruit_to_check(OFFICER, kept, 40, seed=3)
    for mark_id in marks_to_look_at(OFFICER, records, number=60)["mark_id"].tolist():
        say_kind(OFFICER, records, mark_id, "not a mark")
    assert not kept.rows().equals(kept.rows(as_said=False)), "the words are heard"
    pd.testing.assert_frame_equal(shares_from_both(countable(kept.rows(as_said=False)).fruit), before)
    pd.testing.assert_frame_equal(worth_looking(OFFICER, kept), worth)
    pd.testing.assert_frame_equal(fruit_to_check(OFFICER, kept, 40, seed=3), drawn_before)


@given(st.integers(0, 2**32 - 1))
def test_putting_right_the_marks_of_checked_fruit_would_bend_figures_made_from_the_rows_as_said(seed: int) -> None:
    """Why all here uses rows as scored: the score misses half of what is there, and a quarter of the fruit is checked.

    With the checked fruit put right, the figure falls back to what the scorer alone says.
    """
    draw = np.random.default_rng(seed)
    truth = np.tile(np.arange(20) < 8, 40)
    said = truth & np.tile(np.arange(20) % 2 == 0, 40)
    looked = np.zeros(800, bool)
    looked[draw.choice(800, 200, replace=False)] = True
    table = pd.DataFrame(
        {"crew": "Curlew", "lot": np.repeat(np.arange(40), 20), "defective": said, "check_chance": 0.25}
    ).assign(checked_downgraded=pd.Series(truth, dtype="boolean").where(pd.Series(looked)))
    (as_scored,) = shares_from_both(table)["share"]
    (put_right,) = shares_from_both(table.assign(defective=np.where(looked, truth, said)), weight=1.0)["share"]
    assert abs(as_scored - 0.4) < 0.13
    assert put_right < 0.32


def test_names_that_two_photos_share_are_refused(records: Engine) -> None:
    kept = checked_season(records, 0)
    with records.begin() as connection:
        first, second = connection.scalars(select(Photo.id).order_by(Photo.id).limit(2))
        name = connection.scalar(select(Photo.name).where(Photo.id == first))
        connection.execute(update(Photo).where(Photo.id == second).values(name=name))
    with pytest.raises(RecordsError, match=r"several photos named season/photo_000000\.jpg"):
        fruit_to_check(OFFICER, kept, 2000)


def test_each_call_asks_for_its_right(records: Engine) -> None:
    kept = Season(records)
    for call in (lambda: worth_looking(MANAGER, kept), lambda: fruit_to_check(MANAGER, kept, 5)):
        with pytest.raises(AccessError, match="may not say what a mark or a fruit is"):
            call()
    with pytest.raises(AccessError, match="may not look at trays"):
        marks_to_look_at(Person("Dotterel", frozenset()), records)
    assert worth_looking(OFFICER, kept).empty
