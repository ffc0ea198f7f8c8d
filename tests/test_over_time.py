"""A crew's season day by day: what is signalled, and what is said of it."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from scorer.crews.over_time import (
    DRIFTING_UP,
    FEWEST_PERIODS,
    HIGH,
    OVER_TIME_COLUMNS,
    USUAL,
    baseline_periods,
    over_time,
)
from scorer.crews.share_chart import laney_limits
from tests.drawn_days import WAFERS, days, steady


def test_the_middle_is_that_of_the_handbooks_chart() -> None:
    """NIST/SEMATECH e-Handbook 6.3.3.2: mean 0.2313."""
    assert over_time(days(WAFERS, 50), "wafers").table["centre"].iloc[0] == pytest.approx(0.2313, abs=5e-5)


def test_the_widening_is_laneys() -> None:
    """Laney 2002, on the wafers: mean moving range of z 1.8735, sigma z 1.6609, upper limit 0.5285 (computed)."""
    chart = over_time(days(WAFERS, 50), "wafers")
    assert chart.sigma_z == pytest.approx(1.660867, abs=1e-6)
    low, high = laney_limits(347 / 1500, np.array([50.0]), chart.sigma_z)
    assert (low[0], high[0]) == pytest.approx((0.0, 0.528472), abs=1e-6)
    assert (chart.table["signal"] == USUAL).all(), "by Laney's limits none stands out"


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
    assert any("Curlew: drifting up; seen since 2026-03-1" in sentence for sentence in chart.sentences)


def test_steady_crews_are_mostly_left_alone() -> None:
    rng = np.random.default_rng(11)
    charts = [over_time(steady(rng, [0.08] * 20), "crew") for _ in range(40)]
    assert np.mean([(chart.table["signal"] != USUAL).any() for chart in charts]) <= 0.10
    assert np.mean([(chart.table["drift_signal"] != USUAL).any() for chart in charts]) <= 0.10


def test_a_trebled_share_is_noticed_in_time() -> None:
    rng = np.random.default_rng(12)
    charts = [over_time(steady(rng, [0.06] * 12 + [0.2] * 8), "crew") for _ in range(60)]
    assert np.mean([chart.table["drift_signal"].iloc[-1] == DRIFTING_UP for chart in charts]) >= 0.65


def test_a_faultless_start_is_not_taken_for_perfect() -> None:
    chart = over_time(days([0] * 10 + [1, 0, 0, 0], 45, bins=3), "Curlew")
    assert (chart.table["drift_signal"] == USUAL).all()
    assert chart.table["drift_centre"].iloc[0] == 0


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


def test_where_nothing_is_seen_it_is_said_what_could_have_been() -> None:
    (said,) = over_time(days([4, 5] * 4, 60), "Brolga").sentences
    assert "no day stands out from its usual spread" in said
    assert "drift can be looked for from 9 days on" in said
    assert "smaller changes may go unseen" in said
    assert "no drift is seen" in over_time(days([4, 5] * 6, 60), "Brolga").sentences[0]


def test_weeks_are_called_weeks() -> None:
    table = days([4, 5, 3, 4, 6, 5, 4, 30, 4, 5, 3, 4], 60).rename(columns={"day": "week"})
    assert "ask what was different that week." in over_time(table, "Brolga", period="week").sentences[0]


def test_fruit_without_a_day_are_left_out_and_counted() -> None:
    table = days([4, 5] * 6, 60)
    table.loc[:9, "day"] = None
    assert "10 fruit of Brolga have no day and are left out here." in over_time(table, "Brolga").sentences


def test_bins_of_one_name_under_two_crews_are_two_bins() -> None:
    one = days([4, 5] * 4, 30)
    both = pd.concat([one.assign(crew="Brolga"), one.assign(crew="Curlew")], ignore_index=True)
    assert over_time(both, "all crews").table["bins"].tolist() == [2] * 8
    assert baseline_periods(30) == 10


@pytest.mark.parametrize(
    ("table", "said"),
    [
        (days([1], 20).drop(columns="day"), "no column 'day'"),
        (days([1], 20).drop(columns="lot"), "no column 'lot'"),
        (days([1], 20).assign(defective=3), "may hold only True and False"),
    ],
)
def test_a_table_that_cannot_be_read_is_one_sentence(table: pd.DataFrame, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        over_time(table, "Brolga")
