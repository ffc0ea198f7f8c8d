"""Charts of shares: a point with its interval for each crew, alone or by kind of mark."""

from __future__ import annotations

from typing import Any, Final

import altair as alt
import pandas as pd

from scorer.charts.look import CLAY, INK, PERCENT, QUIET, WIDTH_PX, dressed

_ROW_PX: Final = 34
_SMALL_PX: Final = 22


def chart_of_shares(shares: pd.DataFrame, *, target: float | None = None, confidence: float = 0.95) -> Any:
    """Each crew's share of defective fruit with its interval, crews by name, and the target as a dashed line.

    Parameters
    ----------
    shares : of ``scorer.crews.shares.defect_share``: crew, fruit, clusters, share, low, high.
    target : share that the shed aims at.
    confidence : of the intervals, for the words.
    """
    shown = shares[shares["fruit"] > 0].copy()
    shown["words"] = [
        f"{fruit} fruit, {clusters} bin{'s' if clusters != 1 else ''}"
        for fruit, clusters in zip(shown["fruit"], shown["clusters"], strict=True)
    ]
    top = _top(shown, target)
    x = alt.X("share:Q", title="share of defective fruit", axis=PERCENT, scale=alt.Scale(domain=[0, top]))
    y = alt.Y("crew:N", title=None, sort=list(shown["crew"]), axis=alt.Axis(ticks=False, domain=False))
    base = alt.Chart(shown).encode(y=y)
    interval = base.mark_rule(strokeWidth=3, color=QUIET, strokeCap="round").encode(alt.X("low:Q"), alt.X2("high:Q"))
    point = base.mark_point(filled=True, size=110, color=INK, opacity=1).encode(x)
    sample = base.mark_text(align="left", dx=8, color=QUIET, fontSize=11).encode(alt.X("high:Q"), alt.Text("words:N"))
    layers: list[Any] = [interval, point, sample]
    below = [f"Point: the sample. Bar: where the crew's true share lies, {100 * confidence:g} times of 100."]
    if target is not None:
        line = pd.DataFrame({"share": [target]})
        layers.insert(0, alt.Chart(line).mark_rule(color=CLAY, strokeDash=[6, 4], strokeWidth=2).encode(x="share:Q"))
        below.append(f"Dashed line: the target, {100 * target:g} %.")
    chart = alt.layer(*layers).properties(width=WIDTH_PX, height=_ROW_PX * max(len(shown), 1))
    return dressed(chart, "Defective fruit by crew", *below)


def chart_of_kinds(by_kind: pd.DataFrame) -> Any:
    """The share of each crew's fruit that bear a mark of each kind, one panel for each kind.

    Parameters
    ----------
    by_kind : of ``scorer.crews.breakdown.shares_by_kind``.
    """
    shown = by_kind[by_kind["fruit"] > 0].assign(kind=by_kind["kind"].str.replace("_", " "))
    kinds, crews = list(shown["kind"].unique()), list(shown["crew"].unique())
    x = alt.X("share:Q", title=None, axis=alt.Axis(format=".0%", tickCount=4))
    y = alt.Y("crew:N", title=None, sort=crews, axis=alt.Axis(ticks=False, domain=False))
    base = alt.Chart(shown).encode(y=y)
    interval = base.mark_rule(strokeWidth=2.5, color=QUIET, strokeCap="round").encode(alt.X("low:Q"), alt.X2("high:Q"))
    point = base.mark_point(filled=True, size=70, color=INK, opacity=1).encode(x)
    panels = (
        alt.layer(interval, point)
        .properties(width=WIDTH_PX / 3 - 30, height=_SMALL_PX * max(len(crews), 1))
        .facet(
            facet=alt.Facet(
                "kind:N", sort=kinds, title=None, header=alt.Header(labelFontSize=12, labelFontWeight="bold")
            ),
            columns=3,
        )
    )
    return dressed(
        panels,
        "Kinds of marks by crew",
        "Share of fruit that bear at least one mark of the kind; a fruit with two kinds counts for both.",
    )


def _top(shown: pd.DataFrame, target: float | None) -> float:
    """End of the scale: beyond the longest bar and its words."""
    ends = [*shown["high"].dropna(), *shown["share"].dropna(), target or 0.0, 0.05]
    return float(min(1.3 * max(ends), 1.25))
