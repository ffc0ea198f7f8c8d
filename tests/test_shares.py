"""The share of defective fruit per crew: its interval against published ones, other libraries and drawn seasons."""

from functools import cache

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize
from scipy.stats import betabinom
from statsmodels.stats.proportion import proportion_confint

from scorer.crews.correlation import BinCounts, design_effect, log_likelihood
from scorer.crews.shares import (
    BINS_DIFFER_MORE,
    DEFECT_SHARE_COLUMNS,
    NO_BINS_TO_COMPARE,
    NO_FRUIT,
    NOTHING_TO_COMPARE,
    ONE_BIN,
    defect_share,
)
from tests.benchmarks.coverage import clopper_pearson, draw_season, simulate, survey_interval, wilson

# Newcombe (1998), Statistics in Medicine 17, 857-872, table I: defective, fruit, Wilson's score interval.
NEWCOMBE = ((81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718))

# Crowder (1978), Applied Statistics 27, 34-37, table 3, from memory: seeds and those that germinated, in four groups.
CROWDER = {
    "Bowerbird": ((39, 62, 81, 51, 39), (10, 23, 23, 26, 17)),
    "Paperbark": ((6, 74, 72, 51, 79, 13), (5, 53, 55, 32, 46, 10)),
    "Curlew": ((16, 30, 28, 45, 4), (8, 10, 8, 23, 0)),
    "Brolga": ((12, 41, 30, 51, 7), (3, 22, 15, 32, 3)),
}


def fruit_of(crews):
    """One row per fruit, from each crew's (fruit, defective) in its bins."""
    rows = [
        (name, number, place < bad)
        for name, (sizes, defective) in crews.items()
        for number, (size, bad) in enumerate(zip(sizes, defective, strict=True))
        for place in range(size)
    ]
    return pd.DataFrame(rows, columns=["crew", "bin", "defective"])


def single_fruit_bins(defective, fruit):
    return pd.DataFrame({"crew": "Curlew", "bin": range(fruit), "defective": np.arange(fruit) < defective})


def even(*defective, fruit=20):
    return (fruit,) * len(defective), defective


def only_row(table, **options):
    (row,) = defect_share(table, **options).itertuples()
    return row


# Where every bin holds one fruit, fruit are independent and the icc does not matter.


@pytest.mark.parametrize(("defective", "fruit"), [(81, 263), (15, 148), (1, 29), (28, 29)])
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.99])
def test_independent_fruit_give_jeffreys_interval(defective, fruit, confidence):
    row = only_row(single_fruit_bins(defective, fruit), confidence=confidence)
    # statsmodels, method "jeffreys"
    expected = proportion_confint(defective, fruit, alpha=1 - confidence, method="jeffreys")
    assert (row.low, row.high) == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize(("defective", "fruit", "low", "high"), NEWCOMBE)
def test_independent_fruit_come_near_wilsons_published_interval(defective, fruit, low, high):
    row = only_row(single_fruit_bins(defective, fruit))
    assert (row.low, row.high) == pytest.approx((low, high), abs=0.003 if fruit > 100 else 0.022)


@pytest.mark.parametrize("fruit", [1, 20, 120, 3000])
def test_no_defective_among_independent_fruit_gives_clopper_and_pearsons_upper_end(fruit):
    row = only_row(single_fruit_bins(0, fruit))
    assert row.low == 0
    assert row.high == pytest.approx(1 - 0.025 ** (1 / fruit), rel=1e-3)  # Clopper and Pearson (1934), exactly


def test_many_bins_with_nothing_in_common_come_down_to_independent_fruit():
    defective = np.random.default_rng(4).binomial(10, 0.2, 2000)
    row = only_row(fruit_of({"Curlew": even(*defective, fruit=10)}))
    expected = proportion_confint(defective.sum(), 20_000, method="jeffreys")
    assert row.icc < 0.01
    assert (row.low, row.high) == pytest.approx(expected, abs=5e-4)


# The correlation.


def test_the_likelihood_is_the_beta_binomials():
    bins = BinCounts(np.array([20, 15, 3]), np.array([4, 0, 3]))
    alternatives = [(0.1, 0.05), (0.3, 0.4)]
    ours = [float(log_likelihood(bins, np.array(share), np.array(icc))) for share, icc in alternatives]
    theirs = [
        betabinom.logpmf(bins.defective, bins.fruit, share * (1 - icc) / icc, (1 - share) * (1 - icc) / icc).sum()
        for share, icc in alternatives
    ]
    assert ours[1] - ours[0] == pytest.approx(theirs[1] - theirs[0], abs=1e-9)  # scipy.stats.betabinom


def test_the_icc_of_published_plates_lies_by_the_largest_likelihood_of_scipy():
    def lack_of_likelihood(parameters):
        shares, icc = 1 / (1 + np.exp(-parameters[:4])), 1 / (1 + np.exp(-parameters[4]))
        return -sum(
            betabinom.logpmf(bad, size, share * (1 - icc) / icc, (1 - share) * (1 - icc) / icc).sum()
            for share, (size, bad) in zip(shares, CROWDER.values(), strict=True)
        )

    best = minimize(lack_of_likelihood, np.array([0, 0, 0, 0, -4.0]), method="Nelder-Mead", options={"maxiter": 4000})
    largest = 1 / (1 + np.exp(-best.x[4]))
    said = defect_share(fruit_of(CROWDER))["icc"].unique()
    assert len(said) == 1
    assert largest < said[0] < largest + 0.02  # four shares were fitted too, which makes the largest too low


@pytest.mark.parametrize("icc", [0.05, 0.3])
def test_with_many_bins_the_icc_is_that_of_estimating_equations_and_of_the_analysis_of_variance(icc):
    table, defective = draw_season(np.random.default_rng(8), (0.1, 0.1, 0.3), icc, bins=150, fruit=12)
    said = defect_share(table)["icc"].iloc[0]
    # statsmodels, generalised estimating equations with an exchangeable correlation (Liang and Zeger 1986)
    groups = table["crew"] * 1000 + table["bin"]
    structure = sm.cov_struct.Exchangeable()
    design = pd.get_dummies(table["crew"]).astype(float)
    sm.GEE(table["defective"].astype(float), design, groups, cov_struct=structure, family=sm.families.Binomial()).fit()
    assert said == pytest.approx(structure.dep_params, abs=0.02)
    # Analysis of variance, (MSB - MSW) / (MSB + (m - 1) MSW) (Ridout, Demetrio and Firth 1999, Biometrics 55)
    part = defective / 12
    between = 12 * part.var(axis=1, ddof=1).mean()
    within = (part * (1 - part) * 12).sum() / (part.size * 11)
    assert said == pytest.approx((between - within) / (between + 11 * within), abs=0.02)


def test_the_design_effect_is_kishs():
    assert design_effect(np.full(6, 20), 0.05) == pytest.approx(1.95)  # 1 + (m - 1) icc, Kish (1965)
    assert design_effect(np.array([10, 30]), 0.1) == pytest.approx(3.4)  # m = (100 + 900) / 40 = 25, Kish (1987)
    table = defect_share(fruit_of(CROWDER))
    for row in table.itertuples():
        size = np.array(CROWDER[row.crew][0])
        assert row.design_effect == pytest.approx(1 + ((size**2).sum() / size.sum() - 1) * row.icc)


def test_fruit_of_bins_that_differ_leave_a_wider_interval_than_the_same_fruit_spread_evenly():
    lumped = defect_share(fruit_of({"Curlew": even(9, 0, 1, 0, 8, 0), "Brolga": even(0, 7, 0, 0, 6, 0)}))
    spread = defect_share(fruit_of({"Curlew": even(3, 3, 3, 3, 3, 3), "Brolga": even(2, 2, 3, 2, 2, 2)}))
    assert ((lumped["high"] - lumped["low"]) > 1.3 * (spread["high"] - spread["low"])).all()


# Coverage.


@cache
def seasons():
    return simulate((0.05, 0.05, 0.1, 0.1, 0.2, 0.2), 0.1, 6, 20, seasons=100, rng=np.random.default_rng(20)).mean()


def test_intervals_hold_the_truth_about_as_often_as_they_say():
    assert 0.925 <= seasons()["coverage"] <= 0.98  # 600 crews: one standard error is 0.009


def test_pooling_all_fruit_would_hold_it_far_less_often():
    assert seasons()["wilson_coverage"] < 0.85


def test_intervals_are_narrower_than_a_surveys_from_each_crew_alone():
    assert seasons()["width"] < 0.8 * seasons()["survey_width"]


def test_crews_that_keep_to_one_icc_seldom_earn_a_note():
    assert seasons()["differs"] < 0.03


@pytest.mark.parametrize(("defective", "fruit", "low", "high"), NEWCOMBE)
def test_the_benchmark_compares_with_wilsons_interval_as_published(defective, fruit, low, high):
    ends = wilson(np.array([defective / fruit]), np.array([float(fruit)]))
    assert np.ravel(ends) == pytest.approx([low, high], abs=5e-5)


def test_the_benchmark_compares_with_the_surveys_interval():
    # statsmodels, method "beta"; the t-adjustment alone, as bins that agree have no variance between them
    assert np.ravel(clopper_pearson(np.array([0.25]), np.array([40.0]))) == pytest.approx(
        proportion_confint(10, 40, method="beta")
    )
    low, high = survey_interval(np.array([[0, 0, 0, 0, 0, 0]]), 20)
    effective = 120 * (1.9801 / 2.5706) ** 2  # t of 119 and of 5 degrees of freedom, from any table
    assert (low[0], high[0]) == pytest.approx((0, 1 - 0.025 ** (1 / effective)), abs=1e-4)


# What does not matter.

crews_of_bins = st.lists(st.lists(st.integers(0, 8), min_size=1, max_size=5), min_size=1, max_size=4)


def as_table(crews):
    return fruit_of({f"crew {index}": even(*bins, fruit=8) for index, bins in enumerate(crews)})


FIGURES = ["fruit", "clusters", "defective", "share", "low", "high", "design_effect", "icc"]


@settings(max_examples=25, deadline=None)
@given(crews_of_bins, st.randoms(use_true_random=False))
def test_the_order_of_rows_does_not_matter(crews, random):
    table = as_table(crews)
    order = list(range(len(table)))
    random.shuffle(order)
    pd.testing.assert_frame_equal(defect_share(table.iloc[order]), defect_share(table))


@settings(max_examples=25, deadline=None)
@given(crews_of_bins)
def test_names_of_crews_and_bins_do_not_matter(crews):
    table = as_table(crews)
    renamed = table.assign(crew=table["crew"].map(lambda name: "z" + name), bin=99 - table["bin"])
    renamed = renamed.rename(columns={"crew": "gang", "bin": "box", "defective": "bad"})
    figures = defect_share(renamed, crew="gang", cluster="box", defective="bad")
    pd.testing.assert_frame_equal(figures[FIGURES], defect_share(table)[FIGURES])


@settings(max_examples=25, deadline=None)
@given(crews_of_bins)
def test_counting_the_sound_fruit_mirrors_the_interval(crews):
    table = as_table(crews)
    one, other = defect_share(table), defect_share(table.assign(defective=~table["defective"]))
    np.testing.assert_allclose(one["low"], 1 - other["high"], atol=1e-6)
    np.testing.assert_allclose(one["high"], 1 - other["low"], atol=1e-6)
    assert (one["note"] == other["note"]).all()


@settings(max_examples=25, deadline=None)
@given(crews_of_bins)
def test_ends_lie_in_order_and_the_higher_confidence_holds_the_lower(crews):
    table = as_table(crews)
    narrow, wide = defect_share(table, confidence=0.8), defect_share(table, confidence=0.99)
    told = narrow["low"].notna()
    assert (wide["low"] <= narrow["low"])[told].all()
    assert (narrow["low"] < narrow["high"])[told].all()
    assert (narrow["high"] <= wide["high"])[told].all()
    assert wide.loc[told, ["low", "high"]].stack().between(0, 1).all()


def test_the_same_bin_name_under_two_crews_is_two_bins():
    table = fruit_of({"Curlew": even(2, 4, 0), "Brolga": even(1, 5, 3)})
    apart = table.assign(bin=table["crew"] + table["bin"].astype(str))
    pd.testing.assert_frame_equal(defect_share(table), defect_share(apart))


# What the sample cannot tell.


def test_nothing_need_be_said_of_an_ordinary_season():
    table = defect_share(fruit_of({"Curlew": even(2, 4, 0, 1, 1, 2), "Brolga": even(1, 5, 3, 2, 0, 1)}))
    assert list(table["note"]) == ["", ""]
    assert tuple(table.columns) == DEFECT_SHARE_COLUMNS
    assert list(table["crew"]) == ["Brolga", "Curlew"]


def test_one_crew_gets_an_interval_from_its_own_bins():
    row = only_row(fruit_of({"Curlew": even(2, 4, 0, 1, 1, 2)}))
    assert row.note == ""
    assert 0 < row.low < row.share < row.high < 0.25


def test_a_crew_of_one_bin_takes_the_icc_from_the_others_and_says_so():
    table = defect_share(fruit_of({"Curlew": even(3), "Brolga": even(1, 5, 3, 2, 0, 1)})).set_index("crew")
    assert table.loc["Curlew", "note"] == ONE_BIN
    assert table.loc["Curlew", "icc"] == table.loc["Brolga", "icc"]
    assert table.loc["Curlew", "low"] < 0.15 < table.loc["Curlew", "high"]


def test_where_no_crew_has_two_bins_there_is_no_interval():
    table = defect_share(fruit_of({"Curlew": even(3), "Brolga": even(0)}))
    assert set(table["note"]) == {NO_BINS_TO_COMPARE}
    assert table[["low", "high", "icc", "design_effect"]].isna().all(axis=None)
    assert list(table["share"]) == [0, 0.15]


@pytest.mark.parametrize("bad", [0, 20])
def test_where_all_fruit_are_alike_the_icc_is_assumed_and_said_to_be(bad):
    row = only_row(fruit_of({"Curlew": even(*[bad] * 6)}))
    assert row.note == NOTHING_TO_COMPARE
    assert (row.low == 0) == (bad == 0)
    assert (row.high == 1) == (bad == 20)
    assert row.high - row.low > 1 - 0.025 ** (1 / 120)  # wider than for 120 independent fruit


def test_a_crew_whose_bins_differ_far_more_than_the_others_goes_by_its_own():
    even_crews = {name: even(2, 1, 3, 2, 2, 1) for name in ("Brolga", "Paperbark", "Quandong")}
    table = defect_share(fruit_of({**even_crews, "Curlew": even(20, 0, 0, 0, 0, 0)})).set_index("crew")
    odd = table.loc["Curlew"]
    assert odd["note"] == BINS_DIFFER_MORE
    assert odd["icc"] > table.loc["Brolga", "icc"]
    assert odd["low"] < odd["share"] < odd["high"]
    assert set(table["note"].drop("Curlew")) == {""}


def test_a_category_without_fruit_keeps_its_row():
    table = fruit_of({"Curlew": even(2, 4, 0)})
    table["crew"] = pd.Categorical(table["crew"], ["Quandong", "Curlew"])
    figures = defect_share(table)
    assert list(figures["crew"]) == ["Quandong", "Curlew"]
    assert list(figures["fruit"]) == [0, 60]
    assert list(figures["note"]) == [NO_FRUIT, ""]
    assert np.isnan(figures["share"].iloc[0])


def test_categories_of_an_empty_table_keep_their_rows():
    crews = pd.Categorical([], ["Quandong", "Curlew"])
    figures = defect_share(pd.DataFrame({"crew": crews, "bin": [], "defective": []}))
    assert list(figures["note"]) == [NO_FRUIT, NO_FRUIT]


def test_an_empty_table_gives_an_empty_table():
    figures = defect_share(pd.DataFrame({"crew": [], "bin": [], "defective": []}))
    assert len(figures) == 0
    assert tuple(figures.columns) == DEFECT_SHARE_COLUMNS


@pytest.mark.parametrize("as_type", [int, float, object, "boolean", "Int64"])
def test_defective_may_be_written_as_booleans_or_as_0_and_1(as_type):
    table = fruit_of({"Curlew": even(2, 4, 0)})
    pd.testing.assert_frame_equal(
        defect_share(table.assign(defective=table["defective"].astype(as_type))), defect_share(table)
    )


# What is refused.


@pytest.mark.parametrize("column", ["crew", "bin", "defective"])
def test_a_missing_value_is_refused_with_its_count(column):
    table = fruit_of({"Curlew": even(2, 4, 0)}).astype(object)
    table.loc[[3, 5], column] = None
    with pytest.raises(ValueError, match=rf"^2 of 60 fruit have no value in the column '{column}': fill it in"):
        defect_share(table)


def test_a_missing_column_is_refused_by_name():
    with pytest.raises(ValueError, match="no column 'box'"):
        defect_share(fruit_of(CROWDER), cluster="box")


@pytest.mark.parametrize("odd", [2, 0.5, "yes"])
def test_anything_but_yes_and_no_is_refused(odd):
    table = fruit_of({"Curlew": even(2, 4, 0)}).astype(object)
    table.loc[7, "defective"] = odd
    with pytest.raises(ValueError, match=f"holds {odd!r}: it may hold only"):
        defect_share(table)


@pytest.mark.parametrize("confidence", [0, 1, 95])
def test_a_confidence_outside_of_0_to_1_is_refused(confidence):
    with pytest.raises(ValueError, match=f"The confidence {confidence} must lie between 0 and 1"):
        defect_share(fruit_of(CROWDER), confidence=confidence)
