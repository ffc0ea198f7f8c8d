"""Shares corrected for the scorer's errors, against published intervals."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from scorer.crews.misclassification import (
    NO_CHECKS,
    ErrorRates,
    corrected_share,
    corrected_shares,
    error_rates,
    rogan_gladen,
)


@pytest.mark.parametrize(
    ("defective", "fruit", "rates", "estimate", "published"),
    [
        (4060, 11284, ErrorRates(178, 179, 358, 359), 0.36003, (0.349, 0.372)),
        (51, 2971, ErrorRates(32, 33, 20, 20), 0.01770, (0.0, 0.053)),
        (0.06, 11862, ErrorRates(8, 10, 12, 12), 6.3e-6, (0.0, 0.147)),
        (259, 509, ErrorRates(84, 127, 96, 109), 0.71857, (0.58, 0.87)),
        (51, 509, ErrorRates(23, 41, 187, 195), 0.11380, (0.037, 0.195)),
    ],
)
def test_published_intervals_come_back(
    defective: float, fruit: float, rates: ErrorRates, estimate: float, published: tuple[float, float]
) -> None:
    """Documentation of the R package asht, prevSeSp, after Lang and Reiczigel 2014 (rounded as printed there)."""
    if defective < 1:
        defective *= fruit  # that row gives the share itself
        estimate = 0.075
    found = corrected_share(defective, fruit, rates)
    assert found.estimate == pytest.approx(estimate, abs=5e-6)
    decimals = [len(str(end).partition(".")[2]) for end in published]
    for got, wanted, digits in zip((found.low, found.high), published, decimals, strict=True):
        assert got == pytest.approx(wanted, abs=0.6 * 10**-digits)


def test_known_rates_give_the_published_estimate() -> None:
    """23 of 150 at Se 0.96 and Sp 0.89: 0.050980 (inputs of the R package epiR's documentation)."""
    assert rogan_gladen(23 / 150, 0.96, 0.89) == pytest.approx(0.050980, abs=5e-7)


def test_a_scorer_that_never_errs_leaves_the_plain_interval() -> None:
    """statsmodels, proportion_confint, method agresti_coull, as reference; the rates come from very many checks."""
    perfect = ErrorRates(10**9, 10**9, 10**9, 10**9)
    found = corrected_share(15, 148, perfect)
    assert (found.low, found.high) == pytest.approx(proportion_confint(15, 148, method="agresti_coull"), abs=1e-6)


@given(st.floats(0.5, 1), st.floats(0.51, 1), st.floats(0, 1))
def test_turning_a_share_round_undoes_the_errors(sensitivity: float, specificity: float, truth: float) -> None:
    said = truth * sensitivity + (1 - truth) * (1 - specificity)
    assert rogan_gladen(said, sensitivity, specificity) == pytest.approx(truth, abs=1e-6)


def season(rng: np.random.Generator, shares: dict[str, float], checked: float) -> pd.DataFrame:
    """Twelve bins of 20 fruit a crew; the scorer finds 0.85 of the defective and calls 0.04 of the sound so."""
    rows = []
    for crew, share in shares.items():
        for lot in range(12):
            chance = rng.beta(share * 19, (1 - share) * 19)
            truth = rng.random(20) < chance
            said = np.where(truth, rng.random(20) < 0.85, rng.random(20) < 0.04)
            look = rng.random(20) < checked
            rows += [
                {"crew": crew, "lot": lot, "defective": bool(s), "checked_downgraded": bool(t) if seen else None}
                for t, s, seen in zip(truth, said, look, strict=True)
            ]
    return pd.DataFrame(rows).astype({"checked_downgraded": "boolean"})


def test_rates_are_counted_from_the_checked_fruit_only() -> None:
    fruit = pd.DataFrame(
        {
            "defective": [True, True, False, False, True],
            "checked_downgraded": pd.array([True, False, False, True, None], "boolean"),
        }
    )
    assert error_rates(fruit) == ErrorRates(1, 2, 1, 2)


def test_corrected_shares_hold_the_truth_as_often_as_they_claim() -> None:
    rng = np.random.default_rng(4)
    held, raw_missed = [], []
    for _ in range(60):
        fruit = season(rng, {"Brolga": 0.15, "Curlew": 0.05, "Paperbark": 0.10}, checked=0.5)
        found = corrected_shares(fruit).set_index("crew")
        for crew, truth in (("Brolga", 0.15), ("Curlew", 0.05)):
            held.append(found.loc[crew, "low"] <= truth <= found.loc[crew, "high"])
        raw_missed.append(abs(found["share"]["Curlew"] - 0.05) > abs(found["corrected"]["Curlew"] - 0.05))
    assert np.mean(held) >= 0.92
    assert np.mean(raw_missed) > 0.5


def test_without_checks_nothing_is_corrected_and_it_is_said() -> None:
    found = corrected_shares(season(np.random.default_rng(1), {"Brolga": 0.1}, checked=0.0))
    assert found["note"].tolist() == [NO_CHECKS]
    assert found[["corrected", "low", "high"]].isna().all(axis=None)


def test_few_checks_are_called_few() -> None:
    found = corrected_shares(season(np.random.default_rng(2), {"Brolga": 0.1}, checked=0.2))
    assert "take it as rough" in found["note"].iloc[0]


def test_a_scorer_no_better_than_chance_is_told() -> None:
    with pytest.raises(ValueError, match="no better than chance"):
        corrected_share(5, 100, ErrorRates(5, 10, 5, 10))
