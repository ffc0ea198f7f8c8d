"""The forest that names marks against scikit-learn's own, on measures it was and was not fitted for."""

import numpy as np
import pytest
import skops.io
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.calibration import CalibratedClassifierCV
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.frozen import FrozenEstimator

from scorer.forest import forest_from, one_usual
from scorer.kinds import KINDS_FILE, TRUSTED_TYPES
from scorer.resources import models_folder

MEASURES = 5


def fitted(seed=0, *, leaves=8, classes=4, holes=0.0):
    """A calibrated classifier on drawn numbers, some of them missing."""
    rng = np.random.default_rng(seed)
    rows = np.round(rng.normal(size=(400, MEASURES)), 1)  # round, so that many values lie on a threshold
    kinds = (rows[:, 0] * rows[:, 1] + rng.normal(size=400)).argsort().argsort() * classes // 400
    rows[rng.random(rows.shape) < holes] = np.nan
    boosted = HistGradientBoostingClassifier(max_iter=12, max_leaf_nodes=leaves, random_state=seed).fit(rows, kinds)
    return CalibratedClassifierCV(FrozenEstimator(boosted), method="temperature").fit(rows, kinds)


def drawn_rows(count=60, seed=1, *, holes=0.0):
    rng = np.random.default_rng(seed)
    rows = np.round(rng.normal(size=(count, MEASURES)) * 2, 1)
    rows[rng.random(rows.shape) < holes] = np.nan
    return rows


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 1000), st.integers(2, 16), st.integers(3, 5), st.sampled_from([0.0, 0.2]))
def test_probabilities_are_those_of_scikit_learn(seed, leaves, classes, holes):
    classifier = fitted(seed, leaves=leaves, classes=classes, holes=holes)
    rows = drawn_rows(seed=seed + 1, holes=holes)
    assert forest_from(classifier).probabilities(rows) == pytest.approx(classifier.predict_proba(rows), abs=1e-12)


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 1000), st.integers(2, 16), st.sampled_from([0.0, 0.2]))
def test_a_measure_at_its_usual_value_is_as_if_the_row_held_that_value(seed, leaves, holes):
    classifier = fitted(seed, leaves=leaves, holes=holes)
    rows, usual = drawn_rows(20, seed + 1, holes=holes), drawn_rows(1, seed + 2)[0]
    found = one_usual(forest_from(classifier), usual).probabilities(rows)
    for measure in range(MEASURES):
        changed = rows.copy()
        changed[:, measure] = usual[measure]
        assert found[:, measure] == pytest.approx(classifier.predict_proba(changed), abs=1e-12)


def test_the_shipped_model_names_as_scikit_learn_does():
    classifier = skops.io.load(models_folder() / "marks" / KINDS_FILE, trusted=sorted(TRUSTED_TYPES))
    rows = np.random.default_rng(3).normal(size=(50, classifier.n_features_in_)) * 3
    assert forest_from(classifier).probabilities(rows) == pytest.approx(classifier.predict_proba(rows), abs=1e-12)


def test_trees_with_more_leaves_than_are_kept_are_refused():
    with pytest.raises(ValueError, match=r"a tree has \d+ leaves, and at most 16 are scored"):
        forest_from(fitted(leaves=31))
