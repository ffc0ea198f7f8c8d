"""The regression of bins on crew and mix, and its penalty: against theory, scipy and drawn bins."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize
from scipy.special import expit

from scorer.crews.mix_regression import MixedBins, fit_mix, left_over_icc
from scorer.crews.penalised_regression import EffectiveBins, penalised_fit


@given(st.lists(st.tuples(st.integers(0, 30), st.integers(1, 30)), min_size=1, max_size=6), st.floats(0, 0.9))
def test_where_each_bin_has_a_share_of_its_own_the_penalty_adds_half_a_fruit_to_either_side(
    counts: list[tuple[int, int]], icc: float
) -> None:
    """Firth 1993, Biometrika 80: 27-38: for a saturated model the penalised share is (x + 1/2) / (n + 1)."""
    bad, of = np.array([min(pair) for pair in counts], float), np.array([pair[1] for pair in counts], float)
    found = expit(penalised_fit(EffectiveBins.at(np.eye(len(of)), bad, of, icc)).estimate)
    weight = 1 / (1 + (of - 1) * icc)
    assert found == pytest.approx((weight * bad + 0.5) / (weight * of + 1), rel=1e-6)


def test_the_penalised_fit_is_the_top_of_the_likelihood_times_jeffreys_prior() -> None:
    """The top is looked for by scipy.optimize."""
    design = np.array([[1, 0, 0], [1, 0, 1], [0, 1, 0], [0, 1, 1], [0, 1, 1]], float)
    bad, of = np.array([0, 3, 2, 9, 1.0]), np.array([20, 15, 20, 25, 10.0])

    def lack(estimate: np.ndarray) -> float:
        chance = expit(design @ estimate)
        information = design.T @ (design * (of * chance * (1 - chance))[:, None])
        likelihood = (bad * np.log(chance) + (of - bad) * np.log1p(-chance)).sum()
        return -(likelihood + np.linalg.slogdet(information)[1] / 2)

    best = minimize(lack, np.zeros(3), method="Nelder-Mead", options={"xatol": 1e-8, "fatol": 1e-10, "maxiter": 4000})
    assert penalised_fit(EffectiveBins(design, bad, of)).estimate == pytest.approx(best.x, abs=1e-5)


def test_the_ends_of_a_single_share_are_those_of_its_likelihood() -> None:
    """0 of 50 and 3 of 50: where log-likelihood with Jeffreys' penalty lies 1.96^2 / 2 lower, found on a fine grid."""
    share = np.linspace(1e-7, 0.5, 2_000_001)
    for bad in (0, 3):
        fit = penalised_fit(EffectiveBins(np.ones((1, 1)), np.array([bad]), np.array([50.0])))
        low, high = (float(expit(end[0])) for end in fit.ends_along(np.ones(1), 1.96))
        level = (bad + 0.5) * np.log(share) + (50 - bad + 0.5) * np.log1p(-share)
        inside = share[level > level.max() - 1.96**2 / 2]
        assert (low, high) == pytest.approx((inside[0], inside[-1]), abs=1e-6)


def test_the_icc_left_over_comes_back() -> None:
    """Many bins drawn from a beta-binomial of icc 0.1, after the regression on crew and block."""
    rng = np.random.default_rng(1)
    codes = np.column_stack([np.arange(4000) % 4, rng.integers(0, 2, 4000)])
    chance = expit(-2 + 0.3 * codes[:, 0] + 1.0 * codes[:, 1])
    bad = rng.binomial(20, rng.beta(9 * chance, 9 * (1 - chance)))
    fit = fit_mix(MixedBins(codes, (4, 2), np.full(4000, 20), bad))
    assert fit.icc == pytest.approx(0.1, abs=0.01)
    assert 1000 < fit.freedom < 4000
    assert fit.likely[1:4] - fit.likely[0] == pytest.approx([0.3, 0.6, 0.9], abs=0.15)


def test_bins_that_differ_less_than_luck_makes_them_leave_no_icc() -> None:
    icc, freedom = left_over_icc(np.ones((10, 1)), np.full(10, 4.0), np.full(10, 20.0))
    assert icc == 0
    assert 7 < freedom < 10  # of 9; counts of 4 of 20 are nearly normal


def test_the_icc_of_few_bins_allows_for_the_mean_being_their_own() -> None:
    """By hand: bins 2, 5, 8, 5 of 20 have the variance 6 (divisor 3) = 20 * 0.25 * 0.75 * (1 + 19 icc)."""
    icc, _ = left_over_icc(np.ones((4, 1)), np.array([2.0, 5, 8, 5]), np.full(4, 20.0))
    assert icc == pytest.approx((6 / 3.75 - 1) / 19, abs=0.004)


def test_without_spare_bins_the_icc_is_worth_nothing() -> None:
    assert left_over_icc(np.eye(2), np.array([2.0, 5]), np.array([20.0, 20])) == (0.0, 0.0)
