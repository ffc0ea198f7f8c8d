"""Whether a new model is better than an old one: both on the same labelled trays, fruit by fruit, in three parts.

- ``verdict``: is the fruit downgraded, rightly or not. McNemar's test of the fruit that only one of the two judged
  rightly (McNemar 1947, Psychometrika 12: 153-157): the exact binomial one below 25 of them, else the chi-square with
  the correction for continuity (Edwards 1948, Psychometrika 13: 185-187).
- ``brown area``: how far the brown area of a fruit is off, in mm2, whichever way.
- ``kinds``: F1 of sap burn and abrasion, the mean of both.

Fruit of one tray are alike, so each difference has a 95 % interval from trays drawn again with replacement (percentile
bootstrap; Efron and Tibshirani 1993, An Introduction to the Bootstrap, chapter 13) and a p value from taking the two
models' trays for each other at random (permutation of pairs; the same, chapter 15). The verdicts' p is the larger of
this one and McNemar's, which takes every fruit for itself.

The rule: a part is better or worse where its interval lies clear of zero and its p, adjusted for the parts that could
be told (Holm 1979, Scandinavian Journal of Statistics 6: 65-70), is below 0.05. A model is worse if some part is worse
and none is better; better if some part is better and none is worse; else there is no evidence, and a mixed outcome is
told as such. Fewer than FEWEST_TRAYS trays never are evidence: if the new model wins on all of five trays, chance does
that in 2 of 2^5 cases, which is over 0.05.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import pandas as pd
from statsmodels.stats.multitest import multipletests

from scorer.errors import ModelError
from scorer.kinds import NOT_A_MARK
from scorer.model_shelf.paired_tests import LEVEL, Figure, Floats, McNemar, interval_of, mcnemar_test, p_of_swaps

BETTER, NO_EVIDENCE, WORSE = "better", "no evidence", "worse"
FEWEST_TRAYS: Final = 6
COMPARED_KINDS: Final = ("sap_burn", "abrasion")
RESAMPLES: Final = 9_999
SEED: Final = 1

KEYS: Final = ["tray", "who", "fruit"]
FRUIT_DTYPES: Final = {
    "tray": "str",
    "who": "str",
    "fruit": "int64",
    "true_downgraded": "boolean",
    "said_downgraded": "bool",
    "true_brown_mm2": "float64",
    "said_brown_mm2": "float64",
}
MARK_DTYPES: Final = {"tray": "str", "who": "str", "fruit": "int64", "true_kind": "str", "said_kind": "str"}
PART_DTYPES: Final = {
    "part": "str",
    "old": "float64",
    "new": "float64",
    "difference": "float64",
    "low": "float64",
    "high": "float64",
    "p": "float64",
    "p_holm": "float64",
    "outcome": "str",
}


@dataclass(frozen=True)
class Judged:
    """What one model says of labelled fruit.

    Parameters
    ----------
    sha256 : of the model.
    fruit : one row per labelled fruit and per person who labelled it (``who``, which may be left out) with the columns
        FRUIT_DTYPES; ``true_downgraded`` is missing where nobody said,
        and an area is NaN where it is not known.
    marks : one row per labelled mark, and one per mark that the model saw where there is none (``true_kind``
        NOT_A_MARK), with the columns MARK_DTYPES; ``said_kind`` is a kind, ``unsure``, or NOT_A_MARK for a missed mark.
    left_out : in words, what of the trays could not be judged.
    """

    sha256: str
    fruit: pd.DataFrame
    marks: pd.DataFrame
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True)
class Part:
    """One of the three differences.

    Parameters
    ----------
    name : ``verdict`` (share of fruit judged rightly), ``brown area`` (mean error per fruit, mm2) or ``kinds`` (F1).
    old, new : the figure of each model.
    difference, low, high : new minus old, with its 95 % interval.
    p, p_holm : two-sided, by itself and adjusted.
    outcome : BETTER, NO_EVIDENCE or WORSE.
    """

    name: str
    old: float
    new: float
    difference: float
    low: float
    high: float
    p: float
    p_holm: float
    outcome: str


@dataclass(frozen=True)
class Comparison:
    """What the comparison of two models says.

    Parameters
    ----------
    old_sha256, new_sha256 : the models.
    trays, fruit : so many were compared; a fruit that two people labelled is one of them, with both labels.
    verdicts : McNemar's test; None where nobody said which fruit are downgraded.
    parts : those that could be told; none where the trays are too few.
    verdict : BETTER, NO_EVIDENCE or WORSE, of the new model.
    sentence : the same in words, with the figures.
    """

    old_sha256: str
    new_sha256: str
    trays: int
    fruit: int
    verdicts: McNemar | None
    parts: tuple[Part, ...]
    verdict: str
    sentence: str


def compare(old: Judged, new: Judged, *, seed: int = SEED, resamples: int = RESAMPLES) -> Comparison:
    """Compare a new model with an old one by what they say of the same labelled fruit.

    Parameters
    ----------
    seed : decides every draw, so that the same tables give the same comparison.
    resamples : so many times trays are drawn again, and so many times taken for each other.

    Raises
    ------
    ModelError : the two were judged on different fruit, by different labels, or on none.
    """
    fruit, marks = _together(old.fruit, new.fruit), _marks_together(old.marks, new.marks)
    trays = sorted(set(fruit["tray"]))
    tests = _verdicts_test(fruit)
    count = len(fruit[["tray", "fruit"]].drop_duplicates())
    known = (old.sha256, new.sha256, len(trays), count, tests)
    if len(trays) < FEWEST_TRAYS:
        sentence = (
            f"No evidence: {count} labelled fruit on {len(trays)} {_trays(len(trays))} are too few to tell two "
            f"models apart; label fruit on at least {FEWEST_TRAYS} trays."
        )
        return Comparison(*known, (), NO_EVIDENCE, sentence)
    measured = [
        _measured(name, sums, difference, figure, seed=seed, resamples=resamples)
        for name, sums, difference, figure in _asked(fruit, marks, trays)
    ]
    if tests is not None:
        measured[0]["p"] = max(measured[0]["p"], tests.p)
    parts = _judged(measured)
    verdict = _verdict(parts)
    return Comparison(*known, parts, verdict, _sentence(verdict, parts, tests, count, len(trays)))


def parts_of(comparison: Comparison) -> pd.DataFrame:
    """The parts as a table with the columns PART_DTYPES."""
    rows = [(p.name, p.old, p.new, p.difference, p.low, p.high, p.p, p.p_holm, p.outcome) for p in comparison.parts]
    return pd.DataFrame(rows, columns=list(PART_DTYPES)).astype(PART_DTYPES)


def _together(old: pd.DataFrame, new: pd.DataFrame) -> pd.DataFrame:
    """Both models' fruit in one table, with ``said_..._old`` and ``said_..._new``."""
    if old.empty or new.empty:
        raise ModelError("There is no labelled fruit to compare the models on; label some first.")
    sides = [_typed(side, FRUIT_DTYPES).sort_values(KEYS, ignore_index=True) for side in (old, new)]
    labels = [*KEYS, "true_downgraded", "true_brown_mm2"]
    if bool(sides[0].duplicated(KEYS).any()) or not sides[0][labels].equals(sides[1][labels]):
        raise ModelError("The two models were not judged on the same labelled fruit, each once; judge them again.")
    said = sides[1][["said_downgraded", "said_brown_mm2"]].add_suffix("_new")
    return sides[0].rename(columns={name: f"{name}_old" for name in ("said_downgraded", "said_brown_mm2")}).join(said)


def _marks_together(old: pd.DataFrame, new: pd.DataFrame) -> pd.DataFrame:
    """Both models' marks below each other, with ``model`` 0 for the old and 1 for the new."""
    sides = [_typed(side, MARK_DTYPES) for side in (old, new)]
    counts = [side[side["true_kind"] != NOT_A_MARK].value_counts([*KEYS, "true_kind"]).sort_index() for side in sides]
    if not counts[0].equals(counts[1]):
        raise ModelError("The two models were not judged on the same labelled marks; judge them again.")
    return pd.concat([side.assign(model=model) for model, side in enumerate(sides)], ignore_index=True)


def _typed(table: pd.DataFrame, dtypes: Mapping[str, str]) -> pd.DataFrame:
    """The columns of a table in their order and types; without ``who``, nobody is named."""
    named = table if "who" in table.columns else table.assign(who="")
    return named[list(dtypes)].astype(dict(dtypes))


def _verdicts_test(fruit: pd.DataFrame) -> McNemar | None:
    told = fruit[fruit["true_downgraded"].notna()]
    if told.empty:
        return None
    right = [told[f"said_downgraded_{side}"] == told["true_downgraded"].astype(bool) for side in ("old", "new")]
    return mcnemar_test(int((right[0] & ~right[1]).sum()), int((right[1] & ~right[0]).sum()))


def _asked(fruit: pd.DataFrame, marks: pd.DataFrame, trays: Sequence[str]) -> list[tuple[str, Floats, Figure, Figure]]:
    """Each part that the labels can tell: its name, sums (trays, 2, K), and how the two figures come of sums."""
    asked: list[tuple[str, Floats, Figure, Figure]] = []
    told = fruit[fruit["true_downgraded"].notna()]
    if not told.empty:
        right = [told[f"said_downgraded_{side}"] == told["true_downgraded"].astype(bool) for side in ("old", "new")]
        asked.append(("verdict", _sums_of_fruit(told["tray"], right, trays), *_ways(_mean)))
    areas = fruit[["true_brown_mm2", "said_brown_mm2_old", "said_brown_mm2_new"]].notna().all(axis=1)
    if areas.any():
        known = fruit[areas]
        errors = [(known[f"said_brown_mm2_{side}"] - known["true_brown_mm2"]).abs() for side in ("old", "new")]
        asked.append(("brown area", _sums_of_fruit(known["tray"], errors, trays), *_ways(_mean)))
    marks = marks[marks["tray"].isin(trays)]
    if marks["true_kind"].isin(COMPARED_KINDS).any():
        asked.append(("kinds", _sums_of_marks(marks, trays), *_ways(_f1)))
    return asked


def _ways(figure: Figure) -> tuple[Figure, Figure]:
    """How the difference, and how the two figures come of sums (..., 2, K)."""
    return (lambda sums: figure(sums)[..., 1] - figure(sums)[..., 0]), figure


def _mean(sums: Floats) -> Floats:
    """Means (..., 2) of sums (..., 2, 2): total and number of fruit."""
    with np.errstate(invalid="ignore"):  # trays drawn without any labelled fruit have no mean
        return np.asarray(sums[..., 0] / sums[..., 1])


def _f1(sums: Floats) -> Floats:
    """Mean F1 (..., 2) over the kinds that truly occur, of sums (..., 2, 3 per kind): true, said, both."""
    of_kinds = sums.reshape(*sums.shape[:-1], len(COMPARED_KINDS), 3)
    true, said, both = (of_kinds[..., each] for each in range(3))
    occurs = true > 0
    f1 = np.where(occurs, 2 * both / np.maximum(true + said, 1), 0.0)
    with np.errstate(invalid="ignore"):
        return np.asarray(f1.sum(axis=-1) / occurs.sum(axis=-1))


def _sums_of_fruit(tray: pd.Series[Any], values: Sequence[pd.Series[Any]], trays: Sequence[str]) -> Floats:
    """Sums (trays, 2, 2): the value over the fruit of each tray and model, and the number of fruit."""
    place = pd.Index(trays).get_indexer(pd.Index(tray))
    count = np.bincount(place, minlength=len(trays))
    totals = [np.bincount(place, weights=value.to_numpy(float), minlength=len(trays)) for value in values]
    return np.stack([np.column_stack([total, count]) for total in totals], axis=1)


def _sums_of_marks(marks: pd.DataFrame, trays: Sequence[str]) -> Floats:
    """Sums (trays, 2, 3 per kind): marks that truly are of it, that are said to be, and both."""
    sums = np.zeros((len(trays), 2, 3 * len(COMPARED_KINDS)))
    place, model = pd.Index(trays).get_indexer(pd.Index(marks["tray"])), marks["model"].to_numpy()
    for index, kind in enumerate(COMPARED_KINDS):
        true, said = (marks[name].to_numpy() == kind for name in ("true_kind", "said_kind"))
        for column, counted in enumerate((true, said, true & said)):
            np.add.at(sums[..., 3 * index + column], (place[counted], model[counted]), 1)
    return sums


def _measured(
    name: str, sums: Floats, difference: Figure, figure: Figure, *, seed: int, resamples: int
) -> dict[str, Any]:
    """A part's figures, difference, interval and own p value."""
    old, new = figure(sums.sum(axis=0)).tolist()
    found = float(difference(sums.sum(axis=0)))
    low, high = interval_of(sums, difference, seed=seed, resamples=resamples)
    p = p_of_swaps(sums, difference, seed=seed, resamples=resamples)
    return {"name": name, "old": old, "new": new, "difference": found, "low": low, "high": high, "p": p}


def _judged(measured: Sequence[dict[str, Any]]) -> tuple[Part, ...]:
    """The parts with Holm's adjustment and what each says."""
    if not measured:
        return ()
    adjusted = multipletests([part["p"] for part in measured], alpha=LEVEL, method="holm")[1]
    parts = []
    for part, p_holm in zip(measured, adjusted.tolist(), strict=True):
        clear = (part["low"] > 0 or part["high"] < 0) and p_holm < LEVEL
        gain = -part["difference"] if part["name"] == "brown area" else part["difference"]  # an error is to be small
        parts.append(Part(**part, p_holm=p_holm, outcome=NO_EVIDENCE if not clear else BETTER if gain > 0 else WORSE))
    return tuple(parts)


def _verdict(parts: Sequence[Part]) -> str:
    outcomes = {part.outcome for part in parts}
    if {BETTER, WORSE} <= outcomes:
        return NO_EVIDENCE
    return next((outcome for outcome in (BETTER, WORSE) if outcome in outcomes), NO_EVIDENCE)


def _sentence(verdict: str, parts: Sequence[Part], tests: McNemar | None, fruit: int, trays: int) -> str:
    begin = {BETTER: "Better", WORSE: "Worse", NO_EVIDENCE: "No evidence that one is better"}[verdict]
    if {BETTER, WORSE} <= {part.outcome for part in parts}:
        begin = "No evidence, for it is better in one thing and worse in another"
    said = "; ".join(_of_part(part, tests) for part in parts) or "the labels say nothing that could be compared"
    return f"{begin}, on {fruit} labelled fruit of {trays} {_trays(trays)}: {said}."


def _of_part(part: Part, tests: McNemar | None) -> str:
    digits = 1 if part.name == "brown area" else 3
    old, new, low, high = (f"{value:.{digits}f}" for value in (part.old, part.new, part.low, part.high))
    interval = f"95 % interval of the difference {low} to {high}, adjusted p = {part.p_holm:.4f}"
    if part.name == "brown area":
        return f"brown area off by {new} mm2 a fruit instead of {old} ({part.outcome}, {interval})"
    if part.name == "kinds":
        return f"F1 of sap burn and abrasion {new} instead of {old} ({part.outcome}, {interval})"
    only = f"{tests.only_new} only by the new model and {tests.only_old} only by the old, " if tests else ""
    return f"share of verdicts that are right {new} instead of {old} ({part.outcome}, {only}{interval})"


def _trays(count: int) -> str:
    return "tray" if count == 1 else "trays"
