"""Days that stand out and slow drifts, against published charts and by crews whose truth is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.proportion import proportion_confint

from scorer.crews.before_after import BETTER, CANNOT_TELL, WORSE, before_and_after
from scorer.crews.difference import difference
from scorer.crews.over_time import (
    DRIFTING_UP,
    FEWEST_PERIODS,
    HIGH,
    OVER_TIME_COLUMNS,
    USUAL,
    baseline_periods,
    laney_limits,
    moving_range_sigma,
    over_time,
    weighted_means,
)

WAFERS = [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6]
"""Defective chips of 50 on each of 30 wafers: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.3.2."""


def days(defective: list[int], fruit: int | list[int], bins: int = 1) -> pd.DataFrame:
    """One row per fruit; the fruit of each day lie in so many bins, defective ones first."""
    sizes = [fruit] * len(defective) if isinstance(fruit, int) else fruit
    rows = [
        {"day": f"2026-03-{day:02d}", "lot": f"{day}/{place * bins // size}", "defective": place < bad}
        for day, (bad, size) in enumerate(zip(defective, sizes, strict=True), start=1)
        for place in range(size)
    ]
    return pd.DataFrame(rows)


def steady(
    rng: np.random.Generator, shares: list[float], bins: int = 3, per_bin: int = 15, icc: float = 0.05
) -> pd.DataFrame:
    rows = []
    for day, share in enumerate(shares, start=1):
        for lot in range(bins):
            chance = rng.beta(share * (1 / icc - 1), (1 - share) * (1 / icc - 1))
            bad = rng.random(15) < chance
            rows += [{"day": f"2026-03-{day:02d}", "lot": f"{day}/{lot}", "defective": one} for one in bad]
    return pd.DataFrame(rows)


def test_the_middle_is_that_of_the_handbooks_chart() -> None:
    """NIST/SEMATECH e-Handbook 6.3.3.2: mean 0.2313."""
    assert over_time(days(WAFERS, 50), "wafers").table["centre"].iloc[0] == pytest.approx(0.2313, abs=5e-5)


def test_without_widening_the_limits_are_those_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 6.3.3.2: limits 0.0524 and 0.4102."""
    low, high = laney_limits(347 / 1500, np.array([50.0]), 1.0)
    assert (low[0], high[0]) == pytest.approx((0.0524, 0.4102), abs=5e-5)


def test_the_widening_is_laneys() -> None:
    """Laney 2002, on the wafers: mean moving range of z 1.8735, sigma z 1.6609, upper limit 0.5285 (computed)."""
    chart = over_time(days(WAFERS, 50), "wafers")
    assert chart.sigma_z == pytest.approx(1.660867, abs=1e-6)
    low, high = laney_limits(347 / 1500, np.array([50.0]), chart.sigma_z)
    assert (low[0], high[0]) == pytest.approx((0.0, 0.528472), abs=1e-6)
    assert (chart.table["high"] >= high[0]).all(), "never narrower than Laney's"
    assert (chart.table["signal"] == USUAL).all()


def test_unlike_numbers_of_fruit_have_limits_of_their_own() -> None:
    """Bad 6 14 9 3 20 11 5 17 of 100 120 90 80 150 110 70 130: sigma z 1.489612, limits 0.234065 and 0.217583."""
    bad, of = np.array([6, 14, 9, 3, 20, 11, 5, 17]), np.array([100, 120, 90, 80, 150, 110, 70, 130.0])
    centre = bad.sum() / of.sum()
    sigma_z = moving_range_sigma((bad / of - centre) / np.sqrt(centre * (1 - centre) / of))
    assert sigma_z == pytest.approx(1.489612, abs=1e-6)
    high = laney_limits(centre, of, sigma_z)[1]
    assert (high[0], high[-1]) == pytest.approx((0.234065, 0.217583), abs=1e-6)


def test_the_weighted_mean_is_that_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 6.3.2.4: 20 values, start 50, weight 0.3 (data and answer from memory)."""
    values = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5]
    values += [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    wanted = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33]
    wanted += [50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]
    assert weighted_means(np.array(values), 50.0, 0.3) == pytest.approx(wanted, abs=5.1e-3)


def test_the_drifts_limits_open_to_those_of_a_long_series() -> None:
    """Variance of a weighted mean of like days: sigma^2 w / (2 - w) (1 - (1 - w)^2t), Roberts 1959."""
    chart = over_time(days([4, 6] * 20, 50), "crew")
    first = baseline_periods(40)
    held = chart.table.iloc[first:]
    chance = (chart.table["defective"].iloc[:first].sum() + 0.5) / (50 * first + 1)
    variance = chance * (1 - chance) / 50 * chart.sigma_z**2
    t = np.arange(1, 41 - first)
    wanted = 2.962 * np.sqrt(variance * 0.2 / 1.8 * (1 - 0.8 ** (2 * t)) + variance / first)
    assert (held["drift_high"] - held["drift_centre"]).to_numpy() == pytest.approx(wanted, rel=1e-9)


def test_a_day_far_out_is_told_with_its_counts() -> None:
    bad = [4, 5, 3, 4, 6, 5, 4, 30, 4, 5, 3, 4]
    chart = over_time(days(bad, 60, bins=4), "Bowerbird")
    assert chart.table.loc[chart.table["signal"] == HIGH, "period"].tolist() == ["2026-03-08"]
    assert any("Bowerbird, 2026-03-08: 30 of 60 fruit, more than its usual spread" in each for each in chart.sentences)


def test_a_very_bad_day_does_not_hide_itself_by_the_spread_it_makes() -> None:
    bad = [1, 0, 2, 1, 1, 2, 0, 1, 1, 40, 2, 1, 0, 1, 2, 1]
    chart = over_time(days(bad, 45, bins=3), "Bowerbird")
    assert chart.table.loc[chart.table["signal"] == HIGH, "period"].tolist() == ["2026-03-10"]


def test_a_slow_rise_that_no_day_shows_is_a_drift() -> None:
    chart = over_time(days([5, 6, 5, 6, 5, 6, 5, 6, 10, 11, 10, 11, 12, 11, 12, 12], 60, bins=4), "Curlew")
    assert (chart.table["signal"] == USUAL).all()
    assert chart.table["drift_signal"].iloc[-1] == DRIFTING_UP
    assert any("Curlew: drifting up" in sentence for sentence in chart.sentences)


def test_steady_crews_are_mostly_left_alone() -> None:
    rng = np.random.default_rng(11)
    charts = [over_time(steady(rng, [0.08] * 20), "crew") for _ in range(60)]
    assert np.mean([(chart.table["signal"] != USUAL).any() for chart in charts]) <= 0.10
    assert np.mean([(chart.table["drift_signal"] != USUAL).any() for chart in charts]) <= 0.20


def test_a_doubled_share_is_noticed_in_time() -> None:
    rng = np.random.default_rng(12)
    charts = [over_time(steady(rng, [0.06] * 12 + [0.2] * 8), "crew") for _ in range(30)]
    assert np.mean([chart.table["drift_signal"].iloc[-1] == DRIFTING_UP for chart in charts]) >= 0.9


@pytest.mark.parametrize(
    ("table", "said"),
    [
        (days([1, 2], 20), f"2 days only; limits can be drawn from {FEWEST_PERIODS} on"),
        (days([0] * 10, 20), "no fruit is defective on any day"),
        (days([20] * 10, 20), "every fruit is defective on any day"),
        (days([1], 20).iloc[:0], "no fruit with a day"),
    ],
)
def test_where_no_limits_can_be_drawn_it_is_said_and_none_are(table: pd.DataFrame, said: str) -> None:
    chart = over_time(table, "Brolga")
    assert any(said in sentence for sentence in chart.sentences)
    assert chart.table["high"].isna().all()
    assert tuple(chart.table.columns) == OVER_TIME_COLUMNS


def test_fruit_without_a_day_are_left_out_and_counted() -> None:
    table = days([4, 5] * 6, 60)
    table.loc[:9, "day"] = None
    assert "10 fruit of Brolga have no day and are left out here." in over_time(table, "Brolga").sentences


def test_the_difference_of_two_shares_is_newcombes() -> None:
    """56 of 70 less 48 of 80, Wilson's intervals: 0.0524 to 0.3339 (Newcombe 1998, Stat. Med. 17: 873-890)."""
    shares = [(x / n, *proportion_confint(x, n, method="wilson")) for x, n in ((56, 70), (48, 80))]
    found = difference(*shares)
    assert (found.low, found.high) == pytest.approx((0.0524, 0.3339), abs=5e-5)


@pytest.mark.parametrize(
    ("before", "after", "word"), [(0.20, 0.03, BETTER), (0.03, 0.20, WORSE), (0.08, 0.08, CANNOT_TELL)]
)
def test_a_change_is_told_only_where_luck_cannot_explain_it(before: float, after: float, word: str) -> None:
    table = steady(np.random.default_rng(5), [before] * 8 + [after] * 8)
    change = before_and_after(table, "Quandong", "2026-03-09")
    assert change.word == word
    assert change.shares["clusters"].tolist() == [24, 24]
    assert word in change.sentence


def test_a_change_has_the_coverage_it_claims() -> None:
    rng = np.random.default_rng(6)
    truth = 0.05 - 0.15
    changes = [before_and_after(steady(rng, [0.15] * 3 + [0.05] * 3), "x", "2026-03-04").difference for _ in range(120)]
    assert np.mean([change.low <= truth <= change.high for change in changes]) >= 0.90


def test_a_day_outside_of_the_season_is_one_sentence() -> None:
    with pytest.raises(ValueError, match="Quandong has no fruit before 2026-03-01: name a day inside of its season"):
        before_and_after(days([1, 2, 3], 20), "Quandong", "2026-03-01")
