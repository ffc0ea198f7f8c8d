"""Whether a model's probabilities hold, as a chart for pages: what it said against what was true."""

from __future__ import annotations

from typing import Any, Final

import altair as alt
import pandas as pd

from scorer.charts.look import FAINT, INK, QUIET
from scorer.charts.on_page import Say, fit_for_page
from scorer.language import message

_HEIGHT_PX: Final = 300
_POINT_PX2: Final = 110
SAID: Final = message("said: probability of being a mark")
TRUE: Final = message("true: share that are marks")
HOW_MANY: Final = message("proposals")


def said_against_true(reliability: pd.DataFrame, say: Say) -> Any:
    """A point for proposals of about the same probability, with their number; on the dashed line all holds.

    Parameters
    ----------
    reliability : ``said``, ``true`` (0 to 1) and ``n``; see ``scorer.model_shelf.card_figures.reliability``.
    say : puts a source text into the page's language.
    """
    share = alt.Scale(domain=[0, 1])
    percent = alt.Axis(format=".0%", values=[0, 0.25, 0.5, 0.75, 1], labelOverlap="greedy")
    x, y = (
        alt.X("said:Q", title=say(SAID), axis=percent, scale=share),
        alt.Y("true:Q", title=say(TRUE), axis=percent, scale=share),
    )
    diagonal = alt.Chart(pd.DataFrame({"said": [0.0, 1.0], "true": [0.0, 1.0]}))
    base = alt.Chart(reliability).encode(x, y)
    tip = [
        alt.Tooltip("said:Q", format=".0%", title=say(SAID)),
        alt.Tooltip("true:Q", format=".0%", title=say(TRUE)),
        alt.Tooltip("n:Q", title=say(HOW_MANY)),
    ]
    layers = (
        diagonal.mark_line(color=QUIET, strokeDash=[6, 4]).encode(x, y),
        base.mark_line(color=FAINT, strokeWidth=2),
        base.mark_point(filled=True, size=_POINT_PX2, color=INK, opacity=1).encode(tooltip=tip),
        base.mark_text(align="left", dx=9, dy=9, color=INK, fontSize=13).encode(text="n:Q"),
    )
    return fit_for_page(alt.layer(*layers).properties(width="container", height=_HEIGHT_PX))
