"""Hand in photos: a large place to tap or to drop on, that sends each photo to the server by itself."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import streamlit as st

from app.words import Words

_HERE = Path(__file__).parent


def photo_drop(address: str, words: Words, *, key: str) -> dict[str, Any] | None:
    """Show the place; after photos were sent, how many came in (``sent``) of how many were chosen (``of``).

    Parameters
    ----------
    address : where each photo is posted to.
    key : of the widget.
    """
    texts = {
        "choose": words.text("Take or choose photos"),
        "hint": words.text("Also drop up to a few hundred here, or a zip file of photos."),
        "sending": words.text("Sending photo"),
        "lost": words.text("it did not get through; check the connection and send it again"),
    }
    language = words.language.code.replace("_", "-")  # as headers write it (RFC 5646, 2.1)
    part = st.components.v2.component("photo_drop", html=_read("html"), css=_read("css"), js=_read("js"))
    result = part(key=key, data={"address": address, "words": texts, "language": language}, on_handed_change=_nothing)
    handed = result.handed
    return dict(handed) if handed else None


def _nothing() -> None:
    """Make the browser's word start the page anew; the page itself looks what came in."""


def _read(ending: str) -> str:
    return (_HERE / f"photo_drop.{ending}").read_text(encoding="utf-8")
