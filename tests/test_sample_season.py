"""The invented season: every page has something to show, nothing passes for real, and it is the same each time."""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest
from sqlalchemy import Engine, select

from scorer.access.roles import Person, Role
from scorer.arrivals.store import store_beside
from scorer.crews.before_after import BETTER, before_and_after
from scorer.crews.money import crew_costs
from scorer.crews.prediction_powered import shares_from_both
from scorer.crews.prices import load_prices
from scorer.crews.shares import defect_share
from scorer.crews.standardised import standardised_shares
from scorer.drawn_weeks import IMPROVED_FROM, IMPROVES, DrawnPhoto, drawn_weeks
from scorer.errors import RecordsError
from scorer.fruit_rows import Countable, countable
from scorer.health import health_of
from scorer.limits import load_limits
from scorer.marks.measure import MEASURES
from scorer.records.audit import audit_records
from scorer.records.database import open_records, records_url
from scorer.records.fruit import season_fruit
from scorer.records.repeats import browning_shares
from scorer.records.scores import scores_of
from scorer.records.tables import Decision, FittedModel, Photo, Score
from scorer.resources import sample_folder
from scorer.sample_season import CARTONS, DRAWN, make_sample_season
from scorer.score_tables import KINDS, UNSURE
from scorer.simulate.season import CREWS
from scorer.tables_in_place.edit import history, path_of, tables_there
from scorer.tables_in_place.names import LIMITS, PRICES, TableName, tables_folder
from scorer.verdict import judge_fruit

MANAGER = Person("Banksia", frozenset({Role.MANAGER}))
NAMES = [crew.name for crew in CREWS]
SEEDS = range(2)


@pytest.fixture(scope="module")
def told() -> list[float]:
    return []


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory, told: list[float]) -> Path:
    """The season made once, photos and all."""
    return make_sample_season(tmp_path_factory.mktemp("sample"), told.append)


@pytest.fixture(scope="module")
def engine(path: Path) -> Iterator[Engine]:
    engine = open_records(records_url(path), create=False)
    yield engine
    engine.dispose()


@pytest.fixture(scope="module")
def counted(engine: Engine) -> Countable:
    return countable(season_fruit(engine))


def test_the_records_are_sound(engine: Engine) -> None:
    assert audit_records(engine) == []


def test_the_sample_photos_are_scored_and_lie_in_the_store_with_their_masks(path: Path, engine: Engine) -> None:
    with (sample_folder() / "manifest.csv").open(newline="", encoding="utf-8") as file:
        listed = [row["photo"] for row in csv.DictReader(file)]
    store = store_beside(records_url(path))
    assert len(listed) == 14
    for name in listed:
        sha256 = hashlib.sha256((sample_folder() / name).read_bytes()).hexdigest()
        with engine.connect() as connection:
            assert connection.execute(select(Photo.name).where(Photo.sha256 == sha256)).scalar_one() == name
            fruit = connection.execute(select(Score.fruit).join(Photo).where(Photo.sha256 == sha256)).scalar_one()
        kept = store.photo_path(sha256)
        mask = store.fruit_mask(sha256)
        assert kept is not None
        assert mask is not None
        assert mask.max() == fruit
        assert mask.shape == cv2.imread(str(kept)).shape[:2]
        assert store.mark_mask(sha256) is not None
    assert len(list(sample_folder().glob("*.jpg"))) == 14, "the samples themselves stay where they are"


def test_drawn_figures_say_so_wherever_a_model_is_told(engine: Engine) -> None:
    with engine.connect() as connection:
        rows = connection.execute(select(Photo.name, FittedModel.card).select_from(Score).join(Photo).join(FittedModel))
        by_card = {(card["name"], name.startswith("drawn/")) for name, card in rows}
    assert by_card == {(DRAWN, True), ("marks on simulated mangoes", False)}
    assert DRAWN == "drawn figures of an invented season, no photos"


def test_every_crew_has_figures_with_an_interval_and_the_careful_one_is_the_best(counted: Countable) -> None:
    shares = defect_share(counted.fruit, cluster="lot").set_index("crew")
    assert sorted(shares.index) == sorted(NAMES)
    assert (shares["fruit"] >= 140).all()
    assert (shares["clusters"] >= 12).all()
    assert shares[["low", "high"]].notna().all(axis=None)
    assert shares["share"].idxmin() == "Quandong"
    assert shares.loc["Quandong", "high"] < shares["share"].drop("Quandong").min()


def test_habits_show_in_the_kinds_of_marks(counted: Countable) -> None:
    kinds = counted.fruit.groupby("crew")[list(KINDS)].mean()
    assert kinds["sap_burn"].idxmax() == "Bowerbird"
    assert kinds["abrasion"].idxmax() == "Paperbark"
    assert kinds["cut"].idxmax() == "Curlew"
    assert kinds["stem_puncture"].idxmax() == "Brolga"


def test_one_crew_got_better_after_a_day(counted: Countable) -> None:
    own = counted.fruit[counted.fruit["crew"] == IMPROVES]
    assert before_and_after(own, IMPROVES, IMPROVED_FROM.isoformat()).word == BETTER


def test_crews_share_blocks_and_methods_so_that_they_can_be_told_apart(counted: Countable) -> None:
    table = standardised_shares(counted.fruit).table
    assert sorted(table["crew"]) == sorted(NAMES)
    assert table["told_apart"].all()


def test_each_crew_picks_over_days_and_hours(counted: Countable) -> None:
    drawn = counted.fruit[counted.fruit["photo"].str.startswith("drawn/")]
    assert (drawn.groupby("crew")["day"].nunique() >= 12).all()
    assert drawn["hour"].between(6, 11).all()
    assert drawn["hour"].nunique() >= 5


def test_enough_fruit_are_checked_by_lot_for_figures_from_both_words(counted: Countable) -> None:
    both = shares_from_both(counted.fruit)
    assert sorted(both["crew"]) == sorted(NAMES)
    assert both[["share", "low", "high"]].notna().all(axis=None)
    checked = counted.fruit[counted.fruit["checked_downgraded"].notna()]
    assert checked["check_chance"].between(0, 1, inclusive="right").all()
    assert (checked["checked_downgraded"] != checked["defective"]).any(), "an officer does not always agree"


def test_people_have_said_words_on_marks_and_taken_one_back(engine: Engine) -> None:
    with engine.connect() as connection:
        words = connection.execute(select(Decision.field, Decision.about_id, Decision.who)).all()
    of_kind = [about for field, about, _ in words if field == "kind"]
    assert len(of_kind) >= 4
    assert sum(about is not None for about in of_kind) == 1
    assert {who for _, _, who in words} == {"Wattle"}


def test_enough_trays_were_photographed_twice_to_tell_how_soon_marks_show(engine: Engine) -> None:
    shares = browning_shares(engine)
    soon = shares.iloc[0]
    assert soon["enough"]
    assert 0.25 < soon["share"] < 0.6


def test_health_has_photos_that_wait_and_photos_to_be_taken_again(path: Path, engine: Engine) -> None:
    store = store_beside(records_url(path))
    health = health_of(MANAGER, engine, store.folder, now=datetime(2026, 1, 17, tzinfo=UTC))
    waiting = health.waiting[~health.waiting["settled_since"]]
    assert len(waiting) == 4
    assert not waiting["due"].any()
    assert len(health.retakes) == 2
    assert len(health.crewless) == 1
    assert health.photos_fit is not None


def test_cost_can_be_shown_by_the_invented_prices(path: Path, counted: Countable) -> None:
    folder = tables_folder(path)
    there = tables_there(MANAGER, folder)
    assert set(there.loc[there["own"], "subject"]) == {LIMITS, PRICES}
    prices = load_prices(path_of(folder, TableName(PRICES, "invented")))
    assert prices.cartons == CARTONS
    costs = crew_costs(counted.fruit, prices).groupby("crew")["lost"].max()
    assert (costs > 0).all()
    assert history(MANAGER, folder, TableName(LIMITS, "invented_buyer"))["differences"].iloc[0] == (
        "first class: 2 -> 1.5 cm2"
    )


def test_progress_goes_up_to_the_end(path: Path, told: list[float]) -> None:
    assert path.exists()
    assert told == sorted(told)
    assert told[-1] == 1.0
    assert len(told) > 20


def test_an_invented_season_never_mixes_with_another(path: Path, tmp_path: Path) -> None:
    with pytest.raises(RecordsError, match="is not empty"):
        make_sample_season(path.parent)
    (tmp_path / "somebody's.txt").write_text("", encoding="utf-8")

    def never(photo: Path, sha256: str, masks: Mapping[str, bytes]) -> None:
        raise AssertionError

    with pytest.raises(RecordsError, match="is not empty"):
        make_sample_season(tmp_path, keep=never)


@pytest.fixture(scope="module")
def examples(engine: Engine) -> pd.DataFrame:
    """Marks as scoring measured them on the sample photos."""
    marks = pd.concat([scores.marks for scores in scores_of(engine)], ignore_index=True)
    return marks[~marks["photo"].str.startswith("drawn/")].reset_index(drop=True)


def joined(photos: list[DrawnPhoto], table: str) -> pd.DataFrame:
    return pd.concat([getattr(one, table) for one in photos if len(getattr(one, table))], ignore_index=True)


def test_the_same_seed_draws_the_same_figures_and_another_draws_others(examples: pd.DataFrame) -> None:
    limits = load_limits("shed")
    first, again, other = (drawn_weeks(seed, limits, examples) for seed in (1, 1, 2))
    for table in ("photo", "fruit", "marks"):
        pd.testing.assert_frame_equal(joined(first, table), joined(again, table))
        assert not joined(first, table).equals(joined(other, table))


@pytest.mark.parametrize("seed", SEEDS)
def test_what_a_drawn_fruit_comes_to_is_judged_from_its_marks(examples: pd.DataFrame, seed: int) -> None:
    limits = load_limits("shed")
    photos = drawn_weeks(seed, limits, examples)
    marks, fruit = joined(photos, "marks"), joined(photos, "fruit")
    assert set(marks["kind"]) == {*KINDS, UNSURE}
    by_fruit = dict(list(marks.groupby(["photo", "fruit"])))
    for row in fruit.to_dict("records"):
        own = by_fruit.get((row["photo"], row["fruit"]), marks.iloc[:0])
        sizes = {name: row[name] for name in ("visible_area_mm2", "length_mm", "width_mm")}
        said = judge_fruit(own, limits=limits, **sizes)
        assert (said.downgraded, said.verdict, said.class_name) == (row["downgraded"], row["verdict"], row["class"])
        assert (said.brown_area_mm2, len(own)) == (pytest.approx(row["brown_area_mm2"]), row["marks"])


def test_drawn_marks_have_every_measure_that_a_scored_one_has(examples: pd.DataFrame) -> None:
    marks = joined(drawn_weeks(1, load_limits("shed"), examples), "marks")
    assert set(MEASURES) <= set(marks.columns)
    assert np.isfinite(marks[["area_mm2", "length_mm", "width_mm", "probability"]]).all(axis=None)
    assert (marks["width_mm"] <= marks["length_mm"]).all()
