"""Hand in photos: see at once which are good, what is missing, and what is to be taken again."""

from __future__ import annotations

from datetime import datetime

import streamlit as st

from app.parts.photo_drop import photo_drop
from app.parts.plain import plain
from app.parts.tray_links import look_at_tray, small_picture
from app.routes import address_of_delivery, address_of_picture
from app.visit import Visit
from scorer.access.roles import Right
from scorer.arrivals.completing import complete
from scorer.arrivals.deliveries import Delivery, begin_delivery, find_delivery, items_of, notes_of
from scorer.arrivals.incoming import Receiving
from scorer.arrivals.outcomes import PhotoOutcome, Progress, missing, outcomes_of, progress_of
from scorer.errors import ArrivalError
from scorer.language import message
from scorer.tag import Tag

TITLE = message("Hand in photos")
ICON = ":material/add_a_photo:"
ADDRESS = "hand-in"
RIGHT = Right.HAND_IN
PURPOSE = message("Take or choose photos of trays and see at once which are good, and which to take again.")

_SIGNS = {
    "good": (":material/check_circle:", message("good")),
    "usable": (":material/check:", message("usable")),
    "retake": (":material/replay:", message("take again")),
    "refused": (":material/block:", message("not a photo to score")),
}
_DELIVERIES = "deliveries"
MOST_SHOWN = 60


def draw(visit: Visit) -> None:
    """Draw the page."""
    visit.person.must(RIGHT)
    words = visit.words
    st.caption(
        words.text(
            "Card and tag beside the fruit, phone level over the middle, even light. Wait for each photo's word before "
            "the tray is put away. Sap burns skin and eyes: wear gloves, wash with plenty of water."
        )
    )
    delivery = _delivery(visit)
    photo_drop(address_of_delivery(delivery), words, key="photo_drop")
    if (st.context.url or "").startswith("https:"):
        _camera(visit, delivery)
    _watch(visit, delivery)


def _delivery(visit: Visit) -> Delivery:
    """The delivery that is under way for this visit; a new one after it was put away.

    Where the name is given only after the page was opened, another is begun under it; photos that were sent to the one
    before in that instant stay in sight.
    """
    inbox = visit.desk.settings.inbox_folder
    begun = [one for key in st.session_state.get(_DELIVERIES, ()) if (one := _found(visit, key)) is not None]
    delivery = next((one for one in begun if items_of(one)), None) or next(
        (one for one in begun if one.who == visit.person.name), None
    )
    if delivery is None:
        delivery = begin_delivery(visit.person, inbox)
        begun.append(delivery)
    st.session_state[_DELIVERIES] = [one.key for one in begun]
    return delivery


def _found(visit: Visit, key: str) -> Delivery | None:
    """A delivery, unless it was swept away since."""
    try:
        return find_delivery(visit.person, visit.desk.settings.inbox_folder, key)
    except ArrivalError:
        return None


def _camera(visit: Visit, delivery: Delivery) -> None:
    """Take a photo within the page, which browsers allow over https only."""
    with st.expander(visit.words.text("Take a photo here"), icon=":material/photo_camera:"):
        shot = st.camera_input(visit.words.text("Tray, card and tag in one picture"), key="camera")
        if shot is not None and st.session_state.get("last_shot") != shot.file_id:
            st.session_state["last_shot"] = shot.file_id
            with Receiving(delivery, "camera.jpg") as receiving:
                receiving.add(shot.getvalue())
                receiving.finish()


@st.fragment(run_every=1.0)
def _watch(visit: Visit, delivery: Delivery) -> None:
    """What became of the photos so far, looked up anew every second."""
    words = visit.words
    outcomes = outcomes_of(delivery)
    for note in notes_of(delivery):
        st.caption(plain(words.told(note)))
    if not outcomes:
        st.info(words.text("No photos yet in this round. Take one of a tray, or choose those you have."))
        return
    progress = progress_of(outcomes)
    _progress_line(visit, progress, outcomes)
    _ask_what_is_missing(visit, delivery, outcomes)
    for item in reversed(outcomes[-MOST_SHOWN:]):
        _row(visit, item)
    if progress.left == 0 and st.button(words.text("Put this round away"), icon=":material/inventory_2:"):
        del st.session_state[_DELIVERIES]
        st.rerun()


def _progress_line(visit: Visit, progress: Progress, outcomes: tuple[PhotoOutcome, ...]) -> None:
    words = visit.words
    if progress.left:
        said = words.text("{done} of {all} looked at", done=progress.done, all=progress.items)
        if progress.seconds_left is not None:
            said += ", " + words.text("about {seconds} s left", seconds=round(progress.seconds_left))
        st.progress(progress.done / progress.items, said)
        return
    again = sum(item.verdict in ("retake", "refused") for item in outcomes)
    if again:
        said = words.language.counted(
            "{count} photo is to be taken again", "{count} photos are to be taken again", again
        )
        st.warning(said, icon=":material/replay:")
    else:
        st.success(words.text("All photos can be used; the trays can be put away."), icon=":material/check_circle:")


def _row(visit: Visit, item: PhotoOutcome) -> None:
    words = visit.words
    with st.container(border=True, horizontal=True, vertical_alignment="center"):
        if item.verdict is not None and visit.desk.store.photo_path(item.sha256):
            small_picture(address_of_picture(item.sha256, 320))
        with st.container():
            st.markdown(f"**{plain(item.shown)}**")
            if item.verdict is None:
                st.markdown(f":material/hourglass: {words.text('waiting for its turn')}")
                return
            icon, word = _SIGNS[item.verdict]
            st.markdown(f"{icon} **{words.text(word)}** {_of_whom(visit, item)}")
            if item.reasons:
                st.markdown(plain(words.told(item.reasons)))
        if item.fruit:
            look_at_tray(visit, item.sha256)


def _of_whom(visit: Visit, item: PhotoOutcome) -> str:
    parts = [plain(part) for part in (item.crew, item.bin) if part]
    if item.fruit is not None:
        parts.append(visit.words.language.counted("{count} fruit", "{count} fruit", item.fruit))
    return " · ".join(parts)


def _ask_what_is_missing(visit: Visit, delivery: Delivery, outcomes: tuple[PhotoOutcome, ...]) -> None:
    words = visit.words
    lacking = missing(outcomes)
    if not lacking:
        return
    with st.form("missing", border=True):
        st.markdown(f"**{words.text('The tags do not say all; please say it once')}**")
        crew = st.text_input(words.text("Crew")) if "crew" in lacking else ""
        name = st.text_input(words.text("Bin")) if "bin" in lacking else ""
        day = st.date_input(words.text("Day of picking"), value=None) if "picked_at" in lacking else None
        hour = st.time_input(words.text("Hour of picking"), value=None) if "picked_at" in lacking else None
        st.caption(words.text("It goes for the photos of this round whose tag does not say it."))
        if st.form_submit_button(words.text("Note it"), type="primary"):
            picked_at = datetime.combine(day, hour) if day and hour else None
            said = Tag(crew=crew.strip() or None, bin=name.strip() or None, picked_at=picked_at)
            complete(visit.person, visit.desk.engine, delivery, said)
            st.rerun(scope="fragment")
