"""How much of the final brown area shows how soon: against a textbook, the bootstrap, and simulated seasons."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from scorer.hold_time.browning import (
    CLEAN,
    COUNTS_DIFFER,
    FEWEST_TRAYS,
    LINK_COLUMNS,
    NO_AREA,
    NO_FRUIT,
    NOT_NEAREST,
    OUTSIDE,
    REPEAT_COLUMNS,
    SHARE_COLUMNS,
    WIDEST_HALF,
    browning_by_hour,
    compare_repeats,
    final_fraction,
    hold_sentence,
    link_repeats,
)

PICKED = pd.Timestamp("2031-01-06 07:00")


def photo(name, tray, hours, *, side="a", crew="Curlew", bin_="B1", verdict="good", picked_at=PICKED):
    hold = "unknown" if np.isnan(hours) else "early" if hours < 24 else "between" if hours < 48 else "settled"
    return {
        "photo": name,
        "crew": crew,
        "bin": bin_,
        "picked_at": picked_at,
        "tray": tray,
        "side": side,
        "hours_since_picking": float(hours),
        "hold": hold,
        "verdict": verdict,
    }


def photos_of(*rows):
    table = pd.DataFrame(list(rows), columns=list(photo("", "", 0)))
    text = ["photo", "crew", "bin", "tray", "side", "hold", "verdict"]
    return table.astype({**dict.fromkeys(text, "str"), "picked_at": "datetime64[s]", "hours_since_picking": "float64"})


def fruit_of(areas_by_photo):
    rows = [
        {"photo": name, "fruit": number, "brown_area_mm2": area, "visible_area_mm2": 9000.0}
        for name, areas in areas_by_photo.items()
        for number, area in enumerate(areas, start=1)
    ]
    columns = {"photo": "str", "fruit": "int64", "brown_area_mm2": "float64", "visible_area_mm2": "float64"}
    return pd.DataFrame(rows, columns=list(columns)).astype(columns)


def followed(early, final, hours=10.0):
    """Trays of one fruit each, photographed at an early hour and at 50 h."""
    rows, areas = [], {}
    for number, (one, other) in enumerate(zip(early, final, strict=True)):
        rows += [photo(f"{number}-early", f"{number}", hours), photo(f"{number}-final", f"{number}", 50)]
        areas |= {f"{number}-early": [one], f"{number}-final": [other]}
    return photos_of(*rows), fruit_of(areas)


def share_of(early, final, **more):
    table = browning_by_hour(*followed(early, final), windows_h=((6, 18),), **more)
    assert len(table) == 1
    return table.iloc[0]


def simulated_trays(rng, trays, share=0.5):
    final = rng.gamma(4.0, 75.0, trays)
    return final * rng.beta(10 * share, 10 * (1 - share), trays), final


def shares_of_seasons(seasons, trays, share):
    """Simulated seasons, all through one table: season k has its early photos in the window from k to k + 1 h."""
    rng = np.random.default_rng(11)
    rows, names, areas = [], [], []
    for season in range(seasons):
        early, final = simulated_trays(rng, trays, share)
        for number in range(trays):
            tray = f"{season}-{number}"
            rows += [photo(f"{tray}e", tray, season + 0.5), photo(f"{tray}f", tray, 500)]
            names += [f"{tray}e", f"{tray}f"]
            areas += [early[number], final[number]]
    fruit = pd.DataFrame({"photo": names, "fruit": 1, "brown_area_mm2": areas, "visible_area_mm2": 9000.0})
    return browning_by_hour(photos_of(*rows), fruit, windows_h=[(season, season + 1) for season in range(seasons)])


# --- the share against references outside the project ---

# Cochran 1977, Sampling Techniques, 3rd ed., chapter 2: 33 families, their size, weekly income and cost of food. The
# data, their sums and sums of squares, and the ratios (7.38 for each head, 37.9 % of income) with standard errors of
# 0.534 and 2.38 % are from memory; the sums show that no value is astray.
FAMILY_SIZE = [
    2, 3, 3, 5, 4, 7, 2, 4, 2, 5, 3, 6, 4, 4, 2, 5, 3, 4, 2, 4, 2, 5, 3, 4, 7, 3, 3, 6, 2, 2, 6, 4, 2,
]  # fmt: skip
FAMILY_INCOME = [
    62, 62, 87, 65, 58, 92, 88, 79, 83, 62, 63, 62, 60, 75, 90, 75, 69,
    83, 85, 73, 66, 58, 77, 69, 65, 77, 69, 95, 77, 69, 69, 67, 63,
]  # fmt: skip
FAMILY_FOOD = [
    14.3, 20.8, 22.7, 30.5, 41.2, 28.2, 24.2, 30.0, 24.2, 44.4, 13.4, 19.8, 29.4, 27.1, 22.2, 37.7, 22.6,
    36.0, 20.6, 27.7, 25.9, 23.3, 39.8, 16.8, 37.8, 34.8, 28.7, 63.0, 19.5, 21.6, 18.2, 20.1, 20.7,
]  # fmt: skip


@pytest.mark.parametrize(
    ("whole", "sums", "ratio", "standard_error", "digits"),
    [(FAMILY_INCOME, (2394, 177254), 0.379, 0.0238, 5e-5), (FAMILY_SIZE, (123, 533), 7.38, 0.534, 5e-4)],
)
def test_ratio_and_standard_error_of_cochrans_families_come_back(whole, sums, ratio, standard_error, digits):
    food, whole = np.array(FAMILY_FOOD), np.array(whole, float)
    assert (food.sum(), food @ food) == pytest.approx((907.2, 28224.0))
    assert (whole.sum(), whole @ whole) == sums
    row = share_of(food, whole)
    assert row["trays"] == 33
    assert row["share"] == pytest.approx(ratio, abs=10 * digits)
    assert (row["high"] - row["share"]) / stats.t.ppf(0.975, 32) == pytest.approx(standard_error, abs=digits)


# Scheaffer, Mendenhall and Ott, Elementary Survey Sampling, sugar of ten oranges from a load of 1800 pounds: 101.8
# pounds of sugar with a bound of two standard errors of 6.3 pounds (from memory).
def test_sugar_of_a_load_of_oranges_comes_back():
    sugar = [0.021, 0.030, 0.025, 0.022, 0.033, 0.027, 0.019, 0.021, 0.023, 0.025]
    weight = [0.40, 0.48, 0.43, 0.42, 0.50, 0.46, 0.39, 0.41, 0.42, 0.44]
    row = share_of(sugar, weight)
    assert 1800 * row["share"] == pytest.approx(101.8, abs=0.05)
    assert 2 * 1800 * (row["high"] - row["share"]) / stats.t.ppf(0.975, 9) == pytest.approx(6.3, abs=0.05)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_interval_agrees_with_the_bootstrap_over_trays(seed):
    rng = np.random.default_rng(seed)
    early, final = simulated_trays(rng, 80)
    row = share_of(early, final)
    reference = stats.bootstrap(
        (early, final),
        lambda part, whole, axis: part.sum(axis=axis) / whole.sum(axis=axis),
        paired=True,
        n_resamples=4000,
        rng=rng,
    )
    half = (row["high"] - row["low"]) / 2
    # both ends within a fifth of the half-width: the bootstrap's own noise and skewness
    assert row["low"] == pytest.approx(reference.confidence_interval.low, abs=0.2 * half)
    assert row["high"] == pytest.approx(reference.confidence_interval.high, abs=0.2 * half)
    assert half / stats.t.ppf(0.975, 79) == pytest.approx(reference.standard_error, rel=0.1)


def test_interval_holds_the_true_share_about_as_often_as_it_says():
    table = shares_of_seasons(400, trays=15, share=0.4)
    assert (table["trays"] == 15).all()
    held = ((table["low"] <= 0.4) & (table["high"] >= 0.4)).mean()
    # 95 % less what linearising costs at 15 trays; the chance error of 400 seasons is 1.2 %
    assert 0.90 <= held <= 0.98
    assert table["share"].mean() == pytest.approx(0.4, abs=0.01)


# --- linking ---


def test_each_earlier_photo_is_paired_with_the_latest_settled_one():
    photos = photos_of(*[photo(f"at{hours}", "1", hours) for hours in (72, 0, 24, 50)])
    links = link_repeats(photos)
    assert tuple(links.columns) == LINK_COLUMNS
    assert links["photo"].tolist() == ["at0", "at24", "at50"]
    assert (links["final_photo"] == "at72").all()
    assert (links["final_hours"] == 72).all()


@pytest.mark.parametrize("key", ["crew", "bin_", "tray", "side", "picked_at"])
def test_photos_that_differ_in_one_key_are_not_linked(key):
    other = PICKED + pd.Timedelta(hours=1) if key == "picked_at" else "other"
    photos = photos_of(photo("early", "1", 3), photo("final", **{"tray": "1", "hours": 50, key: other}))
    assert link_repeats(photos).empty


@pytest.mark.parametrize("key", ["side", "crew"])
def test_a_missing_key_equals_a_missing_one(key):
    photos = photos_of(photo("early", None, 3, **{key: None}), photo("final", None, 50, **{key: None}))
    assert link_repeats(photos)["photo"].tolist() == ["early"]


@pytest.mark.parametrize("key", ["bin_", "picked_at"])
def test_photos_without_bin_or_picking_time_are_not_linked(key):
    photos = photos_of(photo("early", "1", 3, **{key: None}), photo("final", "1", 50, **{key: None}))
    assert link_repeats(photos).empty


@pytest.mark.parametrize("verdict", ["retake", "refused"])
def test_a_photo_to_be_taken_again_counts_neither_as_early_nor_as_final(verdict):
    photos = photos_of(
        photo("bad", "1", 3, verdict=verdict),
        photo("early", "1", 5),
        photo("final", "1", 50),
        photo("bad later", "1", 72, verdict=verdict),
    )
    links = link_repeats(photos)
    assert links[["photo", "final_photo"]].to_numpy().tolist() == [["early", "final"]]


def test_a_tray_without_settled_photo_and_a_photo_of_unknown_hour_are_not_linked():
    photos = photos_of(
        photo("a", "1", 3), photo("b", "1", 47), photo("c", "2", np.nan), photo("d", "2", 50), photo("e", "2", 50)
    )
    assert link_repeats(photos).empty


def test_a_photo_named_twice_or_a_missing_column_is_refused():
    photos = photos_of(photo("a", "1", 3), photo("a", "1", 50))
    with pytest.raises(ValueError, match="a twice"):
        link_repeats(photos)
    with pytest.raises(ValueError, match="photos lack the columns side"):
        link_repeats(photos.drop(columns="side"))
    with pytest.raises(ValueError, match="fruit lack the columns brown_area_mm2"):
        compare_repeats(photos, pd.DataFrame({"photo": []}))


# --- what counts ---


def reasons(photos, fruit, **more):
    table = compare_repeats(photos, fruit, **more)
    assert tuple(table.columns) == REPEAT_COLUMNS
    return dict(zip(table["photo"], table["left_out"], strict=True))


def test_every_pair_that_does_not_count_tells_why():
    hours = {"good": 10, "one": 10, "two": 10, "empty": 10, "nocard": 10, "late": 45, "clean": 10}
    photos = photos_of(
        *(photo(f"{tray} early", tray, early_h) for tray, early_h in hours.items()),
        *(photo(f"{tray} final", tray, 50) for tray in hours),
    )
    fruit = fruit_of(
        {
            "good early": [10, 20], "good final": [20, 40],
            "one early": [10], "one final": [20, 40],
            "two early": [10], "two final": [20, 40, 0],
            "empty final": [10],
            "nocard early": [5, np.nan], "nocard final": [5, 5],
            "late early": [1], "late final": [1],
            "clean early": [0], "clean final": [0],
        }
    )  # fmt: skip
    assert reasons(photos, fruit) == {
        "good early": "",
        "one early": "",
        "two early": COUNTS_DIFFER,
        "empty early": NO_FRUIT,
        "nocard early": NO_AREA,
        "late early": OUTSIDE,
        "clean early": CLEAN,
    }
    row = browning_by_hour(photos, fruit).iloc[1]
    assert (row["trays"], row["left_out"]) == (2, 4)
    assert row["share"] == pytest.approx(40 / 120)


def test_of_two_photos_in_one_window_the_usable_one_nearest_to_the_middle_counts():
    photos = photos_of(*[photo(f"at{hours}", "1", hours) for hours in (7, 11, 12, 17, 50)])
    areas = {"at7": [10], "at11": [20], "at12": [np.nan], "at17": [30], "at50": [40]}
    assert reasons(photos, fruit_of(areas)) == {"at7": NOT_NEAREST, "at11": "", "at12": NO_AREA, "at17": NOT_NEAREST}
    row = browning_by_hour(photos, fruit_of(areas)).iloc[1]
    assert (row["trays"], row["share"]) == (1, 0.5)


def test_a_window_takes_its_start_and_leaves_its_end():
    photos = photos_of(photo("a", "1", 6), photo("b", "2", 18), photo("c", "1", 50), photo("d", "2", 50))
    table = compare_repeats(photos, fruit_of({name: [5] for name in "abcd"}))
    assert table["from_h"].tolist() == [6, 18]


def test_both_sides_of_a_tray_are_one_tray():
    rows, areas = [], {}
    for side, early, final in (("a", 10, 40), ("b", 30, 60)):
        rows += [photo(f"{side}1", "1", 8, side=side), photo(f"{side}2", "1", 55, side=side)]
        areas |= {f"{side}1": [early], f"{side}2": [final]}
    row = browning_by_hour(photos_of(*rows), fruit_of(areas)).iloc[1]
    assert (row["trays"], row["share"]) == (1, pytest.approx(0.4))
    assert math.isnan(row["low"])
    assert math.isnan(row["high"])


@pytest.mark.parametrize("windows", [(), ((5, 5),), ((0, 6), (5, 9)), ((6, 9), (0, 6))])
def test_windows_out_of_order_are_refused(windows):
    with pytest.raises(ValueError, match="windows_h"):
        browning_by_hour(*followed([1], [2]), windows_h=windows)


@pytest.mark.parametrize("confidence", [0.0, 1.0, 95.0, math.nan])
def test_a_confidence_that_is_none_is_refused(confidence):
    with pytest.raises(ValueError, match="confidence"):
        share_of([1], [2], confidence=confidence)


# --- invariances ---

trays_of_areas = st.lists(st.tuples(st.floats(0, 500), st.floats(1, 500)), min_size=2, max_size=14)


@settings(max_examples=10)
@given(trays_of_areas, st.randoms(use_true_random=False))
def test_the_order_of_rows_does_not_matter(trays, random):
    photos, fruit = followed(*zip(*trays, strict=True))
    orders = [random.sample(range(len(table)), len(table)) for table in (photos, fruit)]
    shuffled = browning_by_hour(photos.iloc[orders[0]], fruit.iloc[orders[1]])
    pd.testing.assert_frame_equal(browning_by_hour(photos, fruit), shuffled)


@settings(max_examples=10)
@given(trays_of_areas, st.sampled_from([0.25, 0.5, 4.0, 1024.0]))
def test_the_unit_of_area_does_not_matter(trays, factor):
    photos, fruit = followed(*zip(*trays, strict=True))
    scaled = fruit.assign(brown_area_mm2=factor * fruit["brown_area_mm2"])
    pd.testing.assert_frame_equal(browning_by_hour(photos, fruit), browning_by_hour(photos, scaled))


@settings(max_examples=10)
@given(trays_of_areas)
def test_the_names_of_photos_do_not_matter(trays):
    photos, fruit = followed(*zip(*trays, strict=True))
    new = {name: f"IMG_{9000 - number}" for number, name in enumerate(photos["photo"])}
    renamed = browning_by_hour(*(table.assign(photo=table["photo"].map(new)) for table in (photos, fruit)))
    pd.testing.assert_frame_equal(browning_by_hour(photos, fruit), renamed)


@settings(max_examples=10)
@given(trays_of_areas)
def test_clean_trays_change_nothing(trays):
    early, final = zip(*trays, strict=True)
    with_clean = share_of([*early, 0, 0], [*final, 0, 0])
    pd.testing.assert_series_equal(share_of(early, final).drop("left_out"), with_clean.drop("left_out"))
    assert with_clean["left_out"] == 2


@settings(max_examples=20)
@given(trays_of_areas)
def test_the_interval_is_never_below_zero_and_holds_the_share(trays):
    row = share_of(*zip(*trays, strict=True))
    assert 0 <= row["low"] <= row["share"] <= row["high"]
    assert row["missing_trays"] >= FEWEST_TRAYS - row["trays"]
    assert row["enough"] == (row["missing_trays"] == 0)


# --- when it is enough ---


def test_a_dozen_alike_trays_are_enough_and_one_less_is_not():
    early, final = np.tile([48.0, 52.0], 6), np.full(12, 100.0)
    twelve, eleven = share_of(early, final), share_of(early[:11], final[:11])
    assert twelve["enough"]
    assert twelve["missing_trays"] == 0
    assert not eleven["enough"]
    assert eleven["missing_trays"] == 1


def test_where_the_width_fails_the_missing_trays_are_those_that_make_it_narrow():
    early, final = np.tile([0.0, 100.0], 8), np.full(16, 100.0)
    row = share_of(early, final)
    assert row["high"] - row["share"] > WIDEST_HALF
    assert not row["enough"]
    spread = (row["high"] - row["share"]) / stats.t.ppf(0.975, 15) * math.sqrt(16)
    wanted = 16 + row["missing_trays"]
    assert spread * stats.t.ppf(0.975, wanted - 1) / math.sqrt(wanted) <= WIDEST_HALF
    assert spread * stats.t.ppf(0.975, wanted - 2) / math.sqrt(wanted - 1) > WIDEST_HALF


def test_as_many_trays_as_were_missing_make_it_enough():
    early, final = np.tile([10.0, 90.0], 8), np.full(16, 100.0)
    missing = int(share_of(early, final)["missing_trays"])
    assert missing % 2 == 0
    more = share_of(np.tile([10.0, 90.0], 8 + missing // 2), np.full(16 + missing, 100.0))
    assert more["enough"]


def test_many_trays_of_which_one_holds_all_brown_area_are_not_enough():
    row = share_of([500.0, *[0.5] * 19], [1000.0, *[1.0] * 19])
    assert row["high"] - row["share"] < WIDEST_HALF
    assert not row["enough"]
    assert row["missing_trays"] > 100


def test_nothing_brown_in_the_end_is_not_enough():
    for early in (np.zeros(20), np.full(20, 3.0)):
        row = share_of(early, np.zeros(20))
        assert math.isnan(row["share"])
        assert not row["enough"]
        assert row["missing_trays"] >= 1


def test_no_photos_give_every_window_and_no_share():
    table = browning_by_hour(photos_of(), fruit_of({}))
    assert tuple(table.columns) == SHARE_COLUMNS
    assert table["trays"].tolist() == [0, 0, 0, 0]
    assert table["share"].isna().all()
    assert (table["missing_trays"] == FEWEST_TRAYS).all()
    assert not table["enough"].any()


# --- converting ---


def enough_shares(low_mm2=48.0, high_mm2=52.0):
    photos, fruit = followed(np.tile([low_mm2, high_mm2], 8), np.full(16, 100.0))
    return browning_by_hour(photos, fruit)


def test_an_early_fraction_is_divided_by_the_share_and_the_ends_of_its_interval():
    shares = enough_shares()
    row = shares.iloc[1]
    final = final_fraction(0.02, 10.0, shares)
    assert final.fraction == pytest.approx(0.04)
    assert final.low == pytest.approx(0.02 / row["high"])
    assert final.high == pytest.approx(0.02 / row["low"])
    assert "one fruit can differ more" in final.sentence


def test_the_converted_interval_holds_the_true_final_fraction():
    shares = shares_of_seasons(100, trays=30, share=0.5)
    finals = [final_fraction(0.01, season + 0.5, shares) for season in range(100)]
    assert np.mean([final.low <= 0.02 <= final.high for final in finals]) >= 0.88  # 95 % less three chance errors


ENOUGH_SHARES = enough_shares()


@given(st.floats(0.001, 1))
def test_a_final_fraction_is_never_above_one(fraction):
    final = final_fraction(fraction, 10.0, ENOUGH_SHARES)
    assert fraction <= final.fraction
    assert final.low <= final.fraction <= final.high <= 1


@pytest.mark.parametrize(
    ("fraction", "hours", "low_mm2", "high_mm2", "words"),
    [
        (0.02, 3.0, 48.0, 52.0, "about 12 trays more"),
        (0.02, 60.0, 48.0, 52.0, "No share is worked out for 60 h"),
        (0.02, math.nan, 48.0, 52.0, "not known"),
        (math.nan, 10.0, 48.0, 52.0, "not known"),
        (0.0, 10.0, 48.0, 52.0, "does not mean that nothing will show"),
        (0.02, 10.0, 9.0, 11.0, "too little to convert"),
        (0.02, 10.0, 0.0, 100.0, "are missing"),
    ],
)
def test_where_nothing_can_be_said_the_sentence_tells_why(fraction, hours, low_mm2, high_mm2, words):
    final = final_fraction(fraction, hours, enough_shares(low_mm2, high_mm2))
    assert math.isnan(final.fraction)
    assert math.isnan(final.low)
    assert math.isnan(final.high)
    assert words in final.sentence


@pytest.mark.parametrize("fraction", [-0.01, 1.01])
def test_a_fraction_outside_of_0_to_1_is_refused(fraction):
    with pytest.raises(ValueError, match="brown_fraction"):
        final_fraction(fraction, 10.0, enough_shares())


# --- words ---


def test_officers_read_a_sentence_for_each_window():
    none, enough, *_ = hold_sentence(enough_shares())
    assert none == (
        "From 0 to 6 h after picking: not known, for no marked tray was photographed then and again later; about 12 "
        "trays more, photographed then and again from 48 h on, are missing."
    )
    assert enough == "From 6 to 18 h after picking: 50% of what turns brown shows already (49% to 51%, from 16 trays)."


@pytest.mark.parametrize(
    ("early", "final", "words"),
    [
        ([5], [10], "one tray says nothing of others"),
        ([5, 5], [0, 0], "final photos show nothing brown"),
        ([0.0, 100.0] * 6, [100.0] * 12, "12 trays say 50%"),
        ([0.0] * 12, [100.0] * 12, "nothing shows yet on any of 12 trays; on others some may"),
        ([5, 0], [10, 0], "1 pair of photos could not be used"),
    ],
)
def test_a_weak_window_is_called_weak(early, final, words):
    assert words in hold_sentence(browning_by_hour(*followed(early, final)))[1]
