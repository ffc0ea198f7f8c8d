"""Comparing two models: McNemar against worked figures, draws against scipy, and what is called worse."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binomtest, bootstrap, permutation_test
from sklearn.metrics import f1_score
from statsmodels.stats.multitest import multipletests

from scorer.errors import ModelError
from scorer.kinds import CLASSES, NOT_A_MARK
from scorer.model_shelf.compare import (
    BETTER,
    COMPARED_KINDS,
    FEWEST_TRAYS,
    NO_EVIDENCE,
    WORSE,
    Comparison,
    Judged,
    compare,
    parts_of,
)
from scorer.model_shelf.paired_tests import interval_of, mcnemar_test, p_of_swaps

GOOD, BAD = {"wrong": 0.05, "off_mm2": 5.0, "confused": 0.1}, {"wrong": 0.4, "off_mm2": 60.0, "confused": 0.6}


def judged(
    *, seed: int, wrong: float, off_mm2: float, confused: float, trays: int = 12, of: int = 10, sha256: str = "a" * 64
) -> Judged:
    """What a model says that errs so often; the truth is the same for all seeds."""
    truth, rng = np.random.default_rng(0), np.random.default_rng(seed)
    count = trays * of
    places = pd.DataFrame(
        {"tray": np.repeat([f"T{n:02}" for n in range(trays)], of), "fruit": [*range(1, of + 1)] * trays}
    )
    downgraded, brown = truth.random(count) < 0.3, truth.gamma(2.0, 40.0, count)
    kinds = truth.choice(CLASSES, count)
    said_kinds = np.where(rng.random(count) < confused, rng.choice(CLASSES, count), kinds)
    fruit = places.assign(
        true_downgraded=downgraded,
        said_downgraded=downgraded ^ (rng.random(count) < wrong),
        true_brown_mm2=brown,
        said_brown_mm2=brown + rng.normal(0, off_mm2, count),
    )
    marks = places.assign(true_kind=kinds, said_kind=said_kinds)
    return Judged(sha256, fruit, marks)


# 59 and 121: a worked example often shown, from memory; all three computed by hand as (b - c)2 / (b + c) and
# (|b - c| - 1)2 / (b + c), and by statsmodels
@pytest.mark.parametrize(
    ("only_old", "only_new", "chi2", "corrected", "exact"),
    [
        (59, 121, 21.355556, 20.672222, 4.434e-6),
        (86, 150, 17.355932, 16.817797, 3.716e-5),
        (2, 9, 4.454545, 3.272727, 0.065430),
    ],
)
def test_mcnemar_gives_worked_figures(
    only_old: int, only_new: int, chi2: float, corrected: float, exact: float
) -> None:
    found = mcnemar_test(only_old, only_new)
    assert (found.chi2, found.chi2_corrected) == pytest.approx((chi2, corrected), abs=1e-6)
    assert found.p_exact == pytest.approx(exact, rel=2e-4)
    assert found.p_exact == pytest.approx(binomtest(only_old, only_old + only_new).pvalue), "scipy's sign test"
    assert found.p == (found.p_exact if only_old + only_new < 25 else found.p_chi2_corrected)


def test_mcnemar_of_models_that_never_differ_says_nothing() -> None:
    found = mcnemar_test(0, 0)
    assert (found.chi2, found.p) == (0.0, 1.0)
    assert mcnemar_test(3, 3).p == 1.0


def sums_of(seed: int, trays: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.stack([np.column_stack([rng.gamma(2, 30, trays), rng.integers(4, 12, trays)]) for _ in range(2)], axis=1)


def of_means(sums: np.ndarray) -> np.ndarray:
    return np.asarray(sums[..., 1, 0] / sums[..., 0, 1] - sums[..., 0, 0] / sums[..., 0, 1])


def test_the_interval_is_scipys_paired_bootstrap_over_trays() -> None:
    sums = sums_of(3, 20)
    found = interval_of(sums, of_means, seed=1, resamples=9_999)

    def by_hand(old: np.ndarray, new: np.ndarray, count: np.ndarray, axis: int) -> np.ndarray:
        return np.asarray((new.sum(axis) - old.sum(axis)) / count.sum(axis))

    data = (sums[:, 0, 0], sums[:, 1, 0], sums[:, 0, 1])
    wanted = bootstrap(data, by_hand, paired=True, method="percentile", n_resamples=9_999, rng=np.random.default_rng(1))
    assert found == pytest.approx(tuple(wanted.confidence_interval), rel=1e-9)
    other_seed = interval_of(sums, of_means, seed=2, resamples=9_999)
    assert other_seed == pytest.approx(found, abs=0.1 * (found[1] - found[0]))
    assert other_seed != found


@pytest.mark.parametrize("trays", [6, 9])
def test_the_p_value_is_scipys_permutation_of_pairs(trays: int) -> None:
    sums = sums_of(4, trays)
    sums[:, :, 1] = 10  # the same number of fruit, as both models judge the same ones
    wanted = permutation_test(
        (sums[:, 1, 0], sums[:, 0, 0]),
        lambda new, old, axis: new.sum(axis) - old.sum(axis),
        permutation_type="samples",
        vectorized=True,
        n_resamples=np.inf,
    )
    assert p_of_swaps(sums, of_means, seed=1, resamples=9_999) == pytest.approx(wanted.pvalue)


def test_many_trays_are_swapped_at_random_and_close_to_all_ways() -> None:
    sums = sums_of(5, 13)
    sums[:, :, 1] = 10
    drawn, all_ways = (p_of_swaps(sums, of_means, seed=1, resamples=count) for count in (8_000, 2**13))
    assert drawn != all_ways
    assert drawn == pytest.approx(all_ways, abs=0.02)  # 0.02 is over three standard errors at 8,000 draws


def test_a_truly_worse_model_is_called_worse_and_the_other_way_round_better() -> None:
    good, bad = judged(seed=1, **GOOD), judged(seed=2, **BAD, sha256="b" * 64)
    worse, better = compare(good, bad), compare(bad, good)
    assert (worse.verdict, better.verdict) == (WORSE, BETTER)
    assert {part.outcome for part in worse.parts} == {WORSE}
    assert worse.sentence.startswith("Worse, on 120 labelled fruit of 12 trays: share of verdicts that are right 0.")
    assert (worse.old_sha256, worse.new_sha256) == ("a" * 64, "b" * 64)
    for one, other in zip(worse.parts, better.parts, strict=True):
        assert one.difference == pytest.approx(-other.difference)
        assert one.p == pytest.approx(other.p)


def test_each_figure_is_what_other_libraries_make_of_the_same_rows() -> None:
    good, bad = judged(seed=1, **GOOD), judged(seed=2, **BAD)
    found = parts_of(compare(good, bad)).set_index("part")
    for name, side in (("old", good), ("new", bad)):
        fruit, marks = side.fruit, side.marks
        assert found.loc["verdict", name] == pytest.approx(
            (fruit["true_downgraded"] == fruit["said_downgraded"]).mean()
        )
        error = (fruit["said_brown_mm2"] - fruit["true_brown_mm2"]).abs().mean()
        assert found.loc["brown area", name] == pytest.approx(error)
        f1 = f1_score(marks["true_kind"], marks["said_kind"], labels=list(COMPARED_KINDS), average="macro")
        assert found.loc["kinds", name] == pytest.approx(f1)
    assert found["p_holm"].tolist() == pytest.approx(multipletests(found["p"], method="holm")[1].tolist())
    right = [side.fruit["true_downgraded"] == side.fruit["said_downgraded"] for side in (good, bad)]
    tests = compare(good, bad).verdicts
    assert tests is not None
    assert (tests.only_old, tests.only_new) == ((right[0] & ~right[1]).sum(), (right[1] & ~right[0]).sum())
    assert found.loc["verdict", "p"] >= tests.p


def test_the_same_model_is_no_evidence() -> None:
    same = judged(seed=1, **GOOD)
    found = compare(same, same)
    assert found.verdict == NO_EVIDENCE
    assert [(part.difference, part.low, part.high, part.p) for part in found.parts] == [(0, 0, 0, 1)] * 3


def test_equally_good_models_are_seldom_told_apart() -> None:
    pairs = [(judged(seed=2 * n + 10, **BAD), judged(seed=2 * n + 11, **BAD)) for n in range(20)]
    verdicts = [compare(old, new, resamples=999).verdict for old, new in pairs]
    # at 5 % for all three together, 20 pairs have more than three false verdicts in 1 of 60 such tests (binomial)
    assert sum(verdict != NO_EVIDENCE for verdict in verdicts) <= 3


def test_better_in_one_thing_and_worse_in_another_is_no_evidence_and_told() -> None:
    one, other = judged(seed=1, **GOOD), judged(seed=2, **BAD)
    mixed = replace(other, marks=one.marks)
    mixed_other = replace(one, marks=other.marks)
    found = compare(mixed, mixed_other)
    assert found.verdict == NO_EVIDENCE
    assert {part.name: part.outcome for part in found.parts} == {
        "verdict": BETTER,
        "brown area": BETTER,
        "kinds": WORSE,
    }
    assert found.sentence.startswith("No evidence, for it is better in one thing and worse in another")


def test_too_few_trays_are_never_evidence() -> None:
    few = FEWEST_TRAYS - 1
    good, bad = judged(seed=1, trays=few, of=60, **GOOD), judged(seed=2, trays=few, of=60, **BAD)
    found = compare(good, bad)
    assert (found.verdict, found.parts) == (NO_EVIDENCE, ())
    assert "300 labelled fruit on 5 trays are too few" in found.sentence
    # chance: all of n trays for one model come in 2 of 2^n cases; for 5 that is over 0.05, for 6 it is not
    assert 2 / 2**few > 0.05 >= 2 / 2 ** (few + 1)


def test_labels_that_say_only_the_verdict_are_enough() -> None:
    sides = [judged(seed=1, **GOOD), judged(seed=2, **BAD)]
    sides = [replace(side, fruit=side.fruit.assign(true_brown_mm2=np.nan), marks=side.marks.iloc[:0]) for side in sides]
    found = compare(*sides)
    assert [part.name for part in found.parts] == ["verdict"]
    assert found.verdict == WORSE


def test_labels_that_say_nothing_of_the_verdict_leave_it_out() -> None:
    sides = [judged(seed=1, **GOOD), judged(seed=2, **BAD)]
    found = compare(*(replace(side, fruit=side.fruit.assign(true_downgraded=pd.NA)) for side in sides))
    assert found.verdicts is None
    assert [part.name for part in found.parts] == ["brown area", "kinds"]


def test_one_tray_that_decides_all_is_no_evidence() -> None:
    old = judged(seed=1, **GOOD)
    said = old.fruit["said_brown_mm2"].copy()
    said[old.fruit["tray"] == "T03"] += 5_000
    found = compare(old, replace(old, fruit=old.fruit.assign(said_brown_mm2=said)))
    area = next(part for part in found.parts if part.name == "brown area")
    assert area.difference > 100
    assert (area.outcome, found.verdict) == (NO_EVIDENCE, NO_EVIDENCE)


def test_the_order_of_rows_does_not_matter() -> None:
    old, new = judged(seed=1, **GOOD), judged(seed=2, **BAD)
    mixed = replace(new, fruit=new.fruit.sample(frac=1, random_state=1), marks=new.marks.sample(frac=1, random_state=1))
    assert compare(old, mixed) == compare(old, new)


def test_two_peoples_labels_on_the_same_fruit_stay_two() -> None:
    good, bad = judged(seed=1, **GOOD), judged(seed=2, **BAD)
    twice = [
        Judged(
            side.sha256,
            *(pd.concat([table.assign(who=who) for who in ("Jarrah", "Wattle")]) for table in (side.fruit, side.marks)),
        )
        for side in (good, bad)
    ]
    once, both = compare(good, bad), compare(*twice)
    assert (both.trays, both.fruit) == (12, 120)  # so many fruit, however many people labelled each
    for one, other in zip(once.parts, both.parts, strict=True):
        assert (other.difference, other.low, other.high) == pytest.approx((one.difference, one.low, one.high))


def drop_a_fruit(side: Judged) -> Judged:
    return replace(side, fruit=side.fruit.iloc[1:])


def change_a_label(side: Judged) -> Judged:
    return replace(side, fruit=side.fruit.assign(true_downgraded=~side.fruit["true_downgraded"]))


def repeat_a_fruit(side: Judged) -> Judged:
    return replace(side, fruit=pd.concat([side.fruit, side.fruit.iloc[:1]]))


@pytest.mark.parametrize("change", [drop_a_fruit, change_a_label, repeat_a_fruit])
def test_models_judged_by_other_labels_are_not_compared(change) -> None:
    good = judged(seed=1, **GOOD)
    with pytest.raises(ModelError, match="not judged on the same labelled fruit"):
        compare(good, change(good))


def test_models_judged_by_other_marks_are_not_compared() -> None:
    good = judged(seed=1, **GOOD)
    fewer = good.marks[good.marks["true_kind"] != "cut"]
    with pytest.raises(ModelError, match="not judged on the same labelled marks"):
        compare(good, replace(good, marks=fewer))
    without_false = good.marks[good.marks["true_kind"] != NOT_A_MARK]
    assert isinstance(compare(good, replace(good, marks=without_false)), Comparison), "false marks are each model's own"


def test_no_labels_are_told() -> None:
    good = judged(seed=1, **GOOD)
    with pytest.raises(ModelError, match="no labelled fruit"):
        compare(good, replace(good, fruit=good.fruit.iloc[:0]))
