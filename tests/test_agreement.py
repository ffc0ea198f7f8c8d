"""How far people agree: kappa against worked examples and reference libraries, its interval against simulated truth."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from sklearn.metrics import cohen_kappa_score
from statsmodels.stats.inter_rater import aggregate_raters, fleiss_kappa

from scorer.agreement.chance_corrected import Judged, cohen, fleiss
from scorer.agreement.disagreements import DISAGREEMENT_COLUMNS, disagreements, two_sayings
from scorer.agreement.intervals import by_items, by_luck, by_trays, tray_draws
from scorer.agreement.kappa import (
    AGREEMENT_COLUMNS,
    ALL_KINDS,
    ALWAYS_SAME,
    BY_ITEMS,
    BY_TRAYS,
    LUCK_ALONE,
    NEVER_SAID,
    NO_INTERVAL,
    NOTHING_AGAIN,
    NOTHING_SHARED,
    ONE_ITEM,
    ONE_KIND,
    ONE_PERSON,
    RARE,
    ROUGH,
    agreement_table,
    same_person_again,
)

Words = NDArray[np.int64]
KINDS = ("abrasion", "crease", "cut", "sap_burn", "stem_puncture")
PEOPLE = ("Brolga", "Curlew", "Finch", "Jabiru", "Osprey", "Plover")
MONDAY = pd.Timestamp("2026-01-05 08:00")

# Fleiss (1971), table 1 as it is commonly printed: 14 people, 10 items, 5 kinds; from memory
FLEISS_1971 = [
    [0, 0, 0, 0, 14],
    [0, 2, 6, 4, 2],
    [0, 0, 3, 5, 6],
    [0, 3, 9, 2, 0],
    [2, 2, 8, 1, 1],
    [7, 7, 0, 0, 0],
    [3, 2, 6, 3, 0],
    [2, 5, 3, 2, 2],
    [6, 5, 2, 1, 0],
    [0, 2, 2, 3, 7],
]
# The data set distrib.6raters of the R package irrCAC, as its vignette "overview" on CRAN prints it
SIX_PEOPLE = [
    [0, 0, 0, 6, 0],
    [0, 3, 0, 0, 3],
    [0, 1, 4, 0, 1],
    [0, 0, 0, 0, 6],
    [0, 3, 0, 3, 0],
    [2, 0, 4, 0, 0],
    [0, 0, 4, 0, 2],
    [2, 0, 3, 1, 0],
    [2, 0, 0, 4, 0],
    [0, 0, 0, 0, 6],
    [1, 0, 0, 5, 0],
    [1, 1, 0, 4, 0],
    [0, 3, 3, 0, 0],
    [1, 0, 0, 5, 0],
    [0, 2, 0, 3, 1],
]


def from_counts(counts: list[list[int]]) -> Words:
    """(items, people) words with as many people for each kind as the rows tell."""
    return np.array([np.repeat(np.arange(len(row)), row) for row in counts])


def from_table(table: list[list[int]]) -> Words:
    """(items, 2) words of two people whose table this is, the first person in rows."""
    cells = product(range(len(table)), repeat=2)
    return np.concatenate([np.tile(cell, (table[cell[0]][cell[1]], 1)) for cell in cells])


def sayings(words: Words, trays: int = 1, at: pd.Timestamp = MONDAY) -> pd.DataFrame:
    """The words as people say them: items are dealt out to the trays by turns; -1 is a word not said."""
    items, people = words.shape
    item, who = np.divmod(np.arange(items * people), people)
    table = pd.DataFrame(
        {
            "item": [f"fruit {number}" for number in item],
            "tray": [f"tray {number % trays}" for number in item],
            "who": [PEOPLE[number] if people <= len(PEOPLE) else f"person {number}" for number in who],
            "said_at": at,
            "said": [KINDS[number] for number in words.ravel()],
        }
    )
    return table[words.ravel() >= 0]


def overall(words: Words, trays: int = 1) -> pd.Series:
    """The row over all kinds and all people."""
    table = agreement_table(sayings(words, trays))
    return table[table["of"] == ALL_KINDS].iloc[-1]


@pytest.mark.parametrize(
    ("table", "kappa", "low", "high"),
    [
        # Grant proposals, 50 and 100 of them: the two worked examples of Cohen's kappa in Wikipedia; the interval by
        # the standard error 0.126996 of Fleiss, Cohen and Everitt (1969)
        ([[20, 5], [10, 15]], 0.4, 0.151092, 0.648908),
        ([[45, 15], [25, 15]], 0.130435, None, None),
        ([[25, 35], [5, 35]], 0.259259, None, None),
        # Own tables, worked with statsmodels
        ([[40, 6, 1, 0], [5, 22, 4, 0], [0, 3, 12, 2], [0, 0, 1, 4]], 0.666060, 0.544895, 0.787224),
        ([[0, 4, 1], [0, 8, 0], [0, 1, 5]], 0.484163, 0.213661, 0.754665),
    ],
)
def test_two_people_agree_as_in_worked_examples(
    table: list[list[int]], kappa: float, low: float | None, high: float | None
) -> None:
    row = overall(from_table(table))
    assert row["kappa"] == pytest.approx(kappa, abs=1e-6)
    assert row["observed"] == pytest.approx(np.trace(table) / np.sum(table))
    assert row["interval"] == BY_ITEMS
    if low is not None:
        assert [row["low"], row["high"]] == pytest.approx([low, high], abs=1e-6)


def test_observed_agreement_of_the_four_kinds_example() -> None:
    row = overall(from_table([[40, 6, 1, 0], [5, 22, 4, 0], [0, 3, 12, 2], [0, 0, 1, 4]]))
    assert row["observed"] == pytest.approx(0.78)


def test_several_people_agree_as_in_fleiss_1971() -> None:
    words = from_counts(FLEISS_1971)
    found = fleiss(Judged(words, np.zeros(10, np.int64), 5))
    assert found.kappa == pytest.approx(0.210, abs=5e-4)
    assert found.observed == pytest.approx(0.378, abs=5e-4)  # printed beside it, from memory
    assert found.expected == pytest.approx(0.213, abs=5e-4)


def test_the_interval_of_several_people_is_that_of_the_reference() -> None:
    # R package irrCAC, vignette "overview" on CRAN: fleiss.kappa.dist(distrib.6raters)
    found = fleiss(Judged(from_counts(SIX_PEOPLE), np.zeros(15, np.int64), 5))
    assert [found.kappa, found.standard_error] == pytest.approx([0.4139265, 0.08119291], abs=1e-7)
    row = overall(from_counts(SIX_PEOPLE))
    assert [row["low"], row["high"]] == pytest.approx([0.240, 0.588], abs=5e-4)


def test_standard_errors_of_two_people_are_those_of_the_reference() -> None:
    # R package irrCAC, vignette "overview" on CRAN, data set cont3x3abstractors: kappa2.table and scott2.table. Scott's
    # pi is Fleiss' kappa of two people; there its variance is by n items, here and in fleiss.kappa.dist by n - 1.
    two = Judged(from_table([[13, 0, 0], [0, 20, 7], [0, 4, 56]]), np.zeros(100, np.int64), 3)
    kappa, pi = cohen(two), fleiss(two)
    assert [kappa.kappa, kappa.standard_error] == pytest.approx([0.7964094, 0.05891072], abs=1e-7)
    assert [pi.kappa, pi.standard_error * np.sqrt(99 / 100)] == pytest.approx([0.7962397, 0.05905473], abs=1e-7)


def words_of(people: int, kinds: int = 4) -> st.SearchStrategy[Words]:
    row = st.tuples(*[st.integers(0, kinds - 1)] * people)
    return st.lists(row, min_size=2, max_size=40).map(np.array)


@given(words_of(2))
@settings(deadline=None, max_examples=60)
def test_scikit_learn_finds_the_same_for_two(words: Words) -> None:
    row = overall(words)
    told = min(len(np.unique(words[:, 0])), len(np.unique(words[:, 1]))) > 1
    assert np.isfinite(row["kappa"]) == told
    if told:
        assert row["kappa"] == pytest.approx(cohen_kappa_score(words[:, 0], words[:, 1]))
        assert -1 <= row["low"] <= row["kappa"] <= row["high"] <= 1
        assert row["low"] < row["high"]


@given(words_of(3))
@settings(deadline=None, max_examples=40)
def test_statsmodels_finds_the_same_for_three_and_kinds_make_up_the_whole(words: Words) -> None:
    table = agreement_table(sayings(words))
    table = table[table["people"] == "Brolga, Curlew, Finch"].set_index("of")
    if len(np.unique(words)) == 1:
        assert table.loc[ALL_KINDS, "note"] == ONE_KIND
        return
    assert table.loc[ALL_KINDS, "kappa"] == pytest.approx(fleiss_kappa(aggregate_raters(words)[0]))
    # Fleiss (1971), from memory: kappa is the mean of the kinds' own, weighted by p (1 - p)
    share = np.bincount(words.ravel(), minlength=4) / words.size
    weight = pd.Series(share * (1 - share), KINDS[:4])[share > 0]
    kinds = table.loc[weight.index, "kappa"].to_numpy(float)
    assert np.average(kinds, weights=weight) == pytest.approx(table.loc[ALL_KINDS, "kappa"])


@given(words_of(2), st.permutations(range(4)), st.integers(1, 8))
@settings(deadline=None, max_examples=40)
def test_names_and_order_of_people_and_kinds_change_nothing(words: Words, other: list[int], trays: int) -> None:
    figures = ["items", "trays", "observed", "kappa", "low", "high"]
    plain = overall(words, trays)
    turned = overall(words[:, ::-1], trays)
    renamed = overall(np.array(other)[words], trays)
    for changed in (turned, renamed):
        assert changed[figures].to_numpy(float) == pytest.approx(plain[figures].to_numpy(float), nan_ok=True)
        assert changed["note"] == plain["note"]


@given(st.lists(st.integers(0, 3), min_size=2, max_size=40).filter(lambda said: len(set(said)) > 1), st.integers(2, 6))
@settings(deadline=None, max_examples=30)
def test_people_who_say_the_same_agree_fully(said: list[int], people: int) -> None:
    table = agreement_table(sayings(np.repeat(np.array(said)[:, None], people, axis=1), trays=6))
    told = table[table["kappa"].notna()]
    assert len(told) == len(table), "every kind was said by all and not of all items"
    assert (told["kappa"] == 1).all()
    assert (told["high"] == 1).all()
    assert (told["low"] < 1).all()
    assert (told["note"] == LUCK_ALONE).all()


def test_the_interval_of_full_agreement_is_that_of_luck() -> None:
    # Clopper and Pearson (1934): 0 of 10 is up to 0.3085 at 95 %, as printed in tables of exact limits
    row = overall(np.array([[0, 0], [1, 1]] * 5))
    assert row["low"] == pytest.approx(1 - 0.3085 / 0.5, abs=1e-4)
    assert by_luck(-1.0, 0.5, 10) == pytest.approx((-1, (0.3085 - 0.5) / 0.5), abs=1e-4)


def test_a_kind_alone_is_held_against_all_others() -> None:
    words = from_table([[40, 6, 1, 0], [5, 22, 4, 0], [0, 3, 12, 2], [0, 0, 1, 4]])
    table = agreement_table(sayings(words)).set_index("of")
    assert list(table.index) == [ALL_KINDS, "abrasion", "crease", "cut", "sap_burn"]
    for number, kind in enumerate(KINDS[:4]):
        assert table.loc[kind, "kappa"] == pytest.approx(
            cohen_kappa_score(words[:, 0] == number, words[:, 1] == number)
        )


def test_all_pairs_stand_before_all_together_who_share_what_everyone_judged() -> None:
    words = np.array([[0, 0, 0], [1, 1, 0], [2, 1, -1], [0, 2, -1], [1, 1, 1], [2, 2, 2]])
    table = agreement_table(sayings(words))
    assert list(table.columns) == list(AGREEMENT_COLUMNS)
    whole = table[table["of"] == ALL_KINDS]
    assert whole["people"].tolist() == ["Brolga, Curlew", "Brolga, Finch", "Curlew, Finch", "Brolga, Curlew, Finch"]
    assert whole["items"].tolist() == [6, 4, 4, 4]


@pytest.mark.parametrize(
    ("words", "note", "items"),
    [
        ([[0, -1], [1, -1]], ONE_PERSON, 0),
        ([[0, -1], [-1, 1]], NOTHING_SHARED, 0),
        ([[0, 1]], ONE_ITEM, 1),
        ([[0, 0], [0, 0]], ONE_KIND, 2),
        ([[0, 0], [0, 1], [0, 0]], ALWAYS_SAME, 3),
    ],
)
def test_what_cannot_be_told_is_said_in_words(words: list[list[int]], note: str, items: int) -> None:
    row = overall(np.array(words))
    assert row["note"] == note
    assert row["items"] == items
    assert row[["kappa", "low", "high"]].isna().all()
    assert row["interval"] == NO_INTERVAL


def test_a_kind_that_was_said_of_other_items_only() -> None:
    table = agreement_table(sayings(np.array([[0, 0], [1, 1], [0, 1], [2, -1]]))).set_index("of")
    assert table.loc["cut", "note"] == NEVER_SAID
    assert table.loc["crease", "kappa"] == pytest.approx(cohen_kappa_score([0, 1, 0], [0, 1, 1]))


def test_nothing_said_at_all() -> None:
    table = agreement_table(sayings(np.zeros((0, 2), np.int64)))
    assert table["note"].tolist() == [ONE_PERSON]
    assert same_person_again(sayings(np.zeros((0, 2), np.int64))).empty


def test_few_trays_and_few_items_are_marked() -> None:
    words = np.array([[0, 0], [1, 1], [0, 1], [1, 1]] * 8)
    assert overall(words, trays=4)["note"] == RARE
    assert overall(words[:12], trays=4)["note"] == f"{ROUGH}; {RARE}"
    assert overall(words, trays=5)[["interval", "note"]].tolist() == [BY_TRAYS, ""]
    # A kind on one tray of eight: a third of the draws hold none of it, so trays tell no spread.
    lone = np.zeros((40, 2), np.int64)
    lone[[0, 8], [0, 0]] = lone[[0, 16], [1, 1]] = 1
    assert overall(lone, trays=8)[["interval", "note"]].tolist() == [BY_ITEMS, RARE]


def test_copies_of_fruit_on_their_tray_tell_nothing_new() -> None:
    # Copies are as alike as can be (correlation 1), so the design effect is their number (Kish 1965): an interval that
    # knows of trays stays, one that does not shrinks by the root of 4.
    rng = np.random.default_rng(5)
    first = rng.integers(0, 3, 80)
    words = np.stack([first, np.where(rng.random(80) < 0.3, rng.integers(0, 3, 80), first)], axis=1)
    copied = np.repeat(words.reshape(8, 10, 2), 4, axis=0).reshape(-1, 2)  # blocks of ten, one fruit for each tray
    single, fourfold = overall(words, trays=10), overall(copied, trays=10)
    assert single["interval"] == fourfold["interval"] == BY_TRAYS
    assert fourfold["high"] - fourfold["low"] == pytest.approx(single["high"] - single["low"], rel=0.1)
    alone = [overall(some, trays=1) for some in (words, copied)]
    assert alone[1]["high"] - alone[1]["low"] == pytest.approx((alone[0]["high"] - alone[0]["low"]) / 2, rel=1e-3)


def test_the_same_seed_draws_the_same_trays() -> None:
    rng = np.random.default_rng(3)
    said = sayings(rng.integers(0, 3, (60, 3)), trays=6)
    pd.testing.assert_frame_equal(
        agreement_table(said, seed=4), agreement_table(said.sample(frac=1, random_state=1), seed=4)
    )
    assert not agreement_table(said, seed=4).equals(agreement_table(said, seed=5))


def simulated(rng: np.random.Generator, trays: int, fruit: int, people: int, alike: float) -> Judged:
    """Three kinds; trays differ in their mix of kinds and in how often people slip, the more the smaller ``alike``."""
    mix = rng.dirichlet(np.array([0.5, 0.3, 0.2]) * alike, trays).cumsum(axis=1)
    truth = (rng.random((trays, fruit, 1)) > mix[:, None, :2]).sum(axis=2)
    slips = rng.random((trays, fruit, people)) < rng.beta(0.3 * alike, 0.7 * alike, trays)[:, None, None]
    said = np.where(slips, rng.integers(0, 3, slips.shape), truth[:, :, None])
    return Judged(said.reshape(-1, people), np.repeat(np.arange(trays), fruit), 3)


def test_the_interval_by_trays_holds_the_truth_where_that_by_items_does_not() -> None:
    rng = np.random.default_rng(20)
    truth = cohen(simulated(rng, 30_000, 10, 2, 5.0)).kappa
    held = []
    for _ in range(300):
        judged = simulated(rng, 12, 10, 2, 5.0)
        found = cohen(judged)
        drawn = found.of_draws(tray_draws(12, 0))
        ends = by_trays(found.kappa, found.standard_error, drawn, 12), by_items(found.kappa, found.standard_error)
        held.append([low <= truth <= high for low, high in ends if low is not None])
    trays, items = np.mean(held, axis=0)
    assert 0.91 <= trays <= 0.985
    assert items < 0.88


@pytest.mark.parametrize(("people", "kappa"), [(2, cohen), (4, fleiss)])
def test_the_interval_by_items_holds_the_truth_where_items_are_independent(people, kappa) -> None:
    rng = np.random.default_rng(21)
    truth = kappa(simulated(rng, 200_000, 1, people, 5.0)).kappa
    found = [kappa(simulated(rng, 80, 1, people, 5.0)) for _ in range(500)]
    ends = [by_items(each.kappa, each.standard_error, each.freedom) for each in found]
    assert 0.92 <= np.mean([low <= truth <= high for low, high in ends]) <= 0.98


def test_trays_drawn_anew_are_counted_as_if_they_were_there() -> None:
    judged = simulated(np.random.default_rng(6), 7, 9, 3, 5.0)
    times = np.array([[2, 0, 1, 1, 0, 3, 0]])
    rows = np.concatenate([np.flatnonzero(judged.tray == tray) for tray in np.repeat(np.arange(7), times[0])])
    assert fleiss(judged).of_draws(times) == pytest.approx(fleiss_kappa(aggregate_raters(judged.said[rows])[0]))
    two = Judged(judged.said[:, :2], judged.tray, 3)
    assert cohen(two).of_draws(times) == pytest.approx(cohen_kappa_score(*two.said[rows].T))


def test_the_newest_word_of_a_person_counts() -> None:
    before, after = np.array([[0, 0], [1, 1], [0, 1]]), np.array([[-1, -1], [-1, -1], [1, -1]])
    said = pd.concat([sayings(after, at=MONDAY + pd.Timedelta(hours=1)), sayings(before)])
    assert agreement_table(said).iloc[0]["observed"] == 1


def test_a_person_against_themselves_a_week_later() -> None:
    first, again = np.array([[0, 0], [1, 1], [0, 2], [1, 0]]), np.array([[0, -1], [1, -1], [1, -1], [-1, -1]])
    soon = np.array([[2, 2], [2, 2], [2, 2], [2, 2]])
    said = pd.concat(
        [
            sayings(again, at=MONDAY + pd.Timedelta(days=7)),
            sayings(first),
            sayings(soon, at=MONDAY + pd.Timedelta(days=6, hours=23)),
        ]
    )
    table = same_person_again(said)
    whole = table[table["of"] == ALL_KINDS].set_index("people")
    assert whole.loc["Brolga", "items"] == 3
    assert whole.loc["Brolga", "kappa"] == pytest.approx(cohen_kappa_score([0, 1, 0], [0, 1, 1]))
    assert whole.loc["Curlew", "note"] == NOTHING_AGAIN
    sooner = same_person_again(said, at_least_days=6).set_index(["people", "of"])
    assert sooner.loc[("Curlew", ALL_KINDS), "items"] == 4


def test_the_most_divided_items_come_first() -> None:
    words = np.array([[0, 0, 0], [0, 0, 1], [0, 1, 2], [0, 1, -1], [0, -1, -1]])
    listed = disagreements(sayings(words))
    assert list(listed.columns) == list(DISAGREEMENT_COLUMNS)
    assert listed["item"].drop_duplicates().tolist() == ["fruit 2", "fruit 3", "fruit 1"]
    # By hand: all three pairs differ, the only pair differs, two pairs of three differ
    assert listed.drop_duplicates("item")["divided"].tolist() == pytest.approx([1, 1, 2 / 3])
    last = listed[listed["item"] == "fruit 1"]
    assert last[["who", "said"]].to_numpy().tolist() == [
        ["Brolga", "abrasion"],
        ["Curlew", "abrasion"],
        ["Finch", "crease"],
    ]
    assert (listed["said_at"] == MONDAY).all()


def test_what_one_person_said_twice_at_one_time_is_listed_and_counts_for_nothing() -> None:
    twice = pd.concat([sayings(np.array([[0, 0], [1, 1], [0, 1]])), sayings(np.array([[1, -1]]))])
    assert two_sayings(twice)[["item", "who", "said"]].to_numpy().tolist() == [
        ["fruit 0", "Brolga", "abrasion"],
        ["fruit 0", "Brolga", "crease"],
    ]
    assert agreement_table(twice).iloc[0]["items"] == 2
    assert "fruit 0" not in disagreements(twice)["item"].tolist()
    assert two_sayings(sayings(np.array([[0, 0], [1, 1]]))).empty


def test_a_word_that_stands_there_twice_is_one_word() -> None:
    said = sayings(np.array([[0, 0], [1, 1], [0, 1]]))
    doubled = pd.concat([said, said])
    assert two_sayings(doubled).empty
    pd.testing.assert_frame_equal(agreement_table(doubled), agreement_table(said))


@pytest.mark.parametrize("function", [agreement_table, same_person_again, disagreements, two_sayings])
def test_a_table_that_is_not_whole_is_refused(function) -> None:
    said = sayings(np.array([[0, 0], [1, 1]]))
    with pytest.raises(ValueError, match="has no column tray"):
        function(said.drop(columns="tray"))
    with pytest.raises(ValueError, match="lacks said_at in some row"):
        function(said.assign(said_at=[pd.NaT, *said["said_at"][1:]]))
    with pytest.raises(ValueError, match="fruit 0 lies on two trays"):
        function(said.assign(tray=["a", "b", "c", "c"]))
