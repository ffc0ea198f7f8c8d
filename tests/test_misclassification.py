"""Shares corrected for the scorer's errors, against published intervals and where the truth is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from statsmodels.stats.proportion import proportion_confint

from scorer.crews.error_rates import ErrorRates, counted, error_rates
from scorer.crews.misclassification import (
    CORRECTED_COLUMNS,
    CUT,
    FEWER_THAN_ERRORS,
    MORE_THAN_FOUND,
    NO_CHECKS,
    NOT_AT_RANDOM,
    ONE_SIDED,
    USELESS,
    corrected_share,
    corrected_shares,
    rogan_gladen,
)
from scorer.crews.next_checks import draw_checks
from scorer.crews.shares import NO_BINS_TO_COMPARE, defect_share
from tests.checked_season import SHARES, after_looking, season, with_looks


@pytest.mark.parametrize(
    ("defective", "fruit", "rates", "estimate", "published"),
    [
        (4060, 11284, ErrorRates(178, 179, 358, 359), 0.36003, ("0.349", "0.372")),
        (51, 2971, ErrorRates(32, 33, 20, 20), 0.01770, ("0", "0.053")),
        (0.06 * 11862, 11862, ErrorRates(8, 10, 12, 12), 0.07500, ("0", "0.147")),
        (259, 509, ErrorRates(84, 127, 96, 109), 0.71857, ("0.58", "0.87")),
        (51, 509, ErrorRates(23, 41, 187, 195), 0.11380, ("0.037", "0.195")),
    ],
)
def test_published_intervals_come_back(
    defective: float, fruit: int, rates: ErrorRates, estimate: float, published: tuple[str, str]
) -> None:
    """Documentation of the R package asht, prevSeSp, after Lang and Reiczigel 2014, to as many decimals as printed."""
    found = corrected_share(defective, fruit, rates)
    assert found.estimate == pytest.approx(estimate, abs=5e-6)
    for got, wanted in zip((found.low, found.high), published, strict=True):
        digits = len(wanted.partition(".")[2])
        assert got == pytest.approx(float(wanted), abs=0.6 * 10**-digits if digits else 1e-12)


@pytest.mark.parametrize(
    ("defective", "fruit", "rates", "low", "high"),
    [
        (51, 2971, ErrorRates(32, 33, 20, 20), -0.14697, 0.05335),
        (0.06 * 11862, 11862, ErrorRates(8, 10, 12, 12), -0.25793, 0.14667),
        (36, 300, ErrorRates(45, 50, 190, 200), 0.02702, 0.14143),
    ],
)
def test_the_interval_before_it_is_cut(
    defective: float, fruit: int, rates: ErrorRates, low: float, high: float
) -> None:
    """Lang and Reiczigel's formula worked out apart from this code; inputs of asht, the last row's own."""
    found = corrected_share(defective, fruit, rates)
    assert (found.low_uncut, found.high_uncut) == pytest.approx((low, high), abs=5e-6)
    assert (CUT in found.note) == (low < 0)


def test_known_rates_give_the_published_estimate() -> None:
    """23 of 150 at Se 0.96 and Sp 0.89: 0.050980 (inputs of the R package epiR's documentation)."""
    assert rogan_gladen(23 / 150, 0.96, 0.89) == pytest.approx(0.050980, abs=5e-7)


def test_a_scorer_that_never_errs_leaves_the_plain_interval() -> None:
    """statsmodels, proportion_confint, method agresti_coull, as reference; the rates come from very many checks."""
    perfect = ErrorRates(10**9, 10**9, 10**9, 10**9)
    found = corrected_share(15, 148, perfect)
    assert (found.low, found.high) == pytest.approx(proportion_confint(15, 148, method="agresti_coull"), abs=1e-6)
    assert found.note == ""


@given(st.floats(0.5, 1), st.floats(0.51, 1), st.floats(0, 1))
def test_turning_a_share_round_undoes_the_errors(sensitivity: float, specificity: float, truth: float) -> None:
    said = truth * sensitivity + (1 - truth) * (1 - specificity)
    assert rogan_gladen(said, sensitivity, specificity) == pytest.approx(truth, abs=1e-6)


@given(st.integers(1, 400), st.floats(0, 1), st.integers(1, 60), st.floats(0, 1), st.integers(1, 200), st.floats(0, 1))
def test_what_is_told_is_a_share_with_its_ends_in_order(
    fruit: int, share: float, defective: int, finds: float, sound: int, leaves: float
) -> None:
    rates = ErrorRates(round(finds * defective), defective, round(leaves * sound), sound)
    assume(rates.tells_apart)
    found = corrected_share(round(share * fruit), fruit, rates)
    assert 0 <= found.low <= found.high <= 1
    assert found.low_uncut < found.high_uncut
    assert found.estimate == min(max(found.estimate_uncut, 0), 1)


def test_an_estimate_that_had_to_be_cut_says_so() -> None:
    assert FEWER_THAN_ERRORS in corrected_share(2, 200, ErrorRates(90, 100, 90, 100)).note
    assert MORE_THAN_FOUND in corrected_share(190, 200, ErrorRates(80, 100, 95, 100)).note


@pytest.mark.parametrize(
    "rates",
    [
        ErrorRates(5, 10, 5, 10),
        ErrorRates(200, 1000, 5, 6),  # 0.2 + 0.833 beats chance, but not once 6 sound fruit count as 8
    ],
)
def test_a_scorer_no_better_than_chance_is_told(rates: ErrorRates) -> None:
    with pytest.raises(ValueError, match="no better than chance"):
        corrected_share(5, 100, rates)


def test_rates_are_counted_from_the_checked_fruit_only() -> None:
    fruit = pd.DataFrame(
        {
            "crew": "Brolga",
            "lot": list("abcde"),
            "defective": [True, True, False, False, True],
            "checked_downgraded": pd.array([True, False, False, True, None], "boolean"),
        }
    )
    assert error_rates(fruit) == ErrorRates(1, 2, 1, 2)


def test_unlike_weights_and_errors_that_keep_to_bins_make_checks_worth_less() -> None:
    """Weights 1, 1, 2, 4 by Kish's formula: 64 / 22; two bins of 10 alike by the formula for D."""
    right, apart = np.array([True, True, True, True]), np.arange(4)
    assert counted(right, np.array([1.0, 1, 2, 4]), apart)[1] == pytest.approx(2.909091, abs=5e-7)
    errors = np.repeat([True, False], 10)
    assert counted(errors, np.ones(20), np.arange(20))[1] == pytest.approx(20)
    effect = 2 * (5**2 + 5**2) / (20 / 19 * 20 * 0.5**2)
    assert counted(errors, np.ones(20), np.repeat([0, 1], 10))[1] == pytest.approx(20 / effect)


def test_a_crew_counts_for_as_many_fruit_as_its_design_effect_leaves() -> None:
    fruit = season(np.random.default_rng(3), checked=0.5)
    effect = defect_share(fruit, cluster="lot").set_index("crew").loc["Curlew"]
    expected = corrected_share(
        effect["defective"] / effect["design_effect"], effect["fruit"] / effect["design_effect"], error_rates(fruit)
    )
    row = corrected_shares(fruit).set_index("crew").loc["Curlew"]
    assert effect["design_effect"] > 1.1
    assert row[["corrected", "low", "high"]].tolist() == pytest.approx([expected.estimate, expected.low, expected.high])


def test_corrected_shares_hold_the_truth_as_often_as_they_claim() -> None:
    rng = np.random.default_rng(4)
    shares, held, raw_missed = {"Brolga": 0.15, "Curlew": 0.05, "Paperbark": 0.10}, [], []
    for _ in range(40):
        fruit = season(rng, checked=0.5, shares=shares, bins=12, per_bin=20, finds=0.85, leaves=0.96)
        found = corrected_shares(fruit).set_index("crew")
        held += [found.loc[crew, "low"] <= share <= found.loc[crew, "high"] for crew, share in shares.items()]
        raw_missed.append(abs(found["share"]["Curlew"] - 0.05) > abs(found["corrected"]["Curlew"] - 0.05))
    assert np.mean(held) >= 0.92
    assert np.mean(raw_missed) > 0.5


def test_looking_more_often_at_fruit_called_defective_bends_nothing_where_the_chance_is_kept() -> None:
    """Counted plainly, Se would come out as 0.8 x 0.9 / (0.8 x 0.9 + 0.2 x 0.25) = 0.935 instead of 0.8."""
    rng = np.random.default_rng(5)
    kept, lost, held = [], [], []
    for _ in range(40):
        fruit = season(rng, checked=0.0)
        chance = np.where(fruit["defective"], 0.9, 0.25)
        fruit = with_looks(fruit, rng.random(len(fruit)) < chance, chance)
        kept.append(error_rates(fruit).sensitivity)
        lost.append(error_rates(fruit.drop(columns="check_chance")).sensitivity)
        found = corrected_shares(fruit).set_index("crew")
        held += [found.loc[crew, "low"] <= share <= found.loc[crew, "high"] for crew, share in SHARES.items()]
        assert not found["note"].str.contains(NOT_AT_RANDOM).any()
    assert np.mean(kept) == pytest.approx(0.80, abs=0.03)
    assert np.mean(lost) == pytest.approx(0.935, abs=0.02)
    assert np.mean(held) >= 0.92


def test_fruit_drawn_three_times_over_bend_nothing_either() -> None:
    rng = np.random.default_rng(6)
    sensitivity, held = [], []
    for _ in range(20):
        fruit = season(rng, checked=0.0)
        for _ in range(3):
            fruit = after_looking(fruit, draw_checks(fruit, 60, seed=int(rng.integers(2**32))).fruit)
        sensitivity.append(error_rates(fruit).sensitivity)
        found = corrected_shares(fruit).set_index("crew")
        held += [found.loc[crew, "low"] <= share <= found.loc[crew, "high"] for crew, share in SHARES.items()]
    assert np.mean(sensitivity) == pytest.approx(0.80, abs=0.05)
    assert np.mean(held) >= 0.92


def test_checks_without_a_chance_are_said_to_count_as_drawn_by_lot() -> None:
    assert corrected_shares(season(np.random.default_rng(3), checked=0.5))["note"].str.contains(NOT_AT_RANDOM).all()


def test_what_cannot_be_corrected_is_missing_and_said() -> None:
    fruit = season(np.random.default_rng(1), checked=0.5, shares={"Brolga": 0.1})
    nobody = fruit.assign(checked_downgraded=pd.NA)
    only_sound = with_looks(fruit, (~fruit["truth"]).to_numpy(), np.nan)
    upside_down = fruit.assign(defective=~fruit["truth"])
    for table, note in ((nobody, NO_CHECKS), (only_sound, ONE_SIDED.format("defective")), (upside_down, USELESS)):
        found = corrected_shares(table)
        assert found["note"].tolist() == [note]
        assert found[["corrected", "low", "high"]].isna().all(axis=None)
        assert found["share"].notna().all()


def test_few_checks_are_called_few() -> None:
    found = corrected_shares(season(np.random.default_rng(2), checked=0.2, shares={"Brolga": 0.1}))
    assert "take it as rough" in found["note"].iloc[0]


def test_one_bin_alone_has_an_estimate_but_no_interval() -> None:
    fruit = season(np.random.default_rng(2), checked=1.0, shares={"Brolga": 0.2}, bins=1, per_bin=100)
    row = corrected_shares(fruit).iloc[0]
    assert 0 < row["corrected"] < 1
    assert pd.isna(row["low"])
    assert NO_BINS_TO_COMPARE in row["note"]


def test_an_empty_table_gives_no_rows_but_its_columns() -> None:
    found = corrected_shares(season(np.random.default_rng(2), checked=0.5).iloc[:0])
    assert found.empty
    assert tuple(found.columns) == CORRECTED_COLUMNS


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"checked_downgraded": 2}, "'checked_downgraded' holds 2"),
        ({"check_chance": 1.5}, "'check_chance' holds 1.5: a chance lies above 0"),
        ({"check_chance": 0.0}, "'check_chance' holds 0: a chance lies above 0"),
    ],
)
def test_words_and_chances_that_cannot_be_are_one_sentence(change: dict[str, float], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        corrected_shares(season(np.random.default_rng(1), checked=0.5).assign(**change))


def test_a_table_without_an_officers_word_is_one_sentence() -> None:
    with pytest.raises(ValueError, match="no column 'checked_downgraded'"):
        corrected_shares(season(np.random.default_rng(1), checked=0.5).drop(columns="checked_downgraded"))
