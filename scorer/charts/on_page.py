"""The charts of crew figures as pages show them: as wide as the page, in its language, and fit to be tapped.

They say the same as those on paper (``scorer.charts.shares``, ``scorer.charts.over_time``); the interval is always
drawn, and what stands out has a shape of its own besides its colour.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any, Final

import altair as alt
import pandas as pd

from scorer.charts.look import CLAY, FAINT, INK, PERCENT, QUIET
from scorer.crews.over_time import USUAL, OverTime
from scorer.language import message

Say = Callable[[str], str]

PICKED: Final = "picked"
"""Name of the selection: a crew, or a day, that was tapped."""
ROW_PX: Final = 46
"""Height of a row: a finger needs 44 CSS pixels (WCAG 2.2, success criterion 2.5.5)."""
_NAMES_PX: Final = 160
"""Width that a name may have; a longer one is cut."""
_LETTER_PX: Final = 7
"""Width of a letter of a name, on the average: half its size."""
_POINT_PX2: Final = 170
_NAMES_APART_PX: Final = 14
"""Between a name and the scale's 0: half a point, which is drawn across it where nothing was found, and some air."""
_DAYS_PX: Final = 260
_SHARE: Final = message("share of downgraded fruit")


def shares_to_pick(shares: pd.DataFrame, say: Say, *, target: float | None = None, name: str = "crew") -> Any:
    """A point with its interval for each row, by name; a tap anywhere on a row, also on its name, picks it.

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
    names = alt.Axis(ticks=False, domain=False, labelPadding=_NAMES_APART_PX)
    y = alt.Y(f"{name}:N", title=None, sort=list(shown[name]), axis=names)
    picked = alt.selection_point(name=PICKED, fields=[name], on="click", toggle=False)
    base = alt.Chart(shown).encode(y=y)
    faint = alt.condition(picked, alt.value(1.0), alt.value(0.35))
    band = base.mark_rule(strokeWidth=16, color=FAINT).encode(alt.X("low:Q"), alt.X2("high:Q"))
    interval = base.mark_rule(strokeWidth=4, color=QUIET).encode(alt.X("low:Q"), alt.X2("high:Q"), opacity=faint)
    point = base.mark_point(filled=True, size=_POINT_PX2, color=INK).encode(x, opacity=faint)
    layers: list[Any] = [band, interval, point]
    if target is not None:
        line = alt.Chart(pd.DataFrame({"share": [target]})).mark_rule(color=CLAY, strokeDash=[6, 4], strokeWidth=2)
        layers.insert(0, line.encode(x="share:Q"))
    layers.append(_rows_to_tap(base, name, shown[name], say).add_params(picked))
    # by default the height would be that of the whole picture, and scale and title would take theirs from the rows
    fit = alt.AutoSizeParams(type="fit-x", contains="padding")
    return fit_for_page(alt.layer(*layers).properties(width="container", height=alt.Step(ROW_PX), autosize=fit))


def _rows_to_tap(base: Any, name: str, names: Iterable[str], say: Say) -> Any:
    """Rows from end to end, seen by nobody, above all that is drawn: whatever is tapped is a row."""
    row = base.mark_rect(fill="transparent", height=alt.RelativeBandSize(band=1), cursor="pointer")
    return row.encode(x=alt.value(-_names_px(names)), x2=alt.value("width"), tooltip=_tooltip(name, say))


def _names_px(names: Iterable[str]) -> int:
    """About the width that names take up; more would be taken from the scale, less could not be tapped."""
    return _NAMES_APART_PX + min(max((_LETTER_PX * len(name) for name in names), default=0), _NAMES_PX)


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
    return fit_for_page(alt.layer(*layers).properties(width="container", height=_DAYS_PX))


def _tooltip(name: str, say: Say) -> list[Any]:
    return [
        alt.Tooltip(f"{name}:N", title=" "),
        alt.Tooltip("share:Q", format=".1%", title=say(_SHARE)),
        alt.Tooltip("low:Q", format=".1%", title=say(message("interval from"))),
        alt.Tooltip("high:Q", format=".1%", title=say(message("interval to"))),
        alt.Tooltip("fruit:Q", title=say(message("Fruit"))),
        alt.Tooltip("clusters:Q", title=say(message("Bins"))),
    ]


def fit_for_page(chart: Any) -> Any:
    """A chart with the look of all charts on pages: on white, with letters that are read on a phone."""
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
            labelLimit=_NAMES_PX,
        )
        .configure_axisX(titleAnchor="end")  # from the right end it may reach below the names, where the scale is short
        .configure_view(stroke=None)
    )
