"""Crews at the same mix of block and method: against statsmodels, a published table, and where the truth is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import expit, logit

from scorer.crews.standardised import (
    ALONE,
    NO_SPARE_BINS,
    NOT_TOLD_APART,
    STANDARDISED_COLUMNS,
    standardised_shares,
)


def counted(cells: list[tuple[str, str, int, int]]) -> pd.DataFrame:
    """One row per fruit, each a bin of its own, from (crew, block, defective, fruit)."""
    rows = [
        {"crew": crew, "block": block, "defective": number < bad}
        for crew, block, bad, of in cells
        for number in range(of)
    ]
    table = pd.DataFrame(rows)
    return table.assign(lot=np.arange(len(table)).astype(str))


STONES = counted([("A", "small", 81, 87), ("A", "large", 192, 263), ("B", "small", 234, 270), ("B", "large", 55, 80)])
"""Successes of two treatments by size of stone: Charig and others 1986, British Medical Journal 292: 879-882."""


def season(
    rng: np.random.Generator, bins: int, shares: dict[str, float], mixed: float, per_bin: int = 15
) -> pd.DataFrame:
    """Bins of fruit (icc 0.05); block east is harder by 1.2 on the log-odds, and crews go there unevenly."""
    rows = []
    for place, (crew, share) in enumerate(shares.items()):
        for number in range(bins):
            east = rng.random() < (mixed if place % 2 else 1 - mixed)
            chance = expit(logit(share) + 1.2 * east)
            bad = rng.random(per_bin) < rng.beta(19 * chance, 19 * (1 - chance))
            about = {"crew": crew, "lot": f"T{number}", "block": "east" if east else "west"}
            rows += [about | {"defective": bool(one)} for one in bad]
    return pd.DataFrame(rows)


def test_a_published_paradox_is_turned_round() -> None:
    """Crude B leads (83 to 78 %); directly standardised A does: 0.51 * 81/87 + 0.49 * 192/263 = 0.8325, B 0.7789.

    Without an interaction the model comes within a point of that.
    """
    found = standardised_shares(STONES, hold=["block"]).table.set_index("crew")
    assert found["share"].to_dict() == pytest.approx({"A": 273 / 350, "B": 289 / 350})
    assert found["standardised"].to_dict() == pytest.approx({"A": 0.8325, "B": 0.7789}, abs=0.01)


def test_where_odds_ratios_are_alike_it_is_direct_standardisation_to_the_digit() -> None:
    """By hand: west 400 and east 340 of 740 fruit; every crew's odds are threefold in the east."""
    cells = [("A", "west", 10, 100), ("A", "east", 50, 200), ("B", "west", 60, 300), ("B", "east", 60, 140)]
    found = standardised_shares(counted(cells), hold=["block"]).table.set_index("crew")["standardised"]
    assert found["A"] == pytest.approx((400 * 0.10 + 340 * 0.25) / 740, rel=1e-6)
    assert found["B"] == pytest.approx((400 * 0.20 + 340 * 60 / 140) / 740, rel=1e-6)


def test_for_independent_fruit_the_interval_is_that_of_statsmodels() -> None:
    """GLM of single fruit on a large table; margin and delta method by hand from its covariance."""
    fruit = counted([("A", "w", 150, 900), ("A", "e", 300, 800), ("B", "w", 60, 500), ("B", "e", 500, 1200)])
    design = sm.add_constant(pd.get_dummies(fruit[["crew", "block"]], drop_first=True, dtype=float))
    fit = sm.GLM(fruit["defective"].astype(float), design, family=sm.families.Binomial()).fit()
    found = standardised_shares(fruit, hold=["block"]).table.set_index("crew")
    for crew in ("A", "B"):
        at = design.assign(crew_B=float(crew == "B"))
        chance = fit.predict(at)
        share = chance.mean()
        slope = at.mul(chance * (1 - chance), axis=0).mean() / (share * (1 - share))
        reach = 1.959964 * np.sqrt(slope @ fit.cov_params() @ slope)
        assert found.loc[crew, "standardised"] == pytest.approx(share, rel=1e-6)
        low, high = expit(logit(share) - reach), expit(logit(share) + reach)
        assert tuple(found.loc[crew, ["low", "high"]]) == pytest.approx((low, high), abs=5e-4)


def test_fruit_of_bins_have_wider_intervals_than_as_many_independent_ones() -> None:
    fruit = season(np.random.default_rng(2), 12, {"Brolga": 0.1, "Curlew": 0.2}, mixed=0.6)
    bins, single = (
        standardised_shares(table, hold=["block"]).table
        for table in (fruit, fruit.assign(lot=np.arange(len(fruit)).astype(str)))
    )
    assert bins["standardised"].to_numpy() == pytest.approx(single["standardised"].to_numpy(), rel=1e-6)
    assert ((bins["high"] - bins["low"]) > 1.15 * (single["high"] - single["low"])).all()


@pytest.mark.parametrize(("bins", "per_bin"), [(6, 20), (12, 15)])
def test_where_plain_shares_mislead_standardised_ones_hold_the_truth(bins: int, per_bin: int) -> None:
    """Three crews that pick alike, sent to blocks unevenly: truth is the same share for all at the season's mix."""
    rng = np.random.default_rng(3)
    held, plain, standard = [], [], []
    for _ in range(80):
        fruit = season(rng, bins, {"Brolga": 0.08, "Curlew": 0.08, "Paperbark": 0.08}, mixed=0.8, per_bin=per_bin)
        table = standardised_shares(fruit, hold=["block"]).table.set_index("crew")
        east = (fruit["block"] == "east").mean()
        truth = (1 - east) * 0.08 + east * expit(logit(0.08) + 1.2)
        told = table.dropna(subset="low")  # once in a while a crew went to one block alone
        held += list((told["low"] <= truth) & (truth <= told["high"]))
        plain.append(table["share"]["Curlew"] - table["share"]["Brolga"])
        standard.append(table["standardised"]["Curlew"] - table["standardised"]["Brolga"])
    assert 0.90 <= np.mean(held) <= 0.99
    assert np.mean(plain) > 0.05, "the crew that was sent east looks worse"
    assert abs(np.nanmean(standard)) < 0.025, "and is not"


def test_a_crew_without_a_defective_fruit_stays_finite_and_starts_at_0() -> None:
    fruit = season(np.random.default_rng(7), 8, {"Brolga": 0.1, "Curlew": 0.1}, mixed=0.5)
    fruit.loc[fruit["crew"] == "Brolga", "defective"] = False
    row = standardised_shares(fruit, hold=["block"]).table.set_index("crew").loc["Brolga"]
    assert 0 < row["standardised"] < 0.03
    assert row["low"] == 0
    assert 0.01 < row["high"] < 0.2
    turned = standardised_shares(fruit.assign(defective=~fruit["defective"]), hold=["block"]).table.set_index("crew")
    assert tuple(turned.loc["Brolga", ["low", "high"]]) == pytest.approx((1 - row["high"], 1), rel=1e-6)


@given(st.lists(st.tuples(st.sampled_from("AB"), st.sampled_from("we"), st.integers(0, 5)), min_size=1, max_size=9))
def test_any_handful_of_bins_gives_figures_in_order_or_none(bins: list[tuple[str, str, int]]) -> None:
    fruit = pd.DataFrame(
        [
            {"crew": crew, "block": block, "lot": lot, "defective": place < bad}
            for lot, (crew, block, bad) in enumerate(bins)
            for place in range(5)
        ]
    )
    table = standardised_shares(fruit, hold=["block"]).table
    told = table[table["told_apart"].astype(bool) & table["low"].notna()]
    assert ((told["low"] <= told["standardised"]) & (told["standardised"] <= told["high"])).all()
    assert told[["low", "high"]].stack().between(0, 1).all()
    rest = table[~table.index.isin(told.index)]
    assert (rest["note"] != "").all()
    assert rest[["low", "high"]].isna().all(axis=None)


# What cannot be told.


def test_a_crew_that_picked_where_nobody_else_did_is_named_with_its_block() -> None:
    fruit = season(np.random.default_rng(3), 8, {"Brolga": 0.1, "Curlew": 0.1}, mixed=0.5)
    alone = season(np.random.default_rng(4), 6, {"Quandong": 0.1}, mixed=0.5).assign(block="hill")
    found = standardised_shares(pd.concat([fruit, alone], ignore_index=True), hold=["block"])
    table = found.table.set_index("crew")
    assert table["told_apart"].to_dict() == {"Brolga": True, "Curlew": True, "Quandong": False}
    assert table.loc["Quandong", "note"] == NOT_TOLD_APART
    assert np.isnan(table.loc["Quandong", "standardised"])
    assert any("Quandong picked only in block hill, where no other crew did" in each for each in found.warnings)
    assert any("Brolga and Curlew picked only in block east and west" in each for each in found.warnings)
    without = standardised_shares(fruit, hold=["block"]).table.set_index("crew")
    assert table.loc["Brolga", "standardised"] == pytest.approx(without.loc["Brolga", "standardised"])


def test_a_method_bound_to_a_block_does_not_keep_crews_from_being_compared() -> None:
    fruit = season(np.random.default_rng(3), 10, {"Brolga": 0.1, "Curlew": 0.1}, mixed=0.5)
    bound = fruit.assign(method=np.where(fruit["block"] == "east", "pole", "hand"))
    both, block = (standardised_shares(bound, hold=hold).table for hold in (["block", "method"], ["block"]))
    assert both["told_apart"].all()
    assert both["standardised"].to_numpy() == pytest.approx(block["standardised"].to_numpy())


def test_crew_and_method_that_always_go_together_cannot_be_told_apart() -> None:
    fruit = season(np.random.default_rng(5), 8, {"Brolga": 0.1, "Curlew": 0.1}, mixed=0.5)
    fruit["method"] = np.where(fruit["crew"] == "Brolga", "pole", "hand")
    found = standardised_shares(fruit)
    assert not found.table["told_apart"].any()
    assert any("Brolga picked only in method pole" in each for each in found.warnings)


def test_crews_that_share_every_block_and_a_method_but_never_both_ways_cannot_be_told_apart() -> None:
    """The hand joins Brolga and Curlew, and so does each block, yet pole, saw and block may make all the difference."""
    ways = [
        ("Brolga", "west", "pole"),
        ("Brolga", "east", "hand"),
        ("Curlew", "west", "hand"),
        ("Curlew", "east", "saw"),
    ]

    def table(ways: list[tuple[str, str, str]]) -> pd.DataFrame:
        rows = [
            {"crew": crew, "block": block, "method": method, "lot": f"{number} {turn}", "defective": place < 1 + turn}
            for number, (crew, block, method) in enumerate(ways)
            for turn in range(3)
            for place in range(10)
        ]
        return standardised_shares(pd.DataFrame(rows)).table

    never = table(ways)
    assert (never["note"] == NOT_TOLD_APART).all()
    assert never["standardised"].isna().all()
    assert table([*ways, ("Brolga", "west", "hand")])["told_apart"].all(), "both picked the west by hand"


def test_little_overlap_is_said() -> None:
    fruit = season(np.random.default_rng(6), 12, {"Brolga": 0.1, "Curlew": 0.1}, mixed=0.5).assign(block="west")
    fruit.loc[(fruit["crew"] == "Brolga") & (fruit["lot"] != "T1"), "block"] = "east"
    table = standardised_shares(fruit, hold=["block"]).table.set_index("crew")
    assert table.loc["Brolga", "overlap"] == pytest.approx(1 / 12)
    assert "leans on the model" in table.loc["Brolga", "note"]


def test_without_spare_bins_no_interval_is_given() -> None:
    fruit = season(np.random.default_rng(6), 1, {"Brolga": 0.3, "Curlew": 0.3}, mixed=0.5).assign(block="west")
    table = standardised_shares(fruit, hold=["block"]).table
    assert (table["note"] == NO_SPARE_BINS).all()
    assert table["standardised"].to_numpy() == pytest.approx(table["share"].to_numpy(), abs=0.03)
    assert table["low"].isna().all()


def test_what_is_not_known_is_said_and_left_out() -> None:
    fruit = season(np.random.default_rng(8), 8, {"Brolga": 0.1, "Curlew": 0.1}, mixed=0.5)
    fruit.loc[fruit.index[:15], "block"] = None
    found = standardised_shares(fruit, hold=["block", "method"])
    assert found.held == ("block",)
    assert any("Nothing is known of the fruit's method" in each for each in found.warnings)
    assert "15 fruit without block are left out here." in found.warnings
    nothing = standardised_shares(fruit.drop(columns="block"))
    assert nothing.held == ()
    assert nothing.table["standardised"].isna().all()


def test_a_crew_of_which_no_block_is_known_is_named() -> None:
    fruit = season(np.random.default_rng(8), 8, {"Brolga": 0.1, "Curlew": 0.1, "Quandong": 0.1}, mixed=0.5)
    fruit.loc[fruit["crew"] == "Quandong", "block"] = None
    found = standardised_shares(fruit, hold=["block"])
    assert "120 fruit without block are left out here, among them all of Quandong." in found.warnings
    assert found.table["crew"].tolist() == ["Brolga", "Curlew"]


def test_no_fruit_and_one_crew_give_no_standardised_share() -> None:
    fruit = season(np.random.default_rng(9), 4, {"Brolga": 0.1}, mixed=0.5)
    one = standardised_shares(fruit, hold=["block"]).table
    assert one["standardised"].isna().all()
    assert one["note"].tolist() == [ALONE]
    none = standardised_shares(fruit.iloc[:0], hold=["block"]).table
    assert none.empty
    assert tuple(none.columns) == STANDARDISED_COLUMNS


def test_a_table_that_cannot_be_read_is_one_sentence() -> None:
    fruit = season(np.random.default_rng(9), 2, {"Brolga": 0.1, "Curlew": 0.1}, mixed=0.5)
    with pytest.raises(ValueError, match="no column 'bin'"):
        standardised_shares(fruit, cluster="bin")
    with pytest.raises(ValueError, match="may hold only True and False"):
        standardised_shares(fruit.assign(defective=2))
    with pytest.raises(ValueError, match="95 must lie between 0 and 1"):
        standardised_shares(fruit, confidence=95)
