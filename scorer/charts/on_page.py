"""The charts of crew figures as pages show them: as wide as the page, in its language, and fit to be tapped.

They say the same as those on paper (``scorer.charts.shares``, ``scorer.charts.over_time``); the interval is always
drawn, and what stands out has a shape of its own besides its colour.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import altair as alt
import pandas as pd

from scorer.charts.look import CLAY, FAINT, INK, PERCENT, QUIET
from scorer.crews.over_time import USUAL, OverTime
from scorer.language import message

Say = Callable[[str], str]

PICKED: Final = "picked"
"""Name of the selection: a crew, or a day, that was tapped."""
_ROW_PX: Final = 46
_DAYS_PX: Final = 260
_SHARE: Final = message("share of downgraded fruit")


def shares_to_pick(shares: pd.DataFrame, say: Say, *, target: float | None = None, name: str = "crew") -> Any:
    """A point with its interval for each row, by name; a tap picks one.

    Parameters
    ----------
    shares : ``name``, fruit, clusters, share, low, high.
    say : puts a source text into the page's language.
    target : share that the shed aims at.
    name : the column that rows are called by.
    """
    shown = shares[shares["fruit"] > 0].copy()
    ends = [*shown["high"].dropna(), *shown["share"].dropna(), target or 0.0, 0.05]
    domain = [0, float(min(1.08 * max(ends), 1.0))]
    x = alt.X("share:Q", title=say(_SHARE), axis=PERCENT, scale=alt.Scale(domain=domain))
    y = alt.Y(f"{name}:N", title=None, sort=list(shown[name]), axis=alt.Axis(ticks=False, domain=False))
    picked = alt.selection_point(name=PICKED, fields=[name], on="click", toggle=False)
    base = alt.Chart(shown).encode(y=y, tooltip=_tooltip(name, say))
    faint = alt.condition(picked, alt.value(1.0), alt.value(0.35))
    band = base.mark_rule(strokeWidth=16, color=FAINT, strokeCap="round").encode(alt.X("low:Q"), alt.X2("high:Q"))
    interval = base.mark_rule(strokeWidth=4, color=QUIET, strokeCap="round").encode(
        alt.X("low:Q"), alt.X2("high:Q"), opacity=faint
    )
    point = base.mark_point(filled=True, size=170, color=INK).encode(x, opacity=faint)
    layers: list[Any] = [band.add_params(picked), interval, point]
    if target is not None:
        line = alt.Chart(pd.DataFrame({"share": [target]})).mark_rule(color=CLAY, strokeDash=[6, 4], strokeWidth=2)
        layers.insert(0, line.encode(x="share:Q"))
    return _look(alt.layer(*layers).properties(width="container", height=_ROW_PX * max(len(shown), 1)))


def days_to_read(days: OverTime, say: Say) -> Any:
    """Shares day by day within the limits of the crew's own usual spread; a triangle stands out."""
    usual, out = say(message("within the usual spread")), say(message("stands out"))
    shown = days.table.assign(what=[usual if word == USUAL else out for word in days.table["signal"]])
    x = alt.X("period:O", title=None, axis=alt.Axis(labelAngle=-45, labelOverlap="greedy", grid=False))
    y = alt.Y("share:Q", title=say(_SHARE), axis=PERCENT, scale=alt.Scale(zero=True))
    base = alt.Chart(shown)
    layers: list[Any] = []
    if shown["high"].notna().any():
        band = base.mark_area(color=FAINT, opacity=0.7, interpolate="step")
        layers.append(band.encode(x, alt.Y("low:Q", title=say(_SHARE), axis=PERCENT), alt.Y2("high:Q")))
        layers.append(base.mark_line(color=QUIET, strokeDash=[5, 4]).encode(x, alt.Y("centre:Q")))
    layers.append(base.mark_line(color=INK, strokeWidth=1.5).encode(x, y))
    shape = alt.Shape("what:N", legend=None, scale=alt.Scale(domain=[usual, out], range=["circle", "triangle-up"]))
    colour = alt.Color("what:N", legend=None, scale=alt.Scale(domain=[usual, out], range=[INK, CLAY]))
    tip = [
        alt.Tooltip("period:O", title=say(message("Day"))),
        alt.Tooltip("share:Q", format=".1%", title=say(_SHARE)),
        alt.Tooltip("fruit:Q", title=say(message("Fruit"))),
        alt.Tooltip("what:N", title=" "),
    ]
    layers.append(base.mark_point(filled=True, size=110, opacity=1).encode(x, y, shape, colour, tooltip=tip))
    return _look(alt.layer(*layers).properties(width="container", height=_DAYS_PX))


def _tooltip(name: str, say: Say) -> list[Any]:
    return [
        alt.Tooltip(f"{name}:N", title=" "),
        alt.Tooltip("share:Q", format=".1%", title=say(_SHARE)),
        alt.Tooltip("low:Q", format=".1%", title=say(message("interval from"))),
        alt.Tooltip("high:Q", format=".1%", title=say(message("interval to"))),
        alt.Tooltip("fruit:Q", title=say(message("Fruit"))),
        alt.Tooltip("clusters:Q", title=say(message("Bins"))),
    ]


def _look(chart: Any) -> Any:
    return (
        chart.configure(background="white", padding=6)
        .configure_axis(
            labelColor=INK,
            titleColor=INK,
            labelFontSize=14,
            titleFontSize=14,
            titleFontWeight="normal",
            gridColor=FAINT,
            domainColor=QUIET,
            tickColor=QUIET,
            labelLimit=160,
        )
        .configure_view(stroke=None)
    )
