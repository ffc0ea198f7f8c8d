"""Shares from the scorer's and the officers' words together: against other libraries, and where the truth is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from scorer.crews.checked_crew import CheckedCrew
from scorer.crews.prediction_powered import (
    ALL_DEFECTIVE,
    ALL_SOUND,
    BY_LOT,
    FEWEST_CHECKED,
    FROM_BOTH_COLUMNS,
    NO_CHECKS,
    NO_SPREAD,
    shares_from_both,
)
from tests.checked_season import SHARES, season, with_looks


def log_odds_ends(share: float, error: float, freedom: float) -> np.ndarray:
    reach = stats.t.ppf(0.975, freedom) * error / (share * (1 - share))
    return 1 / (1 + np.exp(-(np.log(share / (1 - share)) + np.array([-reach, reach]))))


def share_and_error_between_bins(rows: pd.DataFrame) -> tuple[float, float]:
    """statsmodels, OLS on a constant with errors clustered by bin."""
    fit = sm.OLS(rows["truth"].astype(float), np.ones(len(rows))).fit(
        cov_type="cluster", cov_kwds={"groups": pd.factorize(rows["lot"])[0]}, use_t=True
    )
    return float(fit.params.iloc[0]), float(fit.bse.iloc[0])


def test_every_fruit_checked_gives_the_plain_mean_and_its_error_between_bins() -> None:
    """statsmodels as reference, see above; on the log-odds scale with t of 11 degrees of freedom for 12 like bins."""
    fruit = season(np.random.default_rng(1), checked=1.0)
    found = shares_from_both(fruit).set_index("crew")
    for crew, rows in fruit.groupby("crew"):
        share, error = share_and_error_between_bins(rows)
        assert found.loc[crew, "share"] == pytest.approx(share)
        assert found.loc[crew, ["low", "high"]].tolist() == pytest.approx(log_odds_ends(share, error, 11), rel=1e-6)
        assert found.loc[crew, "left_to_checks"] == pytest.approx(0)


def test_a_weight_of_nothing_gives_the_plain_mean_of_the_checked_fruit() -> None:
    """statsmodels as reference, over the checked fruit alone; the first 5 of 15 of each bin are checked.

    Bins differ enough that their spread says more than the least that checking leaves.
    """
    fruit = season(np.random.default_rng(17), checked=0.0, shares={"Curlew": 0.3, "Paperbark": 0.4})
    fruit = with_looks(fruit, (fruit["fruit"] <= 5).to_numpy(), np.nan)
    found = shares_from_both(fruit, weight=0).set_index("crew")
    assert (found["left_to_checks"] < 0.9).all()
    for crew, rows in fruit[fruit["fruit"] <= 5].groupby("crew"):
        share, error = share_and_error_between_bins(rows)
        assert found.loc[crew, "share"] == pytest.approx(share)
        assert found.loc[crew, ["low", "high"]].tolist() == pytest.approx(log_odds_ends(share, error, 11), rel=1e-6)


def test_independent_fruit_give_the_figure_error_and_weight_of_the_paper() -> None:
    """Angelopoulos, Duchi and Zrnic 2023: estimate lambda mean(f_u) + mean(Y - lambda f_l), its variance, best lambda.

    There f_u are the unchecked fruit only; the scorer's mean over all fruit comes to the same with w = lambda N / N_u.
    """
    fruit = season(np.random.default_rng(13), checked=0.0, shares={"Paperbark": 0.2}, bins=4000, per_bin=1)
    looked = np.random.default_rng(14).permutation(len(fruit)) < 800
    fruit = with_looks(fruit, looked, np.nan)
    row = shares_from_both(fruit).iloc[0]
    said, truth = fruit["defective"].to_numpy(float), fruit["truth"].to_numpy(float)
    best = np.cov(truth[looked], said[looked])[0, 1] / ((1 + 800 / 3200) * said.var())
    taken = row["weight"] * 3200 / 4000
    assert taken == pytest.approx(best, rel=0.05)
    gap = truth[looked] - taken * said[looked]
    assert row["share"] == pytest.approx(taken * said[~looked].mean() + gap.mean())
    error = np.sqrt(taken**2 * said[~looked].var(ddof=1) / 3200 + gap.var(ddof=1) / 800)
    expected = log_odds_ends(row["share"], error, 3999)
    assert row["high"] - row["low"] == pytest.approx(expected[1] - expected[0], rel=0.02)


def test_a_figure_with_its_interval_by_hand() -> None:
    """Five bins of 10, the first 4 of each checked; said in all 2, 1, 2, 3, 2, among those checked 1, 0, 1, 2, 0.

    Truly defective among those checked 1, 1, 0, 2, 1. Weight 1/2: 0.5 x 0.2 + (5 - 0.5 x 4) / 20 = 0.25. Errors of the
    bins -0.25, 0.5, -2.75, 1.5, 1, squares summing to 11.125, variance 5 / 4 x 11.125 / 50^2 = 0.0055625; t of 4
    degrees of freedom 2.776445 (any t table), so 1.104388 to either side of log(0.25 / 0.75).
    """
    said = ["1000100000", "0000100000", "1000100000", "1100100000", "0000110000"]
    truth = ["1000", "1000", "0000", "1100", "1000"]
    fruit = pd.DataFrame(
        {
            "crew": "Quandong",
            "lot": np.repeat(list("abcde"), 10),
            "defective": [letter == "1" for letter in "".join(said)],
            "checked_downgraded": pd.array([x for bin in truth for x in [*(c == "1" for c in bin), *[None] * 6]]),
        }
    )
    row = shares_from_both(fruit, weight=0.5).iloc[0]
    assert row["share"] == pytest.approx(0.25)
    assert row[["low", "high"]].tolist() == pytest.approx([0.09948, 0.50144], abs=2e-5)
    # of checking: 2.5 (2.5 - 1) x 2.55 / 50^2 = 0.003825, the gaps' squares about their mean of 0.15 summing to 2.55,
    # but at least, with 2 of 16 called sound and 1 of 4 called defective wrong, rates of 3 / 18 and 2 / 6:
    least = 0.8**2 * 0.6 * (3 / 18 * 15 / 18) / 18 + 0.2**2 * 0.6 * (2 / 6 * 4 / 6) / 6
    assert least > 0.003825
    assert row["left_to_checks"] == pytest.approx(least / 0.0055625)


def test_bins_that_hardly_count_add_hardly_any_freedom() -> None:
    """Satterthwaite: like bins J - 1; one bin of 60 beside 6 of 10 that hold as much together (12^2 / 42 - 1)."""
    alike = CheckedCrew(
        "Brolga", np.repeat(np.arange(6), 10), np.tile([1.0, 0], 30), np.tile([1.0, 0], 30), np.ones(60)
    )
    assert alike.freedom(1.0) == pytest.approx(5)
    bins = np.concatenate([np.repeat(np.arange(6), 10), np.repeat(6, 60)])
    word = np.tile([1.0, 0], 60)
    assert CheckedCrew("Brolga", bins, word, word, np.ones(120)).freedom(1.0) == pytest.approx(12**2 / 42 - 1)


@pytest.mark.parametrize(
    ("bins", "per_bin", "checked"),
    [(12, 15, 0.35), (6, 20, 0.4), (20, 20, 0.1)],
    ids=["usual", "few bins", "few checks"],
)
def test_intervals_hold_the_truth_as_often_as_they_claim(bins: int, per_bin: int, checked: float) -> None:
    """A crew of 2 in 100 is among them: by the normal law alone its intervals held in 84 to 89 of 100."""
    rng = np.random.default_rng(7)
    shares = {"Quandong": 0.02, **SHARES}
    held = []
    for _ in range(60):
        fruit = season(rng, checked=checked, shares=shares, bins=bins, per_bin=per_bin)
        found = shares_from_both(fruit).set_index("crew").dropna(subset="share")
        held += [found.loc[crew, "low"] <= shares[crew] <= found.loc[crew, "high"] for crew in found.index]
    assert 0.92 <= np.mean(held) <= 0.985


def test_a_good_scorer_makes_intervals_narrower_than_checks_alone() -> None:
    rng = np.random.default_rng(17)
    both, alone = [], []
    for _ in range(30):
        fruit = season(rng, checked=0.35, finds=0.9, leaves=0.98)
        for widths, found in ((both, shares_from_both(fruit)), (alone, shares_from_both(fruit, weight=0))):
            widths.append((found["high"] - found["low"]).mean())
    assert np.mean(both) < 0.85 * np.mean(alone)


def test_a_scorer_that_is_always_wrong_bends_nothing() -> None:
    rng = np.random.default_rng(8)
    held = []
    for _ in range(40):
        found = shares_from_both(season(rng, checked=0.35, finds=0.1, leaves=0.3)).set_index("crew")
        held += [found.loc[crew, "low"] <= share <= found.loc[crew, "high"] for crew, share in SHARES.items()]
    assert np.mean(held) >= 0.92


def test_doubtful_fruit_checked_more_often_bend_nothing_as_long_as_the_chance_is_kept() -> None:
    rng = np.random.default_rng(9)
    held, off, bent = [], [], []
    for _ in range(60):
        fruit = season(rng, checked=0.0)
        chance = np.where(fruit["defective"], 0.9, 0.25)
        fruit = with_looks(fruit, rng.random(len(fruit)) < chance, chance)
        found = shares_from_both(fruit).set_index("crew")
        held += [found.loc[crew, "low"] <= share <= found.loc[crew, "high"] for crew, share in SHARES.items()]
        off.append(found["share"].mean() - fruit["truth"].mean())
        bent.append(fruit.loc[fruit["checked_downgraded"].notna(), "truth"].mean() - fruit["truth"].mean())
        assert set(found["note"]) <= {"", ALL_SOUND}
    assert np.mean(held) >= 0.92
    assert abs(np.mean(off)) < 0.01
    assert np.mean(bent) > 0.05, "the checked fruit alone would say far too much"


def test_no_defective_fruit_among_those_checked_leaves_what_luck_allows() -> None:
    """statsmodels, Clopper-Pearson for 0 of 48, as the least upper end; the scorer found some, but not among these."""
    fruit = season(np.random.default_rng(3), checked=0.0, shares={"Brolga": 0.1}).assign(truth=False)
    fruit = with_looks(fruit, ((fruit["fruit"] <= 4) & ~fruit["defective"]).to_numpy(), np.nan)
    row = shares_from_both(fruit).iloc[0]
    luck = proportion_confint(0, row["checked"], method="beta")[1]
    assert row["low"] == 0
    assert luck <= row["high"] < 2 * luck
    assert row["note"].startswith(ALL_SOUND)
    silent = shares_from_both(fruit.assign(defective=False)).iloc[0]
    assert silent["high"] == pytest.approx(luck), "where the scorer found none either, luck is all there is"
    other_way = shares_from_both(
        fruit.assign(defective=~fruit["defective"], checked_downgraded=~fruit["checked_downgraded"])
    )
    assert other_way.loc[0, ["low", "high"]].tolist() == pytest.approx([1 - row["high"], 1])
    assert other_way.loc[0, "note"].startswith(ALL_DEFECTIVE)


def test_a_small_share_never_gets_an_interval_over_everything() -> None:
    rng = np.random.default_rng(21)
    for _ in range(60):
        found = shares_from_both(season(rng, checked=0.3, shares={"Quandong": 0.02, "Bowerbird": 0.05}))
        assert (found["high"] < 0.5).all()


def test_bins_all_alike_and_all_checked_have_no_spread_to_tell_from() -> None:
    one = pd.DataFrame({"truth": [True, False, False, False], "defective": [True, False, False, False]})
    bins = pd.concat([one.assign(crew="Brolga", lot=n) for n in range(6)], ignore_index=True)
    row = shares_from_both(with_looks(bins, np.ones(24, bool), 1.0)).iloc[0]
    assert row["share"] == pytest.approx(0.25)
    assert pd.isna(row["low"])
    assert row["note"] == NO_SPREAD


def test_few_or_no_checks_are_told_instead_of_a_figure() -> None:
    none = shares_from_both(season(np.random.default_rng(3), checked=0.0))
    assert set(none["note"]) == {NO_CHECKS}
    few = shares_from_both(season(np.random.default_rng(3), checked=0.03))
    assert few["share"].isna().all()
    assert few["note"].str.contains(f"from {FEWEST_CHECKED} fruit").all()


def test_many_checks_in_few_bins_are_told_instead_of_a_figure() -> None:
    fruit = season(np.random.default_rng(3), checked=0.0, per_bin=30)
    fruit = with_looks(fruit, fruit["lot"].isin(["T00", "T01", "T02", "T03"]).to_numpy(), np.nan)
    found = shares_from_both(fruit)
    assert (found["checked"] == 120).all()
    assert found["share"].isna().all()


def test_checks_without_a_chance_are_said_to_count_as_drawn_by_lot() -> None:
    assert set(shares_from_both(season(np.random.default_rng(3), checked=0.4))["note"]) == {BY_LOT}


def test_one_crew_is_told_and_an_empty_table_gives_no_rows_but_its_columns() -> None:
    fruit = season(np.random.default_rng(3), checked=0.4, shares={"Curlew": 0.15})
    assert shares_from_both(fruit)["low"].notna().all()
    empty = shares_from_both(fruit.iloc[:0])
    assert empty.empty
    assert tuple(empty.columns) == FROM_BOTH_COLUMNS


def test_columns_of_other_names_give_the_same_figures() -> None:
    fruit = season(np.random.default_rng(3), checked=0.4)
    renamed = fruit.drop(columns="bin").rename(columns={"crew": "team", "lot": "bin", "defective": "said"})
    other = shares_from_both(renamed, crew="team", cluster="bin", defective="said")
    pd.testing.assert_frame_equal(other, shares_from_both(fruit))


@pytest.mark.parametrize(
    ("wanted", "said"), [({"confidence": 1.0}, "must lie between 0 and 1"), ({"weight": 1.5}, "must lie from 0 to 1")]
)
def test_a_question_that_cannot_be_is_one_sentence(wanted: dict[str, float], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        shares_from_both(season(np.random.default_rng(3), checked=0.4), **wanted)
