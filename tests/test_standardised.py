"""Crews at the same mix of block and method: against statsmodels, a published table, and where the truth is known."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy.special import expit, logit

from scorer.crews.standardised import NOT_TOLD_APART, standardised_shares


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


def test_a_published_paradox_is_turned_round() -> None:
    """Crude B leads (83 to 78 %); directly standardised A does: 0.51 * 81/87 + 0.49 * 192/263 = 0.8325, B 0.7789.

    Without an interaction the model comes within a point of that.
    """
    found = standardised_shares(STONES, hold=["block"]).table.set_index("crew")
    assert found["share"].to_dict() == pytest.approx({"A": 273 / 350, "B": 289 / 350})
    assert found["standardised"].to_dict() == pytest.approx({"A": 0.8325, "B": 0.7789}, abs=0.01)


def test_the_fit_is_that_of_statsmodels() -> None:
    """Margins by hand from statsmodels' GLM with dummies of its own, and its clustered covariance, as reference."""
    fruit = season(np.random.default_rng(1), 8, {"Brolga": 0.1, "Curlew": 0.2}, mixed=0.6)
    found = standardised_shares(fruit, hold=["block"]).table.set_index("crew")
    dummies = pd.get_dummies(fruit[["crew", "block"]], drop_first=True, dtype=float)
    design = sm.add_constant(dummies)
    fit = sm.GLM(fruit["defective"].astype(float), design, family=sm.families.Binomial()).fit(
        cov_type="cluster", cov_kwds={"groups": pd.factorize(fruit["crew"] + fruit["lot"])[0]}
    )
    for crew in ("Brolga", "Curlew"):
        wanted = fit.predict(design.assign(crew_Curlew=float(crew == "Curlew"))).mean()
        assert found.loc[crew, "standardised"] == pytest.approx(wanted, rel=1e-6)


def season(rng: np.random.Generator, bins: int, shares: dict[str, float], mixed: float) -> pd.DataFrame:
    """Bins of 15 fruit (icc 0.05); block east is harder by 1.2 on the log-odds, and crews go there unevenly."""
    rows = []
    for place, (crew, share) in enumerate(shares.items()):
        for number in range(bins):
            east = rng.random() < (mixed if place % 2 else 1 - mixed)
            chance = expit(logit(share) + 1.2 * east)
            bad = rng.random(15) < rng.beta(19 * chance, 19 * (1 - chance))
            about = {"crew": crew, "lot": f"T{number}", "block": "east" if east else "west"}
            rows += [about | {"defective": bool(one)} for one in bad]
    return pd.DataFrame(rows)


def test_where_plain_shares_mislead_standardised_ones_hold_the_truth() -> None:
    """Three crews that pick alike, sent to blocks unevenly: truth is the same share for all at the season's mix."""
    rng = np.random.default_rng(2)
    held, plain_apart, standard_apart = [], [], []
    for _ in range(80):
        fruit = season(rng, 12, {"Brolga": 0.08, "Curlew": 0.08, "Paperbark": 0.08}, mixed=0.75)
        found = standardised_shares(fruit, hold=["block"])
        table = found.table.set_index("crew")
        east = (fruit["block"] == "east").mean()
        truth = (1 - east) * 0.08 + east * expit(logit(0.08) + 1.2)
        held += list((table["low"] <= truth) & (truth <= table["high"]))
        plain_apart.append(table["share"].max() - table["share"].min())
        standard_apart.append(table["standardised"].max() - table["standardised"].min())
    assert 0.90 <= np.mean(held) <= 0.99
    assert np.mean(standard_apart) < 0.75 * np.mean(plain_apart)


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


def test_little_overlap_is_said() -> None:
    fruit = season(np.random.default_rng(6), 12, {"Brolga": 0.1, "Curlew": 0.1}, mixed=0.5).assign(block="west")
    fruit.loc[(fruit["crew"] == "Brolga") & (fruit["lot"] != "T1"), "block"] = "east"
    table = standardised_shares(fruit, hold=["block"]).table.set_index("crew")
    assert table.loc["Brolga", "overlap"] == pytest.approx(1 / 12)
    assert "leans on the model" in table.loc["Brolga", "note"]


def test_a_crew_without_a_defective_fruit_stays_finite() -> None:
    fruit = season(np.random.default_rng(7), 8, {"Brolga": 0.1, "Curlew": 0.1}, mixed=0.5)
    fruit.loc[fruit["crew"] == "Brolga", "defective"] = False
    row = standardised_shares(fruit, hold=["block"]).table.set_index("crew").loc["Brolga"]
    assert 0 < row["standardised"] < 0.03
    assert row["high"] < 0.3


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


def test_no_fruit_and_one_crew_give_no_standardised_share() -> None:
    fruit = season(np.random.default_rng(9), 4, {"Brolga": 0.1}, mixed=0.5)
    assert standardised_shares(fruit, hold=["block"]).table["standardised"].isna().all()
    assert standardised_shares(fruit.iloc[:0], hold=["block"]).table.empty
