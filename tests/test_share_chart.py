"""Limits of single days: against published charts, scipy, and crews whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from scorer.crews.share_chart import (
    MOVING_RANGE_WORTH,
    laney_limits,
    limits_by_other_days,
    moving_range_sigma,
    spread_of_days,
    standardised,
)
from tests.drawn_days import draw_days


def test_without_widening_the_limits_are_those_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook 6.3.3.2: limits 0.0524 and 0.4102."""
    low, high = laney_limits(347 / 1500, np.array([50.0]), 1.0)
    assert (low[0], high[0]) == pytest.approx((0.0524, 0.4102), abs=5e-5)


def test_unlike_numbers_of_fruit_have_limits_of_their_own() -> None:
    """Bad 6 14 9 3 20 11 5 17 of 100 120 90 80 150 110 70 130: sigma z 1.489612, limits 0.234065 and 0.217583."""
    bad, of = np.array([6, 14, 9, 3, 20, 11, 5, 17]), np.array([100, 120, 90, 80, 150, 110, 70, 130])
    centre = bad.sum() / of.sum()
    sigma_z = moving_range_sigma(standardised(bad, of, centre))
    assert sigma_z == pytest.approx(1.489612, abs=1e-6)
    high = laney_limits(centre, of.astype(float), sigma_z)[1]
    assert (high[0], high[-1]) == pytest.approx((0.234065, 0.217583), abs=1e-6)


def test_for_large_counts_the_spread_is_laneys() -> None:
    bad = stats.betabinom.rvs(500, 0.3 * 99, 0.7 * 99, size=400, random_state=np.random.default_rng(1))
    of = np.full(400, 500)
    laney = moving_range_sigma(standardised(bad, of, bad.sum() / of.sum()))
    assert spread_of_days(bad, of) == pytest.approx(laney, rel=0.02)


@pytest.mark.parametrize(("share", "fruit"), [(0.03, 30), (0.05, 20)])
def test_for_few_defective_fruit_the_spread_is_the_true_one_where_laneys_is_too_narrow(
    share: float, fruit: int
) -> None:
    """scipy.stats.betabinom has the true spread; Laney's divisor is that of normal values."""
    law = stats.betabinom(fruit, share * 13, (1 - share) * 13)
    bad, of = law.rvs(size=20_000, random_state=np.random.default_rng(2)), np.full(20_000, fruit)
    true = law.std() / np.sqrt(fruit * share * (1 - share))
    assert spread_of_days(bad, of) == pytest.approx(true, rel=0.03)
    assert moving_range_sigma(standardised(bad, of, share)) < 0.9 * true


def test_moving_ranges_are_worth_the_degrees_of_freedom_they_are_said_to_be() -> None:
    """A mean whose variance is (mean^2) / (2 df) is worth df degrees; drawn from normal values, 8 to 30 of them."""
    rng = np.random.default_rng(3)
    for values in (8, 15, 30):
        means = np.abs(np.diff(rng.normal(size=(40_000, values)), axis=1)).mean(axis=1)
        worth = means.mean() ** 2 / (2 * means.var())
        assert worth == pytest.approx(MOVING_RANGE_WORTH * (values - 1), rel=0.06)


def test_a_days_limits_are_the_tails_that_scipy_finds_from_the_other_days() -> None:
    bad, of = np.array([3, 5, 2, 30, 4, 6, 3, 5, 4, 2]), np.array([40, 60, 40, 60, 45, 60, 50, 60, 40, 30])
    low, high = limits_by_other_days(bad, of)
    others_bad, others = np.delete(bad, 3), np.delete(of, 3)
    centre = (others_bad.sum() + 0.5) / (others.sum() + 1)
    tail = stats.norm.sf(stats.t.isf(stats.norm.sf(3), 0.62 * 8))
    # these nine spread less than independent fruit, so that the widening is only that of their mean's own error
    alike = (60 / others.sum()) / 59
    law = stats.betabinom(60, centre * (1 / alike - 1), (1 - centre) * (1 / alike - 1))
    assert (low[3] * 60, high[3] * 60) == pytest.approx((law.ppf(tail), law.isf(tail)))


@pytest.mark.parametrize("share", [0.03, 0.08, 0.2])
def test_days_of_a_steady_crew_seldom_stand_out(share: float) -> None:
    rng, of = np.random.default_rng(4), np.full(20, 30)
    false = []
    for _ in range(60):
        bad = draw_days(rng, [share] * 20, 2, 15, 0.07).sum(axis=1)
        low, high = limits_by_other_days(bad, of)
        false.append(((bad / of > high) | (bad / of < low)).any())
    assert np.mean(false) <= 0.12


def test_a_fourfold_day_is_often_seen_where_there_are_many_days() -> None:
    rng, of, seen = np.random.default_rng(5), np.full(30, 60), []
    for _ in range(40):
        bad = draw_days(rng, [0.15] * 15 + [0.6] + [0.15] * 14, 3, 20, 0.07).sum(axis=1)
        seen.append(bad[15] / 60 > limits_by_other_days(bad, of)[1][15])
    assert np.mean(seen) >= 0.5


@given(st.lists(st.tuples(st.integers(0, 40), st.integers(1, 40)), min_size=8, max_size=15))
def test_limits_stay_within_0_and_1_and_in_order(counted: list[tuple[int, int]]) -> None:
    bad, of = np.array([min(pair) for pair in counted]), np.array([pair[1] for pair in counted])
    low, high = limits_by_other_days(bad, of)
    assert ((low >= 0) & (low <= high) & (high <= 1)).all()
