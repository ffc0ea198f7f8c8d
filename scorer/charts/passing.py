"""Charts of a plan: how often a delivery passes, by its true share of bad fruit."""

from __future__ import annotations

from typing import Any, Final

import altair as alt
import numpy as np
import pandas as pd

from scorer.charts.look import CLAY, INK, LEAF, PERCENT, QUIET, WIDTH_PX, dressed
from scorer.sampling.acceptance import AcceptancePlan, oc_curve
from scorer.sampling.sequential import DoorPlan, operating_characteristic

_POINTS: Final = 81
_HEIGHT_PX: Final = 230


def chart_of_door(plan: DoorPlan) -> Any:
    """How often what passes a check by trays, and below it how many fruit that takes on the average."""
    table = operating_characteristic(plan, _shares(plan.bad_share))
    passed = _passing(table, plan.good_share, plan.bad_share)
    fruit = (
        alt.Chart(table, width=WIDTH_PX, height=150)
        .mark_line(color=INK, strokeWidth=2)
        .encode(
            alt.X("share:Q", title="true share of bad fruit", axis=PERCENT),
            alt.Y("fruit:Q", title="fruit looked at, on the average", scale=alt.Scale(zero=True)),
        )
    )
    return dressed(
        alt.vconcat(passed, fruit),
        "Check at the door: what passes, and what it takes",
        f"Trays of {plan.fruit_per_tray} fruit, at most {plan.most_trays}; fruit of one bin alike by icc {plan.icc:g}.",
    )


def chart_of_lot(plan: AcceptancePlan, good_share: float, bad_share: float, *, lot_fruit: int | None = None) -> Any:
    """How often what passes a single sample."""
    table = oc_curve(plan, _shares(bad_share), lot_fruit=lot_fruit).drop_duplicates("share")
    of_lot = f" of the {lot_fruit} of the lot" if lot_fruit else ""
    return dressed(
        _passing(table, good_share, bad_share),
        f"{plan.fruit} fruit{of_lot}, at most {plan.accept_at_most} bad: what passes",
        "Fruit drawn one by one at random; whole trays from a few bins tell less.",
    )


def _shares(bad_share: float) -> np.ndarray[Any, np.dtype[np.float64]]:
    return np.linspace(0, min(2.5 * bad_share, 1.0), _POINTS)


def _passing(table: pd.DataFrame, good_share: float, bad_share: float) -> Any:
    """The curve, with the good and the bad share as labelled points on it."""
    wanted = pd.DataFrame(
        {
            "share": [good_share, bad_share],
            "passed": np.interp([good_share, bad_share], table["share"], table["passed"]),
            "what": ["good, shall pass", "bad, shall not"],
        }
    )
    wanted["words"] = [
        f"{what}: {100 * p:.0f} of 100 do" for what, p in zip(wanted["what"], wanted["passed"], strict=True)
    ]
    x = alt.X("share:Q", title="true share of bad fruit", axis=PERCENT)
    y = alt.Y("passed:Q", title="deliveries that pass", axis=PERCENT, scale=alt.Scale(domain=[0, 1]))
    line = alt.Chart(table).mark_line(color=INK, strokeWidth=2.5).encode(x, y)
    names = list(wanted["what"])
    shape = alt.Shape("what:N", scale=alt.Scale(domain=names, range=["circle", "triangle-up"]), legend=None)
    colour = alt.Color("what:N", scale=alt.Scale(domain=names, range=[LEAF, CLAY]), legend=None)
    points = alt.Chart(wanted).mark_point(filled=True, size=130, opacity=1).encode(x, y, shape, colour)
    words = (
        alt.Chart(wanted)
        .mark_text(align="left", dx=11, dy=-9, fontSize=12, color=QUIET)
        .encode(x, y, alt.Text("words:N"))
    )
    return alt.layer(line, points, words).properties(width=WIDTH_PX, height=_HEIGHT_PX)
