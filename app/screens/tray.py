"""Look at a tray: its fruit and marks on the photo, what decided, and a word where the scorer is wrong."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any

import pandas as pd
import streamlit as st

from app.parts.plain import plain
from app.parts.tray_view import FRUIT, MARK, Outlined, kind_name, tray_view
from app.routes import address_of_crop, address_of_picture
from app.visit import Visit
from scorer.access.roles import Right
from scorer.arrivals.store import PhotoStore
from scorer.language import message
from scorer.outlines import Outline, Ring, number_under, outlines_of
from scorer.records.checks import BY_EYE
from scorer.records.fruit_as_said import fruit_as_said
from scorer.records.mark_words import marks_as_said, say_kind, say_missed, take_back, words_of
from scorer.records.photos import find_photos
from scorer.records.scores import newest_scores_of
from scorer.records.words_in_force import NOT_A_MARK
from scorer.score_tables import KINDS, UNSURE

TITLE = message("Look at a tray")
ICON = ":material/center_focus_strong:"
ADDRESS = "tray"
RIGHT = Right.SEE_TRAYS
PURPOSE = message("See fruit and marks on a tray's photo, what decided, and say where the scorer is wrong.")

_CHOSEN = "tray_chosen"
_PICTURE_PX = 1600


def draw(visit: Visit) -> None:
    """Draw the page."""
    visit.person.must(RIGHT)
    photo = _choose_photo(visit)
    if photo is None:
        return
    sha256 = str(photo["sha256"])
    fruit = fruit_as_said(visit.person, visit.desk.engine, sha256)
    marks = marks_as_said(visit.person, visit.desk.engine, sha256, dropped=True)
    # a mark that somebody drew has no number in the mask; it goes by its decision, below 0
    numbers, decisions = (pd.to_numeric(marks[name]).astype("float64") for name in ("mark", "decision_id"))
    marks["mark"] = numbers.fillna(-decisions).astype("int64")
    _headline(visit, photo)
    chosen = st.session_state.get(_CHOSEN, {}).get(sha256)
    left, right = st.columns([3, 2], gap="medium")
    with left:
        _picture(visit, sha256, fruit, marks, chosen)
    with right:
        _details(visit, sha256, fruit, marks, chosen)
    _history(visit, sha256)


def _choose_photo(visit: Visit) -> pd.Series | None:
    words = visit.words
    wanted = st.query_params.get("photo")
    left, right = st.columns(2)
    text = left.text_input(words.text("Bin or photo, or a part of its name"), key="find_tray")
    found = find_photos(visit.person, visit.desk.engine, text=text)
    if found.empty and wanted is None:
        st.info(words.text("No photo is called so. Photos that were handed in are listed here."))
        return None
    names = {row.sha256: _name(visit, row) for row in found.itertuples()}
    picked = right.selectbox(
        words.text("Another tray, the newest first"),
        list(names),
        index=None,
        format_func=names.__getitem__,
        key=f"pick_tray_{wanted}",
    )
    sha256 = str(picked or wanted or found["sha256"].iloc[0])
    photos = find_photos(visit.person, visit.desk.engine, sha256=sha256)
    if photos.empty:
        st.info(words.text("This photo is not in the records."))
        return None
    st.query_params["photo"] = sha256
    return photos.iloc[0]


def _name(visit: Visit, row: Any) -> str:
    parts = (row.bin or row.photo, row.crew, visit.words.moment(row.taken_at), row.side)
    return " · ".join(str(part) for part in parts if part)


def _headline(visit: Visit, photo: pd.Series) -> None:
    words = visit.words
    of_whom = " · ".join(plain(str(photo[name])) for name in ("crew", "bin", "side") if photo[name])
    st.markdown(f"**{plain(photo['photo'])}** {of_whom}, {words.moment(photo['taken_at'])}")
    if photo["verdict"] in ("retake", "refused"):
        st.warning(f"{words.text('take again')}: {plain(words.told(photo['reasons'] or ''))}", icon=":material/replay:")
    elif photo["reasons"]:
        st.caption(plain(words.told(photo["reasons"])))
    if photo["hold"] != "settled":
        st.caption(
            words.text("Taken early: marks take one to two days to show, so a crew is not judged by this photo.")
        )


def _picture(
    visit: Visit, sha256: str, fruit: pd.DataFrame, marks: pd.DataFrame, chosen: tuple[str, int] | None
) -> None:
    words = visit.words
    outlined = _outlined(visit, sha256)
    if outlined is None:
        st.info(words.text("The photo itself is not kept here, only its figures."))
        return
    size_px, of_fruit, of_marks = outlined
    touched = tray_view(
        words,
        photo=sha256,
        picture=address_of_picture(sha256, _PICTURE_PX),
        size_px=size_px,
        fruit=[
            Outlined(one.number, one.rings, words.text("Fruit {number}", number=one.number), str(one.number))
            for one in of_fruit
            if one.number in set(fruit["fruit"])
        ],
        marks=_shown_marks(visit, marks, of_marks),
        chosen=chosen,
        may_draw=visit.person.may(Right.SAY),
    )
    if touched.tapped and touched.tapped != chosen:
        _choose(sha256, touched.tapped)
    if touched.outlined:
        _ask_missed(visit, sha256, touched.outlined)


def _choose(sha256: str, what: tuple[str, int]) -> None:
    st.session_state[_CHOSEN] = {sha256: what}
    st.rerun()


@st.cache_resource(show_spinner=False, max_entries=64)
def _outlines(
    _store: PhotoStore, sha256: str
) -> tuple[tuple[int, int], tuple[Outline, ...], tuple[Outline, ...]] | None:
    fruit, marks = _store.fruit_mask(sha256), _store.mark_mask(sha256)
    if fruit is None or marks is None:
        return None
    return (fruit.shape[1], fruit.shape[0]), outlines_of(fruit, error_px=2.0), outlines_of(marks)


def _outlined(visit: Visit, sha256: str) -> tuple[tuple[int, int], tuple[Outline, ...], tuple[Outline, ...]] | None:
    return _outlines(visit.desk.store, sha256)


def _shown_marks(visit: Visit, marks: pd.DataFrame, outlines: tuple[Outline, ...]) -> list[Outlined]:
    """Marks with their outlines: those of the mask under their kind as said, and those that were drawn."""
    by_number = {one.number: one.rings for one in outlines}
    shown = []
    for row in marks.to_dict("records"):
        drawn = row["polygon_px"]
        rings = by_number.get(row["mark"], ()) if row["mark"] > 0 else (tuple(map(tuple, drawn)),)
        if rings and row["kind"] != NOT_A_MARK:
            name = f"{kind_name(visit.words, row['kind'])} {_number(row['mark'])}"
            shown.append(Outlined(row["mark"], rings, name, _number(row["mark"]), row["kind"]))
    return shown


def _number(mark: int) -> str:
    """What a mark is called: its number, or a plus for one that somebody drew."""
    return str(mark) if mark > 0 else "+"


def _ask_missed(visit: Visit, sha256: str, ring: Ring) -> None:
    words = visit.words
    mask = visit.desk.store.fruit_mask(sha256)
    number = None if mask is None else number_under(mask, ring)
    if number is None:
        st.warning(words.text("There is no fruit within that line; draw around a mark on a fruit."))
        return

    @st.dialog(words.text("Which mark was missed?"))
    def ask() -> None:
        columns = st.columns(2)
        for place, kind in enumerate((*KINDS, UNSURE)):
            if columns[place % 2].button(kind_name(words, kind), key=f"missed_{kind}", width="stretch"):
                say_missed(visit.person, visit.desk.engine, sha256, number, kind, ring)
                st.rerun()

    ask()


def _details(
    visit: Visit, sha256: str, fruit: pd.DataFrame, marks: pd.DataFrame, chosen: tuple[str, int] | None
) -> None:
    words = visit.words
    number = None
    if chosen and chosen[0] == MARK and chosen[1] in set(marks["mark"]):
        row = marks[marks["mark"] == chosen[1]].iloc[0]
        _mark(visit, sha256, row)
        number = int(row["fruit"])
    elif chosen and chosen[0] == FRUIT:
        number = chosen[1]
    if number is None:
        st.info(words.text("Tap a fruit or a mark on the picture, or choose a fruit here."))
    numbers = [int(one) for one in fruit["fruit"]]
    picked = st.selectbox(
        words.text("Fruit"), numbers, index=numbers.index(number) if number in numbers else None, key=f"fruit_{number}"
    )
    if picked is not None and picked != number:
        _choose(sha256, (FRUIT, picked))
    if number in numbers:
        _fruit(visit, sha256, fruit[fruit["fruit"] == number].iloc[0], marks[marks["fruit"] == number])


def _mark(visit: Visit, sha256: str, mark: pd.Series) -> None:
    words, kind = visit.words, str(mark["kind"])
    st.header(kind_name(words, kind) if kind != NOT_A_MARK else words.text("Not a mark"))
    size = words.number(mark["area_mm2"], "mm²")
    if mark["mark"] > 0:
        st.markdown(f"{size} · {words.text('sure to {percent}', percent=words.percent(mark['probability']))}")
        _what_decided(visit, sha256, int(mark["mark"]))
    else:
        st.markdown(f"{size} · {words.text('drawn by {who}', who=plain(mark['who']))}")
    if visit.person.may(Right.SAY):
        options = [*KINDS, UNSURE, NOT_A_MARK]
        said = st.pills(
            words.text("Something else? Tap what it is"),
            options,
            default=kind,
            key=f"said_{sha256}_{mark['mark']}_{kind}",
            wrap=True,
            format_func=lambda one: words.text("not a mark") if one == NOT_A_MARK else kind_name(words, one),
        )
        if said is not None and said != kind:
            _say(visit, mark, said)
            st.rerun()


def _what_decided(visit: Visit, sha256: str, number: int) -> None:
    words = visit.words
    scored = newest_scores_of(visit.desk.engine, sha256).marks
    mark = scored[scored["mark"] == number].iloc[0]
    measures = [name for name in str(mark["because"] or "").split(", ") if name in mark.index]
    told = [f"{words.text(name.replace('_', ' '))} {words.number(mark[name], decimals=2)}" for name in measures]
    if told:
        st.caption(words.text("What decided: {measures}", measures=", ".join(told)))


def _say(visit: Visit, mark: pd.Series, said: str) -> None:
    """Keep another word on a mark; one that somebody drew is taken back, and drawn anew where it is another kind."""
    if mark["mark"] > 0:
        say_kind(visit.person, visit.desk.engine, int(mark["mark_id"]), said)
        return
    take_back(visit.person, visit.desk.engine, int(mark["decision_id"]))
    if said != NOT_A_MARK:
        ring, sha256 = mark["polygon_px"], str(st.query_params["photo"])
        say_missed(visit.person, visit.desk.engine, sha256, int(mark["fruit"]), said, ring)


def _fruit(visit: Visit, sha256: str, fruit: pd.Series, marks: pd.DataFrame) -> None:
    words = visit.words
    number = int(fruit["fruit"])
    outlined = _outlined(visit, sha256)
    box = next((one.box_px for one in outlined[1] if one.number == number), None) if outlined else None
    if box:
        name = words.text("Fruit {number}", number=number)
        st.html(
            f'<img src="{address_of_crop(sha256, box, 800)}" alt="{name}" '
            'style="width:100%;max-width:420px;border-radius:6px">'
        )
    word = words.text("downgraded") if fruit["downgraded"] else words.told(str(fruit["verdict"]))
    st.markdown(f"**{word}**: {plain(words.told(str(fruit['reason'] or '')))}")
    sizes = (
        f"{words.number(fruit['length_mm'])} × {words.number(fruit['width_mm'], 'mm')}",
        words.text("{percent} brown", percent=words.percent(fruit["brown_fraction"])),
        words.number(fruit["mass_g"], "g"),
    )
    st.caption(" · ".join(sizes))
    for row in marks.to_dict("records"):
        kind = words.text("not a mark") if row["kind"] == NOT_A_MARK else kind_name(words, row["kind"])
        label = f"{_number(row['mark'])} · {kind} · {words.number(row['area_mm2'], 'mm²')}"
        if st.button(label, key=f"mark_{row['mark']}", width="stretch"):
            _choose(sha256, (MARK, int(row["mark"])))
    if marks.empty:
        st.caption(words.text("No marks on the side that is seen."))


def _history(visit: Visit, sha256: str) -> None:
    words = visit.words
    said = words_of(visit.person, visit.desk.engine, sha256)
    if said.empty:
        return
    with st.expander(words.text("What people said of this tray"), icon=":material/history:"):
        for row in said.to_dict("records"):
            with st.container(horizontal=True, vertical_alignment="center"):
                when = words.moment(row["said_at"])
                st.markdown(f"{when} · {plain(row['who'])}: {plain(_said(visit, row))}")
                may = row["counts"] and row["field"] != BY_EYE and visit.person.may(Right.SAY)
                if may and st.button(words.text("Take back"), key=f"back_{row['decision_id']}"):
                    take_back(visit.person, visit.desk.engine, int(row["decision_id"]))
                    st.rerun()


def _said(visit: Visit, row: dict[Hashable, Any]) -> str:
    words = visit.words
    kinds = {kind: kind_name(words, kind) for kind in (*KINDS, UNSURE)} | {NOT_A_MARK: words.text("not a mark")}
    what = words.text("Fruit {number}", number=row["fruit"])
    if not pd.isna(row["mark"]):
        what += f", {words.text('mark {number}', number=int(row['mark']))}"
    before = kinds.get(str(row["said_before"]), words.told(str(row["said_before"] or "")))
    now = kinds.get(str(row["said_now"]), words.told(str(row["said_now"])))
    return f"{what}: {before} → {now}" if row["said_before"] else f"{what}: {now}"
