"""Mean brown fractions: against statsmodels, and where the truth is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from scorer.crews.brown_area import (
    BINS_ALIKE,
    BROWN_COLUMNS,
    FEW_BINS,
    LEFT_OUT,
    NO_BROWN,
    NO_FRUIT,
    ONE_BIN,
    mean_brown_fraction,
)


def draw(rng: np.random.Generator, scale: float, bins: int, per_bin: int, marked: float = 0.35) -> np.ndarray:
    """(bins, fruit) brown fractions: some of the fruit marked, a few of them badly, bins that differ."""
    worse = rng.lognormal(0, 0.35, (bins, 1))
    bears = rng.random((bins, per_bin)) < marked * np.minimum(worse, 2.5)
    return np.where(bears, np.minimum(rng.lognormal(-4.2, 1.1, (bins, per_bin)) * scale, 1), 0)


def table(**crews: np.ndarray) -> pd.DataFrame:
    """One row per fruit, from each crew's (bins, fruit) brown fractions."""
    return pd.concat(
        [
            pd.DataFrame(
                {"crew": crew, "lot": np.repeat(np.arange(len(of)), of.shape[1]), "brown_fraction": of.ravel()}
            )
            for crew, of in crews.items()
        ],
        ignore_index=True,
    )


def clustered(fruit: pd.DataFrame) -> tuple[float, float]:
    """Mean and its error by statsmodels: OLS on a constant, errors clustered by bin."""
    fit = sm.OLS(fruit["brown_fraction"], np.ones(len(fruit))).fit(
        cov_type="cluster", cov_kwds={"groups": fruit["lot"].to_numpy()}, use_t=True
    )
    return fit.params.iloc[0], fit.bse.iloc[0]


def test_the_error_between_bins_is_that_of_clustered_regression() -> None:
    """On the log scale the error is divided by the mean."""
    fruit = table(Brolga=draw(np.random.default_rng(1), 1.0, 9, 14))
    mean, error = clustered(fruit)
    row = mean_brown_fraction(fruit).iloc[0]
    assert row["brown_fraction"] == pytest.approx(mean)
    reach = stats.t.ppf(0.975, 8) * error / mean
    assert (row["low"], row["high"]) == pytest.approx((mean * np.exp(-reach), mean * np.exp(reach)))


def test_a_crew_whose_bins_look_alike_takes_the_spread_of_all() -> None:
    rng = np.random.default_rng(1)
    even, uneven = np.full((9, 14), 0.01), draw(rng, 1.0, 9, 14)
    found = mean_brown_fraction(table(Brolga=even, Curlew=uneven)).set_index("crew")
    mean, error = clustered(table(Curlew=uneven))
    reach = stats.t.ppf(0.975, 8) * error / mean
    of_both = stats.t.ppf(0.975, 8) * np.sqrt((error / mean) ** 2 / 2)  # the even crew's relative variance is 0
    assert np.log(found.loc["Curlew", "high"] / mean) == pytest.approx(reach)
    assert np.log(found.loc["Brolga", "high"] / 0.01) == pytest.approx(of_both)


@pytest.mark.parametrize(("bins", "per_bin"), [(6, 20), (12, 15)])
@pytest.mark.parametrize("marked", [0.35, 0.1])
def test_intervals_hold_the_truth_as_often_as_they_claim(bins: int, per_bin: int, marked: float) -> None:
    rng = np.random.default_rng(2)
    truth = {scale: draw(rng, scale, 100_000, 5, marked).mean() for scale in (0.5, 1.0, 2.0)}
    held = []
    for _ in range(150):
        found = mean_brown_fraction(table(**{str(scale): draw(rng, scale, bins, per_bin, marked) for scale in truth}))
        held += [
            low <= mean <= high for low, high, mean in zip(found["low"], found["high"], truth.values(), strict=True)
        ]
    assert 0.92 <= np.mean(held) <= 0.99


def test_few_bins_take_the_spread_of_all_and_one_bin_alone_has_none() -> None:
    rng = np.random.default_rng(3)
    found = mean_brown_fraction(table(Brolga=draw(rng, 1, 2, 15), Curlew=draw(rng, 1, 12, 15))).set_index("crew")
    assert found.loc["Brolga", "note"] == FEW_BINS
    assert found.loc["Curlew", "note"] == ""
    assert 0 < found.loc["Brolga", "low"] < found.loc["Brolga", "high"] < 1
    alone = mean_brown_fraction(table(Brolga=draw(rng, 1, 1, 15))).iloc[0]
    assert alone["note"] == ONE_BIN
    assert np.isnan(alone["low"])


def test_two_bins_and_nobody_else_are_worth_one_degree_of_freedom() -> None:
    fruit = table(Brolga=draw(np.random.default_rng(5), 1.0, 2, 30))
    mean, error = clustered(fruit)
    row = mean_brown_fraction(fruit, confidence=0.5).iloc[0]
    assert np.log(row["high"] / mean) == pytest.approx(stats.t.ppf(0.75, 1) * error / mean)


def test_spotless_fruit_have_a_mean_of_0_and_no_interval() -> None:
    row = mean_brown_fraction(table(Brolga=np.zeros((6, 10)))).iloc[0]
    assert row["brown_fraction"] == 0
    assert row["note"] == NO_BROWN
    assert np.isnan(row["high"])


def test_bins_that_are_all_alike_are_not_taken_for_certainty() -> None:
    row = mean_brown_fraction(table(Brolga=np.full((4, 5), 0.01))).iloc[0]
    assert row["note"].startswith(BINS_ALIKE)
    assert np.isnan(row["low"])


def test_fruit_without_a_fraction_are_left_out_and_counted() -> None:
    whole = table(Brolga=draw(np.random.default_rng(6), 1.0, 8, 10))
    holes = pd.concat([whole, whole.head(4).assign(brown_fraction=np.nan)], ignore_index=True)
    (row,), (wanted,) = (mean_brown_fraction(fruit).to_dict("records") for fruit in (holes, whole))
    assert row["note"] == LEFT_OUT.format(4)
    assert {**row, "note": ""} == wanted
    nothing = mean_brown_fraction(whole.assign(brown_fraction=np.nan)).iloc[0]
    assert nothing["fruit"] == 0
    assert NO_FRUIT in nothing["note"]


def test_no_fruit_give_no_rows() -> None:
    found = mean_brown_fraction(table(Brolga=np.zeros((1, 1))).iloc[:0])
    assert found.empty
    assert tuple(found.columns) == BROWN_COLUMNS


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"brown_fraction": 1.5}, "holds 1.5: a fraction of the skin lies from 0 to 1"),
        ({"lot": None}, "4 of 4 fruit have no value in the column 'lot'"),
        ({"crew": None}, "4 of 4 fruit have no value in the column 'crew'"),
    ],
)
def test_a_table_that_cannot_be_read_is_one_sentence(change: dict[str, object], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        mean_brown_fraction(table(Brolga=np.zeros((2, 2))).assign(**change))


def test_a_missing_column_and_an_odd_confidence_are_named() -> None:
    fruit = table(Brolga=np.zeros((2, 2)))
    with pytest.raises(ValueError, match="no column 'bin'"):
        mean_brown_fraction(fruit, cluster="bin")
    with pytest.raises(ValueError, match="95 must lie between 0 and 1"):
        mean_brown_fraction(fruit, confidence=95)


@given(st.lists(st.lists(st.floats(0, 1), min_size=2, max_size=2), min_size=2, max_size=8), st.randoms())
def test_the_mean_lies_in_its_interval_and_the_order_of_fruit_does_not_matter(bins, random) -> None:
    fruit = table(Brolga=np.array(bins), Curlew=np.full((3, 2), 0.1))
    found = mean_brown_fraction(fruit)
    order = list(fruit.index)
    random.shuffle(order)
    assert mean_brown_fraction(fruit.loc[order])["high"].to_numpy() == pytest.approx(
        found["high"].to_numpy(), nan_ok=True, rel=1e-6
    )
    known = found.dropna(subset="low")
    assert ((known["low"] <= known["brown_fraction"]) & (known["brown_fraction"] <= known["high"])).all()
