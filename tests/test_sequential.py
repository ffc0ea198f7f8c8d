"""The check at the shed door: Wald's published lines, exact chances against every path, and drawn deliveries."""

import itertools
import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy import stats

from scorer.sampling.sequential import (
    CARRY_ON,
    STOP_BAD,
    STOP_GOOD,
    chances_of_bad_on_tray,
    decision_lines,
    judge_trays,
    lines_by_tray,
    operating_characteristic,
    plan_door_check,
)

NIST = decision_lines(0.01, 0.10, producers_risk=0.05, consumers_risk=0.10)


# NIST/SEMATECH e-Handbook, sequential sampling plans, p1 0.01, p2 0.10, alpha 0.05, beta 0.10 (source from memory,
# constants computed).
def test_the_lines_are_those_of_the_handbook():
    assert NIST.accept_intercept == pytest.approx(-0.9389, abs=5e-5)
    assert NIST.reject_intercept == pytest.approx(1.2054, abs=5e-5)
    assert NIST.slope == pytest.approx(0.039747, abs=5e-7)


# Row n = 24 of the same example (read): accept at 0, reject at 3; the other steps computed from the lines.
def test_the_steps_are_those_of_the_handbook():
    assert (NIST.accept_at_most(24), NIST.reject_at_least(24)) == (0, 3)
    first = [next(n for n in range(1, 200) if NIST.accept_at_most(n) >= bad) for bad in range(4)]
    assert first == [24, 49, 74, 100]
    by_number = {bad: [n for n in range(2, 71) if NIST.reject_at_least(n) == bad] for bad in (2, 3, 4)}
    assert by_number == {2: list(range(2, 20)), 3: list(range(20, 46)), 4: list(range(46, 71))}
    assert [NIST.say(24, bad) for bad in range(4)] == [STOP_GOOD, CARRY_ON, CARRY_ON, STOP_BAD]
    assert NIST.say(1, 1) == NIST.say(23, 0) == CARRY_ON


# alpha 0.05, beta 0.10 (read in a public test table).
@pytest.mark.parametrize(
    ("good", "bad", "h1", "h2", "slope"),
    [
        (0.005, 0.01, 3.2245, 4.1398, 0.007216),
        (0.01, 0.03, 2.0118, 2.5829, 0.01824),
        (0.01, 0.05, 1.3639, 1.7510, 0.02499),
    ],
)
def test_further_published_lines(good, bad, h1, h2, slope):
    lines = decision_lines(good, bad)
    assert (-lines.accept_intercept, lines.reject_intercept) == pytest.approx((h1, h2), abs=5e-5)
    assert lines.slope == pytest.approx(slope, abs=5e-6)


@settings(max_examples=60)
@given(st.floats(0.01, 0.9), st.floats(0.01, 0.9), st.floats(0.01, 0.4), st.floats(0.01, 0.4))
def test_swapping_good_and_bad_fruit_mirrors_the_lines(good, bad, producers, consumers):
    assume(bad - good > 1e-3)
    lines = decision_lines(good, bad, producers_risk=producers, consumers_risk=consumers)
    mirrored = decision_lines(1 - bad, 1 - good, producers_risk=consumers, consumers_risk=producers)
    assert mirrored.slope == pytest.approx(1 - lines.slope)
    assert mirrored.accept_intercept == pytest.approx(-lines.reject_intercept)
    assert mirrored.reject_intercept == pytest.approx(-lines.accept_intercept)
    assert good < lines.slope < bad


# Beta-binomial n 20, alpha 2, beta 18, so p 0.1 and icc 1/21 (computed): P(0) to P(4).
def test_a_tray_is_beta_binomial():
    chances = chances_of_bad_on_tray(20, 0.1, 1 / 21)
    assert chances[:5] == pytest.approx([0.230769, 0.249480, 0.197505, 0.135432, 0.084645], abs=5e-7)


@settings(max_examples=60)
@given(st.integers(1, 60), st.floats(0.001, 0.999), st.floats(0.001, 0.95))
def test_chances_on_a_tray_are_those_of_scipy(fruit, share, icc):
    counts = np.arange(fruit + 1)
    a, b = share * (1 - icc) / icc, (1 - share) * (1 - icc) / icc
    expected = stats.betabinom.pmf(counts, fruit, a, b)
    assert chances_of_bad_on_tray(fruit, share, icc) == pytest.approx(expected, abs=1e-9)
    assert chances_of_bad_on_tray(fruit, share, 0) == pytest.approx(stats.binom.pmf(counts, fruit, share), abs=1e-12)


def test_bins_that_are_all_alike_are_good_or_bad_as_a_whole():
    assert chances_of_bad_on_tray(3, 0.2, 1).tolist() == pytest.approx([0.8, 0, 0, 0.2])
    assert chances_of_bad_on_tray(3, 0.2, 1 - 1e-12).tolist() == pytest.approx([0.8, 0, 0, 0.2])
    assert chances_of_bad_on_tray(3, 0, 0.3).tolist() == [1, 0, 0, 0]
    assert chances_of_bad_on_tray(3, 1, 0.3).tolist() == [0, 0, 0, 1]


@pytest.mark.parametrize("most_trays", [1, 3, 5])
@pytest.mark.parametrize("icc", [0.0, 0.15])
def test_exact_chances_are_those_of_every_path_that_trays_can_take(most_trays, icc):
    """Each order of counts is judged as at the door, and weighted by scipy's chances."""
    plan = plan_door_check(0.05, 0.25, fruit_per_tray=4, icc=icc, most_trays=most_trays)
    share = 0.15
    a, b = share * (1 - icc) / (icc or 1), (1 - share) * (1 - icc) / (icc or 1)
    law = stats.betabinom(4, a, b) if icc else stats.binom(4, share)
    on_tray = law.pmf(np.arange(5))
    passed = trays = 0.0
    for counts in itertools.product(range(5), repeat=most_trays):
        chance = math.prod(on_tray[count] for count in counts)
        answer = judge_trays(plan, [4] * most_trays, counts)
        assert answer.word != CARRY_ON
        passed += chance * (answer.word == STOP_GOOD)
        trays += chance * answer.trays
    row = operating_characteristic(plan, [share]).iloc[0]
    assert row["passed"] == pytest.approx(passed, abs=1e-12)
    assert row["trays"] == pytest.approx(trays, abs=1e-10)
    assert row["fruit"] == pytest.approx(4 * trays, abs=1e-9)


# Wald 1947, 3.4 and 3.5: probability 1 - alpha and beta at p1 and p2, h2 / (h1 + h2) at the slope; expected fruit
# h1 / s and h2 / (1 - s) at 0 and 1, h1 h2 / (s (1 - s)) at the slope.
def test_walds_approximations_pass_through_his_points():
    plan = plan_door_check(0.01, 0.10, fruit_per_tray=1, icc=0)
    h1, h2, s = -NIST.accept_intercept, NIST.reject_intercept, NIST.slope
    table = operating_characteristic(plan, [0, 0.01, s, 0.10, 1])
    assert table["passed_wald"].tolist() == pytest.approx([1, 0.95, h2 / (h1 + h2), 0.10, 0], abs=1e-9)
    at_p1 = (0.05 * h2 - 0.95 * h1) / (0.01 - s)
    at_p2 = (0.90 * h2 - 0.10 * h1) / (0.10 - s)
    expected = [h1 / s, at_p1, h1 * h2 / (s * (1 - s)), at_p2, h2 / (1 - s)]
    assert table["fruit_wald"].tolist() == pytest.approx(expected, rel=1e-6)


def test_walds_approximations_have_no_jump_at_the_slope_and_no_end_before_0_and_1():
    plan = plan_door_check(0.01, 0.10, fruit_per_tray=1, icc=0, most_trays=2)
    s = plan.lines.slope
    near = operating_characteristic(plan, [s * (1 + step) for step in (-1e-5, -2e-7, -1e-9, 0, 1e-9, 2e-7, 1e-5)])
    assert np.ptp(near["passed_wald"]) < 2e-5
    assert np.ptp(near["fruit_wald"]) < 2e-4
    far = operating_characteristic(plan, [0, 1e-12, 1 - 1e-12, 1])
    assert far["passed_wald"].tolist() == pytest.approx([1, 1, 0, 0])
    assert far["fruit_wald"][1] == pytest.approx(far["fruit_wald"][0], rel=1e-6)
    assert far["fruit_wald"][2] == pytest.approx(far["fruit_wald"][3], rel=1e-6)


def test_far_from_its_end_a_plan_for_single_fruit_comes_near_to_wald():
    """With small steps and a far end his approximations are good to some percent; he leaves out the overshoot."""
    plan = plan_door_check(0.05, 0.10, fruit_per_tray=1, icc=0, most_trays=400)
    plan_far = plan_door_check(0.05, 0.15, fruit_per_tray=1, icc=0, most_trays=400)
    for each in (plan, plan_far):
        table = operating_characteristic(each, [each.good_share, each.bad_share])
        assert table["passed"].tolist() == pytest.approx(table["passed_wald"].tolist(), abs=0.05)
    table = operating_characteristic(plan_far, [0.01, 0.05, 0.15, 0.25])
    assert table["passed"].tolist() == pytest.approx(table["passed_wald"].tolist(), abs=0.02)
    assert (table["fruit"] >= table["fruit_wald"]).all()
    assert table["fruit"].tolist() == pytest.approx(table["fruit_wald"].tolist(), rel=0.25)


# 52 fruit, 2 accepted: the smallest fixed sample for these risks (binomial, computed with scipy).
def test_the_check_looks_at_fewer_fruit_than_a_fixed_sample():
    assert stats.binom.cdf(2, 52, 0.01) >= 0.95
    assert stats.binom.cdf(2, 52, 0.10) <= 0.10
    fruit = operating_characteristic(plan_door_check(0.01, 0.10, fruit_per_tray=1, icc=0), [0.01, 0.10])["fruit"]
    assert (fruit < 0.75 * 52).all()


def drawn_answers(plan, share, icc, times, seed):
    """Deliveries drawn bin by bin, judged by the door's own rule."""
    random = np.random.default_rng(seed)
    of_bin = random.beta(share * (1 - icc) / icc, (1 - share) * (1 - icc) / icc, (times, plan.most_trays))
    bad = random.binomial(plan.fruit_per_tray, of_bin)
    fruit = [plan.fruit_per_tray] * plan.most_trays
    return [judge_trays(plan, fruit, counts.tolist()) for counts in bad]


@pytest.mark.parametrize(("good", "bad", "icc"), [(0.01, 0.10, 0.05), (0.05, 0.15, 0.10)])
def test_drawn_deliveries_keep_the_risks_and_take_the_expected_trays(good, bad, icc):
    plan = plan_door_check(good, bad, fruit_per_tray=8, icc=icc)
    expected = operating_characteristic(plan, [good, bad])
    for row, share in enumerate((good, bad)):
        answers = drawn_answers(plan, share, icc, times=2500, seed=17 + row)
        passed = np.mean([answer.word == STOP_GOOD for answer in answers])
        assert passed == pytest.approx(expected["passed"][row], abs=0.02)  # about four standard errors
        assert np.mean([answer.trays for answer in answers]) == pytest.approx(expected["trays"][row], rel=0.05)
    assert expected["passed"][0] >= 0.95
    assert expected["passed"][1] <= 0.10


def test_lines_without_an_end_hold_walds_risks_roughly_when_fruit_resemble_each_other():
    """The scaling to effective fruit, checked by drawing: without it a good crew is stopped far too often."""
    share, icc, fruit_per_tray, times = 0.05, 0.10, 10, 3000
    random = np.random.default_rng(5)
    of_bin = random.beta(share * (1 - icc) / icc, (1 - share) * (1 - icc) / icc, (times, 120))
    bad = random.binomial(fruit_per_tray, of_bin).cumsum(axis=1)
    fruit = fruit_per_tray * np.arange(1, 121)
    plain = decision_lines(0.05, 0.15)

    def stopped(lines):
        over = bad >= [lines.reject_at_least(int(n)) for n in fruit]
        under = bad <= [lines.accept_at_most(int(n)) for n in fruit]
        first_over, first_under = (np.where(hit.any(axis=1), hit.argmax(axis=1), 999) for hit in (over, under))
        assert (np.minimum(first_over, first_under) < 999).mean() > 0.99
        return float((first_over < first_under).mean())

    assert stopped(plain.moved_apart(1 + 9 * icc)) < 0.06
    assert stopped(plain) > 0.09


def test_fruit_more_alike_than_assumed_stop_more_good_deliveries():
    plan = plan_door_check(0.01, 0.10, fruit_per_tray=8, icc=0.02)
    as_assumed, more_alike = (operating_characteristic(plan, [0.01], true_icc=icc)["passed"][0] for icc in (None, 0.2))
    assert as_assumed == pytest.approx(1 - plan.producers_risk_reached)
    assert as_assumed >= 0.95
    assert more_alike < 0.945


plans = st.builds(
    plan_door_check,
    st.floats(0.005, 0.1),
    st.floats(0.15, 0.6),
    fruit_per_tray=st.integers(1, 13),
    icc=st.floats(0, 0.5),
    producers_risk=st.floats(0.02, 0.3),
    consumers_risk=st.floats(0.02, 0.3),
    most_trays=st.integers(1, 25),
)


@settings(max_examples=40)
@given(plans)
def test_worse_deliveries_pass_less_often(plan):
    table = operating_characteristic(plan, np.linspace(0, 1, 21))
    assert (np.diff(table["passed"]) <= 1e-12).all()
    assert (np.diff(table["passed_wald"]) <= 1e-12).all()
    assert table["passed"].between(0, 1).all()
    assert table["trays"].between(1, plan.most_trays + 1e-9).all()


@settings(max_examples=40)
@given(plans)
def test_the_risks_that_a_plan_states_are_those_of_its_chances(plan):
    passed = operating_characteristic(plan, [plan.good_share, plan.bad_share])["passed"]
    assert plan.producers_risk_reached == pytest.approx(1 - passed[0], abs=1e-12)
    assert plan.consumers_risk_reached == pytest.approx(passed[1], abs=1e-12)


@settings(max_examples=15)
@given(st.floats(0.005, 0.05), st.floats(0.15, 0.4), st.integers(4, 13), st.floats(0, 0.3), st.floats(0.03, 0.15))
def test_a_plan_of_its_own_making_keeps_both_risks_and_smaller_risks_take_more_trays(good, bad, fruit, icc, risk):
    def plan_with(producers, consumers):
        return plan_door_check(
            good, bad, fruit_per_tray=fruit, icc=icc, producers_risk=producers, consumers_risk=consumers
        )

    plan, stricter = plan_with(risk, risk), plan_with(risk / 3, risk / 3)
    assert plan.producers_risk_reached <= risk
    assert plan.consumers_risk_reached <= risk
    assert plan.most_trays <= stricter.most_trays


@settings(max_examples=40)
@given(plans, st.data())
def test_the_sheet_for_the_door_says_the_same_as_the_judge(plan, data):
    sheet = lines_by_tray(plan)
    assert list(sheet["fruit"]) == [plan.fruit_per_tray * tray for tray in range(1, plan.most_trays + 1)]
    counts = data.draw(
        st.lists(st.integers(0, plan.fruit_per_tray), min_size=plan.most_trays, max_size=plan.most_trays)
    )
    word, stopped_at = CARRY_ON, 0
    for row, bad in zip(sheet.itertuples(), itertools.accumulate(counts), strict=True):
        if not pd.isna(row.good_at_most) and bad <= row.good_at_most:
            word = STOP_GOOD
        elif not pd.isna(row.bad_from) and bad >= row.bad_from:
            word = STOP_BAD
        if word != CARRY_ON:
            stopped_at = row.tray
            break
    answer = judge_trays(plan, [plan.fruit_per_tray] * len(counts), counts)
    assert (answer.word, answer.trays) == (word, stopped_at)


def test_the_answer_says_what_it_rests_on():
    plan = plan_door_check(0.01, 0.10, fruit_per_tray=8, icc=0.05)
    first = judge_trays(plan, [8], [1])
    assert first.sentence == (
        "carry on: 1 bad of 8 fruit on 1 tray, too early to tell, take one more tray from another bin."
    )
    bad = judge_trays(plan, [8, 8, 8], [1, 2, 0])
    assert (bad.word, bad.trays, bad.fruit, bad.bad) == (STOP_BAD, 2, 16, 3)  # the third tray came after the stop
    assert judge_trays(plan, [8] * 4, [0] * 4).word == STOP_GOOD
    assert judge_trays(plan, [], []).word == CARRY_ON
    assert "stop after 8 at the latest" in plan.sentence
    assert "4.3 of 100 are stopped by chance" in plan.sentence


def test_trays_of_other_sizes_are_judged_by_their_own_design_effect():
    plan = plan_door_check(0.01, 0.10, fruit_per_tray=8, icc=0.10)
    # Planned trays: 1.205379 * 1.7 + 0.0397474 n, so 2.25 at 5 fruit. By its own size, 1.4, a tray of 5 says bad from
    # 1.89 on.
    assert judge_trays(plan, [5], [2]).word == STOP_BAD
    assert judge_trays(plan, [5], [1]).word == CARRY_ON
    # 5, 9 and 13 fruit: sum m^2 / sum m = 275 / 27, so the lines lie 1 + 9.185 * 0.1 = 1.9185 times as far apart
    fruit, at_reject = 27, 1.205379 * 1.918519 + 0.0397474 * 27
    assert at_reject == pytest.approx(3.386, abs=1e-3)
    assert judge_trays(plan, [5, 9, 13], [1, 1, 1]).word == CARRY_ON
    assert judge_trays(plan, [5, 9, 13], [1, 1, 2]) == judge_trays(plan, [5, 9, 13, 8], [1, 1, 2, 8])
    assert judge_trays(plan, [5, 9, 13], [1, 1, 2]).fruit == fruit


@pytest.mark.parametrize(
    ("ask", "said"),
    [
        (lambda: decision_lines(0.10, 0.05), "the bad share must be above the good one, got 0.05 and 0.1"),
        (lambda: decision_lines(0.10, 0.10), "the bad share must be above the good one"),
        (lambda: decision_lines(-0.1, 0.1), "the good share must be a share from 0 to 1"),
        (lambda: decision_lines(0.0, 0.1), "one fruit decides"),
        (lambda: decision_lines(0.1, 0.2, producers_risk=0.6, consumers_risk=0.4), "the risks must sum to less than 1"),
        (lambda: decision_lines(0.1, 0.2, producers_risk=0.0), "producer's risk must lie between 0 and 1"),
        (lambda: plan_door_check(0.1, 0.2, fruit_per_tray=0, icc=0.1), "at least 1, got 0"),
        (lambda: plan_door_check(0.1, 0.2, fruit_per_tray=2000, icc=0.1), "fruit on a tray must be 1 to 1000"),
        (lambda: plan_door_check(0.1, 0.2, fruit_per_tray=8, icc=1.5), "icc must be a share"),
        (lambda: plan_door_check(0.1, 0.2, fruit_per_tray=8, icc=0, most_trays=0), "the most trays must be 1 to 400"),
        (lambda: plan_door_check(0.1, 0.101, fruit_per_tray=8, icc=0), "more than 400 trays"),
        (lambda: NIST.say(3, 4), "bad fruit must be 0 to the 3 fruit there are, got 4"),
    ],
)
def test_impossible_checks_are_refused_in_one_sentence(ask, said):
    with pytest.raises(ValueError, match=said) as refusal:
        ask()
    assert "\n" not in str(refusal.value)


def test_trays_that_cannot_be_are_refused():
    plan = plan_door_check(0.01, 0.10, fruit_per_tray=8, icc=0.05)
    with pytest.raises(ValueError, match="do not belong together"):
        judge_trays(plan, [8, 8], [0])
    with pytest.raises(ValueError, match="tray 2 holds no fruit"):
        judge_trays(plan, [8, 0], [0, 0])
    with pytest.raises(ValueError, match="bad fruit must be 0 to the 8 fruit"):
        judge_trays(plan, [8], [9])
    with pytest.raises(ValueError, match="the true share must be a share"):
        operating_characteristic(plan, [1.5])
