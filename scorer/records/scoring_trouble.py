"""Why arriving photos are not scored at the moment: a note beside the records, for the page on their health."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from sqlalchemy.engine import URL

from scorer.errors import OutputError, RecordsError
from scorer.records.beside import place_beside
from scorer.results import reason_of, remove_file, write_whole

TROUBLE_FILE: Final = "scoring_trouble.txt"


def note_trouble(records_url: URL | str, sentence: str) -> None:
    """Put down why nothing is scored; an empty sentence takes the note away.

    Raises
    ------
    OutputError : it cannot be written.
    """
    note = _note_of(records_url)
    if not sentence:
        remove_file(note)
        return
    try:
        note.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(f"{note.parent} cannot be made ({reason_of(error)}); check the disk.") from error
    write_whole(note, sentence.encode("utf-8"))


def noted_trouble(records_url: URL | str) -> str:
    """Why nothing is scored, in a sentence; empty while all is well, or where nobody scores arriving photos."""
    try:
        return _note_of(records_url).read_text(encoding="utf-8", errors="replace").strip()
    except (OSError, RecordsError):
        return ""


def _note_of(records_url: URL | str) -> Path:
    return place_beside(records_url, "inbox") / TROUBLE_FILE
