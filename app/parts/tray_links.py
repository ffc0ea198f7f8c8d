"""From anywhere to a tray's picture, and lists of photos to look at."""

from __future__ import annotations

from typing import Final

import pandas as pd
import streamlit as st

from app.parts.plain import plain
from app.routes import address_of_picture
from app.visit import Visit

TRAY_PAGE: Final = "tray"
_KEPT_PICTURE_PX: Final = 320


def look_at_tray(visit: Visit, sha256: str) -> None:
    """A link to the tray's picture: unlike a button it leads there even while the page around it is drawn anew."""
    st.page_link(
        visit.ways[TRAY_PAGE],
        label=visit.words.text("Look at it"),
        icon=":material/search:",
        query_params={"photo": sha256},
    )


def photo_list(visit: Visit, photos: pd.DataFrame) -> None:
    """Photos with a small picture, whose they are, and a link to each.

    Parameters
    ----------
    photos : of ``scorer.records.photos.find_photos``.
    """
    words = visit.words
    kept_first = sorted(
        photos.to_dict("records"), key=lambda row: visit.desk.store.photo_path(row["sha256"]) is None
    )  # sorted keeps the order among those that can be looked at
    for row in kept_first:
        with st.container(border=True, horizontal=True, vertical_alignment="center"):
            kept = visit.desk.store.photo_path(row["sha256"]) is not None
            if kept:
                small_picture(address_of_picture(row["sha256"], _KEPT_PICTURE_PX))
            with st.container():
                about = " · ".join(plain(row[name]) for name in ("crew", "bin") if row[name])
                st.markdown(f"**{plain(row['photo'])}**  \n{about}, {words.moment(row['taken_at'])}")
                st.markdown(
                    words.text(
                        "{downgraded} of {fruit} fruit downgraded", downgraded=row["downgraded"], fruit=row["fruit"]
                    )
                )
            if kept:
                look_at_tray(visit, row["sha256"])
            else:
                st.caption(words.text("The photo itself is not kept here."))


def small_picture(address: str) -> None:
    """A picture from this server, beside what tells of it in words."""
    st.html(f'<img src="{address}" alt="" width="130" style="border-radius:6px;display:block">', width="content")
