"""Second look: the least certain marks one after the other, by tap or by key, and when it is enough."""

from __future__ import annotations

from collections.abc import Hashable
from typing import Any

import streamlit as st

from app.desk import counted
from app.parts.choice import choose_one
from app.parts.plain import plain
from app.parts.tray_links import look_at_tray
from app.parts.tray_view import Outlined, kind_name, tray_view
from app.routes import address_of_crop
from app.visit import Visit
from scorer.access.roles import Right
from scorer.language import message
from scorer.outlines import box_around, outlines_of
from scorer.records.checks import say_fruit
from scorer.records.mark_words import say_kind
from scorer.records.words_in_force import NOT_A_MARK
from scorer.score_tables import KINDS, UNSURE
from scorer.second_look import fruit_to_check, marks_to_look_at, worth_looking

TITLE = message("Second look")
ICON = ":material/visibility:"
ADDRESS = "second-look"
RIGHT = Right.SAY
PURPOSE = message("The least certain marks one after the other, and fruit drawn by lot, until it is enough.")

_ROUND = 30
_WAYS = {"marks": message("Least certain marks"), "fruit": message("Fruit drawn by lot")}
_KEYS = {kind: str(place) for place, kind in enumerate((*KINDS, UNSURE), start=1)} | {NOT_A_MARK: "0"}
_PASSED = "passed_over"


def draw(visit: Visit) -> None:
    """Draw the page."""
    visit.person.must(RIGHT)
    words = visit.words
    way = choose_one(words, words.text("What to look at"), _WAYS, key="way")
    if way == "marks":
        _marks(visit)
    elif _some_count(visit):
        _fruit(visit)


def _some_count(visit: Visit) -> bool:
    """Whether any fruit count, and a word on it if none do."""
    if not counted(visit.desk, any_hold=False).fruit.empty:
        return True
    st.info(visit.words.text("No fruit count yet: hand in photos of trays, 48 h or more after picking."))
    return False


def _marks(visit: Visit) -> None:
    words = visit.words
    st.caption(
        words.text(
            "These words mend single fruit and teach the next model. As they are picked for being doubtful, they say "
            "nothing of how often the scorer is right; fruit drawn by lot do."
        )
    )
    passed = st.session_state.setdefault(_PASSED, set())
    queue = marks_to_look_at(visit.person, visit.desk.engine, number=_ROUND + len(passed))
    left = [row for row in queue.to_dict("records") if int(row["mark_id"]) not in passed]
    if not left:
        if not _some_count(visit):  # asked only here: each word changes the season, and to count it anew takes a while
            return
        st.success(words.text("No doubtful mark is waiting."), icon=":material/task_alt:")
        return
    mark = left[0]
    sure = words.text("sure to {percent}", percent=words.percent(mark["probability"]))
    name = f"{kind_name(words, mark['kind'])}, {sure}"
    st.markdown(f"**{name}** · {plain(mark['crew'] or '')} · {plain(mark['photo'])}")
    picture, answers = st.columns([3, 2], gap="medium")
    with picture:
        _mark_picture(visit, mark)
    with answers:
        _answers(visit, mark)
    with st.expander(words.text("Would more words change a crew's figure?"), key="worth", on_change="rerun") as more:
        if more.open:
            for sentence in _worth(visit):
                st.markdown(f"- {plain(words.told(sentence))}")


def _worth(visit: Visit) -> list[str]:
    """Crew by crew, whether more checks would change its figure; worked out once for each state of the season."""
    visit.person.must(Right.SAY)
    return _worth_of(visit, visit.desk.season.stamp)


@st.cache_resource(show_spinner=False, max_entries=2)
def _worth_of(_visit: Visit, stamp: object) -> list[str]:
    return list(worth_looking(_visit.person, _visit.desk.season)["sentence"])


def _mark_picture(visit: Visit, mark: dict[Hashable, Any]) -> None:
    words = visit.words
    mask = visit.desk.store.mark_mask(mark["sha256"])
    outline = None if mask is None else next((o for o in outlines_of(mask) if o.number == mark["mark"]), None)
    if mask is None or outline is None or not outline.rings:
        st.info(words.text("The photo itself is not kept here, only its figures."))
        return
    height, width = mask.shape
    left, top, right, bottom = box_around(outline.rings[0], (width, height), margin=0.8)
    moved = tuple(tuple((x - left, y - top) for x, y in ring) for ring in outline.rings)
    name = kind_name(words, mark["kind"])
    tray_view(
        words,
        photo=f"{mark['sha256']} {mark['mark']}",
        picture=address_of_crop(mark["sha256"], (left, top, right, bottom), 800),
        size_px=(right - left, bottom - top),
        fruit=(),
        marks=[Outlined(int(mark["mark"]), moved, name, "", mark["kind"])],
        chosen=None,
        may_draw=False,
        key="second_look_view",
    )


def _answers(visit: Visit, mark: dict[Hashable, Any]) -> None:
    words = visit.words
    where = int(mark["mark_id"])
    said = None
    if st.button(words.text("It is right"), type="primary", shortcut="Enter", width="stretch", key="right"):
        said = mark["kind"]
    for kind, key in _KEYS.items():
        if kind == mark["kind"]:
            continue
        label = words.text("Not a mark") if kind == NOT_A_MARK else kind_name(words, kind)
        if st.button(label, shortcut=key, width="stretch", key=f"answer_{kind}"):
            said = kind
    if said is not None:
        say_kind(visit.person, visit.desk.engine, where, said)
        st.rerun()
    if st.button(words.text("Pass over"), shortcut="Right", width="stretch", type="tertiary", key="pass"):
        st.session_state[_PASSED].add(where)
        st.rerun()
    look_at_tray(visit, mark["sha256"])


def _fruit(visit: Visit) -> None:
    """Fruit drawn by lot, one after the other; the drawing is kept until it is done."""
    words = visit.words
    drawn = st.session_state.get("drawn_fruit")
    if drawn is None or "worth_then" not in st.session_state:  # as it was when they were drawn, until all are seen
        st.session_state["worth_then"] = _worth(visit)
    for sentence in st.session_state["worth_then"]:
        st.markdown(f"- {plain(words.told(sentence))}")
    if drawn is None:
        number = st.number_input(words.text("Fruit to draw"), 5, 200, _ROUND, 5, key="fruit_to_draw", width=240)
        if st.button(words.text("Draw by lot"), type="primary", key="draw_fruit"):
            st.session_state["drawn_fruit"] = fruit_to_check(visit.person, visit.desk.season, int(number)).to_dict(
                "records"
            )
            st.rerun()
        return
    if not drawn:
        del st.session_state["drawn_fruit"]
        st.success(words.text("This drawing is done; the crews' figures from both words have it."))
        return
    _one_fruit(visit, drawn)


def _one_fruit(visit: Visit, drawn: list[dict[str, Any]]) -> None:
    words, one = visit.words, drawn[0]
    number = int(one["fruit"])
    sha256 = str(one["sha256"])
    where = f"**{plain(one['photo'])}**, {words.text('Fruit {number}', number=number)}"
    st.markdown(f"{where} · {words.text('{count} left', count=len(drawn))}")
    mask = visit.desk.store.fruit_mask(sha256)
    outline = None if mask is None else next((o for o in outlines_of(mask) if o.number == number), None)
    if outline:
        address = address_of_crop(sha256, outline.box_px, 800)
        name = words.text("Fruit {number}", number=number)
        st.html(f'<img src="{address}" alt="{name}" style="width:100%;max-width:560px;border-radius:6px">')
    else:
        st.info(words.text("The photo itself is not kept here; look at the fruit itself if it is still there."))
    left, right, rest = st.columns(3)
    answer = None
    if left.button(words.text("Downgraded"), shortcut="1", width="stretch", key="say_downgraded"):
        answer = True
    if right.button(words.text("Not downgraded"), shortcut="2", width="stretch", key="say_sound"):
        answer = False
    if answer is not None:
        say_fruit(visit.person, visit.desk.engine, sha256, number, answer, chance=float(one["check_chance"]))
    if rest.button(words.text("Pass over"), width="stretch", type="tertiary", key="pass_fruit") or answer is not None:
        st.session_state["drawn_fruit"] = drawn[1:]
        st.rerun()
