"""Which fruit to look at next: drawn as often as said, spread, and told when it is enough."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scorer.crews.next_checks import (
    NEXT_CHECKS,
    SMALL_GAIN,
    TO_CHECK_COLUMNS,
    checks_worth,
    draw_checks,
)
from scorer.crews.prediction_powered import FEWEST_CHECKED, shares_from_both
from scorer.crews.unequal_draw import chances, systematic
from tests.checked_season import SHARES, after_looking, season, with_looks


@given(st.lists(st.floats(1e-3, 1e3), min_size=1, max_size=60), st.integers(1, 80))
def test_chances_sum_to_the_number_and_each_lies_above_0_to_1(weights: list[float], number: int) -> None:
    weight = np.array(weights)
    chance = chances(weight, number)
    assert chance.sum() == pytest.approx(min(number, len(weight)))
    assert (chance > 0).all()
    assert (chance <= 1).all()
    below = chance < 1
    assert np.ptp(chance[below] / weight[below]) <= 1e-9 if below.any() else True


@settings(max_examples=40)
@given(st.lists(st.floats(1e-3, 1), min_size=1, max_size=30))
def test_each_is_drawn_in_just_the_part_of_all_starts_that_its_chance_says(chances_of: list[float]) -> None:
    chance = np.array(chances_of)
    starts = (np.arange(1000) + 0.5) / 1000
    drawn = np.array([systematic(chance, start) for start in starts])
    assert drawn.mean(axis=0) == pytest.approx(chance, abs=2 / 1000)
    assert np.ptp(drawn.sum(axis=1)) <= 1


@settings(max_examples=20)
@given(st.integers(0, 2**32 - 1), st.integers(1, 70))
def test_drawn_fruit_are_unchecked_and_come_again_from_the_seed(seed: int, number: int) -> None:
    fruit = season(np.random.default_rng(4), checked=0.1, bins=4, per_bin=5)
    first = draw_checks(fruit, number, seed=seed)
    assert tuple(first.fruit.columns) == TO_CHECK_COLUMNS
    pd.testing.assert_frame_equal(first.fruit, draw_checks(fruit, number, seed=first.seed).fruit)
    left = fruit[fruit["checked_downgraded"].isna()]
    assert len(first.fruit) == min(number, len(left))
    drawn = set(map(tuple, first.fruit[["photo", "fruit"]].to_numpy()))
    assert len(drawn) == len(first.fruit)
    assert drawn <= set(map(tuple, left[["photo", "fruit"]].to_numpy()))
    assert first.fruit["check_chance"].between(0, 1, inclusive="right").all()


def test_a_drawing_without_a_seed_tells_the_one_it_took() -> None:
    fruit = season(np.random.default_rng(4), checked=0.1)
    first = draw_checks(fruit, 40)
    pd.testing.assert_frame_equal(first.fruit, draw_checks(fruit, 40, seed=first.seed).fruit)
    assert not first.fruit.equals(draw_checks(fruit, 40, seed=first.seed + 1).fruit)


def test_fruit_are_spread_over_all_crews_and_bins() -> None:
    """48 fruit from 48 bins of like fruit: systematic drawing takes one of each (Madow 1949)."""
    fruit = season(np.random.default_rng(4), checked=0.0).assign(doubt=0.1)
    drawn = draw_checks(fruit, 48, seed=3).fruit
    assert (drawn.groupby("crew").size() == 12).all()
    assert drawn.groupby(["crew", "bin"]).size().max() <= 2
    assert drawn.groupby(["crew", "bin"]).ngroups >= 40


def test_fruit_are_drawn_as_often_as_their_chance_says() -> None:
    fruit = season(np.random.default_rng(5), checked=0.0, shares={"Brolga": 0.1}, bins=4)
    fruit = fruit.assign(doubt=np.linspace(0.02, 0.5, 60))
    key = {(row.photo, row.fruit): index for index, row in enumerate(fruit.itertuples())}
    times, chance = np.zeros(60), np.full(60, np.nan)
    draws = 60
    for seed in range(draws):
        for row in draw_checks(fruit, 12, seed=seed).fruit.itertuples():
            index = key[row.photo, row.fruit]
            times[index] += 1
            chance[index] = row.check_chance
    error = np.sqrt(chance * (1 - chance) / draws)
    assert (np.abs(times / draws - chance) < 4 * error).all()
    assert chance.sum() == pytest.approx(12)
    assert chance[-1] / chance[0] == pytest.approx(5.0), "with the root of the doubt: sqrt(0.5 / 0.02)"


def test_the_crew_with_the_widest_interval_comes_first_and_why_is_said() -> None:
    fruit = season(np.random.default_rng(6), checked=0.35)
    looked = (fruit["checked_downgraded"].notna() & (fruit["crew"] != "Curlew")).to_numpy()
    fruit = with_looks(fruit, looked, np.nan)
    both = shares_from_both(fruit).set_index("crew")
    width = (both["high"] - both["low"]).fillna(np.inf)
    drawn = draw_checks(fruit, 120, seed=1).fruit
    order = drawn["crew"].drop_duplicates().tolist()
    assert order[0] == "Curlew"
    assert width[order].is_monotonic_decreasing
    assert drawn.loc[drawn["crew"] == "Curlew", "why"].str.contains("its crew has no interval yet").all()
    second = drawn.loc[drawn["crew"] == order[1], "why"]
    assert second.str.fullmatch(
        r"its word is wrong about \d+ times of 100, and its crew's interval is \d+ % wide"
    ).all()
    assert second.str.contains(f"is {100 * width[order[1]]:.0f} % wide").all()


def test_a_crew_that_was_passed_over_gets_most_of_the_next_checks() -> None:
    fruit = season(np.random.default_rng(6), checked=0.0)
    fruit = with_looks(fruit, ((fruit["fruit"] <= 4) & (fruit["crew"] != "Curlew")).to_numpy(), np.nan)
    drawn = draw_checks(fruit, 40, seed=1).fruit
    assert (drawn["crew"] == "Curlew").mean() > 0.7
    assert drawn["crew"].nunique() == 4, "the others keep a chance"


def test_small_crews_get_more_of_their_fruit_looked_at() -> None:
    """Neyman: like crews get like numbers of checks, however many fruit they have."""
    rng = np.random.default_rng(6)
    small = season(rng, checked=0.0, shares={"Brolga": 0.1}, bins=4)
    large = season(rng, checked=0.0, shares={"Curlew": 0.1}, bins=16)
    both = pd.concat([small, large], ignore_index=True).assign(doubt=0.1)
    assert draw_checks(both, 40, seed=1).fruit["crew"].value_counts().to_dict() == {"Brolga": 20, "Curlew": 20}


def test_doubt_is_learnt_from_what_the_checks_have_shown() -> None:
    """The scorer errs on 1 of 2 that it calls defective and on none of the others: 11 wrong of 30, and 1 of 70."""
    fruit = season(np.random.default_rng(6), checked=0.0, shares={"Brolga": 0.1}, per_bin=20)
    called = (fruit["fruit"] <= 5).to_numpy()
    fruit = fruit.assign(defective=called, truth=called & (np.arange(240) % 2 == 0))
    looked = np.zeros(240, bool)
    looked[np.flatnonzero(called)[:20]] = looked[np.flatnonzero(~called)[:60]] = True
    drawn = draw_checks(with_looks(fruit, looked, 0.5), 100, seed=1).fruit
    wrong = int((called & ~fruit["truth"].to_numpy())[looked].sum())
    of_called = drawn.loc[drawn["said"] == "downgraded", "why"]
    assert of_called.str.startswith(f"its word is wrong about {100 * (wrong + 1) / 30:.0f} times of 100").all()
    assert drawn.loc[drawn["said"] != "downgraded", "why"].str.startswith("its word is wrong about 1 times").all()


def test_a_fruit_of_a_later_drawing_counts_as_one_of_an_earlier() -> None:
    """60 of 180 by lot, then 20 of the 120 left, all of like doubt: 80 fruit that stand for as many each."""
    fruit = season(np.random.default_rng(6), checked=0.0, shares={"Brolga": 0.1}, finds=0, leaves=1).assign(doubt=0.1)
    fruit = with_looks(fruit, (fruit["fruit"] <= 5).to_numpy(), 1 / 3)
    assert draw_checks(fruit, 20, seed=1).fruit["check_chance"].to_numpy() == pytest.approx(np.full(20, 1 / 3))


def test_fruit_that_an_earlier_drawing_took_mostly_count_for_more_where_it_left_them() -> None:
    """Checked already: 4 of 5 that the scorer calls defective, 1 of 10 of the others; left are 0.2 and 0.9 of them."""
    fruit = season(np.random.default_rng(6), checked=0.0, shares={"Brolga": 0.1}).assign(doubt=0.1)
    called = (fruit["fruit"] <= 5).to_numpy()
    looked = np.where(called, fruit["fruit"] <= 4, fruit["fruit"] == 6)
    fruit = with_looks(fruit.assign(defective=called), looked, np.where(called, 0.8, 0.1))
    chance = draw_checks(fruit, 60, seed=1).fruit.groupby("said")["check_chance"].unique()
    assert chance["downgraded"].item() / chance["not downgraded"].item() == pytest.approx(0.2 / 0.9)


def test_a_fruit_sure_to_be_drawn_later_has_no_chance_above_one() -> None:
    fruit = season(np.random.default_rng(6), checked=0.0, shares={"Brolga": 0.1}, finds=0, leaves=1)
    fruit = with_looks(fruit, np.arange(180) % 2 == 0, 0.5).assign(doubt=np.where(np.arange(180) == 91, 1.0, 0.0))
    assert draw_checks(fruit, 30, seed=1).fruit["check_chance"].max() == pytest.approx(1)


def test_several_drawings_bend_nothing_and_waste_no_checks() -> None:
    rng = np.random.default_rng(10)
    width: dict[int, list[float]] = {1: [], 4: []}
    held, off = [], []
    for _ in range(8):
        whole = season(rng, checked=0.0)
        for drawings, widths in width.items():
            fruit = whole
            for _ in range(drawings):
                fruit = after_looking(fruit, draw_checks(fruit, 160 // drawings, seed=int(rng.integers(2**32))).fruit)
            found = shares_from_both(fruit).set_index("crew")
            widths.append((found["high"] - found["low"]).mean())
        held += [found.loc[crew, "low"] <= share <= found.loc[crew, "high"] for crew, share in SHARES.items()]
        off.append((found["share"] - fruit.groupby("crew")["truth"].mean()).mean())
    assert np.mean(held) >= 0.92
    assert abs(np.mean(off)) < 0.012
    assert np.mean(width[4]) == pytest.approx(np.mean(width[1]), rel=0.1)


def test_doubts_worth_having_make_intervals_narrower_than_drawing_by_lot() -> None:
    rng = np.random.default_rng(12)
    by_doubt, by_lot = [], []
    for _ in range(15):
        fruit = season(rng, checked=0.0)
        wrong = (fruit["defective"] != fruit["truth"]).to_numpy()
        doubt = np.where(wrong, rng.beta(4, 6, len(fruit)), rng.beta(1, 12, len(fruit)))
        for widths, told in ((by_doubt, doubt), (by_lot, 0.1)):
            drawn = draw_checks(fruit.assign(doubt=told), 160, seed=int(rng.integers(2**32))).fruit
            found = shares_from_both(after_looking(fruit, drawn))
            widths.append((found["high"] - found["low"]).mean())
    assert np.mean(by_doubt) < 0.95 * np.mean(by_lot)


def test_when_more_checks_would_move_nothing_it_is_enough() -> None:
    rng = np.random.default_rng(11)
    worth = checks_worth(season(rng, checked=0.9))
    assert worth["enough"].all()
    assert worth["sentence"].str.contains("enough, more bins would tell more").all()
    early = checks_worth(season(rng, checked=0.2))
    assert (early.loc[early["checked"] >= FEWEST_CHECKED, "narrower_by"] > SMALL_GAIN).all()
    none = checks_worth(season(rng, checked=0.0))
    assert not none["enough"].any()
    assert none["narrower_by"].isna().all()
    whole = checks_worth(season(rng, checked=1.0))
    assert whole["enough"].all()
    assert whole["sentence"].str.contains("only more bins would tell more").all()


def test_what_more_checks_are_said_to_bring_is_what_they_bring() -> None:
    rng = np.random.default_rng(22)
    said, came = [], []
    for _ in range(25):
        fruit = season(rng, checked=0.0)
        order = rng.permutation(len(fruit))
        few = with_looks(fruit, order < 120, np.nan)
        more = with_looks(fruit, order < 120 + 4 * NEXT_CHECKS, np.nan)
        worth = checks_worth(few)["narrower_by"]
        before, after = shares_from_both(few), shares_from_both(more)
        told = worth.notna() & before["left_to_checks"].notna()
        said.append(worth[told].mean())
        came.append(1 - (after["high"] - after["low"])[told].mean() / (before["high"] - before["low"])[told].mean())
    assert np.mean(came) == pytest.approx(np.mean(said), abs=0.03)


def test_where_no_checked_fruit_was_defective_the_width_falls_with_the_number_of_checks() -> None:
    fruit = season(np.random.default_rng(3), checked=0.0, shares={"Brolga": 0.1}).assign(truth=False, defective=False)
    row = checks_worth(with_looks(fruit, (fruit["fruit"] <= 5).to_numpy(), np.nan)).iloc[0]
    assert row["narrower_by"] == pytest.approx(10 / 70)
    assert not row["enough"]


@pytest.mark.parametrize(
    ("number", "seed", "change", "said"),
    [
        (0, 1, {}, "at least 1, got 0"),
        (5, -1, {}, "seed must be 0 or more"),
        (5, 1, {"doubt": 1.5}, "probabilities from 0 to 1"),
        (5, 1, {"doubt": np.nan}, "probabilities from 0 to 1"),
    ],
)
def test_drawing_refuses_what_cannot_be(number: int, seed: int, change: dict[str, float], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        draw_checks(season(np.random.default_rng(1), checked=0.0).assign(**change), number, seed=seed)


def test_a_table_that_does_not_say_where_a_fruit_lies_is_one_sentence() -> None:
    with pytest.raises(ValueError, match="no column 'photo'"):
        draw_checks(season(np.random.default_rng(1), checked=0.0).drop(columns="photo"), 5)


def test_nothing_left_to_check_draws_nothing() -> None:
    fruit = season(np.random.default_rng(1), checked=1.0)
    assert draw_checks(fruit, 10).fruit.empty
    assert draw_checks(fruit.iloc[:0], 10).fruit.empty
