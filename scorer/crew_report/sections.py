"""The report's parts: what each figure says in words, its chart, and a table short enough to read."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import pandas as pd

from scorer.charts.funnel import chart_of_funnel
from scorer.charts.over_time import chart_of_days
from scorer.charts.shares import chart_of_kinds, chart_of_shares
from scorer.charts.write import picture_of
from scorer.crew_report.figures import CrewFigures
from scorer.crew_report.method import METHODS
from scorer.crew_report.paper import Section
from scorer.crews.breakdown import ALL_CREWS
from scorer.crews.money import ALL_KINDS
from scorer.crews.over_time import USUAL

_SHORTEST_BREAKDOWN = 2  # values of a factor; with one there is nothing to compare


def sections(figures: CrewFigures) -> list[Section]:
    """All parts that the figures have something for, in the order in which a manager asks."""
    parts = [_shares(figures), _against_the_rest(figures), _kinds(figures), *_days(figures), *_changes(figures)]
    parts += [*_same_mix(figures), *_breakdowns(figures), _checked(figures), *_money(figures)]
    return [*parts, Section("How the figures are made", table=METHODS)]


def percent(share: float, digits: int = 0) -> str:
    """A share as text, a dash where it is missing."""
    return "-" if pd.isna(share) else f"{100 * share:.{digits}f} %"


def interval(low: float, high: float, digits: int = 0) -> str:
    """An interval of shares as text, a dash where it is missing."""
    return "-" if pd.isna(low) or pd.isna(high) else f"{100 * low:.{digits}f} to {100 * high:.{digits}f} %"


def _shares(figures: CrewFigures) -> Section:
    shares = figures.shares
    table = pd.DataFrame(
        {
            "crew": shares["crew"].astype(str),
            "bins": shares["clusters"],
            "fruit": shares["fruit"],
            "downgraded": shares["defective"],
            "share": [percent(one) for one in shares["share"]],
            "likely": [interval(low, high) for low, high in zip(shares["low"], shares["high"], strict=True)],
            "mean brown skin": [
                f"{percent(mean, 1)} ({interval(low, high, 1)})"
                for mean, low, high in figures.brown[["brown_fraction", "low", "high"]].to_numpy()
            ],
            "what the sample cannot tell": shares["note"],
        }
    )
    icc = shares["icc"].dropna()
    alike = f"Fruit of a bin are alike by icc {icc.median():.3f}." if len(icc) else ""
    if not shares["note"].any():
        table = table.drop(columns="what the sample cannot tell")
    chart = chart_of_shares(shares, target=figures.question.target, confidence=figures.question.confidence)
    return Section("Defective fruit", [figures.counted.sentence], [picture_of(chart)], table, [alike] if alike else [])


def _against_the_rest(figures: CrewFigures) -> Section:
    rows = figures.comparison.to_dict("records")
    drawn = figures.standings.table.set_index("crew").loc[[row["crew"] for row in rows]].to_dict("records")
    table = pd.DataFrame(
        {
            "crew": [str(row["crew"]) for row in rows],
            "share less the rest's": [_points(row["difference"]) for row in rows],
            "likely": [f"{_points(row['low'])} to {_points(row['high'])}" for row in rows],
            "in words": [row["in_words"] for row in rows],
            "share drawn towards the others": [
                f"{percent(one['shrunken'])} ({interval(one['low'], one['high'])})" for one in drawn
            ],
            "chance of the highest share": [_chance(one["chance_highest"]) for one in drawn],
            f"chance to be above {100 * figures.question.target:g} %": [_chance(one["chance_above"]) for one in drawn],
        }
    )
    notes = ["Crews stand by name. The words take all comparisons together, so that even one false alarm stays rare."]
    charts = [picture_of(chart_of_funnel(figures.funnel))] if len(figures.funnel.curves) else []
    return Section("Luck or more", [figures.standings.sentence], charts, table, notes)


def _points(difference: float) -> str:
    if pd.isna(difference):
        return "-"
    points = round(100 * difference)
    return f"{points:+d} points" if points else "0 points"


def _chance(chance: float) -> str:
    """A chance as text; never as if it were certain."""
    if pd.isna(chance):
        return "-"
    return "under 1 %" if chance < 0.01 else "over 99 %" if chance > 0.99 else percent(chance)


def _kinds(figures: CrewFigures) -> Section:
    return Section("Kinds of marks", charts=[picture_of(chart_of_kinds(figures.by_kind))])


def _days(figures: CrewFigures) -> Iterator[Section]:
    sentences = [sentence for chart in figures.days.values() for sentence in chart.sentences]
    telling = [
        name
        for name, chart in figures.days.items()
        if name == ALL_CREWS or (chart.table[["signal", "drift_signal"]] != USUAL).any(axis=None)
    ]
    drawn = [name for name in telling if len(figures.days[name].table) > 1]
    charts = [picture_of(chart_of_days(figures.days[name], name)) for name in drawn]
    yield Section("Day by day", sentences, charts, notes=["Drawn: all crews together, and crews with a signal."])


def _changes(figures: CrewFigures) -> Iterator[Section]:
    if figures.changes:
        notes = ["A change says that something changed, not what: block, weather and ripeness may have, too."]
        yield Section("Before and after", [change.sentence for change in figures.changes.values()], notes=notes)


def _same_mix(figures: CrewFigures) -> Iterator[Section]:
    for standardised in figures.standardised:
        held = " and ".join(standardised.held) or "block and method"
        rows = standardised.table.to_dict("records")
        table = pd.DataFrame(
            {
                "crew": [str(row["crew"]) for row in rows],
                "plain share": [percent(row["share"]) for row in rows],
                f"at the same mix of {held}": [percent(row["standardised"]) for row in rows],
                "likely": [interval(row["low"], row["high"]) for row in rows],
                "note": [row["note"] if isinstance(row["note"], str) else "" for row in rows],
            }
        )
        if not table["note"].any():
            table = table.drop(columns="note")
        yield Section(f"At the same mix of {held}", standardised.warnings, table=table)


def _breakdowns(figures: CrewFigures) -> Iterator[Section]:
    together = figures.by[figures.by["crew"] == ALL_CREWS]
    for factor, rows in together.groupby("by", sort=False):
        if len(rows) < _SHORTEST_BREAKDOWN or factor == "day":  # days have their charts
            continue
        table = pd.DataFrame(
            {
                str(factor): rows["value"],
                "bins": rows["clusters"],
                "fruit": rows["fruit"],
                "share": [percent(one) for one in rows["share"]],
                "likely": [interval(low, high) for low, high in zip(rows["low"], rows["high"], strict=True)],
            }
        )
        notes = ["All crews together; a difference may be one between the crews that picked there and then."]
        yield Section(f"By {factor}", table=table, notes=notes)


def _checked(figures: CrewFigures) -> Section:
    rows = figures.corrections.to_dict("records")
    table = pd.DataFrame(
        {
            "crew": [str(row["crew"]) for row in rows],
            "checked": [row["checked"] for row in rows],
            "scorer's share": [_with_interval(row, "share") for row in rows],
            "corrected": [_with_interval(row, "corrected") for row in rows],
            "from both": [_with_interval(row, "from_both") for row in rows],
        }
    )
    notes = sorted(
        {note for name in ("corrected_note", "from_both_note") for note in figures.corrections[name] if note}
    )
    return Section(
        "The scorer errs: figures with checks by eye",
        figures.worth["sentence"].tolist(),
        table=table,
        notes=[f"{note[0].upper()}{note[1:]}." for note in notes],
    )


def _with_interval(row: Mapping[Any, Any], name: str) -> str:
    share, low, high = (row[column] for column in (name, f"{name}_low", f"{name}_high"))
    return percent(share) if pd.isna(low) else f"{percent(share)} ({interval(low, high)})"


def _money(figures: CrewFigures) -> Iterator[Section]:
    if figures.costs is None or figures.savings is None or figures.question.prices is None:
        return
    currency = figures.question.prices.currency
    whole = figures.costs[figures.costs["kind"] == ALL_KINDS]
    table = pd.DataFrame(
        {
            "crew": whole["crew"].astype(str),
            "cartons": [f"{cartons:,.0f}" for cartons in whole["cartons"]],
            f"lost, {currency}": [f"{lost:,.0f}" for lost in whole["lost"]],
            "likely": [f"{low:,.0f} to {high:,.0f}" for low, high in zip(whole["low"], whole["high"], strict=True)],
        }
    )
    notes = ["Prices and cartons are the shed's own and taken as known. Where no cartons are given: per 100 cartons."]
    yield Section("What it costs", figures.savings["sentence"].tolist(), table=table, notes=notes)
