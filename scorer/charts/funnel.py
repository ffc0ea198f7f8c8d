"""The funnel chart: each crew's share against how much its fruit are worth, within the limits of luck."""

from __future__ import annotations

from typing import Any, Final

import altair as alt
import pandas as pd

from scorer.charts.look import CLAY, FAINT, INK, LEAF, PERCENT, QUIET, WIDTH_PX, dressed
from scorer.crews.funnel import BEYOND_INNER, BEYOND_OUTER, INSIDE, Funnel

_HEIGHT_PX: Final = 300
_SHAPES: Final = {INSIDE: ("circle", INK), BEYOND_INNER: ("square", LEAF), BEYOND_OUTER: ("triangle-up", CLAY)}


def chart_of_funnel(funnel: Funnel) -> Any:
    """Crews as labelled points among the limits; shape and colour both tell where a point lies."""
    # the limits do not begin where no crew is, else a few fruit would stretch the scale over all
    least = 0.6 * funnel.points["effective_fruit"].min() if len(funnel.points) else 0.0
    curves = funnel.curves[funnel.curves["effective_fruit"] >= least]
    x = alt.X("effective_fruit:Q", title="fruit, as many as they are worth", scale=alt.Scale(zero=False, nice=False))
    scale = alt.Scale(zero=True, nice=True)
    layers: list[Any] = []
    for low, high, dash, width in (("low998", "high998", [1, 0], 1.5), ("low95", "high95", [5, 4], 1.2)):
        base = alt.Chart(curves).mark_line(color=QUIET, strokeDash=dash, strokeWidth=width)
        layers += [base.encode(x, alt.Y(f"{end}:Q", title="share of defective fruit")) for end in (low, high)]
    middle = pd.DataFrame({"share": [funnel.middle]})
    layers.append(alt.Chart(middle).mark_rule(color=FAINT, strokeWidth=2).encode(y="share:Q"))
    words = list(_SHAPES)
    points = alt.Chart(funnel.points).encode(x, alt.Y("share:Q", axis=PERCENT, scale=scale))
    shape = alt.Shape(
        "beyond:N", title=None, scale=alt.Scale(domain=words, range=[shape for shape, _ in _SHAPES.values()])
    )
    colour = alt.Color(
        "beyond:N", title=None, scale=alt.Scale(domain=words, range=[colour for _, colour in _SHAPES.values()])
    )
    layers.append(points.mark_point(filled=True, size=130, opacity=1).encode(shape=shape, color=colour))
    layers.append(points.mark_text(align="left", dx=10, fontSize=12, color=INK).encode(text="crew:N"))
    chart = alt.layer(*layers).properties(width=WIDTH_PX - 60, height=_HEIGHT_PX)
    return dressed(
        chart,
        "Crews within what luck alone explains",
        f"Line across: all crews, {100 * funnel.middle:.1f} %. Of crews that are like all others 95 of 100 lie",
        "between the dashed lines, 998 of 1,000 between the solid ones. Small samples scatter more.",
    )
