"""Shares by kind of mark and by what is known of the bins: the same figures as for a crew, only cut otherwise."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.proportion import proportion_confint

from scorer.crews.breakdown import ALL_CREWS, NOT_KNOWN, shares_by, shares_by_kind
from scorer.crews.shares import defect_share
from scorer.score_tables import KINDS, UNSURE


def season(seed: int = 3, bins: int = 6, per_bin: int = 15) -> pd.DataFrame:
    """Two crews, two methods each in half of its bins, hours 6 to 11."""
    draw = np.random.default_rng(seed)
    rows = []
    for crew in ("Brolga", "Curlew"):
        for number in range(bins):
            about = {"crew": crew, "lot": f"T{number}", "method": ("pole", "hand")[number % 2], "hour": 6 + number}
            rows += [about | {"defective": bool(draw.random() < 0.1)} for _ in range(per_bin)]
    table = pd.DataFrame(rows)
    for kind in (*KINDS, UNSURE):
        table[kind] = draw.random(len(table)) < 0.05
    return table.astype({"hour": "Int64"})


def test_a_kinds_share_is_that_of_the_fruit_that_bear_it() -> None:
    fruit = season()
    shares = shares_by_kind(fruit).set_index(["kind", "crew"])
    for kind in (*KINDS, UNSURE):
        for crew, own in fruit.groupby("crew"):
            row = shares.loc[(kind, crew)]
            assert row["defective"] == own[kind].sum()
            assert row["low"] <= row["share"] <= row["high"]
        assert shares.loc[(kind, ALL_CREWS), "defective"] == fruit[kind].sum()


def test_bins_of_two_crews_that_bear_the_same_name_are_two_bins() -> None:
    fruit = season(bins=6)
    assert shares_by_kind(fruit).set_index(["kind", "crew"]).loc[("cut", ALL_CREWS), "clusters"] == 12
    by_method = shares_by(fruit, "method").set_index(["value", "crew"])
    assert by_method.loc[("pole", ALL_CREWS), "clusters"] == 6


def test_the_parts_of_a_crew_add_up_to_the_crew() -> None:
    fruit = season()
    whole = defect_share(fruit, cluster="lot").set_index("crew")
    for factor in ("method", "hour"):
        parts = shares_by(fruit, factor)
        own = parts[parts["crew"] != ALL_CREWS].groupby("crew")[["fruit", "clusters", "defective"]].sum()
        pd.testing.assert_frame_equal(own, whole[["fruit", "clusters", "defective"]], check_dtype=False)


def test_single_fruit_bins_give_jeffreys_interval() -> None:
    """statsmodels.stats.proportion.proportion_confint, method jeffreys, as reference."""
    fruit = season(bins=40, per_bin=1)
    for row in shares_by(fruit, "method").itertuples():
        if 0 < row.defective < row.fruit:
            wanted = proportion_confint(row.defective, row.fruit, method="jeffreys")
            assert (row.low, row.high) == pytest.approx(wanted, abs=2e-3)


def test_hours_stand_in_their_order_and_what_is_not_known_is_said() -> None:
    fruit = season(bins=6)
    fruit.loc[fruit["lot"] == "T5", "hour"] = pd.NA
    fruit["hour"] = fruit["hour"] + 2  # 8, 9, 10, 11, 12
    shown = shares_by(fruit, "hour")
    assert shown.loc[shown["crew"] == ALL_CREWS, "value"].tolist() == ["8", "9", "10", "11", "12", NOT_KNOWN]


def test_no_fruit_give_no_rows() -> None:
    nothing = season().iloc[:0]
    assert shares_by(nothing, "method").empty
    assert shares_by_kind(nothing).empty
