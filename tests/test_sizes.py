"""How many bins and fruit: published sizes, exact and drawn power, and that nothing cheaper does as well."""

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats

from scorer.sampling.sizes import (
    ONE_TRAY_PER_BIN,
    SamplingMinutes,
    SplitLimits,
    best_fruit_per_bin,
    cheapest_split,
    design_effect,
    fruit_for_half_width,
    fruit_to_tell_crews_apart,
    fruit_to_tell_from_target,
    size_for_half_width,
    size_to_tell_crews_apart,
    size_to_tell_from_target,
)

WORK = SamplingMinutes(per_bin=6.0, per_fruit=0.5)
shares = st.floats(0.01, 0.99)
iccs = st.floats(0, 1)
costs = st.builds(SamplingMinutes, per_bin=st.floats(0.1, 60), per_fruit=st.floats(0.05, 10))


# z^2 p q / d^2: 385 and 97 read on several course pages, the others computed with z 1.959964 (Cochran 1977, 4.4).
@pytest.mark.parametrize(
    ("share", "half_width", "fruit"),
    [(0.5, 0.05, 385), (0.5, 0.10, 97), (0.10, 0.05, 139), (0.10, 0.03, 385), (0.05, 0.02, 457)],
)
def test_the_normal_interval_asks_for_the_published_sizes(share, half_width, fruit):
    assert math.ceil(fruit_for_half_width(share, half_width, interval="normal")) == fruit


# Wilson intervals computed with statsmodels 0.15.0, proportion_confint(method="wilson"): 38.7 of 387 is
# 0.073931 to 0.133932, 38.6 of 386 is 0.073902 to 0.133981.
def test_the_wilson_interval_is_just_short_enough():
    fruit = fruit_for_half_width(0.10, 0.03)
    assert math.ceil(fruit) == 388
    assert (0.133932 - 0.073931) / 2 > 0.03  # one fruit fewer is not enough
    ends = stats.binomtest(39, 390).proportion_ci(0.95, method="wilson")  # scipy's own interval, where 10 % is whole
    assert (ends.high - ends.low) / 2 == pytest.approx(0.03 * math.sqrt(fruit / 390), rel=1e-3)


@settings(max_examples=60)
@given(st.integers(5, 400), st.data(), st.sampled_from([0.8, 0.9, 0.95, 0.99]))
def test_the_wilson_size_gives_back_the_fruit_of_an_interval(fruit, data, confidence):
    bad = data.draw(st.integers(0, fruit))
    ends = stats.binomtest(bad, fruit).proportion_ci(confidence, method="wilson")
    half_width = (ends.high - ends.low) / 2
    assert fruit_for_half_width(bad / fruit, half_width, confidence=confidence) == pytest.approx(fruit, rel=1e-6)


# NIST/SEMATECH e-Handbook 7.2.4.2, 0.10 against 0.20, one-sided 0.05 (so two-sided 0.10), power 0.90: 102 (numbers
# from memory; 101.26 computed with the rounded quantiles 1.645 and 1.282).
def test_one_crew_against_a_target_needs_the_published_size():
    fruit = fruit_to_tell_from_target(0.10, 0.20, power=0.90, alpha=0.10)
    assert fruit == pytest.approx(101.26, abs=0.05)
    assert math.ceil(fruit) == 102


# Formula read on applied-science.com.ar, values computed: two-sided 0.05, power 0.80, fruit of each crew.
@pytest.mark.parametrize(("one", "other", "fruit"), [(0.05, 0.10, 435), (0.10, 0.15, 686), (0.02, 0.17, 59)])
def test_two_crews_need_the_published_sizes(one, other, fruit):
    assert math.ceil(fruit_to_tell_crews_apart(one, other)) == fruit


# Kish 1965, Survey Sampling; cases computed: m 20, icc 0.05, n 400; m 15, 0.10, 300; m 12, 0.03, 240.
@pytest.mark.parametrize(
    ("fruit_per_bin", "icc", "fruit", "effect", "effective"),
    [(20, 0.05, 400, 1.95, 205.13), (15, 0.10, 300, 2.40, 125.00), (12, 0.03, 240, 1.33, 180.45)],
)
def test_the_design_effect_is_that_of_kish(fruit_per_bin, icc, fruit, effect, effective):
    assert design_effect(fruit_per_bin, icc) == pytest.approx(effect)
    assert fruit / design_effect(fruit_per_bin, icc) == pytest.approx(effective, abs=0.005)


# Unequal trays of 10, 20 and 30 fruit, icc 0.05: 2.116667 (computed by sum m^2 / sum m).
def test_unequal_trays_have_the_design_effect_of_their_weighted_mean():
    assert design_effect((100 + 400 + 900) / 60, 0.05) == pytest.approx(2.116667, abs=1e-6)


def test_power_against_a_target_is_as_wanted_by_exact_count():
    """Summed over the binomial, which the size formula only approximates."""
    fruit = math.ceil(fruit_to_tell_from_target(0.05, 0.10))
    counts = np.arange(fruit + 1)
    called = np.abs(counts / fruit - 0.05) > stats.norm.ppf(0.975) * math.sqrt(0.05 * 0.95 / fruit)
    power, alpha = (stats.binom.pmf(counts[called], fruit, share).sum() for share in (0.10, 0.05))
    assert power == pytest.approx(0.80, abs=0.04)
    assert alpha == pytest.approx(0.05, abs=0.02)


def test_power_between_crews_is_as_wanted_by_exact_count():
    fruit = math.ceil(fruit_to_tell_crews_apart(0.05, 0.10))
    counts = np.arange(fruit + 1)
    one, other = np.meshgrid(counts, counts, indexing="ij")
    mean = (one + other) / (2 * fruit)
    called = np.abs(one - other) / fruit > stats.norm.ppf(0.975) * np.sqrt(2 * mean * (1 - mean) / fruit)
    at_5, at_10 = (stats.binom.pmf(counts, fruit, share) for share in (0.05, 0.10))
    assert (np.outer(at_5, at_10) * called).sum() == pytest.approx(0.80, abs=0.02)
    assert (np.outer(at_5, at_5) * called).sum() == pytest.approx(0.05, abs=0.01)


def test_power_between_crews_holds_for_bins_that_differ():
    """Drawn: bins beta-distributed with the icc that was planned for, tested with the planned design effect."""
    icc = 0.05
    plan = size_to_tell_crews_apart(0.05, 0.10, icc=icc, minutes=WORK)
    random = np.random.default_rng(20250106)

    def called(one, other, times=4000):
        p, q = (
            random.binomial(
                plan.fruit_per_bin,
                random.beta(share * (1 - icc) / icc, (1 - share) * (1 - icc) / icc, (times, plan.bins)),
            ).sum(axis=1)
            / plan.fruit
            for share in (one, other)
        )
        spread = np.sqrt((p + q) / 2 * (1 - (p + q) / 2) * 2 / plan.fruit)
        return float((np.abs(p - q) > stats.norm.ppf(0.975) * spread * math.sqrt(plan.design_effect)).mean())

    assert called(0.05, 0.10) == pytest.approx(0.80, abs=0.03)
    assert called(0.05, 0.05) == pytest.approx(0.05, abs=0.015)


def test_an_interval_over_bins_that_differ_is_as_short_as_wanted():
    icc = 0.1
    plan = size_for_half_width(0.2, 0.05, icc=icc, minutes=WORK, interval="normal")
    random = np.random.default_rng(20250107)
    of_bin = random.beta(0.2 * (1 - icc) / icc, 0.8 * (1 - icc) / icc, (4000, plan.bins))
    found = random.binomial(plan.fruit_per_bin, of_bin).sum(axis=1) / plan.fruit
    assert (np.abs(found - 0.2) <= 0.05).mean() == pytest.approx(0.95, abs=0.012)


# Cochran 1977, 10.6: sqrt(c_bin / c_fruit (1 - icc) / icc), worked by hand: sqrt(12 * 0.95 / 0.05) = sqrt(228).
def test_the_best_fruit_per_bin_is_that_of_cochran():
    assert best_fruit_per_bin(0.05, WORK) == pytest.approx(15.0997, abs=1e-4)
    assert best_fruit_per_bin(0.5, SamplingMinutes(9.0, 1.0)) == pytest.approx(3.0)
    assert best_fruit_per_bin(0.0, WORK) == math.inf
    assert best_fruit_per_bin(1.0, WORK) == 0
    assert best_fruit_per_bin(0.1, SamplingMinutes(5.0, 0.0)) == math.inf


@settings(max_examples=60)
@given(st.floats(1, 3000), iccs, costs)
def test_no_split_that_is_allowed_and_enough_is_cheaper(fruit, icc, minutes):
    limits = SplitLimits(fewest_fruit_per_bin=2, most_fruit_per_bin=20, fewest_bins=3)
    bins, per_bin = cheapest_split(fruit, icc=icc, minutes=minutes, limits=limits)
    worth = bins * per_bin / (1 + (per_bin - 1) * icc)
    assert worth >= fruit * (1 - 1e-9)
    assert 2 <= per_bin <= 20
    assert bins >= 3
    for other_per_bin in range(2, 21):
        for other_bins in range(max(3, bins - 40), bins + 40):
            if other_bins * other_per_bin / (1 + (other_per_bin - 1) * icc) >= fruit:
                price = other_bins * (minutes.per_bin + other_per_bin * minutes.per_fruit)
                assert minutes.of(bins, per_bin) <= price * (1 + 1e-9)


@settings(max_examples=60)
@given(st.floats(0.02, 0.5), costs)
def test_with_many_fruit_the_search_finds_the_optimum_of_cochran(icc, minutes):
    optimum = best_fruit_per_bin(icc, minutes)
    assume(2 <= optimum <= 30)
    limits = SplitLimits(1, 40, 1)
    _, per_bin = cheapest_split(1e7, icc=icc, minutes=minutes, limits=limits)
    assert abs(per_bin - optimum) < 1


@settings(max_examples=60)
@given(shares, shares, st.floats(0.5, 0.98), st.floats(0.001, 0.4))
def test_smaller_risks_ask_for_more_fruit(one, other, power, alpha):
    assume(abs(one - other) > 0.01)
    for size in (fruit_to_tell_crews_apart, fruit_to_tell_from_target):
        usual = size(one, other, power=power, alpha=alpha)
        assert size(one, other, power=power + 0.01, alpha=alpha) >= usual
        assert size(one, other, power=power, alpha=alpha / 2) >= usual


@settings(max_examples=60)
@given(shares, shares)
def test_good_and_bad_can_be_swapped(one, other):
    assume(abs(one - other) > 0.01)
    for size in (fruit_to_tell_crews_apart, fruit_to_tell_from_target):
        assert size(1 - one, 1 - other) == pytest.approx(size(one, other), rel=1e-6)
    assert fruit_to_tell_crews_apart(other, one) == pytest.approx(fruit_to_tell_crews_apart(one, other))
    assert fruit_for_half_width(1 - one, 0.1) == pytest.approx(fruit_for_half_width(one, 0.1))


@settings(max_examples=60)
@given(st.floats(0.02, 0.9), st.floats(0, 0.5), st.floats(0.01, 0.4))
def test_fruit_that_resemble_each_other_more_cost_more_time(share, icc, more):
    sizes = [size_for_half_width(share, 0.04, icc=each, minutes=WORK) for each in (icc, icc + more)]
    assert sizes[0].minutes <= sizes[1].minutes


@settings(max_examples=40)
@given(st.floats(0, 1), st.floats(0.01, 0.3), iccs, costs)
def test_a_result_adds_up(share, half_width, icc, minutes):
    size = size_for_half_width(share, half_width, icc=icc, minutes=minutes)
    assert size.fruit == size.bins * size.fruit_per_bin
    assert size.minutes == pytest.approx(size.bins * minutes.per_bin + size.fruit * minutes.per_fruit)
    assert size.fruit >= size.fruit_if_independent * size.design_effect * (1 - 1e-9)
    assert 5 <= size.fruit_per_bin <= 13
    assert f"{size.fruit_per_bin} fruit from each of {size.bins} bins" in size.sentence


def test_the_sentence_says_what_to_take_and_what_no_sample_tells():
    size = size_to_tell_crews_apart(0.05, 0.10, icc=0.05, minutes=WORK)
    # 434.43 fruit of each crew times 1.6, in bins of 13
    assert (size.bins, size.fruit_per_bin, size.fruit, size.minutes, size.crews) == (54, 13, 702, 675.0, 2)
    assert size.sentence == (
        "Take 13 fruit from each of 54 bins of each crew (702 fruit, about 11.2 hours) to notice in 80 samples of 100 "
        "that one crew is at 5 % and the other at 10 %; of crews that are alike 5 pairs of 100 are called different "
        "all the same. This holds if fruit of one bin resemble each other as assumed (icc 0.05); a difference may come "
        "from the block, the weather or the wait as well as from the picking, which no number of fruit can tell."
    )
    assert "of each crew" not in size_to_tell_from_target(0.05, 0.10, icc=0.05, minutes=WORK).sentence


def test_too_few_bins_are_refused_with_the_number_that_it_takes():
    enough = SplitLimits(most_bins=54)
    assert cheapest_split(434.432, icc=0.05, minutes=WORK, limits=enough) == (54, 13)
    with pytest.raises(ValueError, match="at least 54 bins of 13 fruit are needed and there are only 53"):
        cheapest_split(434.432, icc=0.05, minutes=WORK, limits=SplitLimits(most_bins=53))


def test_even_a_small_question_takes_the_least_number_of_bins():
    assert cheapest_split(1.0, icc=0.0, minutes=WORK, limits=ONE_TRAY_PER_BIN) == (5, 5)


@pytest.mark.parametrize(
    ("ask", "said"),
    [
        (lambda: fruit_for_half_width(1.2, 0.1), "the share must be a share from 0 to 1, got 1.2"),
        (lambda: fruit_for_half_width(math.nan, 0.1), "the share must be a share from 0 to 1, got nan"),
        (lambda: fruit_for_half_width(0.1, 0.0), "half-width must be above 0"),
        (lambda: fruit_for_half_width(0.1, 0.1, confidence=1.0), "the confidence must lie between 0 and 1"),
        (lambda: fruit_for_half_width(0.0, 0.1, interval="normal"), "ask for the wilson interval"),
        (lambda: fruit_to_tell_from_target(0.1, 0.1), "no sample tells alike from alike"),
        (lambda: fruit_to_tell_crews_apart(0.1, 0.2, power=0.3), "the power must be at least 0.5"),
        (lambda: fruit_to_tell_crews_apart(0.1, 0.2, alpha=0.0), "alpha must lie between"),
        (lambda: design_effect(0, 0.1), "fruit per bin must be at least 1"),
        (lambda: design_effect(8, -0.1), "icc must be a share"),
        (lambda: best_fruit_per_bin(1.1, WORK), "icc must be a share"),
        (lambda: cheapest_split(0.0, icc=0.1, minutes=WORK), "must be above 0, got 0"),
        (lambda: SamplingMinutes(-1.0, 1.0), "minutes per bin must be 0 or more"),
        (lambda: SamplingMinutes(0.0, 0.0), "both 0"),
        (lambda: SplitLimits(8, 5), "the fewest not above the most, got 8 to 5"),
        (lambda: SplitLimits(fewest_bins=5, most_bins=4), "got 5 to 4"),
    ],
)
def test_impossible_questions_are_refused_in_one_sentence(ask, said):
    with pytest.raises(ValueError, match=said) as refusal:
        ask()
    assert "\n" not in str(refusal.value)
