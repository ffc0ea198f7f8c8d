"""Plan a sample: how many bins and fruit, which bins, and when a check at the door may stop."""

from __future__ import annotations

from datetime import date, datetime, time

import streamlit as st

from app.parts.choice import choose_one
from app.parts.plain import plain
from app.visit import Visit
from scorer.access.roles import Right
from scorer.charts.passing import chart_of_door
from scorer.csv_tables import table_as_csv
from scorer.language import message
from scorer.sampling.pick_list import draw_pick_list
from scorer.sampling.sequential import judge_trays, lines_by_tray, plan_door_check
from scorer.sampling.sizes import SamplingMinutes, size_for_half_width, size_to_tell_crews_apart

TITLE = message("Plan a sample")
ICON = ":material/calculate:"
ADDRESS = "plan"
RIGHT = Right.PLAN
PURPOSE = message("How many bins and fruit a question takes, which bins, and when a check at the door may stop.")

_QUESTIONS = {
    "size": message("How many bins and fruit"),
    "picks": message("Which bins"),
    "door": message("When may a check stop"),
}


def draw(visit: Visit) -> None:
    """Draw the page."""
    visit.person.must(RIGHT)
    words = visit.words
    st.caption(
        words.text(
            "Fruit of one bin resemble each other, so a few fruit from many bins tell more than many from a few."
        )
    )
    question = choose_one(words, words.text("Question"), _QUESTIONS, key="question")
    try:
        {"size": _size, "picks": _picks, "door": _door}[question](visit)
    except ValueError as error:  # the library's word on a question that has no answer
        sentence = str(error)
        st.error(plain(words.told(f"{sentence[0].upper()}{sentence[1:]}.")), icon=":material/report:")


def _size(visit: Visit) -> None:
    words = visit.words
    apart = st.toggle(words.text("Tell two crews apart (else: know one share)"), value=True)
    with st.form("size"):
        left, right = st.columns(2)
        if apart:
            one = left.number_input(words.text("Share of one crew, %"), 0.1, 99.0, 5.0, 0.5)
            other = right.number_input(words.text("Share of the other, %"), 0.1, 99.0, 10.0, 0.5)
        else:
            one = left.number_input(words.text("Share that you expect, %"), 0.1, 99.0, 5.0, 0.5)
            other = right.number_input(words.text("To be known within, points"), 0.1, 49.0, 2.0, 0.5)
        icc = left.number_input(words.text("How alike fruit of a bin are (icc)"), 0.0, 0.9, 0.05, 0.01)
        per_bin = right.number_input(words.text("Minutes to reach one more bin"), 0.0, 120.0, 6.0, 0.5)
        per_fruit = left.number_input(words.text("Minutes for one more fruit"), 0.0, 30.0, 0.5, 0.1)
        if not st.form_submit_button(words.text("Work it out"), type="primary"):
            return
    minutes = SamplingMinutes(per_bin, per_fruit)
    if apart:
        sized = size_to_tell_crews_apart(one / 100, other / 100, icc=icc, minutes=minutes)
    else:
        sized = size_for_half_width(one / 100, other / 100, icc=icc, minutes=minutes)
    st.success(words.told(sized.sentence))


def _picks(visit: Visit) -> None:
    words = visit.words
    with st.form("picks"):
        left, right = st.columns(2)
        bins = left.number_input(words.text("Bins there will be"), 1, 2000, 60)
        pick = right.number_input(words.text("Bins to sample"), 1, 2000, 12)
        fruit = left.number_input(words.text("Fruit from each"), 1, 200, 10)
        day = right.date_input(words.text("Day"), value=date.today())
        start = left.time_input(words.text("Begin of the shift"), time(6, 0))
        end = right.time_input(words.text("End of the shift"), time(14, 0))
        if not st.form_submit_button(words.text("Draw by lot"), type="primary"):
            return
    drawn = draw_pick_list(
        int(bins),
        int(pick),
        int(fruit),
        shift_start=datetime.combine(day, start),
        shift_end=datetime.combine(day, end),
    )
    picks = drawn.picks.drop(columns="crew")
    st.markdown(words.told(drawn.sentence))
    st.download_button(words.text("The list as CSV"), table_as_csv(picks), "picks.csv", "text/csv", on_click="ignore")
    shown = picks.assign(**{name: picks[name].map(words.text) for name in ("layer", "place")})
    st.table(
        shown.rename(columns=lambda name: words.text(name.replace("_", " "))), border="horizontal", hide_index=True
    )


def _door(visit: Visit) -> None:
    words = visit.words
    left, right = st.columns(2)
    good = left.number_input(words.text("A good delivery has at most, % bad"), 0.1, 50.0, 3.0, 0.5)
    bad = right.number_input(words.text("A bad one has at least, % bad"), 0.2, 90.0, 12.0, 0.5)
    fruit = left.number_input(words.text("Fruit on a tray"), 1, 50, 10)
    icc = right.number_input(words.text("How alike fruit of a bin are (icc)"), 0.0, 0.9, 0.05, 0.01, key="door_icc")
    check = plan_door_check(good / 100, bad / 100, fruit_per_tray=int(fruit), icc=icc)
    seen = st.text_input(words.text("Bad fruit on the trays so far"), placeholder="0, 2, 1")
    counts = [part.strip() for part in seen.split(",") if part.strip()]
    if counts and all(part.isdecimal() for part in counts):
        answer = judge_trays(check, [int(fruit)] * len(counts), [int(part) for part in counts])
        st.success(words.told(answer.sentence))
    elif counts:
        st.error(words.text("Write the bad fruit of each tray as numbers with commas between, such as 0, 2, 1."))
    st.markdown(words.told(check.sentence))
    lines = lines_by_tray(check).astype("str").replace({"<NA>": "–", "nan": "–"})
    st.table(lines.rename(columns=lambda name: words.text(str(name).replace("_", " "))), hide_index=True)
    st.altair_chart(chart_of_door(check), theme=None, alt=words.text("How often a delivery passes, by its bad fruit"))
