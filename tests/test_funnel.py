"""The funnel against control limits that are published, and how many crews that are alike fall outside of it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from scorer.crews.funnel import BEYOND_INNER, BEYOND_OUTER, INNER, INSIDE, OUTER, POINT_COLUMNS, funnel, funnel_limits
from scorer.crews.shares import defect_share
from tests.test_comparison import season

WAFERS = [12, 15, 8, 10, 4, 7, 16, 9, 14, 10, 5, 6, 17, 12, 22, 8, 10, 5, 13, 11, 20, 18, 24, 15, 9, 12, 7, 13, 9, 6]
"""Bad chips of 50 on 30 wafers, NIST/SEMATECH e-Handbook 6.3.3.2: mean 0.2313, limits 0.0524 and 0.4102."""


def shares(defective: list[int], fruit: int, design_effect: float = 1.0) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "crew": [f"crew {place:02d}" for place in range(len(defective))],
            "fruit": fruit,
            "defective": defective,
            "share": np.array(defective) / fruit,
            "design_effect": design_effect,
        }
    )


def test_the_wafers_outside_of_the_published_limits_are_those_beyond_the_outer_ones() -> None:
    """Samples 15 and 23 are outside there. Ours are exact tails at 99.8 %, theirs 3 standard deviations (99.73 %)."""
    shown = funnel(shares(WAFERS, 50))
    assert shown.middle == pytest.approx(0.2313, abs=0.0001)
    assert np.flatnonzero(shown.points["beyond"] == BEYOND_OUTER).tolist() == [14, 22]
    assert shown.points["above"].iloc[[14, 22]].all()


@pytest.mark.parametrize("level", [INNER, OUTER])
def test_with_much_fruit_the_limits_are_those_of_a_p_chart(level: float) -> None:
    """The p-chart's p +- z sqrt(p q / n), with z from scipy's normal distribution."""
    middle, fruit = 0.2, np.array([20_000.0, 200_000.0])
    reach = stats.norm.isf((1 - level) / 2) * np.sqrt(middle * (1 - middle) / fruit)
    low, high = funnel_limits(middle, fruit, level)
    assert low == pytest.approx(middle - reach, rel=0.002)
    assert high == pytest.approx(middle + reach, rel=0.002)


def test_a_crew_between_the_limits_is_told_from_one_inside_and_one_beyond() -> None:
    """Of 200 fruit at 0.1, binomial tails by scipy: 30 has the upper tail 0.016, 37 has 0.0002, 25 has 0.14."""
    counts = [25, 30, 37]
    tails = stats.binom.sf(np.array(counts) - 1, 200, 0.1)
    assert (tails > [(1 - INNER) / 2, (1 - OUTER) / 2, 0]).all()
    assert (tails < [1, (1 - INNER) / 2, (1 - OUTER) / 2]).all()
    many = shares([20] * 400 + counts, 200)
    assert funnel(many).points["beyond"].tolist()[-3:] == [INSIDE, BEYOND_INNER, BEYOND_OUTER]


def test_fruit_that_resemble_each_other_count_for_fewer() -> None:
    """Kish: 300 fruit at a design effect of 2.4 are worth 125."""
    shown = funnel(shares([30, 30, 48], 300, 2.4))
    assert shown.points["effective_fruit"].to_numpy() == pytest.approx(125)
    alone = funnel(shares([30, 30, 48], 300))
    assert alone.points["beyond"].iloc[2] != INSIDE
    assert (shown.points["beyond"] == INSIDE).all()


@settings(deadline=None)
@given(st.floats(0.005, 0.6), st.floats(1, 2000))
def test_limits_hold_the_middle_and_the_outer_ones_the_inner(middle: float, fruit: float) -> None:
    low95, high95 = funnel_limits(middle, np.array([fruit]), INNER)
    low998, high998 = funnel_limits(middle, np.array([fruit]), OUTER)
    assert 0 <= low998[0] <= low95[0] <= middle <= high95[0] <= high998[0] <= 1


def test_independent_crews_that_are_alike_fall_outside_at_most_at_the_rates_meant_and_not_far_below() -> None:
    """Whole counts make the exact tails keep below 2.5 and 0.1 of 100 on each side, the less the more fruit."""
    counts = np.random.default_rng(5).binomial(900, 0.1, 6_000)
    beyond = funnel(shares(counts.tolist(), 900)).points["beyond"]
    assert 0.036 < (beyond != INSIDE).mean() < 0.056
    assert 0.0003 < (beyond == BEYOND_OUTER).mean() < 0.004


def test_crews_in_bins_that_are_alike_fall_outside_no_more_often_than_meant() -> None:
    random = np.random.default_rng(6)
    seasons = [season(random, dict.fromkeys("ABCDEFGH", 0.15), 12, 20, icc=0.08) for _ in range(10)]
    beyond = pd.concat([funnel(defect_share(fruit)).points for fruit in seasons])["beyond"]
    assert (beyond != INSIDE).mean() <= 0.1, "at most 5 of 100 are meant; 9 of 80 come up once in 50 such tests"
    assert (beyond == BEYOND_OUTER).mean() <= 0.02
    ignoring_bins = pd.concat([funnel(defect_share(fruit).assign(design_effect=1.0)).points for fruit in seasons])
    assert (ignoring_bins["beyond"] != INSIDE).mean() > 0.12, "the bins are what keeps them in"


def test_crews_without_fruit_have_no_point() -> None:
    table = shares([3, 4], 60)
    shown = funnel(table.assign(fruit=[60, 0], share=[0.05, np.nan], design_effect=[1.0, np.nan]))
    assert tuple(shown.points.columns) == POINT_COLUMNS
    assert shown.points["crew"].tolist() == ["crew 00"]
    assert np.isnan(funnel(table.iloc[:0]).middle)
