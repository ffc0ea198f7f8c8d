"""Figures on a model's card against scikit-learn's, and their intervals."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from sklearn.metrics import brier_score_loss, confusion_matrix, precision_recall_fscore_support

from scorer.kinds import CLASSES, NOT_A_MARK
from scorer.model_shelf.compare import FRUIT_DTYPES, Judged
from scorer.model_shelf.figures import calibration_of, figures_of
from scorer.score_tables import KINDS, UNSURE


def judged(seed: int, trays: int = 12) -> Judged:
    rng = np.random.default_rng(seed)
    true = rng.choice(CLASSES, trays * 15)
    said = np.where(rng.random(len(true)) < 0.7, true, rng.choice([*CLASSES, UNSURE], len(true)))
    tray = np.repeat([f"t{i:02}" for i in range(trays)], 15)
    marks = pd.DataFrame({"tray": tray, "who": "", "fruit": 1, "true_kind": true, "said_kind": said})
    downgraded = rng.random(trays * 8) < 0.3
    fruit = pd.DataFrame(
        {
            "tray": np.repeat([f"t{i:02}" for i in range(trays)], 8),
            "who": "",
            "fruit": np.tile(np.arange(1, 9), trays),
            "true_downgraded": downgraded,
            "said_downgraded": downgraded ^ (rng.random(len(downgraded)) < 0.2),
            "true_brown_mm2": rng.gamma(1, 50, len(downgraded)),
            "said_brown_mm2": rng.gamma(1, 50, len(downgraded)),
        }
    )
    return Judged("a" * 64, fruit.astype({k: v for k, v in FRUIT_DTYPES.items() if k in fruit}), marks)


@settings(max_examples=10, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_precision_recall_f1_and_confusion_are_those_of_scikit_learn(seed: int) -> None:
    said = judged(seed)
    found = figures_of(said)
    true, named = said.marks["true_kind"], said.marks["said_kind"]
    expected = precision_recall_fscore_support(true, named, labels=list(KINDS), zero_division=0)
    for place, kind in enumerate(KINDS):
        of_kind = found["per_kind"][kind]
        for figure, values in zip(("precision", "recall", "f1"), expected[:3], strict=True):
            assert of_kind[figure]["value"] == pytest.approx(values[place], abs=1e-4)
            assert of_kind[figure]["low"] <= of_kind[figure]["value"] <= of_kind[figure]["high"]
        assert of_kind["n"] == expected[3][place]
    matrix = confusion_matrix(true, named, labels=[*CLASSES, UNSURE])[: len(CLASSES)]
    assert found["confusion_rows_true_columns_said"] == matrix.tolist()


def test_verdicts_and_areas_are_plain_means() -> None:
    said = judged(1)
    found = figures_of(said)
    right = said.fruit["true_downgraded"] == said.fruit["said_downgraded"]
    assert found["verdicts_right"]["value"] == pytest.approx(right.mean(), abs=1e-4)
    error = (said.fruit["true_brown_mm2"] - said.fruit["said_brown_mm2"]).abs().mean()
    assert found["brown_error_mm2"]["value"] == pytest.approx(error, abs=1e-3)


def test_the_interval_holds_the_truth_about_as_often_as_it_says() -> None:
    # 20 trays, share right 0.8 by the drawing above: of 200 seasons 190 are meant to hold it
    held = 0
    for seed in range(200):
        figure = figures_of(Judged("a" * 64, judged(seed, trays=20).fruit, judged(seed).marks.head(0)))[
            "verdicts_right"
        ]
        held += figure["low"] <= 0.8 <= figure["high"]
    assert 178 <= held <= 199


def test_what_it_does_to_crew_shares_is_shown_for_each_crew() -> None:
    said = judged(2)
    found = figures_of(said, crews={f"t{i:02}": "Bowerbird" if i % 2 else "Currawong" for i in range(11)})
    own = said.fruit[said.fruit["tray"].isin([f"t{i:02}" for i in range(1, 11, 2)])]
    shares = found["crew_shares"]
    assert set(shares) == {"Bowerbird", "Currawong"}
    assert shares["Bowerbird"]["labelled"]["value"] == pytest.approx(own["true_downgraded"].mean(), abs=1e-4)
    assert shares["Bowerbird"]["said"]["value"] == pytest.approx(own["said_downgraded"].mean(), abs=1e-4)
    assert shares["Bowerbird"]["n"] == len(own)


def test_brier_is_scikit_learns_and_reliability_counts_every_proposal() -> None:
    rng = np.random.default_rng(5)
    said = rng.random(500)
    kinds = np.where(rng.random(500) < said, "cut", NOT_A_MARK)
    table = calibration_of(pd.DataFrame({"kind": kinds}), pd.DataFrame({NOT_A_MARK: 1 - said}))
    assert table["brier"] == pytest.approx(brier_score_loss(kinds == "cut", said), abs=1e-4)
    assert sum(row["n"] for row in table["reliability"]) == 500
    assert all(abs(row["said"] - row["true"]) < 0.15 for row in table["reliability"])
