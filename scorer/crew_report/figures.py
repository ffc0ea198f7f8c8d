"""All figures of a season's crews in one place, each made by the module that knows how."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import pandas as pd

from scorer.crews.before_after import Change, before_and_after
from scorer.crews.breakdown import ALL_CREWS, FACTORS, shares_by, shares_by_kind
from scorer.crews.brown_area import mean_brown_fraction
from scorer.crews.comparison import compare_crews
from scorer.crews.funnel import Funnel, funnel
from scorer.crews.misclassification import corrected_shares
from scorer.crews.money import crew_costs, halving_the_worst
from scorer.crews.next_checks import checks_worth
from scorer.crews.over_time import OverTime, over_time
from scorer.crews.prediction_powered import shares_from_both
from scorer.crews.prices import Prices
from scorer.crews.shares import defect_share
from scorer.crews.standardised import Standardised, standardised_shares
from scorer.crews.standings import Standings, crew_standings
from scorer.errors import ScorerError
from scorer.fruit_rows import Countable

SCORED: Final = "scored_downgraded"
"""What checks by eye are weighed against: marks that an officer put right must not make the scorer seem right."""
TARGET: Final = 0.05
"""Share of downgraded fruit that crews are held against where the shed names none; our own choice, no standard."""
CORRECTION_COLUMNS: Final = (
    "crew",
    "fruit",
    "checked",
    "share",
    "share_low",
    "share_high",
    "corrected",
    "corrected_low",
    "corrected_high",
    "corrected_note",
    "from_both",
    "from_both_low",
    "from_both_high",
    "from_both_note",
)


@dataclass(frozen=True)
class Question:
    """What is asked of a season.

    Parameters
    ----------
    target : share of downgraded fruit that crews are held against.
    confidence : of all intervals.
    prices : the shed's own; None to tell no money.
    since : for each crew named, the day from which on it is held against the days before.
    """

    target: float = TARGET
    confidence: float = 0.95
    prices: Prices | None = None
    since: Mapping[str, str] | None = None


@dataclass(frozen=True)
class CrewFigures:
    """What a season says of its crews; tables as the modules of ``scorer.crews`` give them.

    Parameters
    ----------
    counted : the fruit that the figures are of.
    question : what was asked.
    shares, by_kind, by, brown : shares of defective fruit, of kinds, by what is known of the bins; mean brown fraction.
    corrections : raw, corrected and joint shares side by side, CORRECTION_COLUMNS.
    worth : what more checks by eye would do.
    comparison, standings, funnel : crews against each other.
    days : each crew's season by day, and that of ALL_CREWS.
    changes : crews before and after a day.
    standardised : crews at the same mix of block and method; and at that of blocks alone, where each crew has its own
        method.
    costs, savings : money; None without prices.
    """

    counted: Countable
    question: Question
    shares: pd.DataFrame
    by_kind: pd.DataFrame
    by: pd.DataFrame
    brown: pd.DataFrame
    corrections: pd.DataFrame
    worth: pd.DataFrame
    comparison: pd.DataFrame
    standings: Standings
    funnel: Funnel
    days: dict[str, OverTime]
    changes: dict[str, Change]
    standardised: tuple[Standardised, ...]
    costs: pd.DataFrame | None
    savings: pd.DataFrame | None


def crew_figures(counted: Countable, question: Question) -> CrewFigures:
    """Make all figures.

    Raises
    ------
    ScorerError : no fruit counts, or a crew that is asked for has no fruit on one side of its day.
    """
    fruit = counted.fruit
    if fruit.empty:
        raise ScorerError(f"There is nothing to make figures from: {counted.sentence}")
    confidence, prices = question.confidence, question.prices
    shares = defect_share(fruit, cluster="lot", confidence=confidence)
    by = [shares_by(fruit, factor, confidence=confidence) for factor in FACTORS if fruit[factor].notna().any()]
    seasons = {ALL_CREWS: fruit, **{str(name): own for name, own in fruit.groupby("crew", sort=True)}}
    return CrewFigures(
        counted=counted,
        question=question,
        shares=shares,
        by_kind=shares_by_kind(fruit, confidence=confidence),
        by=pd.concat(by, ignore_index=True) if by else shares_by(fruit.iloc[:0], FACTORS[0]),
        brown=mean_brown_fraction(fruit, confidence=confidence),
        corrections=_corrections(fruit, confidence),
        worth=checks_worth(fruit, defective=SCORED),
        comparison=compare_crews(fruit, cluster="lot", confidence=confidence),
        standings=crew_standings(fruit, cluster="lot", limit=question.target, confidence=confidence),
        funnel=funnel(shares),
        days={name: over_time(own, name) for name, own in seasons.items()},
        changes=_changes(seasons, question),
        standardised=_standardised(fruit, confidence),
        costs=crew_costs(fruit, prices, confidence=confidence) if prices else None,
        savings=halving_the_worst(fruit, prices, confidence=confidence) if prices else None,
    )


def _standardised(fruit: pd.DataFrame, confidence: float) -> tuple[Standardised, ...]:
    """At the same mix of all that is known; also of blocks alone where that tells more crews apart."""
    both = standardised_shares(fruit, confidence=confidence)
    if len(both.held) < 2:
        return (both,)
    block = standardised_shares(fruit, hold=["block"], confidence=confidence)
    more = block.table["told_apart"].sum() > both.table["told_apart"].sum()
    return (both, block) if more else (both,)


def _corrections(fruit: pd.DataFrame, confidence: float) -> pd.DataFrame:
    """Raw, corrected and joint shares, one row per crew; all by the scorer's own word."""
    shares = defect_share(fruit, cluster="lot", defective=SCORED, confidence=confidence)
    raw = shares.rename(columns={"low": "share_low", "high": "share_high"})[["crew", "share_low", "share_high"]]
    corrected = corrected_shares(fruit, defective=SCORED, confidence=confidence).rename(
        columns={"low": "corrected_low", "high": "corrected_high", "note": "corrected_note"}
    )
    both = shares_from_both(fruit, defective=SCORED, confidence=confidence)[
        ["crew", "checked", "share", "low", "high", "note"]
    ].rename(columns={"share": "from_both", "low": "from_both_low", "high": "from_both_high", "note": "from_both_note"})
    table = corrected.merge(raw, on="crew").merge(both, on="crew")
    return table[list(CORRECTION_COLUMNS)]


def _changes(seasons: Mapping[str, pd.DataFrame], question: Question) -> dict[str, Change]:
    changes = {}
    for crew, since in (question.since or {}).items():
        if crew not in seasons:
            there = ", ".join(name for name in seasons if name != ALL_CREWS)
            raise ScorerError(f"There is no crew {crew} among the fruit that count; there are {there}.")
        try:
            changes[crew] = before_and_after(seasons[crew], crew, since, confidence=question.confidence)
        except ValueError as error:
            raise ScorerError(str(error)) from error
    return changes
