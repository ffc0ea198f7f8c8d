"""What people say of marks: kept word by word, taken back by a further word, and heard by the season's figures."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd
import pytest
from alembic import command
from alembic.config import Config
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Engine, func, insert, inspect, select, text
from sqlalchemy.exc import DBAPIError

import scorer.records
from scorer.access.roles import Person, Role
from scorer.errors import AccessError, RecordsError
from scorer.limits import load_limits
from scorer.records.audit import audit_records
from scorer.records.checks import say_fruit
from scorer.records.export import export_records
from scorer.records.fruit import season_fruit
from scorer.records.fruit_as_said import fruit_as_said
from scorer.records.keep import keep_score
from scorer.records.mark_words import (
    marks_as_said,
    outline_in_box,
    say_kind,
    say_missed,
    take_back,
    words_of,
)
from scorer.records.photos import find_photos
from scorer.records.scores import newest_scores_of
from scorer.records.tables import Decision, Mark
from scorer.records.words_in_force import NOT_A_MARK
from scorer.score_tables import TrayScore, fruit_table, photo_table
from tests.drawn_records import MODEL, OTHER_MODEL, batch_into, tray_score

OFFICER = Person("Finch", frozenset({Role.OFFICER}))
OTHER_OFFICER = Person("Wattle", frozenset({Role.OFFICER}))
MANAGER = Person("Jabiru", frozenset({Role.MANAGER}))
SKIN_MM2 = 10_000.0
SQUARE = [(100.0, 100.0), (140.0, 100.0), (140.0, 120.0), (100.0, 120.0)]


def scaled_score(name: str = "one.jpg") -> TrayScore:
    """Two fruit with a scale: the first with a cut of 6 mm and a rub of 100 mm2, the second clean."""
    drawn = tray_score(name)
    photo = photo_table(drawn.photo.assign(mm_per_px=0.5, fruit=2).to_dict("records"))
    about = {"photo": name, "length_mm": 110.0, "width_mm": 80.0, "visible_area_mm2": SKIN_MM2}
    fruit = fruit_table(
        [
            about | {"fruit": 1, "marks": 2, "brown_fraction": 0.011, "downgraded": True, "verdict": "over limits"},
            about | {"fruit": 2, "marks": 0, "brown_fraction": 0.0, "downgraded": False, "verdict": "within limits"},
        ]
    )
    marks = pd.DataFrame(
        [
            {
                "photo": name,
                "fruit": 1,
                "mark": 1,
                "kind": "cut",
                "probability": 0.6,
                "area_mm2": 10.0,
                "length_mm": 6.0,
            },
            {"photo": name, "fruit": 1, "mark": 2, "kind": "abrasion", "probability": 0.9, "area_mm2": 100.0}
            | {"length_mm": 20.0},
        ]
    ).assign(width_mm=2.0, solidity=0.9)
    return TrayScore(photo, fruit, marks, drawn.fruit_mask, drawn.mark_mask)


def keep(records: Engine, score: TrayScore, model: str = MODEL, limits: str = "shed") -> str:
    keep_score(batch_into(records, model, limits=limits), score.photo, score.fruit, score.marks)
    return str(score.photo["sha256"].iloc[0])


@pytest.fixture
def sha256(records: Engine) -> str:
    return keep(records, scaled_score())


def fruit_row(records: Engine, number: int, **how: Any) -> dict[str, Any]:
    rows = season_fruit(records, **how)
    return dict(rows[rows["fruit"] == number].iloc[0])


def test_a_cut_that_is_none_no_longer_keeps_the_fruit_out(records: Engine, sha256: str) -> None:
    """The shed's table: a cut of 5 mm or more keeps a fruit out; 2 cm2 of marks are first class (shared/limits)."""
    say_kind(OFFICER, records, (sha256, 1, 1), NOT_A_MARK, why="a stalk lies there")
    row = fruit_row(records, 1)
    assert (row["downgraded"], row["verdict"]) == (False, "within limits")
    assert row["brown_fraction"] == pytest.approx(100.0 / SKIN_MM2)
    assert (row["cut"], row["abrasion"]) == (False, True)


def test_the_score_itself_can_still_be_read_as_it_was(records: Engine, sha256: str) -> None:
    before = season_fruit(records)
    say_kind(OFFICER, records, (sha256, 1, 1), NOT_A_MARK)
    pd.testing.assert_frame_equal(season_fruit(records, as_said=False), before)


def test_lists_of_photos_count_downgraded_fruit_as_people_said(records: Engine, sha256: str) -> None:
    other = keep(records, scaled_score("other.jpg"))

    def downgraded() -> dict[str, int]:
        found = find_photos(OFFICER, records)
        season = season_fruit(records).groupby("photo")["downgraded"].sum()
        assert dict(zip(found["photo"], found["downgraded"], strict=True)) == season.to_dict(), "as crew figures do"
        return dict(zip(found["sha256"], found["downgraded"], strict=True))

    assert downgraded() == {sha256: 1, other: 1}
    no_cut = say_kind(OFFICER, records, (sha256, 1, 1), NOT_A_MARK)
    assert downgraded() == {sha256: 0, other: 1}
    say_missed(OFFICER, records, sha256, 2, "cut", SQUARE)
    assert downgraded() == {sha256: 1, other: 1}
    take_back(OFFICER, records, no_cut)
    assert downgraded() == {sha256: 2, other: 1}
    keep(records, scaled_score(), OTHER_MODEL)
    assert downgraded() == {sha256: 1, other: 1}, "nobody said a word on the new model's score yet"


def test_the_reason_is_judged_anew_also_where_verdict_and_brown_share_stay(records: Engine, sha256: str) -> None:
    """A rub that is sap burn after all: the same area within the same limit, by another name."""
    say_kind(OFFICER, records, (sha256, 1, 1), "crease")
    before = fruit_as_said(OFFICER, records, sha256).set_index("fruit")
    say_kind(OFFICER, records, (sha256, 1, 2), "sap_burn")
    after = fruit_as_said(OFFICER, records, sha256).set_index("fruit")
    same = ["verdict", "downgraded", "brown_fraction"]
    pd.testing.assert_frame_equal(before[same], after[same])
    assert before.loc[1, "reason"].startswith("abrasion and crease 1.1 cm2, within the 2 cm2 of ")
    assert after.loc[1, "reason"].startswith("sap burn and crease 1.1 cm2, within the 2 cm2 of ")


def test_fruit_as_said_agree_with_the_seasons_and_others_keep_their_score(records: Engine, sha256: str) -> None:
    scored = newest_scores_of(records, sha256).fruit
    pd.testing.assert_frame_equal(fruit_as_said(OFFICER, records, sha256), scored)
    say_kind(OFFICER, records, (sha256, 1, 1), NOT_A_MARK)
    said = fruit_as_said(OFFICER, records, sha256)
    same = ["fruit", "verdict", "downgraded", "brown_fraction"]
    pd.testing.assert_frame_equal(said[same], season_fruit(records)[same])
    pd.testing.assert_frame_equal(said.iloc[1:], scored.iloc[1:])
    assert said.dtypes.to_dict() == scored.dtypes.to_dict()


def test_a_reason_by_limits_that_are_gone_is_not_told(records: Engine) -> None:
    sha256 = keep(records, scaled_score(), limits="gone")
    say_kind(OFFICER, records, (sha256, 1, 1), NOT_A_MARK)
    row = fruit_as_said(OFFICER, records, sha256).iloc[0]
    assert (row["downgraded"], row["verdict"], row["reason"]) == (True, "over limits", "")


def test_another_kind_counts_as_that_kind(records: Engine, sha256: str) -> None:
    say_kind(OFFICER, records, (sha256, 1, 2), "sap_burn")
    row = fruit_row(records, 1)
    assert (row["sap_burn"], row["abrasion"], row["cut"]) == (True, False, True)
    assert row["downgraded"], "the cut is still there"


def test_a_word_that_confirms_the_score_changes_no_figure_and_is_kept(records: Engine, sha256: str) -> None:
    before = season_fruit(records)
    say_kind(OFFICER, records, (sha256, 1, 1), "cut")
    pd.testing.assert_frame_equal(season_fruit(records), before)
    (word,) = words_of(OFFICER, records, sha256).to_dict("records")
    assert (word["said_now"], word["counts"]) == ("cut", True)
    assert pd.isna(word["said_before"])


def test_the_history_tells_who_said_what_from_what_to_what(records: Engine, sha256: str) -> None:
    say_kind(OFFICER, records, (sha256, 1, 1), "crease", why="dry")
    say_kind(OTHER_OFFICER, records, (sha256, 1, 1), "unsure")
    words = words_of(MANAGER, records, sha256)
    assert words[["who", "said_before", "said_now", "counts"]].to_numpy().tolist() == [
        ["Finch", "cut", "crease", False],
        ["Wattle", "crease", "unsure", True],
    ]
    assert words["mark"].tolist() == [1, 1]
    assert marks_as_said(OFFICER, records, sha256)["kind"].tolist() == ["unsure", "abrasion"]


def test_a_word_taken_back_lets_the_one_before_it_count_again(records: Engine, sha256: str) -> None:
    before = season_fruit(records)
    first = say_kind(OFFICER, records, (sha256, 1, 1), "crease")
    second = say_kind(OFFICER, records, (sha256, 1, 1), NOT_A_MARK)
    take_back(OTHER_OFFICER, records, second)
    assert marks_as_said(OFFICER, records, sha256)["kind"].tolist() == ["crease", "abrasion"]
    take_back(OFFICER, records, first)
    pd.testing.assert_frame_equal(season_fruit(records), before)
    words = words_of(OFFICER, records, sha256)
    assert words["takes_back"].tolist()[2:] == [second, first]
    assert words["said_now"].tolist()[2:] == ["crease", "cut"]
    assert not words["counts"].any()


def test_a_missed_mark_is_measured_and_judged(records: Engine, sha256: str) -> None:
    """40 by 20 pixels of 0.5 mm are 20 by 10 mm, 200 mm2; the shed's table lets 2 cm2 pass and no more."""
    word = say_missed(OFFICER, records, sha256, 2, "sap_burn", SQUARE)
    row = fruit_row(records, 2)
    assert (row["downgraded"], row["sap_burn"], row["brown_fraction"]) == (False, True, pytest.approx(0.02))
    (mark,) = marks_as_said(OFFICER, records, sha256).query("fruit == 2").to_dict("records")
    assert [mark[name] for name in ("area_mm2", "length_mm", "width_mm")] == pytest.approx([200.0, 20.0, 10.0])
    assert mark["polygon_px"] == [list(point) for point in SQUARE]
    say_missed(OFFICER, records, sha256, 2, "abrasion", SQUARE[:3])
    assert fruit_row(records, 2)["downgraded"], "300 mm2 are over the limit"
    take_back(OTHER_OFFICER, records, word)
    assert not fruit_row(records, 2)["downgraded"]
    last = words_of(OFFICER, records, sha256).iloc[-1]
    assert (last["said_before"], last["said_now"], last["takes_back"]) == ("sap_burn", NOT_A_MARK, word)


def test_without_a_scale_a_missed_mark_has_no_sizes_and_the_fruit_stays_not_judged(records: Engine) -> None:
    score = tray_score("bare.jpg")
    sha256 = keep(records, score)
    say_missed(OFFICER, records, sha256, 1, "cut", SQUARE)
    mark = marks_as_said(OFFICER, records, sha256).query("fruit == 1").iloc[-1]
    assert mark[["area_mm2", "length_mm", "width_mm"]].isna().all()
    row = fruit_row(records, 1)
    assert (row["verdict"], row["cut"]) == ("not judged", True)
    assert row["brown_fraction"] == pytest.approx(0.012345678), "nobody knows how much larger it is"


def test_a_mark_without_sizes_leaves_the_brown_fraction_of_a_measured_fruit_as_it_was(records: Engine) -> None:
    score = scaled_score()
    keep_score(batch_into(records), score.photo.assign(mm_per_px=float("nan")), score.fruit, score.marks)
    say_missed(OFFICER, records, str(score.photo["sha256"].iloc[0]), 1, "crease", SQUARE)
    row = fruit_row(records, 1)
    assert (row["brown_fraction"], row["crease"], row["verdict"]) == (0.011, True, "not judged")


def test_a_fruit_left_without_marks_has_no_brown_skin_even_without_a_scale(records: Engine) -> None:
    sha256 = keep(records, tray_score("bare.jpg"))
    say_kind(OFFICER, records, (sha256, 3, 3), NOT_A_MARK)
    assert fruit_row(records, 3)["brown_fraction"] == 0


@given(
    st.lists(st.tuples(st.integers(0, 400), st.integers(0, 400)), min_size=3, max_size=12, unique=True),
    st.floats(0.05, 2.0),
)
def test_sizes_of_an_outline_are_those_that_opencv_measures(points: list[tuple[int, int]], mm_per_px: float) -> None:
    from scorer.records.mark_words import _area_px, _sizes

    outline = np.array(points, np.float64)
    contour = np.array(points, np.int32)
    assert _area_px(outline) == pytest.approx(cv2.contourArea(contour), abs=1e-6)
    sizes = _sizes(outline, mm_per_px)
    assert sizes["area_mm2"] == pytest.approx(cv2.contourArea(contour) * mm_per_px**2, abs=1e-6)
    across_px = max(float(np.hypot(*(a - b))) for a in outline for b in outline)
    length_px = (sizes["length_mm"] or 0) / mm_per_px
    assert across_px / np.sqrt(2) - 1e-3 <= length_px <= across_px + 1e-3, "the box holds the longest way across"


def test_a_box_counts_as_the_ellipse_in_it() -> None:
    """Area of an ellipse: pi / 4 of its box."""
    outline = np.array(outline_in_box(10, 20, 110, 80, points=400), np.float32)
    assert cv2.contourArea(outline) == pytest.approx(np.pi / 4 * 100 * 60, rel=1e-3)
    assert (outline.min(axis=0).tolist(), outline.max(axis=0).tolist()) == ([10, 20], [110, 80])


@pytest.mark.parametrize(
    ("polygon", "more", "said"),
    [
        (SQUARE[:2], {}, "3 to 2000 points, this one 2"),
        ([(0.0, 0.0), (5.0, 5.0), (10.0, 10.0)], {}, "surrounds less than a pixel"),
        ([(-1.0, 0.0), *SQUARE], {}, "outside of the photo"),
        ([(float("nan"), 0.0), *SQUARE], {}, "outside of the photo"),
        (SQUARE, {"mm_per_px": -1.0}, "cannot be"),
        (SQUARE, {"kind": NOT_A_MARK}, "no kind 'not a mark' of mark to point out"),
        (SQUARE, {"fruit": 9}, "fruit 9 is not in the records"),
    ],
)
def test_outlines_that_cannot_be_are_refused(
    records: Engine, sha256: str, polygon: list[tuple[float, float]], more: dict[str, Any], said: str
) -> None:
    asked = {"fruit": 1, "kind": "cut"} | more
    with pytest.raises(RecordsError, match=said):
        say_missed(OFFICER, records, sha256, polygon_px=polygon, **asked)
    assert words_of(OFFICER, records, sha256).empty


def test_words_that_cannot_be_are_refused(records: Engine, sha256: str) -> None:
    with pytest.raises(RecordsError, match="no kind 'bruise' of mark"):
        say_kind(OFFICER, records, (sha256, 1, 1), "bruise")
    with pytest.raises(RecordsError, match=r"Mark 7 on fruit 1 .* not in the newest score"):
        say_kind(OFFICER, records, (sha256, 1, 7), "cut")
    with pytest.raises(RecordsError, match="Nobody is named"):
        say_kind(Person(" ", frozenset({Role.OFFICER})), records, (sha256, 1, 1), "cut")
    say_fruit(OFFICER, records, sha256, 1, True)
    by_eye = int(words_of(OFFICER, records, sha256)["decision_id"].iloc[0])
    word = say_kind(OFFICER, records, (sha256, 1, 1), "crease")
    taken = take_back(OFFICER, records, word)
    for number, said in (
        (by_eye, "on a fruit and not on a mark"),
        (word, "taken back already"),
        (taken, "takes back another"),
        (999, "no decision 999"),
    ):
        with pytest.raises(RecordsError, match=said):
            take_back(OFFICER, records, number)


def test_a_manager_may_read_words_but_say_none(records: Engine, sha256: str) -> None:
    word = say_kind(OFFICER, records, (sha256, 1, 1), "crease")
    words_of(MANAGER, records, sha256)
    marks_as_said(MANAGER, records, sha256)
    for call in (
        lambda: say_kind(MANAGER, records, (sha256, 1, 1), "cut"),
        lambda: say_missed(MANAGER, records, sha256, 1, "cut", SQUARE),
        lambda: take_back(MANAGER, records, word),
        lambda: say_fruit(MANAGER, records, sha256, 1, True),
    ):
        with pytest.raises(AccessError, match="may not say what a mark or a fruit is"):
            call()
    nobody = Person("Dotterel", frozenset())
    for read in (words_of, marks_as_said):
        with pytest.raises(AccessError, match="may not look at trays"):
            read(nobody, records, sha256)


def test_marks_that_are_said_to_be_none_can_still_be_drawn(records: Engine, sha256: str) -> None:
    word = say_kind(OFFICER, records, (sha256, 1, 1), NOT_A_MARK)
    assert marks_as_said(OFFICER, records, sha256)["mark"].tolist() == [2]
    shown = marks_as_said(OFFICER, records, sha256, dropped=True)
    assert shown[["mark", "kind", "scored_kind"]].to_numpy().tolist() == [
        [1, NOT_A_MARK, "cut"],
        [2, "abrasion", "abrasion"],
    ]
    assert shown["decision_id"].tolist()[0] == word


def test_words_belong_to_the_score_they_were_said_of(records: Engine, sha256: str) -> None:
    word = say_kind(OFFICER, records, (sha256, 1, 1), NOT_A_MARK)
    with records.connect() as connection:
        old_mark = connection.scalar(select(func.min(Mark.id)))
    keep(records, scaled_score(), model=OTHER_MODEL)
    assert fruit_row(records, 1)["downgraded"], "the new model's mark is another, of which nobody spoke"
    assert words_of(OFFICER, records, sha256)[["decision_id", "counts"]].to_numpy().tolist() == [[word, False]]
    with pytest.raises(RecordsError, match="not in the newest score"):
        say_kind(OFFICER, records, old_mark, "cut")


def test_where_the_limit_table_is_gone_the_verdict_stays_and_the_audit_tells(records: Engine, tmp_path: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text((Path(scorer.__path__[0]).parent / "shared" / "limits" / "shed.toml").read_text())
    sha256 = keep(records, scaled_score(), limits=str(own))
    say_kind(OFFICER, records, (sha256, 1, 1), NOT_A_MARK)
    assert not fruit_row(records, 1)["downgraded"]
    assert not any("limit table" in said for said in audit_records(records))
    own.unlink()
    row = fruit_row(records, 1)
    assert (row["downgraded"], row["cut"]) == (True, False)
    assert row["brown_fraction"] == pytest.approx(0.01)
    assert any("own.toml cannot be loaded any more" in said for said in audit_records(records))


def test_two_who_speak_at_once_are_both_kept_and_the_newest_counts(records: Engine, sha256: str) -> None:
    ready = threading.Barrier(4)

    def speak(person: Person, kind: str) -> None:
        ready.wait()
        for _ in range(5):
            say_kind(person, records, (sha256, 1, 1), kind)

    threads = [
        threading.Thread(target=speak, args=(person, kind))
        for person, kind in (
            (OFFICER, "crease"),
            (OTHER_OFFICER, "sap_burn"),
            (OFFICER, "cut"),
            (OTHER_OFFICER, "unsure"),
        )
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    words = words_of(OFFICER, records, sha256)
    assert words["said_now"].value_counts().to_dict() == {"crease": 5, "sap_burn": 5, "cut": 5, "unsure": 5}
    assert words["counts"].tolist() == [False] * 19 + [True]
    assert marks_as_said(OFFICER, records, sha256)["kind"].iloc[0] == words["said_now"].iloc[-1]


def test_a_word_by_eye_goes_the_same_way_as_a_list(records: Engine, sha256: str) -> None:
    say_fruit(OFFICER, records, sha256, 2, True, 0.25)
    row = fruit_row(records, 2)
    assert (row["downgraded"], row["checked_downgraded"], row["check_chance"]) == (False, True, 0.25)
    for number, chance, said in ((9, None, "fruit 9 is not in the records"), (1, 1.5, "must lie above 0")):
        with pytest.raises(RecordsError, match=said):
            say_fruit(OFFICER, records, sha256, number, True, chance)


def test_words_leave_with_the_records(records: Engine, sha256: str, tmp_path: Path) -> None:
    word = say_missed(OFFICER, records, sha256, 2, "crease", SQUARE)
    back = take_back(OFFICER, records, word)
    assert export_records(records, tmp_path / "out", load_limits("shed")).decisions == 2
    table = pd.read_csv(tmp_path / "out" / "decisions.csv")
    assert table["decision"].tolist() == [word, back]
    assert table["takes_back"].tolist()[1] == word
    assert '"polygon_px": [[100.0, 100.0]' in table["outline"].iloc[0]


def test_the_database_refuses_what_no_word_can_be(records: Engine, sha256: str) -> None:
    word = say_missed(OFFICER, records, sha256, 2, "crease", SQUARE)
    now = words_of(OFFICER, records, sha256)["said_at"].iloc[0].tz_localize("UTC").to_pydatetime()
    row = {"fruit_id": 1, "field": "kind", "said_now": "cut", "who": "Finch", "decided_at": now}
    for wrong in ({"about_id": 999}, {"outline": {"polygon_px": []}}, {"id": 50, "about_id": 50}):
        with pytest.raises(DBAPIError), records.begin() as connection:
            connection.execute(insert(Decision), row | wrong)
    with pytest.raises(DBAPIError), records.begin() as connection:
        connection.execute(text(f"UPDATE decision SET outline = NULL WHERE id = {word}"))


def config_of(connection: Any) -> Config:
    config = Config()
    config.set_main_option("script_location", str(Path(scorer.records.__path__[0]) / "migrations"))
    config.attributes["connection"] = connection
    return config


def test_decisions_kept_before_stay_and_stay_protected(records: Engine, sha256: str) -> None:
    """Down to the tables of before and up again, with a decision in them."""
    say_kind(OFFICER, records, (sha256, 1, 1), "crease")
    with records.begin() as connection:
        command.downgrade(config_of(connection), "0002")
        assert "outline" not in {column["name"] for column in inspect(connection).get_columns("decision")}
    forbidden = "UPDATE decision SET who = 'Brolga'", "DELETE FROM decision"
    for change in forbidden:
        with pytest.raises(DBAPIError), records.begin() as connection:
            connection.execute(text(change))
    with records.begin() as connection:
        command.upgrade(config_of(connection), "head")
    for change in forbidden:
        with pytest.raises(DBAPIError), records.begin() as connection:
            connection.execute(text(change))
    assert words_of(OFFICER, records, sha256)["said_now"].tolist() == ["crease"]
    assert [said for said in audit_records(records) if "tables" in said or "protected" in said] == []
