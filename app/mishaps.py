"""What is shown and written down when something goes wrong: one sentence for the visitor, the trace for a file."""

from __future__ import annotations

import traceback
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final

import streamlit as st
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response

from app.parts.plain import plain
from app.words import chosen_words
from scorer.errors import AccessError, ScorerError

FULL_BYTES: Final = 1_000_000
"""A log this long is put aside once, and an older one that was put aside is lost."""
SORRY: Final = (
    "Something went wrong here and was written down; load the page again, and tell whoever keeps this computer "
    "if it comes back."
)


def on_page(log_file: Path) -> Callable[[Exception], bool]:
    """What to do with an error that a page did not foresee: write it down, say one sentence, show no trace."""

    def handle(error: Exception) -> bool:
        if isinstance(error, ScorerError):
            st.error(plain(chosen_words().told(str(error))))
            return True
        write_down(log_file, error)
        st.error(chosen_words().text(SORRY))
        return True

    return handle


def on_request(log_file: Path) -> Mapping[Any, Callable[[Request, Exception], Response]]:
    """What to answer when an upload or a picture fails: one sentence in plain text."""

    def refused(_: Request, error: Exception) -> Response:
        return PlainTextResponse(str(error), 403 if isinstance(error, AccessError) else 400)

    def failed(_: Request, error: Exception) -> Response:
        write_down(log_file, error)
        return PlainTextResponse(SORRY, 500)

    return {ScorerError: refused, Exception: failed}


def write_down(log_file: Path, error: Exception) -> None:
    """Add an error and its trace to the log; a full disk is no second error."""
    text = "".join(traceback.format_exception(error))
    try:
        log_file.parent.mkdir(parents=True, exist_ok=True)
        if log_file.exists() and log_file.stat().st_size > FULL_BYTES:
            log_file.replace(log_file.with_name(f"{log_file.name}.old"))
        with log_file.open("a", encoding="utf-8", errors="backslashreplace") as log:
            log.write(f"{datetime.now(UTC).isoformat(timespec='seconds')}\n{text}\n")
    except OSError:
        return  # the visitor is told all the same
