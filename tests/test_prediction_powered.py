"""Shares from the scorer's and the officers' words together: against other libraries, and where the truth is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from scorer.crews.next_checks import TO_CHECK_COLUMNS, chances, checks_worth, draw_checks
from scorer.crews.prediction_powered import BY_LOT, FEWEST_CHECKED, NO_CHECKS, NO_SPREAD, shares_from_both

SHARES = {"Bowerbird": 0.05, "Brolga": 0.10, "Curlew": 0.15, "Paperbark": 0.20}


def season(rng: np.random.Generator, *, checked: float, finds: float = 0.8, leaves: float = 0.95) -> pd.DataFrame:
    """Twelve bins of 15 fruit a crew (icc 0.05), so many of them checked by lot, with the truth beside."""
    rows = []
    for crew, share in SHARES.items():
        for lot in range(12):
            truth = rng.random(15) < rng.beta(share * 19, (1 - share) * 19)
            said = np.where(truth, rng.random(15) < finds, rng.random(15) >= leaves)
            about = {
                "crew": crew,
                "lot": f"T{lot}",
                "bin": f"T{lot}",
                "photo": f"{crew}{lot}.jpg",
                "fruit": range(1, 16),
            }
            rows.append(pd.DataFrame(about | {"defective": said, "truth": truth, "looked": rng.random(15) < checked}))
    fruit = pd.concat(rows, ignore_index=True)
    return with_checks(fruit.assign(check_chance=np.nan), fruit["looked"], np.nan)


def with_checks(fruit: pd.DataFrame, looked: pd.Series, chance: float | np.ndarray) -> pd.DataFrame:
    word = fruit["truth"].astype("boolean").where(looked)
    return fruit.assign(checked_downgraded=word, check_chance=np.where(looked, chance, np.nan))


def test_every_fruit_checked_gives_the_plain_mean_and_its_error_between_bins() -> None:
    """statsmodels OLS on a constant, errors clustered by bin, as reference; on the log-odds scale with t."""
    fruit = season(np.random.default_rng(1), checked=1.0)
    found = shares_from_both(fruit).set_index("crew")
    for crew, rows in fruit.groupby("crew"):
        fit = sm.OLS(rows["truth"].astype(float), np.ones(len(rows))).fit(
            cov_type="cluster", cov_kwds={"groups": pd.factorize(rows["lot"])[0]}, use_t=True
        )
        share, error = fit.params.iloc[0], fit.bse.iloc[0]
        assert found.loc[crew, "share"] == pytest.approx(share)
        reach = 2.200985 * error / (share * (1 - share))  # t of 11 degrees of freedom, two-sided 95 % (any t table)
        ends = 1 / (1 + np.exp(-(np.log(share / (1 - share)) + np.array([-reach, reach]))))
        assert found.loc[crew, ["low", "high"]].tolist() == pytest.approx(ends, rel=1e-5)
        assert found.loc[crew, "left_to_checks"] == pytest.approx(0)


def test_a_figure_by_hand() -> None:
    """Scorer says 4 of 10; the officer looks at 5 (2 said defective, 1 truly; 3 said sound, 1 defective).

    Weight 1 gives 0.4 + (2 - 2) / 5 = 0.4, weight 0 gives 2 / 5; with any weight it is 0.4.
    """
    truth = [True, False, True, False, False]
    one = {"defective": [True, True, False, False, False, True, True, False, False, False]}
    fruit = pd.DataFrame(one | {"checked_downgraded": pd.array([*truth, *[None] * 5], "boolean")})
    bins = pd.concat([fruit.assign(crew="Brolga", lot=n) for n in range(6)], ignore_index=True)
    row = shares_from_both(bins).iloc[0]
    assert row["share"] == pytest.approx(0.4)
    assert row["said_share"] == pytest.approx(0.4)
    assert row["note"] == NO_SPREAD, "all six bins are alike"


def test_intervals_hold_the_truth_as_often_as_they_claim_and_are_narrower_than_from_checks_alone() -> None:
    rng = np.random.default_rng(7)
    held, width, alone = [], [], []
    for _ in range(80):
        fruit = season(rng, checked=0.35)
        found = shares_from_both(fruit).set_index("crew")
        held += [found.loc[crew, "low"] <= share <= found.loc[crew, "high"] for crew, share in SHARES.items()]
        width.append((found["high"] - found["low"]).mean())
        only = shares_from_both(fruit.assign(defective=False))
        alone.append((only["high"] - only["low"]).mean())
    assert 0.92 <= np.mean(held) <= 0.98
    assert np.mean(width) < 0.92 * np.mean(alone)


def test_a_scorer_that_is_always_wrong_bends_nothing() -> None:
    rng = np.random.default_rng(8)
    held = []
    for _ in range(40):
        found = shares_from_both(season(rng, checked=0.35, finds=0.1, leaves=0.3)).set_index("crew")
        held += [found.loc[crew, "low"] <= share <= found.loc[crew, "high"] for crew, share in SHARES.items()]
    assert np.mean(held) >= 0.92


def test_doubtful_fruit_checked_more_often_bend_nothing_as_long_as_the_chance_is_kept() -> None:
    rng = np.random.default_rng(9)
    held, bent = [], []
    for _ in range(60):
        fruit = season(rng, checked=0.0)
        chance = np.where(fruit["defective"], 0.9, 0.25)
        fruit = with_checks(fruit, pd.Series(rng.random(len(fruit)) < chance), chance)
        found = shares_from_both(fruit).set_index("crew")
        held += [found.loc[crew, "low"] <= share <= found.loc[crew, "high"] for crew, share in SHARES.items()]
        checked = fruit[fruit["checked_downgraded"].notna()]
        bent.append(checked["truth"].mean() - fruit["truth"].mean())
    assert np.mean(held) >= 0.92
    assert np.mean(bent) > 0.05, "the checked fruit alone would say far too much"


def test_few_or_no_checks_are_told_instead_of_a_figure() -> None:
    none = shares_from_both(season(np.random.default_rng(3), checked=0.0))
    assert set(none["note"]) == {NO_CHECKS}
    few = shares_from_both(season(np.random.default_rng(3), checked=0.03))
    assert few["share"].isna().all()
    assert few["note"].str.contains(f"from {FEWEST_CHECKED} fruit").all()


def test_checks_without_a_chance_are_said_to_count_as_drawn_by_lot() -> None:
    assert set(shares_from_both(season(np.random.default_rng(3), checked=0.4))["note"]) == {BY_LOT}


def test_drawn_fruit_are_unchecked_spread_over_crews_and_come_again_from_the_seed() -> None:
    fruit = season(np.random.default_rng(4), checked=0.1)
    first = draw_checks(fruit, 40)
    assert tuple(first.fruit.columns) == TO_CHECK_COLUMNS
    assert len(first.fruit) == 40
    pd.testing.assert_frame_equal(first.fruit, draw_checks(fruit, 40, seed=first.seed).fruit)
    known = set(map(tuple, fruit.loc[fruit["checked_downgraded"].notna(), ["photo", "fruit"]].to_numpy()))
    drawn = set(map(tuple, first.fruit[["photo", "fruit"]].to_numpy()))
    assert len(drawn) == 40
    assert not known & drawn
    assert first.fruit["crew"].nunique() == 4
    assert first.fruit["bin"].nunique() >= 10


def test_fruit_are_drawn_as_often_as_their_chance_says() -> None:
    fruit = season(np.random.default_rng(5), checked=0.0).head(60)
    fruit = fruit.assign(doubt=np.linspace(0.02, 0.5, 60))
    times = pd.Series(0, index=range(60))
    chance = pd.Series(np.nan, index=range(60))
    key = {(row.photo, row.fruit): index for index, row in fruit.iterrows()}
    for seed in range(600):
        for row in draw_checks(fruit, 12, seed=seed).fruit.itertuples():
            times[key[row.photo, row.fruit]] += 1
            chance[key[row.photo, row.fruit]] = row.check_chance
    error = np.sqrt(chance * (1 - chance) / 600)
    assert (np.abs(times / 600 - chance) < 4 * error).all()
    assert chance.iloc[-1] / chance.iloc[0] == pytest.approx(5.0), "with the root of the doubt"


def test_chances_sum_to_the_number_and_none_is_above_one() -> None:
    rng = np.random.default_rng(6)
    for number in (1, 5, 30, 49):
        chance = chances(rng.lognormal(0, 2, 50), number)
        assert chance.sum() == pytest.approx(number)
        assert chance.max() <= 1
        assert chance.min() > 0
    assert (chances(np.ones(5), 9) == 1).all()


def test_a_second_drawing_bends_nothing_either() -> None:
    rng = np.random.default_rng(10)
    held = []
    for _ in range(40):
        fruit = season(rng, checked=0.0)
        for _ in range(2):
            drawn = draw_checks(fruit, 120, seed=int(rng.integers(2**32))).fruit
            chance = fruit[["photo", "fruit"]].merge(drawn[["photo", "fruit", "check_chance"]], how="left")[
                "check_chance"
            ]
            now = fruit["checked_downgraded"].isna() & chance.notna()
            fruit["checked_downgraded"] = fruit["checked_downgraded"].mask(now, fruit["truth"].astype("boolean"))
            fruit["check_chance"] = fruit["check_chance"].mask(now, chance)
        found = shares_from_both(fruit).set_index("crew")
        held += [found.loc[crew, "low"] <= share <= found.loc[crew, "high"] for crew, share in SHARES.items()]
    assert np.mean(held) >= 0.91


def test_when_more_checks_would_move_nothing_it_is_enough() -> None:
    rng = np.random.default_rng(11)
    worth = checks_worth(season(rng, checked=0.9))
    assert worth["enough"].all()
    assert worth["sentence"].str.contains("enough, more bins would tell more").all()
    early = checks_worth(season(rng, checked=0.2))
    assert (early.loc[early["checked"] >= FEWEST_CHECKED, "narrower_by"] > 0.05).all()
    none = checks_worth(season(rng, checked=0.0))
    assert not none["enough"].any()


@pytest.mark.parametrize(("number", "doubt", "said"), [(0, 0.5, "at least 1"), (5, 1.5, "probabilities from 0 to 1")])
def test_drawing_refuses_what_cannot_be(number: int, doubt: float, said: str) -> None:
    with pytest.raises(ValueError, match=said):
        draw_checks(season(np.random.default_rng(1), checked=0.0).assign(doubt=doubt), number)


def test_nothing_left_to_check_draws_nothing() -> None:
    assert draw_checks(season(np.random.default_rng(1), checked=1.0), 10).fruit.empty
