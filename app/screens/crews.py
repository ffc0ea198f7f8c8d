"""Crew figures: each crew's share with its interval, by kind, over days, what it costs, and the photos behind it."""

from __future__ import annotations

import io
import tempfile
import zipfile
from functools import partial
from pathlib import Path

import pandas as pd
import streamlit as st

from app.desk import Desk, SeasonPart, whole_season
from app.parts.choice import choose_one
from app.parts.plain import plain
from app.parts.tray_links import photo_list
from app.screens.tables import prices_choice
from app.visit import Visit
from app.words import NOT_KNOWN, Words
from scorer.access.roles import Right
from scorer.advice.kind_words import MARK_WORDS
from scorer.charts.on_page import PICKED, days_to_read, shares_to_pick
from scorer.crew_report.figures import TARGET, Question, crew_figures
from scorer.crew_report.narrowing import BY, NOT_SAID, Narrowing, choices, narrowed, photos_behind
from scorer.crew_report.write import write_figures
from scorer.crew_summary import FAIR_USE, FOR_COACHING
from scorer.crews.breakdown import ALL_CREWS, shares_of_kinds
from scorer.crews.comparison import compare_crews
from scorer.crews.money import crew_costs, halving_the_worst
from scorer.crews.over_time import over_time
from scorer.crews.prices import load_prices
from scorer.crews.shares import defect_share
from scorer.crews.standardised import standardised_shares
from scorer.fruit_rows import Countable
from scorer.language import message
from scorer.records.photos import find_photos
from scorer.tables_in_place.edit import path_of
from scorer.tables_in_place.names import PRICES, names_there

TITLE = message("Crew figures")
ICON = ":material/groups:"
ADDRESS = "crews"
RIGHT = Right.SEE_CREWS
PURPOSE = message("Each crew's share with its interval, by kind, over days, what it costs, and the photos behind it.")

MOST_PHOTOS = 12
"""Photos behind a figure; to draw more takes the browser longer than to look at these."""

_BY_WORDS = {
    "crew": message("Crews"),
    "block": message("Blocks"),
    "method": message("Ways of picking"),
    "cultivar": message("Cultivars"),
}
_PARTS = {
    "photos": message("Photos behind it"),
    "kinds": message("Kinds of marks"),
    "days": message("Day by day"),
    "rest": message("Against the rest"),
    "mix": message("At the same mix"),
    "cost": message("What it costs"),
}


def work_out_ahead(desk: Desk) -> None:
    """Work out the figures of the whole season, so that nobody who does not narrow it down waits for them."""
    for any_hold in (True, False):
        whole, _ = whole_season(desk, any_hold=any_hold)
        if whole.fruit.empty:
            return
        whole.figure(_shares_of)
    whole.figure(shares_of_kinds)
    whole.figure(over_time, ALL_CREWS)
    whole.figure(_against_the_rest)
    whole.figure(standardised_shares)
    first = next((one for one in names_there(desk.tables_folder) if one.subject == PRICES and not one.is_shipped), None)
    if first is not None:
        prices = load_prices(path_of(desk.tables_folder, first))
        whole.figure(crew_costs, prices)
        whole.figure(halving_the_worst, prices)


def draw(visit: Visit) -> None:
    """Draw the page."""
    visit.person.must(RIGHT)
    words = visit.words
    any_hold = st.toggle(words.text("Count early photos, too"), key="any_hold")
    whole, season = whole_season(visit.desk, any_hold=any_hold)
    if season.fruit.empty:
        st.info(words.text("No fruit count yet: hand in photos of trays, 48 h or more after picking."))
        st.caption(words.told(season.sentence))
        return
    part_of_season = _narrow(visit, whole)
    fruit = part_of_season.fruit
    if fruit.empty:
        st.info(words.text("No fruit is left by this choice; widen it."))
        return
    target = st.session_state.get("target", 100 * TARGET) / 100
    shares = part_of_season.figure(_shares_of)
    crew = _shares_chart(words, shares, target)
    st.caption(f"{words.told(season.sentence)} {words.text(FOR_COACHING)} {words.text(FAIR_USE)}")
    _figures(words, shares, crew)
    part = choose_one(words, words.text("What of it"), _PARTS, key="part", label_in_sight=True)
    own = part_of_season if crew is None else part_of_season.narrowed(crew, lambda all_: all_[all_["crew"] == crew])
    match part:
        case "photos":
            _photos(visit, own.fruit)
        case "kinds":
            _kinds(visit, own, crew)
        case "days":
            _days(words, own, crew)
        case "rest":
            _rest(words, part_of_season)
        case "mix":
            _same_mix(words, part_of_season)
        case "cost":
            _cost(visit, part_of_season)
    _export(visit, Countable(fruit, season.left_out), target)


def _shares_of(fruit: pd.DataFrame) -> pd.DataFrame:
    return defect_share(fruit, cluster="lot")


def _against_the_rest(fruit: pd.DataFrame) -> pd.DataFrame:
    return compare_crews(fruit, cluster="lot")


def _narrow(visit: Visit, whole: SeasonPart) -> SeasonPart:
    words = visit.words
    there = choices(visit.person, whole.fruit)
    with st.expander(words.text("Narrow down"), icon=":material/tune:"):
        columns = st.columns(2)
        values = {
            column: columns[place % 2].multiselect(
                words.text(_BY_WORDS[column]),
                there[column],
                key=f"only_{column}",
                placeholder=words.text("All"),
                format_func=partial(_value_in_words, words, column),
            )
            for place, column in enumerate(BY)
        }
        first = columns[0].date_input(words.text("Picked from"), value=None, key="first_day")
        last = columns[1].date_input(words.text("Picked until"), value=None, key="last_day")
        st.number_input(
            words.text("Target, % of fruit downgraded at most"), 0.5, 50.0, 100 * TARGET, 0.5, key="target", width=320
        )
    narrowing = Narrowing(values, first, last)
    return whole.narrowed(repr(narrowing), lambda fruit: narrowed(visit.person, fruit, narrowing))


def _value_in_words(words: Words, column: str, value: str) -> str:
    """What to choose by; ways of picking that are known have a word, and all else is a name."""
    if value == NOT_SAID:
        return words.text("not said")
    name = value.replace("_", " ")
    return words.text(name) if column == "method" else name


def _shares_chart(words: Words, shares: pd.DataFrame, target: float) -> str | None:
    """The crews' shares; gives the crew that was tapped."""
    st.caption(
        words.text(
            "Point: the sample. Bar: where the true share lies 95 times of 100. Dashed: the target, {target}. "
            "Tap a crew for its own figures.",
            target=words.percent(target),
        )
    )
    told = ", ".join(
        f"{name} {words.percent(share)}" for name, share in zip(shares["crew"], shares["share"], strict=True)
    )
    chart = shares_to_pick(shares, words.text, target=target)
    event = st.altair_chart(chart, key="shares", on_select="rerun", theme=None, alt=told)
    picked = event.selection.get(PICKED) or []
    crews = list(shares["crew"])
    with st.container():
        tapped = picked[0]["crew"] if picked else None
        chosen: str | None = st.selectbox(
            words.text("Crew"),
            [None, *crews],
            index=crews.index(tapped) + 1 if tapped in crews else 0,
            key=f"crew_{tapped}",
            format_func=lambda name: words.text("all crews") if name is None else str(name),
            width=320,
        )
    return chosen


def _figures(words: Words, shares: pd.DataFrame, crew: str | None) -> None:
    shown = shares if crew is None else shares[shares["crew"] == crew]
    table = pd.DataFrame(
        {
            words.text("Crew"): list(map(plain, shown["crew"])),
            words.text("Share"): [words.percent(share) for share in shown["share"]],
            words.text("Interval"): [words.interval(*ends) for ends in zip(shown["low"], shown["high"], strict=True)],
            words.text("Fruit"): shown["fruit"],
            words.text("Bins"): shown["clusters"],
        }
    )
    st.table(table.set_index(words.text("Crew")))
    _notes(words, shown)


def _notes(words: Words, shown: pd.DataFrame) -> None:
    """What the sample cannot tell of a crew, below the table: a phone has no room for sentences in it."""
    for crew, note in zip(shown["crew"], shown["note"], strict=True):
        if note:
            st.markdown(f"- {plain(crew)}: {plain(words.told(note))}")


def _photos(visit: Visit, fruit: pd.DataFrame, kind: str | None = None) -> None:
    names = photos_behind(visit.person, fruit, kind=kind, most=MOST_PHOTOS)
    photos = find_photos(visit.person, visit.desk.engine, names=names, most=MOST_PHOTOS)
    if photos.empty:
        st.info(visit.words.text("No photo shows this."))
        return
    order = {name: place for place, name in enumerate(names)}
    photo_list(visit, photos.sort_values("photo", key=lambda column: column.map(order)))


def _kinds(visit: Visit, own: SeasonPart, crew: str | None) -> None:
    words = visit.words
    shares = own.figure(shares_of_kinds)
    shares = shares.assign(words=[words.text(MARK_WORDS[kind]) for kind in shares["kind"]])
    st.caption(
        words.text("Share of fruit that bear a mark of the kind, within the limits or not. Tap a kind for its photos.")
    )
    chart = shares_to_pick(shares, words.text, name="words")
    event = st.altair_chart(chart, key=f"kinds_{crew}", on_select="rerun", theme=None, alt=words.text("Kinds of marks"))
    picked = event.selection.get(PICKED) or []
    if picked:
        (kind,) = shares.loc[shares["words"] == picked[0]["words"], "kind"]
        _photos(visit, own.fruit, kind)


def _days(words: Words, own: SeasonPart, crew: str | None) -> None:
    days = own.figure(over_time, crew or words.text(ALL_CREWS))
    if days.table.empty:
        st.info(words.text("No day of picking is known."))
        return
    told = [words.told(sentence) for sentence in days.sentences]
    st.caption(words.text("Grey: where these days usually lie. A triangle stands out from them."))
    st.altair_chart(days_to_read(days, words.text), key=f"days_{crew}", theme=None, alt=" ".join(told))
    for sentence in told:
        st.markdown(f"- {plain(sentence)}")


def _rest(words: Words, chosen: SeasonPart) -> None:
    st.caption(words.text("Each crew against all others together, all comparisons taken at once: no list of ranks."))
    table = chosen.figure(_against_the_rest)
    apart = [
        words.text("{low} to {high}", low=words.points(low), high=words.points(high)) if not pd.isna(low) else NOT_KNOWN
        for low, high in zip(table["low"], table["high"], strict=True)
    ]
    st.table(
        pd.DataFrame(
            {
                words.text("Crew"): list(map(plain, table["crew"])),
                words.text("More or less than the rest, points"): [
                    words.points(value) for value in table["difference"]
                ],
                words.text("Interval"): apart,
                words.text("In words"): [words.told(word) for word in table["in_words"]],
            }
        ).set_index(words.text("Crew"))
    )


def _same_mix(words: Words, chosen: SeasonPart) -> None:
    st.caption(words.text("The share that each crew would have, had all picked the same blocks in the same ways."))
    mix = chosen.figure(standardised_shares)
    for warning in mix.warnings:
        st.markdown(f"- {plain(words.told(warning))}")
    st.table(
        pd.DataFrame(
            {
                words.text("Crew"): list(map(plain, mix.table["crew"])),
                words.text("Share"): [words.percent(share) for share in mix.table["share"]],
                words.text("At the same mix"): [words.percent(share) for share in mix.table["standardised"]],
                words.text("Interval"): [
                    words.interval(*ends) for ends in zip(mix.table["low"], mix.table["high"], strict=True)
                ],
            }
        ).set_index(words.text("Crew"))
    )
    _notes(words, mix.table)


def _cost(visit: Visit, chosen: SeasonPart) -> None:
    words = visit.words
    prices = prices_choice(visit)
    if prices is None:
        st.info(words.text("No prices yet: an analyst can write the shed's own under Limits and prices."))
        return
    costs = chosen.figure(crew_costs, prices)
    all_kinds = costs[costs["kind"] == "all"]
    st.table(
        pd.DataFrame(
            {
                words.text("Crew"): list(map(plain, all_kinds["crew"])),
                words.text("Cartons"): [words.number(value) for value in all_kinds["cartons"]],
                words.text("Lost"): [words.number(value, prices.currency) for value in all_kinds["lost"]],
                words.text("Interval"): [
                    f"{words.number(low)} – {words.number(high, prices.currency)}"
                    for low, high in zip(all_kinds["low"], all_kinds["high"], strict=True)
                ],
            }
        ).set_index(words.text("Crew"))
    )
    for sentence in chosen.figure(halving_the_worst, prices)["sentence"]:
        st.markdown(f"- {plain(words.told(sentence))}")


def _export(visit: Visit, season: Countable, target: float) -> None:
    words = visit.words
    with st.expander(words.text("Take the figures along"), icon=":material/download:"):
        if not st.button(words.text("Write report, workbook and tables"), key="write_figures"):
            return
        with st.spinner(words.text("Writing; charts take a few seconds")), tempfile.TemporaryDirectory() as folder:
            figures = crew_figures(season, Question(target=target))
            files = write_figures(figures, Path(folder))
            whole = io.BytesIO()
            with zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED) as archive:
                for file in files:
                    archive.write(file, file.name)
            report = files[0].read_bytes()
        st.download_button(words.text("Report (PDF)"), report, "crews.pdf", "application/pdf", on_click="ignore")
        st.download_button(
            words.text("All tables (zip)"), whole.getvalue(), "crew_figures.zip", "application/zip", on_click="ignore"
        )
