"""What files of labels share: their bytes, who said it and when, and how messages put names of others into words."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final
from zoneinfo import ZoneInfo

from scorer.errors import LabelsError
from scorer.hold_time.clock import moment_of
from scorer.labels.labels import Labels
from scorer.results import reason_of
from scorer.tag import clean_field

LONGEST_NAME: Final = 100
"""Characters of a person's name."""
MOST_TOLD: Final = 5
"""How many of many names a sentence lists."""
YEARS: Final = range(2000, 2101)
UTC_ZONE: Final = ZoneInfo("UTC")


@dataclass(frozen=True)
class LabelFile:
    """A file of labels that was read and found sound; nothing of it is kept yet.

    Parameters
    ----------
    source : what the file is called.
    sha256 : of its bytes.
    form : one of LABEL_FORMS.
    labels : what it says; their ``source`` is ``source_of`` of the two above.
    notes : sentences on what it was taken to mean, for whoever hands it in to agree with.
    """

    source: str
    sha256: str
    form: str
    labels: Labels
    notes: tuple[str, ...] = ()


def source_of(name: str, sha256: str) -> str:
    """What labels call the file that they come from; two files of one name stay two."""
    return f"{name} ({sha256[:8]})"


def file_name(path: Path) -> str:
    """A file's name, fit to be shown and kept."""
    return told(path.name)


def read_bytes(path: Path, *, most_bytes: int) -> tuple[bytes, str]:
    """A file's bytes and their SHA-256.

    Raises
    ------
    LabelsError : it cannot be read, is empty, or is larger than that.
    """
    name = file_name(path)
    try:
        with path.open("rb") as file:
            data = file.read(most_bytes + 1)
    except OSError as error:
        raise LabelsError(f"{name} cannot be read ({reason_of(error)}); check its name and rights.") from error
    if len(data) > most_bytes:
        raise LabelsError(f"{name} is larger than {most_bytes // 1_000_000} MB; hand its photos in in several files.")
    if not data.strip():
        raise LabelsError(f"{name} is empty; export the labels again.")
    return data, hashlib.sha256(data).hexdigest()


def person_of(written: object, where: str) -> str | None:
    """The name of who labelled, clean; None where nobody is named.

    Raises
    ------
    LabelsError : it is no name.
    """
    if written is None:
        return None
    if not isinstance(written, str) or len(written) > 10 * LONGEST_NAME:
        raise LabelsError(f"{where} is not a person's name; say who labelled when you hand the file in.")
    name = clean_field(written)
    if name and len(name) > LONGEST_NAME:
        raise LabelsError(f"{where} is longer than {LONGEST_NAME} characters; shorten the name.")
    return name


def moment_said(written: object, zone: ZoneInfo, where: str) -> datetime | None:
    """When something was said, in UTC; None where nothing is written.

    Parameters
    ----------
    written : an ISO 8601 date, or date and time; slashes may part the date, as in COCO's own files.
    zone : of times that are written without one. A date alone is taken for its first minute.

    Raises
    ------
    LabelsError : it is no such time, or in no year that labels can be from.
    ClockError : the clocks of the zone went forward over it.
    """
    if written is None or (isinstance(written, str) and not written.strip()):
        return None
    try:
        moment = datetime.fromisoformat(str(written).strip().replace("/", "-"))
    except ValueError:
        moment = None
    if not isinstance(written, str) or moment is None or moment.year not in YEARS:
        raise LabelsError(f"{where} is {told(written)}, not a date; write it like 2026-02-14T07:30.")
    return moment.astimezone(UTC) if moment.tzinfo else moment_of(moment, zone)


def said_by_caller(said_at: datetime | None) -> datetime | None:
    """The moment that the caller gives, in UTC.

    Raises
    ------
    ValueError : it has no zone, so that it would have to be guessed.
    """
    if said_at is None:
        return None
    if said_at.tzinfo is None:
        raise ValueError(f"a time without a zone tells no moment: {said_at.isoformat()}")
    return said_at.astimezone(UTC)


def told(value: object) -> str:
    """A value of somebody else's file as a short piece of a sentence."""
    text = clean_field(str(value)[:500]) or "(nothing)"
    return text if len(text) <= LONGEST_NAME else f"{text[: LONGEST_NAME - 1]}…"


def listed(values: Iterable[object]) -> str:
    """The first few of many, and how many more there are."""
    some = [told(value) for value in values]
    more = f" and {len(some) - MOST_TOLD} more" if len(some) > MOST_TOLD else ""
    return ", ".join(some[:MOST_TOLD]) + more
