"""How all charts look: one font, few quiet colours, light rules, percent on the scale of shares."""

from __future__ import annotations

from typing import Any, Final

import altair as alt

INK: Final = "#1c201c"
QUIET: Final = "#5f665f"
FAINT: Final = "#d4d8d2"
LEAF: Final = "#345428"
CLAY: Final = "#a8481f"
"""What asks for attention. It is always told by a shape or a word as well."""

FONT: Final = "DejaVu Sans, sans-serif"
"""The family under which the condensed fonts that travel with scorer are known."""
WIDTH_PX: Final = 560
PERCENT: Final = alt.Axis(format=".0%", tickCount=6)


def dressed(chart: Any, title: str, *below: str) -> Any:
    """A chart with its title, the lines that belong under it, and the look of all charts.

    Parameters
    ----------
    title : what it shows, in words.
    below : sentences set small under the title: what the lines mean, what the sample is.
    """
    words = alt.TitleParams(title, subtitle=list(below))
    return (
        chart.properties(title=words)
        .configure(font=FONT, background="white", padding=10)
        .configure_title(
            anchor="start",
            color=INK,
            fontSize=15,
            fontWeight="bold",
            subtitleColor=QUIET,
            subtitleFontSize=11.5,
            subtitleLineHeight=15,
            subtitlePadding=4,
            offset=14,
            frame="group",
        )
        .configure_axis(
            labelColor=INK,
            titleColor=QUIET,
            labelFontSize=12,
            titleFontSize=12,
            titleFontWeight="normal",
            gridColor=FAINT,
            gridOpacity=0.7,
            domainColor=FAINT,
            tickColor=FAINT,
            labelPadding=5,
            titlePadding=8,
            labelLimit=220,
        )
        .configure_view(stroke=None)
        .configure_legend(labelFontSize=12, titleFontSize=12, labelColor=INK, titleColor=QUIET, symbolSize=90)
    )
