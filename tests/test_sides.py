"""Side a and side b of a tray: simulated trays with a known answer, and every pairing tried one by one."""

import math
from itertools import permutations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from scorer.hold_time.sides import BOTH_DTYPES, PAIR_DTYPES, both_sides, match_sides
from scorer.limits import load_limits
from scorer.verdict import NOT_JUDGED, OVER, WITHIN

REACH_MM, TOLERANCE = 35.0, 0.08

seeds = st.integers(0, 2**32 - 1)


def fruit_of(numbers, place_mm, length_mm, width_mm):
    place_mm = np.asarray(place_mm, float).reshape(-1, 2)
    columns = {"fruit": numbers, "x_mm": place_mm[:, 0], "y_mm": place_mm[:, 1]}
    return pd.DataFrame({**columns, "length_mm": length_mm, "width_mm": width_mm}).astype({"fruit": "int64"})


def scattered(rng, count, apart_mm):
    """Places on a tray, each at least so far from all others."""
    size_mm, places = np.array([450.0, 350.0]), []
    while len(places) < count:
        place = rng.uniform(0, size_mm)
        if all(math.dist(place, other) >= apart_mm for other in places):
            places.append(place)
        size_mm = size_mm * 1.001  # so that there is room in the end
    return np.array(places)


def moved(place_mm, turn, shift_mm):
    rotation = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
    return place_mm @ rotation.T + shift_mm


def turned_over(rng, count, *, out=0, into=0, apart_mm=70.0, jitter_mm=10.0, turn=0.0, shift_mm=(0.0, 0.0)):
    """Side a with fruit 1 to count, side b with the first `out` taken out and `into` put in; b numbers from 101 on.

    Sizes spread by 6 % and are measured to 1.5 % (at most 3 %), places roll within a disc of jitter_mm.
    """
    places = scattered(rng, count + into, apart_mm)
    length_mm = rng.normal(115, 7, len(places))
    width_mm = 0.7 * length_mm * rng.normal(1, 0.03, len(places))
    on_a, on_b = np.arange(count), np.arange(out, count + into)

    def measured(size_mm):
        return size_mm * (1 + np.clip(rng.normal(0, 0.015, len(size_mm)), -0.03, 0.03))

    radius_mm, heading = jitter_mm * np.sqrt(rng.uniform(size=len(on_b))), rng.uniform(-np.pi, np.pi, len(on_b))
    rolled = places[on_b] + np.column_stack([radius_mm * np.cos(heading), radius_mm * np.sin(heading)])
    a = fruit_of(on_a + 1, places[on_a], measured(length_mm[on_a]), measured(width_mm[on_a]))
    b = fruit_of(
        on_b + 101, moved(rolled, turn, np.array(shift_mm)), measured(length_mm[on_b]), measured(width_mm[on_b])
    )
    return a, b


def pairs_of(match):
    return list(zip(match.pairs["fruit_a"], match.pairs["fruit_b"], strict=True))


# --- trays with a known answer ---


@settings(max_examples=40)
@given(
    seeds,
    st.integers(6, 14),
    st.integers(0, 1),
    st.integers(0, 1),
    st.floats(-math.pi, math.pi),
    st.tuples(st.floats(-300, 300), st.floats(-300, 300)),
)
def test_under_any_move_no_fruit_gets_a_wrong_partner(seed, count, out, into, turn, shift_mm):
    a, b = turned_over(np.random.default_rng(seed), count, out=out, into=into, turn=turn, shift_mm=shift_mm)
    match = match_sides(a, b)
    assert all(other == number + 100 for number, other in pairs_of(match))
    assert set(range(1, out + 1)) <= set(match.unmatched_a)
    assert set(range(count + 101, count + into + 101)) <= set(match.unmatched_b)
    doubted = {number for number, _ in match.doubtful}
    assert set(match.unmatched_a) <= set(range(1, out + 1)) | doubted or len(match.pairs) == 0


def test_nearly_all_fruit_find_their_partner_under_any_move():
    rng = np.random.default_rng(3)
    found = present = 0
    for _ in range(25):
        turn, shift_mm = rng.uniform(-np.pi, np.pi), rng.uniform(-300, 300, 2)
        count = int(rng.integers(6, 14))
        match = match_sides(*turned_over(rng, count, out=1, into=1, turn=turn, shift_mm=shift_mm))
        found += len(match.pairs)
        present += count - 1
    assert found >= 0.98 * present


@settings(max_examples=25)
@given(seeds, st.integers(2, 10), st.floats(-0.05, 0.05))
def test_where_the_card_stays_even_few_fruit_find_their_partner(seed, count, turn):
    a, b = turned_over(np.random.default_rng(seed), count, turn=turn, shift_mm=(4.0, -3.0))
    match = match_sides(a, b)
    assert pairs_of(match) == [(number, number + 100) for number in range(1, count + 1)]
    assert match.unmatched_a == match.unmatched_b == match.doubtful == ()
    assert match.sentence == f"{count} fruit of side a and side b belong together for sure."


@pytest.mark.parametrize("count", [4, 9, 12])
def test_equal_fruit_in_rows_stay_where_they_are_however_well_a_turned_tray_would_fit(count):
    # turned by 180 degrees the tray fits just as well; the card that stayed is the likelier
    places = [(100.0 * (number % 3), 80.0 * (number // 3)) for number in range(count)]
    tray = fruit_of(range(1, count + 1), places, 115.0, 80.0)
    assert pairs_of(match_sides(tray, tray)) == [(number, number) for number in range(1, count + 1)]


def test_the_distance_is_what_remains_after_the_move_and_differences_are_shares_of_the_mean():
    places = np.array([[0, 0], [100, 0], [100, 150], [0, 220]])
    a = fruit_of([1, 2, 3, 4], places, 100.0, 70.0)
    b = fruit_of([5, 6, 7, 8], moved(places, 2.0, np.array([40.0, -900.0])), 104.0, 70.0)
    match = match_sides(a, b)
    assert dict(match.pairs.dtypes.astype(str)) == PAIR_DTYPES
    assert pairs_of(match) == [(1, 5), (2, 6), (3, 7), (4, 8)]
    assert match.pairs["distance_mm"].to_numpy() == pytest.approx(0, abs=1e-9)
    assert match.pairs["length_difference"].to_numpy() == pytest.approx(4 / 102)
    assert (match.pairs["width_difference"] == 0).all()


def test_a_mirror_image_is_no_move():
    places = np.array([[0, 0], [200, 0], [200, 90], [60, 300], [310, 190]])
    size_mm = np.array([100.0, 115.0, 130.0, 145.0, 160.0])
    a = fruit_of(range(1, 6), places, size_mm, 0.7 * size_mm)
    b = fruit_of(range(1, 6), places * [-1, 1], size_mm, 0.7 * size_mm)
    assert len(match_sides(a, a).pairs) == 5
    assert len(match_sides(a, b).pairs) == 0


def test_two_fruit_of_two_sizes_are_told_apart_wherever_the_card_lies():
    a = fruit_of([1, 2], [(0, 0), (150, 0)], [100.0, 125.0], 80.0)
    b = fruit_of([1, 2], moved(np.array([[150, 0], [0, 0]]), 1.0, np.array([900.0, 0.0])), [125.0, 100.0], 80.0)
    assert pairs_of(match_sides(a, b)) == [(1, 2), (2, 1)]


def least_gaps_mm(one, other):
    """Distances after the move of least squares: its angle is atan2(sum of cross products, sum of dot products)."""
    one, other = one - one.mean(axis=0), other - other.mean(axis=0)
    cross = (one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0]).sum()
    return np.hypot(*(moved(one, math.atan2(cross, (one * other).sum()), 0.0) - other).T)


@settings(max_examples=20)
@given(seeds, st.floats(-math.pi, math.pi))
def test_the_move_is_the_one_of_least_squares(seed, turn):
    a, b = turned_over(np.random.default_rng(seed), 8, turn=turn)
    match = match_sides(a, b)
    assert len(match.pairs) == 8
    place_a, place_b = a[["x_mm", "y_mm"]].to_numpy(), b[["x_mm", "y_mm"]].to_numpy()
    assert match.pairs["distance_mm"].to_numpy() == pytest.approx(least_gaps_mm(place_a, place_b), abs=1e-6)


# --- every pairing tried one by one ---


def cheapest_pairing(a, b):
    """Of all pairings, each under its move of least squares, the cheapest that leaves the card in place."""
    place_a, place_b = a[["x_mm", "y_mm"]].to_numpy(), b[["x_mm", "y_mm"]].to_numpy()
    size_a, size_b = a[["length_mm", "width_mm"]].to_numpy(), b[["length_mm", "width_mm"]].to_numpy()
    costs = {}
    for order in permutations(range(len(b))):
        to, to_size = place_b[list(order)], size_b[list(order)]
        gap_mm = least_gaps_mm(place_a, to)
        difference = np.abs(size_a - to_size) / ((size_a + to_size) / 2)
        moved_mm = math.sqrt(np.mean(((place_a - to) ** 2).sum(axis=1)))
        if gap_mm.max() <= REACH_MM and difference.max() <= TOLERANCE and moved_mm <= REACH_MM:
            costs[order] = ((gap_mm / REACH_MM) ** 2).sum() + ((difference / TOLERANCE) ** 2).sum()
    best = min(costs, key=costs.get)
    return {(int(a["fruit"][i]), int(b["fruit"][k])) for i, k in enumerate(best)}


@settings(max_examples=30)
@given(seeds, st.integers(2, 5))
def test_in_a_crowded_tray_sure_pairs_are_those_of_the_cheapest_of_all_pairings(seed, count):
    a, b = turned_over(np.random.default_rng(seed), count, apart_mm=45.0, jitter_mm=12.0)
    match = match_sides(a, b)
    cheapest = cheapest_pairing(a, b)
    assert set(pairs_of(match)) <= cheapest
    assert cheapest - set(pairs_of(match)) <= set(match.doubtful)


# --- what must not matter ---


@settings(max_examples=20)
@given(seeds, st.randoms(use_true_random=False))
def test_the_order_of_rows_does_not_matter(seed, random):
    a, b = turned_over(np.random.default_rng(seed), 7, out=1, into=1, apart_mm=50.0, turn=2.0)
    shuffled = match_sides(*(table.iloc[random.sample(range(len(table)), len(table))] for table in (a, b)))
    match = match_sides(a, b)
    pd.testing.assert_frame_equal(match.pairs, shuffled.pairs)
    assert (match.unmatched_a, match.unmatched_b) == (shuffled.unmatched_a, shuffled.unmatched_b)
    assert (match.doubtful, match.sentence) == (shuffled.doubtful, shuffled.sentence)


@settings(max_examples=20)
@given(seeds, st.floats(-math.pi, math.pi))
def test_exchanging_the_sides_exchanges_the_result(seed, turn):
    a, b = turned_over(np.random.default_rng(seed), 7, out=1, into=1, apart_mm=50.0, turn=turn)
    match, exchanged = match_sides(a, b), match_sides(b, a)
    assert sorted((other, number) for number, other in pairs_of(exchanged)) == pairs_of(match)
    assert (exchanged.unmatched_b, exchanged.unmatched_a) == (match.unmatched_a, match.unmatched_b)
    assert sorted((other, number) for number, other in exchanged.doubtful) == list(match.doubtful)
    if len(match.pairs):
        back = exchanged.pairs.sort_values("fruit_b")["distance_mm"].to_numpy()
        assert back == pytest.approx(match.pairs["distance_mm"].to_numpy(), abs=1e-6)


# --- doubt ---


def test_two_fruit_of_one_size_that_lie_between_their_places_are_doubtful_and_the_others_are_not():
    far = [(0, 0), (300, 0), (0, 300), (300, 300)]
    lengths = [100, 110, 120, 130, 115, 115]
    a = fruit_of(range(1, 7), [*far, (140, 150), (160, 150)], lengths, 80.0)
    b = fruit_of(range(1, 7), [*far, (150, 140), (150, 160)], lengths, 80.0)
    match = match_sides(a, b)
    assert pairs_of(match) == [(number, number) for number in range(1, 5)]
    assert match.unmatched_a == match.unmatched_b == (5, 6)
    assert match.doubtful == ((5, 5), (5, 6), (6, 5), (6, 6))
    assert "either of two fruit" in match.sentence


def test_their_size_tells_the_same_two_fruit_apart():
    far = [(0, 0), (300, 0), (0, 300), (300, 300)]
    a = fruit_of(range(1, 7), [*far, (140, 150), (160, 150)], [100, 110, 120, 130, 108, 122], 80.0)
    b = fruit_of(range(1, 7), [*far, (150, 140), (150, 160)], [100, 110, 120, 130, 122, 108], 80.0)
    match = match_sides(a, b)
    assert pairs_of(match) == [(1, 1), (2, 2), (3, 3), (4, 4), (5, 6), (6, 5)]
    assert match.doubtful == ()


def test_a_fruit_rolled_beyond_reach_or_exchanged_for_one_of_another_size_is_left_unmatched():
    places = [(0, 0), (300, 0), (0, 300), (300, 300), (150, 150)]
    lengths = np.array([100.0, 110.0, 120.0, 130.0, 115.0])
    a = fruit_of(range(1, 6), places, lengths, 80.0)
    rolled = fruit_of(range(1, 6), [*places[:4], (150, 210)], lengths, 80.0)
    exchanged = fruit_of(range(1, 6), places, [*lengths[:4], 140.0], 80.0)
    for b in (rolled, exchanged):
        match = match_sides(a, b)
        assert match.unmatched_a == match.unmatched_b == (5,)
        assert "without partner on side a: 5" in match.sentence


def test_sides_of_two_different_trays_are_hardly_ever_matched():
    rng = np.random.default_rng(4)
    matched = sum(len(match_sides(*turned_over(rng, 8, out=8, into=8)).pairs) > 0 for _ in range(40))
    assert matched <= 2


def test_after_the_card_was_moved_two_of_three_fruit_are_too_few():
    places = np.array([[0, 0], [150, 0], [0, 200]])
    a = fruit_of([1, 2, 3], places, [100.0, 115.0, 130.0], 80.0)
    b = fruit_of([1, 2], moved(places[:2], 2.0, np.array([500.0, 0.0])), [100.0, 115.0], 80.0)
    match = match_sides(a, b)
    assert len(match.pairs) == 0
    assert "card was moved" in match.sentence


# --- nothing to match by ---


@pytest.mark.parametrize("count", [0, 1])
def test_fewer_than_two_fruit_are_not_matched(count):
    a, b = turned_over(np.random.default_rng(1), 4)
    match = match_sides(a.head(count), b)
    assert pairs_of(match) == []
    assert dict(match.pairs.dtypes.astype(str)) == PAIR_DTYPES
    assert match.unmatched_a == tuple(range(1, count + 1))
    assert match.unmatched_b == (101, 102, 103, 104)
    assert f"side a shows {count or 'no'} fruit" in match.sentence


def test_without_a_card_nothing_is_matched():
    a, b = turned_over(np.random.default_rng(1), 4)
    match = match_sides(a, b.assign(x_mm=np.nan, y_mm=np.nan, length_mm=np.nan, width_mm=np.nan))
    assert pairs_of(match) == []
    assert (len(match.unmatched_a), len(match.unmatched_b)) == (4, 4)
    assert "side b are not known in mm; lay the reference card" in match.sentence


def test_a_single_fruit_without_size_is_left_out_and_the_others_are_matched():
    a, b = turned_over(np.random.default_rng(1), 5)
    a.loc[2, "width_mm"] = np.nan
    match = match_sides(a, b)
    assert pairs_of(match) == [(1, 101), (2, 102), (4, 104), (5, 105)]
    assert (match.unmatched_a, match.unmatched_b) == ((3,), (103,))


def test_all_fruit_on_one_spot_are_not_matched_by_guessing():
    pile = fruit_of([1, 2, 3], np.zeros((3, 2)), 115.0, 80.0)
    match = match_sides(pile, pile)
    assert pairs_of(match) == []
    assert len(match.doubtful) == 9


def test_tables_that_cannot_be_meant_are_refused():
    a, b = turned_over(np.random.default_rng(1), 3)
    with pytest.raises(ValueError, match="a lack the columns x_mm"):
        match_sides(a.drop(columns="x_mm"), b)
    with pytest.raises(ValueError, match="b number fruit 101 twice"):
        match_sides(a, b.assign(fruit=101))
    with pytest.raises(ValueError, match="reach_mm"):
        match_sides(a, b, reach_mm=0)
    with pytest.raises(ValueError, match="size_tolerance"):
        match_sides(a, b, size_tolerance=math.nan)


# --- the verdict from both sides ---


def marks_of(*marks):
    return pd.DataFrame(list(marks), columns=["fruit", "kind", "area_mm2", "length_mm"]).astype(
        {"fruit": "int64", "kind": "str", "area_mm2": "float64", "length_mm": "float64"}
    )


def judged(marks_a=(), marks_b=(), *, limits="shed", without_card=False):
    """Fruit 1, 2, 3 on side a are 11, 12, 13 on side b; 4 was taken out and 15 put in."""
    places = np.array([[0, 0], [150, 0], [0, 200], [180, 220], [320, 90]])
    lengths = np.array([100.0, 110.0, 120.0, 130.0, 140.0])
    a = fruit_of([1, 2, 3, 4], places[:4], lengths[:4], 80.0)
    b = fruit_of([11, 12, 13, 15], places[[0, 1, 2, 4]], lengths[[0, 1, 2, 4]] + 2, 80.0)
    match = match_sides(a, b)
    assert pairs_of(match) == [(1, 11), (2, 12), (3, 13)]
    a, b = a.assign(visible_area_mm2=9000.0), b.assign(visible_area_mm2=7000.0)
    if without_card:
        b["visible_area_mm2"] = np.nan
    return both_sides(a, marks_of(*marks_a), b, marks_of(*marks_b), match, load_limits(limits))


def test_every_fruit_has_one_row_and_tells_which_sides_were_seen():
    table = judged()
    assert dict(table.dtypes.astype(str)) == BOTH_DTYPES
    assert table["fruit_a"].fillna(0).tolist() == [1, 2, 3, 4, 0]
    assert table["fruit_b"].fillna(0).tolist() == [11, 12, 13, 0, 15]
    assert table["sides"].tolist() == ["both", "both", "both", "a only", "b only"]
    assert table["visible_area_mm2"].tolist() == [16000.0, 16000.0, 16000.0, 9000.0, 7000.0]


# The shed table allows 2 cm2 in the first class and 6 cm2 in the second.
def test_marks_that_pass_on_each_side_can_go_over_together():
    sap_a = [(number, "sap_burn", 350.0, 30.0) for number in (1, 4)]
    rub_b = [(number, "abrasion", 350.0, 30.0) for number in (11, 15)]
    table = judged(sap_a, rub_b)
    assert table["verdict"].tolist() == [OVER, WITHIN, WITHIN, WITHIN, WITHIN]
    assert table["class"].tolist() == ["out of class", "first", "first", "second", "second"]
    assert table["downgraded"].tolist() == [True, False, False, True, True]
    assert table["brown_area_mm2"].tolist() == [700.0, 0.0, 0.0, 350.0, 350.0]
    assert table["brown_fraction"].tolist() == pytest.approx([700 / 16000, 0, 0, 350 / 9000, 350 / 7000])


def test_the_reason_for_both_sides_no_longer_asks_to_turn_the_fruit():
    marks = [(number, "sap_burn", 180.0, 30.0) for number in (1, 4)]
    reasons = judged(marks)["reason"]
    assert "turn the fruit" not in reasons[0]
    assert "turn the fruit" in reasons[3]
    assert "no marks on either side" in reasons[1]
    assert "no marks on the side seen" in reasons[4]
    assert not any("one side" in reason or "side seen" in reason for reason in reasons[:3])


def test_a_wound_on_either_side_counts():
    table = judged(marks_b=[(12, "cut", 20.0, 9.0)])
    assert table["class"].tolist() == ["first", "out of class", "first", "first", "first"]


def test_the_size_code_is_of_the_mean_of_both_sides():
    # Codex limits go by size: without length there would be no size code and no verdict
    table = judged(limits="cxs_184")
    assert (table["verdict"] == WITHIN).all()


def test_a_side_without_scale_leaves_the_whole_fruit_unjudged():
    table = judged(without_card=True)
    assert table["verdict"].tolist() == [NOT_JUDGED, NOT_JUDGED, NOT_JUDGED, WITHIN, NOT_JUDGED]
    assert table["brown_area_mm2"].isna().tolist() == [True, True, True, False, True]


def test_no_fruit_at_all_give_no_rows():
    none = fruit_of([], np.zeros((0, 2)), [], []).assign(visible_area_mm2=0.0)
    table = both_sides(none, marks_of(), none, marks_of(), match_sides(none, none), load_limits("shed"))
    assert dict(table.dtypes.astype(str)) == BOTH_DTYPES
    assert table.empty


def test_a_match_of_other_tables_is_refused():
    a, b = (table.assign(visible_area_mm2=9000.0) for table in turned_over(np.random.default_rng(1), 4))
    match = match_sides(a, b)
    with pytest.raises(ValueError, match="match names fruit 1 of side a"):
        both_sides(a[1:], marks_of(), b, marks_of(), match, load_limits("shed"))
    with pytest.raises(ValueError, match="marks_b lack the columns kind"):
        both_sides(a, marks_of(), b, marks_of().drop(columns="kind"), match, load_limits("shed"))
