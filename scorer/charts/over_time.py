"""Charts of a crew's days: single days within their limits, and the weighted mean that shows a slow drift."""

from __future__ import annotations

from typing import Any, Final

import altair as alt
import pandas as pd

from scorer.charts.look import CLAY, FAINT, INK, QUIET, WIDTH_PX, dressed
from scorer.crews.over_time import FEWEST_PERIODS, USUAL, OverTime

_HEIGHT_PX: Final = 165
_STANDS_OUT, _USUAL_DAY = "stands out", "within the usual spread"


def chart_of_days(over_time: OverTime, name: str) -> Any:
    """Shares day by day with the limits of the crew's own usual spread; below, the weighted mean with its limits."""
    table = over_time.table
    panels = [_panel(table, "share", "centre", "low", "high", "signal", "single days")]
    below = ["Grey band: where the crew's own days usually lie. Triangle: a day beyond it."]
    if table["drift"].notna().any():
        drifting = table[table["drift"].notna()]
        panels.append(
            _panel(drifting, "drift", "drift_centre", "drift_low", "drift_high", "drift_signal", "weighted mean")
        )
        below.append("Below: the weighted mean of its days against its first ones; beyond the band it drifts.")
    if table["high"].isna().all():
        below = [f"Limits are drawn from {FEWEST_PERIODS} days on."]
    return dressed(alt.vconcat(*panels, spacing=14), f"{name} day by day", *below)


def _panel(table: pd.DataFrame, value: str, centre: str, low: str, high: str, signal: str, title: str) -> Any:
    shown = table.assign(what=[_USUAL_DAY if word == USUAL else _STANDS_OUT for word in table[signal]])
    many = len(shown) > 12
    axis = alt.Axis(labelAngle=-45 if many else 0, labelOverlap="greedy", grid=False)
    x = alt.X("period:O", title=None, axis=axis)
    percent = alt.Axis(format=".0%", tickCount=4)
    y = alt.Y(f"{value}:Q", title=title, axis=percent, scale=alt.Scale(zero=True))
    base = alt.Chart(shown)
    layers: list[Any] = []
    if shown[high].notna().any():
        band = base.mark_area(color=FAINT, opacity=0.55, interpolate="step")
        layers.append(band.encode(x, alt.Y(f"{low}:Q", title=title, axis=percent), alt.Y2(f"{high}:Q")))
        layers.append(base.mark_line(color=QUIET, strokeDash=[5, 4], strokeWidth=1).encode(x, alt.Y(f"{centre}:Q")))
    layers.append(base.mark_line(color=INK, strokeWidth=1.5).encode(x, y))
    domain = [_USUAL_DAY, _STANDS_OUT]
    shape = alt.Shape("what:N", legend=None, scale=alt.Scale(domain=domain, range=["circle", "triangle-up"]))
    colour = alt.Color("what:N", legend=None, scale=alt.Scale(domain=domain, range=[INK, CLAY]))
    size = alt.Size("what:N", legend=None, scale=alt.Scale(domain=domain, range=[45, 150]))
    layers.append(base.mark_point(filled=True, opacity=1).encode(x, y, shape, colour, size))
    return alt.layer(*layers).properties(width=WIDTH_PX, height=_HEIGHT_PX)
