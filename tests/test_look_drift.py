"""Whether a batch looks like what a model learned from: figures against textbook or library, all by simulation."""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from sqlalchemy import Engine
from statsmodels.stats.multitest import multipletests

from scorer.access.roles import Person, Role
from scorer.errors import AccessError, ModelError, RecordsError
from scorer.kinds import CARD_FILE, CLASSES, load_model, load_parts, name_marks
from scorer.language import load_language
from scorer.look_drift.alike import effective_number, likeness
from scorer.look_drift.batch_look import BatchLook, looks_of_newest_batches, marks_of_batch
from scorer.look_drift.brown_row import brown_row
from scorer.look_drift.drift import DRIFT_DTYPES, LookDrift, drift_of_batch, look_drift
from scorer.look_drift.measure_row import measure_row, weights_by_kind
from scorer.look_drift.reference import Reference, reference_of
from scorer.look_drift.sentences import LESS_BROWN, MORE_BROWN, NO_REFERENCE, alike_sentence, too_few_sentence
from scorer.look_drift.stability_index import decile_edges, index_by_chance, shares_in_bins, stability_index
from scorer.look_drift.two_samples import largest_gap, p_of_gap
from scorer.marks.measure import MEASURES
from scorer.records.keep import keep_score
from scorer.score_tables import KINDS, UNSURE
from scorer.training.model_folder import TRAINING_FILE, keep_model
from tests.drawn_records import MODEL, OTHER_MODEL, batch_into, fresh_records, tray_score
from tests.other_models import change_card
from tests.test_cli import run

OFFICER = Person("Wattle", frozenset({Role.OFFICER}))
KIND_STEPS = dict(zip(KINDS, range(-2, 3), strict=True))


def drawn_marks(
    rng: np.random.Generator,
    photos: int,
    per_photo: int,
    *,
    icc: float = 0.3,
    mix: Sequence[float] = (0.2,) * 5,
    kind_step: float = 0.5,
    first: int = 0,
) -> pd.DataFrame:
    """Marks whose measures are normal: of standard deviation 1 within a kind, alike on a photo, apart between kinds."""
    count = photos * per_photo
    kind = rng.choice(KINDS, count, p=list(mix))
    photo = np.repeat(np.arange(photos), per_photo)
    shared = rng.normal(size=(photos, len(MEASURES)))[photo]
    values = np.sqrt(icc) * shared + np.sqrt(1 - icc) * rng.normal(size=(count, len(MEASURES)))
    values += kind_step * np.array([KIND_STEPS[each] for each in kind])[:, None]
    table = pd.DataFrame(values, columns=list(MEASURES))
    return table.assign(kind=kind, photo=[f"{first + number:03}" for number in photo])


def reference(marks: pd.DataFrame, brown: np.ndarray | None = None) -> Reference:
    return Reference(marks, brown, 600, MODEL)


def batch(marks: pd.DataFrame, brown: Sequence[float] = ()) -> BatchLook:
    fruit = pd.DataFrame(
        {"brown_fraction": np.array(brown, float), "photo": [f"{n // 8:03}" for n in range(len(brown))]}
    )
    return BatchLook(1, MODEL, marks, fruit)


def moved_in(drift: LookDrift) -> list[str]:
    return drift.table.loc[drift.table["moved"], "measure"].tolist()


# The index --------------------------------------------------------------------------------------------------------


def test_the_index_of_a_small_table_is_that_worked_by_hand() -> None:
    # (0.4 - 0.5) ln(0.4 / 0.5) + 0 + (0.3 - 0.2) ln(0.3 / 0.2) = 0.0223144 + 0.0405465
    assert stability_index(np.array([0.5, 0.3, 0.2]), np.array([0.4, 0.3, 0.3])) == pytest.approx(0.0628609, abs=1e-7)
    # an empty bin counts for 0.01: (0.01 - 0.5) ln(0.01 / 0.5) + (1 - 0.5) ln(1 / 0.5) = 1.9168915 + 0.3465736
    emptied = stability_index(np.array([0.5, 0.5]), np.array([0.0, 1.0]), 0.01, 0.01)
    assert emptied == pytest.approx(2.2634651, abs=1e-6)


def test_the_index_is_zero_for_equal_shares_and_the_same_both_ways() -> None:
    # it is the sum of both Kullback-Leibler divergences (Kullback and Leibler 1951, equation 2.6); scipy's as reference
    a, b = np.array([0.1, 0.2, 0.7]), np.array([0.3, 0.3, 0.4])
    assert stability_index(a, a) == 0
    assert stability_index(a, b) == pytest.approx(stats.entropy(a, b) + stats.entropy(b, a))


def test_ten_bins_hold_a_tenth_each() -> None:
    values, even = np.arange(1.0, 101.0), np.ones(100)
    edges = decile_edges(values, even)
    assert edges.tolist() == [10, 20, 30, 40, 50, 60, 70, 80, 90]
    assert shares_in_bins(values, even, edges) == pytest.approx(np.full(10, 0.1))


def test_weighted_deciles_are_numpys() -> None:
    rng = np.random.default_rng(1)
    values, weights = rng.normal(size=400), rng.random(400)
    wanted = np.quantile(values, np.arange(1, 10) / 10, weights=weights, method="inverted_cdf")
    assert decile_edges(values, weights) == pytest.approx(wanted)


def test_many_equal_values_share_one_bin_and_none_is_empty() -> None:
    values = np.concatenate([np.zeros(45), np.arange(1.0, 31.0), np.full(25, 50.0)])
    edges = decile_edges(values, np.ones(100))
    shares = shares_in_bins(values, np.ones(100), edges)
    assert shares[0] == pytest.approx(0.45)
    assert shares[-1] >= 0.25
    assert (shares > 0).all()
    assert decile_edges(np.ones(9), np.ones(9)).tolist() == []


def test_chance_gives_the_index_the_mean_that_is_published() -> None:
    # (bins - 1) (1/n + 1/m): Yurdakul 2018, Statistical Properties of Population Stability Index (from memory)
    rng = np.random.default_rng(2)
    found = [
        float(stability_index(*(rng.multinomial(size, np.full(10, 0.1)) / size for size in (800, 1500))))
        for _ in range(3000)
    ]
    assert np.mean(found) == pytest.approx(9 * (1 / 800 + 1 / 1500), rel=0.04)
    # and that many times chi-squared with 9 degrees of freedom: the same source
    limit = stats.chi2.ppf(0.99, 9) * (1 / 800 + 1 / 1500)
    assert index_by_chance(np.full(10, 0.1), 800, 1500) == pytest.approx(limit, rel=0.08)


@pytest.mark.parametrize(("before", "now"), [(600, 60), (200, 25), (3000, 100)])
def test_chance_exceeds_its_limit_in_one_of_a_hundred_small_samples(before: int, now: int) -> None:
    rng, shares = np.random.default_rng(3), np.full(10, 0.1)
    a, b = (rng.multinomial(size, shares, 8000) / size for size in (before, now))
    over = stability_index(a, b, 0.5 / before, 0.5 / now) > index_by_chance(shares, before, now)
    # 0.01 with a standard error of 0.0011 here, and of 0.0022 of the limit's own draws
    assert 0.003 < over.mean() < 0.02


# The test of two samples ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("shift", [0.0, 0.3])
def test_gap_and_p_are_those_of_scipy(shift: float) -> None:
    rng = np.random.default_rng(4)
    before, now = rng.normal(size=350).round(1), rng.normal(shift, size=90).round(1)
    wanted = stats.ks_2samp(before, now, method="asymp")
    gap = largest_gap(before, np.ones(350), now)
    assert gap == pytest.approx(wanted.statistic)
    assert p_of_gap(gap, 350, 90) == pytest.approx(wanted.pvalue)


def test_a_weight_of_three_is_a_mark_three_times() -> None:
    rng = np.random.default_rng(5)
    before, now, weights = rng.normal(size=80), rng.normal(size=50), rng.integers(1, 5, 80)
    wanted = stats.ks_2samp(np.repeat(before, weights), now).statistic
    assert largest_gap(before, weights.astype(float), now) == pytest.approx(wanted)


def test_no_independent_mark_speaks_against_chance() -> None:
    assert p_of_gap(1.0, 0.0, 30.0) == 1.0
    assert p_of_gap(1.0, 0.3, 30.0) == 1.0


# Marks of one photo -----------------------------------------------------------------------------------------------


def test_likeness_is_that_of_the_analysis_of_variance() -> None:
    # (F - 1) / (F + m - 1) for groups of m (Fisher's intraclass correlation, textbook); F and ranks by scipy
    rng = np.random.default_rng(6)
    values = (np.repeat(rng.normal(size=12), 6) + rng.normal(size=72)).reshape(12, 6)
    ranks = stats.rankdata(values).reshape(12, 6)
    f = stats.f_oneway(*ranks).statistic
    photos = pd.Series(np.repeat(np.arange(12), 6).astype(str))
    found = likeness(pd.Series(values.ravel()), pd.Series("cut", photos.index), photos)
    assert found == pytest.approx((f - 1) / (f + 5))
    assert found > 0.2


def test_photos_of_one_kind_each_are_not_alike_for_that() -> None:
    rng = np.random.default_rng(7)
    kinds = pd.Series(np.repeat(["cut", "crease"] * 30, 5))
    values = pd.Series(rng.normal(size=300) + 20 * (kinds == "cut"))
    photos = pd.Series(np.repeat(np.arange(60), 5).astype(str))
    assert likeness(values, kinds, photos) < 0.1
    assert likeness(values, pd.Series("any", kinds.index), photos) > 0.5


def test_likeness_cannot_be_told_from_single_marks() -> None:
    values, kinds = pd.Series([1.0, 2.0, 4.0]), pd.Series("cut", range(3))
    assert likeness(values, kinds, pd.Series(["a", "b", "c"])) == 0
    assert likeness(values, kinds, pd.Series(["a", "a", "a"])) == 0
    assert likeness(pd.Series([1.0, 1.0, 1.0]), kinds, pd.Series(["a", "a", "b"])) == 0


def test_marks_are_worth_less_by_kishs_design_effect() -> None:
    # Kish 1965, Survey Sampling, 5.4 and 11.7: 50 / (1 + (5 - 1) 0.25) = 25; (1 + 1 + 2)^2 / (1 + 1 + 4) = 2.6667
    photos = pd.Series(np.repeat(np.arange(10), 5).astype(str))
    assert effective_number(np.ones(50), photos, 0.25) == pytest.approx(25)
    assert effective_number(np.ones(50), photos, 0) == pytest.approx(50)
    assert effective_number(np.ones(50), photos, 1) == pytest.approx(10)
    assert effective_number(np.array([1.0, 1, 2]), pd.Series(["a", "b", "c"]), 0.7) == pytest.approx(16 / 6)


# A batch as a whole -----------------------------------------------------------------------------------------------


def test_photos_that_look_the_same_are_warned_of_in_at_most_one_of_twenty() -> None:
    warned, taken_for_independent = 0, 0
    for seed in range(20):
        rng = np.random.default_rng(seed)
        before = drawn_marks(rng, 60, 12)
        now = drawn_marks(rng, 8, 12, first=500)
        warned += bool(look_drift(reference(before), batch(now)).warning)
        if seed < 10:
            apart = (side.assign(photo=[f"{n:04}" for n in side.index]) for side in (before, now))
            taken_for_independent += bool(look_drift(*map_sides(apart)).warning)
    assert warned <= 1
    assert taken_for_independent >= 5, "marks of a photo taken for independent would be warned of most of the time"


def map_sides(sides: object) -> tuple[Reference, BatchLook]:
    before, now = sides  # type: ignore[misc]
    return reference(before), batch(now)


@pytest.mark.parametrize("measure", ["ring_b", "area_mm2", "patchiness"])
def test_a_shift_of_one_standard_deviation_is_found_and_named(measure: str) -> None:
    rng = np.random.default_rng(11)
    before, now = drawn_marks(rng, 100, 8, icc=0.1), drawn_marks(rng, 20, 5, icc=0.1, first=500)
    drift = look_drift(reference(before), batch(now.assign(**{measure: now[measure] + 1})))
    assert moved_in(drift) == [measure]
    row = drift.table.iloc[0]
    assert row["psi"] > max(0.25, row["psi_by_chance"])
    assert row["p"] < 0.01
    assert row["usual_now"] - row["usual_before"] == pytest.approx(1, abs=0.4)
    assert drift.warning.startswith(
        "Photos of this batch look unlike what the model has learned from, in 1 of 43 measures, "
        f"most of all {measure.replace('_', ' ')}."
    )
    assert (drift.marks, drift.photos) == (100, 20)


def test_another_mix_of_kinds_is_no_other_look() -> None:
    rng = np.random.default_rng(12)
    before = drawn_marks(rng, 100, 8, icc=0.1, kind_step=1.0)
    now = drawn_marks(rng, 20, 6, icc=0.1, kind_step=1.0, mix=(0.02, 0.03, 0.05, 0.2, 0.7), first=500)
    drift = look_drift(reference(before), batch(now))
    assert drift.warning == ""
    assert drift.notes == (alike_sentence(43),)
    mixed_up = look_drift(*map_sides(side.assign(kind="cut") for side in (before, now)))
    assert len(moved_in(mixed_up)) > 30, "all measures seem to have moved where kinds are not told apart"


def test_weights_mix_the_kinds_as_in_the_batch() -> None:
    before = pd.Series(["cut"] * 8 + ["crease"] * 2)
    weights = weights_by_kind(before, pd.Series(["cut", "crease", "crease", "crease"]))
    assert weights == pytest.approx([1 / 8] * 8 + [3 / 2] * 2)


def test_p_is_adjusted_for_all_measures() -> None:
    # Holm 1979; statsmodels as reference
    rng = np.random.default_rng(13)
    before, now = drawn_marks(rng, 60, 8, icc=0.0), drawn_marks(rng, 20, 5, icc=0.0, first=500)
    now = now.assign(ring_b=now["ring_b"] + 1)
    alone = [measure_row(measure, before, now).p for measure in MEASURES]
    table = look_drift(reference(before), batch(now)).table
    found = table.set_index("measure").loc[list(MEASURES), "p"]
    assert found.to_numpy() == pytest.approx(multipletests(alone, method="holm")[1])
    assert table.dtypes.astype(str).to_dict() == DRIFT_DTYPES
    assert table["p"].min() < 0.01


def test_too_few_marks_or_photos_tell_nothing() -> None:
    rng = np.random.default_rng(14)
    before = reference(drawn_marks(rng, 60, 8))
    for photos, per_photo in ((5, 5), (4, 20)):
        drift = look_drift(before, batch(drawn_marks(rng, photos, per_photo).assign(ring_b=99.0)))
        assert drift.warning == ""
        assert drift.table.empty
        assert drift.notes == (too_few_sentence(photos * per_photo, photos, 30, 5),)
    enough = look_drift(before, batch(drawn_marks(rng, 10, 6, first=500).assign(ring_b=99.0)))
    assert moved_in(enough) == ["ring_b"]


def test_unsure_marks_and_kinds_that_the_model_knows_too_little_are_left_out() -> None:
    rng = np.random.default_rng(15)
    before = drawn_marks(rng, 60, 8, mix=(0.5, 0.5, 0, 0, 0))
    now = drawn_marks(rng, 12, 8, mix=(0.5, 0.5, 0, 0, 0), first=500)
    odd = [now.iloc[:30].assign(kind=kind, ring_b=99.0) for kind in (UNSURE, "stem_puncture")]
    drift = look_drift(reference(before), batch(pd.concat([now, *odd], ignore_index=True)))
    assert (drift.marks, drift.warning) == (96, "")
    assert "some kinds to hold others against them: stem puncture." in drift.notes[1]


def test_a_measure_that_the_batch_lacks_is_passed_over() -> None:
    rng = np.random.default_rng(16)
    now = drawn_marks(rng, 10, 8, first=500).assign(lining=np.nan)
    drift = look_drift(reference(drawn_marks(rng, 60, 8)), batch(now))
    row = drift.table.set_index("measure").loc["lining"]
    assert pd.isna(row["psi"])
    assert not row["moved"]
    assert drift.notes == (alike_sentence(42),)


def test_a_batch_of_another_model_is_said_to_be() -> None:
    rng = np.random.default_rng(17)
    look = replace(batch(drawn_marks(rng, 10, 8, first=500)), model_sha256=OTHER_MODEL)
    drift = look_drift(reference(drawn_marks(rng, 60, 8)), look)
    assert any("scored by another model, bbbbbbbbbbbb," in note for note in drift.notes)


# Brown skin -------------------------------------------------------------------------------------------------------


def test_brown_fruit_against_quantiles_are_worked_by_hand() -> None:
    # training: even from 0 to 0.2, so its ten bins end at 0.02, 0.04, ...; half the batch is in the first two
    quantiles = np.linspace(0, 0.2, 21)
    fruit = pd.DataFrame({"brown_fraction": [0.01] * 25 + [0.03] * 25 + [0.11] * 25 + [0.19] * 25})
    row = brown_row(quantiles, 1000, fruit.assign(photo=[f"{n:03}" for n in range(100)]))
    # bins hold 25, 25, 0, 0, 0, 25, 0, 0, 0, 25 of 100: 4 x 0.15 ln 2.5 + 6 x (0.005 - 0.1) ln(0.05) = 0.5498 + 1.7076
    assert row.psi == pytest.approx(2.25736, abs=1e-4)
    assert (row.usual_before, row.usual_now) == (pytest.approx(0.1), pytest.approx(0.07))
    # up to 0.03 lie half of its fruit, and of the training fruit 0.15
    assert row.p == pytest.approx(stats.kstwo.sf(0.35, 91))


def test_fruit_as_brown_as_in_training_have_not_moved() -> None:
    rng = np.random.default_rng(18)
    pool = np.where(rng.random(5000) < 0.6, 0, rng.exponential(0.02, 5000))
    quantiles = np.quantile(pool, np.linspace(0, 1, 21))
    over = 0
    for _ in range(60):
        now = np.where(rng.random(120) < 0.6, 0, rng.exponential(0.02, 120))
        row = brown_row(quantiles, 5000, pd.DataFrame({"brown_fraction": now, "photo": np.arange(120) // 8}))
        over += row.beyond_chance or row.p < 0.01
    assert over <= 3


@pytest.mark.parametrize(("factor", "note"), [(6.0, MORE_BROWN), (0.1, LESS_BROWN)])
def test_browner_fruit_are_noted_and_no_warning(factor: float, note: str) -> None:
    rng = np.random.default_rng(19)
    quantiles = np.quantile(rng.exponential(0.02, 5000), np.linspace(0, 1, 21))
    brown = np.minimum(factor * rng.exponential(0.02, 160), 1)
    now = batch(drawn_marks(rng, 20, 5, icc=0.1, first=500), brown.tolist())
    drift = look_drift(reference(drawn_marks(rng, 60, 8, icc=0.1), quantiles), now)
    assert moved_in(drift) == ["brown_fraction"]
    assert drift.warning == ""
    assert drift.notes == (alike_sentence(43), note)


# What a model keeps, and the records ------------------------------------------------------------------------------


def proposals(rng: np.random.Generator, count: int, *, per_tray: int, first: int = 0) -> pd.DataFrame:
    """Rows about what is usual of each measure, such as the shipped model names in all ways."""
    usual = load_model().usual
    values = usual * (1 + 0.4 * rng.normal(size=(count, len(MEASURES)))) + 0.2 * rng.normal(size=(count, len(MEASURES)))
    number = np.arange(count)
    about = {"kind": CLASSES[0], "who": "Jarrah", "fruit": 1 + number % 5}
    values[:, :3] = np.maximum(values[:, :3], 0.1)  # sizes
    tray = [f"T{first + each // per_tray:03}" for each in number]
    return pd.DataFrame(values, columns=list(MEASURES)).assign(**about, tray=tray)


@pytest.fixture(scope="module")
def fitted(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The shipped model with training marks and brown fractions that were drawn."""
    folder = tmp_path_factory.mktemp("fitted") / "north-block"
    card = dict(load_model().card) | {"brown_fractions": np.linspace(0, 0.05, 21).tolist(), "fruit": 900}
    keep_model(folder, *load_parts(), card, proposals(np.random.default_rng(20), 2400, per_tray=20))
    return folder


@pytest.fixture
def copied(fitted: Path, tmp_path: Path) -> Path:
    return shutil.copytree(fitted, tmp_path / "copied")


def test_the_reference_is_what_the_model_itself_takes_for_marks(fitted: Path) -> None:
    kept = reference_of(fitted)
    assert kept is not None
    table = proposals(np.random.default_rng(20), 2400, per_tray=20).astype(dict.fromkeys(MEASURES, "float32"))
    said = name_marks(table.astype(dict.fromkeys(MEASURES, "float64")), load_model(fitted))["kind"]
    marks = table[said.isin(KINDS)]
    assert 200 < len(marks) < 2400
    assert kept.marks["kind"].tolist() == said[said.isin(KINDS)].tolist()
    assert kept.marks["photo"].tolist() == marks["tray"].tolist()
    assert kept.marks[list(MEASURES)].to_numpy() == pytest.approx(marks[list(MEASURES)].to_numpy())
    assert (kept.fruit, kept.model_sha256) == (900, load_model(fitted).sha256)
    assert kept.brown_fractions == pytest.approx(np.linspace(0, 0.05, 21))


def test_a_model_that_keeps_nothing_has_no_reference(copied: Path, tmp_path: Path) -> None:
    (copied / TRAINING_FILE).unlink()
    assert reference_of(copied) is None
    engine = fresh_records("sqlite", tmp_path, str)
    keep_marks(engine, proposals(np.random.default_rng(1), 60, per_tray=6))
    drift = drift_of_batch(OFFICER, engine, copied)
    assert (drift.warning, drift.notes) == ("", (NO_REFERENCE,))
    assert drift.table.empty
    engine.dispose()


def test_a_card_without_brown_fractions_has_none(copied: Path) -> None:
    for said in (None, []):
        change_card(copied, brown_fractions=said)
        kept = reference_of(copied)
        assert kept is not None
        assert kept.brown_fractions is None


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ([0.1, 0.2], "brown_fractions"),
        (list(range(21, 0, -1)), "brown_fractions"),
        (["much"] * 21, "brown_fractions"),
        ([None] * 21, "brown_fractions"),
        ("brown", "brown_fractions"),
        ({"0.5": 0.1}, "brown_fractions"),
    ],
)
def test_a_card_with_other_brown_fractions_is_refused(copied: Path, said: object, words: str) -> None:
    card = json.loads((copied / CARD_FILE).read_text(encoding="utf-8")) | {"brown_fractions": said}
    (copied / CARD_FILE).write_text(json.dumps(card), encoding="utf-8")
    with pytest.raises(ModelError, match=words):
        reference_of(copied)


def test_training_marks_that_are_not_those_of_the_card_are_refused(copied: Path) -> None:
    (copied / TRAINING_FILE).write_bytes(b"no table")
    with pytest.raises(ModelError, match=r"training\.parquet"):
        reference_of(copied)


@pytest.mark.parametrize("spoil", ["kind", "tray", "ring_b", "words"])
def test_training_marks_of_another_shape_are_refused(tmp_path: Path, spoil: str) -> None:
    table = proposals(np.random.default_rng(21), 50, per_tray=10)
    spoilt = {"kind": table.assign(kind="moon"), "tray": table.assign(tray=None)}.get(spoil, table)
    keep_model(tmp_path / "spoilt", *load_parts(), load_model().card, spoilt)
    if spoil in ("ring_b", "words"):
        path = tmp_path / "spoilt" / TRAINING_FILE
        other = table.drop(columns="ring_b") if spoil == "ring_b" else table.assign(ring_b="pale")
        other.to_parquet(path)
        change_card(tmp_path / "spoilt", training_table=sha256_of(path))
    with pytest.raises(ModelError, match=r"^spoilt: .*training\.parquet"):
        reference_of(tmp_path / "spoilt")


def sha256_of(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def keep_marks(engine: Engine, table: pd.DataFrame, *, model: str = MODEL, verdicts: Sequence[str] = ("good",)) -> int:
    """A batch whose trays have the marks that the shipped model names in the table; gives its number."""
    named = name_marks(table, load_model())["kind"]
    open_batch = batch_into(engine, model)
    for number, (tray, rows) in enumerate(table[named.isin(KINDS)].groupby("tray")):
        score = tray_score(f"{tray}.jpg")
        count = np.arange(1, len(rows) + 1)
        about = {"photo": f"{tray}.jpg", "fruit": (count - 1) % 6 + 1, "mark": count, "probability": 0.9}
        marks = rows[list(MEASURES)].reset_index(drop=True).assign(**about, kind=named[rows.index].tolist())
        verdict = verdicts[number % len(verdicts)]
        keep_score(open_batch, score.photo.assign(verdict=verdict), score.fruit, marks)
    return open_batch.number


def test_a_batch_comes_back_with_its_marks_and_fruit(records: Engine) -> None:
    table = proposals(np.random.default_rng(22), 90, per_tray=9)
    named = name_marks(table, load_model())["kind"]
    number = keep_marks(records, table, verdicts=("good", "usable", "retake"))
    look = marks_of_batch(records, number)
    trays = [f"T{each:03}" for each in range(10) if each % 3 != 2]
    wanted = table[named.isin(KINDS) & table["tray"].isin(trays)]
    assert (look.batch, look.model_sha256) == (number, MODEL)
    for measure in MEASURES:
        assert sorted(look.marks[measure]) == pytest.approx(sorted(wanted[measure])), measure
    assert sorted(look.marks["kind"]) == sorted(named[wanted.index])
    assert look.marks["photo"].nunique() == wanted["tray"].nunique()
    assert len(look.fruit) == 6 * look.fruit["photo"].nunique() == 6 * len(trays)
    assert look.fruit["brown_fraction"].tolist() == pytest.approx([0.012345678] * len(look.fruit))


def test_newest_batches_come_first_and_empty_ones_not_at_all(records: Engine) -> None:
    first = keep_marks(records, proposals(np.random.default_rng(23), 30, per_tray=5))
    second = keep_marks(records, proposals(np.random.default_rng(24), 30, per_tray=5, first=50), model=OTHER_MODEL)
    empty = batch_into(records).number
    looks = looks_of_newest_batches(records)
    assert [look.batch for look in looks] == [second, first]
    assert [look.model_sha256 for look in looks] == [OTHER_MODEL, MODEL]
    assert [look.batch for look in looks_of_newest_batches(records, newest=1)] == [second]
    assert marks_of_batch(records, empty).marks.empty
    with pytest.raises(RecordsError, match="holds no batch 99"):
        marks_of_batch(records, 99)


def test_marks_of_a_model_with_other_measures_have_none(records: Engine) -> None:
    score = tray_score("tray_1.jpg")
    open_batch = batch_into(records)
    keep_score(open_batch, score.photo, score.fruit, score.marks.assign(solidity=[0.1, np.nan, 0.3, 0.4, 0.5, 0.6]))
    look = marks_of_batch(records, open_batch.number)
    assert list(look.marks.columns) == [*MEASURES, "kind", "photo"]
    assert look.marks["solidity"].tolist() == pytest.approx([0.1, np.nan, 0.3, 0.4, 0.5, 0.6], nan_ok=True)
    assert look.marks["ring_b"].isna().all()


def test_whoever_may_not_see_the_records_is_told_nothing(records: Engine, fitted: Path) -> None:
    with pytest.raises(AccessError):
        drift_of_batch(Person("Nobody", frozenset()), records, fitted)
    with pytest.raises(RecordsError, match="holds no scored photo"):
        drift_of_batch(OFFICER, records, fitted)


# The command ------------------------------------------------------------------------------------------------------


@pytest.fixture
def season(tmp_path: Path) -> tuple[Path, int, int]:
    """Records with a batch like the training marks, and after it one whose surroundings of marks are yellower."""
    engine = fresh_records("sqlite", tmp_path, str)
    table = proposals(np.random.default_rng(25), 400, per_tray=20)
    alike = keep_marks(engine, table)
    other = proposals(np.random.default_rng(26), 400, per_tray=20, first=50)
    unlike = keep_marks(engine, other.assign(ring_b=other["ring_b"] + 3))
    engine.dispose()
    return tmp_path / "season.sqlite", alike, unlike


def test_the_command_names_what_moved_and_writes_it_all(season: tuple[Path, int, int], fitted: Path) -> None:
    records, alike, unlike = season
    run("models", "add", fitted, "--records", records, "--who", "Jarrah")
    (name,) = [path.name for path in records.with_suffix(".models").iterdir() if path.name != "history"]
    out = records.parent / "drift.csv"
    told = run("models", "drift", "--records", records, "--model", name, "--csv", out)
    assert told.exit_code == 0, told.output
    assert "What has moved" in told.output
    assert "most of all ring b. Check 20 marks by eye" in told.output
    written = pd.read_csv(out)
    assert written.columns.tolist() == list(DRIFT_DTYPES)
    assert sorted(written["measure"]) == sorted([*MEASURES, "brown_fraction"])
    assert written.loc[written["measure"] == "ring_b", "moved"].tolist() == ["yes"]

    quiet = run("models", "drift", "--records", records, "--model", name, "--batch", str(alike))
    assert quiet.exit_code == 0, quiet.output
    assert alike_sentence(43) in quiet.output
    assert "Photos of this batch look unlike" not in quiet.output
    assert f"{unlike}" != f"{alike}"

    run("models", "promote", name, "--records", records, "--why", "a trial")
    in_use = run("models", "drift", "--records", records, "--batch", str(unlike))
    assert "most of all ring b." in in_use.output


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("--batch", "99"), 1, "holds no batch 99"),
        (("--batch", "0"), 2, "--batch"),
        (("--model", "moon"), 1, "There is no model 'moon'"),
        (("--records", "gone.sqlite"), 1, "There are no records"),
    ],
)
def test_wrong_input_to_the_command_is_told_in_one_sentence(
    season: tuple[Path, int, int], monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...], code: int, words: str
) -> None:
    monkeypatch.chdir(season[0].parent)
    result = run("models", "drift", "--records", season[0], *arguments)
    assert result.exit_code == code, result.output
    assert words in " ".join(result.output.split())
    assert "Traceback" not in result.output


def test_all_that_is_said_is_said_in_spanish_too() -> None:
    rng, spanish = np.random.default_rng(27), load_language("es")
    before = reference(drawn_marks(rng, 60, 8, mix=(0.5, 0.5, 0, 0, 0)))
    now = drawn_marks(rng, 12, 8, mix=(0.5, 0.5, 0, 0, 0), first=500)
    other = pd.concat([now, now.iloc[:5].assign(kind="stem_puncture")]).assign(ring_b=99.0, area_mm2=-99.0)
    drift = look_drift(before, replace(batch(other), model_sha256=OTHER_MODEL))
    few = look_drift(before, batch(now.iloc[:9]))
    alike = look_drift(before, batch(now))
    said = (drift.warning, *drift.notes, *few.notes, *alike.notes, NO_REFERENCE, MORE_BROWN, LESS_BROWN)
    assert len(said) == 8
    for sentence in said:
        assert spanish.told(sentence) != sentence, sentence
    assert "b alrededor" in spanish.told(drift.warning)
    assert "ring" not in spanish.told(drift.warning)
