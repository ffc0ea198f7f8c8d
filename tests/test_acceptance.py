"""Single sampling plans: the published tables, exact chances, and the smallest plan against a full search."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from scorer.sampling.acceptance import (
    AcceptancePlan,
    oc_curve,
    passed_from_lot,
    passed_from_process,
    passed_with_trays,
    plan_of_the_table,
    share_passed_with,
    smallest_plan,
)

AQLS_PERCENT = (1.0, 1.5, 2.5, 4.0, 6.5, 10.0)
PLAN_80_5 = AcceptancePlan(80, 5)

# MIL-STD-105E, tables I and II-A: level II, normal inspection, single sampling (read in a copy that prints Re, here
# Ac = Re - 1; that ISO 2859-1 has the same cells is from memory). Largest lot, n, then Ac by AQL; d: take the plan
# below, u: the plan above, each with its own n.
TABLE = """
    25    5  d  d  0  u  d  1
    50    8  d  0  u  d  1  2
    90   13  0  u  d  1  2  3
   150   20  u  d  1  2  3  5
   280   32  d  1  2  3  5  7
   500   50  1  2  3  5  7 10
  1200   80  2  3  5  7 10 14
  3200  125  3  5  7 10 14 21
 10000  200  5  7 10 14 21  u
"""
ROWS = [line.split() for line in TABLE.strip().splitlines()]
ABOVE = ["15", "3", "d", "d", "d", "0"]  # code letter B, up to AQL 4.0 (from memory)


def followed(row, column):
    """(n, Ac) of a cell, along its arrows."""
    cells = ABOVE if row < 0 else ROWS[row]
    if cells[column] in "ud":
        return followed(row + (1 if cells[column] == "d" else -1), column)
    return int(cells[1]), int(cells[column])


@pytest.mark.parametrize("row", range(len(ROWS)))
@pytest.mark.parametrize("column", range(len(AQLS_PERCENT)))
def test_plans_are_those_of_the_published_table(row, column):
    smallest_lot = 16 if row == 0 else int(ROWS[row - 1][0]) + 1
    for lot in (smallest_lot, int(ROWS[row][0])):
        plan = plan_of_the_table(lot, AQLS_PERCENT[column])
        assert (plan.fruit, plan.accept_at_most) == followed(row, 2 + column)


# The same table: AQL 2.5 G, H, J, K; AQL 1.0 and 4.0 H, J, K; and a lot of 1000 at AQL 6.5: n 80, Ac 10, Re 11.
def test_rows_that_are_printed_most_often():
    found = [(plan.fruit, plan.accept_at_most) for plan in (plan_of_the_table(n, 2.5) for n in (200, 400, 1000, 3000))]
    assert found == [(32, 2), (50, 3), (80, 5), (125, 7)]
    for aql, numbers in ((1.0, (1, 2, 3)), (4.0, (5, 7, 10))):
        assert tuple(plan_of_the_table(lot, aql).accept_at_most for lot in (400, 1000, 3000)) == numbers
    plan = plan_of_the_table(1000, 6.5)
    assert (plan.fruit, plan.accept_at_most, plan.reject_from) == (80, 10, 11)


# Percent bad accepted with probability 0.95 and 0.10, binomial (computed).
@pytest.mark.parametrize(
    ("fruit", "accept_at_most", "at_95", "at_10"),
    [
        (13, 1, 2.81, 26.78),
        (20, 1, 1.81, 18.10),
        (32, 2, 2.60, 15.79),
        (50, 3, 2.78, 12.88),
        (50, 5, 5.36, 17.76),
        (80, 5, 3.32, 11.28),
        (80, 10, 7.91, 18.60),
        (125, 7, 3.22, 9.24),
        (125, 10, 5.01, 12.06),
    ],
)
def test_shares_that_pass_with_095_and_010(fruit, accept_at_most, at_95, at_10):
    plan = AcceptancePlan(fruit, accept_at_most)
    assert 100 * share_passed_with(plan, 0.95) == pytest.approx(at_95, abs=0.006)
    assert 100 * share_passed_with(plan, 0.10) == pytest.approx(at_10, abs=0.006)


# Lot of 1000 with 50 bad, n 80, Ac 5 (computed): 0.796366 hypergeometric (cut off, not rounded: the whole numbers
# below give 0.7963665), 0.789225 binomial, 0.785130 Poisson.
def test_a_lot_and_a_process_pass_as_computed():
    ways = sum(math.comb(50, bad) * math.comb(950, 80 - bad) for bad in range(6))
    assert passed_from_lot(PLAN_80_5, 50, 1000) == pytest.approx(ways / math.comb(1000, 80), abs=1e-12)
    assert passed_from_lot(PLAN_80_5, 50, 1000) == pytest.approx(0.796366, abs=1e-6)
    assert passed_from_process(PLAN_80_5, 0.05) == pytest.approx(0.789225, abs=5e-7)
    assert stats.poisson.cdf(5, 80 * 0.05) == pytest.approx(0.785130, abs=5e-7)


def test_chances_are_those_of_counting_by_hand():
    # 2 of a lot of 5 with 2 bad, none accepted: C(3, 2) / C(5, 2) = 3 / 10; from a process (3/5)^2
    plan = AcceptancePlan(2, 0)
    assert passed_from_lot(plan, 2, 5) == pytest.approx(0.3)
    assert passed_from_process(plan, 0.4) == pytest.approx(0.36)


def test_whole_trays_from_few_bins_tell_less():
    alone = passed_from_process(PLAN_80_5, 0.12)
    assert passed_with_trays(PLAN_80_5, 0.12, fruit_per_bin=10, icc=0) == pytest.approx(alone)
    assert passed_with_trays(PLAN_80_5, 0.12, fruit_per_bin=1, icc=0.4) == pytest.approx(alone)
    assert passed_with_trays(PLAN_80_5, 0.12, fruit_per_bin=10, icc=0.1) > 2 * alone
    good = passed_from_process(PLAN_80_5, 0.03)
    assert passed_with_trays(PLAN_80_5, 0.03, fruit_per_bin=10, icc=0.1) < good - 0.03


def test_whole_trays_pass_as_often_as_when_they_are_drawn():
    icc, share = 0.1, 0.08
    random = np.random.default_rng(3)
    of_bin = random.beta(share * (1 - icc) / icc, (1 - share) * (1 - icc) / icc, (20000, 7))
    bad = random.binomial([12] * 6 + [8], of_bin).sum(axis=1)  # 80 fruit: six trays of 12, and 8
    passed = passed_with_trays(PLAN_80_5, share, fruit_per_bin=12, icc=icc)
    assert (bad <= 5).mean() == pytest.approx(passed, abs=0.014)


# For 1 % against 10 %, producer's risk 0.05 and consumer's 0.10 (52, 2) binomial: the full search below, with scipy.
def test_the_smallest_plan_of_the_door_example():
    assert smallest_plan(0.01, 0.10) == AcceptancePlan(52, 2)


def keeps(fruit, at_most, good, bad, producers, consumers, lot):
    """Whether plans keep both risks, by scipy's distributions; at_most may be an array."""
    if lot is None:
        passed = [stats.binom.cdf(at_most, fruit, share) for share in (good, bad)]
    else:
        counts = (math.floor(good * lot + 1e-9), math.ceil(bad * lot - 1e-9))
        passed = [stats.hypergeom.cdf(at_most, lot, count, fruit) for count in counts]
    return (passed[0] >= 1 - producers - 1e-12) & (passed[1] <= consumers + 1e-12)


@pytest.mark.parametrize(
    ("good", "bad", "producers", "consumers", "lot"),
    [
        (0.01, 0.10, 0.05, 0.10, None),
        (0.05, 0.20, 0.05, 0.10, None),
        (0.10, 0.30, 0.10, 0.05, None),
        (0.00, 0.15, 0.05, 0.10, None),
        (0.02, 0.20, 0.05, 0.10, 40),
        (0.05, 0.15, 0.10, 0.10, 60),
        (0.01, 0.02, 0.05, 0.10, 50),
    ],
)
def test_no_plan_with_fewer_fruit_keeps_both_risks(good, bad, producers, consumers, lot):
    """Every plan up to that size, with scipy's distributions."""
    plan = smallest_plan(good, bad, producers_risk=producers, consumers_risk=consumers, lot_fruit=lot)
    assert keeps(plan.fruit, plan.accept_at_most, good, bad, producers, consumers, lot)
    for fruit in range(1, plan.fruit):
        assert not keeps(fruit, np.arange(fruit), good, bad, producers, consumers, lot).any()


shares = st.floats(0.001, 0.3)
risks = st.floats(0.01, 0.3)


@settings(max_examples=30)
@given(shares, st.floats(0.03, 0.4), risks, risks, st.one_of(st.none(), st.integers(5, 400)))
def test_smaller_risks_take_more_fruit_and_closer_shares_do_too(good, apart, producers, consumers, lot):
    def fruit(bad, producers, consumers):
        plan = smallest_plan(good, bad, producers_risk=producers, consumers_risk=consumers, lot_fruit=lot)
        assert keeps(plan.fruit, plan.accept_at_most, good, bad, producers, consumers, lot)
        return plan.fruit

    usual = fruit(good + apart, producers, consumers)
    assert fruit(good + apart, producers / 2, consumers) >= usual
    assert fruit(good + apart, producers, consumers / 2) >= usual
    assert fruit(good + apart * 0.8, producers, consumers) >= usual


plans = st.integers(1, 150).flatmap(lambda n: st.builds(AcceptancePlan, st.just(n), st.integers(0, n - 1)))


@settings(max_examples=40)
@given(plans, st.integers(0, 300))
def test_worse_deliveries_pass_less_often(plan, more):
    steps = np.linspace(0, 1, 21)
    for lot in (None, plan.fruit + more):
        table = oc_curve(plan, steps, lot_fruit=lot)
        assert (np.diff(table["passed"]) <= 1e-12).all()
        assert table["passed"].iloc[0] == 1
        assert table["passed"].iloc[-1] == 0
    trays = [passed_with_trays(plan, share, fruit_per_bin=8, icc=0.1) for share in steps]
    assert (np.diff(trays) <= 1e-12).all()


@settings(max_examples=60)
@given(plans, st.floats(0, 1))
def test_swapping_good_and_bad_fruit_swaps_passing_and_not(plan, share):
    mirrored = AcceptancePlan(plan.fruit, plan.fruit - plan.accept_at_most - 1)
    assert passed_from_process(plan, share) == pytest.approx(1 - passed_from_process(mirrored, 1 - share), abs=1e-9)


@settings(max_examples=60)
@given(plans, st.floats(0.001, 0.999))
def test_the_share_that_passes_with_a_probability_passes_with_it(plan, probability):
    share = share_passed_with(plan, probability)
    assert passed_from_process(plan, share) == pytest.approx(probability, abs=1e-6)


def test_a_large_lot_is_judged_like_a_process():
    for share in (0.01, 0.05, 0.10):
        lot = passed_from_lot(PLAN_80_5, round(share * 1_000_000), 1_000_000)
        assert lot == pytest.approx(passed_from_process(PLAN_80_5, share), abs=1e-4)


def test_a_lot_that_is_looked_at_whole_leaves_no_doubt():
    whole = AcceptancePlan(40, 2)
    assert [passed_from_lot(whole, bad, 40) for bad in range(5)] == pytest.approx([1, 1, 1, 0, 0])


def test_the_curve_of_a_lot_names_the_bad_fruit_that_it_can_have():
    table = oc_curve(AcceptancePlan(13, 1), [0, 0.05, 0.1], lot_fruit=50)
    assert table["bad_in_lot"].tolist() == [0, 3, 5]
    assert table["share"].tolist() == [0, 0.06, 0.1]
    assert table["passed"].tolist() == pytest.approx(stats.hypergeom.cdf(1, 50, [0, 3, 5], 13).tolist())
    assert list(oc_curve(AcceptancePlan(13, 1), [0.1]).columns) == ["share", "passed"]


def test_a_plan_is_said_in_plain_words():
    assert PLAN_80_5.sentence == (
        "Look at 80 fruit drawn at random: with 5 bad or fewer the delivery passes, with 6 or more it does not."
    )


@pytest.mark.parametrize(
    ("ask", "said"),
    [
        (lambda: AcceptancePlan(5, 5), "fewer than it looks at, got 5 of 5"),
        (lambda: AcceptancePlan(5, -1), "at least 0 bad fruit"),
        (lambda: smallest_plan(0.1, 0.1), "the bad share must be above the good one, got 0.1 and 0.1"),
        (lambda: smallest_plan(0.2, 0.1), "the bad share must be above the good one"),
        (lambda: smallest_plan(0.1, 1.1), "the bad share must be a share from 0 to 1, got 1.1"),
        (lambda: smallest_plan(0.1, 0.2, producers_risk=0), "the producer's risk must lie between 0 and 1"),
        (lambda: smallest_plan(0.1, 0.2, lot_fruit=0), "a lot must hold at least 1 fruit"),
        (lambda: smallest_plan(0.1, 0.1001), "no plan of up to 100000 fruit tells 10 % from 10.01 %"),
        (lambda: passed_from_process(PLAN_80_5, -0.1), "the share must be a share from 0 to 1"),
        (lambda: passed_from_lot(PLAN_80_5, 5, 79), "looks at 80 fruit and the lot holds only 79"),
        (lambda: passed_from_lot(PLAN_80_5, 101, 100), "bad fruit must be 0 to the 100 fruit of the lot, got 101"),
        (lambda: passed_with_trays(PLAN_80_5, 0.1, fruit_per_bin=0, icc=0), "fruit on a tray must be 1 to 1000"),
        (lambda: share_passed_with(PLAN_80_5, 1.0), "the probability must lie between 0 and 1"),
        (lambda: oc_curve(PLAN_80_5, [0.1, 2]), "the share must be a share from 0 to 1, got 2"),
        (lambda: plan_of_the_table(15, 1.0), "the table is for lots of 16 to 10000 fruit, got 15"),
        (lambda: plan_of_the_table(10001, 1.0), "got 10001"),
        (lambda: plan_of_the_table(100, 3.0), "the table has the AQLs 1, 1.5, 2.5, 4, 6.5, 10 %, got 3"),
    ],
)
def test_impossible_plans_are_refused_in_one_sentence(ask, said):
    with pytest.raises(ValueError, match=said) as refusal:
        ask()
    assert "\n" not in str(refusal.value)
