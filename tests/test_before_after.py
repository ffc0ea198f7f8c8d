"""A crew before and after a day: against a published difference, and where the truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.proportion import proportion_confint

from scorer.crews.before_after import BETTER, CANNOT_TELL, WORSE, before_and_after
from scorer.crews.difference import difference
from tests.drawn_days import days, steady


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


def test_one_bin_on_either_side_tells_nothing() -> None:
    change = before_and_after(days([2, 9], 20), "Quandong", "2026-03-02")
    assert change.word == CANNOT_TELL
    assert "too few bins on either side" in change.sentence
    assert np.isnan(change.difference.low)


def test_a_day_outside_of_the_season_is_one_sentence() -> None:
    with pytest.raises(ValueError, match="Quandong has no fruit before 2026-03-01: name a day inside of its season"):
        before_and_after(days([1, 2, 3], 20), "Quandong", "2026-03-01")


def test_a_missing_column_is_named() -> None:
    with pytest.raises(ValueError, match="no column 'week'"):
        before_and_after(days([1, 2, 3], 20), "Quandong", "2026-03-02", day="week")
