"""Money lost to downgraded fruit: worked by hand, and prices that cannot be are refused in one sentence."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from scorer.crews.money import ALL_KINDS, crew_costs, halving_the_worst
from scorer.crews.prices import Prices, load_prices
from scorer.crews.shares import defect_share
from scorer.errors import PricesError
from scorer.resources import shared_folder
from scorer.score_tables import KINDS, UNSURE

EXAMPLE = shared_folder() / "prices" / "example.toml"
PRICES = Prices("dollars", 16, 26.0, 13.4, {"Brolga": 500.0})


def season() -> pd.DataFrame:
    """Two crews of 6 bins of 10: one fruit of each with sap burn is downgraded; in every second bin it is cut too."""
    rows = []
    for crew in ("Brolga", "Curlew"):
        for lot in range(6):
            for number in range(10):
                kinds = dict.fromkeys((*KINDS, UNSURE), False)
                kinds |= {"sap_burn": number == 0, "cut": number == 0 and lot % 2 == 0, "crease": number == 5}
                rows.append({"crew": crew, "lot": f"T{lot}", "defective": number == 0} | kinds)
    return pd.DataFrame(rows)


def test_the_example_comes_to_what_it_says() -> None:
    """0.7 cartons of 17 and 0.3 of 5 bring 13.40 instead of 26: 12.60 less."""
    prices = load_prices(EXAMPLE)
    assert prices.downgraded_per_carton == pytest.approx(13.4)
    assert prices.lost_per_carton == pytest.approx(12.6)
    assert prices.cartons == {}


def test_money_is_share_times_loss_times_cartons_with_the_interval_of_the_share() -> None:
    """A tenth downgraded of 500 cartons at 12.60: 630; of 100 where nobody counted them: 126."""
    costs = crew_costs(season(), PRICES).set_index(["crew", "kind"])
    assert costs.loc[("Brolga", ALL_KINDS), "lost"] == pytest.approx(630)
    assert costs.loc[("Curlew", ALL_KINDS), "lost"] == pytest.approx(126)
    assert costs.loc[("Curlew", ALL_KINDS), "cartons"] == 100
    share = defect_share(season(), cluster="lot").set_index("crew").loc["Brolga"]
    assert costs.loc[("Brolga", ALL_KINDS), "high"] == pytest.approx(share["high"] * 500 * 12.6)


def test_a_fruit_with_two_kinds_counts_for_each_and_once_for_all() -> None:
    costs = crew_costs(season(), PRICES).set_index(["crew", "kind"])["lost"]["Brolga"]
    assert costs["sap_burn"] == pytest.approx(630)
    assert costs["cut"] == pytest.approx(315)
    assert costs[ALL_KINDS] == pytest.approx(630)
    assert costs["crease"] == 0, "borne only by fruit that were not downgraded"


def test_halving_saves_half_of_what_only_that_kind_costs() -> None:
    """3 of Brolga's 6 downgraded fruit bear sap burn alone: 3 / 60 of 500 cartons at 12.60 are 315, half is 157.50."""
    saving = halving_the_worst(season(), PRICES).set_index("crew")
    assert saving.loc["Brolga", "worst_kind"] == "sap_burn"
    assert saving.loc["Brolga", "saved"] == pytest.approx(157.5)
    assert saving.loc["Brolga", "low"] < 157.5 < saving.loc["Brolga", "high"]
    assert "about 158 dollars (likely" in saving.loc["Brolga", "sentence"]
    assert "per 100 cartons" in saving.loc["Curlew", "sentence"]


def test_the_kind_that_was_picked_for_being_the_worst_has_a_wider_interval() -> None:
    saving = halving_the_worst(season(), PRICES).set_index("crew").loc["Brolga"]
    alone = season().assign(alone=lambda fruit: fruit["sap_burn"] & ~fruit["cut"] & fruit["defective"])
    plain = defect_share(alone, cluster="lot", defective="alone").set_index("crew").loc["Brolga"]
    assert saving["high"] > plain["high"] * 500 * 12.6 / 2
    assert saving["low"] < plain["low"] * 500 * 12.6 / 2


def test_a_fruit_with_a_mark_that_could_not_be_named_is_not_counted_as_saved() -> None:
    saved = halving_the_worst(season().assign(unsure=True), PRICES).set_index("crew").loc["Brolga", "saved"]
    assert saved == 0


def test_a_crew_that_loses_nothing_saves_nothing() -> None:
    saving = halving_the_worst(season().assign(defective=False), PRICES)
    assert saving["saved"].isna().all()
    assert "no downgraded fruit bears" in saving["sentence"].iloc[0]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('currency = "dollars"', "currency = 3", "currency: must be a word"),
        ("fruit_per_carton = 16", "fruit_per_carton = 0", "fruit_per_carton: must be above 0"),
        ("fruit_per_carton = 16", "", "fruit_per_carton: missing"),
        ("first = 26.0", 'first = "26"', "price_per_carton.first: must be a number"),
        ("first = 26.0", "first = -1", "price_per_carton.first: must be at least 0"),
        ("first = 26.0", "first = nan", "price_per_carton.first: must be a number"),
        ("juice = 0.3", "juice = 0.5", "the parts must sum to 1, they sum to 1.2"),
        ("juice = 0.3", "dried = 0.3", "dried has no price"),
        ('sound = "first"', 'sound = "best"', "best has no price"),
        ("[packed_as]", "[packed]", "packed: not known here"),
        ("[cartons]", "[cartons]\nBrolga = true", "cartons.Brolga: must be a number"),
        ("[cartons]", "[cartons", "is not a TOML table"),
    ],
)
def test_prices_that_cannot_be_are_one_sentence(tmp_path: Path, old: str, new: str, said: str) -> None:
    text = EXAMPLE.read_text(encoding="utf-8")
    assert old in text
    path = tmp_path / "prices.toml"
    path.write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(PricesError, match=said) as refused:
        load_prices(path)
    assert str(refused.value).startswith("prices.toml")


def test_prices_that_are_not_there_are_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(PricesError, match="cannot be read"):
        load_prices(tmp_path / "prices.toml")
