"""The estimators that fit a site's labels: scikit-learn's own checks, and probabilities that hold on trays not seen."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import softmax
from sklearn.calibration import calibration_curve
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.metrics import brier_score_loss, log_loss
from sklearn.pipeline import Pipeline
from sklearn.utils.estimator_checks import check_estimator
from threadpoolctl import threadpool_limits

from scorer.kinds import CLASSES, NOT_A_MARK, class_probabilities, load_model, load_parts, model_of
from scorer.marks.measure import MEASURES
from scorer.resources import models_folder
from scorer.training.calibrated import CalibratedByTray, as_shipped, sharpness_for
from scorer.training.model_folder import learned_from
from scorer.training.prior_forest import LearnedBefore, PriorForest, with_few_values

LEAF_COUNTS_ROWS = {
    "check_sample_weight_equivalence_on_dense_data": "a leaf holds at least 12 rows, whatever they weigh; a row that "
    "weighs two is one row, so trees grow otherwise than with the row twice"
}


@pytest.mark.filterwarnings("ignore::sklearn.exceptions.SkipTestWarning")
@pytest.mark.parametrize(
    ("estimator", "expected"),
    [(PriorForest(), LEAF_COUNTS_ROWS), (CalibratedByTray(), {})],
    ids=["PriorForest", "CalibratedByTray"],
)
def test_scikit_learns_own_checks_are_passed(estimator: object, expected: dict[str, str]) -> None:
    # scikit-learn's check_estimator, the published contract of its estimators
    checks = check_estimator(estimator, expected_failed_checks=expected, on_skip=None, on_fail=None)
    failed = {str(check["check_name"]): str(check["exception"]) for check in checks if check["status"] == "failed"}
    assert len(checks) > 50
    assert failed == {}


@pytest.fixture(scope="module")
def table() -> pd.DataFrame:
    """What the shipped model learned from, of 300 trays."""
    learned = learned_from(models_folder() / "marks")
    trays = sorted(set(learned["tray"]))[:300]
    return learned[learned["tray"].isin(trays)].reset_index(drop=True)


def halves(table: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    trays = sorted(set(table["tray"]))
    first = table["tray"].isin(trays[: len(trays) // 2])
    return table[first], table[~first]


def rows_of(table: pd.DataFrame) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return table[list(MEASURES)].to_numpy(float), table["kind"].to_numpy(str), table["tray"].to_numpy(str)


@pytest.fixture(scope="module")
def fitted(table: pd.DataFrame) -> CalibratedByTray:
    """Fitted on the first half of the trays."""
    rows, kinds, trays = rows_of(halves(table)[0])
    return CalibratedByTray(Pipeline([("names", PriorForest())])).fit(rows, kinds, groups=trays)


def test_probabilities_hold_on_simulated_trays_that_were_not_fitted_on(
    table: pd.DataFrame, fitted: CalibratedByTray
) -> None:
    others, truth, _ = rows_of(halves(table)[1])
    is_mark = truth != NOT_A_MARK
    said = 1 - fitted.predict_proba(others)[:, list(fitted.classes_).index(NOT_A_MARK)]
    # Brier 1950: better than always saying the share of marks, by scikit-learn's own figure
    assert brier_score_loss(is_mark, said) < 0.6 * is_mark.mean() * (1 - is_mark.mean())
    # reliability by scikit-learn: in tenths of the probability, what is said and what is so differ little
    true_share, mean_said = calibration_curve(is_mark, said, n_bins=5, strategy="quantile")
    assert np.abs(true_share - mean_said).max() < 0.08


def test_calibration_makes_the_truth_of_unseen_trays_more_probable(
    table: pd.DataFrame, fitted: CalibratedByTray
) -> None:
    others, truth, _ = rows_of(halves(table)[1])
    before = log_loss(truth, fitted.estimator_.predict_proba(others), labels=fitted.classes_)
    after = log_loss(truth, fitted.predict_proba(others), labels=fitted.classes_)
    assert fitted.sharpness_ < 1  # forests are too sure of themselves (Guo et al. 2017 say it of nets)
    assert after < before


def test_sharpness_is_that_of_the_most_probable_power() -> None:
    rng = np.random.default_rng(3)
    scores = np.log(softmax(rng.normal(0, 2, (4000, 3)), axis=1))
    truth = np.array([rng.choice(3, p=softmax(0.5 * row)) for row in scores])
    assert sharpness_for(scores, truth, np.ones(4000)) == pytest.approx(0.5, abs=0.05)


def test_no_tray_is_on_both_sides(table: pd.DataFrame) -> None:
    """Turn all labels of one tray: what was held out for that tray may change by the sharpness only."""
    few = table[table["tray"].isin(sorted(set(table["tray"]))[:12])].reset_index(drop=True)
    rows, kinds, trays = rows_of(few)
    one = trays == trays[0]
    turned = np.where(one, np.where(kinds == NOT_A_MARK, "cut", NOT_A_MARK), kinds)
    fits = [CalibratedByTray(PriorForest(rounds=20)).fit(rows, said, groups=trays) for said in (kinds, turned)]
    assert list(fits[0].classes_) == list(fits[1].classes_)
    odds = [np.log(fit.held_out_[one]) / fit.sharpness_ for fit in fits]
    centred = [each - each.mean(axis=1, keepdims=True) for each in odds]
    np.testing.assert_allclose(centred[0], centred[1], atol=1e-6)


def test_with_nothing_learned_before_it_is_scikit_learns_forest(table: pd.DataFrame) -> None:
    rows, kinds, _ = rows_of(table.head(2000))
    ours = PriorForest(random_state=4).fit(rows, kinds)
    theirs = HistGradientBoostingClassifier(**ours.forest_.get_params()).fit(rows, kinds)
    np.testing.assert_array_equal(ours.predict_proba(rows), theirs.predict_proba(rows))


def test_what_was_learned_before_counts_as_much_as_rows_of_its_own(table: pd.DataFrame) -> None:
    rows, kinds, _ = rows_of(table.head(2000))
    before = LearnedBefore(rows[1000:], kinds[1000:], np.ones(1000))
    together = PriorForest().fit(with_few_values(rows), kinds)
    apart = PriorForest(before).fit(rows[:1000], kinds[:1000])
    np.testing.assert_array_equal(together.predict_proba(rows), apart.predict_proba(rows))


def test_own_rows_count_for_several_each_by_its_weight(table: pd.DataFrame) -> None:
    rows, kinds, _ = rows_of(table.head(1200))
    before = LearnedBefore(rows[200:700], kinds[200:700], np.ones(500)).and_of(rows[700:], kinds[700:], 2)
    weights = np.repeat([1.0, 1 / 3, 0.0], [100, 90, 10])
    ours = PriorForest(before, times=3).fit(rows[:200], kinds[:200], sample_weight=weights)
    all_weights = np.concatenate([3 * weights, np.ones(500), np.full(500, 2.0)])
    theirs = HistGradientBoostingClassifier(**ours.forest_.get_params())
    theirs.fit(with_few_values(rows), kinds, sample_weight=all_weights / all_weights.mean())
    np.testing.assert_array_equal(ours.predict_proba(rows), theirs.predict_proba(rows))


def test_what_is_learned_of_few_values_holds_for_the_values_as_they_were(table: pd.DataFrame) -> None:
    """scikit-learn's bins of a column with as many values as bins lie midway between them."""
    rows, kinds, _ = rows_of(table.head(1500))
    few = with_few_values(rows)
    forest = PriorForest(rounds=20).fit(few, kinds)
    np.testing.assert_array_equal(forest.predict_proba(few), forest.predict_proba(rows))


COLUMN = st.lists(st.one_of(st.floats(-1e6, 1e6), st.just(float("nan"))), min_size=1, max_size=900)


@given(COLUMN)
def test_few_values_are_near_those_that_there_were_and_unknown_ones_stay_unknown(column: list[float]) -> None:
    values = np.array(column)[:, None]
    few = with_few_values(values)
    np.testing.assert_array_equal(np.isnan(few), np.isnan(values))
    known = values[~np.isnan(values)]
    left = np.unique(few[~np.isnan(few)])
    assert len(left) <= 255
    if len(np.unique(known)) <= 255:
        np.testing.assert_array_equal(few, values)
    else:  # a quantile lies between any 255th of the rows and the next
        order = np.sort(known)
        step = -(-len(order) // 254)
        widest = (order[step:] - order[:-step]).max()
        assert np.abs(few - values)[~np.isnan(values)].max() <= widest


def test_any_number_of_threads_gives_the_same(table: pd.DataFrame) -> None:
    rows, kinds, trays = rows_of(table.head(2000))
    said = []
    for threads in (1, 2):
        with threadpool_limits(threads):
            fit = CalibratedByTray(PriorForest(rounds=20)).fit(rows, kinds, groups=trays)
            said.append(fit.predict_proba(rows))
    np.testing.assert_array_equal(said[0], said[1])


def test_what_is_kept_says_the_same_as_what_was_fitted(table: pd.DataFrame, fitted: CalibratedByTray) -> None:
    rows, _, _ = rows_of(table)
    kept = as_shipped(fitted)
    np.testing.assert_allclose(kept.predict_proba(rows[:200]), fitted.predict_proba(rows[:200]), atol=1e-9)
    shipped = load_model()
    model = model_of(load_parts()[0], kept, shipped.card, "", "the fit")
    order = [list(fitted.classes_).index(name) for name in CLASSES]
    np.testing.assert_allclose(
        class_probabilities(rows[:200], model), fitted.predict_proba(rows[:200])[:, order], atol=1e-6
    )
