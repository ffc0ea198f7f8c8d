"""Naming marks: the shipped model loads and names; a damaged or foreign one is refused in words."""

import json
import shutil

import numpy as np
import pandas as pd
import pytest
import skops.io
from sklearn.linear_model import LogisticRegression

from scorer.errors import ModelError
from scorer.kinds import CLASSES, NOT_A_MARK, class_probabilities, driving_measures, load_model, name_marks
from scorer.marks.contrast import CONTRASTS
from scorer.marks.measure import MEASURES
from scorer.marks.propose import LIMIT, discriminant_from, quadratic_terms
from scorer.resources import models_folder
from scorer.score_tables import KINDS, UNSURE


@pytest.fixture
def folder(tmp_path):
    return shutil.copytree(models_folder() / "marks", tmp_path / "marks")


def proposals(count=40, seed=1):
    model = load_model()
    rng = np.random.default_rng(seed)
    spread = np.abs(model.usual) * 0.6 + 0.1
    return pd.DataFrame(model.usual + rng.normal(size=(count, len(MEASURES))) * spread, columns=list(MEASURES))


def test_the_shipped_model_says_what_it_was_made_of_and_where_it_ends():
    card = load_model().card
    assert card["measures"] == list(MEASURES)
    assert card["trays"] >= 100
    assert "not real fruit" in card["limits_of_use"]
    assert set(card["figures_held_out_by_tray"]["per_class"]) == set(CLASSES)


def test_every_proposal_gets_one_name_with_a_probability():
    model = load_model()
    named = name_marks(proposals(), model)
    assert set(named["kind"]) <= {*KINDS, UNSURE, NOT_A_MARK}
    assert named["probability"].between(0, 1).all()
    assert named[[f"p_{name}" for name in CLASSES]].sum(axis=1).to_numpy() == pytest.approx(1.0)
    marked = 1 - named[f"p_{NOT_A_MARK}"]
    assert ((named["kind"] != NOT_A_MARK) == (marked >= model.mark_from)).all()


def test_no_proposals_give_no_names():
    named = name_marks(proposals().iloc[:0], load_model())
    assert named.empty
    assert list(named.columns[:2]) == ["kind", "probability"]


def test_putting_a_driving_measure_back_to_usual_weakens_the_name():
    model = load_model()
    rows = proposals()
    named = name_marks(rows, model)
    drivers = driving_measures(rows, named, model)
    checked = 0
    for i, (kind, names) in enumerate(zip(named["kind"], drivers, strict=True)):
        if kind in CLASSES and names:
            changed = rows.iloc[[i]].copy()
            changed[names[0]] = model.usual[MEASURES.index(names[0])]
            after = class_probabilities(changed.to_numpy(float), model)[0, CLASSES.index(kind)]
            assert after < named[f"p_{kind}"].iloc[i]
            checked += 1
    assert checked > 5


def test_a_tampered_model_is_refused(folder):
    content = bytearray((folder / "kinds.skops").read_bytes())
    content[len(content) // 2] ^= 1
    (folder / "kinds.skops").write_bytes(bytes(content))
    with pytest.raises(ModelError, match=r"kinds\.skops is not the file that its card describes"):
        load_model(folder)


def test_a_missing_part_is_named(folder):
    (folder / "detector.skops").unlink()
    with pytest.raises(ModelError, match=r"detector\.skops is missing"):
        load_model(folder)


def test_a_foreign_type_is_refused_even_with_a_matching_hash(folder):
    import hashlib
    from functools import partial

    content = skops.io.dumps(partial(print, "run me"))
    (folder / "kinds.skops").write_bytes(content)
    card = json.loads((folder / "card.json").read_text())
    card["files"]["kinds.skops"] = hashlib.sha256(content).hexdigest()
    (folder / "card.json").write_text(json.dumps(card))
    with pytest.raises(ModelError, match="not trusted"):
        load_model(folder)


def test_a_classifier_of_another_sort_is_refused(folder):
    import hashlib

    rows = np.arange(20.0).reshape(10, 2)
    content = skops.io.dumps(LogisticRegression().fit(rows, np.arange(10) > 4))
    (folder / "kinds.skops").write_bytes(content)
    card = json.loads((folder / "card.json").read_text())
    card["files"]["kinds.skops"] = hashlib.sha256(content).hexdigest()
    (folder / "card.json").write_text(json.dumps(card))
    with pytest.raises(ModelError, match="is not one that this version of scorer uses"):
        load_model(folder)


def test_a_model_for_other_measures_is_refused(folder):
    card = json.loads((folder / "card.json").read_text())
    card["measures"] = card["measures"][:-1]
    (folder / "card.json").write_text(json.dumps(card))
    with pytest.raises(ModelError, match="fitted for other measures"):
        load_model(folder)


def test_the_quick_discriminant_equals_the_fitted_regression():
    rng = np.random.default_rng(0)
    contrasts = rng.normal(size=(600, len(CONTRASTS))).astype(np.float32) * 2
    classes = rng.integers(0, 3, 600)
    fitted = LogisticRegression(max_iter=60, tol=0.1).fit(quadratic_terms(contrasts), classes)
    quick = discriminant_from(fitted.coef_, fitted.intercept_)
    contrasts[0, :9] = 0  # nothing differs here
    image = contrasts.T.reshape(-1, 20, 30)
    found = quick.probabilities(image, np.ones((20, 30), bool))
    wanted = fitted.predict_proba(quadratic_terms(contrasts)).T.reshape(3, 20, 30)
    assert np.abs(found - wanted)[:, 1:].max() < 1e-3
    assert found[:, 0, 0].tolist() == [1, 0, 0]
    assert np.abs(np.clip(contrasts, -LIMIT, LIMIT)).max() <= LIMIT
