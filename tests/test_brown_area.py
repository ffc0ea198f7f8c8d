"""Mean brown fractions: against statsmodels, and where the truth is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats

from scorer.crews.brown_area import FEW_BINS, NO_BROWN, ONE_BIN, mean_brown_fraction


def draw(rng: np.random.Generator, scale: float, bins: int, per_bin: int) -> np.ndarray:
    """(bins, fruit) brown fractions: a third of the fruit marked, a few of them badly, bins that differ."""
    worse = rng.lognormal(0, 0.35, (bins, 1))
    marked = rng.random((bins, per_bin)) < 0.35 * np.minimum(worse, 2.5)
    return np.where(marked, np.minimum(rng.lognormal(-4.2, 1.1, (bins, per_bin)) * scale, 1), 0)


def table(**crews: np.ndarray) -> pd.DataFrame:
    return pd.concat(
        [
            pd.DataFrame(
                {"crew": crew, "lot": np.repeat(np.arange(len(of)), of.shape[1]), "brown_fraction": of.ravel()}
            )
            for crew, of in crews.items()
        ],
        ignore_index=True,
    )


def test_the_error_between_bins_is_that_of_clustered_regression() -> None:
    """statsmodels OLS on a constant with errors clustered by bin; on the log scale the error is divided by the mean."""
    fruit = table(Brolga=draw(np.random.default_rng(1), 1.0, 9, 14))
    fit = sm.OLS(fruit["brown_fraction"], np.ones(len(fruit))).fit(
        cov_type="cluster", cov_kwds={"groups": fruit["lot"].to_numpy()}, use_t=True
    )
    mean, error = fit.params.iloc[0], fit.bse.iloc[0]
    row = mean_brown_fraction(fruit).iloc[0]
    assert row["brown_fraction"] == pytest.approx(mean)
    reach = stats.t.ppf(0.975, 8) * error / mean
    assert (row["low"], row["high"]) == pytest.approx((mean * np.exp(-reach), mean * np.exp(reach)))


@pytest.mark.parametrize(("bins", "per_bin"), [(6, 20), (12, 15)])
def test_intervals_hold_the_truth_as_often_as_they_claim(bins: int, per_bin: int) -> None:
    rng = np.random.default_rng(2)
    truth = {scale: draw(rng, scale, 100_000, 5).mean() for scale in (0.5, 1.0, 2.0)}
    held = []
    for _ in range(250):
        found = mean_brown_fraction(table(**{str(scale): draw(rng, scale, bins, per_bin) for scale in truth}))
        held += [
            low <= mean <= high for low, high, mean in zip(found["low"], found["high"], truth.values(), strict=True)
        ]
    assert 0.92 <= np.mean(held) <= 0.975


def test_few_bins_take_the_spread_of_all_and_one_bin_alone_has_none() -> None:
    rng = np.random.default_rng(3)
    found = mean_brown_fraction(table(Brolga=draw(rng, 1, 2, 15), Curlew=draw(rng, 1, 12, 15))).set_index("crew")
    assert found.loc["Brolga", "note"] == FEW_BINS
    assert found.loc["Brolga", "high"] - found.loc["Brolga", "low"] > 0
    alone = mean_brown_fraction(table(Brolga=draw(rng, 1, 1, 15))).iloc[0]
    assert alone["note"] == ONE_BIN
    assert np.isnan(alone["low"])


def test_spotless_fruit_have_a_mean_of_0_and_no_interval() -> None:
    row = mean_brown_fraction(table(Brolga=np.zeros((6, 10)))).iloc[0]
    assert row["brown_fraction"] == 0
    assert row["note"] == NO_BROWN
    assert np.isnan(row["high"])


def test_no_fruit_give_no_rows() -> None:
    assert mean_brown_fraction(table(Brolga=np.zeros((1, 1))).iloc[:0]).empty
